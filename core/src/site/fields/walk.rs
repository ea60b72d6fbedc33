//! Fields of a visit (450 to 499) and of a finding (500 to 549).

use super::shape::{LONG, Part, SHORT, Shape, count, money, needed, optional, quantity};
use super::table;
use crate::site::finding::{FINDING_CHOICES, Severity, Status};
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::visit::VisitState;
use crate::site::words::{Vocabulary, choices};

/// A logbook, and what it is about.
static LOGBOOK_PARTS: [Part; 2] = [needed(1, "site", SHORT), needed(2, "logbook", SHORT)];

table! {
    /// Fields of a visit.
    visit of &[ThingKind::Visit];
    450 PURPOSE, "purpose",
        Shape::Choice(choices!["start-up" | "spring-start-up", "inspection", "audit", "repair",
        "re-set",
            "winterize" | "blow-out", "estimate", "other"]),
        "Why the crew came.";
    451 DATE, "date", Shape::Day, "The day of the visit.";
    452 CREW, "crew", SHORT, "Which crew.";
    453 PEOPLE, "people", Shape::List(&SHORT), "Who was there.";
    454 STARTED, "started", Shape::Time, "When they began.";
    455 ENDED, "ended", Shape::Time, "When they left.";
    456 WEATHER, "weather", SHORT, "Sky and wind, in a few words.";
    457 STATE, "state", Shape::Choice(VisitState::CHOICES),
        "Open until a person says otherwise; never closed by itself.";
    458 STATE_WHY, "state-why", SHORT, "Why it was finished with skips, or abandoned.";
    459 ON_BEHALF_OF, "on-behalf-of", SHORT, "Who asked for it.";
    480 MOVED_TO, "moved-to", Shape::Record(&LOGBOOK_PARTS),
        "The site to which the visit was moved, as it was written to this one by mistake; while \
         it says so, nothing of the visit counts here.";
    481 MOVED_FROM, "moved-from", Shape::Record(&LOGBOOK_PARTS),
        "The site to which the visit was written first, by mistake.";
}

/// A price that the client was told.
static QUOTE_PARTS: [Part; 4] = [
    needed(1, "price", money([0, 5_000], [0, 10_000_000])),
    optional(2, "valid-until", Shape::Day),
    optional(3, "sent", Shape::Day),
    optional(4, "work", SHORT),
];

/// What the client said, who said it, and how.
pub(super) static APPROVAL_PARTS: [Part; 5] = [
    needed(
        1,
        "decision",
        Shape::Choice(choices!["approved" | "yes", "declined" | "no"]),
    ),
    optional(2, "who", SHORT),
    optional(3, "on", Shape::Day),
    optional(
        4,
        "how",
        Shape::Choice(choices![
            "spoken" | "verbal",
            "phone",
            "letter",
            "email",
            "signed"
        ]),
    ),
    optional(5, "limit", money([0, 5_000], [0, 10_000_000])),
];

/// Why something stays as it is.
static ACCEPTED_PARTS: [Part; 3] = [
    needed(1, "reason", SHORT),
    optional(2, "who", SHORT),
    optional(3, "until", Shape::Day),
];

table! {
    /// Fields of a finding.
    finding of &[ThingKind::Finding];
    500 WHAT, "what", Shape::Choice(FINDING_CHOICES), "What was found.";
    501 SEVERITY, "severity", Shape::Choice(Severity::CHOICES), "How soon it matters.";
    502 CAUSE, "cause", SHORT, "What it came from.";
    503 REMEDY, "remedy", SHORT, "What mends it, where that differs from the usual.";
    504 BEFORE, "before", SHORT, "What was measured or set before.";
    505 AFTER, "after", SHORT, "What was measured or set after.";
    506 PARTS, "parts", Shape::List(&SHORT), "Parts that it takes, such as `nozzle 12 ft half`.";
    507 MINUTES, "minutes", quantity(Unit::Minute, [0.0, 240.0], [0.0, 10_000.0]),
        "Labour, in minutes of one person.";
    508 STATUS, "status", Shape::Choice(Status::CHOICES), "How far it has come.";
    509 QUOTE, "quote", Shape::Record(&QUOTE_PARTS), "What the client was told it costs.";
    510 APPROVAL, "approval",
        Shape::Record(&APPROVAL_PARTS), "What the client said: one value, never half.";
    511 ACCEPTED, "accepted",
        Shape::Record(&ACCEPTED_PARTS), "Why it stays as it is, who agreed, until when.";
    512 SCHEDULED, "scheduled", Shape::Day, "The day on which it is to be done.";
    513 PHOTOS, "photos", count([0.0, 20.0], [0.0, 1_000.0]), "How many pictures were taken of it.";
    514 DESCRIPTION, "description", LONG, "In the crew's words.";
    515 FIXED_BY, "fixed-by", SHORT, "Who mended it.";
}

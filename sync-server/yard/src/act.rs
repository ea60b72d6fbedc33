//! What a person can do on the page, and the places they can be at.
//!
//! Acts and places go to the page and come back as JSON, so that a button carries all that its tap
//! means, and the place is kept with the store: after a wake or a restart it is the same.

use std::fmt::Display;
use std::str::FromStr;

use headwalk_core::log::id::{LogbookId, ThingId};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};

use crate::prefs::Preference;

/// An id as text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Id<T>(pub T);

impl<T: Display> Serialize for Id<T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(&self.0)
    }
}

impl<'de, T: FromStr> Deserialize<'de> for Id<T> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        let id = text.parse().map_err(|_| D::Error::custom("not an id"));
        id.map(Self)
    }
}

/// A thing of the site at hand.
pub type Thing = Id<ThingId>;
/// A logbook.
pub type Book = Id<LogbookId>;

/// What is on the screen.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "at", rename_all = "kebab-case")]
pub enum Screen {
    /// The day's sites, or how to join where the phone belongs to no office yet.
    #[default]
    Today,
    /// Whether this is the right site.
    Site,
    /// The programs before anybody changes them; a draft where they differ from those left.
    Found {
        /// Of which controller; the first that was not looked at yet, where nobody said.
        #[serde(default)]
        controller: Option<Thing>,
        /// The programs as text.
        draft: Option<String>,
    },
    /// The zones and how far the visit has come.
    Walk,
    /// One zone.
    Zone {
        /// Which.
        zone: Thing,
    },
    /// Heads that are not on the record yet.
    NewHeads {
        /// In which zone.
        zone: Thing,
        /// How their water comes out.
        kind: String,
        /// How many.
        count: u32,
    },
    /// Why a zone is not run.
    Skip {
        /// Which.
        zone: Thing,
    },
    /// One head.
    Head {
        /// Which.
        head: Thing,
    },
    /// Everything that can be found on a thing.
    What {
        /// On what.
        thing: Thing,
        /// The flag that is described, if there is one.
        flag: Option<Thing>,
    },
    /// One finding.
    Finding {
        /// Which.
        finding: Thing,
    },
    /// Why something stays as it is.
    Accept {
        /// Which finding.
        finding: Thing,
    },
    /// What a spot comes from.
    Spot {
        /// Which.
        spot: Thing,
    },
    /// What a trouble of a zone comes from.
    Board {
        /// Which zone.
        zone: Thing,
        /// The trouble, by core's word for it.
        trouble: String,
    },
    /// What a head at a curved kerb costs either way, and the settings to choose from.
    Kerb {
        /// Which head.
        head: Thing,
        /// Dry lawn that would be accepted, in square feet; the usual where nobody said.
        dry: Option<f64>,
    },
    /// The curve of the kerb at a head, as a tape measures it.
    Tape {
        /// Which head.
        head: Thing,
        /// The kerb as text.
        draft: Option<String>,
    },
    /// The pressure of a zone from the street to its worst head.
    Pressure {
        /// Which zone.
        zone: Thing,
        /// A leak to reckon with, in gallons a minute.
        leak: Option<f64>,
    },
    /// One measured value of a thing.
    Gauge {
        /// Of what.
        thing: Thing,
        /// Its name in the table of fields.
        name: String,
        /// The value as text.
        draft: Option<String>,
        /// Where one came from.
        back: Box<Screen>,
    },
    /// The programs as they are left; a draft until they are recorded.
    Left {
        /// Of which controller; the first that is not left yet, where nobody said.
        #[serde(default)]
        controller: Option<Thing>,
        /// The programs as text.
        draft: Option<String>,
    },
    /// What the client said.
    Client,
    /// What is missing, and the end of the visit.
    Close,
    /// A paper about the site, as the client gets it.
    Paper {
        /// Which, by core's word for it.
        paper: String,
    },
    /// Language, units, hand, storage, export.
    Settings,
}

/// What becomes of a finding at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mended {
    /// It is written down.
    Described,
    /// It was mended on the spot.
    Fixed,
    /// The office prices it.
    ToQuote,
}

/// One of the settings that a head at a kerb can be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum KerbSide {
    /// Nothing lands off the lawn.
    NoOverspray,
    /// Nothing of the lawn stays dry.
    NoDryGround,
    /// The least waste for the dry lawn that would be accepted.
    InBetween,
}

/// What a person did, or the page on their behalf.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(
    tag = "do",
    rename_all = "kebab-case",
    rename_all_fields = "kebab-case"
)]
pub enum Act {
    /// Show the same again.
    Show,
    /// Join the office with a one-time code.
    Join {
        /// The code.
        #[serde(default)]
        code: String,
        /// Who carries the phone.
        #[serde(default)]
        person: String,
    },
    /// The hub answered to a code.
    LetIn {
        /// The hub's address.
        url: String,
        /// Who carries the phone.
        person: String,
        /// The answer.
        body: String,
    },
    /// Ask the page to exchange with the office.
    Exchange,
    /// An exchange ended, or could not begin.
    Exchanged {
        /// What went wrong, in the hub's words or the browser's.
        problem: Option<String>,
        /// The hub's word for it.
        #[serde(default)]
        kind: Option<String>,
    },
    /// Go somewhere.
    Go {
        /// Where.
        to: Screen,
    },
    /// Look at a site.
    Open {
        /// Which.
        site: Book,
    },
    /// Choose how the page is.
    Prefer {
        /// What.
        choice: Preference,
    },
    /// Begin a visit of the site at hand.
    Start {
        /// Why.
        purpose: String,
    },
    /// Take up an open visit.
    Resume {
        /// Which.
        visit: Thing,
    },
    /// Open a visit again that has ended today.
    Reopen {
        /// Which.
        visit: Thing,
    },
    /// The programs are as they were left last time.
    FoundSame {
        /// Of which controller.
        controller: Thing,
    },
    /// The programs are like this.
    Found {
        /// Of which controller.
        controller: Thing,
        /// As text.
        programs: String,
    },
    /// Every head of the zone that is not flagged is good.
    RestGood {
        /// Which zone.
        zone: Thing,
    },
    /// The zone was not run.
    Skipped {
        /// Which.
        zone: Thing,
        /// Why.
        #[serde(default)]
        why: String,
    },
    /// Put a number of like heads on the record.
    AddHeads {
        /// In which zone.
        zone: Thing,
        /// How their water comes out.
        kind: String,
        /// How many.
        count: u32,
    },
    /// Flag a thing for later.
    Flag {
        /// What.
        thing: Thing,
    },
    /// Something was found.
    Find {
        /// On what.
        thing: Thing,
        /// What.
        what: String,
        /// What became of it.
        then: Mended,
        /// The flag that this describes, if there is one.
        flag: Option<Thing>,
    },
    /// A finding goes on.
    Move {
        /// Which.
        finding: Thing,
        /// To which status.
        to: String,
    },
    /// Something stays as it is.
    Accepted {
        /// Which finding.
        finding: Thing,
        /// Why.
        #[serde(default)]
        why: String,
    },
    /// Say one thing of a thing: a field or an observation.
    Note {
        /// Of what.
        thing: Thing,
        /// Its name in the table of fields.
        name: String,
        /// What was said.
        #[serde(default)]
        value: String,
    },
    /// Change a head's arc, and with it what its nozzle delivers.
    Arc {
        /// Which head.
        head: Thing,
        /// The new arc.
        degrees: u32,
    },
    /// Set a head at a curved kerb, with the reason.
    SetAtKerb {
        /// Which head.
        head: Thing,
        /// How.
        side: KerbSide,
        /// Dry lawn that would be accepted, in square feet.
        dry: f64,
    },
    /// Something was measured.
    Measured {
        /// Of what.
        thing: Thing,
        /// Its name in the table of fields.
        name: String,
        /// How much, with its unit.
        #[serde(default)]
        value: String,
        /// Where to go then.
        back: Box<Screen>,
    },
    /// Put the water supply of the site on the record.
    AddSupply,
    /// Put a taller or lower body under a head.
    PopUp {
        /// Which head.
        head: Thing,
        /// How high it rises, in inches.
        inches: u32,
    },
    /// Choose one of two versions.
    Choose {
        /// Of what.
        thing: Thing,
        /// The field's number.
        field: u16,
        /// Which of the open writes.
        version: usize,
    },
    /// A wet or a dry spot.
    AddSpot {
        /// In which zone.
        zone: Thing,
        /// Wet or dry.
        moisture: String,
    },
    /// A sign was looked for.
    Sign {
        /// On what.
        thing: Thing,
        /// Which.
        sign: String,
        /// yes, no or not-tested.
        seen: String,
    },
    /// The programs are left like this.
    Left {
        /// Of which controller.
        controller: Thing,
        /// As text.
        programs: String,
    },
    /// What the client said.
    ClientSaid {
        /// In words.
        #[serde(default)]
        value: String,
    },
    /// The visit ends.
    Close {
        /// Why, where something is missing.
        #[serde(default)]
        why: String,
    },
    /// The visit is left open for later.
    Leave,
    /// Take the last entry of this visit back.
    Undo,
    /// Keep the picture that was made ready.
    Photo {
        /// Of what.
        thing: Thing,
        /// What it shows.
        shows: String,
        /// Whether its file could be kept.
        kept: bool,
    },
    /// Bring a picture from the office.
    Bring {
        /// Which.
        digest: String,
    },
    /// A picture came from the office, or could not.
    Brought {
        /// Which.
        digest: String,
        /// What went wrong.
        problem: Option<String>,
    },
}

//! Every kind of observation: what was measured or seen at a moment, and accumulates.

use super::ground::TAKEN_AT;
use super::lines;
use super::shape::{
    LONG, Part, SHORT, Shape, count, needed, number, optional, quantity, quantity_or,
};
use super::walk::APPROVAL_PARTS;
use crate::site::day_end::Act;
use crate::site::kind::ThingKind::{
    self, Company, Controller, Crew, Estimate, Finding, Head, Line, Part as StockPart, Site, Spot,
    Station, Supply, Valve, Visit, Zone,
};
use crate::site::photo::Shows;
use crate::site::unit::Unit;
use crate::site::words::{Vocabulary, Weeping, choices};

const WEATHER_PARTS: &[Part] = &[
    needed(1, "date", Shape::Day),
    optional(
        2,
        "tmin",
        quantity(Unit::Fahrenheit, [-20.0, 90.0], [-130.0, 140.0]),
    ),
    optional(
        3,
        "tmax",
        quantity(Unit::Fahrenheit, [0.0, 115.0], [-130.0, 140.0]),
    ),
    optional(4, "rain", quantity(Unit::Inch, [0.0, 4.0], [0.0, 80.0])),
    optional(5, "et", quantity(Unit::Inch, [0.0, 0.5], [0.0, 2.0])),
    optional(
        6,
        "wind",
        quantity(Unit::MilePerHour, [0.0, 30.0], [0.0, 250.0]),
    ),
    optional(
        7,
        "humidity-min",
        quantity(Unit::Percent, [5.0, 100.0], [0.0, 100.0]),
    ),
    optional(
        8,
        "humidity-max",
        quantity(Unit::Percent, [20.0, 100.0], [0.0, 100.0]),
    ),
    optional(
        9,
        "humidity",
        quantity(Unit::Percent, [10.0, 100.0], [0.0, 100.0]),
    ),
    optional(
        10,
        "dewpoint",
        quantity(Unit::Fahrenheit, [-20.0, 80.0], [-130.0, 140.0]),
    ),
    optional(
        11,
        "solar",
        quantity(Unit::MegajoulePerSquareMetre, [0.0, 35.0], [0.0, 50.0]),
    ),
    optional(
        12,
        "sunshine",
        quantity(Unit::Hour, [0.0, 16.0], [0.0, 24.0]),
    ),
    optional(13, "source", SHORT),
];

const NORMAL_PARTS: &[Part] = &[
    needed(1, "month", count([1.0, 12.0], [1.0, 12.0])),
    optional(
        2,
        "tmin",
        quantity(Unit::Fahrenheit, [-20.0, 90.0], [-130.0, 140.0]),
    ),
    optional(
        3,
        "tmax",
        quantity(Unit::Fahrenheit, [0.0, 115.0], [-130.0, 140.0]),
    ),
    optional(4, "rain", quantity(Unit::Inch, [0.0, 20.0], [0.0, 400.0])),
    optional(5, "et", quantity(Unit::Inch, [0.0, 14.0], [0.0, 40.0])),
    optional(6, "source", SHORT),
];

const CATCH: Shape = quantity(Unit::Millilitre, [0.0, 200.0], [0.0, 5_000.0]);
const WIND: Shape = quantity(Unit::MilePerHour, [0.0, 5.0], [0.0, 150.0]);

const CATCH_CAN_PARTS: &[Part] = &[
    needed(1, "ml", Shape::List(&CATCH)),
    optional(
        2,
        "minutes",
        quantity(Unit::Minute, [3.0, 60.0], [0.1, 1_440.0]),
    ),
    optional(
        3,
        "throat",
        quantity(Unit::SquareInch, [3.0, 60.0], [0.1, 1_000.0]),
    ),
    optional(
        4,
        "pressure-start",
        quantity(Unit::Psi, [15.0, 75.0], [0.0, 250.0]),
    ),
    optional(
        5,
        "pressure-end",
        quantity(Unit::Psi, [15.0, 75.0], [0.0, 250.0]),
    ),
    optional(6, "wind", Shape::List(&WIND)),
    optional(7, "positions", Shape::List(&SHORT)),
    optional(8, "lost", count([0.0, 3.0], [0.0, 1_000.0])),
    optional(9, "tester", SHORT),
];

const PRESSURE_PARTS: &[Part] = &[
    needed(
        1,
        "pressure",
        quantity(Unit::Psi, [15.0, 120.0], [0.0, 250.0]),
    ),
    optional(2, "at", TAKEN_AT),
    optional(
        3,
        "while",
        Shape::Choice(choices!["running", "static" | "all-off"]),
    ),
];

const FLOW_PARTS: &[Part] = &[
    needed(
        1,
        "flow",
        quantity(Unit::GallonPerMinute, [0.5, 60.0], [0.0, 2_000.0]),
    ),
    optional(
        2,
        "volume",
        quantity(Unit::Gallon, [1.0, 500.0], [0.0, 1e6]),
    ),
    optional(
        3,
        "time",
        quantity(Unit::Second, [20.0, 900.0], [1.0, 86_400.0]),
    ),
];

const METER_PARTS: &[Part] = &[
    needed(1, "reading", number([0.0, 1e8], [0.0, 1e12])),
    optional(
        2,
        "unit",
        Shape::Choice(choices![
            "gallons",
            "cubic-feet",
            "hundred-cubic-feet",
            "thousand-gallons",
            "cubic-metres"
        ]),
    ),
    optional(
        3,
        "event",
        Shape::Choice(choices!["replaced", "rolled-over"]),
    ),
    optional(4, "all-off", Shape::YesNo),
];

const LEAK_TEST_PARTS: &[Part] = &[
    needed(1, "start", quantity(Unit::Gallon, [0.0, 1e9], [0.0, 1e12])),
    needed(2, "end", quantity(Unit::Gallon, [0.0, 1e9], [0.0, 1e12])),
    needed(
        3,
        "minutes",
        quantity(Unit::Minute, [5.0, 60.0], [0.1, 10_000.0]),
    ),
    optional(4, "master-valve-open", Shape::YesNo),
];

const OHMS_PARTS: &[Part] = &[
    needed(
        1,
        "ohms",
        quantity_or(
            Unit::Ohm,
            [15.0, 80.0],
            [0.0, 1e7],
            choices!["open", "short"],
        ),
    ),
    optional(2, "at", Shape::Choice(choices!["controller", "solenoid"])),
];

const VOLTS_PARTS: &[Part] = &[
    needed(1, "volts", quantity(Unit::Volt, [19.0, 28.0], [0.0, 600.0])),
    optional(2, "at", Shape::Choice(choices!["controller", "solenoid"])),
];

const PROBE_PARTS: &[Part] = &[
    optional(
        1,
        "moisture",
        Shape::Choice(choices!["dry", "moist", "wet"]),
    ),
    optional(
        2,
        "root-depth",
        quantity(Unit::Inch, [2.0, 12.0], [0.0, 72.0]),
    ),
    optional(3, "wet-to", quantity(Unit::Inch, [0.0, 18.0], [0.0, 72.0])),
    optional(4, "compacted", Shape::YesNo),
    optional(5, "thatch", quantity(Unit::Inch, [0.0, 1.0], [0.0, 12.0])),
    optional(6, "water-repellent", Shape::YesNo),
    optional(7, "remark", SHORT),
];

const PART_USED_PARTS: &[Part] = &[
    needed(1, "part", SHORT),
    optional(2, "count", count([1.0, 20.0], [0.0, 100_000.0])),
    optional(3, "from", SHORT),
];

const STOCK_PARTS: &[Part] = &[
    needed(1, "count", count([0.0, 500.0], [0.0, 1e6])),
    optional(2, "at", SHORT),
];

const STOCK_MOVED_PARTS: &[Part] = &[
    needed(1, "count", count([-100.0, 500.0], [-1e6, 1e6])),
    optional(2, "at", SHORT),
    optional(3, "why", SHORT),
];

const PHOTO_PARTS: &[Part] = &[
    needed(1, "id", SHORT),
    optional(2, "caption", SHORT),
    optional(3, "digest", SHORT),
    optional(4, "bytes", count([0.0, 2e7], [0.0, 1e12])),
    optional(5, "width", count([100.0, 2e4], [1.0, 65_535.0])),
    optional(6, "height", count([100.0, 2e4], [1.0, 65_535.0])),
    optional(7, "taken", SHORT),
    optional(8, "shows", Shape::Choice(Shows::CHOICES)),
    optional(9, "kept", Shape::YesNo),
];

const RAN_PARTS: &[Part] = &[
    optional(
        1,
        "minutes",
        quantity(Unit::Minute, [0.5, 10.0], [0.0, 1_440.0]),
    ),
    optional(
        2,
        "by",
        Shape::Choice(choices!["controller", "by-hand" | "bleed"]),
    ),
];

const BACKFLOW_TEST_PARTS: &[Part] = &[
    needed(
        1,
        "result",
        Shape::Choice(choices!["passed", "failed", "not-testable"]),
    ),
    optional(2, "date", Shape::Day),
    optional(3, "tester", SHORT),
    optional(4, "licence", SHORT),
    optional(5, "next-due", Shape::Day),
    optional(6, "file", SHORT),
];

const BLOW_OUT_PARTS: &[Part] = &[
    needed(1, "passes", count([1.0, 4.0], [0.0, 50.0])),
    optional(2, "air", quantity(Unit::Psi, [20.0, 80.0], [0.0, 250.0])),
    optional(
        3,
        "air-flow",
        quantity(Unit::CubicFootPerMinute, [10.0, 250.0], [0.0, 5_000.0]),
    ),
    optional(
        4,
        "until",
        Shape::Choice(choices!["mist", "dry", "stopped-early"]),
    ),
];

const EVIDENCE_PARTS: &[Part] = &[
    needed(1, "sign", SHORT),
    needed(
        2,
        "seen",
        Shape::Choice(choices!["yes" | "y", "no" | "n", "not-tested"]),
    ),
    optional(3, "remark", SHORT),
];

const SENT_PARTS: &[Part] = &[
    needed(
        1,
        "what",
        Shape::Choice(choices![
            "letter",
            "estimate",
            "work-order",
            "card",
            "other"
        ]),
    ),
    optional(2, "to", SHORT),
    optional(
        3,
        "how",
        Shape::Choice(choices!["print", "email", "file", "told"]),
    ),
];

const CARRIED_PARTS: &[Part] = &[
    needed(1, "site", SHORT),
    needed(2, "by", SHORT),
    needed(3, "at", SHORT),
    needed(4, "logbook", SHORT),
    needed(5, "entry", SHORT),
    optional(6, "gave-way", LONG),
];

const OFFICE_DECISION_PARTS: &[Part] = &[
    needed(1, "line", SHORT),
    needed(2, "act", Shape::Choice(Act::CHOICES)),
    optional(3, "words", SHORT),
    optional(4, "until", Shape::Day),
    optional(5, "why", SHORT),
    optional(6, "basis", SHORT),
];

const DAY_CLOSED_PARTS: &[Part] = &[
    needed(1, "date", Shape::Day),
    optional(2, "open", Shape::List(&LONG)),
    optional(3, "why", SHORT),
];

const PHONE_PLACE_PARTS: &[Part] = &[
    needed(
        1,
        "latitude",
        quantity(Unit::Degree, [-90.0, 90.0], [-90.0, 90.0]),
    ),
    needed(
        2,
        "longitude",
        quantity(Unit::Degree, [-180.0, 180.0], [-180.0, 180.0]),
    ),
    optional(3, "within", quantity(Unit::Foot, [10.0, 100.0], [0.0, 1e6])),
];

const CLOCK_PARTS: &[Part] = &[
    needed(
        1,
        "ahead",
        quantity(Unit::Minute, [-10.0, 10.0], [-600_000.0, 600_000.0]),
    ),
    optional(2, "date-right", Shape::YesNo),
];

lines! { OBSERVATIONS: crate::site::fields::ObservationDef, ObservationNumber;
    1 NOTE, "note", ThingKind::ALL, LONG, "Words that are tied to a moment.";
    2 PHOTO, "photo", ThingKind::ALL, Shape::Record(PHOTO_PARTS),
        "A picture by its id; it counts though the picture has not arrived.";
    3 PHONE_PLACE, "phone-place", ThingKind::ALL, Shape::Record(PHONE_PLACE_PARTS),
        "Where the phone thought it was: to about 16 ft, never enough to tell heads apart.";
    10 PRESSURE, "pressure-reading", &[Supply, Zone, Valve, Head], Shape::Record(PRESSURE_PARTS),
        "A pressure, and where it was taken.";
    11 FLOW, "flow-reading", &[Supply, Zone], Shape::Record(FLOW_PARTS),
        "A flow, by the meter or a flow sensor.";
    12 METER, "meter-reading", &[Supply], Shape::Record(METER_PARTS),
        "What the register shows; not lower than last time unless it was replaced or rolled over.";
    13 LEAK_TEST, "leak-test", &[Supply], Shape::Record(LEAK_TEST_PARTS),
        "Two readings with every zone and the house off.";
    14 BACKFLOW_TEST, "backflow-test", &[Supply], Shape::Record(BACKFLOW_TEST_PARTS),
        "What the certified tester found; nobody else opens the test cocks.";
    20 SOLENOID_OHMS, "solenoid-ohms", &[Valve], Shape::Record(OHMS_PARTS),
        "Resistance of coil and wire with the common off, or `open`, or `short`.";
    21 STATION_VOLTS, "station-volts", &[Valve, Controller], Shape::Record(VOLTS_PARTS),
        "Alternating voltage at the terminals with the station on.";
    22 VALVE_CLOSES, "valve-closes", &[Valve], quantity(Unit::Second, [0.0, 15.0], [0.0, 3_600.0]),
        "Seconds until the water stops after the station goes off.";
    23 WEEPING_SEEN, "weeping-seen", &[Valve], Shape::Choice(Weeping::CHOICES),
        "Whether water got by while it was shut.";
    24 BLEED_WORKS, "bleed-works", &[Valve], Shape::YesNo, "Whether it opens by its bleed.";
    30 ZONE_RAN, "zone-ran", &[Zone], Shape::Record(RAN_PARTS), "The zone was run and looked at.";
    31 ZONE_SKIPPED, "zone-skipped", &[Zone], SHORT, "The zone was not run, and why.";
    32 HEADS_GOOD, "heads-good",
        &[Zone], Shape::YesNo, "Every head that is not flagged looked right.";
    33 LOOKED_GOOD, "looked-good", &[Head, Valve], Shape::YesNo, "It looked right.";
    34 CATCH_CANS, "catch-cans", &[Zone], Shape::Record(CATCH_CAN_PARTS),
        "A catch-can test: every can in mL, minutes, the opening of a can, wind.";
    35 SOIL_PROBE, "soil-probe",
        &[Zone, Spot], Shape::Record(PROBE_PARTS), "What the soil probe brought up.";
    36 EVIDENCE, "evidence", &[Spot, Zone, Valve], Shape::Record(EVIDENCE_PARTS),
        "One sign of what a spot comes from: seen, not seen, not tested.";
    37 BLOW_OUT, "blow-out", &[Zone], Shape::Record(BLOW_OUT_PARTS),
        "Passes and air pressure; nobody over heads, eyes covered, never above the pipe's limit.";
    40 AS_FOUND, "as-found", &[Controller], Shape::Programs,
        "The whole set of programs before anybody changed it.";
    41 CLOCK, "clock", &[Controller], Shape::Record(CLOCK_PARTS), "How far its clock is ahead.";
    50 PART_USED, "part-used",
        &[Finding, Visit, Site, Zone, Valve, Head], Shape::Record(PART_USED_PARTS),
        "A part went into the ground.";
    51 STOCK_COUNTED, "stock-counted",
        &[StockPart, Crew], Shape::Record(STOCK_PARTS), "What lies there, counted.";
    52 STOCK_MOVED, "stock-moved", &[StockPart, Crew], Shape::Record(STOCK_MOVED_PARTS),
        "What came in or, below zero, went out.";
    58 CARRIED, "carried", &[Visit], Shape::Record(CARRIED_PARTS),
        "What this entry repeats of the logbook of another site, to which the visit was written by \
         mistake: which entry, who wrote it and when, and what of it gave way to later values.";
    60 WEATHER_DAY, "weather-day", &[Station], Shape::Record(WEATHER_PARTS),
        "One day's weather; of two for one day the later counts.";
    61 MONTHLY_NORMAL, "monthly-normal", &[Station], Shape::Record(NORMAL_PARTS),
        "A month's usual weather: mean lowest and highest temperature, all its rain, all its ET; \
         used where no days are recorded.";
    70 SENT, "sent", &[Site, Visit, Finding, Company, Estimate], Shape::Record(SENT_PARTS),
        "What the client was sent or told.";
    71 ANSWERED, "answered", &[Line], Shape::Record(&APPROVAL_PARTS),
        "Each answer of the client, beside the ones before it.";
    80 OFFICE_DECISION, "office-decision", &[Site, Company, Station],
        Shape::Record(OFFICE_DECISION_PARTS),
        "What the office decided about a line of its day's end; the change is in the same entry.";
    81 DAY_CLOSED, "day-closed", &[Company], Shape::Record(DAY_CLOSED_PARTS),
        "A day that the office closed, with the lines that it knowingly left open.";
}

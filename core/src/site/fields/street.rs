//! Fields of a site (100 to 149) and of its supply, the point of connection (150 to 199).

use super::ground::PIPE_CLASS;
use super::shape::{LONG, Part, SHORT, Shape, count, money, needed, number, optional, quantity};
use super::table;
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::{Season, Vocabulary, choices};

/// Days of the week.
pub(super) const WEEKDAY: Shape = Shape::Choice(choices![
    "mon" | "monday",
    "tue" | "tuesday",
    "wed" | "wednesday",
    "thu" | "thursday",
    "fri" | "friday",
    "sat" | "saturday",
    "sun" | "sunday"
]);

/// From and to, times of day; a window may pass midnight.
pub(super) static WINDOW_PARTS: [Part; 2] =
    [needed(1, "from", Shape::Time), needed(2, "to", Shape::Time)];

/// When the authority lets water run.
static RESTRICTION_PARTS: [Part; 8] = [
    optional(1, "days", Shape::List(&WEEKDAY)),
    optional(2, "date", Shape::Choice(choices!["odd", "even"])),
    optional(3, "not-from", Shape::Time),
    optional(4, "not-to", Shape::Time),
    optional(5, "cut", quantity(Unit::Percent, [0.0, 50.0], [0.0, 100.0])),
    optional(6, "source", SHORT),
    optional(7, "valid-from", Shape::Day),
    optional(8, "valid-to", Shape::Day),
];

/// Where on Earth, and how high.
pub(super) const LATITUDE_SHAPE: Shape = quantity(Unit::Degree, [24.0, 60.0], [-90.0, 90.0]);
pub(super) const LONGITUDE_SHAPE: Shape = quantity(Unit::Degree, [-180.0, 180.0], [-180.0, 180.0]);
pub(super) const ELEVATION_SHAPE: Shape =
    quantity(Unit::Foot, [-200.0, 9_000.0], [-1_640.0, 29_500.0]);

table! {
    /// Fields of a site.
    site of &[ThingKind::Site];
    100 NAME, "name", SHORT, "The site's name, as the route shows it.";
    101 ADDRESS, "address", SHORT, "Street and number.";
    102 CLIENT, "client", SHORT, "Who gets the letter.";
    103 ACCESS, "access", LONG, "Gate, dog, key, where to park.";
    104 LETTER_LANGUAGE, "letter-language",
        Shape::Choice(choices!["english" | "en", "spanish" | "es"]),
        "The language of letters to the client.";
    105 LETTER_UNITS, "letter-units", Shape::Choice(choices!["us", "metric" | "si"]),
        "The units of letters to the client.";
    106 PRE_APPROVED, "pre-approved", money([0, 1_000], [0, 1_000_000]),
        "What may be spent on a visit without asking.";
    107 LATITUDE, "latitude", LATITUDE_SHAPE, "North is positive.";
    108 LONGITUDE, "longitude", LONGITUDE_SHAPE, "East is positive.";
    109 ELEVATION, "elevation", ELEVATION_SHAPE, "Height above the sea.";
    110 WATER_WINDOW, "water-window", Shape::Record(&WINDOW_PARTS),
        "When the site may be watered; it may pass midnight.";
    111 RESTRICTION, "restriction", Shape::Record(&RESTRICTION_PARTS),
        "What the authority allows: days, dates, hours, and how long that holds.";
    112 WEATHER_STATION, "weather-station",
        SHORT, "The station whose weather is used, by name or logbook.";
    113 SEASON, "season", Shape::Choice(Season::CHOICES), "Whether the water is on.";
    114 NO_WATER_DAYS, "no-water-days", Shape::List(&WEEKDAY),
        "Days that stay dry: mowing, parties.";
    115 EFFECTIVE_RAIN, "effective-rain", quantity(Unit::Percent, [25.0, 100.0], [0.0, 100.0]),
        "How much of the rain counts here, where it differs from the house rule.";
}

/// A backflow assembly's kinds.
const BACKFLOW: Shape = Shape::Choice(choices![
    "none",
    "unknown",
    "pressure-vacuum-breaker" | "pvb",
    "spill-resistant-vacuum-breaker" | "svb",
    "reduced-pressure" | "rp" | "rpz",
    "double-check" | "dc",
    "atmospheric-vacuum-breaker" | "avb",
]);

/// What a pipe is made of.
const PIPE: Shape = Shape::Choice(choices![
    "pvc",
    "polyethylene" | "pe" | "poly",
    "copper",
    "other"
]);

const SET_PRESSURE: Shape = quantity(Unit::Psi, [30.0, 80.0], [0.0, 250.0]);
const YEAR: Shape = count([1950.0, 2100.0], [1900.0, 2200.0]);

table! {
    /// Fields of a supply.
    supply of &[ThingKind::Supply];
    150 WATER_SOURCE, "water-source",
        Shape::Choice(choices!["public" | "potable" | "city", "well", "surface" | "pump",
        "reclaimed"]),
        "Where the water comes from; reclaimed water needs signs and no cross use.";
    151 METER_SIZE, "meter-size",
        quantity(Unit::Inch, [0.625, 2.0], [0.25, 12.0]), "The meter's size.";
    152 METER_UNIT, "meter-unit",
        Shape::Choice(choices!["gallons", "cubic-feet", "hundred-cubic-feet", "thousand-gallons",
        "cubic-metres"]),
        "What one unit of the register is.";
    153 STATIC_PRESSURE, "static-pressure", quantity(Unit::Psi, [25.0, 120.0], [0.0, 250.0]),
        "Pressure with every zone off.";
    154 FLOW_LIMIT, "flow-limit", quantity(Unit::GallonPerMinute, [5.0, 150.0], [0.0, 5_000.0]),
        "The most that the supply gives without losing pressure.";
    155 BACKFLOW_KIND, "backflow", BACKFLOW, "The kind of backflow assembly.";
    156 BACKFLOW_SIZE, "backflow-size", quantity(Unit::Inch, [0.5, 2.0], [0.25, 12.0]), "Its size.";
    157 BACKFLOW_SERIAL, "backflow-serial", SHORT, "Its serial number, off the tag.";
    158 BACKFLOW_YEAR, "backflow-year", YEAR, "When it was installed.";
    159 BACKFLOW_DUE, "backflow-due", Shape::Day, "When its next test is due, by local rule.";
    160 BACKFLOW_HEIGHT, "backflow-height", quantity(Unit::Inch, [12.0, 60.0], [-120.0, 240.0]),
        "How far it stands above the highest outlet, or a reduced pressure one above the ground.";
    161 REGULATOR, "regulator",
        SET_PRESSURE, "What the pressure regulator is set to; blank where there is none.";
    162 PUMP, "pump", SET_PRESSURE, "What the pump delivers; blank where there is none.";
    163 FILTER, "filter", Shape::Choice(choices!["none", "screen", "disc", "media"]), "The filter.";
    164 MAINLINE, "mainline", PIPE, "What the main line is made of.";
    165 MAINLINE_SIZE, "mainline-size",
        quantity(Unit::Inch, [0.75, 3.0], [0.25, 24.0]), "Its size.";
    166 SHUT_OFF, "shut-off", SHORT, "Where the water is shut off.";
    167 BACKFLOW_INTERVAL, "backflow-interval", number([1.0, 3.0], [0.0, 10.0]),
        "Years between tests, by local rule; never assumed.";
    187 METER_LOSS, "meter-loss", quantity(Unit::Psi, [1.0, 10.0], [0.0, 100.0]),
        "What the meter takes at the flow of loss-flow, off its curve.";
    188 BACKFLOW_LOSS, "backflow-loss", quantity(Unit::Psi, [2.0, 15.0], [0.0, 100.0]),
        "What the backflow assembly takes at the flow of loss-flow, off its curve.";
    189 LOSS_FLOW, "loss-flow", quantity(Unit::GallonPerMinute, [5.0, 100.0], [0.1, 2_000.0]),
        "The flow at which those two were read.";
    190 MAINLINE_CLASS, "mainline-class", PIPE_CLASS, "The main line's standard, where plastic.";
}

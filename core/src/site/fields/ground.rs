//! Fields of a zone (250 to 299), a head (350 to 399) and a wet or dry spot (400 to 449).

use super::shape::{LONG, Part, SHORT, Shape, count, named, needed, number, optional, quantity};
use super::table;
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::{Emission, Planting, SoilKind, Sun, Vocabulary, choices};

/// Where a pressure is taken.
pub(super) const TAKEN_AT: Shape = Shape::Choice(choices![
    "valve",
    "first-head",
    "last-head" | "far-head",
    "pitot",
    "backflow" | "test-cock",
    "hose-bib" | "hose",
    "meter",
]);

/// Plastic pipe by its standard.
pub(super) const PIPE_CLASS: Shape = Shape::Choice(choices!["schedule-40", "class-200"]);
/// Nominal sizes of pipe.
pub(super) const PIPE_SIZE: Shape = Shape::Choice(choices![
    "1/2-in" | "1/2",
    "3/4-in" | "3/4",
    "1-in" | "1",
    "1-1/4-in" | "1-1/4",
    "1-1/2-in" | "1-1/2",
    "2-in" | "2",
    "2-1/2-in" | "2-1/2",
    "3-in" | "3",
    "4-in" | "4",
]);

const BETWEEN: Shape = quantity(Unit::Foot, [2.0, 75.0], [0.1, 200.0]);

table! {
    /// Fields of a zone.
    zone of &[ThingKind::Zone];
    250 NUMBER, "number",
        count([1.0, 48.0], [1.0, 999.0]), "Its station's number at the controller.";
    251 NAME, "name", SHORT, "What it waters, in the crew's words.";
    252 CONTROLLER, "controller", Shape::Thing(&[ThingKind::Controller]),
        "The controller, where a site has several.";
    253 VALVE, "valve", Shape::Thing(&[ThingKind::Valve]), "The valve that opens it.";
    254 HYDROZONE, "hydrozone", SHORT, "The group of zones with the same need.";
    255 PLANTS, "plants", Shape::Choice(Planting::CHOICES), "What grows there.";
    256 AREA, "area",
        quantity(Unit::SquareFoot, [100.0, 20_000.0], [1.0, 1e6]), "The ground it wets.";
    257 SUN, "sun", Shape::Choice(Sun::CHOICES), "How much sun it gets.";
    258 SOIL, "soil", Shape::Choice(SoilKind::CHOICES), "What the soil is.";
    259 COMPACTED, "compacted", Shape::YesNo, "Whether the soil is compacted.";
    260 SLOPE, "slope", quantity(Unit::Percent, [0.0, 25.0], [0.0, 200.0]), "Rise over run.";
    261 ROOT_DEPTH, "root-depth", quantity(Unit::Inch, [4.0, 12.0], [0.5, 72.0]),
        "How deep the roots go, by a soil probe.";
    262 EMISSION, "emission", Shape::Choice(Emission::CHOICES), "How the water comes out.";
    263 PRESSURE, "pressure", quantity(Unit::Psi, [15.0, 75.0], [0.0, 250.0]),
        "Operating pressure while it runs.";
    264 PRESSURE_AT, "pressure-at", TAKEN_AT, "Where that pressure is taken.";
    265 FLOW, "flow", quantity(Unit::GallonPerMinute, [1.0, 60.0], [0.0, 2_000.0]),
        "What it draws while it runs, off the plan or the last measurement.";
    266 SPACING, "spacing", BETWEEN, "From head to head in a row.";
    267 ROW_SPACING, "row-spacing", BETWEEN, "From row to row.";
    268 COEFFICIENT, "coefficient", number([0.2, 1.1], [0.05, 1.5]),
        "The plants' need as a share of reference ET, where known better than the table.";
    269 DEPLETION, "depletion", quantity(Unit::Percent, [30.0, 60.0], [5.0, 95.0]),
        "The share of the soil's water that may be used between waterings.";
    270 CAPACITY, "capacity", quantity(Unit::InchPerInch, [0.05, 0.2], [0.01, 0.4]),
        "Water that a depth of soil holds, where known better than the table.";
    271 INTAKE, "intake", quantity(Unit::InchPerHour, [0.1, 2.0], [0.01, 20.0]),
        "How fast the soil takes water in, where known better than the table.";
    272 EXCEPTION, "exception",
        SHORT, "Why it is watered otherwise than computed, such as new seed.";
    273 EXCEPTION_UNTIL, "exception-until", Shape::Day, "Until when the exception holds.";
    274 SPECIES, "species-factor", number([0.1, 0.9], [0.05, 1.0]),
        "Landscape coefficient method: the plants' share of reference ET; low 0.2, middling 0.5, \
         high 0.8.";
    275 DENSITY, "density-factor", number([0.5, 1.3], [0.3, 1.5]),
        "Landscape coefficient method: young or sparse below 1, full cover 1, in layers above.";
    276 MICROCLIMATE, "microclimate-factor", number([0.5, 1.4], [0.3, 1.6]),
        "What sun, wind and walls make of the need: shade below 1, open 1, heat above.";
    277 BY_HAND, "by-hand", Shape::YesNo,
        "Whether a person keeps its setting, whatever a weather-based controller would do.";
    293 LATERAL, "lateral", PIPE_CLASS, "What the pipe behind the valve is.";
    294 LATERAL_SIZE, "lateral-size", PIPE_SIZE, "Its nominal size.";
    295 MAIN_LENGTH, "main-length", quantity(Unit::Foot, [5.0, 600.0], [0.1, 10_000.0]),
        "Main line from the supply to its valve.";
    296 LATERAL_LENGTH, "lateral-length", quantity(Unit::Foot, [2.0, 200.0], [0.1, 5_000.0]),
        "From its valve to the first head.";
    297 RISE, "rise", quantity(Unit::Foot, [-30.0, 30.0], [-1_000.0, 1_000.0]),
        "How far its highest head lies above the supply; below zero downhill.";
    298 VALVE_LOSS, "valve-loss", quantity(Unit::Psi, [1.0, 6.0], [0.0, 50.0]),
        "What its valve takes at the zone's flow, off the valve's curve.";
}

/// The two tapes make sense only together.
static TAPES_PARTS: [Part; 5] = [
    needed(1, "from", SHORT),
    needed(2, "tape", BETWEEN),
    needed(3, "and-from", SHORT),
    needed(4, "other-tape", BETWEEN),
    needed(5, "side", Shape::Choice(choices!["left", "right"])),
];

/// The curve of a kerb, as a tape measures it.
static KERB_PARTS: [Part; 5] = [
    needed(1, "chord", BETWEEN),
    needed(
        2,
        "offset",
        quantity(Unit::Foot, [0.2, 20.0], [0.01, 100.0]),
    ),
    needed(3, "lawn", Shape::Choice(choices!["inside", "outside"])),
    optional(4, "to-kerb", quantity(Unit::Foot, [0.0, 3.0], [0.0, 100.0])),
    optional(5, "throw", quantity(Unit::Foot, [4.0, 75.0], [0.5, 200.0])),
];

pub(super) const ARC_NAMES: &[(&str, f64)] = &[
    ("quarter", 90.0),
    ("third", 120.0),
    ("half", 180.0),
    ("two-thirds", 240.0),
    ("three-quarters", 270.0),
    ("full", 360.0),
];

table! {
    /// Fields of a head.
    head of &[ThingKind::Head];
    350 HEAD_KIND, "head-kind", Shape::Choice(Emission::CHOICES), "How its water comes out.";
    351 POP_UP, "pop-up", quantity(Unit::Inch, [2.0, 12.0], [0.0, 60.0]), "How high it rises.";
    352 RISER, "riser", Shape::YesNo, "Whether it stands on a fixed riser in shrubs.";
    353 NOZZLE, "nozzle", SHORT, "What stands on the nozzle.";
    354 ARC, "arc",
        named(Unit::Degree, [40.0, 360.0], [1.0, 360.0], ARC_NAMES), "The arc it waters.";
    355 RADIUS, "radius", quantity(Unit::Foot, [4.0, 75.0], [0.5, 200.0]), "How far it throws.";
    356 FLOW, "flow", quantity(Unit::GallonPerMinute, [0.1, 30.0], [0.0, 300.0]),
        "What its nozzle delivers.";
    357 EMITTER_FLOW, "emitter-flow", quantity(Unit::GallonPerHour, [0.25, 4.0], [0.0, 60.0]),
        "What one drip emitter delivers.";
    358 EMITTERS, "emitters", count([1.0, 500.0], [1.0, 1e6]), "How many emitters this line has.";
    359 STRIP_LENGTH, "strip-length", quantity(Unit::Foot, [4.0, 30.0], [0.5, 200.0]),
        "Length of the strip that a strip nozzle waters.";
    360 STRIP_WIDTH, "strip-width", quantity(Unit::Foot, [2.0, 15.0], [0.5, 200.0]), "Its width.";
    361 SPACING, "spacing", BETWEEN, "To the next head; ask above 1.1 times its radius.";
    362 CHECK_VALVE, "check-valve", Shape::YesNo, "Whether it holds the water back when shut.";
    363 REGULATED, "pressure-regulated", Shape::YesNo, "Whether it regulates its pressure.";
    364 TILT, "tilt", quantity(Unit::Degree, [0.0, 45.0], [0.0, 90.0]), "How far it leans.";
    365 HEIGHT, "height-to-grade", Shape::Choice(choices!["low", "level", "high"]),
        "How it stands to the ground.";
    366 CONDITION, "condition",
        Shape::Choice(choices!["good" | "ok", "worn", "damaged", "missing"]),
        "How it looked last.";
    369 OFFSETS, "offsets", SHORT, "Two tape measures, from what to the head.";
    370 FACING, "facing", quantity(Unit::Degree, [0.0, 360.0], [0.0, 360.0]),
        "Middle of its arc, clockwise from north.";
    371 COMPROMISE, "compromise", LONG,
        "Why it is set as it is, so that the next crew leaves it.";
    372 INSTALLED, "installed",
        count([1950.0, 2100.0], [1900.0, 2200.0]), "The year it was installed.";
    392 TAPES, "tapes", Shape::Record(&TAPES_PARTS),
        "Two tape measures from two landmarks, and on which side of the way between them it stands.";
    393 KERB, "kerb", Shape::Record(&KERB_PARTS),
        "The curve of the kerb that it stands at: a chord, the curve's distance from its middle, \
         and on which side the lawn lies; how far the nozzle throws with its screw open.";
}

table! {
    /// Fields of a wet or dry spot.
    spot of &[ThingKind::Spot];
    400 MOISTURE, "moisture", Shape::Choice(choices!["wet", "dry"]), "Too wet or too dry.";
    403 SIZE, "size", quantity(Unit::SquareFoot, [1.0, 2_000.0], [0.1, 1e6]), "How large it is.";
    404 CAUSE, "cause", SHORT, "What it came from, once known.";
    405 CLOSED, "closed", Shape::YesNo, "Whether it is gone.";
    406 NEAR, "near", SHORT, "Where, in the crew's words.";
}

const ON_THE_SKETCH: Shape = quantity(Unit::Foot, [-500.0, 500.0], [-5_000.0, 5_000.0]);

table! {
    /// Where a thing stands on the sketch.
    sketch of &[ThingKind::Head, ThingKind::Spot, ThingKind::Valve, ThingKind::Controller,
    ThingKind::Supply, ThingKind::Landmark];
    440 EAST, "east", ON_THE_SKETCH, "Place on the sketch, to the right of its origin.";
    441 NORTH, "north", ON_THE_SKETCH, "Place on the sketch, up from its origin.";
}

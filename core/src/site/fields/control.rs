//! Fields of a controller (200 to 249) and of a valve (300 to 349).

use super::shape::{SHORT, Shape, count, quantity};
use super::street::{WEEKDAY, WINDOW_PARTS};
use super::table;
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::{RainSensor, Vocabulary, Weeping, choices};

table! {
    /// Fields of a controller.
    controller of &[ThingKind::Controller];
    200 CONTROLLER_KIND, "controller-kind",
        Shape::Choice(choices!["clock", "weather-based" | "weather", "soil-moisture", "battery",
        "central"]),
        "What decides when it waters.";
    201 WIRING, "wiring", Shape::Choice(choices!["multi-wire", "two-wire", "battery", "hydraulic"]),
        "How it reaches the valves.";
    202 STATIONS, "stations", count([1.0, 48.0], [1.0, 999.0]), "How many stations it has.";
    203 PLACE, "place", SHORT, "Where it hangs.";
    204 POWER, "power", Shape::Choice(choices!["mains", "battery", "solar"]),
        "What drives it; mains covers stay on, inside is for a qualified person.";
    205 PROGRAMS, "programs", Shape::Programs,
        "The whole set as left, such as `A: start 5:00; days mon wed fri; 100%; run 1=15 2=20`.";
    206 PERCENT_SCOPE, "percent-scope", Shape::Choice(choices!["program", "global"]),
        "Whether the seasonal percent is set for each program or once for all.";
    207 WATER_WINDOW, "water-window", Shape::Record(&WINDOW_PARTS),
        "When it may water, where that differs from the site's.";
    208 DEAD_DAYS, "dead-days", Shape::List(&WEEKDAY), "Days on which it is set not to water.";
    209 RAIN_SENSOR, "rain-sensor", Shape::Choice(RainSensor::CHOICES), "The rain sensor.";
    210 RAIN_SET_POINT, "rain-set-point", quantity(Unit::Inch, [0.125, 1.0], [0.0, 4.0]),
        "How much rain stops it.";
    211 MASTER_VALVE, "master-valve",
        Shape::Choice(choices!["none", "normally-closed" | "nc", "normally-open" | "no"]),
        "The master valve.";
    212 FLOW_SENSOR, "flow-sensor", SHORT, "The flow sensor and its K-factor, as written on it.";
    213 PUMP_START, "pump-start", Shape::YesNo, "Whether it starts a pump.";
    214 BATTERY_DATE, "battery-date", Shape::Day, "When its back-up battery was changed.";
    215 CABINET_CARD, "cabinet-card", Shape::YesNo, "Whether its card hangs in the cabinet.";
    216 PROGRAM_COUNT, "program-count", count([1.0, 4.0], [1.0, 26.0]),
        "How many programs it has, A to Z.";
    217 STARTS_EACH, "starts-each", count([1.0, 8.0], [1.0, 48.0]),
        "How many start times each program takes.";
    218 LONGEST_RUN, "longest-run", quantity(Unit::Minute, [59.0, 600.0], [1.0, 1_440.0]),
        "The longest run time that a station can be given.";
    219 ZONES_TOGETHER, "zones-together", Shape::YesNo,
        "Whether it may run zones together, as far as the supply's flow limit carries.";
}

const VALVE_SIZE: Shape = Shape::Choice(choices![
    "3/4-in" | "3/4" | "3/4in" | "0.75",
    "1-in" | "1" | "1in",
    "1-1/4-in" | "1-1/4" | "1-1/4in" | "1.25",
    "1-1/2-in" | "1-1/2" | "1-1/2in" | "1.5",
    "2-in" | "2" | "2in",
    "3-in" | "3" | "3in",
]);
const BOX_STATE: Shape = Shape::Choice(choices![
    "sound" | "found" | "good",
    "not-found",
    "buried",
    "broken-lid",
    "full-of-soil" | "roots",
    "clear-water-standing",
    "muddy-water-standing",
    "splices-wet",
]);

table! {
    /// Fields of a valve.
    valve of &[ThingKind::Valve];
    300 VALVE_KIND, "valve-kind",
        Shape::Choice(choices!["zone", "master", "isolation", "drip-assembly" | "drip", "drain"]),
        "What it is for.";
    301 SIZE, "size", VALVE_SIZE, "Its nominal size.";
    302 INSTALLED, "installed", count([1950.0, 2100.0], [1900.0, 2200.0]),
        "The year it was installed; the first of the decade where only that is known.";
    303 BOX, "box",
        Shape::List(&BOX_STATE), "The state of its box; probe with a tool before reaching in.";
    304 BOX_PLACE, "box-place", SHORT, "How to find the box, with two tape offsets.";
    305 FLOW_CONTROL, "flow-control", quantity(Unit::Turn, [0.0, 12.0], [0.0, 40.0]),
        "Turns open of the flow control.";
    306 WEEPING, "weeping", Shape::Choice(Weeping::CHOICES), "Whether it lets water by when shut.";
    307 MODEL, "model", SHORT, "What stands on it.";
}

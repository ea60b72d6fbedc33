//! Fields of the company's logbook and of a weather station's: 550 to 899.

use super::ground::ARC_NAMES;
use super::shape::{
    LONG, Part, SHORT, Shape, named, needed, number, optional, quantity, unit_price,
};
use super::street::{ELEVATION_SHAPE, LATITUDE_SHAPE, LONGITUDE_SHAPE, WINDOW_PARTS};
use super::table;
use crate::site::company::Role;
use crate::site::estimate::TaxOn;
use crate::site::finding::FINDING_CHOICES;
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::{Vocabulary, choices};

table! {
    /// Fields of the company.
    company of &[ThingKind::Company];
    550 NAME, "name", SHORT, "The firm's name.";
    551 ADDRESS, "address", SHORT, "Where letters come from.";
    552 PHONE, "phone", SHORT, "The office.";
    553 EFFECTIVE_RAIN, "effective-rain", quantity(Unit::Percent, [25.0, 100.0], [0.0, 100.0]),
        "House rule: how much of the rain counts.";
    554 WATER_WINDOW, "water-window", Shape::Record(&WINDOW_PARTS),
        "House rule: when sites are watered, unless they say otherwise.";
    555 LABOUR_RATE, "labour-rate",
        unit_price([20, 300], [0, 10_000]), "For one hour.";
    556 TAX, "tax", quantity(Unit::Percent, [0.0, 12.0], [0.0, 100.0]),
        "On parts, unless tax-on says otherwise.";
    557 QUOTE_DAYS, "quote-days", quantity(Unit::Day, [7.0, 90.0], [1.0, 1_000.0]),
        "How long an estimate holds.";
    558 LICENCE, "licence", SHORT, "The firm's licence, as letters show it.";
    559 TAX_ON, "tax-on", Shape::Choice(TaxOn::CHOICES), "What tax is put on, by local rule.";
}

table! {
    /// Fields of a crew.
    crew of &[ThingKind::Crew];
    600 NAME, "name", SHORT, "What the crew is called.";
    601 PEOPLE, "people", Shape::List(&SHORT), "Who is on it.";
    602 TRUCK, "truck", SHORT, "Its truck.";
    603 SKILLS, "skills", Shape::List(&SHORT), "Licences and skills, such as main line work.";
}

table! {
    /// Fields of a person.
    person of &[ThingKind::Person];
    650 NAME, "name", SHORT, "As the crew calls them.";
    651 LICENCE, "licence", SHORT, "A licence and its number.";
    652 PHONE, "phone", SHORT, "How to call.";
    653 LANGUAGE, "language", Shape::Choice(choices!["english" | "en", "spanish" | "es"]),
        "The language of their screen.";
    654 CREW, "crew", SHORT, "The crew they are on.";
}

table! {
    /// Fields of a device.
    device of &[ThingKind::Device];
    700 DEVICE_ID, "device-id", SHORT, "The id under which it writes.";
    701 CREW, "crew", SHORT, "Who carries it.";
    702 ENROLLED, "enrolled", Shape::Day, "Since when.";
    703 RETIRED, "retired", Shape::Day, "From when it is not expected any more.";
    704 KEY, "key", SHORT, "The key by which its entries are checked.";
    705 NAME, "name", SHORT, "What it is called.";
    706 ROLE, "role", Shape::Choice(Role::CHOICES), "What it may do; a dispatcher says so.";
    707 CARRIES, "carries", Shape::List(&SHORT),
        "The sites that it carries, by logbook; blank for all. A dispatcher says so.";
    708 REVOKED, "revoked", Shape::YesNo, "Whether its access was taken back; a dispatcher says so.";
}

/// A line of the price book: one value, so that no old price meets a new unit.
static PRICE_PARTS: [Part; 3] = [
    needed(1, "price", unit_price([0, 5_000], [0, 10_000_000])),
    optional(2, "per", SHORT),
    optional(
        3,
        "minutes",
        quantity(Unit::Minute, [0.0, 480.0], [0.0, 10_000.0]),
    ),
];

table! {
    /// Fields of a part.
    part of &[ThingKind::Part];
    750 DESCRIPTION, "description", SHORT, "In plain words.";
    751 PART_KIND, "part-kind",
        Shape::Choice(choices!["nozzle", "body", "rotor", "riser", "swing-pipe", "screen", "seal",
        "valve",
            "diaphragm", "solenoid", "connector", "wire", "pipe", "fitting", "emitter", "filter",
            "regulator",
            "sensor", "battery", "box", "lid", "other"]),
        "What sort of part.";
    752 SIZE, "size", SHORT, "Size or thread.";
    753 POP_UP, "pop-up", quantity(Unit::Inch, [2.0, 12.0], [0.0, 60.0]), "How high it rises.";
    754 ARC, "arc",
        named(Unit::Degree, [40.0, 360.0], [1.0, 360.0], ARC_NAMES), "The arc of a nozzle.";
    755 UNIT_COST, "unit-cost",
        unit_price([0, 500], [0, 100_000]), "What one costs the firm.";
    756 BIN, "bin", SHORT, "Where it lies.";
    757 MAKERS_NUMBER, "makers-number", SHORT, "What stands on it.";
    758 LOW_AT, "low-at", number([1.0, 100.0], [0.0, 100_000.0]), "Order more from this count on.";
    760 REPLACED_BY, "replaced-by", SHORT, "What to take instead.";
    761 PRICE, "price", Shape::Record(&PRICE_PARTS), "What the client pays for one, as one value.";
}

table! {
    /// Fields of a line of the price book.
    price of &[ThingKind::Price];
    775 DESCRIPTION, "description", SHORT, "What the client reads on the estimate.";
    776 PRICE, "price", Shape::Record(&PRICE_PARTS), "What the client pays, as one value.";
    777 PART, "part", Shape::Thing(&[ThingKind::Part]), "The part it is for.";
    778 FINDING, "finding", Shape::Choice(FINDING_CHOICES), "The finding that it mends.";
}

table! {
    /// Fields of a weather station.
    station of &[ThingKind::Station];
    800 NAME, "name", SHORT, "The station's name.";
    801 LATITUDE, "latitude", LATITUDE_SHAPE, "North is positive.";
    802 LONGITUDE, "longitude", LONGITUDE_SHAPE, "East is positive.";
    803 ELEVATION, "elevation", ELEVATION_SHAPE, "Height above the sea.";
    804 WIND_HEIGHT, "wind-height", quantity(Unit::Metre, [2.0, 10.0], [0.5, 100.0]),
        "How high the wind is measured.";
    805 SITING, "siting",
        Shape::Choice(choices!["interior" | "inland", "coastal"]), "Near the sea or not.";
    806 CLIMATE, "climate", Shape::Choice(choices!["humid", "arid"]), "Whether dew forms at night.";
    807 SOURCE, "source", SHORT, "Whose figures they are.";
}

table! {
    /// Fields of a route.
    route of &[ThingKind::Route];
    850 DATE, "date", Shape::Day, "The day.";
    851 CREW, "crew", SHORT, "Which crew.";
    852 STOPS, "stops", Shape::List(&Shape::Words(200)), "The sites in order, by name or logbook.";
    853 NOTES, "notes", LONG, "What the crew must see before it leaves.";
}

//! GeoJSON (RFC 7946) of what stands and lies on a site's sketch, and back into rows of a table.
//!
//! Heads, valves, spots, marks and the like are points, areas are polygons. Places go through the
//! site's own latitude and longitude; properties are the fields by their names, as `note` takes
//! them. What came out goes in again and changes nothing.

use std::fs;
use std::path::Path;

use serde_json::{Map, Value as Json, json};

use headwalk_core::site::fields::{self, FieldDef, any};
use headwalk_core::site::map::geo::Origin;
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::water::plane::Point;
use headwalk_core::water::units::Degrees;

use crate::error::{Error, Kind};
use crate::said::What;
use crate::table_file::TableFile;

/// Returns whether a file is GeoJSON by its name.
pub fn is_geojson(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.is_some_and(|ending| ["geojson", "json"].contains(&ending.to_lowercase().as_str()))
}

/// Returns the place on earth of a site's sketch.
///
/// # Errors
/// An input error where the site has no latitude or longitude.
pub fn origin(site: &Site<'_>) -> Result<Origin, Error> {
    Origin::of(site).ok_or_else(|| {
        Error::input(
            "the site has no latitude and longitude, so that its sketch is nowhere on earth",
        )
        .field("latitude")
        .hint("`headwalk note SITE site latitude 42.1 longitude -72.6` gives the sketch's origin.")
    })
}

/// Returns a site's sketch as one feature collection.
///
/// # Errors
/// Those of [`origin`].
pub fn written(site: &Site<'_>, units: UnitSystem) -> Result<String, Error> {
    let origin = origin(site)?;
    let (areas, _) = site.areas();
    let mut features: Vec<Json> = Vec::new();
    let things = site.under(site.root().id);
    for thing in things.filter(|thing| !thing.is_removed() && site.kept(thing.id) == thing.id) {
        let geometry = match areas.iter().find(|area| area.id == thing.id) {
            Some(area) => polygon(&origin, area.outline.corners()),
            None => match site.place_of(thing) {
                Ok(placed) => json!({"type": "Point", "coordinates": position(&origin, placed.at)}),
                Err(_) => continue,
            },
        };
        features.push(json!({
            "type": "Feature",
            "geometry": geometry,
            "properties": properties(site, thing, units),
        }));
    }
    let whole = json!({"type": "FeatureCollection", "features": features});
    let text = serde_json::to_string_pretty(&whole);
    Ok(text.map_err(|error| Error::new(Kind::Bug, error.to_string()))? + "\n")
}

fn position(origin: &Origin, place: Point) -> Json {
    // A tenth of a millimetre; more digits would say more than a tape does.
    let digits = |degrees: Degrees| (degrees.get() * 1e9).round() / 1e9;
    let [longitude, latitude] = origin.on_earth(place).map(digits);
    json!([longitude, latitude])
}

/// One ring, closed, and counterclockwise as the standard asks.
fn polygon(origin: &Origin, corners: &[Point]) -> Json {
    let next = corners.iter().cycle().skip(1);
    let twice: f64 = corners
        .iter()
        .zip(next)
        .map(|(a, b)| a.east.get() * b.north.get() - b.east.get() * a.north.get())
        .sum();
    let mut ring: Vec<Point> = corners.to_vec();
    if twice < 0.0 {
        ring.reverse();
        ring.rotate_right(1);
    }
    ring.extend(ring.first().copied());
    let ring: Vec<Json> = ring
        .into_iter()
        .map(|place| position(origin, place))
        .collect();
    json!({"type": "Polygon", "coordinates": [ring]})
}

/// Fields that the geometry or the address says already.
fn is_said_otherwise(field: &FieldDef) -> bool {
    let said = [
        any::KIND.number,
        any::PART_OF.number,
        any::LABEL.number,
        fields::sketch::EAST.number,
        fields::sketch::NORTH.number,
        fields::area::OUTLINE.number,
    ];
    said.contains(&field.number)
}

fn properties(site: &Site<'_>, thing: Thing<'_>, units: UnitSystem) -> Json {
    let mut properties = Map::new();
    properties.insert("thing".to_owned(), site.address(thing).into());
    let fields = thing.kind.into_iter().flat_map(fields::fields_of);
    for field in fields.filter(|field| !is_said_otherwise(field)) {
        if let Some(value) = thing.raw(field) {
            let shown = What::Field(field.number).show(site, value, units);
            properties.insert(field.name.to_owned(), shown.into());
        }
    }
    Json::Object(properties)
}

/// Reads a feature collection as a table: a row for each feature, with its place or outline.
///
/// # Errors
/// An input error that names the feature: not GeoJSON, no `thing`, a geometry that is neither a
/// point nor a polygon without holes.
pub fn table(path: &Path, origin: &Origin) -> Result<TableFile, Error> {
    let text = fs::read_to_string(path).map_err(|error| {
        Error::input(format!("{} cannot be read: {error}", path.display())).field("file")
    })?;
    let wrong = |why: String| {
        Error::input(format!("{}: {why}", path.display()))
            .field("file")
            .hint("it is to be a GeoJSON FeatureCollection (RFC 7946), as `export geojson` writes.")
    };
    let whole: Json =
        serde_json::from_str(&text).map_err(|error| wrong(format!("this is not JSON: {error}")))?;
    let features = whole.get("features").and_then(Json::as_array);
    let features = features.ok_or_else(|| wrong("it has no features".to_owned()))?;
    let mut columns = vec!["thing".to_owned(), "east".to_owned(), "north".to_owned()];
    columns.push("outline".to_owned());
    let mut rows = Vec::with_capacity(features.len());
    for (at, feature) in features.iter().enumerate() {
        let here = |why: &str| wrong(format!("feature {}: {why}", at + 1));
        let properties = feature.get("properties").and_then(Json::as_object);
        let properties = properties.ok_or_else(|| here("it has no properties"))?;
        let thing = properties.get("thing").and_then(Json::as_str);
        let thing =
            thing.ok_or_else(|| here("no property `thing` says what it is, such as 3-07"))?;
        let place = placed(feature, origin).map_err(|why| here(&why))?;
        let mut cells = vec![thing.to_owned()];
        cells.extend(place);
        for (name, value) in properties.iter().filter(|(name, _)| *name != "thing") {
            let column = columns.iter().position(|column| column == name);
            let column = column.unwrap_or_else(|| {
                columns.push(name.clone());
                columns.len() - 1
            });
            cells.resize(cells.len().max(column + 1), String::new());
            if let Some(cell) = cells.get_mut(column) {
                *cell = plain(value);
            }
        }
        rows.push(cells);
    }
    Ok(TableFile::of(&columns, rows))
}

/// East, north and outline of a feature; what does not belong to its geometry is empty.
fn placed(feature: &Json, origin: &Origin) -> Result<[String; 3], String> {
    let geometry = feature.get("geometry").ok_or("it has no geometry")?;
    let coordinates = geometry.get("coordinates").ok_or("it has no coordinates")?;
    match geometry.get("type").and_then(Json::as_str) {
        Some("Point") => {
            let [east, north] = feet(on_sketch(coordinates, origin)?);
            Ok([format!("{east} ft"), format!("{north} ft"), String::new()])
        }
        Some("Polygon") => {
            let [ring] = coordinates.as_array().map_or(&[][..], Vec::as_slice) else {
                return Err("an area is one ring, without holes".to_owned());
            };
            let mut corners = Vec::new();
            for corner in ring.as_array().map_or(&[][..], Vec::as_slice) {
                corners.push(feet(on_sketch(corner, origin)?));
            }
            if corners.len() > 1 && corners.first() == corners.last() {
                corners.pop();
            }
            let list = |at: usize| {
                let numbers: Vec<String> = corners
                    .iter()
                    .filter_map(|corner| corner.get(at))
                    .map(|number| format!("{number} ft"))
                    .collect();
                numbers.join(", ")
            };
            let outline = format!("east={}; north={}", list(0), list(1));
            Ok([String::new(), String::new(), outline])
        }
        _ => Err("its geometry is neither a Point nor a Polygon".to_owned()),
    }
}

fn on_sketch(position: &Json, origin: &Origin) -> Result<Point, String> {
    let number = |at: usize| position.get(at).and_then(Json::as_f64);
    let (Some(longitude), Some(latitude)) = (number(0), number(1)) else {
        return Err("a position is not [longitude, latitude]".to_owned());
    };
    if longitude.abs() > 180.0 || latitude.abs() > 90.0 {
        return Err(format!("[{longitude}, {latitude}] is nowhere on earth"));
    }
    Ok(origin.on_sketch([Degrees::new(longitude), Degrees::new(latitude)]))
}

/// Feet to the hundredth, as a tape reads.
fn feet(place: Point) -> [f64; 2] {
    let hundredth = |feet: f64| (feet * 100.0).round() / 100.0 + 0.0;
    [hundredth(place.east.get()), hundredth(place.north.get())]
}

fn plain(value: &Json) -> String {
    match value {
        Json::Null => String::new(),
        Json::String(text) => text.clone(),
        Json::Bool(true) => "yes".to_owned(),
        Json::Bool(false) => "no".to_owned(),
        other => other.to_string(),
    }
}

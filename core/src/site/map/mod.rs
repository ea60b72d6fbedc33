//! The sketch of a site: where heads, spots and valves stand, what ground lies around them, and
//! what a zone's heads do to it.
//!
//! A place is taken from the sketch, else from two tapes to marks. Nothing is guessed: a head that
//! has no place, no facing or no flow is left out of its zone's coverage and named, with what to
//! record. [`ZoneMap::of`] is the entry point; [`picture`] draws it.

pub mod geo;
pub mod picture;

use std::fmt;

use super::fields::{self, FieldDef};
use super::kind::ThingKind;
use super::things::{Head, Missing, Parts, Site, Thing, Zone};
use super::words::vocabularies;
use crate::log::id::ThingId;
use crate::log::value::Value;
use crate::water::coverage::{
    Area, Coverage, Layout, Profile, Sprinkler, Surface, coverage, step_for,
};
use crate::water::plane::{Outline, Point, Side, by_two_tapes};
use crate::water::units::{Degrees, Feet, OutOfRange};

vocabularies! {
    /// What covers a piece of ground.
    Ground {
        /// Lawn.
        Turf = "turf" | "lawn",
        /// Shrubs, perennials, trees.
        Bed = "bed",
        /// A drive, a walk, a street.
        Paving = "paving" | "drive" | "walk",
        /// A house, a wall, a shed.
        Building = "building" | "house",
    }
}

impl Ground {
    /// Returns what it is to the water.
    #[must_use]
    pub const fn surface(self) -> Surface {
        match self {
            Self::Turf => Surface::Turf,
            Self::Bed => Surface::Bed,
            Self::Paving => Surface::Paving,
            Self::Building => Surface::Building,
        }
    }
}

/// How a place is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlacedBy {
    /// It was pinned on the sketch.
    Sketch,
    /// Two tapes lead to it.
    Tapes,
}

/// A place, and how it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Where.
    pub at: Point,
    /// From what.
    pub by: PlacedBy,
}

/// Why a thing has no place.
#[derive(Debug, Clone, PartialEq)]
pub enum Unplaced {
    /// Neither on the sketch nor measured with tapes.
    NotMeasured,
    /// A mark that it was measured from is not in the logbook, or has no place itself.
    NoMark(String),
    /// Its two tapes do not meet.
    TapesMiss(OutOfRange),
}

impl fmt::Display for Unplaced {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotMeasured => f.write_str("it has no place; note its east and north, or tapes"),
            Self::NoMark(mark) => write!(
                f,
                "it was measured from `{mark}`, which has no place; add the landmark with its east and \
                 north"
            ),
            Self::TapesMiss(error) => write!(f, "its two tapes do not meet: {error}"),
        }
    }
}

impl Site<'_> {
    /// Returns where a thing stands.
    ///
    /// # Errors
    /// [`Unplaced`].
    pub fn place_of(&self, thing: Thing<'_>) -> Result<Placed, Unplaced> {
        if let Some(at) = pinned(thing) {
            let by = PlacedBy::Sketch;
            return Ok(Placed { at, by });
        }
        let tapes = thing.raw(&fields::head::TAPES);
        let tapes = tapes.and_then(Tapes::read).ok_or(Unplaced::NotMeasured)?;
        let at = by_two_tapes(
            self.mark(&tapes.first)?,
            tapes.first_tape,
            self.mark(&tapes.second)?,
            tapes.second_tape,
            tapes.side,
        );
        Ok(Placed {
            at: at.map_err(Unplaced::TapesMiss)?,
            by: PlacedBy::Tapes,
        })
    }

    /// Returns where a mark stands, by what it is called or seen as.
    fn mark(&self, called: &str) -> Result<Point, Unplaced> {
        let plain = |words: &str| words.trim().to_lowercase().replace([' ', '_'], "-");
        let wanted = plain(called);
        let named = |mark: &Thing<'_>| {
            let seen_as = mark
                .raw(&fields::landmark::SEEN_AS)
                .and_then(Value::as_text);
            let names = [mark.label(), seen_as];
            let known = names
                .into_iter()
                .flatten()
                .any(|name| plain(name) == wanted);
            mark.kind == Some(ThingKind::Landmark)
                && !mark.is_removed()
                && (known || plain(&self.address(*mark)) == wanted)
        };
        let mark = self.things().find(named).and_then(pinned);
        mark.ok_or_else(|| Unplaced::NoMark(called.to_owned()))
    }

    /// Returns the areas that are drawn on the sketch, in the order of the walk, and those whose
    /// outline makes no sense, with the reason.
    #[must_use]
    pub fn areas(&self) -> (Vec<DrawnArea>, Vec<LeftOut>) {
        let (mut areas, mut left_out) = (Vec::new(), Vec::new());
        let there = |thing: &Thing<'_>| {
            thing.kind == Some(ThingKind::Area)
                && !thing.is_removed()
                && self.kept(thing.id) == thing.id
        };
        for thing in self.under(self.root().id).filter(there) {
            let name = self.address(thing);
            match area(thing) {
                Ok((ground, outline)) => areas.push(DrawnArea {
                    id: thing.id,
                    name,
                    ground,
                    outline,
                }),
                Err(why) => left_out.push(LeftOut { name, why }),
            }
        }
        (areas, left_out)
    }
}

fn pinned(thing: Thing<'_>) -> Option<Point> {
    let feet = |field: &FieldDef| thing.measure::<Feet>(field).ok();
    Some(Point {
        east: feet(&fields::sketch::EAST)?.value,
        north: feet(&fields::sketch::NORTH)?.value,
    })
}

fn area(thing: Thing<'_>) -> Result<(Ground, Outline), String> {
    let ground = thing.choice(&fields::area::SURFACE);
    let ground = ground.map_err(|missing: Missing| format!("surface: {missing}"))?;
    let value = thing
        .raw(&fields::area::OUTLINE)
        .ok_or("it has no outline")?;
    let parts = Parts::of(&fields::area::OUTLINE, value);
    let list = |name| parts.measures::<Feet>(name).unwrap_or_default();
    let (east, north) = (list("east"), list("north"));
    if east.len() != north.len() {
        let (east, north) = (east.len(), north.len());
        return Err(format!(
            "its outline has {east} numbers east and {north} north"
        ));
    }
    let corners = east.into_iter().zip(north);
    let corners = corners.map(|(east, north)| Point { east, north }).collect();
    let outline = Outline::new(corners).map_err(|error| error.to_string())?;
    Ok((ground.value, outline))
}

struct Tapes {
    first: String,
    first_tape: Feet,
    second: String,
    second_tape: Feet,
    side: Side,
}

impl Tapes {
    fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&fields::head::TAPES, value);
        Some(Self {
            first: parts.words("from")?.to_owned(),
            first_tape: parts.measure("tape")?,
            second: parts.words("and-from")?.to_owned(),
            second_tape: parts.measure("other-tape")?,
            side: match parts.words("side")? {
                "left" => Side::Left,
                _ => Side::Right,
            },
        })
    }
}

/// An area on the sketch.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawnArea {
    /// The thing.
    pub id: ThingId,
    /// What it is called.
    pub name: String,
    /// What covers it.
    pub ground: Ground,
    /// Where it ends.
    pub outline: Outline,
}

/// Something that a map leaves out, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// What it is called.
    pub name: String,
    /// Why.
    pub why: String,
}

/// Where a zone's ground ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AreasFrom {
    /// The areas of the sketch.
    Sketch,
    /// Nothing is drawn: lawn within the outline around the heads, assumed.
    AroundHeads,
}

/// A head on the map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapHead {
    /// The thing.
    pub id: ThingId,
    /// What it is called.
    pub name: String,
    /// Where it stands, set as it is.
    pub sprinkler: Sprinkler,
    /// Whether somebody wrote down why it stays as it is.
    pub compromise: Option<String>,
}

/// A zone's heads and the ground around them.
#[derive(Debug, Clone, PartialEq)]
pub struct ZoneMap {
    /// Heads that are known well enough.
    pub heads: Vec<MapHead>,
    /// The ground.
    pub areas: Vec<Area>,
    /// Where that is from.
    pub areas_from: AreasFrom,
    /// What is left out, and what to record.
    pub left_out: Vec<LeftOut>,
}

impl ZoneMap {
    /// Reads a zone's heads and the ground around them.
    #[must_use]
    pub fn of(site: &Site<'_>, zone: &Zone<'_>) -> Self {
        let (mut heads, mut left_out) = (Vec::new(), Vec::new());
        for head in zone.heads() {
            let name = head.address();
            match sprinkler(site, &head) {
                Ok(sprinkler) => heads.push(MapHead {
                    id: head.id,
                    name,
                    sprinkler,
                    compromise: head
                        .words(&fields::head::COMPROMISE)
                        .ok()
                        .map(|it| it.value),
                }),
                Err(why) => left_out.push(LeftOut { name, why }),
            }
        }
        let (drawn, bad) = site.areas();
        left_out.extend(bad);
        let reached = |area: &DrawnArea| heads.iter().any(|head| near(head, &area.outline));
        let mut areas: Vec<Area> = drawn
            .iter()
            .filter(|area| reached(area))
            .map(|area| Area {
                surface: area.ground.surface(),
                outline: area.outline.clone(),
            })
            .collect();
        let mut areas_from = AreasFrom::Sketch;
        if !areas.iter().any(|area| area.surface.is_planted()) {
            let places: Vec<Point> = heads.iter().map(|head| head.sprinkler.place).collect();
            if let Some(outline) = Outline::around(&places) {
                areas_from = AreasFrom::AroundHeads;
                // Below whatever paving or building is drawn.
                let surface = Surface::Turf;
                areas.insert(0, Area { surface, outline });
            }
        }
        Self {
            heads,
            areas,
            areas_from,
            left_out,
        }
    }

    /// Returns where the water falls.
    ///
    /// # Errors
    /// Those of [`coverage`].
    pub fn coverage(&self) -> Result<Coverage, OutOfRange> {
        let heads: Vec<Sprinkler> = self
            .heads
            .iter()
            .map(|head| head.sprinkler.clone())
            .collect();
        let step = step_for(&heads);
        coverage(&Layout {
            heads: &heads,
            areas: &self.areas,
            step,
        })
    }
}

/// Whether a head reaches an area, roughly.
fn near(head: &MapHead, outline: &Outline) -> bool {
    let (place, radius) = (head.sprinkler.place, head.sprinkler.radius);
    outline.contains(place)
        || outline
            .corners()
            .iter()
            .any(|corner| corner.distance(place) <= radius)
        || (0..72).any(|at| {
            let bearing = Degrees::new(f64::from(at) * 5.0);
            outline.contains(place.towards(bearing, radius))
        })
}

fn sprinkler(site: &Site<'_>, head: &Head<'_>) -> Result<Sprinkler, String> {
    let place = site.place_of(**head).map_err(|why| why.to_string())?;
    let lacks = |what: &str, missing: Missing| format!("its {what} is {missing}; note it");
    let arc = head.arc().map_err(|missing| lacks("arc", missing))?.value;
    let facing = match head.measure::<Degrees>(&fields::head::FACING) {
        Ok(facing) => facing.value,
        // A full circle faces nowhere.
        Err(_) if arc.get() >= 360.0 => Degrees::ZERO,
        Err(missing) => return Err(lacks("facing", missing)),
    };
    Ok(Sprinkler {
        place: place.at,
        facing,
        arc,
        radius: head
            .radius()
            .map_err(|missing| lacks("radius", missing))?
            .value,
        flow: head.flow().map_err(|missing| lacks("flow", missing))?.value,
        profile: Profile::falling(),
    })
}

#[cfg(test)]
mod tests;

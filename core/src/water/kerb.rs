//! The trade at a curved kerb: how far to turn one head and how far to let it throw, between water
//! on the paving and a dry crescent of lawn.
//!
//! A wedge never fits a curve. [`trade`] tries every setting of one head and returns the two ends,
//! no overspray and no dry ground, and the cheapest settings between them; a person chooses, and
//! writes down why. Around the head the ground is looked at in rays: along each, where lawn begins
//! and ends is exact, so that only the step between rays is an approximation.
//!
//! ```
//! use headwalk_core::water::coverage::Profile;
//! use headwalk_core::water::kerb::{Flowing, Ground, KerbHead, trade};
//! use headwalk_core::water::plane::Point;
//! use headwalk_core::water::units::{Feet, Gpm, SquareFeet};
//!
//! // A head on the kerb of a round island of 20 ft radius, lawn inside.
//! let head = KerbHead {
//!     place: Point::new(0.0, -20.0),
//!     radius: Feet::new(15.0),
//!     flow: Flowing::WithArc { full_circle: Gpm::new(3.7) },
//!     profile: Profile::falling(),
//! };
//! let island = Ground::InsideCircle { centre: Point::new(0.0, 0.0), radius: Feet::new(20.0) };
//! let got = trade(&head, &island, SquareFeet::new(10.0))?;
//! assert_eq!(got.no_overspray.overspray, Gpm::ZERO);
//! assert_eq!(got.no_dry_ground.dry, SquareFeet::ZERO);
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Plane geometry; checks in the tests: the closed form of two overlapping circles, and a search
//! by brute force over the same settings on a grid of places.

use super::{
    coverage::Profile,
    plane::{Outline, Point},
    units::{Allowed, Degrees, Feet, Gpm, OutOfRange, SquareFeet},
};

/// The head, before it is set.
#[derive(Debug, Clone, PartialEq)]
pub struct KerbHead {
    /// Where it stands.
    pub place: Point,
    /// How far its nozzle throws with the screw open.
    pub radius: Feet,
    /// What it delivers.
    pub flow: Flowing,
    /// How its water falls off along the radius.
    pub profile: Profile,
}

/// How a head's flow goes with its arc. The radius screw is taken to leave it as it is: it
/// throttles a little, so that the water of a short throw is overstated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Flowing {
    /// In proportion: a fixed spray.
    WithArc {
        /// At 360 degrees.
        full_circle: Gpm,
    },
    /// The same at any arc: a rotor with one nozzle.
    Whatever {
        /// At any arc.
        flow: Gpm,
    },
}

/// Where the lawn is.
#[derive(Debug, Clone, PartialEq)]
pub enum Ground {
    /// Within an outline.
    Within(Outline),
    /// Within a round kerb: an island.
    InsideCircle {
        /// Middle of the kerb's curve.
        centre: Point,
        /// Its radius.
        radius: Feet,
    },
    /// Around a round kerb: the paving is within.
    OutsideCircle {
        /// Middle of the kerb's curve.
        centre: Point,
        /// Its radius.
        radius: Feet,
    },
}

/// One setting of the head, and what it does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Where the arc begins, clockwise from north; it runs on clockwise.
    pub from: Degrees,
    /// The arc.
    pub arc: Degrees,
    /// The throw.
    pub radius: Feet,
    /// Lawn within the nozzle's throw that the setting leaves dry.
    pub dry: SquareFeet,
    /// Water that lands off the lawn.
    pub overspray: Gpm,
}

impl Setting {
    /// Returns the middle of the arc.
    #[must_use]
    pub fn facing(&self) -> Degrees {
        Degrees::new((self.from.get() + self.arc.get() / 2.0).rem_euclid(360.0))
    }
}

/// The choice that a person has.
#[derive(Debug, Clone, PartialEq)]
pub struct Trade {
    /// Lawn that the head could reach at all: what "dry" is counted against.
    pub reach: SquareFeet,
    /// The setting that wastes least, and of those the one that leaves least dry.
    pub no_overspray: Setting,
    /// The setting that leaves least dry, and of those the one that wastes least.
    pub no_dry_ground: Setting,
    /// The setting that wastes least without leaving more dry than was asked for.
    pub asked: Setting,
    /// Every setting of which no other is better in both, driest first.
    pub between: Vec<Setting>,
}

/// Degrees between two settings of the arc that a person can tell apart.
const ARC_STEP_DEG: usize = 5;
/// Rays in a step of the arc.
const RAYS_A_STEP: usize = 20;
/// Settings of the throw, from a quarter of the nozzle's to all of it.
const THROWS: usize = 16;
/// Below this, ground and water are rounding.
const NOTHING: f64 = 1e-6;

/// A throw turned down below this share of the nozzle's wants a smaller nozzle: common practice,
/// no source.
pub const SCREW_LEAST: super::units::Fraction = super::units::Fraction::new(0.75);

/// Returns the settings of one head at a kerb worth choosing from.
///
/// # Errors
/// [`OutOfRange`] naming `radius_ft` or `kerb_radius_ft` outside 0.5 to 200 and 1 to 5,000,
/// `flow_gpm` unless above zero, `dry_sqft` below zero, and `areas` where no lawn is in reach.
pub fn trade(head: &KerbHead, ground: &Ground, dry_most: SquareFeet) -> Result<Trade, OutOfRange> {
    let settings = settings(head, ground)?;
    Allowed::ZeroOrMore.check("dry_sqft", dry_most.get())?;
    let wanted = settings
        .all
        .iter()
        .filter(|setting| setting.dry.get() <= dry_most.get() + NOTHING);
    let by_waste = |a: &&Setting, b: &&Setting| {
        let of = |setting: &Setting| (setting.overspray.get(), setting.dry.get());
        compare(of(a), of(b))
    };
    let by_dry = |a: &&Setting, b: &&Setting| {
        let of = |setting: &Setting| (setting.dry.get(), setting.overspray.get());
        compare(of(a), of(b))
    };
    let some = "a full circle at full throw leaves nothing dry";
    Ok(Trade {
        reach: settings.reach,
        no_overspray: *settings.all.iter().min_by(by_waste).expect(some),
        no_dry_ground: *settings.all.iter().min_by(by_dry).expect(some),
        asked: *wanted.min_by(by_waste).expect(some),
        between: unbeaten(&settings.all),
    })
}

/// Returns what a setting does that is none of those that [`trade`] tries; its arc may be of any
/// size.
///
/// # Errors
/// Those of [`trade`], and [`OutOfRange`] naming `arc_deg` outside 1 to 360 or `throw_ft` outside
/// 0.5 to the nozzle's radius.
pub fn as_set(
    head: &KerbHead,
    ground: &Ground,
    from: Degrees,
    arc: Degrees,
    throw: Feet,
) -> Result<Setting, OutOfRange> {
    head.checked()?;
    ground.checked()?;
    let arc_deg = Allowed::Between(1.0, 360.0).check("arc_deg", arc.get())?;
    let throw_ft = Allowed::Between(0.5, head.radius.get()).check("throw_ft", throw.get())?;
    let (mut wetted, mut wasted) = (0.0, 0.0);
    // Slices of the arc, each with its ray in the middle; about a quarter of a degree.
    let count = (4.0 * arc_deg).ceil();
    for at in 0..(count as u32) {
        let bearing = from + arc * ((f64::from(at) + 0.5) / count);
        let ray = ground.lawn_along(head.place, bearing);
        wetted += lawn_on(&ray, throw_ft) * arc_deg.to_radians() / count;
        wasted += head.wasted(&ray, throw_ft) / count;
    }
    let around = rays(head.place, ground, 1_440);
    let turn = std::f64::consts::TAU / around.len() as f64;
    let reach: f64 = around
        .iter()
        .map(|ray| lawn_on(ray, head.radius.get()) * turn)
        .sum();
    Ok(Setting {
        from,
        arc,
        radius: throw,
        dry: SquareFeet::new(nothing_if_little(reach - wetted)),
        overspray: head.flow.at(arc) * nothing_if_little(wasted),
    })
}

/// Lawn along a ray up to a throw, for each radian that it stands for.
fn lawn_on(intervals: &[[f64; 2]], throw_ft: f64) -> f64 {
    let pieces = intervals
        .iter()
        .map(|[from, to]| (to.min(throw_ft).powi(2) - from.min(throw_ft).powi(2)) / 2.0);
    pieces.sum()
}

fn compare(a: (f64, f64), b: (f64, f64)) -> std::cmp::Ordering {
    a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
}

/// Keeps the settings of which no other is better in both.
fn unbeaten(all: &[Setting]) -> Vec<Setting> {
    let mut sorted: Vec<Setting> = all.to_vec();
    sorted.sort_by(|a, b| {
        compare(
            (a.overspray.get(), a.dry.get()),
            (b.overspray.get(), b.dry.get()),
        )
    });
    let mut least_dry = f64::MAX;
    sorted.retain(|setting| {
        let better = setting.dry.get() < least_dry - 1e-3;
        if better {
            least_dry = setting.dry.get();
        }
        better
    });
    sorted
}

struct Settings {
    reach: SquareFeet,
    all: Vec<Setting>,
}

/// Returns every setting with what it does.
fn settings(head: &KerbHead, ground: &Ground) -> Result<Settings, OutOfRange> {
    head.checked()?;
    ground.checked()?;
    let sectors = 360 / ARC_STEP_DEG;
    let rays = rays(head.place, ground, sectors * RAYS_A_STEP);
    let turn = 2.0 * std::f64::consts::PI / rays.len() as f64;
    let nozzle_ft = head.radius.get();
    let lawn = |ray: &[[f64; 2]], throw_ft: f64| lawn_on(ray, throw_ft) * turn;
    let reach: f64 = rays.iter().map(|ray| lawn(ray, nozzle_ft)).sum();
    if reach < 0.01 {
        return Err(Allowed::Rule("lawn within the throw of the head").broken("areas", reach));
    }
    let mut all = Vec::with_capacity(THROWS * sectors * sectors);
    for step in 0..THROWS {
        let share = 0.25 + 0.75 * (step as f64) / (THROWS as f64 - 1.0);
        let throw_ft = nozzle_ft * share;
        let of_sector = |rays: &[Vec<[f64; 2]>]| -> [f64; 2] {
            let wetted = rays.iter().map(|ray| lawn(ray, throw_ft)).sum();
            let wasted = rays.iter().map(|ray| head.wasted(ray, throw_ft)).sum();
            [wetted, wasted]
        };
        let sums: Vec<[f64; 2]> = rays.chunks(RAYS_A_STEP).map(of_sector).collect();
        for from in 0..sectors {
            let [mut wetted, mut wasted] = [0.0, 0.0];
            for (count, sum) in (1..=sectors).zip(sums.iter().cycle().skip(from)) {
                wetted += sum[0];
                wasted += sum[1];
                if count == sectors && from > 0 {
                    continue; // a full circle is the same from anywhere
                }
                let share = wasted / (count * RAYS_A_STEP) as f64;
                let arc = Degrees::new((count * ARC_STEP_DEG) as f64);
                all.push(Setting {
                    from: Degrees::new((from * ARC_STEP_DEG) as f64),
                    arc,
                    radius: Feet::new(throw_ft),
                    dry: SquareFeet::new(nothing_if_little(reach - wetted)),
                    overspray: head.flow.at(arc) * nothing_if_little(share),
                });
            }
        }
    }
    Ok(Settings {
        reach: SquareFeet::new(reach),
        all,
    })
}

fn nothing_if_little(value: f64) -> f64 {
    if value < NOTHING { 0.0 } else { value }
}

/// Stretches of lawn along each ray, as distances from the head; a ray stands in the middle of its
/// slice.
fn rays(from: Point, ground: &Ground, count: usize) -> Vec<Vec<[f64; 2]>> {
    let slice = 360.0 / count as f64;
    let bearings = (0..count).map(|at| Degrees::new((at as f64 + 0.5) * slice));
    bearings
        .map(|bearing| ground.lawn_along(from, bearing))
        .collect()
}

impl KerbHead {
    fn checked(&self) -> Result<(), OutOfRange> {
        Allowed::Between(0.5, 200.0).check("radius_ft", self.radius.get())?;
        let (Flowing::WithArc { full_circle: flow } | Flowing::Whatever { flow }) = self.flow;
        Allowed::AboveZeroTo(1_000.0).check("flow_gpm", flow.get())?;
        Ok(())
    }

    /// The share of a ray's water that lands off the lawn.
    fn wasted(&self, intervals: &[[f64; 2]], throw_ft: f64) -> f64 {
        let whole = self.profile.moment(1.0);
        let within = |ft: f64| self.profile.moment((ft / throw_ft).min(1.0));
        let on_lawn: f64 = intervals
            .iter()
            .map(|[from, to]| within(*to) - within(*from))
            .sum();
        1.0 - on_lawn / whole
    }
}

impl Flowing {
    fn at(self, arc: Degrees) -> Gpm {
        match self {
            Self::WithArc { full_circle } => full_circle * (arc.get() / 360.0),
            Self::Whatever { flow } => flow,
        }
    }
}

impl Ground {
    /// Makes a round kerb from what a tape gives: the chord between two points of the kerb, and how
    /// far the curve stands off the middle of the chord.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `chord_ft` or `offset_ft` unless above zero, or an offset of more than
    /// half of the chord.
    ///
    /// # Source
    /// Intersecting chords: radius = chord² / (8 offset) + offset / 2.
    pub fn kerb_radius(chord: Feet, offset: Feet) -> Result<Feet, OutOfRange> {
        let chord_ft = Allowed::AboveZeroTo(1_000.0).check("chord_ft", chord.get())?;
        let offset_ft = Allowed::AboveZeroTo(chord_ft / 2.0).check("offset_ft", offset.get())?;
        Ok(Feet::new(
            chord_ft * chord_ft / (8.0 * offset_ft) + offset_ft / 2.0,
        ))
    }

    fn checked(&self) -> Result<(), OutOfRange> {
        match self {
            Self::Within(_) => {}
            Self::InsideCircle { radius, .. } | Self::OutsideCircle { radius, .. } => {
                Allowed::Between(1.0, 5_000.0).check("kerb_radius_ft", radius.get())?;
            }
        }
        Ok(())
    }

    fn has(&self, place: Point) -> bool {
        match self {
            Self::Within(outline) => outline.contains(place),
            Self::InsideCircle { centre, radius } => centre.distance(place) < *radius,
            Self::OutsideCircle { centre, radius } => centre.distance(place) > *radius,
        }
    }

    /// Where lawn begins and ends along a ray, in feet from its start.
    fn lawn_along(&self, from: Point, bearing: Degrees) -> Vec<[f64; 2]> {
        let mut edges = match self {
            Self::Within(outline) => outline.met_along(from, bearing),
            Self::InsideCircle { centre, radius } | Self::OutsideCircle { centre, radius } => {
                circle_met_along(*centre, *radius, from, bearing)
            }
        };
        // Farther than any head throws.
        edges.push(1e4);
        let mut start = 0.0;
        let mut intervals = Vec::new();
        for edge in edges {
            let middle = from.towards(bearing, Feet::new((start + edge) / 2.0));
            if self.has(middle) && edge > start {
                intervals.push([start, edge]);
            }
            start = edge;
        }
        intervals
    }
}

fn circle_met_along(centre: Point, radius: Feet, from: Point, bearing: Degrees) -> Vec<f64> {
    let (sine, cosine) = bearing.get().to_radians().sin_cos();
    let east = centre.east.get() - from.east.get();
    let north = centre.north.get() - from.north.get();
    let along = east * sine + north * cosine;
    let across_squared = east * east + north * north - along * along;
    let half_squared = radius.get().powi(2) - across_squared;
    if half_squared <= 0.0 {
        return Vec::new();
    }
    let half = half_squared.sqrt();
    let met = [along - half, along + half];
    // A head on the kerb itself meets it at nothing, give or take rounding.
    met.into_iter().filter(|ft| *ft > 1e-9).collect()
}

#[cfg(test)]
mod tests;

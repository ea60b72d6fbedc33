//! Where a zone's water falls: each head's wedge laid on a grid of simulated cans.
//!
//! [`coverage`] is the entry point. A [`Sprinkler`] throws the flow of its nozzle evenly over its
//! arc and by a [`Profile`] along its radius; every cell of the grid sums what reaches its middle.
//! Cells on turf and beds are the cans of the uniformity figure; what falls on paving, on
//! buildings or outside every area is overspray. Left out, and to be said beside the figures: wind,
//! slope, and whatever stands in the way of the water.
//!
//! ```
//! use headwalk_core::water::coverage::{Area, Layout, Profile, Sprinkler, Surface, coverage};
//! use headwalk_core::water::plane::{Outline, Point};
//! use headwalk_core::water::units::{Degrees, Feet, Gpm};
//!
//! // A lawn of 15 ft by 15 ft with a quarter head in each corner.
//! let corners = [(0.0, 0.0, 45.0), (15.0, 0.0, 315.0), (15.0, 15.0, 225.0), (0.0, 15.0, 135.0)];
//! let heads = corners.map(|(east, north, facing)| Sprinkler {
//!     place: Point::new(east, north),
//!     facing: Degrees::new(facing),
//!     arc: Degrees::new(90.0),
//!     radius: Feet::new(15.0),
//!     flow: Gpm::new(0.93),
//!     profile: Profile::falling(),
//! });
//! let outline = Outline::new(heads.iter().map(|head| head.place).collect())?;
//! let lawn = Area { surface: Surface::Turf, outline };
//! let got = coverage(&Layout { heads: &heads, areas: &[lawn], step: Feet::new(0.5) })?;
//! assert_eq!(format!("{:.2}", got.mean), "1.59 in/h");
//! assert_eq!(got.unreached.get(), 0.0);
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Christiansen (1942), Irrigation by Sprinkling, for laying patterns of single sprinklers over one
//! another; DU and CU as in [`uniformity`](super::uniformity). Checks: the published rate of square
//! and triangular spacings, and `fixtures/tables/coverage_numeric.csv`.

mod grid;
mod profile;

use std::fmt;

pub use grid::Grid;
pub use profile::Profile;

use super::{
    plane::{Outline, Point},
    precipitation::IN_H_FOR_ONE_GPM_ON_ONE_SQFT,
    uniformity::{CatchTest, uniformity},
    units::{
        Allowed, Degrees, Feet, Fraction, Gpm, InchesPerHour, Millilitres, OutOfRange, SquareFeet,
    },
};

/// A head where it stands, set as it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Sprinkler {
    /// Where it stands.
    pub place: Point,
    /// Middle of its arc, clockwise from north.
    pub facing: Degrees,
    /// The arc that it waters.
    pub arc: Degrees,
    /// How far it throws.
    pub radius: Feet,
    /// What its nozzle delivers as it is set.
    pub flow: Gpm,
    /// How its water falls off along the radius.
    pub profile: Profile,
}

/// What covers a piece of ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Surface {
    /// A lawn.
    Turf,
    /// Shrubs, perennials, trees.
    Bed,
    /// A drive, a walk, a street.
    Paving,
    /// A house, a wall, a shed.
    Building,
}

impl Surface {
    /// Returns whether something grows there that wants water.
    #[must_use]
    pub const fn is_planted(self) -> bool {
        matches!(self, Self::Turf | Self::Bed)
    }
}

/// A piece of ground.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// What covers it.
    pub surface: Surface,
    /// Where it ends.
    pub outline: Outline,
}

/// Heads, the ground around them, and how fine to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout<'a> {
    /// The heads that run together.
    pub heads: &'a [Sprinkler],
    /// The ground; a later area lies on top of an earlier one.
    pub areas: &'a [Area],
    /// From one simulated can to the next; [`step_for`] gives one that is fine enough.
    pub step: Feet,
}

/// What a layout does with its water.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// The simulated cans.
    pub grid: Grid,
    /// Evenness over the planted ground: mean of the lowest quarter of the cans over the mean.
    pub du_lq: Fraction,
    /// Christiansen's coefficient over the planted ground.
    pub cu: Fraction,
    /// Mean rate over the planted ground.
    pub mean: InchesPerHour,
    /// The lowest rate on planted ground.
    pub lowest: InchesPerHour,
    /// The highest.
    pub highest: InchesPerHour,
    /// Planted ground.
    pub planted: SquareFeet,
    /// Of it, what no head reaches.
    pub unreached: SquareFeet,
    /// Of it, what gets less than [`DRY_BELOW`] of the mean; the unreached counts.
    pub dry: SquareFeet,
    /// Share of the water that falls on paving and buildings.
    pub on_hard: Fraction,
    /// Share of the water that falls outside every area.
    pub outside: Fraction,
    /// What the overspray comes to: both shares of the flow of all heads.
    pub overspray: Gpm,
    /// How many cans stand on planted ground.
    pub cans: usize,
    /// What a reader should know beside the figures.
    pub warnings: Vec<Warning>,
}

/// Ground that gets less than this share of the mean counts as dry: our choice, no source.
pub const DRY_BELOW: Fraction = Fraction::new(0.25);

/// What a reader should know beside the figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// Fewer cans than an audit would set out.
    FewCans(usize),
    /// The grid is coarse beside the shortest throw.
    Coarse {
        /// From can to can.
        step: Feet,
        /// The shortest throw.
        radius: Feet,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FewCans(cans) => write!(
                f,
                "only {cans} simulated cans stand on planted ground; take a smaller step_ft"
            ),
            Self::Coarse { step, radius } => write!(
                f,
                "a step of {step:.1} is coarse beside a throw of {radius:.1}; take a tenth of it"
            ),
        }
    }
}

/// Beside these figures, always: what a simulation cannot see.
pub const LEFT_OUT: &str = "wind, slope and whatever stands in the water's way are left out; \
     catch cans on the ground settle it";

/// Returns a step that is fine enough: a 40th of the shortest throw, from 0.2 to 1 ft.
#[must_use]
pub fn step_for(heads: &[Sprinkler]) -> Feet {
    let shortest = heads.iter().map(|head| head.radius.get());
    Feet::new((shortest.fold(40.0, f64::min) / 40.0).clamp(0.2, 1.0))
}

/// More cans than this are a slip of the finger in the step.
const MOST_CANS: f64 = 4e6;

/// Returns where the water of a layout falls.
///
/// # Errors
/// [`OutOfRange`] naming `heads` when there are none or more than 2,000; `areas` when none of them
/// is planted, or no can stands on planted ground; `step_ft` outside 0.05 to 20 ft or too fine for
/// so much ground; `arc_deg` outside 1 to 360; `radius_ft` outside 0.5 to 200; `flow_gpm` unless
/// above zero; `catch_ml` when no water reaches planted ground.
pub fn coverage(layout: &Layout<'_>) -> Result<Coverage, OutOfRange> {
    Allowed::Between(1.0, 2_000.0).check("heads", layout.heads.len() as f64)?;
    Allowed::Between(0.05, 20.0).check("step_ft", layout.step.get())?;
    for head in layout.heads {
        head.checked()?;
    }
    if !layout.areas.iter().any(|area| area.surface.is_planted()) {
        let rule = Allowed::Rule("a list with at least one area of turf or bed");
        return Err(rule.broken("areas", layout.areas.len() as f64));
    }
    let mut grid = Grid::over(layout)?;
    for head in layout.heads {
        grid.add(head);
    }
    summary(layout, grid)
}

impl Sprinkler {
    fn checked(&self) -> Result<(), OutOfRange> {
        Allowed::Between(1.0, 360.0).check("arc_deg", self.arc.get())?;
        Allowed::Between(-360.0, 720.0).check("facing_deg", self.facing.get())?;
        Allowed::Between(0.5, 200.0).check("radius_ft", self.radius.get())?;
        Allowed::AboveZeroTo(1_000.0).check("flow_gpm", self.flow.get())?;
        self.place_checked()
    }

    fn place_checked(&self) -> Result<(), OutOfRange> {
        let mile = Allowed::Between(-5_280.0, 5_280.0);
        mile.check("east_ft", self.place.east.get())?;
        mile.check("north_ft", self.place.north.get())?;
        Ok(())
    }

    /// Returns the rate at which a profile of height one falls, so that the whole of the flow
    /// lands within the wedge.
    fn rate_of_one(&self) -> InchesPerHour {
        let wedge_sqft = self.arc.get().to_radians() * self.radius.get().powi(2);
        let weighted_sqft = wedge_sqft * self.profile.moment(1.0);
        InchesPerHour::new(IN_H_FOR_ONE_GPM_ON_ONE_SQFT * self.flow.get() / weighted_sqft)
    }
}

/// Counts what the cans caught.
fn summary(layout: &Layout<'_>, grid: Grid) -> Result<Coverage, OutOfRange> {
    let mut caught = Vec::new();
    let (mut hard, mut outside, mut total) = (0.0, 0.0, 0.0);
    for (rate, surface) in grid.cans() {
        let rate_in_h = rate.get();
        total += rate_in_h;
        match surface {
            Some(surface) if surface.is_planted() => caught.push(rate_in_h),
            Some(_) => hard += rate_in_h,
            None => outside += rate_in_h,
        }
    }
    if caught.is_empty() {
        let rule = Allowed::Rule("small enough that a can stands on planted ground");
        return Err(rule.broken("step_ft", layout.step.get()));
    }
    // Rates of equal cans in equal time: the uniformity of catches is that of rates.
    let catches: Vec<Millilitres> = caught.iter().copied().map(Millilitres::new).collect();
    let found = uniformity(&CatchTest {
        catches: &catches,
        opening: None,
        minutes: None,
        wind: &[],
    })?;
    let mean_in_h = found.mean.get();
    let can_sqft = layout.step.get().powi(2);
    let ground = |below_in_h: f64| {
        let low = caught.iter().filter(|rate| **rate < below_in_h).count();
        SquareFeet::new(low as f64 * can_sqft)
    };
    let share = |part: f64| Fraction::new(if total > 0.0 { part / total } else { 0.0 });
    let flow: Gpm = layout.heads.iter().map(|head| head.flow).sum();
    Ok(Coverage {
        du_lq: found.du_lq,
        cu: found.cu,
        mean: InchesPerHour::new(mean_in_h),
        lowest: InchesPerHour::new(caught.iter().copied().fold(f64::MAX, f64::min)),
        highest: InchesPerHour::new(caught.iter().copied().fold(0.0, f64::max)),
        planted: SquareFeet::new(caught.len() as f64 * can_sqft),
        unreached: ground(f64::MIN_POSITIVE),
        dry: ground(DRY_BELOW.get() * mean_in_h),
        on_hard: share(hard),
        outside: share(outside),
        overspray: flow * share(hard + outside).get(),
        cans: caught.len(),
        warnings: warnings(layout, caught.len()),
        grid,
    })
}

fn warnings(layout: &Layout<'_>, cans: usize) -> Vec<Warning> {
    let shortest = layout.heads.iter().map(|head| head.radius);
    let shortest = shortest.fold(Feet::new(f64::MAX), |a, b| if b < a { b } else { a });
    let mut warnings = Vec::new();
    if cans < 24 {
        warnings.push(Warning::FewCans(cans));
    }
    if layout.step > shortest / 8.0 {
        let (step, radius) = (layout.step, shortest);
        warnings.push(Warning::Coarse { step, radius });
    }
    warnings
}

#[cfg(test)]
mod tests;

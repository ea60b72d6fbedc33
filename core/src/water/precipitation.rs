//! How fast water falls on a zone: from its flow and area, its heads, or catch cans.
//!
//! Rates from flow are gross: they count water that drifts away or lands outside. Rates from cans
//! are net, and so cannot be higher; [`compare`] says when a reading must be wrong.
//!
//! ```
//! use headwalk_core::water::precipitation::zone_rate;
//! use headwalk_core::water::units::{Gpm, SquareFeet};
//!
//! let rate = zone_rate(Gpm::new(10.0), SquareFeet::new(1000.0))?;
//! assert_eq!(format!("{rate:.4}"), "0.9625 in/h");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Definition: volume over area over time; the formula of USDA-NRCS NEH 623 chapter 11 and every
//! audit guide. Checks: `fixtures/tables/precipitation.csv`.

use std::fmt;

use super::{
    hydraulics,
    units::{
        Allowed, Degrees, Feet, Fraction, Gpm, InchesPerHour, Millilitres, MillimetresPerHour,
        Minutes, OutOfRange, Psi, SquareCentimetres, SquareFeet,
    },
};

/// One gallon per minute on one square foot, in inches per hour:
/// 231 in³ a gallon x 60 min an hour / 144 in² a square foot = 96.25; handbooks round to 96.3.
pub(super) const IN_H_FOR_ONE_GPM_ON_ONE_SQFT: f64 = 231.0 * 60.0 / 144.0;

/// One millilitre a minute on one square centimetre is 600 mm/h. On one square inch it is
/// 60 / 16.387064 = 3.66142 in/h; worksheets round to 3.66.
const MM_H_FOR_ONE_ML_MIN_ON_ONE_SQCM: f64 = 600.0;

/// Returns the average precipitation rate of a zone, in inches per hour.
///
/// `flow` is what the zone draws while it runs; `area` is the ground it wets.
///
/// # Errors
/// [`OutOfRange`] naming `area_sqft` unless above zero, `flow_gpm` below zero.
pub fn zone_rate(flow: Gpm, area: SquareFeet) -> Result<InchesPerHour, OutOfRange> {
    let flow_gpm = Allowed::ZeroOrMore.check("flow_gpm", flow.get())?;
    let area_sqft = Allowed::AboveZero.check("area_sqft", area.get())?;
    Ok(InchesPerHour::new(
        IN_H_FOR_ONE_GPM_ON_ONE_SQFT * flow_gpm / area_sqft,
    ))
}

/// Returns the flow that gives a zone a rate: [`zone_rate`] the other way round.
///
/// # Errors
/// [`OutOfRange`] naming `area_sqft` unless above zero, `rate_in_h` below zero.
pub fn zone_flow(rate: InchesPerHour, area: SquareFeet) -> Result<Gpm, OutOfRange> {
    let rate_in_h = Allowed::ZeroOrMore.check("rate_in_h", rate.get())?;
    let area_sqft = Allowed::AboveZero.check("area_sqft", area.get())?;
    Ok(Gpm::new(
        rate_in_h * area_sqft / IN_H_FOR_ONE_GPM_ON_ONE_SQFT,
    ))
}

/// One head of a regular pattern.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Head {
    /// What its nozzle passes.
    pub flow: Gpm,
    /// How far round it throws, above 0 to 360 degrees.
    pub arc: Degrees,
}

/// A regular pattern's rate and how even its heads are.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadsRate {
    /// All heads' flow over all the ground they cover.
    pub rate: InchesPerHour,
    /// Each head's own rate over its share of the ground, in the order given.
    pub heads: Vec<InchesPerHour>,
    /// Highest minus lowest head rate, as a share of the zone's.
    pub spread: Fraction,
    /// Whether that is within a tenth.
    pub matching: Matching,
}

/// Whether the heads of a zone put down water at one rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matching {
    /// Head rates within 10 % (common practice, no source).
    Matched,
    /// Further apart: one run time cannot suit all of the zone.
    Unmatched,
}

/// Spread of head rates beyond which a zone is unmatched: common practice, no source.
const MATCHED_SPREAD: f64 = 0.10;

/// Returns the rate of heads in a regular pattern, in inches per hour.
///
/// A head of arc a covers a/360 of the cell `spacing` x `row_spacing`. For a triangle of equal
/// sides the rows are [`triangular_row`] apart.
///
/// # Errors
/// [`OutOfRange`] naming `heads` when empty, `flow_gpm`, `arc_deg`, `spacing_ft` or
/// `row_spacing_ft`.
pub fn heads_rate(
    heads: &[Head],
    spacing: Feet,
    row_spacing: Feet,
) -> Result<HeadsRate, OutOfRange> {
    if heads.is_empty() {
        return Err(Allowed::Rule("a list of at least one head").broken("heads", 0.0));
    }
    let cell = Allowed::AboveZero.check("spacing_ft", spacing.get())?
        * Allowed::AboveZero.check("row_spacing_ft", row_spacing.get())?;
    let mut rates = Vec::with_capacity(heads.len());
    let (mut flow, mut area) = (Gpm::ZERO, SquareFeet::ZERO);
    for head in heads {
        let own_area = SquareFeet::new(cell * arc_share(head.arc)?);
        rates.push(zone_rate(head.flow, own_area)?);
        flow = flow + head.flow;
        area = area + own_area;
    }
    let rate = zone_rate(flow, area)?;
    let spread = Fraction::new(spread(&rates, rate));
    let matching = if spread.get() <= MATCHED_SPREAD + 1e-9 {
        Matching::Matched
    } else {
        Matching::Unmatched
    };
    Ok(HeadsRate {
        rate,
        heads: rates,
        spread,
        matching,
    })
}

/// Returns how far apart rows are in a pattern of equilateral triangles: sin 60° of the spacing.
#[must_use]
pub fn triangular_row(spacing: Feet) -> Feet {
    spacing * (3f64.sqrt() / 2.0)
}

fn arc_share(arc: Degrees) -> Result<f64, OutOfRange> {
    Ok(Allowed::AboveZeroTo(360.0).check("arc_deg", arc.get())? / 360.0)
}

fn spread(rates: &[InchesPerHour], mean: InchesPerHour) -> f64 {
    if mean <= InchesPerHour::ZERO {
        return 0.0;
    }
    let highest = rates.iter().map(|rate| rate.get()).fold(f64::MIN, f64::max);
    let lowest = rates.iter().map(|rate| rate.get()).fold(f64::MAX, f64::min);
    (highest - lowest) / mean.get()
}

/// Returns the net rate that catch cans show, in inches per hour.
///
/// # Errors
/// [`OutOfRange`] naming `catch_ml` below zero, `minutes` or `can_area_cm2` unless above zero.
pub fn cans_rate(
    mean_catch: Millilitres,
    minutes: Minutes,
    opening: SquareCentimetres,
) -> Result<InchesPerHour, OutOfRange> {
    let catch_ml = Allowed::ZeroOrMore.check("catch_ml", mean_catch.get())?;
    let time_min = Allowed::AboveZero.check("minutes", minutes.get())?;
    let opening_cm2 = Allowed::AboveZero.check("can_area_cm2", opening.get())?;
    let rate_mm_h = MM_H_FOR_ONE_ML_MIN_ON_ONE_SQCM * catch_ml / (time_min * opening_cm2);
    Ok(MillimetresPerHour::new(rate_mm_h).into())
}

/// Returns a rate at another pressure: it follows the flow, with the square root.
///
/// # Errors
/// Those of [`hydraulics::pressure_ratio`], and [`OutOfRange`] naming `rate_in_h` below zero.
pub fn rate_at_pressure(
    rate: InchesPerHour,
    at: Psi,
    to: Psi,
) -> Result<InchesPerHour, OutOfRange> {
    Allowed::ZeroOrMore.check("rate_in_h", rate.get())?;
    Ok(rate * hydraulics::pressure_ratio(at, to)?.get())
}

/// How a head's flow answers a change of arc.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nozzle {
    /// Fixed spray of one family: another arc is another nozzle, and its flow follows the arc.
    FlowFollowsArc,
    /// One nozzle that sweeps: its flow stays, so twice the arc is half the rate.
    FlowStays,
}

/// Returns a head after its arc was changed, so that the zone's flow can be added up again.
///
/// A wider fixed spray in a corner doubles the head's flow, and what it adds lands outside.
///
/// # Errors
/// [`OutOfRange`] naming `arc_deg` outside 0 to 360.
pub fn with_arc(head: Head, arc: Degrees, nozzle: Nozzle) -> Result<Head, OutOfRange> {
    let ratio = arc_share(arc)? / arc_share(head.arc)?;
    let flow = match nozzle {
        Nozzle::FlowFollowsArc => head.flow * ratio,
        Nozzle::FlowStays => head.flow,
    };
    Ok(Head { flow, arc })
}

/// What gross and net rate say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Comparison {
    /// Net over gross: the share of the flow that reached the cans.
    Plausible(Fraction),
    /// More in the cans than came through the pipe: area, flow, time or opening is wrong.
    NetAboveGross(Fraction),
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plausible(share) => {
                write!(
                    f,
                    "the cans caught {:.0} % of the flow",
                    share.get() * 100.0
                )
            }
            Self::NetAboveGross(share) => write!(
                f,
                "the cans caught {:.0} % of the flow: check area, flow, minutes and can opening",
                share.get() * 100.0
            ),
        }
    }
}

/// Returns what cans and flow say together.
///
/// # Errors
/// [`OutOfRange`] naming `gross_in_h` unless above zero, `net_in_h` below zero.
pub fn compare(gross: InchesPerHour, net: InchesPerHour) -> Result<Comparison, OutOfRange> {
    let gross_in_h = Allowed::AboveZero.check("gross_in_h", gross.get())?;
    let net_in_h = Allowed::ZeroOrMore.check("net_in_h", net.get())?;
    let share = Fraction::new(net_in_h / gross_in_h);
    Ok(if net > gross {
        Comparison::NetAboveGross(share)
    } else {
        Comparison::Plausible(share)
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::{
        tables::{close, rows},
        units::{LitresPerMinute, SquareMetres},
    };

    #[test]
    fn zone_rates_match_the_worked_examples() {
        for row in rows("precipitation_zone.csv") {
            let (flow, area) = (
                Gpm::new(row.get("flow_gpm")),
                SquareFeet::new(row.get("area_sqft")),
            );
            let rate = zone_rate(flow, area).unwrap();
            row.close("rate_in_h", rate.get());
            row.close("rate_mm_h", MillimetresPerHour::from(rate).get());
        }
    }

    #[test]
    fn pattern_rates_match_the_worked_examples() {
        for row in rows("precipitation_heads.csv") {
            let (flows, arcs) = (row.list("flow_gpm"), row.list("arc_deg"));
            let heads: Vec<Head> = flows
                .iter()
                .zip(&arcs)
                .map(|(flow, arc)| Head {
                    flow: Gpm::new(*flow),
                    arc: Degrees::new(*arc),
                })
                .collect();
            let spacing = Feet::new(row.get("spacing_ft"));
            let rows_apart = row.find("row_spacing_ft").map(Feet::new);
            let got = heads_rate(
                &heads,
                spacing,
                rows_apart.unwrap_or(triangular_row(spacing)),
            )
            .unwrap();
            row.close("rate_in_h", got.rate.get());
            let matching = if row.text("matching") == "matched" {
                Matching::Matched
            } else {
                Matching::Unmatched
            };
            assert_eq!(got.matching, matching, "{}", row.text("id"));
        }
    }

    #[test]
    fn litres_and_square_metres_give_the_same_rate() {
        // P-01 by the SI route: 60 L/min over m².
        let flow = Gpm::from(LitresPerMinute::new(37.85411784));
        let area = SquareFeet::from(SquareMetres::new(92.90304));
        let rate = MillimetresPerHour::from(zone_rate(flow, area).unwrap());
        close("P-01 SI", rate.get(), 24.4475, 1e-9);
        close(
            "P-01 by hand",
            rate.get(),
            60.0 * 37.85411784 / 92.90304,
            1e-9,
        );
    }

    #[test]
    fn a_rate_follows_the_square_root_of_pressure() {
        let got = rate_at_pressure(InchesPerHour::new(1.58), Psi::new(30.0), Psi::new(50.0));
        close("P-09", got.unwrap().get(), 2.03977, 5e-6);
    }

    #[test]
    fn a_half_nozzle_in_a_corner_doubles_the_flow_and_a_wider_rotor_halves_the_rate() {
        let quarter = Head {
            flow: Gpm::new(0.925),
            arc: Degrees::new(90.0),
        };
        let half = with_arc(quarter, Degrees::new(180.0), Nozzle::FlowFollowsArc).unwrap();
        assert_eq!(half.flow, Gpm::new(1.85));
        let rotor = Head {
            flow: Gpm::new(3.0),
            arc: Degrees::new(90.0),
        };
        let wider = with_arc(rotor, Degrees::new(180.0), Nozzle::FlowStays).unwrap();
        let rate = |head| {
            heads_rate(&[head], Feet::new(30.0), Feet::new(30.0))
                .unwrap()
                .rate
        };
        close("half the rate", rate(wider) / rate(rotor), 0.5, 1e-12);
    }

    #[test]
    fn cans_that_caught_more_than_the_pipe_gave_are_a_finding() {
        let gross = InchesPerHour::new(1.0);
        let wet = compare(gross, InchesPerHour::new(1.1)).unwrap();
        assert!(matches!(wet, Comparison::NetAboveGross(_)));
        let usual = compare(gross, InchesPerHour::new(0.8)).unwrap();
        assert_eq!(usual, Comparison::Plausible(Fraction::new(0.8)));
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let no_area = zone_rate(Gpm::new(10.0), SquareFeet::ZERO).unwrap_err();
        assert_eq!(no_area.field, "area_sqft");
        let spacing = Feet::new(15.0);
        assert_eq!(
            heads_rate(&[], spacing, spacing).unwrap_err().field,
            "heads"
        );
        let no_arc = Head {
            flow: Gpm::new(1.0),
            arc: Degrees::new(0.0),
        };
        assert_eq!(
            heads_rate(&[no_arc], spacing, spacing).unwrap_err().field,
            "arc_deg"
        );
    }

    proptest! {
        #[test]
        fn rate_times_area_gives_back_the_flow(flow in 0.0..500.0f64, area in 1.0..1e6f64) {
            let (flow, area) = (Gpm::new(flow), SquareFeet::new(area));
            let back = zone_flow(zone_rate(flow, area).unwrap(), area).unwrap();
            prop_assert!((back.get() - flow.get()).abs() <= 1e-9 * flow.get().max(1.0));
        }
    }
}

//! What a changed nozzle, arc or radius does to a head, its zone's flow and rate, and the run time.
//!
//! [`changed`] is the entry point. On a fixed spray another arc is another nozzle of its family, so
//! the flow follows the arc and the head's own rate stays. A rotor sends the same flow over whatever
//! it sweeps, so twice the arc is half the rate. A radius screw is taken to leave the flow as it is
//! on both, so less radius is more rate: measure it where it matters.
//!
//! ```
//! use headwalk_core::water::head_change::{Change, HeadSetting, ZoneBefore, changed};
//! use headwalk_core::water::precipitation::Nozzle;
//! use headwalk_core::water::units::{Degrees, Feet, Fraction, Gpm, Inches, SquareFeet};
//!
//! let rotor = HeadSetting { flow: Gpm::new(3.0), arc: Degrees::new(90.0), radius: Feet::new(30.0) };
//! let zone = ZoneBefore {
//!     flow: Gpm::new(18.0),
//!     area: SquareFeet::new(3600.0),
//!     need: Inches::new(1.0),
//!     du_lq: Fraction::new(0.6),
//! };
//! let wider = Change { arc: Some(Degrees::new(180.0)), ..Change::default() };
//! let got = changed(rotor, wider, Nozzle::FlowStays, zone)?;
//! assert_eq!(got.head_rate_ratio.get(), 0.5);
//! assert_eq!(got.zone_flow, Gpm::new(18.0));
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Rates by their definition, flow over area; how the kinds of head answer an arc: the nature of a
//! fixed orifice against a swept stream. Check: `fixtures/tables/head_change.csv`.

use std::f64::consts::PI;
use std::fmt;

use super::precipitation::{self, Head, Nozzle};
use super::runtime;
use super::units::{
    Allowed, Degrees, Feet, Fraction, Gpm, Inches, InchesPerHour, Minutes, OutOfRange, SquareFeet,
};

/// How a head stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeadSetting {
    /// What its nozzle passes.
    pub flow: Gpm,
    /// How far round it throws.
    pub arc: Degrees,
    /// How far it throws.
    pub radius: Feet,
}

/// What is changed on it; what is not named stays.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Change {
    /// The flow of another nozzle; without it the flow answers as the kind of head does.
    pub nozzle_flow: Option<Gpm>,
    /// Another arc.
    pub arc: Option<Degrees>,
    /// Another radius.
    pub radius: Option<Feet>,
}

/// The zone before the change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZoneBefore {
    /// What all its heads draw together.
    pub flow: Gpm,
    /// The ground that it wets.
    pub area: SquareFeet,
    /// The depth that it has to give.
    pub need: Inches,
    /// Lowest-quarter uniformity.
    pub du_lq: Fraction,
}

/// What comes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Changed {
    /// The head after it.
    pub head: HeadSetting,
    /// The head's own rate on what it throws over, before and after.
    pub head_rate: (InchesPerHour, InchesPerHour),
    /// After over before.
    pub head_rate_ratio: Fraction,
    /// The zone's flow after it.
    pub zone_flow: Gpm,
    /// The zone's rate, before and after.
    pub zone_rate: (InchesPerHour, InchesPerHour),
    /// The zone's minutes for the same depth, before and after.
    pub minutes: (Minutes, Minutes),
    /// What a person should look at.
    pub warnings: Vec<Warning>,
}

/// What a person should look at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// The head now waters at another rate than before, and than its neighbours.
    Unmatched(Fraction),
    /// More than a quarter of the radius taken off: a smaller nozzle instead. Common practice.
    RadiusFarDown,
    /// The flow is taken to stay while the radius changes.
    FlowTakenToStay,
    /// The wider arc throws beyond the ground that the zone is to wet, unless the ground grew too.
    AreaAsBefore,
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unmatched(ratio) => write!(
                f,
                "this head now waters {:.2} times as fast as before: one run time cannot suit it \
                 and its neighbours",
                ratio.get()
            ),
            Self::RadiusFarDown => f.write_str(
                "more than a quarter of the radius is taken off: a smaller nozzle spoils the \
                 pattern less (common practice)",
            ),
            Self::FlowTakenToStay => {
                f.write_str("the radius screw is taken to leave the flow as it is: measure it")
            }
            Self::AreaAsBefore => f.write_str(
                "the zone's area is taken as before: what a wider arc adds may land outside it",
            ),
        }
    }
}

/// No head passes or throws more, nor can less be told from nothing.
const FLOW: Allowed = Allowed::Between(1e-3, 1e6);
const RADIUS: Allowed = Allowed::Between(0.1, 1e4);

/// A head's rate may be so far from its neighbours'; common practice, no source.
const MATCHED: f64 = 0.10;

/// Returns what a change on one head does.
///
/// # Errors
/// [`OutOfRange`] naming `flow_gpm`, `arc_deg` outside 1 to 360, `radius_ft`, `nozzle_flow_gpm`,
/// `new_radius_ft`, `zone_flow_gpm` below the head's own, `area_sqft` below 1, `need_in` or `du_lq`.
pub fn changed(
    before: HeadSetting,
    change: Change,
    kind: Nozzle,
    zone: ZoneBefore,
) -> Result<Changed, OutOfRange> {
    let flow_gpm = FLOW.check("flow_gpm", before.flow.get())?;
    RADIUS.check("radius_ft", before.radius.get())?;
    FLOW.check("zone_flow_gpm", zone.flow.get())?;
    Allowed::Between(1.0, 1e9).check("area_sqft", zone.area.get())?;
    for arc in [Some(before.arc), change.arc].into_iter().flatten() {
        Allowed::Between(1.0, 360.0).check("arc_deg", arc.get())?;
    }
    if zone.flow.get() < flow_gpm {
        let rule = Allowed::Rule("no less than the head's own flow_gpm");
        return Err(rule.broken("zone_flow_gpm", zone.flow.get()));
    }
    let arc = change.arc.unwrap_or(before.arc);
    let turned = precipitation::with_arc(
        Head {
            flow: before.flow,
            arc: before.arc,
        },
        arc,
        kind,
    )?;
    let flow = match change.nozzle_flow {
        Some(flow) => Gpm::new(FLOW.check("nozzle_flow_gpm", flow.get())?),
        None => turned.flow,
    };
    let radius = change.radius.unwrap_or(before.radius);
    RADIUS.check("new_radius_ft", radius.get())?;
    let head = HeadSetting { flow, arc, radius };
    let head_rate = (own_rate(before)?, own_rate(head)?);
    let ratio = Fraction::new(head_rate.1 / head_rate.0);
    let zone_flow = zone.flow - before.flow + flow;
    let zone_rate = (
        precipitation::zone_rate(zone.flow, zone.area)?,
        precipitation::zone_rate(zone_flow, zone.area)?,
    );
    let minutes = |rate| runtime::run_time(zone.need, rate, zone.du_lq);
    let mut warnings = Vec::new();
    if (ratio.get() - 1.0).abs() > MATCHED + 1e-9 {
        warnings.push(Warning::Unmatched(ratio));
    }
    if radius.get() < before.radius.get() * 0.75 - 1e-9 {
        warnings.push(Warning::RadiusFarDown);
    }
    if change.radius.is_some() && change.nozzle_flow.is_none() {
        warnings.push(Warning::FlowTakenToStay);
    }
    if arc > before.arc {
        warnings.push(Warning::AreaAsBefore);
    }
    Ok(Changed {
        head,
        head_rate,
        head_rate_ratio: ratio,
        zone_flow,
        minutes: (minutes(zone_rate.0)?.upper, minutes(zone_rate.1)?.upper),
        zone_rate,
        warnings,
    })
}

/// A head's flow over the sector that it throws over.
fn own_rate(head: HeadSetting) -> Result<InchesPerHour, OutOfRange> {
    let sector = PI * head.radius.get().powi(2) * head.arc.get() / 360.0;
    precipitation::zone_rate(head.flow, SquareFeet::new(sector))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::rows;

    #[test]
    fn fixed_spray_and_rotor_answer_as_the_table_says() {
        for row in rows("head_change.csv") {
            let before = HeadSetting {
                flow: Gpm::new(row.get("flow_gpm")),
                arc: Degrees::new(row.get("arc_deg")),
                radius: Feet::new(row.get("radius_ft")),
            };
            let change = Change {
                nozzle_flow: row.find("nozzle_flow_gpm").map(Gpm::new),
                arc: row.find("new_arc_deg").map(Degrees::new),
                radius: row.find("new_radius_ft").map(Feet::new),
            };
            let kind = match row.text("kind") {
                "fixed-spray" => Nozzle::FlowFollowsArc,
                _ => Nozzle::FlowStays,
            };
            let zone = ZoneBefore {
                flow: Gpm::new(row.get("zone_flow_gpm")),
                area: SquareFeet::new(row.get("area_sqft")),
                need: Inches::new(1.0),
                du_lq: Fraction::new(1.0),
            };
            let got = changed(before, change, kind, zone).unwrap();
            row.close("head_flow_gpm", got.head.flow.get());
            row.close("head_rate_ratio", got.head_rate_ratio.get());
            row.close("zone_after_gpm", got.zone_flow.get());
            row.close("zone_rate_in_h", got.zone_rate.1.get());
            row.close("minutes", got.minutes.1.get());
        }
    }

    #[test]
    fn what_cannot_be_is_refused_by_name_and_what_is_odd_is_said() {
        let head = HeadSetting {
            flow: Gpm::new(3.0),
            arc: Degrees::new(90.0),
            radius: Feet::new(30.0),
        };
        let zone = ZoneBefore {
            flow: Gpm::new(18.0),
            area: SquareFeet::new(3600.0),
            need: Inches::new(1.0),
            du_lq: Fraction::new(0.6),
        };
        let field = |change, zone| {
            changed(head, change, Nozzle::FlowStays, zone)
                .unwrap_err()
                .field
        };
        let arc = |arc| Change {
            arc: Some(Degrees::new(arc)),
            ..Change::default()
        };
        assert_eq!(field(arc(400.0), zone), "arc_deg");
        assert_eq!(field(arc(f64::NAN), zone), "arc_deg");
        let small = ZoneBefore {
            flow: Gpm::new(1.0),
            ..zone
        };
        assert_eq!(field(arc(180.0), small), "zone_flow_gpm");
        let shorter = Change {
            radius: Some(Feet::new(20.0)),
            ..Change::default()
        };
        let got = changed(head, shorter, Nozzle::FlowStays, zone).unwrap();
        assert!(got.warnings.contains(&Warning::RadiusFarDown));
        assert!(got.warnings.contains(&Warning::FlowTakenToStay));
        assert!((got.head_rate_ratio.get() - 2.25).abs() < 1e-12);
    }
}

//! What a changed nozzle, arc or radius does.

use serde::Deserialize;

use headwalk_core::water::head_change::{self, Change, HeadSetting, ZoneBefore};
use headwalk_core::water::precipitation::Nozzle;
use headwalk_core::water::units::{
    Degrees, Feet, Fraction, Gpm, Inches, InchesPerHour, Minutes, SquareFeet,
};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// What a changed nozzle, arc or radius does to a head, its zone and the run time.
///
/// In:  kind: fixed-spray, whose flow follows the arc, or gear-rotor, whose flow stays; flow_gpm,
///      arc_deg and radius_ft of the head before; any of nozzle_flow_gpm, new_arc_deg and
///      new_radius_ft; zone_flow_gpm, all its heads together, and area_sqft; need_in, the depth
///      that a run gives (1 where left out); du_lq, its uniformity (1 where left out).
/// Out: head_flow_gpm; head_rate_before_in_h and head_rate_in_h, on the sector it throws over, and
///      head_rate_ratio; zone_flow_after_gpm; zone_rate_before_in_h and zone_rate_in_h;
///      minutes_before and minutes.
///
/// Source: definitions; a fixed orifice against a swept stream. A radius screw is taken to leave
/// the flow as it is.
///
/// Example: headwalk reckon head-change --set kind=gear-rotor --set flow_gpm=3 --set arc_deg=90
/// --set radius_ft=30 --set new_arc_deg=180 --set zone_flow_gpm=18 --set area_sqft=3600
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct HeadChange {}

/// Inputs of [`HeadChange`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    kind: Kind,
    flow_gpm: f64,
    arc_deg: f64,
    radius_ft: f64,
    nozzle_flow_gpm: Option<f64>,
    new_arc_deg: Option<f64>,
    new_radius_ft: Option<f64>,
    zone_flow_gpm: f64,
    area_sqft: f64,
    need_in: Option<f64>,
    du_lq: Option<f64>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    FixedSpray,
    GearRotor,
}

impl Formula for HeadChange {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let before = HeadSetting {
            flow: Gpm::new(given.flow_gpm),
            arc: Degrees::new(given.arc_deg),
            radius: Feet::new(given.radius_ft),
        };
        let change = Change {
            nozzle_flow: given.nozzle_flow_gpm.map(Gpm::new),
            arc: given.new_arc_deg.map(Degrees::new),
            radius: given.new_radius_ft.map(Feet::new),
        };
        let kind = match given.kind {
            Kind::FixedSpray => Nozzle::FlowFollowsArc,
            Kind::GearRotor => Nozzle::FlowStays,
        };
        let zone = ZoneBefore {
            flow: Gpm::new(given.zone_flow_gpm),
            area: SquareFeet::new(given.area_sqft),
            need: Inches::new(given.need_in.unwrap_or(1.0)),
            du_lq: Fraction::new(given.du_lq.unwrap_or(1.0)),
        };
        let got = head_change::changed(before, change, kind, zone)?;
        let rate = |answer: Answer, name, words, rate: InchesPerHour| {
            answer.number(name, words, rate.get(), InchesPerHour::UNIT)
        };
        let answer = Answer::default().number(
            "head_flow_gpm",
            "the head then passes",
            got.head.flow.get(),
            Gpm::UNIT,
        );
        let answer = rate(
            answer,
            "head_rate_before_in_h",
            "its own rate before",
            got.head_rate.0,
        );
        let answer = rate(
            answer,
            "head_rate_in_h",
            "its own rate after",
            got.head_rate.1,
        );
        let answer = answer
            .number(
                "head_rate_ratio",
                "after over before",
                got.head_rate_ratio.get(),
                "",
            )
            .number(
                "zone_flow_after_gpm",
                "the zone then draws",
                got.zone_flow.get(),
                Gpm::UNIT,
            );
        let answer = rate(
            answer,
            "zone_rate_before_in_h",
            "zone's rate before",
            got.zone_rate.0,
        );
        let answer = rate(
            answer,
            "zone_rate_in_h",
            "zone's rate after",
            got.zone_rate.1,
        );
        Ok(answer
            .number(
                "minutes_before",
                "run time before",
                got.minutes.0.get(),
                Minutes::UNIT,
            )
            .number(
                "minutes",
                "run time after",
                got.minutes.1.get(),
                Minutes::UNIT,
            )
            .warnings(got.warnings))
    }
}

//! How fast and how evenly a zone waters, and where that is known from.

use super::rules::usual_uniformity;
use super::{Figure, Unknown, Why};
use crate::log::stamp::Stamp;
use crate::site::fields;
use crate::site::things::{CatchCans, Fact, Head, Seen, Zone};
use crate::water::precipitation::{self, Comparison, HeadsRate};
use crate::water::uniformity::Uniformity;
use crate::water::units::{Fraction, Gpm, InchesPerHour, SquareFeet};

/// What cans, flow and heads say of a zone.
pub(super) struct Applied {
    pub(super) rate: Figure<InchesPerHour>,
    pub(super) uniformity: Figure<Fraction>,
    pub(super) flow: Figure<Gpm>,
}

impl Applied {
    pub(super) fn of(zone: Zone<'_>) -> Self {
        let cans = zone.latest_cans();
        let flow = flow(zone);
        let gross = gross_rate(zone, &flow);
        let rate = match cans
            .as_ref()
            .and_then(|(test, said)| Some((test, said, said.rate?)))
        {
            Some((test, said, rate)) => rate_from_cans(zone, test, said, rate, &gross),
            None => gross,
        };
        let uniformity = match &cans {
            Some((_, said)) => {
                let why = Why::UniformityFromCans {
                    cans: said.cans,
                    low: said.low_quarter_cans,
                };
                let warnings = said
                    .warnings
                    .iter()
                    .map(|warning| Why::Warning(warning.to_string()));
                Figure::known(said.du_lq, why).and_all(warnings)
            }
            None => {
                let emission = zone.emission().ok().map(|fact| fact.value);
                let why = Why::UniformityAssumed { emission };
                Figure::known(usual_uniformity(emission), why)
            }
        };
        // Where only the cans are known, what falls on the area is the least that it draws.
        let flow = match (flow.get(), rate.value(), zone.area()) {
            (Err(_), Some(rate), Ok(area)) => Figure::reckon(|| {
                let area = area.value;
                let flow = precipitation::zone_flow(rate, area)?;
                Ok(Figure::known(flow, Why::FlowFromRate { rate, area }))
            }),
            _ => flow,
        };
        Self {
            rate,
            uniformity,
            flow,
        }
    }
}

fn rate_from_cans(
    zone: Zone<'_>,
    test: &Seen<'_, CatchCans>,
    said: &Uniformity,
    rate: InchesPerHour,
    gross: &Figure<InchesPerHour>,
) -> Figure<InchesPerHour> {
    if rate <= InchesPerHour::ZERO {
        return Figure::unknown(Unknown::NoWater);
    }
    let minutes = test
        .value
        .minutes
        .expect("a rate comes of minutes and an opening");
    let mut figure = Figure::known(
        rate,
        Why::RateFromCans {
            cans: said.cans,
            minutes,
        },
    );
    if heads_changed_since(zone, test.by.stamp) {
        figure = figure.and(Why::HeadsChangedSince);
    }
    if let Some(gross) = gross.value()
        && let Ok(Comparison::NetAboveGross(_)) = precipitation::compare(gross, rate)
    {
        figure = figure.and(Why::CansAboveFlow { gross });
    }
    figure
}

fn heads_changed_since(zone: Zone<'_>, test: Stamp) -> bool {
    let settings = [
        &fields::head::ARC,
        &fields::head::RADIUS,
        &fields::head::NOZZLE,
        &fields::head::FLOW,
        &fields::head::HEAD_KIND,
    ];
    let changed = |head: &Head<'_>| {
        let writes = settings.iter().filter_map(|field| head.register(field));
        writes
            .map(|register| register.in_force().stamp)
            .any(|stamp| stamp > test)
    };
    zone.heads().iter().any(changed)
}

/// The least share of what its heads draw together that can be a zone's own flow; a smaller one
/// was caught from a leak. Common practice, no source.
const LEAST_SHARE_OF_HEADS: f64 = 0.2;

/// How far a zone's flow may be off its heads' together before one of them is wrong; common
/// practice, no source.
const OFF_HEADS: f64 = 0.10;

/// What a zone draws, and whether its heads together tell something else.
fn flow(zone: Zone<'_>) -> Figure<Gpm> {
    let figure = flow_said(zone);
    let heads = flow_of_heads(&zone.heads()).value();
    match (figure.value(), heads) {
        (Some(own), Some(heads)) if (own / heads - 1.0).abs() > OFF_HEADS => {
            figure.and(Why::FlowOffHeads { own, heads })
        }
        _ => figure,
    }
}

/// The later of a measured and a recorded flow, else the heads added up.
fn flow_said(zone: Zone<'_>) -> Figure<Gpm> {
    let recorded = zone.flow().ok();
    let heads = flow_of_heads(&zone.heads()).value().map_or(0.0, Gpm::get);
    let is_the_zones = |flow: Gpm| flow.get() >= heads * LEAST_SHARE_OF_HEADS;
    let mut measured = zone.flows().into_iter().rev();
    let measured = measured.find(|measured| is_the_zones(measured.value.0));
    match (measured, recorded) {
        (Some(measured), recorded)
            if recorded
                .as_ref()
                .is_none_or(|fact| fact.stamp <= measured.by.stamp) =>
        {
            Figure::known(measured.value.0, Why::FlowMeasured)
        }
        (_, Some(recorded)) => {
            let versions = recorded
                .two_versions
                .then_some(Why::TwoVersions { field: "flow" });
            Figure::known(recorded.value, Why::FlowRecorded).and_all(versions)
        }
        (_, None) => flow_of_heads(&zone.heads()),
    }
}

fn flow_of_heads(heads: &[Head<'_>]) -> Figure<Gpm> {
    if heads.is_empty() {
        return Figure::unknown(Unknown::NoFlow);
    }
    let flows: Vec<_> = heads.iter().map(|head| (head, head.flow())).collect();
    let lacking = flows.iter().filter(|(_, flow)| flow.is_err());
    let lacking: Vec<String> = lacking.map(|(head, _)| head.address()).collect();
    if lacking.len() == heads.len() {
        return Figure::unknown(Unknown::NoFlow);
    }
    if !lacking.is_empty() {
        return Figure::unknown(Unknown::HeadsLackFlow(lacking));
    }
    let facts: Vec<Fact<Gpm>> = flows
        .into_iter()
        .filter_map(|(_, flow)| flow.ok())
        .collect();
    let versions = facts.iter().any(|fact| fact.two_versions);
    let total = facts.iter().map(|fact| fact.value).sum();
    Figure::known(total, Why::FlowOfHeads { heads: heads.len() })
        .and_all(versions.then_some(Why::TwoVersions { field: "flow" }))
}

/// The rate by flow and area, else by the pattern of the heads.
fn gross_rate(zone: Zone<'_>, flow: &Figure<Gpm>) -> Figure<InchesPerHour> {
    Figure::reckon(|| match (zone.area(), zone.spacing()) {
        (Ok(area), _) => {
            let versions = area
                .two_versions
                .then_some(Why::TwoVersions { field: "area" });
            let rate = rate_on_area(*flow.get()?, area.value)?;
            let why = Why::RateFromFlow {
                flow: *flow.get()?,
                area: area.value,
            };
            Ok(Figure::known(rate, why)
                .and_all(flow.why().iter().cloned())
                .and_all(versions))
        }
        (Err(_), Ok(spacing)) => {
            let heads = pattern(&zone.heads())?;
            let (spacing, rows) = spacing.value;
            let said: HeadsRate = precipitation::heads_rate(&heads, spacing, rows)?;
            if said.rate <= InchesPerHour::ZERO {
                return Err(Unknown::NoWater);
            }
            let why = Why::RateFromPattern {
                heads: heads.len(),
                spacing,
                rows,
            };
            let unmatched = said.matching == precipitation::Matching::Unmatched;
            let warning = unmatched.then(|| {
                Why::Warning(
                    "its heads differ in rate: one run time cannot suit all of it".to_owned(),
                )
            });
            Ok(Figure::known(said.rate, why).and_all(warning))
        }
        (Err(missing), Err(_)) => Err(Unknown::NoArea(missing)),
    })
}

fn rate_on_area(flow: Gpm, area: SquareFeet) -> Result<InchesPerHour, Unknown> {
    let rate = precipitation::zone_rate(flow, area)?;
    if rate <= InchesPerHour::ZERO {
        return Err(Unknown::NoWater);
    }
    Ok(rate)
}

/// The heads with flow and arc, or the names of those that lack one.
fn pattern(heads: &[Head<'_>]) -> Result<Vec<precipitation::Head>, Unknown> {
    flow_of_heads(heads).get()?;
    let lacking = heads.iter().filter(|head| head.arc().is_err());
    let lacking: Vec<String> = lacking.map(|head| head.address()).collect();
    if !lacking.is_empty() {
        return Err(Unknown::HeadsLackArc(lacking));
    }
    let known = heads.iter().filter_map(|head| {
        let (flow, arc) = (head.flow().ok()?.value, head.arc().ok()?.value);
        Some(precipitation::Head { flow, arc })
    });
    Ok(known.collect())
}

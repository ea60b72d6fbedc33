//! What is likely to be the matter with a thing: by what it is, then by what was found on it and
//! around it before. And what has to be looked at while the water runs.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use headwalk_core::site::finding::{FINDINGS, FindingKind};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Finding, Head, Site, Thing};
use headwalk_core::site::words::Emission;

/// What sprays that do not turn are found with, the most frequent first: common practice, no source.
const SPRAY: &[&str] = &[
    "arc-off-overspray",
    "arc-off-dry-edge",
    "nozzle-clogged",
    "head-tilted",
    "head-low",
    "blocked-by-plants",
    "nozzle-worn",
    "nozzle-wrong",
    "radius-long",
    "radius-short",
    "seal-leaking",
    "head-high",
    "head-broken",
    "head-missing",
    "will-not-rise",
    "will-not-retract",
    "low-head-drainage",
    "nozzle-missing",
];
/// What heads that turn are found with.
const ROTOR: &[&str] = &[
    "arc-off-overspray",
    "not-turning",
    "arc-off-dry-edge",
    "head-tilted",
    "head-low",
    "nozzle-clogged",
    "blocked-by-plants",
    "radius-long",
    "radius-short",
    "seal-leaking",
    "nozzle-wrong",
    "nozzle-worn",
    "head-high",
    "head-broken",
    "head-missing",
    "will-not-rise",
    "will-not-retract",
    "low-head-drainage",
    "nozzle-missing",
];
/// What drip is found with.
const DRIP: &[&str] = &[
    "emitter-missing",
    "drip-line-cut",
    "drip-filter-dirty",
    "nozzle-clogged",
];
/// What a zone is found with.
const ZONE: &[&str] = &[
    "pressure-low",
    "pressure-high",
    "spacing-too-wide",
    "mixed-kinds",
    "run-off",
    "lateral-break",
    "run-too-long",
    "run-too-short",
    "wet-area",
    "dry-area",
    "valve-will-not-open",
    "valve-stuck-open",
    "valve-weeping",
    "box-lid-broken",
    "box-buried",
    "splice-wet",
];
/// What a valve is found with.
const VALVE: &[&str] = &[
    "valve-weeping",
    "valve-will-not-open",
    "valve-stuck-open",
    "box-lid-broken",
    "box-buried",
    "splice-wet",
    "wire-open",
    "wire-short",
    "valve-old",
];
/// What a controller is found with.
const CONTROLLER: &[&str] = &[
    "clock-wrong",
    "changed-since-we-left",
    "starts-duplicate",
    "programs-overlap",
    "window-overrun",
    "rain-sensor-bypassed",
    "rain-sensor-failed",
    "wire-open",
    "wire-short",
];
/// What a supply is found with.
const SUPPLY: &[&str] = &[
    "backflow-leaking",
    "backflow-overdue",
    "backflow-cracked",
    "mainline-leak",
    "pressure-low",
    "pressure-high",
];

/// What can be seen only while the water runs: pattern, pressure, rotation, leaks at seals.
const WET: &[&str] = &[
    "arc-off-overspray",
    "arc-off-dry-edge",
    "radius-long",
    "radius-short",
    "nozzle-clogged",
    "nozzle-worn",
    "nozzle-missing",
    "head-missing",
    "will-not-rise",
    "seal-leaking",
    "not-turning",
    "pressure-high",
    "pressure-low",
    "lateral-break",
    "run-off",
    "emitter-missing",
    "drip-line-cut",
    "valve-will-not-open",
    "valve-stuck-open",
    "blocked-by-plants",
];

/// Returns whether a finding can be seen only while the water runs.
pub(super) fn needs_water(kind: &FindingKind) -> bool {
    WET.contains(&kind.word)
}

/// Returns what can be found on a thing, the likeliest first.
pub(super) fn likely(site: &Site<'_>, thing: Thing<'_>) -> Vec<&'static FindingKind> {
    let usual = usual(site, thing);
    let mut before: BTreeMap<&str, usize> = BTreeMap::new();
    // What was found on the thing itself weighs more than what was found around it.
    let mut count = |findings: Vec<Finding<'_>>, weight: usize| {
        for kind in findings.iter().filter_map(|one| one.what().ok()) {
            *before.entry(kind.value.word).or_default() += weight;
        }
    };
    count(site.findings_under(thing.id), 100);
    if let Some(whole) = thing
        .part_of()
        .filter(|_| thing.kind == Some(ThingKind::Head))
    {
        count(site.findings_under(whole), 1);
    }
    let mut kinds: Vec<_> = usual
        .iter()
        .filter_map(|word| FindingKind::of_word(word))
        .collect();
    kinds.sort_by_key(|kind| Reverse(before.get(kind.word).copied().unwrap_or(0)));
    kinds
}

/// Returns what else there is in the table.
pub(super) fn others(listed: &[&'static FindingKind]) -> Vec<&'static FindingKind> {
    let rest = FINDINGS.iter();
    rest.filter(|kind| !listed.iter().any(|one| one.word == kind.word))
        .collect()
}

fn usual(site: &Site<'_>, thing: Thing<'_>) -> &'static [&'static str] {
    match thing.kind {
        Some(ThingKind::Head) => {
            let kind = Head::of(site, thing).and_then(|head| head.head_kind().ok());
            match kind.map(|kind| kind.value) {
                Some(Emission::GearRotor | Emission::Impact | Emission::RotaryStream) => ROTOR,
                Some(Emission::Drip | Emission::Bubbler) => DRIP,
                _ => SPRAY,
            }
        }
        Some(ThingKind::Valve) => VALVE,
        Some(ThingKind::Controller) => CONTROLLER,
        Some(ThingKind::Supply) => SUPPLY,
        _ => ZONE,
    }
}

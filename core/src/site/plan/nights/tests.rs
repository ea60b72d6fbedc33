//! Nights that hold what they promise: in the window, one after the other, soaks kept.

use chrono::{Weekday, WeekdaySet};

use crate::log::id::ThingId;
use crate::site::kind::ThingKind;
use crate::site::plan::tests::{lawn, planned, week};
use crate::site::plan::{AsSet, HouseRules, SitePlan, Unknown, Valves, Why, ZonePlan};
use crate::site::programs::DayRule;
use crate::site::things::tests::Scene;

/// More lawns like the first, each as a zone with a flow of its own.
fn street(zones: u8) -> Scene {
    let mut scene = lawn();
    let root = scene.root();
    for nth in 0..zones {
        let number = (nth + 8).to_string();
        let said = [
            ("number", number.as_str()),
            ("area", "1350"),
            ("plants", "lawn"),
            ("soil", "clay"),
            ("root-depth", "8"),
            ("flow", "22.46"),
        ];
        scene.add(100 + nth, ThingKind::Zone, root, &said);
    }
    scene
}

/// Every cycle lies in the window and on an allowed day, no two overlap, and soaks are kept.
pub(in crate::site::plan) fn check_nights(plan: &SitePlan) {
    let window = plan.window.value().unwrap();
    for day in WeekdaySet::ALL.iter(Weekday::Mon) {
        let mut tonight: Vec<(u32, u32, ThingId, u32)> = Vec::new();
        for zone in &plan.zones {
            let Some(days) = zone.days.value() else {
                continue;
            };
            let DayRule::Weekdays(own) = days.rule else {
                continue;
            };
            let Some(AsSet { soak, .. }) = zone.cycles.value() else {
                assert!(zone.starts.get().is_err());
                continue;
            };
            for start in zone.starts.get().cloned().unwrap_or_default() {
                assert!(start.day.is_none_or(|day| own.contains(day)));
                if own.contains(day) && start.day.is_none_or(|of| of == day) {
                    let opens = u32::from(window.opens.minute_of_day());
                    let at = u32::from(start.at.minute_of_day());
                    let after = (1_440 + at - opens) % 1_440;
                    assert!(after + start.minutes <= window.minutes());
                    tonight.push((after, after + start.minutes, zone.zone, soak));
                }
            }
        }
        tonight.sort_unstable();
        for pair in tonight.windows(2) {
            assert!(pair[0].1 <= pair[1].0, "{day}: {pair:?}");
        }
        for (nth, cycle) in tonight.iter().enumerate() {
            let next = tonight[nth + 1..].iter().find(|next| next.2 == cycle.2);
            assert!(
                next.is_none_or(|next| next.0 >= cycle.1 + cycle.3),
                "{day}: {cycle:?}"
            );
        }
    }
}

#[test]
fn a_few_zones_share_one_night_and_many_are_spread_over_the_week() {
    let few = planned(&street(4), &week(0.8), &HouseRules::default());
    check_nights(&few);
    for zone in &few.zones {
        assert!(
            zone.starts
                .get()
                .unwrap()
                .iter()
                .all(|start| start.day.is_none())
        );
    }
    let many = planned(&street(30), &week(0.8), &HouseRules::default());
    check_nights(&many);
    let spread = many
        .zones
        .iter()
        .filter(|zone| zone.days.why().contains(&Why::NightsDiffer));
    assert!(spread.count() > 20);
    let starts = |zone: &&ZonePlan| zone.starts.get().is_ok_and(|starts| !starts.is_empty());
    let fit = many.zones.iter().filter(starts).count();
    assert!(fit > 20, "{fit} fit");
    let far_too_many = planned(&street(90), &week(0.8), &HouseRules::default());
    check_nights(&far_too_many);
    for zone in &far_too_many.zones {
        assert!(zone.starts.get().is_ok(), "{}", zone.name);
    }
    let lost = far_too_many
        .zones
        .iter()
        .flat_map(|zone| zone.minutes_set.why());
    let lost: Vec<f64> = lost
        .filter_map(|why| match why {
            Why::Shortened { percent, .. } => Some(percent.get()),
            _ => None,
        })
        .collect();
    assert!(lost.len() > 40, "{lost:?}");
    // All lose about the same, and what is left of the water is told as it will be.
    let (least, most) = lost.iter().fold((100.0f64, 0.0f64), |(least, most), lost| {
        (least.min(*lost), most.max(*lost))
    });
    assert!(least > 5.0 && most < 95.0, "{least} to {most}");
    for zone in &far_too_many.zones {
        let (minutes, gallons) = (zone.minutes_set.value(), zone.gallons.value());
        let (minutes, flow) = (minutes.unwrap().get(), zone.flow.value().unwrap().get());
        assert!((gallons.unwrap().get() - minutes * flow).abs() < 1e-6);
        let placed: u32 = zone
            .starts
            .get()
            .unwrap()
            .iter()
            .map(|start| start.minutes)
            .sum();
        assert_eq!(f64::from(placed), minutes, "{}", zone.name);
    }
}

#[test]
fn a_supply_that_carries_two_lets_two_run() {
    let mut scene = street(4);
    scene.add(
        90,
        ThingKind::Supply,
        scene.root(),
        &[("flow-limit", "50gpm")],
    );
    let valves = Valves::AsTheSupplyCarries;
    let rules = HouseRules {
        valves,
        ..HouseRules::default()
    };
    let plan = planned(&scene, &week(0.8), &rules);
    let at = |zone: &ZonePlan| zone.starts.get().unwrap()[0].at;
    assert_eq!(at(&plan.zones[0]), at(&plan.zones[1]));
    // The controller says it itself, and a controller that says no is not overruled.
    scene.note("controller", "zones-together", "yes");
    let by_itself = planned(&scene, &week(0.8), &HouseRules::default());
    assert_eq!(at(&by_itself.zones[0]), at(&by_itself.zones[1]));
    scene.note("controller", "zones-together", "no");
    let one = planned(&scene, &week(0.8), &rules);
    assert_ne!(at(&one.zones[0]), at(&one.zones[1]));
    scene.note("controller", "zones-together", "yes");
    scene.note("supply", "flow-limit", "20gpm");
    let plan = planned(&scene, &week(0.8), &rules);
    assert_eq!(plan.zones[0].starts.get(), Err(Unknown::OverSupply));
}

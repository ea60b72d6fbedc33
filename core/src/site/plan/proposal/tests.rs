//! Programs that a clock can be set to, and nothing wrong with any of them.

use proptest::prelude::*;

use super::*;
use crate::site::kind::ThingKind;
use crate::site::plan::HouseRules;
use crate::site::plan::tests::{lawn, planned, week};
use crate::site::programs::Expected;
use crate::site::things::tests::Scene;

fn proposed(scene: &Scene, rain: f64) -> (SitePlan, Vec<Proposal>) {
    let plan = planned(scene, &week(rain), &HouseRules::default());
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let proposals = propose(&site, &plan);
    (plan, proposals)
}

/// Holds the programs to the dial, the window, the days, the run-off limit and the soaks.
fn check(scene: &Scene, rain: f64) -> Vec<Proposal> {
    let (plan, proposals) = proposed(scene, rain);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    for (proposal, controller) in proposals.iter().zip(site.controllers()) {
        let Ok(set) = proposal.programs.get() else {
            continue;
        };
        let limits = DialLimits::of(&controller);
        assert!(set.programs.len() <= limits.programs);
        let dry = plan.allowed.value().map(|allowed| match allowed {
            Allowed::Weekdays(days) | Allowed::Odd(days) | Allowed::Even(days) => {
                WeekdaySet::ALL.difference(days)
            }
        });
        let faults = set.faults(&Expected {
            window: plan.window.value(),
            dry_days: dry,
            ..Expected::default()
        });
        assert_eq!(faults, [], "{set:?}");
        for program in set.programs.values() {
            assert!(program.starts.len() <= limits.starts as usize);
            for (station, minutes) in &program.run {
                let zone = plan
                    .zones
                    .iter()
                    .find(|zone| zone.station == Some(*station));
                let zone = zone.unwrap();
                assert!(*minutes <= Minutes::new(f64::from(limits.longest_run)));
                if let Ok(RunOffLimit::After(limit)) = zone.run_off.get() {
                    assert!(minutes.get() <= limit.get() + 1e-9, "{minutes} of {limit}");
                }
                let opens = plan.window.value().unwrap().opens.minute_of_day();
                let mut after: Vec<u32> = program
                    .starts
                    .iter()
                    .map(|at| (1_440 + u32::from(at.minute_of_day()) - u32::from(opens)) % 1_440)
                    .collect();
                after.sort_unstable();
                let soak = soak::soak(
                    *minutes,
                    zone.rate.value().unwrap(),
                    zone.intake.value().unwrap(),
                );
                for pair in after.windows(2) {
                    let wait = f64::from(pair[1] - pair[0]) - minutes.get();
                    assert!(wait + 1e-6 >= soak.clone().unwrap().get(), "{set:?}");
                }
            }
        }
    }
    proposals
}

fn zone(scene: &mut Scene, number: u8, plants: &str, soil: &str, area: &str) {
    let root = scene.root();
    let station = number.to_string();
    let said = [
        ("number", station.as_str()),
        ("area", area),
        ("plants", plants),
        ("soil", soil),
        ("flow", "18"),
        ("emission", "spray"),
    ];
    scene.add(100 + number, ThingKind::Zone, root, &said);
}

#[test]
fn zones_of_a_kind_share_a_program_and_get_what_they_need() {
    let mut scene = lawn();
    zone(&mut scene, 1, "lawn", "loam", "1500");
    zone(&mut scene, 2, "lawn", "loam", "1200");
    zone(&mut scene, 3, "shrubs", "loam", "900");
    let proposals = check(&scene, 0.0);
    let [only] = &proposals[..] else {
        panic!("{proposals:?}")
    };
    assert_eq!(only.stations.len(), 4);
    for run in &only.stations {
        let ratio = run.proposed / run.planned;
        assert!((0.999..1.35).contains(&ratio), "{}: {ratio}", run.name);
    }
    let lawns = only.programs.get().unwrap().programs.values();
    let of_one = lawns.filter(|program| program.run.contains_key(&Station::new(1).unwrap()));
    assert!(
        of_one
            .into_iter()
            .all(|program| program.run.contains_key(&Station::new(2).unwrap()))
    );
}

#[test]
fn a_dial_with_one_program_of_one_start_gets_one_that_fits_it() {
    let mut scene = lawn();
    zone(&mut scene, 1, "lawn", "sand", "1500");
    zone(&mut scene, 2, "shrubs", "sand", "1500");
    scene.note("controller", "program-count", "1");
    scene.note("controller", "starts-each", "1");
    let proposals = check(&scene, 0.0);
    let set = proposals[0].programs.get().unwrap();
    assert_eq!(set.programs.len(), 1);
    assert_eq!(set.programs.values().next().unwrap().starts.len(), 1);
}

#[test]
fn a_night_too_short_for_all_shortens_all_and_says_by_how_much() {
    let mut scene = lawn();
    for number in 1..6 {
        zone(&mut scene, number, "lawn", "sand", "9000");
    }
    scene.note("site", "water-window", "from=04:00; to=05:00");
    let proposals = check(&scene, 0.0);
    let short = proposals[0]
        .programs
        .why()
        .iter()
        .find_map(|why| match why {
            Why::DialledShort { percent } => Some(*percent),
            _ => None,
        });
    assert!(short.is_some_and(|percent| percent < 60), "{short:?}");
    assert!(
        proposals[0]
            .stations
            .iter()
            .all(|run| run.proposed < run.planned)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn no_proposal_has_a_fault_of_its_own(
        zones in proptest::collection::vec((0usize..4, 0usize..4, 200u32..6000), 1..9),
        opens in 0u16..1440, length in 45u16..900, days in 1u8..128, programs in 1u8..5, starts in 1u8..6,
    ) {
        let mut scene = lawn();
        for (number, (plants, soil, area)) in (1u8..).zip(&zones) {
            let plants = ["lawn", "shrubs", "annuals", "trees"][*plants];
            let soil = ["sand", "loam", "clay loam", "clay"][*soil];
            let number = if number < 7 { number } else { number + 1 };
            zone(&mut scene, number, plants, soil, &area.to_string());
        }
        let time = |minute: u16| format!("{:02}:{:02}", minute % 1440 / 60, minute % 60);
        let window = format!("from={}; to={}", time(opens), time(opens + length));
        scene.note("site", "water-window", &window);
        let names = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
        let allowed: Vec<_> = (0..7).filter(|bit| days & (1 << bit) != 0).map(|bit| names[bit]).collect();
        scene.note("site", "restriction", &format!("days={}", allowed.join(" ")));
        scene.note("controller", "program-count", &programs.to_string());
        scene.note("controller", "starts-each", &starts.to_string());
        check(&scene, 0.0);
    }
}

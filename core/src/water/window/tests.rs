use proptest::prelude::*;

use super::*;

fn time(hour: u16, minute: u16) -> TimeOfDay {
    TimeOfDay::new(hour * 60 + minute).unwrap()
}

fn window(opens: TimeOfDay, minutes: u32) -> Window {
    Window {
        opens,
        closes: opens.plus(minutes),
    }
}

fn job(cycles: u32, minutes: u32, soak: u32) -> Job {
    Job {
        cycles,
        minutes,
        soak,
        flow: Gpm::new(10.0),
    }
}

/// Two cycles of 10 minutes with 35 to soak, and one of 54.
const SPRAY_AND_ROTOR: [(u32, u32, u32); 2] = [(2, 10, 35), (1, 54, 0)];

fn ends(start: &Start) -> u32 {
    start.after_opening + start.minutes
}

fn spray_and_rotor() -> Vec<Job> {
    SPRAY_AND_ROTOR
        .map(|(cycles, minutes, soak)| job(cycles, minutes, soak))
        .to_vec()
}

#[test]
fn one_zone_runs_while_the_other_soaks() {
    // C-09: spray, rotor, spray: 74 minutes in a window of 80.
    let open = window(time(4, 0), 80);
    let Packing::Fits { starts, finish } =
        pack(&spray_and_rotor(), open, Supply::OneValve).unwrap()
    else {
        panic!("fits only interleaved")
    };
    assert_eq!(finish, 74);
    let order: Vec<_> = starts
        .iter()
        .map(|start| (start.job, start.cycle, start.at))
        .collect();
    assert_eq!(
        order,
        [(0, 1, time(4, 0)), (1, 1, time(4, 10)), (0, 2, time(5, 4))]
    );
}

#[test]
fn what_does_not_fit_says_by_how_much_and_which_zones() {
    let open = window(time(4, 0), 60);
    let Packing::DoesNotFit {
        overrun,
        jobs,
        proof,
        starts,
    } = pack(&spray_and_rotor(), open, Supply::OneValve).unwrap()
    else {
        panic!("74 minutes do not fit 60")
    };
    assert_eq!((overrun, proof), (14, Proof::NoOrderFits));
    assert!(!jobs.is_empty());
    assert!(starts.iter().all(|start| ends(start) <= 60));
}

#[test]
fn a_window_may_cross_midnight() {
    let open = Window {
        opens: time(22, 0),
        closes: time(6, 0),
    };
    assert_eq!(open.minutes(), 480);
    let Packing::Fits { starts, .. } = pack(&[job(2, 90, 30)], open, Supply::OneValve).unwrap()
    else {
        panic!("210 minutes fit 480")
    };
    assert_eq!(
        starts.iter().map(|start| start.at).collect::<Vec<_>>(),
        [time(22, 0), time(0, 0)]
    );
    assert_eq!(
        starts.last().map(|start| start.at.to_string()).as_deref(),
        Some("00:00")
    );
}

#[test]
fn a_supply_that_carries_two_zones_runs_two_together() {
    let zones = [job(1, 30, 0), job(1, 30, 0), job(1, 30, 0)];
    let open = window(time(0, 0), 60);
    let supply = Supply::UpTo(Gpm::new(20.0));
    let Packing::Fits { finish, .. } = pack(&zones, open, supply).unwrap() else {
        panic!("two and one fit an hour")
    };
    assert_eq!(finish, 60);
    let thirsty = pack(&zones, open, Supply::UpTo(Gpm::new(9.0))).unwrap();
    assert_eq!(
        thirsty,
        Packing::OverSupply {
            jobs: vec![0, 1, 2]
        }
    );
}

#[test]
fn nothing_to_run_fits() {
    let open = window(time(4, 0), 1);
    let empty = Packing::Fits {
        starts: vec![],
        finish: 0,
    };
    assert_eq!(pack(&[], open, Supply::OneValve).unwrap(), empty);
    assert_eq!(
        pack(&[job(0, 10, 5)], open, Supply::OneValve).unwrap(),
        empty
    );
}

fn starts_of(packing: Packing) -> Vec<Start> {
    match packing {
        Packing::Fits { starts, .. } | Packing::DoesNotFit { starts, .. } => starts,
        Packing::OverSupply { .. } => vec![],
    }
}

fn jobs() -> impl Strategy<Value = Vec<Job>> {
    let one =
        (0u32..6, 0u32..40, 0u32..90, 1.0..15.0f64).prop_map(|(cycles, minutes, soak, flow)| Job {
            cycles,
            minutes,
            soak,
            flow: Gpm::new(flow),
        });
    proptest::collection::vec(one, 0..9)
}

fn supplies() -> impl Strategy<Value = Supply> {
    prop_oneof![
        Just(Supply::OneValve),
        (10.0..40.0f64).prop_map(|flow| Supply::UpTo(Gpm::new(flow))),
    ]
}

proptest! {
    #[test]
    fn packed_starts_never_overlap_or_leave_the_window(
        jobs in jobs(), opens in 0u16..1440, minutes in 1u32..1440, supply in supplies(),
    ) {
        let open = window(TimeOfDay::new(opens).unwrap(), minutes);
        let starts = starts_of(pack(&jobs, open, supply).unwrap());
        for start in &starts {
            prop_assert!(ends(start) <= open.minutes());
            prop_assert_eq!(start.at, open.opens.plus(start.after_opening));
            let drawn: f64 = starts
                .iter()
                .filter(|other| {
                    other.after_opening <= start.after_opening
                        && ends(other) > start.after_opening
                })
                .map(|other| jobs[other.job].flow.get())
                .sum();
            let together = starts.iter().filter(|other| {
                other.after_opening < ends(start) && ends(other) > start.after_opening
            });
            match supply {
                Supply::OneValve => prop_assert!(start.minutes == 0 || together.count() == 1),
                Supply::UpTo(most) => prop_assert!(drawn <= most.get() * (1.0 + 1e-6)),
            }
        }
    }

    #[test]
    fn every_cycle_is_packed_once_and_soaks_before_the_next(
        jobs in jobs(), supply in supplies(),
    ) {
        let open = window(TimeOfDay::new(0).unwrap(), DAY);
        if let Packing::Fits { starts, finish } = pack(&jobs, open, supply).unwrap() {
            for (index, job) in jobs.iter().enumerate() {
                let own: Vec<&Start> = starts.iter().filter(|start| start.job == index).collect();
                prop_assert_eq!(own.len(), job.cycles as usize);
                for pair in own.windows(2) {
                    prop_assert!(pair[1].after_opening >= ends(pair[0]) + job.soak);
                }
            }
            prop_assert!(f64::from(finish) + 1.0 >= shortest_possible(&jobs, supply));
        }
    }
}

/// The shortest finish of all orders: each order of cycles, every cycle as early as it can be.
fn shortest_of_all(jobs: &[Job]) -> u32 {
    fn go(jobs: &[Job], state: &mut Vec<(u32, u32)>, now: u32, best: &mut u32) {
        if now >= *best {
            return;
        }
        if state.iter().all(|(left, _)| *left == 0) {
            *best = now;
            return;
        }
        for (index, job) in jobs.iter().enumerate() {
            let before = state[index];
            if before.0 == 0 {
                continue;
            }
            let stop = now.max(before.1) + job.minutes;
            state[index] = (before.0 - 1, stop + job.soak);
            go(jobs, state, stop, best);
            state[index] = before;
        }
    }
    let mut best = u32::MAX;
    go(
        jobs,
        &mut jobs.iter().map(|job| (job.cycles, 0)).collect(),
        0,
        &mut best,
    );
    best
}

fn finish(jobs: &[Job]) -> u32 {
    search::last_stop(&search::shortest_found(jobs, Supply::OneValve, 0))
}

#[test]
fn the_zone_with_the_longest_way_to_go_is_started_first() {
    let jobs = [job(1, 16, 0), job(3, 15, 27), job(3, 16, 51)];
    assert_eq!(shortest_of_all(&jobs), 156);
    assert_eq!(finish(&jobs), 156);
}

#[test]
fn moving_a_cycle_finds_what_plain_orders_miss() {
    // Plain orders fill the soaks of the short zone too greedily and need 55 minutes.
    let jobs = [job(2, 17, 0), job(3, 1, 18)];
    assert_eq!((finish(&jobs), shortest_of_all(&jobs)), (39, 39));
}

proptest! {
    #[test]
    fn a_packing_of_three_zones_is_near_the_shortest_there_is(
        zones in proptest::collection::vec((1u32..4, 1u32..25, 0u32..60), 1..4),
    ) {
        let jobs: Vec<Job> =
            zones.iter().map(|(cycles, minutes, soak)| job(*cycles, *minutes, *soak)).collect();
        let (found, shortest) = (finish(&jobs), shortest_of_all(&jobs));
        prop_assert!(found >= shortest);
        prop_assert!(f64::from(found) <= 1.15 * f64::from(shortest), "{found} against {shortest}");
    }
}

//! What is run of jobs that do not all fit: as much as does, and the loss of each.

use super::search;
use super::{Job, OutOfRange, Packing, Start, Supply, Window, check, over, pack};

/// Which jobs lose last when not all of them fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loses {
    /// It gives up water with the others.
    WithTheOthers,
    /// It gives up water only when the others have none left to give.
    Last,
}

/// As much as fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Most {
    /// In order of start.
    pub starts: Vec<Start>,
    /// Minutes from opening to the last stop.
    pub finish: u32,
    /// Each job as it is run, in the order in which they came; the same where it lost nothing.
    pub run: Vec<Job>,
    /// Jobs that draw more than the supply gives, even alone: nothing of them is run.
    pub over_supply: Vec<usize>,
}

/// Returns a packing of as much of the jobs as fits.
///
/// Where all fit it is that of [`pack`]. Where they do not, a job that is too long alone is first
/// cut to the cycles that fit; then all jobs that may lose give up the same share of their
/// minutes, the least that makes room; then minutes that still fit are given back one by one.
/// Only plain orders are tried for the shortened jobs, so a little more might fit.
///
/// # Errors
/// Those of [`pack`].
pub fn pack_most(
    jobs: &[Job],
    loses: impl Fn(usize) -> Loses,
    window: Window,
    supply: Supply,
) -> Result<Most, OutOfRange> {
    check(jobs, supply)?;
    let open = window.minutes();
    let too_thirsty = |job: &Job| match supply {
        Supply::OneValve => false,
        Supply::UpTo(most) => job.cycles > 0 && over(job.flow, most),
    };
    let over_supply = super::with_index(jobs, too_thirsty);
    let mut run: Vec<Job> = jobs.to_vec();
    for job in &mut run {
        if too_thirsty(job) {
            job.cycles = 0;
        }
    }
    if let Packing::Fits { starts, finish } = pack(&run, window, supply)? {
        return Ok(Most {
            starts,
            finish,
            run,
            over_supply,
        });
    }
    let alone: Vec<Job> = run.iter().map(|job| fits_alone(*job, open)).collect();
    let run = give_back(
        shortened(&alone, &loses, open, supply),
        &alone,
        open,
        supply,
    );
    let placed = search::in_the_shortest_order(&run, supply);
    Ok(Most {
        starts: placed.iter().map(|placed| placed.start(window)).collect(),
        finish: search::last_stop(&placed),
        run,
        over_supply,
    })
}

/// A job with no more cycles than fit when it runs alone.
fn fits_alone(job: Job, open: u32) -> Job {
    let minutes = job.minutes.min(open);
    let each = minutes.saturating_add(job.soak).max(1);
    let fit = (open.saturating_add(job.soak)) / each;
    Job {
        cycles: job.cycles.min(fit.max(1)),
        minutes,
        ..job
    }
}

/// The jobs with the largest common share of their minutes that fits.
fn shortened(jobs: &[Job], loses: &impl Fn(usize) -> Loses, open: u32, supply: Supply) -> Vec<Job> {
    let first = |percent: u32| -> Vec<Job> {
        let shares = jobs.iter().enumerate().map(|(at, job)| match loses(at) {
            Loses::WithTheOthers => share_of(*job, percent),
            Loses::Last => *job,
        });
        shares.collect()
    };
    if fits(&first(0), open, supply) {
        return largest(first, open, supply);
    }
    // The others have nothing left to give: all lose.
    let last = |percent: u32| -> Vec<Job> {
        let shares = jobs.iter().enumerate().map(|(at, job)| match loses(at) {
            Loses::WithTheOthers => share_of(*job, 0),
            Loses::Last => share_of(*job, percent),
        });
        shares.collect()
    };
    largest(last, open, supply)
}

/// The largest percent that fits; none of the water always does.
fn largest(jobs: impl Fn(u32) -> Vec<Job>, open: u32, supply: Supply) -> Vec<Job> {
    let (mut fit, mut too_much) = (0, 101);
    while too_much - fit > 1 {
        let middle = u32::midpoint(fit, too_much);
        if fits(&jobs(middle), open, supply) {
            fit = middle;
        } else {
            too_much = middle;
        }
    }
    jobs(fit)
}

/// A share of a job's minutes, in as few cycles of its length as hold it.
fn share_of(job: Job, percent: u32) -> Job {
    let water = u64::from(job.water(job.cycles)) * u64::from(percent) / 100;
    let water = u32::try_from(water).unwrap_or(u32::MAX);
    let cycles = water.div_ceil(job.minutes.max(1));
    Job {
        cycles,
        minutes: water / cycles.max(1),
        ..job
    }
}

/// Gives minutes back to whoever lost most, as long as all still fits.
fn give_back(mut run: Vec<Job>, wanted: &[Job], open: u32, supply: Supply) -> Vec<Job> {
    let mut full = vec![false; run.len()];
    loop {
        let lost = |at: usize, job: &Job| {
            let whole = wanted.get(at).map_or(0, |job| job.water(job.cycles));
            let lost = whole.saturating_sub(job.water(job.cycles));
            (u64::from(lost) * 1_000) / u64::from(whole.max(1))
        };
        let open_jobs = run.iter().enumerate().filter(|(at, job)| {
            let more = wanted
                .get(*at)
                .is_some_and(|whole| job.minutes < whole.minutes);
            job.cycles > 0 && more && full.get(*at) == Some(&false)
        });
        let Some(at) = open_jobs
            .max_by_key(|(at, job)| (lost(*at, job), std::cmp::Reverse(*at)))
            .map(|(at, _)| at)
        else {
            return run;
        };
        let mut other = run.clone();
        if let Some(job) = other.get_mut(at) {
            job.minutes += 1;
        }
        if fits(&other, open, supply) {
            run = other;
        } else if let Some(full) = full.get_mut(at) {
            *full = true;
        }
    }
}

fn fits(jobs: &[Job], open: u32, supply: Supply) -> bool {
    super::shortest_possible(jobs, supply) <= f64::from(open)
        && search::last_stop(&search::in_the_shortest_order(jobs, supply)) <= open
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::units::Gpm;
    use crate::water::window::TimeOfDay;

    fn night(minutes: u16) -> Window {
        Window {
            opens: TimeOfDay::new(0).unwrap(),
            closes: TimeOfDay::new(minutes).unwrap(),
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

    fn water(jobs: &[Job]) -> Vec<u32> {
        jobs.iter().map(|job| job.cycles * job.minutes).collect()
    }

    #[test]
    fn what_fits_is_left_as_it_is() {
        let jobs = [job(2, 10, 35), job(1, 54, 0)];
        let got = pack_most(&jobs, |_| Loses::WithTheOthers, night(80), Supply::OneValve).unwrap();
        assert_eq!((got.run, got.finish), (jobs.to_vec(), 74));
    }

    #[test]
    fn a_zone_that_is_too_long_alone_runs_the_cycles_that_fit() {
        let jobs = [job(8, 6, 110)];
        let got = pack_most(
            &jobs,
            |_| Loses::WithTheOthers,
            night(510),
            Supply::OneValve,
        )
        .unwrap();
        // 4 x 6 min with three soaks of 110 are 354 min; a fifth cycle would end at 470.
        assert_eq!(water(&got.run), [30]);
        assert_eq!(got.finish, 470);
    }

    #[test]
    fn all_give_up_the_same_share_and_those_that_cannot_wait_give_last() {
        let jobs = [job(1, 60, 0), job(1, 60, 0), job(1, 60, 0)];
        let all = pack_most(&jobs, |_| Loses::WithTheOthers, night(90), Supply::OneValve).unwrap();
        assert_eq!(water(&all.run), [30, 30, 30]);
        let first = |at| {
            if at == 0 {
                Loses::Last
            } else {
                Loses::WithTheOthers
            }
        };
        let kept = pack_most(&jobs, first, night(90), Supply::OneValve).unwrap();
        assert_eq!(water(&kept.run), [60, 15, 15]);
        let short = pack_most(&jobs, first, night(45), Supply::OneValve).unwrap();
        assert_eq!(water(&short.run), [45, 0, 0]);
    }

    #[test]
    fn what_draws_more_than_the_supply_gives_is_told_and_not_run() {
        let jobs = [
            job(1, 60, 0),
            Job {
                flow: Gpm::new(50.0),
                ..job(1, 60, 0)
            },
        ];
        let supply = Supply::UpTo(Gpm::new(20.0));
        let got = pack_most(&jobs, |_| Loses::WithTheOthers, night(90), supply).unwrap();
        assert_eq!((got.over_supply, water(&got.run)), (vec![1], vec![60, 0]));
    }

    proptest! {
        #[test]
        fn what_is_run_lies_in_the_window_keeps_its_soaks_and_is_no_more_than_was_asked(
            jobs in proptest::collection::vec((0u32..6, 1u32..60, 0u32..60, 1.0..30.0f64), 1..8),
            open in 10u16..400, together in any::<bool>(), last in 0usize..8,
        ) {
            let jobs: Vec<Job> = jobs
                .iter()
                .map(|&(cycles, minutes, soak, flow)| Job { flow: Gpm::new(flow), ..job(cycles, minutes, soak) })
                .collect();
            let supply = if together { Supply::UpTo(Gpm::new(40.0)) } else { Supply::OneValve };
            let loses = |at| if at == last { Loses::Last } else { Loses::WithTheOthers };
            let got = pack_most(&jobs, loses, night(open), supply).unwrap();
            prop_assert!(got.finish <= u32::from(open));
            for (at, (run, asked)) in got.run.iter().zip(&jobs).enumerate() {
                prop_assert!(run.cycles * run.minutes <= asked.cycles * asked.minutes);
                prop_assert!(run.minutes <= asked.minutes);
                let own: Vec<_> = got.starts.iter().filter(|start| start.job == at).collect();
                prop_assert_eq!(own.len(), run.cycles as usize);
                for pair in own.windows(2) {
                    let stop = pair[0].after_opening + pair[0].minutes;
                    prop_assert!(pair[1].after_opening >= stop + run.soak);
                }
            }
            for start in &got.starts {
                let now = start.after_opening;
                let running = got.starts.iter().filter(|other| {
                    other.after_opening <= now && other.after_opening + other.minutes > now
                });
                let drawn: f64 = running.clone().map(|other| jobs[other.job].flow.get()).sum();
                match supply {
                    Supply::OneValve => prop_assert_eq!(running.count(), 1),
                    Supply::UpTo(most) => prop_assert!(drawn <= most.get() + 1e-6),
                }
            }
        }
    }
}

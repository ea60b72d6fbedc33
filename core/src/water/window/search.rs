//! The search for a packing that fits: plain orders first, then moves of single cycles.

use std::cmp::Reverse;

use super::{Gpm, Job, Start, Supply, Window, over};

/// One cycle in its place, minutes after the window opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Placed {
    pub(super) job: usize,
    /// From 1.
    pub(super) cycle: u32,
    pub(super) from: u32,
    pub(super) to: u32,
}

impl Placed {
    /// Tells the cycle by the clock.
    pub(super) fn start(&self, window: Window) -> Start {
        Start {
            job: self.job,
            cycle: self.cycle,
            after_opening: self.from,
            minutes: self.to - self.from,
            at: window.opens.plus(self.from),
        }
    }
}

pub(super) fn last_stop(placed: &[Placed]) -> u32 {
    placed.iter().map(|cycle| cycle.to).max().unwrap_or(0)
}

/// How many moved sequences are tried at most for so many cycles.
///
/// Placing n cycles takes up to n³ steps, so larger sites get fewer tries, and above 669 cycles none:
/// about half a second for 48 zones of three cycles, unoptimised.
fn moves_at_most(cycles: usize) -> u64 {
    let steps = (cycles as u64).pow(3).max(1);
    (300_000_000 / steps).min(3_000)
}

/// Returns the shortest packing found, in order of start; no longer sought once it is `enough`.
pub(super) fn shortest_found(jobs: &[Job], supply: Supply, enough: u32) -> Vec<Placed> {
    let best = in_the_shortest_order(jobs, supply);
    let mut best = moved_about(jobs, supply, enough, best);
    best.sort_by_key(|cycle| (cycle.from, cycle.job, cycle.cycle));
    best
}

/// Returns the shortest packing that a plain order gives, in order of start.
pub(super) fn in_the_shortest_order(jobs: &[Job], supply: Supply) -> Vec<Placed> {
    let mut best = ORDERS
        .iter()
        .map(|order| in_order(jobs, supply, *order))
        .min_by_key(|placed| last_stop(placed))
        .unwrap_or_default();
    best.sort_by_key(|cycle| (cycle.from, cycle.job, cycle.cycle));
    best
}

/// Takes one cycle at a time out of the sequence and puts it elsewhere, keeping what is shorter,
/// until it is enough or no move helps.
fn moved_about(jobs: &[Job], supply: Supply, enough: u32, start: Vec<Placed>) -> Vec<Placed> {
    let mut best = start;
    let mut sequence: Vec<usize> = best.iter().map(|cycle| cycle.job).collect();
    let mut moves = moves_at_most(sequence.len());
    let mut helped = true;
    while helped {
        helped = false;
        for from in 0..sequence.len() {
            for to in 0..sequence.len() {
                if moves == 0 || last_stop(&best) <= enough {
                    return best;
                }
                let mut other = sequence.clone();
                let job = other.remove(from);
                other.insert(to, job);
                if other == sequence {
                    continue;
                }
                moves -= 1;
                let found = as_early_as_can_be(jobs, supply, &other);
                if last_stop(&found) < last_stop(&best) {
                    (best, sequence, helped) = (found, other, true);
                }
            }
        }
    }
    best
}

/// Places the cycles of a sequence one after the other, each in the first gap that can hold it.
fn as_early_as_can_be(jobs: &[Job], supply: Supply, sequence: &[usize]) -> Vec<Placed> {
    let mut progress = Progress::of(jobs);
    let mut placed: Vec<Placed> = Vec::with_capacity(sequence.len());
    for index in sequence {
        let (Some(job), Some(state)) = (jobs.get(*index), progress.get_mut(*index)) else {
            continue;
        };
        let later = placed
            .iter()
            .map(|cycle| cycle.to)
            .filter(|stop| *stop > state.ready_at);
        let mut moments: Vec<u32> = std::iter::once(state.ready_at).chain(later).collect();
        moments.sort_unstable();
        let from = moments
            .into_iter()
            .find(|from| carries(jobs, supply, &placed, *index, *from))
            .expect("after the last stop there is room");
        placed.push(state.place(*index, job, from));
    }
    placed
}

/// Whether the supply can carry a job's cycle from a moment on, beside what is placed.
fn carries(jobs: &[Job], supply: Supply, placed: &[Placed], index: usize, from: u32) -> bool {
    let Some(job) = jobs.get(index) else {
        return false;
    };
    let to = from + job.minutes;
    let beside = || {
        placed
            .iter()
            .filter(|other| other.from < to && other.to > from)
    };
    let Supply::UpTo(most) = supply else {
        return beside().next().is_none();
    };
    // The flow is highest at the cycle's own start or at a start within it.
    let moments = std::iter::once(from).chain(beside().map(|other| other.from.max(from)));
    let mut highest = moments.map(|now| {
        let running = beside().filter(|other| other.from <= now && other.to > now);
        running
            .filter_map(|other| jobs.get(other.job))
            .map(|other| other.flow)
            .sum::<Gpm>()
    });
    highest.all(|drawn| !over(drawn + job.flow, most))
}

/// What the zones are ranked by.
#[derive(Clone, Copy)]
enum Order {
    /// The one that would take longest alone for what it has left.
    LongestLeft,
    /// The one with the most cycles left.
    MostCyclesLeft,
    /// The one with the longest cycle.
    LongestCycle,
    /// The one with the shortest cycle: others' soaks are filled with small pieces.
    ShortestCycle,
    /// As listed.
    AsListed,
}

const ORDERS: [Order; 5] = [
    Order::LongestLeft,
    Order::MostCyclesLeft,
    Order::LongestCycle,
    Order::ShortestCycle,
    Order::AsListed,
];

/// A job while it is being packed.
struct Progress {
    left: u32,
    ready_at: u32,
}

impl Progress {
    fn of(jobs: &[Job]) -> Vec<Self> {
        jobs.iter()
            .map(|job| Self {
                left: job.cycles,
                ready_at: 0,
            })
            .collect()
    }

    /// Takes the next cycle and starts it.
    fn place(&mut self, index: usize, job: &Job, from: u32) -> Placed {
        let cycle = job.cycles - self.left + 1;
        let to = from + job.minutes;
        self.left -= 1;
        self.ready_at = to + job.soak;
        Placed {
            job: index,
            cycle,
            from,
            to,
        }
    }
}

/// Starts, at each moment when something may change, whatever is ready and the supply can carry.
fn in_order(jobs: &[Job], supply: Supply, order: Order) -> Vec<Placed> {
    let mut progress = Progress::of(jobs);
    let mut placed: Vec<Placed> = Vec::new();
    let mut now = 0;
    while progress.iter().any(|job| job.left > 0) {
        let ready = (0..jobs.len())
            .filter(|index| {
                let state = progress.get(*index);
                state.is_some_and(|state| state.left > 0 && state.ready_at <= now)
            })
            .filter(|index| carries(jobs, supply, &placed, *index, now))
            .max_by_key(|index| rank(jobs, &progress, *index, order));
        if let Some(index) = ready {
            if let (Some(job), Some(state)) = (jobs.get(index), progress.get_mut(index)) {
                placed.push(state.place(index, job, now));
            }
            continue;
        }
        let stops = placed.iter().map(|cycle| cycle.to);
        let soaks = progress
            .iter()
            .filter(|job| job.left > 0)
            .map(|job| job.ready_at);
        let later = stops.chain(soaks).filter(|time| *time > now).min();
        now = later.expect("what is left waits for a stop or a soak");
    }
    placed
}

/// The highest goes first; of two alike, the one listed first.
fn rank(jobs: &[Job], progress: &[Progress], index: usize, order: Order) -> (u32, Reverse<usize>) {
    let both = jobs.get(index).zip(progress.get(index));
    let by_order = both.map_or(0, |(job, state)| match order {
        Order::LongestLeft => job.alone(state.left),
        Order::MostCyclesLeft => state.left,
        Order::LongestCycle => job.minutes,
        Order::ShortestCycle => u32::MAX - job.minutes,
        Order::AsListed => 0,
    });
    (by_order, Reverse(index))
}

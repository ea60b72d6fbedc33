//! Packing: when each cycle of each zone starts, so that all of them fit the hours when water may
//! run.
//!
//! [`pack`] is the entry point; [`pack_most`] runs as much as fits where not all does. While one zone soaks, others run. A zone never overlaps itself, the
//! soak between its cycles is never cut short, and nothing runs outside the window.
//!
//! Finding the shortest packing is a hard problem. A few plain orders are tried; where none fits,
//! cycles are moved about for as long as that helps. So "does not fit" says whether no order can
//! fit, or none was found.
//!
//! ```
//! use headwalk_core::water::units::Gpm;
//! use headwalk_core::water::window::{Job, Packing, Supply, TimeOfDay, Window, pack};
//!
//! let spray = Job { cycles: 2, minutes: 10, soak: 35, flow: Gpm::new(12.0) };
//! let rotor = Job { cycles: 1, minutes: 54, soak: 0, flow: Gpm::new(9.0) };
//! let night = Window { opens: TimeOfDay::new(240)?, closes: TimeOfDay::new(320)? };
//! let packing = pack(&[spray, rotor], night, Supply::OneValve)?;
//! assert!(matches!(packing, Packing::Fits { finish: 74, .. }));
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```

mod most;
mod search;

pub use self::most::{Loses, Most, pack_most};

use self::search::Placed;
use super::units::{Allowed, Gpm, OutOfRange};

/// A time of day, minutes after midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TimeOfDay(u16);

/// Minutes in a day.
const DAY: u32 = 24 * 60;

impl TimeOfDay {
    /// Takes 0 to 1439.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `minute_of_day`.
    pub fn new(minute_of_day: u16) -> Result<Self, OutOfRange> {
        Allowed::Between(0.0, 1_439.0).check("minute_of_day", f64::from(minute_of_day))?;
        Ok(Self(minute_of_day))
    }

    /// Returns the minutes after midnight.
    #[must_use]
    pub const fn minute_of_day(self) -> u16 {
        self.0
    }

    /// Returns the time so many minutes later, past midnight if need be.
    #[must_use]
    pub fn plus(self, minutes: u32) -> Self {
        let later = (u32::from(self.0) + minutes % DAY) % DAY;
        Self(u16::try_from(later).expect("less than a day"))
    }
}

impl std::fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:02}:{:02}", self.0 / 60, self.0 % 60)
    }
}

/// The hours when water may run; past midnight when it closes before it opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First minute.
    pub opens: TimeOfDay,
    /// The minute by which all is off. The same as `opens` means the whole day.
    pub closes: TimeOfDay,
}

impl Window {
    /// Returns how long it is, in minutes, 1 to 1,440.
    #[must_use]
    pub fn minutes(self) -> u32 {
        let (opens, closes) = (u32::from(self.opens.0), u32::from(self.closes.0));
        if closes > opens {
            closes - opens
        } else {
            DAY + closes - opens
        }
    }
}

/// What one zone has to run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Job {
    /// How many cycles.
    pub cycles: u32,
    /// Whole minutes each.
    pub minutes: u32,
    /// Least wait between two of them.
    pub soak: u32,
    /// What the zone draws.
    pub flow: Gpm,
}

impl Job {
    /// Minutes of water.
    const fn water(&self, cycles: u32) -> u32 {
        cycles.saturating_mul(self.minutes)
    }

    /// Minutes from first start to last stop, were it alone.
    const fn alone(&self, cycles: u32) -> u32 {
        let waits = cycles.saturating_sub(1).saturating_mul(self.soak);
        self.water(cycles).saturating_add(waits)
    }
}

/// How many zones may run together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Supply {
    /// One valve at a time.
    OneValve,
    /// As many as draw no more than this together.
    UpTo(Gpm),
}

/// One cycle with its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Start {
    /// Which job, by its place in the list, from 0.
    pub job: usize,
    /// Which of its cycles, from 1.
    pub cycle: u32,
    /// Minutes after the window opens.
    pub after_opening: u32,
    /// Minutes it runs.
    pub minutes: u32,
    /// The time of day.
    pub at: TimeOfDay,
}

/// Whether and how the jobs fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Packing {
    /// They do.
    Fits {
        /// In order of start.
        starts: Vec<Start>,
        /// Minutes from opening to the last stop.
        finish: u32,
    },
    /// They do not.
    DoesNotFit {
        /// What does fit in the best order found, in order of start.
        starts: Vec<Start>,
        /// Minutes by which the best order found runs over.
        overrun: u32,
        /// Jobs with a cycle that would end outside the window.
        jobs: Vec<usize>,
        /// Whether that is certain.
        proof: Proof,
    },
    /// These jobs draw more than the supply gives, even alone.
    OverSupply {
        /// Which.
        jobs: Vec<usize>,
    },
}

/// How sure "does not fit" is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Proof {
    /// No order can fit: one zone alone, or the water all of them need, takes longer.
    NoOrderFits,
    /// None was found among those tried.
    NoneFound,
}

/// Returns when each cycle starts.
///
/// # Errors
/// [`OutOfRange`] naming `minutes` above a day's 1,440 for one job with its soaks left out,
/// `cycles` above 1,440 for all jobs together, `flow_gpm` or `supply_gpm` below zero or not finite.
pub fn pack(jobs: &[Job], window: Window, supply: Supply) -> Result<Packing, OutOfRange> {
    check(jobs, supply)?;
    if let Supply::UpTo(most) = supply {
        let thirsty = with_index(jobs, |job| job.cycles > 0 && over(job.flow, most));
        if !thirsty.is_empty() {
            return Ok(Packing::OverSupply { jobs: thirsty });
        }
    }
    let open = window.minutes();
    let found = search::shortest_found(jobs, supply, open);
    let finish = search::last_stop(&found);
    if finish <= open {
        return Ok(Packing::Fits {
            starts: found.iter().map(|placed| placed.start(window)).collect(),
            finish,
        });
    }
    let (inside, outside): (Vec<Placed>, Vec<Placed>) =
        found.into_iter().partition(|placed| placed.to <= open);
    let late = |job: usize| outside.iter().any(|placed| placed.job == job);
    Ok(Packing::DoesNotFit {
        starts: inside.iter().map(|placed| placed.start(window)).collect(),
        overrun: finish - open,
        jobs: (0..jobs.len()).filter(|job| late(*job)).collect(),
        proof: if shortest_possible(jobs, supply) > f64::from(open) {
            Proof::NoOrderFits
        } else {
            Proof::NoneFound
        },
    })
}

fn check(jobs: &[Job], supply: Supply) -> Result<(), OutOfRange> {
    let day = Allowed::Between(0.0, f64::from(DAY));
    let cycles: f64 = jobs.iter().map(|job| f64::from(job.cycles)).sum();
    day.check("cycles", cycles)?;
    for job in jobs {
        day.check("minutes", f64::from(job.water(job.cycles)))?;
        Allowed::Between(0.0, 7.0 * f64::from(DAY)).check("soak_minutes", f64::from(job.soak))?;
        Allowed::ZeroOrMore.check("flow_gpm", job.flow.get())?;
    }
    if let Supply::UpTo(most) = supply {
        Allowed::AboveZero.check("supply_gpm", most.get())?;
    }
    Ok(())
}

/// Lets flows that add up to the supply but for rounding run together.
fn over(flow: Gpm, most: Gpm) -> bool {
    flow.get() > most.get() * (1.0 + 1e-9)
}

fn with_index(jobs: &[Job], which: impl Fn(&Job) -> bool) -> Vec<usize> {
    (0..)
        .zip(jobs)
        .filter(|(_, job)| which(job))
        .map(|(index, _)| index)
        .collect()
}

/// No packing is shorter than the longest job alone, nor than all the water the supply must pass.
fn shortest_possible(jobs: &[Job], supply: Supply) -> f64 {
    let alone = jobs
        .iter()
        .map(|job| job.alone(job.cycles))
        .max()
        .unwrap_or(0);
    let water = jobs.iter().map(|job| f64::from(job.water(job.cycles)));
    let all = match supply {
        Supply::OneValve => water.sum::<f64>(),
        Supply::UpTo(most) => {
            water
                .zip(jobs)
                .map(|(minutes, job)| minutes * (job.flow / most))
                .sum::<f64>()
                * 0.999_999
        }
    };
    f64::from(alone).max(all)
}

#[cfg(test)]
mod tests;

//! The maths of the trade: numbers with units in, numbers with units out. It reads no clock, no
//! file and no store, and knows no other part of this crate.
//!
//! Every formula names its source beside it, and the checks are in `fixtures/tables/`. What a
//! function cannot answer is an [`units::OutOfRange`] naming the field, never a number that is not
//! one; what it had to assume or would warn of is in its result.

pub mod units;

pub mod et;
pub mod plant;
pub mod soil;

pub mod plane;

pub mod coverage;
pub mod head_change;
pub mod kerb;
pub mod precipitation;
pub mod uniformity;

pub mod balance;
pub mod budget;
pub mod rain;
pub mod runtime;
pub mod soak;

pub mod learn;
pub mod season;

pub mod schedule;
pub mod window;

pub mod evidence;

pub mod hydraulics;
pub mod leak;
pub mod network;
pub mod pipe;
pub mod wear;

#[cfg(test)]
mod tables;

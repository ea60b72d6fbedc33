//! The core of Headwalk: one log, one merge, one protocol, pure maths.
//!
//! Every site has a logbook: a set of entries that are never edited and never deleted. What a
//! site is today is a fold over that set; what its controller should run is a pure function of
//! that state and the recorded weather. This crate never asks the time, rolls dice, opens a
//! socket or starts a thread: whoever calls it brings those.

pub mod exchange;
pub mod log;
pub mod merge;
pub mod site;
pub mod store;
pub mod water;

//! The maths of the trade: numbers with units in, numbers with units out. It reads no clock, no
//! file and no store, and knows no other part of this crate.
//!
//! Every formula names its source beside it, and the checks are in `fixtures/tables/`.

pub mod units;

//! The office at the hub: the day's end as the log has it, kept ready from one request to the next,
//! and the decisions that are taken in it.

mod digests;

pub use digests::Digests;

//! The trade's things: what the numbered fields of a logbook mean, and what follows from them.
//!
//! The log keeps numbers and values; this module says that field 256 of a zone is its area, that
//! an area is a quantity in square feet or square metres, what is usual and what is impossible.
//! It knows the log's values, the merge's state and the maths of water; it never knows where
//! entries are kept or how they travel. Start at [`fields`], the one table of all that can be
//! written down.

pub mod apart;
pub mod client_page;
pub mod company;
pub mod day_end;
pub mod estimate;
pub mod evidence;
pub mod fields;
pub mod finding;
pub mod kerb;
pub mod kind;
pub mod lives;
pub mod map;
pub mod measure;
pub mod money;
pub mod papers;
pub mod photo;
pub mod picture;
pub mod plan;
pub mod programs;
pub mod sight;
pub mod supply_sheet;
pub mod things;
pub mod time_of_day;
pub mod timeline;
pub mod unit;
pub mod visit;
pub mod weather;
pub mod words;

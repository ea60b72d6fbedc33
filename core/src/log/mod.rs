//! The log: ids, stamps, entries and their bytes.
//!
//! An [`entry::Entry`] is one action by one person on one device: a short list of changes that
//! land together or not at all. This module knows bytes and time; it never stores anything and
//! never decides which of two writes is in force. Start at [`entry`].

pub(crate) mod brief;
pub mod chain;
pub mod codec;
pub mod columns;
mod decimals;
pub mod entry;
pub mod id;
mod lanes;
pub mod raws;
pub mod seal;
pub(crate) mod shapes;
pub mod sheaf;
pub mod stamp;
pub mod terse;
pub mod value;
pub mod vector;
pub mod view;
pub mod walk;
pub mod written;

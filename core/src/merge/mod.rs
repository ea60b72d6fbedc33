//! The merge: which write of a field is in force, and what a logbook says at any moment.
//!
//! The rule: a write that another write saw is never in force; among the writes that nobody saw,
//! the one with the latest stamp is, ties by chain and place. The result depends on the set of
//! entries alone, never on the order in which they came. This module knows entries; it never
//! stores them and does not know what a field means. Start at [`register::Register`].

pub(crate) mod balance;
pub mod branches;
pub(crate) mod bundle;
pub(crate) mod fold;
mod gathered;
pub(crate) mod history;
pub mod knowledge;
pub(crate) mod lately;
pub(crate) mod pieces;
mod pile;
pub mod register;
pub mod replay;
mod seen;
mod state;
pub(crate) mod stretch;

#[cfg(test)]
pub(crate) mod crews;

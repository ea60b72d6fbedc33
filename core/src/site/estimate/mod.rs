//! Estimates: findings as lines with prices, and what the client says to each.
//!
//! The firm's prices are things of its logbook ([`PriceBook`]). [`propose`] makes lines of findings
//! by them, and says what has no price yet. [`quote`] writes an estimate into the site's logbook:
//! its lines carry their prices, so that a later change of the book changes no quote. [`answer`] and
//! [`withdraw`] write what happens to it; [`Site::estimates`] reads it.
//!
//! **The rule of rounding.** Each line stands by itself: parts are rounded to the cent at each price
//! times its count, labour once, tax once on the line; half a cent goes up. An estimate's sums are
//! the sums of its lines, so whatever lines a client picks add up to the cent.

mod book;
mod lines;
mod proposal;
mod view;
mod write;

pub use book::{BookPart, NoPrice, PriceBook, Work};
pub use lines::{PartLine, Quoted};
pub use proposal::{Draft, Gap, MinutesFrom, Proposal, propose};
pub use view::{Answer, Decision, Estimate, Line, Standing, Totals};
pub use write::{AnswerRefused, answer, quote, schedule, withdraw};

use super::words::vocabularies;

vocabularies! {
    /// What tax is put on.
    TaxOn {
        /// Parts only.
        Parts = "parts",
        /// Parts, labour and charges.
        All = "all" | "everything",
    }
}

#[cfg(test)]
mod tests;

//! A figure with its reasons, or the reason why there is none.

use super::{Unknown, Why};
use crate::water::units::Gallons;

/// A figure that never comes without its why.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure<T> {
    value: Result<T, Unknown>,
    // Never empty where the value is known.
    why: Vec<Why>,
}

impl<T> Figure<T> {
    /// Makes a figure with its first reason.
    #[must_use]
    pub fn known(value: T, why: Why) -> Self {
        Self {
            value: Ok(value),
            why: vec![why],
        }
    }

    /// Makes a figure that cannot be reckoned.
    #[must_use]
    pub const fn unknown(reason: Unknown) -> Self {
        Self {
            value: Err(reason),
            why: Vec::new(),
        }
    }

    /// Adds a reason.
    #[must_use]
    pub fn and(mut self, why: Why) -> Self {
        self.why.push(why);
        self
    }

    /// Adds reasons.
    #[must_use]
    pub fn and_all(mut self, why: impl IntoIterator<Item = Why>) -> Self {
        self.why.extend(why);
        self
    }

    /// Makes another figure of it for the same reasons.
    #[must_use]
    pub(super) fn map<U>(self, to: impl FnOnce(T) -> U) -> Figure<U> {
        Figure {
            value: self.value.map(to),
            why: self.why,
        }
    }

    /// Returns the value.
    ///
    /// # Errors
    /// [`Unknown`], where it cannot be reckoned.
    pub fn get(&self) -> Result<&T, Unknown> {
        self.value.as_ref().map_err(Clone::clone)
    }

    /// Returns the reasons, the main one first. One that is unknown has its reason in
    /// [`Figure::get`]'s error, and here what else there is to say.
    #[must_use]
    pub fn why(&self) -> &[Why] {
        &self.why
    }

    /// Returns the figure that a calculation gives, or the unknown that it met.
    pub(super) fn reckon(work: impl FnOnce() -> Result<Self, Unknown>) -> Self {
        work().unwrap_or_else(Self::unknown)
    }
}

impl<T: Copy> Figure<T> {
    /// Returns the value, if it is known.
    #[must_use]
    pub fn value(&self) -> Option<T> {
        self.value.as_ref().ok().copied()
    }
}

/// Adds up a week's water; unknown as soon as one zone's is, for half a sum would mislead.
pub(super) fn sum<'f>(
    zones: impl Iterator<Item = (&'f str, &'f Figure<Gallons>)>,
) -> Figure<Gallons> {
    let mut total = Gallons::ZERO;
    let mut count = 0;
    for (name, gallons) in zones {
        match gallons.get() {
            Ok(gallons) => total = total + *gallons,
            Err(reason) => {
                return Figure::unknown(Unknown::OfZone {
                    zone: name.to_owned(),
                    reason: Box::new(reason),
                });
            }
        }
        count += 1;
    }
    if count == 0 {
        return Figure::unknown(Unknown::NoZones);
    }
    Figure::known(total, Why::SumOfZones { count })
}

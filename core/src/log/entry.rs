//! Entries: one action by one person on one device.

use super::chain::{Mark, Tip};
use super::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use super::stamp::Stamp;
use super::value::{HowKnown, Value};

/// One action: changes that land together or not at all. Never edited, never deleted.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The logbook it belongs to.
    pub logbook: LogbookId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// Its number among that device's entries in this logbook.
    pub seq: Seq,
    /// The device's chain before it.
    pub prev: Tip,
    /// When, by that device's clock.
    pub stamp: Stamp,
    /// Minutes east of UTC where the device was.
    pub utc_offset_min: i16,
    /// The person, as the crew calls them.
    pub by: String,
    /// The visit during which it was written.
    pub visit: Option<ThingId>,
    /// What the device came to hold of other devices' entries in this logbook since its own entry
    /// before this one: the last entry of each chain that grew, in order. Summed over its entries
    /// this says all that it knew when it wrote.
    pub gained: Vec<Mark>,
    /// What changed, in order.
    pub changes: Vec<Change>,
}

/// One change of an entry.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A field that can be corrected takes a value.
    Set {
        /// Whose field.
        thing: ThingId,
        /// Which field.
        field: FieldNumber,
        /// What it now holds.
        value: Value,
        /// How that is known.
        how: HowKnown,
    },
    /// Something was measured or seen at this moment. Accumulates, never conflicts.
    Observe {
        /// What was looked at.
        thing: ThingId,
        /// What kind of observation.
        what: ObservationNumber,
        /// What was seen.
        value: Value,
        /// How that is known.
        how: HowKnown,
    },
    /// A hub's receipt for an entry whose own stamp cannot be believed: every store orders that
    /// entry by this stamp instead. Of several receipts for one entry the earliest stamp counts.
    Receipt {
        /// Which entry of this logbook.
        of: Mark,
        /// The stamp that orders it.
        stamp: Stamp,
    },
    /// A hub's word that an entry does not count: it came after its device's access had been taken
    /// back. Every store holds it, and shows that it is held back.
    HoldBack {
        /// Which entry of this logbook.
        of: Mark,
    },
    /// A dispatcher's word that an entry that was held back counts after all. Final.
    Admit {
        /// Which entry of this logbook.
        of: Mark,
    },
    /// A kind of change that this version does not know, kept as it came.
    Unknown {
        /// The kind's number.
        kind: u8,
        /// Its bytes.
        body: Vec<u8>,
    },
}

impl Change {
    /// Returns the thing that the change is about, if it is about one.
    pub fn thing(&self) -> Option<ThingId> {
        match self {
            Self::Set { thing, .. } | Self::Observe { thing, .. } => Some(*thing),
            Self::Receipt { .. }
            | Self::HoldBack { .. }
            | Self::Admit { .. }
            | Self::Unknown { .. } => None,
        }
    }

    /// Returns the entry that the change is about, if it is about one.
    pub const fn of(&self) -> Option<Mark> {
        match self {
            Self::Receipt { of, .. } | Self::HoldBack { of } | Self::Admit { of } => Some(*of),
            Self::Set { .. } | Self::Observe { .. } | Self::Unknown { .. } => None,
        }
    }
}

/// An action that has not been given its place, time and knowledge yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The logbook it belongs to.
    pub logbook: LogbookId,
    /// The person, as the crew calls them.
    pub by: String,
    /// Minutes east of UTC where the device is.
    pub utc_offset_min: i16,
    /// The visit during which it is written.
    pub visit: Option<ThingId>,
    /// What changes.
    pub changes: Vec<Change>,
}

//! Who, which and where: ids as types, so that one cannot be passed for another.

use core::fmt;
use core::str::FromStr;

use uuid::Uuid;

/// Text that is not an id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not {kind}: expected 32 hexadecimal digits, with or without hyphens")]
pub struct NotAnId {
    /// What was given.
    pub text: String,
    /// Which id was wanted, with its article.
    pub kind: &'static str,
}

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident, $kind:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name([u8; 16]);

        impl $name {
            /// Makes the id from its 16 bytes.
            pub const fn from_bytes(bytes: [u8; 16]) -> Self {
                Self(bytes)
            }

            /// Makes a fresh id that sorts by the moment it was made: 48 bits of wall time, then
            /// chance (UUID version 7, RFC 9562). Core has neither clock nor chance, so both are
            /// given.
            pub fn fresh(wall_ms: u64, chance: [u8; 10]) -> Self {
                let uuid = uuid::Builder::from_unix_timestamp_millis(wall_ms, &chance);
                Self(uuid.into_uuid().into_bytes())
            }

            /// Returns the 16 bytes.
            pub const fn bytes(&self) -> &[u8; 16] {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                Uuid::from_bytes(self.0).hyphenated().fmt(f)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({self})", stringify!($name))
            }
        }

        impl FromStr for $name {
            type Err = NotAnId;

            fn from_str(text: &str) -> Result<Self, NotAnId> {
                Uuid::try_parse(text)
                    .map(|uuid| Self(uuid.into_bytes()))
                    .map_err(|_| NotAnId { text: text.to_owned(), kind: $kind })
            }
        }
    )*};
}

ids! {
    /// One logbook: of a site, of the company, or of a weather station.
    LogbookId, "a logbook id";
    /// One device's life between two installs or restores. A tablet may own several in its life.
    DeviceId, "a device id";
    /// One chain of entries in a logbook: a device's own, or a branch of it where the store of that
    /// device was copied or put back.
    ChainId, "a chain id";
    /// Anything a field can belong to: a site, a zone, a head, a finding, a visit.
    ThingId, "a thing id";
    /// One store file. A restored copy takes a new one.
    StoreId, "a store id";
}

impl ChainId {
    /// Returns the chain that a device's entries form as long as nobody copies its store.
    pub const fn of(device: DeviceId) -> Self {
        Self(device.0)
    }
}

impl ThingId {
    /// Returns the thing that a logbook is about: the site, the company or the station itself.
    pub const fn root(logbook: LogbookId) -> Self {
        Self(logbook.0)
    }
}

impl LogbookId {
    /// Returns the logbook whose root thing this is.
    pub const fn of_root(root: ThingId) -> Self {
        Self(root.0)
    }
}

/// The place of an entry among those of one device in one logbook: 1, 2, 3, without gaps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Seq(u64);

impl Seq {
    /// The first entry's place.
    pub const FIRST: Self = Self(1);

    /// Makes a place from its number; zero is none.
    pub const fn new(number: u64) -> Option<Self> {
        if number == 0 {
            None
        } else {
            Some(Self(number))
        }
    }

    /// Returns the number.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// Returns the place after this one.
    pub const fn next(self) -> Self {
        Self(self.0 + 1)
    }

    /// Returns the place before this one; the first has none.
    pub const fn previous(self) -> Option<Self> {
        Self::new(self.0 - 1)
    }
}

impl fmt::Display for Seq {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// Which entry of a logbook, in a store that knows all branches of its chains. A function of the
/// entries held: one more branch may give places another name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Its chain.
    pub chain: ChainId,
    /// Its number among its device's entries.
    pub seq: Seq,
}

impl Place {
    /// Returns the place of a device's entry where its chain has no branches.
    pub const fn on_only_chain(device: DeviceId, seq: Seq) -> Self {
        Self {
            chain: ChainId::of(device),
            seq,
        }
    }
}

/// The place of an entry in the order in which one store came to hold it. Means nothing in
/// another store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Arrival(pub u64);

/// The number of a field in the table of fields. Stable for ever.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FieldNumber(pub u16);

/// The number of a kind of observation in the table of observations. Stable for ever.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ObservationNumber(pub u16);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_reads_back_from_its_text() {
        let id = ThingId::fresh(1_700_000_000_000, [7; 10]);
        assert_eq!(id.to_string().parse::<ThingId>(), Ok(id));
    }

    #[test]
    fn fresh_ids_sort_by_the_moment_they_were_made() {
        let early = DeviceId::fresh(1_000, [255; 10]);
        let late = DeviceId::fresh(1_001, [0; 10]);
        assert!(early < late);
    }

    #[test]
    fn a_wrong_id_says_what_was_wanted() {
        let error = "zone-7".parse::<LogbookId>().unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("`zone-7` is not a logbook id"),
            "{error}"
        );
    }

    #[test]
    fn a_seq_counts_from_one() {
        assert_eq!(Seq::new(0), None);
        assert_eq!(Seq::FIRST.next().previous(), Some(Seq::FIRST));
        assert_eq!(Seq::FIRST.previous(), None);
    }
}

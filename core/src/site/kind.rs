//! The kinds of thing that a field can belong to, and the word for each.

use core::fmt;

/// Makes the enum, its words and its articles from one table.
macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident, $word:literal, $with_article:literal;)+) => {
        /// What a thing is. Stored as its word in the common field `kind`.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum ThingKind {
            $($(#[$doc])* $kind,)+
        }

        impl ThingKind {
            /// Every kind, in the order of a walk: from the street to the heads, then the office.
            pub const ALL: &'static [Self] = &[$(Self::$kind),+];

            /// Returns the word for it, as stored and as typed.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$kind => $word,)+ }
            }

            /// Returns the word with its article, for sentences.
            #[must_use]
            pub const fn with_article(self) -> &'static str {
                match self { $(Self::$kind => $with_article,)+ }
            }
        }
    };
}

kinds! {
    /// A client's property, the root of its logbook.
    Site, "site", "a site";
    /// The point of connection: meter, backflow assembly, pressure, pipe.
    Supply, "supply", "a supply";
    /// The clock that opens the valves.
    Controller, "controller", "a controller";
    /// What one station waters.
    Zone, "zone", "a zone";
    /// A valve in its box, with its solenoid and wire.
    Valve, "valve", "a valve";
    /// A sprinkler head, a bubbler, a run of drip.
    Head, "head", "a head";
    /// A wet or a dry spot.
    Spot, "spot", "a spot";
    /// A piece of ground on the sketch: lawn, bed, paving, building.
    Area, "area", "an area";
    /// A place on the sketch to measure from.
    Landmark, "landmark", "a landmark";
    /// One walk of a crew over a site.
    Visit, "visit", "a visit";
    /// Something that is not as it should be.
    Finding, "finding", "a finding";
    /// What the client was offered on one day, line by line.
    Estimate, "estimate", "an estimate";
    /// A line of an estimate.
    Line, "line", "a line";
    /// The firm, the root of its logbook.
    Company, "company", "a company";
    /// People and a truck.
    Crew, "crew", "a crew";
    /// Someone who writes entries or is named in them.
    Person, "person", "a person";
    /// A phone, a tablet, an office machine.
    Device, "device", "a device";
    /// Something that lies in a bin and goes into the ground.
    Part, "part", "a part";
    /// A line of the price book.
    Price, "price", "a price";
    /// One crew's day.
    Route, "route", "a route";
    /// A weather station, the root of its logbook.
    Station, "station", "a station";
}

impl ThingKind {
    /// Returns the kind that a word names; `None` if no kind of this version does.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.word() == word)
    }
}

impl fmt::Display for ThingKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_reads_back_from_its_word() {
        for &kind in ThingKind::ALL {
            assert_eq!(ThingKind::of_word(kind.word()), Some(kind));
        }
        assert_eq!(ThingKind::of_word("Zone"), None);
    }
}

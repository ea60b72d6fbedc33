//! What a person types for a thing: `zone-7`, `7`, `head 3-07`, `valve-7`, `controller`, a label,
//! or an id.

use std::collections::BTreeSet;

use super::{Site, Thing, Valve, Zone};
use crate::log::id::ThingId;
use crate::site::fields::close_names;
use crate::site::kind::ThingKind;

/// Words that name no thing of the site, or more than one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum AddressError {
    /// No thing is called that.
    #[error("nothing here is called `{typed}`{}", or_else(close))]
    Unknown {
        /// What was typed.
        typed: String,
        /// Addresses that are close to it, the closest first.
        close: Vec<String>,
    },
    /// More than one is.
    #[error("`{typed}` can be {}; say which by its kind, or by its id", candidates.join(" or "))]
    Ambiguous {
        /// What was typed.
        typed: String,
        /// Each with its kind and its id.
        candidates: Vec<String>,
    },
}

fn or_else(close: &[String]) -> String {
    match close {
        [] => "; `site`, `controller`, `supply`, `zone-1`, `head-1-01` are such names".to_owned(),
        close => format!("; did you mean {}?", close.join(" or ")),
    }
}

impl Site<'_> {
    /// Returns the thing that a person means; where that has a second record, always the first.
    ///
    /// A number alone is a zone. What was removed is found only where nothing else is called so.
    ///
    /// # Errors
    /// [`AddressError`] where nothing, or more than one thing, is called that.
    pub fn find(&self, typed: &str) -> Result<Thing<'_>, AddressError> {
        let found = self.find_record(typed)?;
        Ok(self.thing(self.kept(found.id)).unwrap_or(found))
    }

    /// Returns the record that a person means: by its id also the second one of a joined thing.
    ///
    /// # Errors
    /// [`AddressError`] where nothing, or more than one thing, is called that.
    pub fn find_record(&self, typed: &str) -> Result<Thing<'_>, AddressError> {
        let id = typed.trim().parse::<ThingId>().ok();
        if let Some(thing) = id.and_then(|id| self.thing(id)) {
            return Ok(thing);
        }
        let wanted = plain(typed);
        let named: Vec<(Thing<'_>, Vec<String>)> = self
            .things()
            .map(|thing| (thing, self.names(thing)))
            .collect();
        let called = |removed: bool| -> Vec<Thing<'_>> {
            let things = named
                .iter()
                .filter(|(thing, names)| thing.is_removed() == removed && names.contains(&wanted));
            let mut things: Vec<_> = things.map(|(thing, _)| *thing).collect();
            // The records of a joined thing are one, told by the first where that is called so.
            things.sort_by_key(|thing| self.kept(thing.id) != thing.id);
            let mut seen = BTreeSet::new();
            things.retain(|thing| seen.insert(self.kept(thing.id)));
            things
        };
        let mut found = called(false);
        if found.is_empty() {
            found = called(true);
        }
        let zone = |thing: &&Thing<'_>| thing.kind == Some(ThingKind::Zone);
        let number = wanted.bytes().all(|byte| byte.is_ascii_digit());
        match (&found[..], found.iter().find(zone)) {
            ([only], _) => Ok(*only),
            (_, Some(zone)) if number && found.iter().filter(zone_only).count() == 1 => Ok(*zone),
            ([], _) => {
                let names = named.iter().filter(|(thing, _)| !thing.is_removed());
                let names = names.flat_map(|(_, names)| names.iter().cloned());
                Err(AddressError::Unknown {
                    typed: typed.trim().to_owned(),
                    close: close_names(&wanted, names),
                })
            }
            (several, _) => Err(AddressError::Ambiguous {
                typed: typed.trim().to_owned(),
                candidates: several
                    .iter()
                    .map(|thing| format!("{} ({})", self.address(*thing), thing.id))
                    .collect(),
            }),
        }
    }

    /// Returns the best short name of a thing, which [`Site::find`] takes where it is the only
    /// one called so; its id where it has none.
    #[must_use]
    pub fn address(&self, thing: Thing<'_>) -> String {
        let names = self.names(thing);
        names
            .into_iter()
            .next()
            .unwrap_or_else(|| thing.id.to_string())
    }

    /// Everything that a thing is called, the best first.
    fn names(&self, thing: Thing<'_>) -> Vec<String> {
        let mut names = Vec::new();
        let word = thing.kind.map_or("thing", ThingKind::word);
        if thing.id == self.root().id {
            names.push(word.to_owned());
        }
        let zone = |thing: Thing<'_>| -> Option<u16> {
            let number = thing.count(&crate::site::fields::zone::NUMBER).ok()?.value;
            u16::try_from(number).ok()
        };
        if thing.kind == Some(ThingKind::Zone)
            && let Some(number) = zone(thing)
        {
            names.extend([format!("zone-{number}"), number.to_string()]);
        }
        // A label that stands in two versions, as that of a joined thing may, is found by either.
        let labels = thing.register(&crate::site::fields::any::LABEL);
        let labels = labels.map_or(&[][..], |register| register.open());
        let labels = labels.iter().filter_map(|write| write.value.as_text());
        for label in labels.map(plain).filter(|label| !label.is_empty()) {
            let with_kind = format!("{word}-{label}");
            if label.starts_with(word) {
                names.push(label);
            } else {
                names.extend([with_kind, label]);
            }
        }
        if thing.kind == Some(ThingKind::Valve)
            && let Some(number) = self.zone_of_valve(thing.id).and_then(zone)
        {
            names.push(format!("valve-{number}"));
        }
        let one_of_a_kind = matches!(
            thing.kind,
            Some(ThingKind::Supply | ThingKind::Controller | ThingKind::Company)
        );
        if one_of_a_kind && thing.id != self.root().id {
            names.push(word.to_owned());
        }
        names
    }

    fn zone_of_valve(&self, valve: ThingId) -> Option<Thing<'_>> {
        let mut zones = self
            .things()
            .filter(|thing| thing.kind == Some(ThingKind::Zone));
        zones.find(|thing| {
            let zone = Zone::of(self, *thing).and_then(|zone| zone.valve());
            zone.is_some_and(|own: Valve<'_>| own.id == valve)
        })
    }
}

fn zone_only(thing: &&Thing<'_>) -> bool {
    thing.kind == Some(ThingKind::Zone)
}

/// Lower case, with hyphens for blanks.
fn plain(text: &str) -> String {
    let words: Vec<String> = text
        .to_lowercase()
        .split([' ', '_', '-', '#'])
        .filter(|word| !word.is_empty())
        .map(str::to_owned)
        .collect();
    words.join("-")
}

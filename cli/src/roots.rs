//! What each logbook of a store is about: its kind, its name, and which one a typed name means.

use headwalk_core::log::id::{FieldNumber, LogbookId, ThingId};
use headwalk_core::log::value::Value;
use headwalk_core::site::fields;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::store::Store;

use crate::error::Error;

/// The logbooks of a store, by name.
pub struct Roots(Vec<Root>);

/// What one logbook is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Root {
    /// The logbook.
    pub id: LogbookId,
    /// A site, a company or a station; none where this version does not know it, or the entry
    /// that says so has not arrived.
    pub kind: Option<ThingKind>,
    /// Its name, or its id where it has none.
    pub name: String,
}

impl Roots {
    /// Reads what the logbooks of a store are about.
    pub fn of(store: &Store) -> Result<Self, Error> {
        let mut roots = Vec::new();
        for id in store.logbooks()? {
            roots.push(Root::of(store, id)?);
        }
        roots.sort_by_cached_key(|root| (root.name.to_lowercase(), root.id));
        Ok(Self(roots))
    }

    /// Returns those of a kind, by name.
    pub fn of_kind(&self, kind: ThingKind) -> impl Iterator<Item = &Root> {
        self.0.iter().filter(move |root| root.kind == Some(kind))
    }

    /// Returns the one that a typed name means, or where none was typed all of them, by name.
    ///
    /// # Errors
    /// Those of [`Self::find`].
    pub fn wanted(&self, typed: Option<&str>) -> Result<Vec<Root>, Error> {
        match typed {
            Some(typed) => Ok(vec![self.find(typed)?.clone()]),
            None => Ok(self.0.clone()),
        }
    }

    /// Returns all of them, by id.
    pub fn by_id(&self) -> Vec<Root> {
        let mut roots = self.0.clone();
        roots.sort_by_key(|root| root.id);
        roots
    }

    /// Returns a logbook's name.
    pub fn name(&self, id: LogbookId) -> String {
        let root = self.0.iter().find(|root| root.id == id);
        root.map_or_else(|| id.to_string(), |root| root.name.clone())
    }

    /// Finds the logbook that a typed name means: the whole name, or enough of its words to tell
    /// it from the others, or the id.
    ///
    /// # Errors
    /// An input error that lists what it could be, or offers the closest name.
    pub fn find(&self, typed: &str) -> Result<&Root, Error> {
        if let Ok(id) = typed.parse::<LogbookId>() {
            let root = self.0.iter().find(|root| root.id == id);
            return root.ok_or_else(|| unknown(typed));
        }
        let wanted = typed.to_lowercase();
        let same = |root: &&Root| root.name.to_lowercase() == wanted;
        let mut found: Vec<_> = self.0.iter().filter(same).collect();
        if found.is_empty() {
            found = self.0.iter().filter(|root| root.begins(&wanted)).collect();
        }
        match found.as_slice() {
            [root] => Ok(root),
            [] => Err(self.meant(typed)),
            several => Err(ambiguous(typed, several)),
        }
    }

    /// Offers the names that are close to what was typed, or of which a word is.
    fn meant(&self, typed: &str) -> Error {
        let plain = |text: &str| text.to_lowercase().replace([' ', '_'], "-");
        let mut keys = Vec::new();
        for root in &self.0 {
            keys.push((plain(&root.name), root));
            keys.extend(root.name.split_whitespace().map(|word| (plain(word), root)));
        }
        let close = fields::close_names(typed, keys.iter().map(|(key, _)| key.as_str()));
        let close = close
            .first()
            .and_then(|close| keys.iter().find(|(key, _)| key == close));
        match close {
            None => unknown(typed),
            Some((_, root)) => unknown(typed).hint(format!("did you mean `{}`?", root.name)),
        }
    }
}

fn unknown(typed: &str) -> Error {
    Error::input(format!("there is no site `{typed}` in this store"))
        .field("site")
        .hint("`headwalk sites` lists them; `headwalk add site NAME` begins one.")
}

fn ambiguous(typed: &str, several: &[&Root]) -> Error {
    let names: Vec<_> = several
        .iter()
        .map(|root| format!("{} ({})", root.name, root.id))
        .collect();
    Error::input(format!("`{typed}` could be several"))
        .field("site")
        .details(names)
        .hint("say more of its name, or give its id.")
}

impl Root {
    fn of(store: &Store, id: LogbookId) -> Result<Self, Error> {
        let thing = ThingId::root(id);
        let text = |field: FieldNumber| -> Result<Option<String>, Error> {
            let register = store.register(id, thing, field)?;
            let words = register.and_then(|register| match &register.in_force().value {
                Value::Text(words) => Some(words.clone()),
                _ => None,
            });
            Ok(words)
        };
        let kind = text(fields::any::KIND.number)?;
        let kind = kind.and_then(|word| ThingKind::of_word(&word));
        let name = match kind.and_then(|kind| fields::field(kind, "name")) {
            Some(field) => text(field.number)?,
            None => None,
        };
        let name = name.unwrap_or_else(|| id.to_string());
        Ok(Self { id, kind, name })
    }

    /// Whether each typed word begins a word of the name, in that order.
    fn begins(&self, wanted: &str) -> bool {
        let name = self.name.to_lowercase();
        let mut words = name.split_whitespace();
        let mut typed = wanted.split_whitespace().peekable();
        typed.peek().is_some() && typed.all(|part| words.any(|word| word.starts_with(part)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn roots(names: &[&str]) -> Roots {
        let root = |(at, name): (u8, &&str)| Root {
            id: LogbookId::from_bytes([at; 16]),
            kind: Some(ThingKind::Site),
            name: (*name).to_owned(),
        };
        Roots((1..).zip(names).map(root).collect())
    }

    fn check(typed: &str, expected: Result<&str, &str>) {
        let roots = roots(&["Maple Court", "Maple Lane 4", "Birch Lane", "Elm"]);
        let found = roots.find(typed);
        let found = found
            .map(|root| root.name.as_str())
            .map_err(|error| format!("{}; {}", error.message(), error.next_step().unwrap_or("")));
        assert_eq!(found, expected.map_err(str::to_owned), "{typed}");
    }

    #[test]
    fn enough_words_of_a_name_are_its_name() {
        check("elm", Ok("Elm"));
        check("maple c", Ok("Maple Court"));
        check("court", Ok("Maple Court"));
        check("maple 4", Ok("Maple Lane 4"));
        check(
            "lane",
            Err("`lane` could be several; say more of its name, or give its id."),
        );
        check(
            "mpale",
            Err("there is no site `mpale` in this store; did you mean `Maple Court`?"),
        );
        check(
            "Birch Lune",
            Err("there is no site `Birch Lune` in this store; did you mean `Birch Lane`?"),
        );
    }
}

//! The company's logbook as a dispatcher uses it: its devices, found by what they are called.

use headwalk_core::log::entry::Change;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::company::{self, Listed, Role};
use headwalk_core::site::fields::FieldDef;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub;
use crate::record::{Action, record};
use crate::roots::{Root, Roots};

/// The firm's logbook and the devices that it lists.
pub struct Firm {
    root: Root,
    listed: Vec<Listed>,
}

impl Firm {
    /// Reads it, if this store holds it.
    pub fn of(store: &Store, roots: &Roots) -> Result<Option<Self>, Error> {
        let Some(root) = roots.of_kind(ThingKind::Company).next() else {
            return Ok(None);
        };
        let state = store.state(root.id)?;
        let listed = company::devices(&Site::of(&state, root.id));
        Ok(Some(Self {
            root: root.clone(),
            listed,
        }))
    }

    /// Reads it, or says how to begin it.
    pub fn needed(store: &Store, roots: &Roots) -> Result<Self, Error> {
        Self::of(store, roots)?.ok_or_else(|| {
            Error::input("the company's logbook is not in this store").hint(
                "`headwalk exchange` brings it; `headwalk add company NAME` begins it where there \
                 is none.",
            )
        })
    }

    /// Returns its devices, by name.
    pub fn devices(&self) -> &[Listed] {
        &self.listed
    }

    /// Finds the device that a typed name means: its name or the beginning of one, its person, its
    /// id or the end of it.
    ///
    /// # Errors
    /// An input error that lists what it could be.
    pub fn find(&self, typed: &str) -> Result<&Listed, Error> {
        let wanted = typed.to_lowercase();
        let is = |text: &Option<String>| text.as_ref().is_some_and(|t| t.to_lowercase() == wanted);
        let begins = |text: &Option<String>| {
            text.as_ref()
                .is_some_and(|text| text.to_lowercase().starts_with(&wanted))
        };
        let id = |one: &Listed| wanted.len() >= 6 && one.device.to_string().ends_with(&wanted);
        let all = self.listed.iter();
        let mut found: Vec<_> = all.clone().filter(|one| is(&one.name) || id(one)).collect();
        if found.is_empty() {
            found = all
                .filter(|one| begins(&one.name) || is(&one.crew))
                .collect();
        }
        match found.as_slice() {
            [one] => Ok(one),
            [] => Err(Error::input(format!("no device `{typed}` is listed here"))
                .field("device")
                .hint("`headwalk route` lists them; `headwalk exchange` brings the newest list.")),
            several => {
                let lines = several
                    .iter()
                    .map(|one| format!("{} ({})", called(one), one.device));
                Err(Error::input(format!("`{typed}` could be several devices"))
                    .field("device")
                    .details(lines.collect())
                    .hint("give its id."))
            }
        }
    }

    /// Writes what a dispatcher says of a device.
    ///
    /// # Errors
    /// [`Kind::Refused`] where this device is no dispatcher's: nobody would obey it.
    pub fn say(
        &self,
        call: &Call,
        store: &Store,
        of: &Listed,
        field: &FieldDef,
        value: Value,
    ) -> Result<(), Error> {
        dispatchers_only(store)?;
        let change = Change::Set {
            thing: of.thing,
            field: field.number,
            value,
            how: HowKnown::Unstated,
        };
        let action = Action {
            about: of.thing,
            changes: vec![change],
            ask: Vec::new(),
        };
        record(call, store, &self.root, action)?;
        Ok(())
    }
}

/// Refuses where the hub let this device in as something else than a dispatcher's.
fn dispatchers_only(store: &Store) -> Result<(), Error> {
    let role = hub::own_role(store)?.and_then(|word| Role::of_word(&word));
    match role {
        None | Some(Role::Dispatcher) => Ok(()),
        Some(other) => Err(Error::new(
            Kind::Refused,
            format!(
                "this device is {}'s, and only a dispatcher's word counts",
                other.with_article()
            ),
        )
        .hint("ask the dispatcher to do it.")),
    }
}

/// Returns what a device is called.
pub fn called(device: &Listed) -> String {
    device
        .name
        .clone()
        .or_else(|| device.crew.clone())
        .unwrap_or_else(|| device.device.to_string())
}

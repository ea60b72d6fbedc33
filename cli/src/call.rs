//! One call of the command: its flags, its clock, its store, and how it prints.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Store;

use crate::args::Global;
use crate::edge::{Clock, Now};
use crate::error::Error;
use crate::output::{Output, Report};

/// The name under which a store keeps the person it was begun for.
pub const PERSON: &str = "person";

/// What every command has at hand.
pub struct Call {
    store: PathBuf,
    by: Option<String>,
    units: Option<UnitSystem>,
    output: Output,
    clock: Clock,
}

impl Call {
    /// Takes the flags in, and the clock that the environment asks for.
    pub fn new(global: Global) -> Result<Self, Error> {
        Ok(Self {
            store: global.store,
            by: global.by,
            units: global.units.map(UnitSystem::from),
            output: Output::of(global.json),
            clock: Clock::of_environment()?,
        })
    }

    /// Returns where the store is.
    pub fn store_path(&self) -> &Path {
        &self.store
    }

    /// Opens the store. One that was found to be a copy goes on under a new device id.
    pub fn store(&self) -> Result<Store, Error> {
        let store = Store::open_for_one_job(&self.store)?;
        if store.id_is_in_use_elsewhere() {
            store.write_as(self.now().fresh_key()?)?;
        }
        Ok(store)
    }

    /// Opens the store for looking only: any number of commands may do so at once.
    pub fn store_to_read(&self) -> Result<Store, Error> {
        Ok(Store::open_to_read(&self.store)?)
    }

    /// Returns the moment.
    pub fn now(&self) -> Now {
        self.clock.now()
    }

    /// Returns the units to print, and of bare numbers.
    pub fn units(&self) -> UnitSystem {
        self.units.unwrap_or_default()
    }

    /// Returns the units that were asked for, if any were.
    pub const fn units_asked(&self) -> Option<UnitSystem> {
        self.units
    }

    /// Returns who is named with `--by` or in the environment.
    pub fn named(&self) -> Option<&str> {
        self.by.as_deref()
    }

    /// Returns who is writing: who is named, else the person that the store was begun for.
    pub fn by(&self, store: &Store) -> Result<String, Error> {
        if let Some(by) = &self.by {
            return Ok(by.clone());
        }
        store.setting(PERSON)?.ok_or_else(|| {
            Error::input("nobody is named as the writer")
                .field("by")
                .hint("add --by NAME, or set HEADWALK_BY.")
        })
    }

    /// Returns how to print.
    pub const fn output(&self) -> Output {
        self.output
    }

    /// Prints what the command found or did.
    pub fn print(&self, report: &impl Report) -> Result<(), Error> {
        self.output.print(report)
    }

    /// Prints reports that come one by one, as a list of this name; nothing where one of them does not come.
    pub fn print_one_by_one<R: Report>(
        &self,
        name: &str,
        reports: impl Iterator<Item = Result<R, Error>>,
    ) -> Result<(), Error> {
        self.output.one_by_one(name, reports)
    }

    /// Prints what `write` writes while it writes it, the same for people and programs.
    ///
    /// # Errors
    /// That of `write`, and where the result cannot be printed, of which `write` tells within.
    pub fn print_as_it_comes(
        &self,
        write: impl FnOnce(&mut dyn Write) -> Result<io::Result<()>, Error>,
    ) -> Result<(), Error> {
        self.output.as_it_comes(write)
    }

    /// Prints lines that are the same for people and programs.
    pub fn print_lines(&self, text: &str) -> Result<(), Error> {
        self.output.lines(text)
    }
}

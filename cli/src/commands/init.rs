//! `headwalk init`: begins a store.

use serde::Serialize;

use headwalk_core::store::{NewStore, Store};

use crate::call::{Call, PERSON};
use crate::error::Error;
use crate::output::{Page, Report};

/// Begin a store: the one file that holds this device's logbooks.
///
/// The store gets a device id of its own. Never copy a store to a second device: begin one there
/// and exchange.
///
/// Example: headwalk init --person "Ana Ruiz"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Who writes in it, unless --by names somebody else.
    #[arg(long, value_name = "NAME")]
    person: Option<String>,
}

/// `{"store": PATH, "device": ID, "person": NAME or null}`
#[derive(Serialize)]
struct Begun {
    store: String,
    device: String,
    person: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let now = call.now();
    let new = NewStore {
        id: now.fresh_store()?,
        key: now.fresh_key()?,
    };
    let person = args.person.or_else(|| call.named().map(str::to_owned));
    let store = Store::create(call.store_path(), new)?;
    if let Some(person) = &person {
        store.keep_settings(&[(PERSON, person)])?;
    }
    call.print(&Begun {
        store: call.store_path().display().to_string(),
        device: store.device().to_string(),
        person,
    })
}

impl Report for Begun {
    fn write(&self, page: &mut Page) {
        page.line(format!("Began a store at {}.", self.store));
        match &self.person {
            Some(person) => page.line(format!("Entries are written by {person}.")),
            None => page.line("Nobody is named as its writer yet: add --by NAME to what you do."),
        }
    }
}

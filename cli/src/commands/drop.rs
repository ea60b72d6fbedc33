//! `headwalk drop`: takes a site off this device, once the office has all of it.

use serde::Serialize;

use headwalk_core::site::kind::ThingKind;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub::OwnHub;
use crate::output::{Page, Report, counted};
use crate::photos::Album;
use crate::record::open_visit;
use crate::roots::Roots;

/// Take a site off this device when it is off its route and the office has all of it.
///
/// The hub is asked first, and compares every chain to its end: while anything is not there yet,
/// or the hub does not answer, nothing is dropped. The office keeps the site with its whole history.
///
/// Example: headwalk drop "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
}

/// `{"logbook": ID, "site": NAME, "entries": N}`
#[derive(Serialize)]
struct Dropped {
    logbook: String,
    site: String,
    /// How many entries were taken off.
    entries: u64,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let name = &root.name;
    if root.kind == Some(ThingKind::Company) {
        return Err(Error::input(format!("{name} is the company's logbook"))
            .field("site")
            .hint("every device carries it."));
    }
    if open_visit(&store, root)?.is_some() {
        return Err(Error::input(format!("a visit is going on at {name}"))
            .field("site")
            .hint("`headwalk visit finish` ends it."));
    }
    let unsent = Album::beside(&store, call.store_path()).unsent()?;
    if unsent.iter().any(|(logbook, _)| *logbook == root.id) {
        let message = format!("pictures of {name} are not at the office yet: nothing was dropped");
        return Err(Error::new(Kind::Refused, message).hint("`headwalk exchange`, then again."));
    }
    let holds = OwnHub::of_store(&store)?.holds(root.id, &store.heads(root.id)?)?;
    if holds.chains_lacking > 0 {
        let message = format!("not all of {name} is at the office yet: nothing was dropped");
        return Err(Error::new(Kind::Refused, message).hint("`headwalk exchange`, then again."));
    }
    if holds.on_route {
        let message = format!("{name} is on this device's route, and would come back");
        return Err(Error::new(Kind::Refused, message)
            .hint("a dispatcher takes it off with `headwalk route DEVICE --take-off SITE`."));
    }
    let entries = store.drop_logbook(root.id)?;
    call.print(&Dropped {
        logbook: root.id.to_string(),
        site: name.clone(),
        entries,
    })
}

impl Report for Dropped {
    fn write(&self, page: &mut Page) {
        let entries = counted(self.entries, "entry", "entries");
        page.line(format!("Took {} off this device: {entries}.", self.site));
        page.line("The office has all of it.");
    }
}

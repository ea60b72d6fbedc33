//! `headwalk choose`: settles a field that stands in two versions.

use headwalk_core::log::entry::Change;
use headwalk_core::site::fields;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::record::{Action, record};
use crate::roots::Roots;
use crate::said::{LETTERS, What};

/// Settle a field that stands in two versions, by one of them.
///
/// The choice is an ordinary entry that has seen both; the value not chosen stays in the history.
/// To settle it with a third value, `note` that value.
///
/// Example: headwalk choose "Maple Court" 3-07 arc A
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The thing.
    thing: String,
    /// The field.
    field: String,
    /// The version, as `versions` lists it: A, B ...; or its value.
    version: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_of(&store, root.id)?;
    let site = Site::of(&state, root.id);
    let found = site.find_record(&args.thing)?;
    let kind = found.kind.unwrap_or(ThingKind::Site);
    let field = fields::known_field(kind, &args.field).map_err(Error::from)?;
    // Of which thing it is a second record is said of the record; all else of the joined thing.
    let thing = match field.number == fields::any::SAME_AS.number {
        true => found,
        false => site.thing(site.kept(found.id)).unwrap_or(found),
    };
    let register = state.register(thing.id, field.number);
    let Some(register) = register.filter(|register| register.stands_in_two_versions()) else {
        let (field, thing) = (field.name, site.address(thing));
        return Err(
            Error::input(format!("{field} of {thing} stands in one version only"))
                .field(field)
                .hint("`headwalk versions` lists what there is to choose."),
        );
    };
    let what = What::Field(field.number);
    let wanted = field
        .parse(&args.version, call.units())
        .ok()
        .map(|parsed| parsed.value);
    let mut open = LETTERS.chars().zip(register.open());
    let chosen = open.find(|(letter, write)| {
        args.version.eq_ignore_ascii_case(&letter.to_string())
            || wanted.as_ref() == Some(&write.value)
    });
    let Some((_, chosen)) = chosen else {
        let versions = LETTERS.chars().zip(register.open());
        let versions: Vec<_> = versions
            .map(|(letter, write)| {
                format!("{letter}  {}", what.show(&site, &write.value, call.units()))
            })
            .collect();
        return Err(
            Error::input(format!("`{}` is none of its versions", args.version))
                .field(field.name)
                .details(versions)
                .hint("name one by its letter; `headwalk note` records a third value."),
        );
    };
    let change = Change::Set {
        thing: thing.id,
        field: field.number,
        value: chosen.value.clone(),
        how: chosen.how,
    };
    let action = Action {
        about: thing.id,
        changes: vec![change],
        ask: Vec::new(),
    };
    call.print(&record(call, &store, root, action)?)
}

//! `headwalk note`: records what was changed, measured or seen.

use clap::ValueEnum;

use headwalk_core::log::value::HowKnown;
use headwalk_core::site::things::Site;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::record::{Action, record};
use crate::roots::Roots;

/// Record a change or an observation: one or more fields of one thing, as one entry.
///
/// A bare number is in the field's unit (psi, gpm, ft, ft², in, minutes; metric with --units si).
/// Write another unit behind it: 40psi, 2.7bar, 850sqft, 12ft, 180. Every field also takes
/// `blank`, `not checked`, and `could not check: why`. A value that is possible but not usual is
/// kept, and you are asked to look again. Fields that are measured again and again, such as
/// pressure-reading, are kept one beside the other.
///
/// Example: headwalk note "Maple Court" 3-07 arc 180 radius 12ft
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The thing: site, supply, controller, zone-7, 3-07, valve-7, or an id.
    thing: String,
    /// Fields and values, in turn.
    #[arg(required = true, num_args = 2.., value_names = ["FIELD", "VALUE"], allow_negative_numbers = true)]
    pairs: Vec<String>,
    /// How it is known.
    #[arg(long, value_enum)]
    how: Option<How>,
}

/// How a value is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum How {
    /// With an instrument.
    Measured,
    /// Off a label, a dial or a plan.
    Read,
    /// By eye or by judgement.
    Estimated,
}

impl From<How> for HowKnown {
    fn from(how: How) -> Self {
        match how {
            How::Measured => Self::Measured,
            How::Read => Self::Read,
            How::Estimated => Self::Estimated,
        }
    }
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_of(&store, root.id)?;
    let site = Site::of(&state, root.id);
    let thing = site.find(&args.thing)?;
    let how = args.how.map_or(HowKnown::Unstated, HowKnown::from);
    let (mut changes, mut ask) = (Vec::new(), Vec::new());
    for (name, text) in pairs(&args.pairs)? {
        let noted = site
            .note(thing, name, text, how, call.units())
            .map_err(|error| Error::from(error).field(name))?;
        changes.push(noted.change);
        ask.extend(noted.ask);
    }
    let action = Action {
        about: thing.id,
        changes,
        ask,
    };
    call.print(&record(call, &store, root, action)?)
}

/// Takes words two by two.
pub fn pairs(words: &[String]) -> Result<Vec<(&str, &str)>, Error> {
    let pairs = words.chunks(2).map(|pair| match pair {
        [name, text] => Ok((name.as_str(), text.trim())),
        _ => {
            let name = pair.first().map_or("", String::as_str);
            Err(Error::input(format!("`{name}` has no value"))
                .field(name)
                .hint("write fields and values in turn: area 850sqft soil clay."))
        }
    });
    pairs.collect()
}

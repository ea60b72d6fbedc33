//! `headwalk reckon`: the published formulas, usable alone.
//!
//! Each formula is a struct of inputs, read from JSON, and a function that makes an [`Answer`] of
//! them; its help is the doc comment of its `Args`. To add one: a line in the table below.

mod answer;
mod change;
mod eto;
mod ground;
mod input;
mod leaks;
mod learn;
mod lives;
mod minutes;
mod pipes;
mod plants;
mod season;
mod signs;
mod soil;
mod spray;
mod system;
mod value;
mod window;
mod zone;

use serde::de::DeserializeOwned;

use self::answer::Answer;
use self::input::{Input, told};
use self::value::Wrong;
use crate::call::Call;
use crate::error::Error;

/// Work out one figure of the trade by its published formula.
///
/// The inputs are one JSON object on standard input, or --set NAME=VALUE for each. Names end with
/// their unit, as in flow_gpm, and mean the same whatever --units says. An input that is missing,
/// unknown, of the wrong type or outside physical sense ends with exit code 2 and an error that
/// names it as `field`. With --json the figures are in full, with warnings and cautions.
///
/// Example: headwalk reckon friction --set flow_gpm=10 --set inside_diameter_in=1.049
/// --set length_ft=100 --set c=150
#[derive(Debug, clap::Args)]
pub struct Args {
    /// An input, in place of standard input: its name and value, once for each.
    #[arg(long, global = true, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// Which figure.
    #[command(subcommand)]
    what: What,
}

/// A published formula.
trait Formula {
    /// Its inputs: the fields of a struct that knows no others.
    type In: DeserializeOwned;

    /// Works it out.
    fn reckon(given: Self::In) -> Result<Answer, Wrong>;
}

/// Makes the enum that clap parses and the dispatch, from one table of the name as typed and the
/// formula.
macro_rules! formulas {
    ($($word:literal $name:ident $formula:path;)+) => {
        #[derive(Debug, clap::Subcommand)]
        enum What {
            $(#[command(name = $word)] $name($formula),)+
        }

        impl What {
            fn reckon(&self, set: &[String]) -> Result<Answer, Error> {
                match self {
                    $(Self::$name(_) => reckoned::<$formula>($word, set),)+
                }
            }
        }
    };
}

formulas! {
    "eto" Eto eto::Eto;
    "coefficient" Coefficient plants::Coefficient;
    "learn" Learn learn::Learn;
    "precipitation" Precipitation spray::Precipitation;
    "uniformity" Uniformity spray::Uniformity;
    "coverage" Coverage ground::Coverage;
    "kerb" Kerb ground::Kerb;
    "head-change" HeadChange change::HeadChange;
    "runtime" Runtime minutes::Runtime;
    "soak" Soak minutes::Soak;
    "zone" Zone zone::Zone;
    "seasonal" Seasonal minutes::Seasonal;
    "window" Window window::Window;
    "balance" Balance soil::Balance;
    "season" Season season::Season;
    "budget" Budget plants::Budget;
    "friction" Friction pipes::Friction;
    "lateral" Lateral pipes::Lateral;
    "flow-at-pressure" FlowAtPressure pipes::FlowAtPressure;
    "pressure" Pressure pipes::Pressure;
    "pressure-at-head" PressureAtHead system::PressureAtHead;
    "surge" Surge pipes::Surge;
    "leak" Leak leaks::Leak;
    "orifice" Orifice leaks::Orifice;
    "evidence" Evidence signs::Evidence;
    "lifetimes" Lifetimes lives::Lifetimes;
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    call.print(&args.what.reckon(&args.set)?)
}

fn reckoned<F: Formula>(what: &'static str, set: &[String]) -> Result<Answer, Error> {
    let given = Input::of(what, set)?.read()?;
    F::reckon(given)
        .and_then(Answer::checked)
        .map_err(|wrong| told(wrong, what))
}

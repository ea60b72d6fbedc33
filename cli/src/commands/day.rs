//! `headwalk day`: the day's end in the terminal, line by line, until nothing is left.

mod listing;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, Place};
use headwalk_core::site::company::{self, Role};
use headwalk_core::site::day_end::{
    Answer, CannotDecide, DayEnd, Decided, Line, LineKey, Offer, Today, closing, decide,
    taking_back,
};
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;
use headwalk_sync_server::office::Digests;

use crate::call::Call;
use crate::error::Error;
use crate::hub::own_role;
use crate::logbook::state_of;
use listing::{Done, Listing};

/// The day's end: everything that the office has to decide before it goes home, the worst first.
///
/// Water that runs, devices of which nothing came, what stands in two versions, visits that nobody
/// ended, what to quote, parts short for tomorrow, what is due. Each line is one decision; each
/// decision is an entry, and can be taken back. An empty list means go home.
///
/// Example: headwalk day
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Option<Step>,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Decide a line of the list.
    ///
    /// The list says for each line what can be decided and by which word; some want a reason, a
    /// day, a name, a price or a count with it. A line that somebody decided since the list was
    /// printed is not decided again: you are told who did.
    ///
    /// Example: headwalk day decide 1 A
    Decide(DecideArgs),
    /// Take a decision of today back: the line stands again as it stood.
    ///
    /// Example: headwalk day undo 1
    Undo(UndoArgs),
    /// Close the day. Lines that are left are known holes, and come first tomorrow.
    ///
    /// Example: headwalk day close --why "the school answers in the morning"
    Close(CloseArgs),
}

#[derive(Debug, clap::Args)]
struct DecideArgs {
    /// The line, by its number on the list that `day` printed last, or by its key.
    line: String,
    /// What, by its word on the list, such as A, schedule, later.
    what: String,
    /// What goes with it: why, who, a day, a price, how many.
    #[arg(allow_negative_numbers = true, num_args = 0..)]
    words: Vec<String>,
}

#[derive(Debug, clap::Args)]
struct UndoArgs {
    /// Which of today's decisions, by its number on the list; the latest without it.
    number: Option<usize>,
}

#[derive(Debug, clap::Args)]
struct CloseArgs {
    /// Why, where lines are left.
    #[arg(long, default_value = "", hide_default_value = true)]
    why: String,
}

/// The name under which a store keeps which lines were printed last: key and basis in turn.
const PRINTED: &str = "day-end";

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let mut office = Office::read(&store, call)?;
    match args.step {
        None => {
            let printed = office.day.lines.iter().map(|listed| &listed.line);
            let printed: Vec<_> = printed
                .map(|line| format!("{} {}", line.key, line.basis))
                .collect();
            store.keep_settings(&[(PRINTED, &printed.join("\n"))])?;
            call.print(&Listing::of(&office.day, &office.digests))
        }
        Some(Step::Decide(args)) => office.decide(&args),
        Some(Step::Undo(args)) => office.undo(args.number),
        Some(Step::Close(args)) => office.close(&args.why),
    }
}

/// A store at its day's end.
struct Office<'a> {
    call: &'a Call,
    store: &'a Store,
    digests: Digests,
    day: DayEnd,
    today: Today,
}

impl<'a> Office<'a> {
    fn read(store: &'a Store, call: &'a Call) -> Result<Self, Error> {
        let now = call.now();
        let today = Today {
            now: now.wall,
            utc_offset_min: now.utc_offset_min,
        };
        let mut digests = Digests::default();
        let day = day_of(store, &mut digests, today)?;
        Ok(Self {
            call,
            store,
            digests,
            day,
            today,
        })
    }

    fn decide(&mut self, args: &DecideArgs) -> Result<(), Error> {
        let (key, basis) = self.meant(&args.line)?;
        let line = self.day.line(&key);
        let offer = line.and_then(|line| offered(line, &args.what));
        let answer = match (line, offer) {
            (Some(line), None) => return Err(not_offered(line, &args.what)),
            (_, offer) => Answer {
                act: offer.map_or(headwalk_core::site::day_end::Act::Leave, |offer| offer.act),
                version: offer.and_then(|offer| offer.version),
                words: args.words.join(" "),
                basis,
            },
        };
        let state = state_of(self.store, key.logbook)?;
        let site = Site::of(&state, key.logbook);
        let changes = decide(&self.day, &site, &key, &answer, self.today).map_err(refused)?;
        let what = line.map_or_else(String::new, told);
        let offer = offer.map_or_else(String::new, |offer| offer.told(&answer.words));
        self.write(key.logbook, changes)?;
        self.done(&format!("{what}: {offer}"))
    }

    /// Returns the line that was meant, and what it rested on when it was printed.
    fn meant(&self, typed: &str) -> Result<(LineKey, String), Error> {
        if let Ok(key) = typed.parse::<LineKey>() {
            let basis = self.day.line(&key).map(|line| line.basis.clone());
            return Ok((key, basis.unwrap_or_default()));
        }
        let printed = self.store.setting(PRINTED)?.unwrap_or_default();
        let number: Option<usize> = typed.parse().ok();
        let line = number
            .and_then(|number| number.checked_sub(1))
            .and_then(|nth| printed.lines().nth(nth));
        let read = |line: &str| {
            let (key, basis) = line.split_once(' ')?;
            Some((key.parse().ok()?, basis.to_owned()))
        };
        line.and_then(read).ok_or_else(|| {
            Error::input(format!("`{typed}` is no line of the list"))
                .field("line")
                .hint("`headwalk day` prints the list with its numbers.")
        })
    }

    fn undo(&mut self, number: Option<usize>) -> Result<(), Error> {
        let nth = number.unwrap_or(1).checked_sub(1);
        let decided = nth.and_then(|nth| self.day.decided.get(nth));
        let Some(decided) = decided else {
            return Err(Error::input("no decision of today has that number")
                .field("number")
                .hint("`headwalk day` lists what was decided today."));
        };
        self.may_take_back()?;
        let marks = self.store.marks(decided.logbook, &[decided.place])?;
        for of in marks {
            self.write(decided.logbook, taking_back(decided, of))?;
        }
        let done = format!("Taken back: {}", decided.words);
        self.done(&done)
    }

    /// Holding an entry back is a dispatcher's: no hub takes such a word from anybody else, and
    /// with it nothing that its device wrote after.
    fn may_take_back(&self) -> Result<(), Error> {
        let own = self.store.device();
        let role = match self.digests.office() {
            None => None,
            Some(office) => {
                let state = state_of(self.store, office)?;
                let listed = company::devices(&Site::of(&state, office));
                let mut listed = listed.into_iter().filter(|listed| listed.device == own);
                listed.find_map(|listed| listed.role)
            }
        };
        let as_let_in = own_role(self.store)?.and_then(|role| role.parse().ok());
        match role.or(as_let_in) {
            Some(Role::Dispatcher) => Ok(()),
            _ => Err(
                Error::input("only a dispatcher's device takes decisions back").hint(
                    "write the value again with `headwalk note`, or take it back at the office.",
                ),
            ),
        }
    }

    fn close(&mut self, why: &str) -> Result<(), Error> {
        let Some(office) = self.digests.office() else {
            return Err(Error::input(
                "a day is closed in the company's logbook, and there is none here",
            )
            .hint("`headwalk add company NAME` begins one."));
        };
        let changes = closing(&self.day, office, why).map_err(refused)?;
        self.write(office, changes)?;
        self.done("The day is closed")
    }

    fn write(&self, logbook: LogbookId, changes: Vec<Change>) -> Result<Place, Error> {
        let now = self.call.now();
        let draft = Draft {
            logbook,
            by: self.call.by(self.store)?,
            utc_offset_min: now.utc_offset_min,
            visit: None,
            changes,
        };
        let recorded = self.store.record(&[draft], now.wall)?;
        Ok(recorded.first().expect("one draft makes one entry").place)
    }

    /// Says what was done and how many lines are left.
    fn done(&mut self, what: &str) -> Result<(), Error> {
        let day = day_of(self.store, &mut self.digests, self.today)?;
        let left = day.lines.len();
        self.call.print(&Done {
            done: what.trim().to_owned(),
            left,
        })
    }
}

/// Returns the day's end as the store has it now.
fn day_of(store: &Store, digests: &mut Digests, today: Today) -> Result<DayEnd, Error> {
    digests.refresh(store)?;
    Ok(digests.day(&digests.heard(), today))
}

fn told(line: &Line) -> String {
    format!("{} {}, {}", line.site, line.place, line.head)
}

fn offered<'l>(line: &'l Line, typed: &str) -> Option<&'l Offer> {
    let same =
        |offer: &&Offer| offer.word().eq_ignore_ascii_case(typed) || offer.key.to_string() == typed;
    line.offers.iter().find(same)
}

fn not_offered(line: &Line, typed: &str) -> Error {
    let words: Vec<_> = line
        .offers
        .iter()
        .map(|offer| format!("{}  {}", offer.word(), offer.label))
        .collect();
    Error::input(format!("`{typed}` is not what can be decided here"))
        .field("what")
        .details(words)
        .hint("say one of these.")
}

fn refused(why: CannotDecide) -> Error {
    let hint = match &why {
        CannotDecide::Already(decided) => already(decided),
        CannotDecide::Changed | CannotDecide::Gone => {
            "`headwalk day` prints the list as it is now.".to_owned()
        }
        CannotDecide::StillOpen(_) => "add --why \"...\".".to_owned(),
        _ => "`headwalk day` says what can be decided, and what goes with it.".to_owned(),
    };
    Error::input(why.to_string()).hint(hint)
}

fn already(decided: &Decided) -> String {
    match decided.act {
        headwalk_core::site::day_end::Act::Close => "the day is closed already.".to_owned(),
        _ => "`headwalk day undo NUMBER` takes a decision back; `headwalk day` lists them."
            .to_owned(),
    }
}

//! `headwalk estimate`: findings as lines with prices, and what the client says to each.

mod report;

use chrono::NaiveDate;

use headwalk_core::site::estimate::{
    Answer, Decision, Estimate, Line, PriceBook, Proposal, answer, propose, quote, schedule,
    withdraw,
};
use headwalk_core::site::finding::Status;
use headwalk_core::site::things::{Finding, Site};
use headwalk_core::store::Store;

use super::price::price_book;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::Report;
use crate::record::{Action, record};
use crate::roots::{Root, Roots};
use report::{Answered, Drafted, Shown};

/// Price what was found, quote it, and write down what the client says, line by line.
///
/// Parts and minutes are those that the crew wrote down, else those of the price book, else what the
/// finding usually takes. Each line stands by itself: parts, labour and tax of a line are rounded to
/// the cent, half a cent up, so whatever lines are picked add up. What was quoted keeps its prices.
/// A finding moves along: to quote, quoted, approved or declined, scheduled, fixed.
///
/// Example: headwalk estimate draft "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Show what an estimate would say, and what has no price yet. Records nothing.
    ///
    /// Example: headwalk estimate draft "Maple Court"
    Draft(Which),
    /// Quote it: an estimate with its prices as they are now, one entry.
    ///
    /// Example: headwalk estimate quote "Maple Court" valve-3-valve-weeping --days 30
    Quote(Quote),
    /// Show the estimates that were given, each line with what was said to it.
    ///
    /// Example: headwalk estimate show "Maple Court"
    Show {
        /// The site, by its name or enough of it.
        site: String,
    },
    /// Write down what the client said to a line: who, when and how, one value.
    ///
    /// Example: headwalk estimate answer "Maple Court" E1-1 yes --who "Mrs Lind" --how phone
    Answer(Said),
    /// Give an approved line its day.
    ///
    /// Example: headwalk estimate schedule "Maple Court" E1-1 2026-07-21
    Schedule {
        /// The site, by its name or enough of it.
        site: String,
        /// The line, such as E1-1.
        line: String,
        /// The day.
        day: String,
    },
    /// Take an estimate back, but for the lines that were approved; its findings are to be quoted
    /// again.
    ///
    /// Example: headwalk estimate withdraw "Maple Court" E1
    Withdraw {
        /// The site, by its name or enough of it.
        site: String,
        /// The estimate, such as E1.
        estimate: String,
    },
}

#[derive(Debug, clap::Args)]
struct Which {
    /// The site, by its name or enough of it.
    site: String,
    /// The findings; all that are to be quoted, if none is named.
    findings: Vec<String>,
}

#[derive(Debug, clap::Args)]
struct Quote {
    #[command(flatten)]
    which: Which,
    /// How many days its prices hold; else what the price book says.
    #[arg(long, value_name = "N")]
    days: Option<u32>,
}

#[derive(Debug, clap::Args)]
struct Said {
    /// The site, by its name or enough of it.
    site: String,
    /// The line, such as E1-1.
    line: String,
    /// yes or no.
    decision: String,
    /// Who said it.
    #[arg(long, value_name = "NAME")]
    who: String,
    /// How: spoken, phone, letter, email, signed.
    #[arg(long)]
    how: String,
    /// When; today, if no day is named.
    #[arg(long, value_name = "DATE")]
    on: Option<String>,
}

impl Step {
    fn site(&self) -> &str {
        match self {
            Self::Draft(which) => &which.site,
            Self::Quote(step) => &step.which.site,
            Self::Answer(step) => &step.site,
            Self::Show { site } | Self::Schedule { site, .. } | Self::Withdraw { site, .. } => site,
        }
    }
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(args.step.site())?;
    let state = state_of(&store, root.id)?;
    let site = Site::of(&state, root.id);
    let desk = Desk {
        store: &store,
        roots: &roots,
        root,
        site: &site,
        call,
    };
    match &args.step {
        Step::Draft(which) => {
            let proposal = desk.proposal(&desk.book()?, &which.findings)?;
            call.print(&Drafted::of(root, &site, &proposal))
        }
        Step::Quote(step) => desk.quote(step),
        Step::Show { .. } => call.print(&desk.shown()?),
        Step::Answer(step) => {
            let estimates = site.estimates();
            let line = find_line(&estimates, &step.line)?;
            let said = step.answer(call)?;
            let changes = answer(line, &said).map_err(|error| Error::input(error.to_string()))?;
            let standing = line.standing(said.on.unwrap_or(call.now().today()));
            desk.write(changes, line.thing.id)?;
            call.print(&Answered::of(root, line, &said, standing))
        }
        Step::Schedule { line, day, .. } => {
            let estimates = site.estimates();
            let line = find_line(&estimates, line)?;
            let changes = schedule(line, date(day, "day")?);
            let changes = changes.map_err(|error| Error::input(error.to_string()))?;
            desk.write_and_show(changes, line.thing.id)
        }
        Step::Withdraw { estimate, .. } => {
            let estimates = site.estimates();
            let found = find_estimate(&estimates, estimate)?;
            desk.write_and_show(withdraw(found), found.thing.id)
        }
    }
}

/// What every step works on.
struct Desk<'d> {
    store: &'d Store,
    roots: &'d Roots,
    root: &'d Root,
    site: &'d Site<'d>,
    call: &'d Call,
}

impl Desk<'_> {
    fn book(&self) -> Result<PriceBook, Error> {
        price_book(self.store, self.roots)
    }

    /// Prices the findings that are named, or all that are to be quoted.
    fn proposal(&self, book: &PriceBook, named: &[String]) -> Result<Proposal, Error> {
        let findings = if named.is_empty() {
            let findings = self.site.findings().into_iter();
            findings
                .filter(|finding| finding.status() == Status::ToQuote)
                .collect()
        } else {
            let find = |name: &String| {
                let thing = self.site.find(name)?;
                Finding::of(self.site, thing).ok_or_else(|| {
                    Error::input(format!("`{name}` is not a finding"))
                        .field("findings")
                        .hint("`headwalk finding SITE` lists them.")
                })
            };
            named.iter().map(find).collect::<Result<Vec<_>, Error>>()?
        };
        if findings.is_empty() {
            return Err(
                Error::input(format!("nothing is to be quoted at {}", self.root.name))
                    .hint("note a finding's status to-quote, or name findings."),
            );
        }
        Ok(propose(self.site, &findings, book))
    }

    fn quote(&self, step: &Quote) -> Result<(), Error> {
        let book = self.book()?;
        let proposal = self.proposal(&book, &step.which.findings)?;
        if !proposal.gaps.is_empty() {
            let name = |id| self.site.thing(id).map(|thing| self.site.address(thing));
            let gaps = proposal.gaps.iter();
            let gaps =
                gaps.map(|gap| format!("{}: {gap}", name(gap.finding()).unwrap_or_default()));
            return Err(Error::input("some findings have no price yet")
                .details(gaps.collect())
                .hint("complete the price book, or name the findings to quote now."));
        }
        let today = self.call.now().today();
        let days = step.days.unwrap_or(book.days);
        let until = today
            .checked_add_days(chrono::Days::new(u64::from(days)))
            .ok_or_else(|| Error::input(format!("{days} days is too long")).field("days"))?;
        let ids = (0..=proposal.lines.len()).map(|_| self.call.now().fresh_thing());
        let ids = ids.collect::<Result<Vec<_>, Error>>()?;
        let changes = quote(self.site, &proposal.lines, &ids, today, until);
        let about = ids.first().copied().unwrap_or(self.site.root().id);
        self.write_and_show(changes, about)
    }

    fn write(
        &self,
        changes: Vec<headwalk_core::log::entry::Change>,
        about: headwalk_core::log::id::ThingId,
    ) -> Result<(), Error> {
        let action = Action {
            about,
            changes,
            ask: Vec::new(),
        };
        record(self.call, self.store, self.root, action)?;
        Ok(())
    }

    /// Records, and shows the estimates as they then stand.
    fn write_and_show(
        &self,
        changes: Vec<headwalk_core::log::entry::Change>,
        about: headwalk_core::log::id::ThingId,
    ) -> Result<(), Error> {
        self.write(changes, about)?;
        self.call.print(&self.shown()?)
    }

    fn shown(&self) -> Result<impl Report + use<>, Error> {
        let state = state_of(self.store, self.root.id)?;
        let site = Site::of(&state, self.root.id);
        Ok(Shown::of(self.root, &site, self.call.now().today()))
    }
}

impl Said {
    fn answer(&self, call: &Call) -> Result<Answer, Error> {
        let on = match &self.on {
            Some(text) => date(text, "on")?,
            None => call.now().today(),
        };
        let field = &headwalk_core::site::fields::line::ANSWER;
        let (who, how) = (&self.who, &self.how);
        // The table says what reads as yes, and what ways there are to say it.
        let typed = format!("decision={}; how={how}", self.decision);
        let parsed = field.parse(&typed, call.units());
        let parsed = parsed.map_err(|error| Error::from(error).field("answer"))?;
        let read = Answer::read(&parsed.value);
        let (decision, how) = read.map_or((Decision::Declined, None), |it| (it.decision, it.how));
        Ok(Answer {
            decision,
            who: Some(who.clone()),
            on: Some(on),
            how,
        })
    }
}

fn find_line<'e, 's>(estimates: &'e [Estimate<'s>], name: &str) -> Result<&'e Line<'s>, Error> {
    let mut lines = estimates.iter().flat_map(|estimate| &estimate.lines);
    let found = lines.find(|line| line.name.eq_ignore_ascii_case(name));
    found.ok_or_else(|| {
        Error::input(format!("no estimate has a line `{name}`"))
            .field("line")
            .hint("`headwalk estimate show SITE` lists them.")
    })
}

fn find_estimate<'e, 's>(
    estimates: &'e [Estimate<'s>],
    name: &str,
) -> Result<&'e Estimate<'s>, Error> {
    let mut all = estimates.iter();
    let found = all.find(|estimate| estimate.name.eq_ignore_ascii_case(name));
    found.ok_or_else(|| {
        Error::input(format!("there is no estimate `{name}`"))
            .field("estimate")
            .hint("`headwalk estimate show SITE` lists them.")
    })
}

fn date(text: &str, field: &'static str) -> Result<NaiveDate, Error> {
    text.parse().map_err(|_| {
        Error::input(format!("`{text}` is not a date"))
            .field(field)
            .hint("write it like 2026-07-21.")
    })
}

//! `headwalk price`: the firm's price book.

use serde::Serialize;

use headwalk_core::log::entry::Change;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::estimate::{BookPart, PriceBook};
use headwalk_core::site::fields::{self, FieldDef, part, price};
use headwalk_core::site::finding::FINDINGS;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{NewThing, Site, Thing};
use headwalk_core::site::words::{Vocabulary, plain};
use headwalk_core::store::Store;

use super::note::pairs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report};
use crate::record::{Action, record};
use crate::roots::{Root, Roots};

/// Keep the firm's prices: what a part costs, how long work takes, the rate and the tax.
///
/// Without a step the whole book is listed. Prices are exact amounts, never rounded on the way. A
/// change of the book changes no estimate that was given: its lines carry their prices. A table of
/// parts comes in with `import`: headwalk import parts.csv --site "Harrow and Sons", with the
/// columns thing (part-1, part-2 ..), description, part-kind, size, pop-up, arc, unit-cost, price.
///
/// Example: headwalk price
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Option<Step>,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Set what the client pays for a part; one that is not in the book yet is added.
    ///
    /// Findings name their parts by this description, or by its kind: of several nozzles or bodies
    /// the one is taken that fits the head's arc and height.
    ///
    /// Example: headwalk price part "nozzle 12 ft half" $4.85 part-kind nozzle arc half
    Part(OnePart),
    /// Set how long a kind of finding takes, and what is charged for it beside labour and parts.
    ///
    /// Example: headwalk price work valve-weeping 40min --charge $15
    Work(OneWork),
    /// Set the rate of an hour, the tax and what it is on, how long an estimate holds.
    ///
    /// Example: headwalk price terms labour-rate $78 tax 7.25% tax-on parts quote-days 30
    Terms(Terms),
}

#[derive(Debug, clap::Args)]
struct OnePart {
    /// What it is, in plain words.
    description: String,
    /// The price of one, such as $4.85 or $0.085.
    price: String,
    /// More fields and values, in turn: part-kind, size, pop-up, arc, unit-cost, bin, replaced-by.
    #[arg(num_args = 0.., value_names = ["FIELD", "VALUE"])]
    pairs: Vec<String>,
}

#[derive(Debug, clap::Args)]
struct OneWork {
    /// The kind of finding, such as head-broken.
    finding: String,
    /// Labour of one person.
    minutes: String,
    /// What is charged beside labour and parts.
    #[arg(long, value_name = "AMOUNT", default_value = "$0")]
    charge: String,
}

#[derive(Debug, clap::Args)]
struct Terms {
    /// Fields of the company and values, in turn: labour-rate, tax, tax-on, quote-days.
    #[arg(required = true, num_args = 2.., value_names = ["FIELD", "VALUE"])]
    pairs: Vec<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let firm = company(&Roots::of(&store)?)?.clone();
    let state = state_of(&store, firm.id)?;
    let site = Site::of(&state, firm.id);
    let action = match &args.step {
        None => return call.print(&Book::of(&firm, &site)),
        Some(Step::Part(step)) => step.action(&site, call)?,
        Some(Step::Work(step)) => step.action(&site, call)?,
        Some(Step::Terms(step)) => {
            let mut said = Said::of(site.root());
            for (name, text) in pairs(&step.pairs)? {
                said.say(call, name, text)?;
            }
            said.action()
        }
    };
    call.print(&record(call, &store, &firm, action)?)
}

/// Returns the firm's logbook, or says how to begin it.
pub fn company(roots: &Roots) -> Result<&Root, Error> {
    roots.of_kind(ThingKind::Company).next().ok_or_else(|| {
        Error::input("the company's logbook is not in this store").hint(
            "`headwalk exchange` brings it; `headwalk add company NAME` begins it where there is \
             none.",
        )
    })
}

/// Reads the firm's prices, where its logbook is here.
pub fn price_book(store: &Store, roots: &Roots) -> Result<PriceBook, Error> {
    let firm = company(roots)?;
    let state = state_of(store, firm.id)?;
    Ok(PriceBook::of(&Site::of(&state, firm.id)))
}

/// What is said of one thing that is in the logbook already.
struct Said<'a> {
    thing: Thing<'a>,
    changes: Vec<Change>,
    ask: Vec<String>,
}

impl<'a> Said<'a> {
    const fn of(thing: Thing<'a>) -> Self {
        Self {
            thing,
            changes: Vec::new(),
            ask: Vec::new(),
        }
    }

    fn say(&mut self, call: &Call, name: &str, text: &str) -> Result<(), Error> {
        let kind = self.thing.kind.unwrap_or(ThingKind::Company);
        let field = fields::known_field(kind, name)?;
        let parsed = field.parse(text, call.units());
        let parsed = parsed.map_err(|error| Error::from(error).field(name))?;
        self.ask.extend(parsed.ask);
        self.changes.push(Change::Set {
            thing: self.thing.id,
            field: field.number,
            value: parsed.value,
            how: HowKnown::Unstated,
        });
        Ok(())
    }

    fn action(self) -> Action {
        Action {
            about: self.thing.id,
            changes: self.changes,
            ask: self.ask,
        }
    }
}

/// Says fields of a thing that is there, or of a new one.
fn say_of(
    there: Option<Thing<'_>>,
    site: &Site<'_>,
    kind: ThingKind,
    said: &[(&str, &str)],
    call: &Call,
) -> Result<Action, Error> {
    if let Some(thing) = there {
        let mut of = Said::of(thing);
        for (name, text) in said {
            of.say(call, name, text)?;
        }
        return Ok(of.action());
    }
    let mut new = site.add(call.now().fresh_thing()?, kind, site.root().id);
    new = new.label(&next_label(site, kind));
    for (name, text) in said {
        let told = new.say(name, text, call.units());
        new = told.map_err(|error| Error::from(error).field(*name))?;
    }
    Ok(Action {
        about: NewThing::id(&new),
        ask: new.asks().to_vec(),
        changes: new.changes(),
    })
}

impl OnePart {
    fn action(&self, site: &Site<'_>, call: &Call) -> Result<Action, Error> {
        let wanted = self.description.to_lowercase();
        let there = present(site, ThingKind::Part).find(|thing| {
            let words = thing.words(&part::DESCRIPTION);
            words.is_ok_and(|words| words.value.to_lowercase() == wanted)
        });
        let mut said = vec![(part::PRICE.name, self.price.as_str())];
        if there.is_none() {
            said.insert(0, (part::DESCRIPTION.name, &self.description));
        }
        said.extend(pairs(&self.pairs)?);
        say_of(there, site, ThingKind::Part, &said, call)
    }
}

impl OneWork {
    fn action(&self, site: &Site<'_>, call: &Call) -> Result<Action, Error> {
        let parsed = price::FINDING.parse(&self.finding, call.units())?;
        let there = present(site, ThingKind::Price)
            .find(|thing| thing.raw(&price::FINDING) == Some(&parsed.value));
        let price = format!("price={}; minutes={}", self.charge, self.minutes);
        let said = [
            (price::FINDING.name, self.finding.as_str()),
            (price::PRICE.name, &price),
        ];
        let said = if there.is_some() {
            &said[1..]
        } else {
            &said[..]
        };
        say_of(there, site, ThingKind::Price, said, call)
    }
}

/// A number behind the highest that a thing of the kind ever had.
fn next_label(site: &Site<'_>, kind: ThingKind) -> String {
    let things = site.things().filter(|thing| thing.kind == Some(kind));
    let taken = things.filter_map(|thing| thing.label()?.rsplit('-').next()?.parse::<u32>().ok());
    taken.max().unwrap_or(0).saturating_add(1).to_string()
}

fn present<'a>(site: &Site<'a>, kind: ThingKind) -> impl Iterator<Item = Thing<'a>> {
    let things = site.things().filter(move |thing| thing.kind == Some(kind));
    things.filter(|thing| !thing.is_removed())
}

/// `{"company": .., "labour_rate": .., "tax": .., "tax_on": .., "quote_days": N, "parts": [..],
/// "work": [..]}`; amounts are decimals as text.
#[derive(Serialize)]
struct Book {
    company: String,
    /// For an hour; none where the firm wrote none down.
    labour_rate: Option<String>,
    tax: Option<String>,
    tax_on: &'static str,
    quote_days: u32,
    parts: Vec<PartLine>,
    work: Vec<WorkLine>,
}

#[derive(Serialize)]
struct PartLine {
    part: String,
    name: String,
    description: String,
    kind: Option<String>,
    fits: String,
    cost: Option<String>,
    price: Option<String>,
    bin: Option<String>,
}

#[derive(Serialize)]
struct WorkLine {
    finding: &'static str,
    minutes: Option<String>,
    charge: String,
}

impl Book {
    fn of(firm: &Root, site: &Site<'_>) -> Self {
        let book = PriceBook::of(site);
        let work = FINDINGS.iter().filter_map(|kind| {
            let work = book.work.get(kind.word)?;
            Some(WorkLine {
                finding: kind.word,
                minutes: work.minutes.map(|minutes| minutes.to_string()),
                charge: work.charge.to_string(),
            })
        });
        Self {
            company: firm.name.clone(),
            labour_rate: book.rate.map(|rate| rate.to_string()),
            tax: book.tax.map(|tax| tax.to_string()),
            tax_on: book.tax_on.word(),
            quote_days: book.days,
            work: work.collect(),
            parts: book.parts.iter().map(|it| PartLine::of(site, it)).collect(),
        }
    }
}

impl PartLine {
    fn of(site: &Site<'_>, of: &BookPart) -> Self {
        let shown = |field: &FieldDef| {
            let system = headwalk_core::site::unit::UnitSystem::Us;
            site.thing(of.id)
                .and_then(|thing| thing.show(field, system))
        };
        let fits = [&part::SIZE, &part::POP_UP, &part::ARC].map(shown);
        let fits: Vec<String> = fits.into_iter().flatten().collect();
        Self {
            part: of.id.to_string(),
            name: site
                .thing(of.id)
                .map_or_else(String::new, |thing| site.address(thing)),
            description: of.description.clone(),
            kind: of.kind.clone(),
            fits: fits.join(", "),
            cost: of.cost.map(|cost| cost.to_string()),
            price: of.price.map(|price| price.to_string()),
            bin: of.bin.clone(),
        }
    }
}

impl Report for Book {
    fn write(&self, page: &mut Page) {
        page.line(&self.company);
        let or =
            |what: &Option<String>, none: &str| what.clone().unwrap_or_else(|| none.to_owned());
        page.line(format!(
            "an hour {}; tax {} on {}; an estimate holds {} days",
            or(&self.labour_rate, "has no rate yet"),
            or(&self.tax, "not set"),
            self.tax_on,
            self.quote_days
        ));
        let rows: Vec<_> = self
            .parts
            .iter()
            .map(|part| {
                [
                    part.description.clone(),
                    part.kind.as_deref().map(plain).unwrap_or_default(),
                    part.fits.clone(),
                    or(&part.cost, ""),
                    or(&part.price, "no price yet"),
                    or(&part.bin, ""),
                ]
            })
            .collect();
        if !rows.is_empty() {
            page.line("");
            page.table(["part", "kind", "fits", "cost", "price", "bin"], &rows);
        }
        let rows: Vec<_> = self
            .work
            .iter()
            .map(|work| {
                [
                    plain(work.finding),
                    or(&work.minutes, "as the crew says"),
                    work.charge.clone(),
                ]
            })
            .collect();
        if !rows.is_empty() {
            page.line("");
            page.table(["work", "minutes", "charge beside"], &rows);
        }
    }
}

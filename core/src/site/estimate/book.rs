//! The firm's prices, as its logbook says them.

use std::collections::BTreeMap;

use crate::log::id::ThingId;
use crate::log::value::Value;
use crate::site::estimate::TaxOn;
use crate::site::fields::{FieldDef, company, part, price};
use crate::site::finding::FindingKind;
use crate::site::kind::ThingKind;
use crate::site::money::{Minutes, Money, TaxRate, UnitPrice};
use crate::site::things::{Parts, Site, Thing};
use crate::water::units::{Days, Degrees, Inches};

/// How long prices hold where the firm does not say; common practice, no source.
const USUAL_DAYS: u32 = 30;

/// What the firm charges.
#[derive(Debug, Clone, PartialEq)]
pub struct PriceBook {
    /// For an hour of labour.
    pub rate: Option<UnitPrice>,
    /// The tax; none where the firm wrote none down.
    pub tax: Option<TaxRate>,
    /// What it is put on.
    pub tax_on: TaxOn,
    /// How many days an estimate holds.
    pub days: u32,
    /// Parts, by description.
    pub parts: Vec<BookPart>,
    /// Labour and charges of each kind of finding, by its word.
    pub work: BTreeMap<&'static str, Work>,
}

/// A part of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct BookPart {
    /// The thing.
    pub id: ThingId,
    /// What it is called beside its description.
    pub label: Option<String>,
    /// In plain words.
    pub description: String,
    /// What sort of part, as stored.
    pub kind: Option<String>,
    /// Size or thread.
    pub size: Option<String>,
    /// How high it rises.
    pub pop_up: Option<Inches>,
    /// The arc of a nozzle.
    pub arc: Option<Degrees>,
    /// What one costs the firm.
    pub cost: Option<UnitPrice>,
    /// What the client pays for one.
    pub price: Option<UnitPrice>,
    /// Where it lies.
    pub bin: Option<String>,
    /// What to take instead.
    pub replaced_by: Option<String>,
}

/// What a kind of finding takes beside parts.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// The line of the book.
    pub id: ThingId,
    /// Labour.
    pub minutes: Option<Minutes>,
    /// What is charged beside labour and parts.
    pub charge: Money,
}

/// Why a part has no price.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoPrice {
    /// The book has no such part.
    #[error("the price book has no part `{0}`")]
    NotInBook(String),
    /// It could be several.
    #[error("`{words}` can be {}; say which in the finding's parts", names.join(", or "))]
    Several {
        /// What the finding says.
        words: String,
        /// What that can be.
        names: Vec<String>,
    },
    /// It is there without a price.
    #[error("`{0}` is in the price book without a price")]
    Unpriced(String),
}

impl PriceBook {
    /// Reads the prices of a company's logbook.
    #[must_use]
    pub fn of(firm: &Site<'_>) -> Self {
        let root = firm.root();
        let there = |thing: &Thing<'_>| !thing.is_removed() && firm.kept(thing.id) == thing.id;
        let things = || firm.things().filter(there);
        let mut parts: Vec<BookPart> = things().filter_map(BookPart::of).collect();
        let mut work = BTreeMap::new();
        for line in things().filter(|thing| thing.kind == Some(ThingKind::Price)) {
            if let Ok(finding) = line.read(&price::FINDING, FindingKind::read) {
                work.insert(finding.value.word, Work::of(line));
            } else if let Ok(of) = line.other(&price::PART)
                && let Some(part) = parts.iter_mut().find(|part| part.id == of.value)
            {
                part.price = part.price.or_else(|| one(line, &price::PRICE));
            }
        }
        parts.sort_by(|a, b| (&a.description, a.id).cmp(&(&b.description, b.id)));
        let days = root.measure::<Days>(&company::QUOTE_DAYS);
        Self {
            rate: read(root, &company::LABOUR_RATE, UnitPrice::read),
            tax: read(root, &company::TAX, TaxRate::read),
            tax_on: root
                .choice(&company::TAX_ON)
                .map_or(TaxOn::Parts, |on| on.value),
            // The table takes whole and half days between 1 and 1,000.
            days: days.map_or(USUAL_DAYS, |days| days.value.get() as u32),
            parts,
            work,
        }
    }

    /// Finds the part that words of a finding mean: its description or label; else the only part of
    /// that sort, or the only one that fits a head of this arc and height.
    ///
    /// # Errors
    /// [`NoPrice`] where there is none, or more than one.
    pub fn part(
        &self,
        words: &str,
        arc: Option<Degrees>,
        pop_up: Option<Inches>,
    ) -> Result<(&BookPart, UnitPrice), NoPrice> {
        let wanted = plain(words);
        let called = |part: &&BookPart| {
            let label = part.label.as_deref().map(plain);
            plain(&part.description) == wanted || label.as_ref() == Some(&wanted)
        };
        let sort = |part: &&BookPart| {
            let kind = part.kind.as_deref().map(plain);
            kind.is_some_and(|kind| kind == wanted || wanted.split(" or ").any(|it| it == kind))
        };
        let mut found: Vec<&BookPart> = self.parts.iter().filter(called).collect();
        if found.is_empty() {
            found = self.parts.iter().filter(sort).collect();
            if found.len() > 1 {
                let same = |own: Option<f64>, of: Option<f64>| {
                    own.is_none_or(|own| of.is_none_or(|of| (own - of).abs() < 0.5))
                };
                found.retain(|part| {
                    same(part.arc.map(Degrees::get), arc.map(Degrees::get))
                        && same(part.pop_up.map(Inches::get), pop_up.map(Inches::get))
                });
            }
        }
        match found.as_slice() {
            [] => Err(NoPrice::NotInBook(words.to_owned())),
            [part] => {
                let price = part.price;
                let price = price.ok_or_else(|| NoPrice::Unpriced(part.description.clone()))?;
                Ok((part, price))
            }
            several => {
                let names = several.iter().map(|part| part.description.clone());
                Err(NoPrice::Several {
                    words: words.to_owned(),
                    names: names.collect(),
                })
            }
        }
    }
}

impl BookPart {
    fn of(thing: Thing<'_>) -> Option<Self> {
        if thing.kind != Some(ThingKind::Part) {
            return None;
        }
        let words = |field| thing.words(field).ok().map(|words| words.value);
        let label = thing.label().map(str::to_owned);
        Some(Self {
            id: thing.id,
            description: words(&part::DESCRIPTION).or_else(|| label.clone())?,
            label,
            kind: words(&part::PART_KIND),
            size: words(&part::SIZE),
            pop_up: thing.measure(&part::POP_UP).ok().map(|fact| fact.value),
            arc: thing.measure(&part::ARC).ok().map(|fact| fact.value),
            cost: read(thing, &part::UNIT_COST, UnitPrice::read),
            price: one(thing, &part::PRICE),
            bin: words(&part::BIN),
            replaced_by: words(&part::REPLACED_BY),
        })
    }
}

impl Work {
    fn of(line: Thing<'_>) -> Self {
        let price = line.raw(&price::PRICE);
        let parts = price.map(|value| Parts::of(&price::PRICE, value));
        let get = |name| parts.and_then(|parts| parts.get(name));
        Self {
            id: line.id,
            minutes: get("minutes").and_then(Minutes::read),
            charge: get("price").and_then(Money::read).unwrap_or_default(),
        }
    }
}

/// The price for one in a line of the book.
fn one(thing: Thing<'_>, field: &FieldDef) -> Option<UnitPrice> {
    UnitPrice::read(Parts::of(field, thing.raw(field)?).get("price")?)
}

fn read<T>(thing: Thing<'_>, field: &FieldDef, of: fn(&Value) -> Option<T>) -> Option<T> {
    thing.read(field, of).ok().map(|fact| fact.value)
}

/// Lower case, single blanks, no hyphens, no plural at the end.
fn plain(words: &str) -> String {
    let lower = words.to_lowercase().replace('-', " ");
    let words: Vec<&str> = lower.split_whitespace().collect();
    let words = words.join(" ");
    match words.strip_suffix('s') {
        Some(one) if !one.ends_with('s') => one.to_owned(),
        _ => words,
    }
}

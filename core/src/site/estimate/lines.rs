//! The price of one line, as it was given.

use std::collections::BTreeMap;

use super::TaxOn;
use crate::log::value::Value;
use crate::site::fields::line;
use crate::site::finding::Severity;
use crate::site::money::{Minutes, Money, TaxRate, UnitPrice};
use crate::site::things::Parts;
use crate::site::words::Vocabulary;

/// So many of a part, at a price.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartLine {
    /// In plain words.
    pub name: String,
    /// How many.
    pub count: u32,
    /// What one costs.
    pub each: UnitPrice,
}

/// A price with all that it is made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Quoted {
    /// What is done, where that is not what usually mends the finding.
    pub work: Option<String>,
    /// How soon it matters.
    pub severity: Severity,
    /// What it takes.
    pub parts: Vec<PartLine>,
    /// Labour of one person.
    pub minutes: Minutes,
    /// What an hour of it costs.
    pub rate: UnitPrice,
    /// What is charged beside parts and labour.
    pub charge: Money,
    /// The tax.
    pub tax_rate: TaxRate,
    /// What it is put on.
    pub tax_on: TaxOn,
    sums: Sums,
}

/// What a price adds up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Sums {
    parts: Money,
    labour: Money,
    tax: Money,
    total: Money,
}

impl Sums {
    /// Adds up by the rule of rounding; `None` where it does not fit.
    fn of(line: &Quoted) -> Option<Self> {
        let parts = line.parts.iter().map(|part| part.each.times(part.count));
        let parts = Money::sum(parts.collect::<Option<Vec<_>>>()?)?;
        let labour = line.rate.for_time(line.minutes)?;
        let taxed = match line.tax_on {
            TaxOn::Parts => parts,
            TaxOn::All => Money::sum([parts, labour, line.charge])?,
        };
        let tax = line.tax_rate.on(taxed)?;
        let total = Money::sum([parts, labour, line.charge, tax])?;
        Some(Self {
            parts,
            labour,
            tax,
            total,
        })
    }
}

impl Quoted {
    /// Reckons a price; `None` where a sum does not fit.
    #[must_use]
    pub fn reckon(mut self) -> Option<Self> {
        self.sums = Sums::of(&self)?;
        Some(self)
    }

    /// Begins a price of nothing at all, to be filled in and reckoned.
    #[must_use]
    pub fn begin(severity: Severity, rate: UnitPrice, tax_rate: TaxRate, tax_on: TaxOn) -> Self {
        let nothing = Money::ZERO;
        Self {
            work: None,
            severity,
            parts: Vec::new(),
            minutes: Minutes::default(),
            rate,
            charge: nothing,
            tax_rate,
            tax_on,
            sums: Sums {
                parts: nothing,
                labour: nothing,
                tax: nothing,
                total: nothing,
            },
        }
    }

    /// Returns what the parts come to.
    #[must_use]
    pub const fn parts_total(&self) -> Money {
        self.sums.parts
    }

    /// Returns what the labour comes to.
    #[must_use]
    pub const fn labour(&self) -> Money {
        self.sums.labour
    }

    /// Returns the tax.
    #[must_use]
    pub const fn tax(&self) -> Money {
        self.sums.tax
    }

    /// Returns what the client pays for this line.
    #[must_use]
    pub const fn total(&self) -> Money {
        self.sums.total
    }

    /// Returns the one value to store.
    #[must_use]
    pub fn value(&self) -> Value {
        let mut parts = BTreeMap::from([
            (1, self.sums.total.value()),
            (2, self.minutes.value()),
            (3, self.rate.value()),
            (4, self.sums.labour.value()),
            (5, self.charge.value()),
            (6, self.tax_rate.value()),
            (7, self.tax_on.value()),
            (8, self.sums.tax.value()),
            (9, self.severity.value()),
        ]);
        if !self.parts.is_empty() {
            let list = |value: &dyn Fn(&PartLine) -> Value| {
                Value::List(self.parts.iter().map(value).collect())
            };
            parts.insert(10, list(&|part| Value::text(part.name.as_str())));
            parts.insert(11, list(&|part| Value::Int(i64::from(part.count))));
            parts.insert(12, list(&|part| part.each.value()));
        }
        if let Some(work) = &self.work {
            parts.insert(13, Value::text(work.as_str()));
        }
        Value::Record(parts)
    }

    /// Reads a stored price; `None` where it is none, or does not add up: a figure that is wrong
    /// in itself is never shown as a price.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let stored = Parts::of(&line::QUOTED, value);
        let money = |name| Money::read(stored.get(name)?);
        let mut read = Self::begin(
            Severity::read(stored.get("severity")?)?,
            UnitPrice::read(stored.get("rate")?)?,
            TaxRate::read(stored.get("tax-rate")?)?,
            TaxOn::read(stored.get("tax-on")?)?,
        );
        read.work = stored.words("work").map(str::to_owned);
        read.minutes = Minutes::read(stored.get("minutes")?)?;
        read.charge = money("charge")?;
        let list = |name| stored.get(name).and_then(Value::as_list).unwrap_or(&[]);
        let (names, counts, each) = (list("parts"), list("counts"), list("each"));
        if names.len() != counts.len() || names.len() != each.len() {
            return None;
        }
        for ((name, count), each) in names.iter().zip(counts).zip(each) {
            read.parts.push(PartLine {
                name: name.as_text()?.to_owned(),
                count: u32::try_from(count.as_int()?).ok()?,
                each: UnitPrice::read(each)?,
            });
        }
        let read = read.reckon()?;
        let same = (read.labour(), read.tax(), read.total())
            == (money("labour")?, money("tax")?, money("total")?);
        same.then_some(read)
    }
}

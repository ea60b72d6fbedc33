//! Papers: pages that a client keeps, that hang in a cabinet, that ride in a truck. Each is one
//! HTML text that needs no other file, prints in black and white on letter or A4, and says the same
//! wherever it is made: [`letter`], [`card`], [`head_map`], [`work_order`], [`estimate`],
//! [`season_chart`] of a site, and [`pull_list`] of several.
//!
//! They are pure functions of what logbooks say, a day, and how to print ([`Facts`], [`Options`]).
//! None fails: what is not known is said on the page. Words are those of [`words`], in the client's
//! language; what a person typed stands as typed.

mod card;
mod estimate;
mod figures;
mod html;
mod letter;
mod map;
mod parts;
mod plan;
mod season;
mod sheet;
mod show;
mod walk;
mod words;
mod work_order;

pub use card::card;
pub use estimate::estimate;
pub use letter::letter;
pub use map::head_map;
pub use parts::{PullList, pull_list};
pub use season::season_chart;
pub use words::Language;
pub use work_order::work_order;

use chrono::NaiveDate;

use super::estimate::PriceBook;
use super::fields;
use super::plan::HouseRules;
use super::things::Site;
use super::unit::UnitSystem;
use super::weather::Record;
use super::words::vocabularies;

vocabularies! {
    /// A paper.
    Paper {
        /// What was done, what needs a decision, and what it does to the water.
        Letter = "letter",
        /// What hangs in the controller's cabinet.
        Card = "card",
        /// Where every head stands and throws.
        HeadMap = "head-map",
        /// What a crew takes along to do the work.
        WorkOrder = "work-order",
        /// Prices, line by line.
        Estimate = "estimate",
        /// A season's water by month.
        SeasonChart = "season-chart",
        /// What comes off the shelves for a day.
        PullList = "pull-list",
    }
    /// The paper that it is printed on.
    Sheet {
        /// 8.5 x 11 in.
        Letter = "letter",
        /// 210 x 297 mm.
        A4 = "a4",
    }
}

/// What the logbooks say, and the day on which it is asked.
#[derive(Debug, Clone, Copy)]
pub struct Facts<'s> {
    /// The site.
    pub site: &'s Site<'s>,
    /// The company, where its logbook is here.
    pub firm: Option<&'s Site<'s>>,
    /// The weather of the site's station.
    pub weather: &'s Record,
    /// The day.
    pub on: NaiveDate,
    /// Minutes east of UTC of who asks: where a day begins.
    pub utc_offset_min: i16,
}

/// How to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// The language.
    pub language: Language,
    /// The units.
    pub units: UnitSystem,
    /// The paper.
    pub sheet: Sheet,
}

impl Options {
    /// Returns how the site's client wants letters; US letter paper where metric was not asked for.
    #[must_use]
    pub fn of(site: &Site<'_>) -> Self {
        let root = site.root();
        let word = |field| root.words(field).ok().map(|word| word.value);
        let language = word(&fields::site::LETTER_LANGUAGE);
        let metric = word(&fields::site::LETTER_UNITS).is_some_and(|word| word == "metric");
        Self {
            language: language
                .and_then(|word| Language::of_word(&word))
                .unwrap_or_default(),
            units: if metric {
                UnitSystem::Si
            } else {
                UnitSystem::Us
            },
            sheet: if metric { Sheet::A4 } else { Sheet::Letter },
        }
    }
}

impl Facts<'_> {
    /// Returns the site's name.
    #[must_use]
    pub fn name(&self) -> String {
        let name = self.site.root().words(&fields::site::NAME);
        name.map_or_else(|_| self.site.root().id.to_string(), |name| name.value)
    }

    /// Returns the firm's prices, where its logbook is here.
    #[must_use]
    pub fn prices(&self) -> Option<PriceBook> {
        self.firm.map(PriceBook::of)
    }

    fn rules(&self) -> HouseRules {
        self.firm
            .map_or_else(HouseRules::default, |firm| HouseRules::of(firm.root()))
    }
}

/// Returns a paper about one site; a pull list has only that site.
#[must_use]
pub fn paper(paper: Paper, facts: &Facts<'_>, options: &Options) -> String {
    match paper {
        Paper::Letter => letter(facts, options),
        Paper::Card => card(facts, options),
        Paper::HeadMap => head_map(facts, options),
        Paper::WorkOrder => work_order(facts, options),
        Paper::Estimate => estimate(facts, options),
        Paper::SeasonChart => season_chart(facts, options),
        Paper::PullList => pull_list(std::slice::from_ref(facts), options),
    }
}

#[cfg(test)]
mod tests;

//! The parts pull list: totals by what lies together, then a bag for each site.

use std::collections::BTreeMap;

use super::html::{BOX, Cell, Html};
use super::sheet::{Size, framed, letterhead};
use super::show::Show;
use super::words as w;
use super::{Facts, Options};
use crate::site::estimate::{BookPart, PriceBook};
use crate::site::fields;
use crate::site::finding::Status;
use crate::site::things::{Finding, Zone};
use crate::site::words::plain;
use crate::water::units::{Degrees, Inches};

/// A part for one site.
struct Wanted {
    name: String,
    count: u32,
    /// For what.
    places: Vec<String>,
}

/// A bag: what one site takes.
struct Bag {
    site: String,
    wanted: Vec<Wanted>,
    spares: Vec<String>,
}

/// Returns what comes off the shelves for work that was agreed to at these sites, in their order.
///
/// What is scheduled for a later day than that of the first site's facts is left for that day.
#[must_use]
pub fn pull_list(sites: &[Facts<'_>], options: &Options) -> String {
    let Some(first) = sites.first() else {
        let title = Show::of(options).words(w::PULL_TITLE);
        return framed(title, Html::default(), Size::Whole, options);
    };
    let mut list = PullList::begin(first, sites.len() == 1, options);
    for facts in sites {
        list.add(facts);
    }
    list.html()
}

/// A pull list on its way: holds a bag a site, so that whoever makes one of all sites needs one at a time.
pub struct PullList<'o> {
    options: &'o Options,
    title: String,
    html: Html,
    book: Option<PriceBook>,
    bags: Vec<Bag>,
}

impl<'o> PullList<'o> {
    /// Begins it, as of one site or of several, on the day of the first site's facts.
    #[must_use]
    pub fn begin(first: &Facts<'_>, is_of_one: bool, options: &'o Options) -> Self {
        let show = Show::of(options);
        let title = format!("{}, {}", show.words(w::PULL_TITLE), show.day(first.on));
        let mut html = Html::default();
        if is_of_one {
            letterhead(&mut html, first, &title, show);
        } else {
            html.tag("h1", &title);
        }
        Self {
            options,
            title,
            html,
            book: first.prices(),
            bags: Vec::new(),
        }
    }

    /// Adds what one site takes.
    pub fn add(&mut self, facts: &Facts<'_>) {
        let bag = Bag::of(facts, self.book.as_ref(), Show::of(self.options));
        if !bag.wanted.is_empty() {
            self.bags.push(bag);
        }
    }

    /// Returns the page.
    #[must_use]
    pub fn html(self) -> String {
        let (show, mut html) = (Show::of(self.options), self.html);
        if self.bags.is_empty() {
            html.tag("p", show.words(w::NOTHING_TO_PULL));
        } else {
            totals(&mut html, &self.bags, self.book.as_ref(), show);
            for (nth, bag) in (1..).zip(&self.bags) {
                bag.write(&mut html, nth, show);
            }
        }
        framed(&self.title, html, Size::Whole, self.options)
    }
}

impl Bag {
    fn of(facts: &Facts<'_>, book: Option<&PriceBook>, show: Show) -> Self {
        let site = facts.site;
        let mut wanted: BTreeMap<String, Wanted> = BTreeMap::new();
        let findings = site.findings();
        for finding in findings.iter().filter(|finding| due(finding, facts)) {
            let on = finding.part_of().and_then(|on| site.thing(on));
            let place = super::figures::place(site, finding.part_of(), show);
            let arc = on.and_then(|on| on.measure::<Degrees>(&fields::head::ARC).ok());
            let pop_up = on.and_then(|on| on.measure::<Inches>(&fields::head::POP_UP).ok());
            for words in finding.parts() {
                let part = book.and_then(|book| {
                    let arc = arc.as_ref().map(|arc| arc.value);
                    let pop_up = pop_up.as_ref().map(|pop_up| pop_up.value);
                    Some(book.part(&words, arc, pop_up).ok()?.0.description.clone())
                });
                let name = part.unwrap_or_else(|| words.clone());
                let entry = wanted.entry(name.clone()).or_insert_with(|| Wanted {
                    name,
                    count: 0,
                    places: Vec::new(),
                });
                entry.count += 1;
                if !entry.places.contains(&place) {
                    entry.places.push(place.clone());
                }
            }
        }
        Self {
            site: facts.name(),
            wanted: wanted.into_values().collect(),
            spares: spares(facts),
        }
    }

    fn write(&self, html: &mut Html, nth: usize, show: Show) {
        html.raw("<section class=\"keep\">\n");
        html.tag(
            "h2",
            &w::BAG.with(show.language, &[&nth.to_string(), &self.site]),
        );
        let rows = self.wanted.iter().map(|part| {
            vec![
                Cell::Marks(BOX.to_owned()),
                Cell::figure(part.count.to_string()),
                Cell::words(part.name.clone()),
                Cell::words(part.places.join(", ")),
            ]
        });
        let rows: Vec<Vec<Cell>> = rows.collect();
        let heading = [w::PULLED, w::COUNT, w::PART, w::FOR_WHERE].map(|words| show.words(words));
        html.table("bag", &heading, &rows);
        if !self.spares.is_empty() {
            html.tag(
                "p",
                &w::SPARES.with(show.language, &[&self.spares.join(", ")]),
            );
        }
        html.raw("</section>\n");
    }
}

/// Whether its parts are to be on the truck: agreed to, and not kept for a later day.
fn due(finding: &Finding<'_>, facts: &Facts<'_>) -> bool {
    match finding.status() {
        Status::Approved => true,
        Status::Scheduled => finding
            .day(&fields::finding::SCHEDULED)
            .is_ok_and(|day| day.value <= facts.on),
        _ => false,
    }
}

/// What else is worth having along: the nozzles that the site's heads have most.
fn spares(facts: &Facts<'_>) -> Vec<String> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    let zones = facts.site.zones();
    for head in zones.iter().flat_map(Zone::heads) {
        if let Ok(nozzle) = head.words(&fields::head::NOZZLE) {
            *counts.entry(nozzle.value).or_default() += 1;
        }
    }
    let mut most: Vec<(usize, String)> = counts.into_iter().map(|(name, n)| (n, name)).collect();
    most.sort_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    most.into_iter()
        .take(SPARES)
        .map(|(_, name)| name)
        .collect()
}

/// How many kinds of nozzle a bag is reminded of; common practice, no source.
const SPARES: usize = 3;

/// Totals of all bags, by where the parts lie.
fn totals(html: &mut Html, bags: &[Bag], book: Option<&PriceBook>, show: Show) {
    let part_of = |name: &str| -> Option<&BookPart> {
        let mut parts = book?.parts.iter();
        parts.find(|part| part.description == name)
    };
    let mut sums: BTreeMap<(String, String), (u32, Vec<String>)> = BTreeMap::new();
    for (nth, bag) in (1..).zip(bags) {
        for part in &bag.wanted {
            let bin = part_of(&part.name).and_then(|it| it.bin.clone());
            let key = (bin.unwrap_or_default(), part.name.clone());
            let (count, of) = sums.entry(key).or_default();
            *count += part.count;
            of.push(format!("{nth}: {}", part.count));
        }
    }
    html.raw("<section>\n");
    html.tag("h2", show.words(w::OFF_THE_SHELVES));
    let rows = sums.into_iter().map(|((bin, name), (count, of))| {
        let part = part_of(&name);
        let kind = part.and_then(|part| part.kind.as_deref().map(plain));
        let instead = part.and_then(|part| part.replaced_by.clone());
        vec![
            Cell::Marks(BOX.to_owned()),
            Cell::figure(count.to_string()),
            Cell::words(name),
            Cell::words(kind.unwrap_or_default()),
            Cell::words(bin),
            Cell::words(of.join(", ")),
            Cell::words(instead.unwrap_or_default()),
            Cell::words(""),
        ]
    });
    let rows: Vec<Vec<Cell>> = rows.collect();
    let heading = [
        w::PULLED,
        w::COUNT,
        w::PART,
        w::KIND,
        w::BIN,
        w::BAGS,
        w::INSTEAD,
        w::SHORT_BY,
    ];
    html.table("totals", &heading.map(|words| show.words(words)), &rows);
    html.raw("</section>\n");
}

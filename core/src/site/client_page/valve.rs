//! The page of a valve that failed.

use chrono::NaiveDate;

use super::{ClientPage, Section, said};
use crate::site::fields;
use crate::site::finding::Caution;
use crate::site::lives::{ASSUMED, DigPlan, FAILURES, Wear};
use crate::site::things::{Site, Valve};
use crate::site::words::{Vocabulary, plain};
use crate::water::wear::CENSORING_NOTE;

/// Returns the page of a valve that failed, with its box and what the firm's record says of valves
/// like it.
#[must_use]
pub fn for_valve(
    name: &str,
    site: &Site<'_>,
    valve: &Valve<'_>,
    wear: &Wear,
    day: NaiveDate,
) -> ClientPage {
    let address = valve.address();
    let mut seen = Section::new("What was found", Vec::new());
    if let Ok(year) = valve.installed() {
        let age = i64::from(chrono::Datelike::year(&day)) - year.value;
        let of = format!("installed in {}, about {age} years ago", year.value);
        seen.sentences.push(of);
    }
    let mut table = vec![
        ["finding", "before", "after", "how it stands"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for finding in site.findings_under(valve.id) {
        let Ok(what) = finding.what() else {
            continue;
        };
        let words = |field| finding.words(field).map_or(String::new(), |it| it.value);
        table.push(vec![
            client_words(what.value.word),
            words(&fields::finding::BEFORE),
            words(&fields::finding::AFTER),
            Vocabulary::plain(finding.status()),
        ]);
    }
    if table.len() > 1 {
        seen.table = table;
    }
    ClientPage {
        photos: Vec::new(),
        title: format!("Valve {}", address.replace("valve-", "")),
        site: name.to_owned(),
        day,
        parts: vec![
            seen,
            others_of_its_age(name, valve, wear),
            box_part(name, &address, wear),
        ],
        cautions: said(&[Caution::ValveBox, Caution::DiggingOnPressure]),
        notes: vec![ASSUMED.to_owned(), CENSORING_NOTE.to_owned()],
    }
}

/// A word of the table in a client's words.
fn client_words(word: &str) -> String {
    match word {
        "valve-weeping" => "the valve does not close fully".to_owned(),
        "valve-stuck-open" => "the valve does not close".to_owned(),
        "valve-will-not-open" => "the valve does not open".to_owned(),
        "valve-old" => "the valve is worn out".to_owned(),
        other => plain(other),
    }
}

fn others_of_its_age(site: &str, valve: &Valve<'_>, wear: &Wear) -> Section {
    let mut lines = Vec::new();
    let address = valve.address();
    let here = |plan: &&DigPlan| plan.site == site && plan.parts.contains(&address);
    let mine = wear.plan.iter().find(here);
    let oldest = mine.map_or(0.0, |plan| plan.expected.oldest.get());
    let band = wear
        .bands
        .iter()
        .rfind(|band| oldest >= band.from.get() && oldest < band.to.get());
    match band {
        Some(band) => lines.push(format!(
            "of valves between {:.0} and {:.0} years old, in our own record: {}",
            band.from.get(),
            band.to.get(),
            band.rate
        )),
        None => lines.push("our own record has no valves of this age yet".to_owned()),
    }
    lines.push(wear.cascade.to_string());
    Section::new("Do the others follow?", lines)
}

fn box_part(site: &str, address: &str, wear: &Wear) -> Section {
    let here = wear
        .plan
        .iter()
        .find(|plan| plan.site == site && plan.parts.iter().any(|valve| valve == address));
    let Some(here) = here else {
        return Section::new(
            "What we propose",
            vec![
                "the valve is mended; its age is not known, so that no more can be said".to_owned(),
            ],
        );
    };
    let mut lines = Vec::new();
    let others: Vec<String> = here
        .parts
        .iter()
        .map(|it| it.replace("valve-", ""))
        .collect();
    if let Some(place) = &here.place {
        lines.push(format!(
            "the box ({place}) holds valves {}",
            others.join(", ")
        ));
    }
    if here.parts.len() > 1 {
        lines.push(
            "while the box is open, one visit and one hole serve all of them: we propose to do the \
             others of its age with it"
                .to_owned(),
        );
    }
    let (low, high) = (
        here.expected.interval.low.get(),
        here.expected.interval.high.get(),
    );
    lines.push(match here.expected.failures {
        Some(failures) => format!(
            "if nothing is done, about {:.1} more failures are to be expected in this box within a \
             year (between {low:.1} and {high:.1}, as far as our record goes)",
            failures.get()
        ),
        None => "no valve of this age has failed in our record yet, so that no number is stated"
            .to_owned(),
    });
    Section::new("What we propose", lines)
}

/// Every finding that ends a valve's life has words for a client.
const _: () = assert!(FAILURES.len() == 4);

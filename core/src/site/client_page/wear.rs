//! The page of what a firm's own record says of wear.

use chrono::NaiveDate;

use super::{ClientPage, Section, said};
use crate::site::finding::Caution;
use crate::site::lives::{ASSUMED, DigPlan, Wear};
use crate::water::units::Failures;
use crate::water::wear::CENSORING_NOTE;

/// How many digs the page proposes.
const DIGS: usize = 12;
/// More than so many parts are counted, not named: nobody reads the names of sixty heads.
const NAMED: usize = 6;

/// Returns the page of the firm's valves and heads: how long they last by its own record, whether
/// failures follow repairs, and where to dig first.
#[must_use]
pub fn for_firm(firm: &str, valves: &Wear, heads: &Wear, day: NaiveDate) -> ClientPage {
    let mut notes = vec![ASSUMED.to_owned(), CENSORING_NOTE.to_owned()];
    for left_out in valves.left_out.iter().chain(&heads.left_out).take(DIGS) {
        notes.push(format!("{} is left out: {}", left_out.name, left_out.why));
    }
    ClientPage {
        photos: Vec::new(),
        title: "What wears out".to_owned(),
        site: firm.to_owned(),
        day,
        parts: vec![
            lives("How long valves last", valves),
            digs("Which boxes to open first", "box", valves),
            lives("How long heads last", heads),
            digs("Which zones to dig first", "zone", heads),
        ],
        cautions: said(&[Caution::ValveBox, Caution::Digging]),
        notes,
    }
}

fn lives(heading: &str, wear: &Wear) -> Section {
    let mut part = Section::new(heading, Vec::new());
    part.sentences.push(match &wear.overall {
        Some(rate) => format!("of all ages: {rate}"),
        None => "nothing has been watched for a day yet".to_owned(),
    });
    part.sentences.push(match &wear.law {
        Ok(law) => format!(
            "half have failed by about {:.0} years (scale {:.0} to {:.0} years, in 95 of 100 such \
             records)",
            law.median().get(),
            law.scale_interval.low.get(),
            law.scale_interval.high.get(),
        ),
        Err(why) => format!("no life is stated: {why}"),
    });
    part.sentences.push(wear.cascade.to_string());
    if let Some(pressure) = &wear.pressure {
        part.sentences.push(format!(
            "sites above {:.0} psi: {}; the others: {}; {}",
            pressure.above.get(),
            pressure.high,
            pressure.low,
            match pressure.ratio.differs() {
                true => "more than chance explains",
                false => "which chance alone explains",
            },
        ));
    }
    let heading = ["years old", "in our own record"]
        .map(str::to_owned)
        .to_vec();
    let rows = wear.bands.iter().map(|band| {
        let ages = format!("{:.0} to {:.0}", band.from.get(), band.to.get());
        vec![ages, band.rate.to_string()]
    });
    part.table = std::iter::once(heading).chain(rows).collect();
    part
}

fn digs(heading: &str, place: &str, wear: &Wear) -> Section {
    let mut part = Section::new(heading, Vec::new());
    if wear.plan.is_empty() {
        part.sentences
            .push("nothing with a known year is at work".to_owned());
        return part;
    }
    let heading = [
        "site",
        place,
        "one dig serves",
        "oldest",
        "failures to expect in a year",
    ];
    let row = |dig: &DigPlan| {
        vec![
            dig.site.clone(),
            dig.place
                .clone()
                .unwrap_or_else(|| "place not noted".to_owned()),
            served(dig),
            format!("{:.0} years", dig.expected.oldest.get()),
            match dig.expected.failures.map(Failures::get) {
                Some(failures) => format!(
                    "{failures:.1} ({:.1} to {:.1})",
                    dig.expected.interval.low.get(),
                    dig.expected.interval.high.get()
                ),
                None => "none of that age failed yet".to_owned(),
            },
        ]
    };
    let heading = heading.map(str::to_owned).to_vec();
    part.table = std::iter::once(heading)
        .chain(wear.plan.iter().take(DIGS).map(row))
        .collect();
    part
}

/// What one dig serves, with what has failed of it.
fn served(dig: &DigPlan) -> String {
    if dig.parts.len() <= NAMED {
        let part = |part: &String| match dig.waiting.contains(part) {
            true => format!("{part} (failed)"),
            false => part.clone(),
        };
        return dig.parts.iter().map(part).collect::<Vec<_>>().join(", ");
    }
    match dig.waiting.is_empty() {
        true => format!("{} of them", dig.parts.len()),
        false => format!(
            "{} of them; {} failed",
            dig.parts.len(),
            dig.waiting.join(", ")
        ),
    }
}

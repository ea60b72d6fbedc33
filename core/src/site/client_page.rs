//! One page for a client: what was seen, what it means, what is proposed, and what can hurt whoever
//! does it. Self-contained HTML, for print and for screen, in plain words.
//!
//! [`for_spot`], [`for_kerb`], [`for_valve`] and [`for_zone`] make a page of what the log knows;
//! none of them says more than was recorded or computed, and each carries its caution.

use std::fmt::Write;

use chrono::NaiveDate;

use super::evidence::{Board, Recorded, Trouble, WEIGHTS_NOTE, answers_on, board_of, trouble_of};
use super::fields;
use super::finding::Caution;
use super::kerb::{KerbChoice, sides};
use super::lives::{ASSUMED, DigPlan, FAILURES, Wear};
use super::map::picture::{self, escaped};
use super::map::{AreasFrom, ZoneMap};
use super::things::{Head, Site, Thing, Valve, Zone};
use super::words::plain;
use crate::log::value::Value;
use crate::water::coverage::LEFT_OUT;
use crate::water::evidence::Answer;
use crate::water::units::SquareFeet;
use crate::water::wear::CENSORING_NOTE;

/// A page for a client.
#[derive(Debug, Clone, PartialEq)]
pub struct ClientPage {
    /// What it is about.
    pub title: String,
    /// Which site.
    pub site: String,
    /// The day on which it holds.
    pub day: NaiveDate,
    /// Its parts, each under a heading.
    pub parts: Vec<Section>,
    /// What can hurt whoever does the work.
    pub cautions: Vec<&'static str>,
    /// What a careful reader should know beside the figures.
    pub notes: Vec<String>,
}

/// One part of a page.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// The question that it answers.
    pub heading: String,
    /// Sentences.
    pub sentences: Vec<String>,
    /// A table, its first row the heading.
    pub table: Vec<Vec<String>>,
    /// Shares with their words, drawn as bars.
    pub bars: Vec<(String, f64)>,
    /// A picture, as SVG.
    pub picture: Option<String>,
}

impl Section {
    fn new(heading: &str, sentences: Vec<String>) -> Self {
        Self {
            heading: heading.to_owned(),
            sentences,
            table: Vec::new(),
            bars: Vec::new(),
            picture: None,
        }
    }
}

/// The last line of every page.
const LAST_LINE: &str = "This is advice, not permission: local codes, watering rules and licensed \
     practice come first.";

impl ClientPage {
    /// Returns the page as HTML that needs no other file.
    #[must_use]
    pub fn html(&self) -> String {
        let mut html = String::new();
        // Writing to a string cannot fail.
        let _ = write!(
            html,
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta \
             name=\"viewport\" content=\"width=device-width\">\n<title>{title}, {site}</title>\n\
             <style>{STYLE}</style>\n</head>\n<body>\n<header><p>{site}, {day}</p>\n\
             <h1>{title}</h1></header>\n",
            title = escaped(&self.title),
            site = escaped(&self.site),
            day = self.day.format("%-d %B %Y"),
        );
        for part in &self.parts {
            part.write(&mut html);
        }
        if !self.cautions.is_empty() {
            html.push_str("<section class=\"caution\">\n<h2>Take care</h2>\n");
            for caution in &self.cautions {
                let _ = writeln!(html, "<p>{}</p>", escaped(caution));
            }
            html.push_str("</section>\n");
        }
        html.push_str("<footer>\n");
        for note in &self.notes {
            let _ = writeln!(html, "<p>{}</p>", escaped(&sentence(note)));
        }
        let _ = write!(html, "<p>{LAST_LINE}</p>\n</footer>\n</body>\n</html>\n");
        html
    }
}

/// Large type, no colour that carries meaning, one column, prints on one sheet or two.
const STYLE: &str = "body{font:17px/1.5 Georgia,serif;max-width:46em;margin:2em auto;padding:0 1em;\
    color:#111}h1{font-size:1.7em;line-height:1.2;margin:.2em 0}h2{font-size:1.15em;margin:1.4em 0 \
    .3em}header p{margin:0;color:#333}p{margin:.4em 0}table{border-collapse:collapse;width:100%;\
    margin:.6em 0;font-size:.94em}th,td{text-align:left;vertical-align:top;padding:.3em .6em .3em 0;\
    border-bottom:1px solid #999}.bar{display:flex;align-items:center;gap:.6em;margin:.25em 0}.bar \
    span:first-child{flex:0 0 19em}.bar i{display:block;height:1em;background:#444}.caution{border:\
    3px solid #111;padding:.2em 1em .6em;margin-top:1.6em}.caution h2{margin-top:.4em}footer{margin-top:1.6em;font-size:.82em;\
    color:#333;border-top:1px solid #999}svg{width:100%;height:auto}@media print{body{margin:0}\
    section{break-inside:avoid}}";

impl Section {
    fn write(&self, html: &mut String) {
        let _ = writeln!(html, "<section>\n<h2>{}</h2>", escaped(&self.heading));
        for words in &self.sentences {
            let _ = writeln!(html, "<p>{}</p>", escaped(&sentence(words)));
        }
        for (words, share) in &self.bars {
            let in_100 = if *share < 0.005 {
                "under 1".to_owned()
            } else {
                format!("{:.0}", 100.0 * share)
            };
            let _ = writeln!(
                html,
                "<div class=\"bar\"><span>{}</span><i style=\"width:{:.1}em\"></i><span>{in_100} in \
                 100</span></div>",
                escaped(words),
                14.0 * share,
            );
        }
        if let Some((heading, rows)) = self.table.split_first() {
            let row = |cells: &[String], tag: &str| {
                let cells = cells.iter();
                let cells: String = cells
                    .map(|cell| format!("<{tag}>{}</{tag}>", escaped(cell)))
                    .collect();
                format!("<tr>{cells}</tr>\n")
            };
            let _ = write!(html, "<table>\n{}", row(heading, "th"));
            for cells in rows {
                html.push_str(&row(cells, "td"));
            }
            html.push_str("</table>\n");
        }
        if let Some(picture) = &self.picture {
            html.push_str(picture);
        }
        html.push_str("</section>\n");
    }
}

/// A capital at the beginning, and a full stop at the end unless one is there.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first: String = letters
        .next()
        .map(|letter| letter.to_uppercase().collect())
        .unwrap_or_default();
    let ends = words.ends_with(['.', '?', '!', ':', '"']);
    format!("{first}{}{}", letters.as_str(), if ends { "" } else { "." })
}

/// Returns the page of a wet or dry spot.
#[must_use]
pub fn for_spot(name: &str, site: &Site<'_>, spot: Thing<'_>, day: NaiveDate) -> ClientPage {
    let recorded = answers_on(&spot);
    let dry = spot.raw(&fields::spot::MOISTURE).and_then(Value::as_text) == Some("dry");
    let usual = if dry {
        Trouble::DrySpot
    } else {
        Trouble::WetArea
    };
    let trouble = trouble_of(&recorded).unwrap_or(usual);
    let (board, other) = board_of(trouble, &recorded);
    let near = spot.words(&fields::spot::NEAR).ok().map(|near| near.value);
    let near = near.unwrap_or_else(|| site.address(spot));
    let mut seen = Section::new("What was looked at", Vec::new());
    seen.table = tested(&board, &recorded, &other);
    let mut means = Section::new("What it points to", vec![board.sentence()]);
    means.bars = board
        .suspects()
        .map(|suspect| (plain(suspect.cause.word), suspect.share.get()))
        .collect();
    means.sentences.extend(board.suspects().next().map(|first| {
        let word = plain(first.cause.word);
        format!("by \"{word}\" we mean: {}", first.cause.plain)
    }));
    let mut cautions = Vec::new();
    let mut next = Vec::new();
    if let Some(test) = board.next() {
        next.push(format!(
            "the one test that tells most now: {} ({}, about {:.0} minutes)",
            test.sign.word,
            test.sign.how,
            test.sign.minutes.get()
        ));
        cautions.extend(test.sign.caution);
    }
    let cause = board.points_to();
    next.push(match cause {
        Some(cause) => format!("what usually mends it: {}", cause.remedy),
        None => "nothing is dug up or replaced before that is known".to_owned(),
    });
    let likely = board
        .suspects()
        .take(2)
        .filter_map(|suspect| suspect.cause.caution);
    cautions.extend(cause.map_or_else(
        || likely.collect::<Vec<_>>(),
        |it| it.caution.into_iter().collect(),
    ));
    ClientPage {
        title: format!("{}: {near}", if dry { "Dry ground" } else { "Wet ground" }),
        site: name.to_owned(),
        day,
        parts: vec![seen, means, Section::new("What comes next", next)],
        cautions: said(&cautions),
        notes: vec![
            WEIGHTS_NOTE.to_owned(),
            "what was not tested counts neither way".to_owned(),
        ],
    }
}

fn tested(board: &Board, recorded: &[Recorded], other: &[Recorded]) -> Vec<Vec<String>> {
    let mut rows = vec![vec!["sign".into(), "seen".into(), "remark".into()]];
    let remark = |sign: &str| {
        let said = recorded.iter().rev().filter(|it| it.sign == sign);
        said.filter_map(|it| it.remark.clone())
            .next()
            .unwrap_or_default()
    };
    for (sign, answer) in board.tested() {
        let seen = if answer == Answer::Yes { "yes" } else { "no" };
        rows.push(vec![
            sign.word.to_owned(),
            seen.to_owned(),
            remark(sign.word),
        ]);
    }
    for open in board.not_tested() {
        let word = open.sign.word;
        rows.push(vec![word.to_owned(), "not tested".to_owned(), remark(word)]);
    }
    for it in other {
        let remark = it.remark.clone().unwrap_or_default();
        rows.push(vec![it.sign.clone(), "noted".to_owned(), remark]);
    }
    rows
}

fn said(cautions: &[Caution]) -> Vec<&'static str> {
    let mut said: Vec<&'static str> = Vec::new();
    for caution in cautions {
        let words = caution.sentence();
        if !said.contains(&words) {
            said.push(words);
        }
    }
    said
}

/// Returns the page of a head at a curved kerb.
///
/// # Errors
/// A sentence that says what is missing and what to record.
pub fn for_kerb(
    name: &str,
    head: &Head<'_>,
    dry_most: SquareFeet,
    day: NaiveDate,
) -> Result<ClientPage, String> {
    let choice = KerbChoice::of(head, dry_most)?;
    let address = head.address();
    let mut table = vec![
        [
            "setting",
            "arc",
            "throw",
            "lawn left dry",
            "water off the lawn",
        ]
        .map(str::to_owned)
        .to_vec(),
    ];
    for (words, setting) in choice.choices() {
        let [left, right] = sides(setting);
        table.push(vec![
            words.to_owned(),
            format!(
                "{:.0}° ({:.0}° left, {:.0}° right)",
                setting.arc.get(),
                left.get(),
                right.get()
            ),
            format!("{:.1}", setting.radius),
            format!("{:.0}", setting.dry),
            format!("{:.2}", setting.overspray),
        ]);
    }
    let mut what = Section::new(
        "What there is to choose from",
        vec![format!(
            "the kerb bends with a radius of {:.0}, and a sprinkler waters a slice of a circle: \
             where it meets the bend, either some water lands on the paving or some lawn stays dry",
            choice.kerb_radius
        )],
    );
    what.table = table;
    what.picture = Some(picture::kerb(&format!("{address} at the kerb"), &choice));
    let decided = match &choice.reason {
        Some(reason) => vec![format!("it stays as it is; the crew wrote: \"{reason}\"")],
        None => vec!["nobody has chosen yet; the reason will be written down with it".to_owned()],
    };
    let decided = decided.into_iter().chain(accepted(head));
    Ok(ClientPage {
        title: format!("The kerb at head {}", address.replace("head-", "")),
        site: name.to_owned(),
        day,
        parts: vec![
            what,
            Section::new("What was decided, and why", decided.collect()),
        ],
        cautions: said(&[Caution::Traffic]),
        notes: vec![
            LEFT_OUT.to_owned(),
            "the head is taken to face straight into the lawn; of a throw that is screwed down the \
             water is somewhat overstated"
                .to_owned(),
        ],
    })
}

/// What the client agreed to leave as it is.
fn accepted(head: &Head<'_>) -> Vec<String> {
    let findings = head.findings_here();
    let accepted = findings
        .iter()
        .filter_map(|finding| finding.accepted().ok());
    accepted
        .map(|it| {
            let it = it.value;
            let who = it
                .who
                .map_or(String::new(), |who| format!(", agreed with {who}"));
            let until = it.until.map_or(String::new(), |until| {
                format!(", until {}", until.format("%-d %B %Y"))
            });
            format!("{}{who}{until}", it.reason)
        })
        .collect()
}

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
            super::words::Vocabulary::plain(finding.status()),
        ]);
    }
    if table.len() > 1 {
        seen.table = table;
    }
    ClientPage {
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

/// Returns the page of a zone and where its water falls.
///
/// # Errors
/// A sentence that says what is missing.
pub fn for_zone(
    name: &str,
    site: &Site<'_>,
    zone: &Zone<'_>,
    day: NaiveDate,
) -> Result<ClientPage, String> {
    let map = ZoneMap::of(site, zone);
    let address = zone.address();
    let found = map.coverage().map_err(|error| {
        let first = map.left_out.first();
        first.map_or_else(
            || format!("{address}: {error}"),
            |it| format!("{}: {}", it.name, it.why),
        )
    })?;
    let mut part = Section::new(
        "Where the water falls",
        vec![format!(
            "evenness {:.2} (1 is perfectly even); the driest places get {:.2}, the mean is {:.2}; \
             {:.0} of {:.0} get less than a quarter of the mean; {:.0} % of the water lands off \
             the planted ground",
            found.du_lq.get(),
            found.lowest,
            found.mean,
            found.dry,
            found.planted,
            100.0 * (found.on_hard.get() + found.outside.get()),
        )],
    );
    part.picture = Some(picture::zone(&format!("{name}, {address}"), &map, &found));
    let mut notes = vec![LEFT_OUT.to_owned()];
    if map.areas_from == AreasFrom::AroundHeads {
        notes.push("no lawn is drawn on the sketch: it is taken to end at the outer heads".into());
    }
    for left_out in &map.left_out {
        notes.push(format!("{} is left out: {}", left_out.name, left_out.why));
    }
    let called = zone
        .words(&fields::zone::NAME)
        .map_or(address, |it| it.value);
    Ok(ClientPage {
        title: format!("Coverage: {called}"),
        site: name.to_owned(),
        day,
        parts: vec![part],
        cautions: Vec::new(),
        notes,
    })
}

/// Every finding that ends a valve's life has words for a client.
const _: () = assert!(FAILURES.len() == 4);

#[cfg(test)]
mod tests;

//! The work order: how to get in, what is open in the order of the walk, what to bring, and what can
//! hurt.

use super::figures::{place, remedy, what};
use super::html::{BOX, Cell, Html};
use super::plan::Drawing;
use super::sheet::{Size, cautions, framed, letterhead};
use super::show::Show;
use super::words::{self as w, status, urgency};
use super::{Facts, Options};
use crate::site::estimate::Answer;
use crate::site::fields::{self, FieldDef};
use crate::site::finding::{Severity, Status};
use crate::site::map::picture::escaped;
use crate::site::money::Money;
use crate::site::things::{Finding, Thing};
use crate::water::plane::Point;

/// Returns the work order of a site for the day.
#[must_use]
pub fn work_order(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let title = w::ORDER_TITLE.with(show.language, &[&facts.name(), &show.day(facts.on)]);
    let mut html = Html::default();
    letterhead(&mut html, facts, &title, show);
    access(&mut html, facts, show);
    let findings = facts.site.findings();
    let open = |finding: &&Finding<'_>| !finding.status().is_closed();
    let open: Vec<&Finding<'_>> = findings.iter().filter(open).collect();
    let may = |finding: &&&Finding<'_>| may_be_done(finding, facts);
    let (work, other): (Vec<_>, Vec<_>) = open.iter().partition(may);
    listed(&mut html, facts, &work, w::TO_DO, show);
    listed(&mut html, facts, &other, w::LOOK_ONLY, show);
    if open.is_empty() {
        html.tag("p", show.words(w::NOTHING_OPEN));
    }
    let places: Vec<Point> = open
        .iter()
        .filter_map(|finding| {
            let on = facts.site.thing(finding.part_of()?)?;
            Some(facts.site.place_of(on).ok()?.at)
        })
        .collect();
    if let Some(drawing) = Drawing::of(facts, show) {
        html.raw("<section class=\"sheet map\">\n");
        html.tag("h2", show.words(w::MAP_CROP));
        html.raw(&drawing.cropped(&places).svg(&facts.name()));
        html.raw("</section>\n");
    }
    let mut said: Vec<&str> = Vec::new();
    for finding in &open {
        let kind = finding.what().ok();
        let caution = kind.and_then(|kind| kind.value.caution);
        let words = caution.map(|caution| w::caution(caution, show.language));
        said.extend(words.filter(|words| !said.contains(words)));
    }
    cautions(&mut html, &said, show);
    framed(&title, html, Size::Whole, options)
}

/// Whether the crew may do it: the client agreed, or it was never a matter of asking.
fn may_be_done(finding: &Finding<'_>, facts: &Facts<'_>) -> bool {
    match finding.status() {
        Status::Approved => true,
        Status::Scheduled => {
            let day = finding.day(&fields::finding::SCHEDULED);
            day.is_ok_and(|day| day.value <= facts.on)
        }
        Status::Flagged | Status::Described => true,
        _ => false,
    }
}

/// Who opens, where to park, when the water runs, what may be spent without asking.
fn access(html: &mut Html, facts: &Facts<'_>, show: Show) {
    let root = facts.site.root();
    let words = |thing: Thing<'_>, field: &FieldDef| {
        let words = thing.words(field).ok();
        words.map(|words| words.value)
    };
    let supply = facts.site.supply();
    let limit = root.read(&fields::site::PRE_APPROVED, Money::read).ok();
    let controllers = facts.site.controllers();
    let controller = controllers.first();
    let window = super::card::window(facts, controller);
    html.raw("<dl>\n");
    let mut line = |label, value: Option<String>| {
        if let Some(value) = value {
            html.tag("dt", show.words(label));
            html.tag("dd", &value);
        }
    };
    line(w::ACCESS, words(root, &fields::site::ACCESS));
    let shut_off = supply.and_then(|supply| words(*supply, &fields::supply::SHUT_OFF));
    line(w::SHUT_OFF_AT, shut_off);
    let hangs = controller.and_then(|it| words(**it, &fields::controller::PLACE));
    line(w::CONTROLLER_AT, hangs);
    line(w::WATER_RUNS, window);
    let limit = limit.map(|limit| w::LIMIT_IS.with(show.language, &[&limit.value.grouped()]));
    line(w::LIMIT, limit);
    html.raw("</dl>\n");
}

fn listed(
    html: &mut Html,
    facts: &Facts<'_>,
    findings: &[&&Finding<'_>],
    title: w::Words,
    show: Show,
) {
    if findings.is_empty() {
        return;
    }
    html.tag("h2", show.words(title));
    let rows = findings.iter().map(|finding| row(finding, facts, show));
    let rows: Vec<Vec<Cell>> = rows.collect();
    let heading = [
        w::DONE,
        w::WHERE,
        w::WHAT_TO_DO,
        w::PARTS,
        w::MINUTES,
        w::STANDS,
    ];
    html.table("work", &heading.map(|words| show.words(words)), &rows);
}

fn row(finding: &Finding<'_>, facts: &Facts<'_>, show: Show) -> Vec<Cell> {
    let severity = finding.severity().unwrap_or(Severity::Routine);
    let note = finding.words(&fields::finding::DESCRIPTION).ok();
    let note = note.map_or(String::new(), |note| format!(" “{}”", note.value));
    let minutes = finding.minutes().ok();
    let agreed = finding.read(&fields::finding::APPROVAL, Answer::read).ok();
    let who = agreed.and_then(|agreed| agreed.value.who);
    let who = who.map_or(String::new(), |who| format!(", {who}"));
    let usual = finding.what().ok().and_then(|kind| kind.value.minutes);
    let minutes = minutes.map(|minutes| minutes.value.to_string());
    let minutes = minutes.or_else(|| Some(format!("~{:.0}", usual?.1.get())));
    vec![
        Cell::Marks(BOX.to_owned()),
        Cell::words(place(facts.site, finding.part_of(), show)),
        Cell::Marks(format!(
            "<b>{}</b>: {}{}",
            escaped(&what(finding, show)),
            escaped(&remedy(finding, show)),
            escaped(&note)
        )),
        Cell::words(finding.parts().join(", ")),
        Cell::figure(minutes.unwrap_or_default()),
        Cell::words(format!(
            "{}, {}{who}",
            urgency(severity, show.language),
            status(finding.status(), show.language)
        )),
    ]
}

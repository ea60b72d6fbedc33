//! The estimate: prices line by line, grouped by how soon it matters, each to be answered by itself.

use super::figures::{if_not, place, remedy, what};
use super::html::{BOX, Cell, Html};
use super::sheet::{Size, cautions, framed, letterhead};
use super::show::{Show, capital};
use super::words::{self as w, urgency};
use super::{Facts, Options};
use crate::site::estimate::{Decision, Estimate, Line, Quoted, Standing, TaxOn, Totals};
use crate::site::finding::Severity;
use crate::site::map::picture::escaped;
use crate::site::words::Vocabulary;

/// Returns the estimates of a site that still have something to say: those with a line that is open
/// or approved; else the newest.
#[must_use]
pub fn estimate(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let mut html = Html::default();
    let all = facts.site.estimates();
    let live = |estimate: &&Estimate<'_>| {
        let mut lines = estimate.lines.iter();
        lines.any(|line| matches!(line.standing(facts.on), Standing::Open | Standing::Approved))
    };
    let mut told: Vec<&Estimate<'_>> = all.iter().filter(live).collect();
    if told.is_empty() {
        told.extend(all.last());
    }
    let title = w::ESTIMATE_TITLE.with(show.language, &[&facts.name()]);
    if told.is_empty() {
        letterhead(&mut html, facts, &title, show);
        html.tag("p", show.words(w::NO_ESTIMATE));
    }
    for (nth, estimate) in told.iter().enumerate() {
        html.raw(if nth == 0 {
            "<section>\n"
        } else {
            "<section class=\"sheet\">\n"
        });
        let numbered = format!("{title}, {}", estimate.name);
        letterhead(&mut html, facts, &numbered, show);
        one(&mut html, facts, estimate, show);
        html.raw("</section>\n");
    }
    let lines = told.iter().flat_map(|estimate| &estimate.lines);
    let mut said: Vec<&str> = Vec::new();
    for line in lines {
        let kind = line
            .finding
            .as_ref()
            .and_then(|finding| finding.what().ok());
        let caution = kind.and_then(|kind| kind.value.caution);
        let words = caution.map(|caution| w::caution(caution, show.language));
        said.extend(words.filter(|words| !said.contains(words)));
    }
    cautions(&mut html, &said, show);
    framed(&title, html, Size::Whole, options)
}

fn one(html: &mut Html, facts: &Facts<'_>, estimate: &Estimate<'_>, show: Show) {
    if let (Some(on), Some(until)) = (estimate.quoted_on, estimate.valid_until) {
        let (on, until) = (show.day(on), show.day(until));
        html.tag("p", &w::PRICES_HOLD.with(show.language, &[&on, &until]));
    }
    for severity in Severity::MEMBERS {
        let priced = estimate.lines.iter().filter_map(|line| {
            let quoted = &line.quoted.as_ref().ok()?.value;
            (quoted.severity == *severity).then_some((line, quoted))
        });
        let priced: Vec<(&Line<'_>, &Quoted)> = priced.collect();
        if priced.is_empty() {
            continue;
        }
        html.tag("h2", &capital(&urgency(*severity, show.language)));
        for (line, quoted) in priced {
            one_line(html, facts, line, quoted, show);
        }
    }
    for line in estimate.lines.iter().filter(|line| line.quoted.is_err()) {
        html.tag("p", &w::LINE_UNREADABLE.with(show.language, &[&line.name]));
    }
    sums(html, facts, estimate, show);
}

fn one_line(html: &mut Html, facts: &Facts<'_>, line: &Line<'_>, quoted: &Quoted, show: Show) {
    let finding = line.finding.as_ref();
    let found = finding.map_or(String::new(), |finding| what(finding, show));
    let at = place(facts.site, finding.and_then(|it| it.part_of()), show);
    let work = quoted.work.clone();
    let work = work.or_else(|| finding.map(|finding| remedy(finding, show)));
    html.raw("<div class=\"keep\">\n");
    html.tag("h3", &format!("{}  {found}, {at}", line.name));
    let not = finding.map_or("", |finding| if_not(finding, show));
    html.tag(
        "p",
        &w::WORK_IS.with(show.language, &[&work.unwrap_or_default(), not]),
    );
    let mut rows = Vec::new();
    for part in &quoted.parts {
        let words = format!("{} × {}", part.count, part.name);
        let price = part.each.times(part.count).unwrap_or_default();
        rows.push(vec![
            Cell::words(words),
            Cell::figure(part.each.to_string()),
            Cell::figure(price.grouped()),
        ]);
    }
    let minutes = quoted.minutes.to_string();
    rows.push(vec![
        Cell::words(w::LABOUR.with(show.language, &[&minutes])),
        Cell::figure(w::AN_HOUR.with(show.language, &[&quoted.rate.to_string()])),
        Cell::figure(quoted.labour().grouped()),
    ]);
    if quoted.charge.in_cents() != 0 {
        rows.push(vec![
            Cell::words(show.words(w::CHARGE)),
            Cell::figure(""),
            Cell::figure(quoted.charge.grouped()),
        ]);
    }
    if quoted.tax().in_cents() != 0 {
        rows.push(vec![
            Cell::words(show.words(tax_words(quoted.tax_on))),
            Cell::figure(quoted.tax_rate.to_string()),
            Cell::figure(quoted.tax().grouped()),
        ]);
    }
    rows.push(vec![
        Cell::Marks(answer_box(line, facts, show)),
        Cell::figure(""),
        Cell::Sum(quoted.total().grouped()),
    ]);
    html.table(
        "line",
        &[
            show.words(w::FOR_WHAT),
            show.words(w::EACH),
            show.words(w::PRICE),
        ],
        &rows,
    );
    html.raw("</div>\n");
}

const fn tax_words(on: TaxOn) -> w::Words {
    match on {
        TaxOn::Parts => w::TAX_ON_PARTS,
        TaxOn::All => w::TAX_ON_ALL,
    }
}

/// Boxes for a yes or no; or every answer that was given, the first first.
fn answer_box(line: &Line<'_>, facts: &Facts<'_>, show: Show) -> String {
    if line.standing(facts.on) == Standing::Expired {
        return escaped(show.words(w::PRICE_ENDED));
    }
    let answers: Vec<_> = match (&line.answer, line.said.is_empty()) {
        (Ok(answer), true) => vec![&answer.value],
        (Ok(_), false) => line.said.iter().map(|(_, said)| said).collect(),
        (Err(_), _) => {
            let (yes, no) = (show.words(w::YES), show.words(w::NO));
            return format!(
                "<span class=\"choice\">{BOX} {yes}</span> <span class=\"choice\">{BOX} {no}</span>"
            );
        }
    };
    let told = answers.iter().map(|answer| {
        let said = match answer.decision {
            Decision::Approved => show.words(w::APPROVED),
            Decision::Declined => show.words(w::DECLINED),
        };
        let more = [
            answer.who.clone(),
            answer.on.map(|on| show.day(on)),
            answer.how.as_deref().map(|how| w::how(how, show.language)),
        ];
        let more: Vec<String> = more.into_iter().flatten().collect();
        escaped(&format!("{said}: {}", more.join(", ")))
    });
    told.collect::<Vec<_>>().join("<br>")
}

fn sums(html: &mut Html, facts: &Facts<'_>, estimate: &Estimate<'_>, show: Show) {
    let totals = |standing: &[Standing]| {
        let totals = estimate.totals(standing, facts.on);
        totals.filter(|totals| totals.lines > 0)
    };
    use Standing::{Approved, Declined, Expired, Open};
    let rows = [
        (w::ALL_LINES, totals(&[Open, Expired, Approved, Declined])),
        (w::OPEN_LINES, totals(&[Open])),
        (w::APPROVED_LINES, totals(&[Approved])),
        (w::DECLINED_LINES, totals(&[Declined])),
    ];
    let rows = rows.into_iter().filter_map(|(words, totals)| {
        let totals: Totals = totals?;
        let mut row = vec![Cell::words(show.words(words))];
        let amounts = [
            totals.parts,
            totals.labour,
            totals.charges,
            totals.tax,
            totals.total,
        ];
        row.extend(amounts.map(|amount| Cell::figure(amount.grouped())));
        Some(row)
    });
    let rows: Vec<Vec<Cell>> = rows.collect();
    html.raw("<div class=\"keep\">\n");
    html.tag("h2", show.words(w::SUMS));
    let heading = [
        w::LINES,
        w::PARTS,
        w::LABOUR_SUM,
        w::CHARGES,
        w::TAX,
        w::TOTAL,
    ];
    html.table("sums", &heading.map(|words| show.words(words)), &rows);
    html.tag("p.small", show.words(w::ROUNDING));
    html.raw(&format!(
        "<p>{} <span class=\"write\"></span> {} <span class=\"write\"></span></p>\n</div>\n",
        escaped(show.words(w::SIGNED)),
        escaped(show.words(w::DATE)),
    ));
}

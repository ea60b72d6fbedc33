//! What `headwalk estimate` prints; amounts are decimals as text.

use chrono::NaiveDate;
use serde::Serialize;

use headwalk_core::site::estimate::{
    Answer, Decision, Draft, Estimate, Line, MinutesFrom, Proposal, Quoted, Standing, Totals,
};
use headwalk_core::site::finding::Severity;
use headwalk_core::site::things::Site;
use headwalk_core::site::words::{Vocabulary, plain};

use crate::output::{Page, Report};
use crate::roots::Root;

/// A price and what it is made of.
#[derive(Serialize)]
struct Price {
    parts: Vec<PartPrice>,
    minutes: String,
    rate: String,
    labour: String,
    charge: String,
    tax: String,
    total: String,
}

#[derive(Serialize)]
struct PartPrice {
    part: String,
    count: u32,
    each: String,
}

impl Price {
    fn of(quoted: &Quoted) -> Self {
        let parts = quoted.parts.iter().map(|part| PartPrice {
            part: part.name.clone(),
            count: part.count,
            each: part.each.to_string(),
        });
        Self {
            parts: parts.collect(),
            minutes: quoted.minutes.to_string(),
            rate: quoted.rate.to_string(),
            labour: quoted.labour().to_string(),
            charge: quoted.charge.to_string(),
            tax: quoted.tax().to_string(),
            total: quoted.total().to_string(),
        }
    }

    fn parts_in_words(&self) -> String {
        let parts = self.parts.iter();
        let parts: Vec<String> = parts
            .map(|part| format!("{} x {} {}", part.count, part.part, part.each))
            .collect();
        parts.join(", ")
    }
}

/// What lines come to.
#[derive(Serialize)]
struct Sum {
    lines: usize,
    parts: String,
    labour: String,
    charges: String,
    tax: String,
    total: String,
}

impl Sum {
    fn of(totals: Option<Totals>) -> Option<Self> {
        let totals = totals?;
        Some(Self {
            lines: totals.lines,
            parts: totals.parts.to_string(),
            labour: totals.labour.to_string(),
            charges: totals.charges.to_string(),
            tax: totals.tax.to_string(),
            total: totals.total.to_string(),
        })
    }
}

/// `{"site": .., "lines": [..], "no_price_yet": [..], "sum": {..}}`
#[derive(Serialize)]
pub struct Drafted {
    logbook: String,
    site: String,
    lines: Vec<DraftLine>,
    no_price_yet: Vec<NoPriceYet>,
    sum: Option<Sum>,
}

#[derive(Serialize)]
struct DraftLine {
    finding: String,
    name: String,
    severity: &'static str,
    #[serde(flatten)]
    price: Price,
    /// Where the minutes are from: the crew, the book, or what it usually takes.
    minutes_from: &'static str,
}

#[derive(Serialize)]
struct NoPriceYet {
    finding: String,
    name: String,
    why: String,
}

impl Drafted {
    pub fn of(root: &Root, site: &Site<'_>, proposal: &Proposal) -> Self {
        let name = |id| {
            let thing = site.thing(id);
            thing.map_or_else(String::new, |thing| site.address(thing))
        };
        let line = |draft: &Draft| DraftLine {
            finding: draft.finding.to_string(),
            name: name(draft.finding),
            severity: draft.quoted.severity.word(),
            price: Price::of(&draft.quoted),
            minutes_from: match draft.minutes_from {
                MinutesFrom::Finding => "crew",
                MinutesFrom::Book => "book",
                MinutesFrom::Usual => "usual",
            },
        };
        let gaps = proposal.gaps.iter().map(|gap| NoPriceYet {
            finding: gap.finding().to_string(),
            name: name(gap.finding()),
            why: gap.to_string(),
        });
        let quoted = proposal.lines.iter().map(|line| &line.quoted);
        Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            lines: proposal.lines.iter().map(line).collect(),
            no_price_yet: gaps.collect(),
            sum: Sum::of(Totals::of(quoted)),
        }
    }
}

impl Report for Drafted {
    fn write(&self, page: &mut Page) {
        page.line(format!("{}: not quoted yet", self.site));
        let rows: Vec<_> = self.lines.iter().map(DraftLine::row).collect();
        if !rows.is_empty() {
            let heading = [
                "how soon", "finding", "parts", "minutes", "labour", "tax", "price",
            ];
            page.table(heading, &rows);
        }
        if let Some(sum) = &self.sum {
            write_sum(page, "Together", sum);
        }
        for gap in &self.no_price_yet {
            page.paragraph(&format!("No price yet for {}: {}.", gap.name, gap.why));
        }
    }
}

impl DraftLine {
    fn row(&self) -> [String; 7] {
        let from = match self.minutes_from {
            "usual" => " (usual)",
            "book" => " (book)",
            _ => "",
        };
        let name = self.name.strip_prefix("finding-").unwrap_or(&self.name);
        [
            plain(self.severity),
            name.to_owned(),
            self.price.parts_in_words(),
            format!("{}{from}", self.price.minutes),
            self.price.labour.clone(),
            self.price.tax.clone(),
            self.price.total.clone(),
        ]
    }
}

fn write_sum(page: &mut Page, words: &str, sum: &Sum) {
    page.line(format!(
        "{words}: parts {}, labour {}, charges {}, tax {}: {}.",
        sum.parts, sum.labour, sum.charges, sum.tax, sum.total
    ));
}

/// `{"site": .., "estimates": [..]}`, oldest first.
#[derive(Serialize)]
pub struct Shown {
    logbook: String,
    site: String,
    estimates: Vec<EstimateJson>,
}

#[derive(Serialize)]
struct EstimateJson {
    estimate: String,
    name: String,
    quoted_on: Option<String>,
    valid_until: Option<String>,
    lines: Vec<LineJson>,
    approved: Option<Sum>,
    open: Option<Sum>,
    sum: Option<Sum>,
}

#[derive(Serialize)]
struct LineJson {
    line: String,
    name: String,
    finding: Option<String>,
    finding_name: Option<String>,
    severity: Option<&'static str>,
    /// open, expired, approved or declined.
    standing: &'static str,
    /// The status of its finding.
    status: Option<&'static str>,
    #[serde(flatten)]
    price: Option<Price>,
    /// Why it has no price that can be shown.
    #[serde(skip_serializing_if = "Option::is_none")]
    no_price: Option<String>,
    /// Everything that the client said to it, oldest first.
    said: Vec<SaidJson>,
    /// Whether both a yes and a no were written down.
    both_answers: bool,
}

#[derive(Serialize)]
struct SaidJson {
    decision: &'static str,
    who: Option<String>,
    on: Option<String>,
    how: Option<String>,
}

const fn word(standing: Standing) -> &'static str {
    match standing {
        Standing::Open => "open",
        Standing::Expired => "expired",
        Standing::Approved => "approved",
        Standing::Declined => "declined",
    }
}

impl SaidJson {
    fn of(said: &Answer) -> Self {
        Self {
            decision: said.decision.word(),
            who: said.who.clone(),
            on: said.on.map(|on| on.to_string()),
            how: said.how.clone(),
        }
    }

    fn in_words(&self) -> String {
        let parts = [
            Some(self.decision.to_owned()),
            self.who.as_ref().map(|who| format!("by {who}")),
            self.on.clone(),
            self.how.as_deref().map(|how| format!("({})", plain(how))),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
    }
}

impl Shown {
    pub fn of(root: &Root, site: &Site<'_>, today: NaiveDate) -> Self {
        let estimates = site.estimates();
        Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            estimates: estimates
                .iter()
                .map(|estimate| EstimateJson::of(site, estimate, today))
                .collect(),
        }
    }
}

impl EstimateJson {
    fn of(site: &Site<'_>, estimate: &Estimate<'_>, today: NaiveDate) -> Self {
        use Standing::{Approved, Declined, Expired, Open};
        let sum = |wanted: &[Standing]| Sum::of(estimate.totals(wanted, today));
        Self {
            estimate: estimate.thing.id.to_string(),
            name: estimate.name.clone(),
            quoted_on: estimate.quoted_on.map(|day| day.to_string()),
            valid_until: estimate.valid_until.map(|day| day.to_string()),
            lines: estimate
                .lines
                .iter()
                .map(|line| LineJson::of(site, line, today))
                .collect(),
            approved: sum(&[Approved]),
            open: sum(&[Open]),
            sum: sum(&[Open, Expired, Approved, Declined]),
        }
    }
}

impl LineJson {
    fn of(site: &Site<'_>, line: &Line<'_>, today: NaiveDate) -> Self {
        let finding = line.finding.as_ref();
        let quoted = line.quoted.as_ref();
        Self {
            line: line.thing.id.to_string(),
            name: line.name.clone(),
            finding: finding.map(|finding| finding.id.to_string()),
            finding_name: finding.map(|finding| site.address(**finding)),
            severity: quoted
                .ok()
                .map(|quoted| Severity::word(quoted.value.severity)),
            standing: word(line.standing(today)),
            status: finding.map(|finding| finding.status().word()),
            price: quoted.ok().map(|quoted| Price::of(&quoted.value)),
            no_price: quoted.err().map(ToString::to_string),
            said: line
                .said
                .iter()
                .map(|(_, said)| SaidJson::of(said))
                .collect(),
            both_answers: line.changed_mind(),
        }
    }

    fn row(&self) -> [String; 6] {
        let finding = self.finding_name.as_deref().unwrap_or("");
        let said: Vec<String> = self.said.iter().map(SaidJson::in_words).collect();
        let mark = if self.both_answers {
            " (both stand below)"
        } else {
            ""
        };
        let standing = match self.status {
            Some(status @ ("scheduled" | "fixed" | "checked")) => plain(status),
            _ => self.standing.to_owned(),
        };
        [
            self.name.clone(),
            self.severity.map(plain).unwrap_or_default(),
            finding
                .strip_prefix("finding-")
                .unwrap_or(finding)
                .to_owned(),
            self.price
                .as_ref()
                .map_or_else(|| "no price".to_owned(), |price| price.total.clone()),
            format!("{standing}{mark}"),
            said.join("; then "),
        ]
    }
}

impl Report for Shown {
    fn write(&self, page: &mut Page) {
        if self.estimates.is_empty() {
            page.line(format!("{}: no estimate was given.", self.site));
        }
        for estimate in &self.estimates {
            let day = |day: &Option<String>| day.clone().unwrap_or_else(|| "no day".to_owned());
            page.line(format!(
                "{} at {}: quoted {}, holds until {}",
                estimate.name,
                self.site,
                day(&estimate.quoted_on),
                day(&estimate.valid_until)
            ));
            let rows: Vec<_> = estimate.lines.iter().map(LineJson::row).collect();
            page.table(
                ["line", "how soon", "finding", "price", "stands", "said"],
                &rows,
            );
            let sums = [
                ("All lines", &estimate.sum),
                ("Approved", &estimate.approved),
                ("Open", &estimate.open),
            ];
            for (words, sum) in sums {
                if let Some(sum) = sum.as_ref().filter(|sum| sum.lines > 0) {
                    write_sum(page, words, sum);
                }
            }
        }
    }
}

/// `{"line": .., "decision": .., "total": .., "note": ..}`
#[derive(Serialize)]
pub struct Answered {
    site: String,
    line: String,
    #[serde(flatten)]
    said: SaidJson,
    total: Option<String>,
    /// What to know about it: that the price had ended, that the answer was another before.
    note: Option<&'static str>,
}

impl Answered {
    pub fn of(root: &Root, line: &Line<'_>, said: &Answer, before: Standing) -> Self {
        let note = match (before, said.decision) {
            (Standing::Expired, Decision::Approved) => {
                Some("the price had ended by then: ask whether it still holds")
            }
            (Standing::Declined, Decision::Approved) => {
                Some("it was declined before: both answers are listed")
            }
            (Standing::Approved, Decision::Declined) => {
                Some("it was approved before: both answers are listed")
            }
            _ => None,
        };
        let quoted = line.quoted.as_ref().ok();
        Self {
            site: root.name.clone(),
            line: line.name.clone(),
            said: SaidJson::of(said),
            total: quoted.map(|quoted| quoted.value.total().to_string()),
            note,
        }
    }
}

impl Report for Answered {
    fn write(&self, page: &mut Page) {
        let total = self.total.as_deref().unwrap_or("no price");
        page.line(format!(
            "{} at {}, {total}: {}.",
            self.line,
            self.site,
            self.said.in_words()
        ));
        if let Some(note) = self.note {
            page.line(format!("Please check: {note}."));
        }
    }
}

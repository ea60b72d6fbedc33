//! The list as it is printed.

use serde::Serialize;

use headwalk_core::site::day_end::{Asks, DayEnd, Decided, Listed, Matter, Offer, PutOff, Side};
use headwalk_core::site::words::Vocabulary;
use headwalk_sync_server::office::Digests;

use crate::output::{Page, Report, counted};
use crate::told::rfc3339;

/// `{"date": .., "lines": [..], "put_off": [..], "decided": [..], "closed": ..}`, the worst first.
#[derive(Serialize)]
pub struct Listing {
    date: String,
    #[serde(skip)]
    title: String,
    lines: Vec<LineJson>,
    put_off: Vec<PutOffJson>,
    decided: Vec<DecidedJson>,
    #[serde(skip_serializing_if = "Option::is_none")]
    closed: Option<DecidedJson>,
    #[serde(skip)]
    devices: usize,
}

#[derive(Serialize)]
struct LineJson {
    /// What `decide` calls it.
    number: usize,
    key: String,
    matter: &'static str,
    site: String,
    place: String,
    thing: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    severity: Option<&'static str>,
    head: String,
    more: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<&'static str>,
    /// Where it was left open before: who, when, why.
    #[serde(skip_serializing_if = "Option::is_none")]
    left: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    versions: Vec<SideJson>,
    can: Vec<OfferJson>,
    #[serde(skip)]
    heading: &'static str,
}

#[derive(Serialize)]
struct SideJson {
    version: char,
    by: String,
    when: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    device: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    visit: Option<String>,
    fields: Vec<RowJson>,
}

#[derive(Serialize)]
struct RowJson {
    field: String,
    value: String,
    had_seen: Vec<String>,
}

#[derive(Serialize)]
struct OfferJson {
    word: String,
    label: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    asks: Option<&'static str>,
}

#[derive(Serialize)]
struct PutOffJson {
    key: String,
    site: String,
    place: String,
    head: String,
    until: String,
    by: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

#[derive(Serialize)]
struct DecidedJson {
    /// What `undo` calls it.
    number: usize,
    by: String,
    at: String,
    act: &'static str,
    words: String,
    #[serde(skip)]
    time: String,
}

/// What was done, and how many lines are left.
#[derive(Serialize)]
pub struct Done {
    pub done: String,
    pub left: usize,
}

impl Listing {
    pub fn of(day: &DayEnd, digests: &Digests) -> Self {
        let numbered = (1..).zip(&day.lines);
        let decided: Vec<_> = (1..).zip(&day.decided).map(DecidedJson::of).collect();
        let closed = day
            .closed
            .as_ref()
            .map(|closed| DecidedJson::of((0, closed)));
        Self {
            date: day.date.to_string(),
            title: day.date.format("%A %-d %B %Y").to_string(),
            lines: numbered.map(LineJson::of).collect(),
            put_off: day.put_off.iter().map(PutOffJson::of).collect(),
            decided,
            closed,
            devices: digests.heard().len(),
        }
    }
}

impl LineJson {
    fn of((number, listed): (usize, &Listed)) -> Self {
        let line = &listed.line;
        let left = listed.hole.as_ref().map(|hole| {
            let why = hole.why.as_ref().map(|why| format!(": {why}"));
            format!(
                "left open on {} by {}{}",
                hole.left,
                hole.by,
                why.unwrap_or_default()
            )
        });
        Self {
            number,
            key: line.key.to_string(),
            matter: line.key.matter.word(),
            site: line.site.clone(),
            place: line.place.clone(),
            thing: line.about.to_string(),
            severity: line.severity.map(Vocabulary::word),
            head: line.head.clone(),
            more: line.more.clone(),
            caution: line.caution,
            versions: line.sides.iter().map(SideJson::of).collect(),
            can: line.offers.iter().map(OfferJson::of).collect(),
            heading: match left {
                Some(_) => "Left open before",
                None => Matter::heading(line.key.matter),
            },
            left,
        }
    }

    fn write(&self, page: &mut Page) {
        let severity = self
            .severity
            .map_or_else(String::new, |severity| format!(" ({severity})"));
        let head = format!("{}, {}: {}{severity}", self.site, self.place, self.head);
        page.rows(0, &[[format!("{:<3}", self.number), head]]);
        let more = self.left.iter().chain(&self.more);
        for more in more {
            page.rows(5, &[[more.clone()]]);
        }
        for version in &self.versions {
            version.write(page);
        }
        if let Some(caution) = self.caution {
            page.rows(5, &[[caution.to_owned()]]);
        }
        let can: Vec<_> = self.can.iter().map(OfferJson::told).collect();
        page.rows(5, &[[format!("[ {} ]", can.join(" | "))]]);
    }
}

impl SideJson {
    fn of(side: &Side) -> Self {
        let rows = side.rows.iter().map(|row| RowJson {
            field: row.field.clone(),
            value: row.value.clone(),
            had_seen: row.had_seen.clone(),
        });
        Self {
            version: side.letter,
            by: side.by.clone(),
            when: side.when.clone(),
            device: side.device.clone(),
            visit: side.visit.clone(),
            fields: rows.collect(),
        }
    }

    fn write(&self, page: &mut Page) {
        let device = self.device.iter().map(|device| format!("on {device}"));
        let visit = self.visit.iter().map(|visit| format!("during {visit}"));
        let who: Vec<_> = [self.by.clone(), self.when.clone()]
            .into_iter()
            .chain(device)
            .chain(visit)
            .collect();
        page.rows(5, &[[self.version.to_string(), who.join(", ")]]);
        let rows: Vec<_> = self
            .fields
            .iter()
            .map(|row| {
                let had_seen = match row.had_seen.join("; ") {
                    seen if seen.is_empty() => "had seen nothing there".to_owned(),
                    seen => format!("had seen {seen}"),
                };
                [row.field.clone(), row.value.clone(), had_seen]
            })
            .collect();
        page.rows(8, &rows);
    }
}

impl OfferJson {
    fn of(offer: &Offer) -> Self {
        Self {
            word: offer.word(),
            label: offer.label.clone(),
            asks: match offer.asks {
                Asks::Nothing => None,
                Asks::Why => Some("why"),
                Asks::Who => Some("who"),
                Asks::Day => Some("day"),
                Asks::Price => Some("price"),
                Asks::Count => Some("count"),
            },
        }
    }

    fn told(&self) -> String {
        match self.asks {
            None => self.word.clone(),
            Some(asks) => format!("{} {}", self.word, asks.to_uppercase()),
        }
    }
}

impl PutOffJson {
    fn of(put_off: &PutOff) -> Self {
        let line = &put_off.line;
        Self {
            key: line.key.to_string(),
            site: line.site.clone(),
            place: line.place.clone(),
            head: line.head.clone(),
            until: put_off.until.to_string(),
            by: put_off.by.clone(),
            why: put_off.why.clone(),
        }
    }
}

impl DecidedJson {
    fn of((number, decided): (usize, &Decided)) -> Self {
        Self {
            number,
            by: decided.by.clone(),
            at: rfc3339(decided.stamp.wall(), decided.utc_offset_min),
            act: decided.act.word(),
            words: decided.words.clone(),
            time: decided.time(),
        }
    }
}

impl Report for Listing {
    fn write(&self, page: &mut Page) {
        let left = counted(self.lines.len() as u64, "thing", "things");
        match (self.lines.as_slice(), &self.closed) {
            ([], Some(closed)) => page.line(format!(
                "{}: {}, by {} at {}. Go home.",
                self.title, closed.words, closed.by, closed.time
            )),
            ([], None) => page.line(format!("{}: nothing is left. Go home.", self.title)),
            _ => page.line(format!(
                "{}: {left} to decide, the worst first.",
                self.title
            )),
        }
        let mut heading = "";
        for line in &self.lines {
            if heading != line.heading {
                heading = line.heading;
                page.line("");
                page.line(heading.to_uppercase());
            }
            line.write(page);
        }
        if !self.put_off.is_empty() {
            page.line("");
            page.line("NOT TODAY");
            let rows: Vec<_> = self
                .put_off
                .iter()
                .map(|line| {
                    let why = line.why.clone().unwrap_or_default();
                    let what = format!("{}, {}: {}", line.site, line.place, line.head);
                    [line.until.clone(), what, line.by.clone(), why]
                })
                .collect();
            page.rows(2, &rows);
        }
        if !self.decided.is_empty() {
            page.line("");
            page.line("DECIDED TODAY");
            let rows: Vec<_> = self
                .decided
                .iter()
                .map(|decided| {
                    [
                        decided.number.to_string(),
                        decided.time.clone(),
                        decided.by.clone(),
                        decided.words.clone(),
                    ]
                })
                .collect();
            page.rows(2, &rows);
        }
        page.line("");
        if self.devices == 0 {
            page.line("Nothing is in this store yet.");
        }
        page.paragraph(match self.lines.is_empty() {
            true => "`headwalk day undo NUMBER` takes a decision back.",
            false => {
                "`headwalk day decide NUMBER WORD` decides a line; `headwalk day close --why ..` \
                 closes the day with what is left, which is first tomorrow."
            }
        });
    }
}

impl Report for Done {
    fn write(&self, page: &mut Page) {
        page.line(format!("{}.", self.done));
        page.line(match self.left {
            0 => "Nothing is left. Go home.".to_owned(),
            left => format!("{} left.", counted(left as u64, "line is", "lines are")),
        });
    }
}

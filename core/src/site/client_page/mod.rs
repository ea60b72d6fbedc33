//! One page for a client: what was seen, what it means, what is proposed, and what can hurt whoever
//! does it. Self-contained HTML, for print and for screen, in plain words.
//!
//! [`about`] makes the page of a thing out of what the log knows, [`for_firm`] that of what wears
//! out; none of them says more than was recorded or computed, and each carries its caution.

mod kerb;
mod photos;
mod spot;
mod valve;
mod wear;
mod zone;

use std::fmt::Write;

use chrono::NaiveDate;

pub use kerb::for_kerb;
pub use photos::Pictured;
pub use spot::for_spot;
pub use valve::for_valve;
pub use wear::for_firm;
pub use zone::for_zone;

use super::finding::Caution;
use super::kerb::DRY_MOST;
use super::kind::ThingKind;
use super::lives::Wear;
use super::map::picture::escaped;
use super::things::{Head, Site, Thing, Valve, Zone};

/// Returns the page of a spot, a head at a kerb, a valve or a zone. What the firm's record says of
/// wear is asked for only where the page needs it.
///
/// # Errors
/// `E` of a sentence that says what is missing, or of what reading the record gives.
pub fn about<E: From<String>>(
    name: &str,
    site: &Site<'_>,
    thing: Thing<'_>,
    day: NaiveDate,
    wear: impl FnOnce() -> Result<Wear, E>,
) -> Result<ClientPage, E> {
    if let Some(head) = Head::of(site, thing) {
        return Ok(for_kerb(name, &head, DRY_MOST, day)?);
    }
    if let Some(zone) = Zone::of(site, thing) {
        return Ok(for_zone(name, site, &zone, day)?);
    }
    if let Some(valve) = Valve::of(site, thing) {
        return Ok(for_valve(name, site, &valve, &wear()?, day));
    }
    if thing.kind == Some(ThingKind::Spot) {
        return Ok(for_spot(name, site, thing, day));
    }
    let address = site.address(thing);
    Err(E::from(format!(
        "there is no page about {address}: name a spot, a head, a valve or a zone"
    )))
}

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
    /// Pictures, which stand in the page itself.
    pub photos: Vec<Pictured>,
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
        photos::write(&self.photos, &mut html);
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
    color:#333;border-top:1px solid #999}svg{width:100%;height:auto}figure{margin:.6em 0;break-inside:avoid}img{max-width:100%;\
    max-height:22em;height:auto}figcaption{font-size:.9em}@media print{body{margin:0}\
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

#[cfg(test)]
mod tests;

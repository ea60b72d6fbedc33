//! Spots whose cause nobody knows yet: what was tested, what it showed, and what was not tested.

use serde::Serialize;

use headwalk_core::site::fields::{self, seen};
use headwalk_core::site::things::{Parts, Site, Spot, Thing};
use headwalk_core::site::unit::UnitSystem;

use super::Book;
use crate::output::Page;

/// Every such spot.
#[derive(Serialize)]
pub struct Causes {
    causes_open: Vec<SpotLine>,
}

/// One spot, and the signs that were looked for.
#[derive(Serialize)]
struct SpotLine {
    site: String,
    spot: String,
    near: Option<String>,
    causes: Option<String>,
    signs: Vec<SignLine>,
}

/// One sign.
#[derive(Serialize)]
struct SignLine {
    seen: String,
    sign: String,
    remark: Option<String>,
}

impl Causes {
    /// Reads the spots that are neither closed nor explained.
    pub fn read(books: &[Book]) -> Self {
        let mut causes_open = Vec::new();
        for book in books {
            let site = book.site();
            let spots = site.things().filter_map(|thing| Spot::of(&site, thing));
            for spot in spots.filter(|spot| !spot.is_removed() && !spot.is_closed()) {
                if spot.words(&fields::spot::CAUSE).is_err() {
                    causes_open.push(line(book, &site, &spot));
                }
            }
        }
        Self { causes_open }
    }

    /// Writes the evidence as it stands; it never names a verdict.
    pub fn write(&self, page: &mut Page) {
        page.line("CAUSE NOT KNOWN YET");
        for spot in &self.causes_open {
            let near = spot.near.as_deref().unwrap_or("no place written");
            page.line(format!("{} at {}, {near}", spot.spot, spot.site));
            if let Some(causes) = &spot.causes {
                page.line(format!("  could be: {causes}"));
            }
            let rows: Vec<_> = spot
                .signs
                .iter()
                .map(|sign| {
                    let remark = sign.remark.clone().unwrap_or_default();
                    [sign.seen.clone(), sign.sign.clone(), remark]
                })
                .collect();
            page.rows(2, &rows);
        }
        page.line("");
    }
}

fn line(book: &Book, site: &Site<'_>, spot: &Thing<'_>) -> SpotLine {
    let us = UnitSystem::Us;
    let signs = spot.seen(&seen::EVIDENCE).iter().map(|seen| {
        let parts = Parts::of(&seen::EVIDENCE, &seen.value);
        let words = |name| parts.words(name).map(str::to_owned);
        let seen = match parts.words("seen") {
            Some("yes") => "tested, seen:",
            Some("no") => "tested, not seen:",
            _ => "not tested:",
        };
        SignLine {
            seen: seen.to_owned(),
            sign: words("sign").unwrap_or_default(),
            remark: words("remark"),
        }
    });
    let findings = site.findings_under(spot.id);
    let causes = findings
        .first()
        .and_then(|finding| finding.show(&fields::finding::CAUSE, us));
    SpotLine {
        site: book.name.clone(),
        spot: spot
            .label()
            .map_or_else(|| site.address(*spot), str::to_owned),
        near: spot.show(&fields::spot::NEAR, us),
        causes,
        signs: signs.collect(),
    }
}

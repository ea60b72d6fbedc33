//! Parts: what went into the ground, and what has to be on the truck.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use headwalk_core::site::fields::seen;
use headwalk_core::site::things::{Parts, Site};

use super::Book;
use crate::output::Page;

/// How many of a part.
#[derive(Serialize)]
pub struct PartCount {
    pub part: String,
    pub count: u64,
    pub site: String,
}

/// Counts the parts that went into the ground at a site on that day.
pub fn parts_used(book: &Book, site: &Site<'_>, date: NaiveDate) -> Vec<PartCount> {
    let used = site.things().flat_map(|thing| thing.seen(&seen::PART_USED));
    let today = used.filter(|seen| seen.stamp.wall().date_at(seen.utc_offset_min) == date);
    let counted = today.filter_map(|seen| {
        let parts = Parts::of(&seen::PART_USED, &seen.value);
        let count = parts.get("count").and_then(|count| count.as_int());
        Some(PartCount {
            part: parts.words("part")?.to_owned(),
            count: u64::try_from(count.unwrap_or(1)).unwrap_or(0),
            site: book.name.clone(),
        })
    });
    counted.collect()
}

/// Writes parts under a title, those of one kind together.
pub fn write_parts(page: &mut Page, title: &str, parts: &[PartCount]) {
    page.line(title);
    let mut counts: BTreeMap<&str, (u64, Vec<&str>)> = BTreeMap::new();
    for part in parts {
        let (count, sites) = counts.entry(&part.part).or_default();
        *count += part.count;
        if !sites.contains(&part.site.as_str()) {
            sites.push(&part.site);
        }
    }
    let rows: Vec<_> = counts
        .iter()
        .map(|(part, (count, sites))| [count.to_string(), (*part).to_owned(), sites.join(", ")])
        .collect();
    page.table(["no.", "part", "for"], &rows);
    page.line("");
}

//! Who said something, when, on which device, how they knew, and during which visit.

use serde::Serialize;

pub use headwalk_sync_server::value_json::{how_word, rfc3339};

use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::apart::moved::Origin;
use headwalk_core::site::sight::Written;

/// Who said something, and when. The same in every store that holds the entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Told {
    /// The person.
    pub by: String,
    /// When, in RFC 3339 with the writer's own UTC offset; corrected where their clock was wrong.
    pub at: String,
    /// What the writer's clock said, where that was corrected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_said: Option<String>,
    /// Whose words of when and of which other site it repeats, where a visit was moved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeats: Option<Repeats>,
    /// The id of the device.
    pub device: String,
    /// How it is known, where the writer said: measured, read, estimated, from last visit,
    /// computed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub how: Option<String>,
    /// The id of the visit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub visit: Option<String>,
}

/// What an entry of a moved visit repeats of the site to which it was written first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Repeats {
    /// What that site is called.
    pub site: String,
    /// Who wrote it there.
    pub by: String,
    /// When, in RFC 3339.
    pub at: String,
}

impl Told {
    /// Says who told this entry, and how they knew what it says.
    pub fn of(kept: Written<'_>, how: HowKnown) -> Self {
        let entry = &kept.entry;
        let told = rfc3339(entry.stamp.wall(), entry.utc_offset_min);
        let at = rfc3339(kept.stamp.wall(), entry.utc_offset_min);
        Self {
            by: entry.by.clone(),
            clock_said: (told != at).then_some(told),
            at,
            repeats: Origin::repeated(entry).map(|of| Repeats {
                site: of.site,
                by: of.by,
                at: of.at,
            }),
            device: entry.device.to_string(),
            how: how_word(how),
            visit: entry.visit.map(|visit| visit.to_string()),
        }
    }
}

/// Returns a moment for people: `2026-07-14 07:30`, on the writer's clock.
pub fn plain(stamp: Stamp, utc_offset_min: i16) -> String {
    plain_wall(stamp.wall(), utc_offset_min)
}

/// Returns a wall time for people.
pub fn plain_wall(at: WallMs, utc_offset_min: i16) -> String {
    let at = at.at_offset(utc_offset_min);
    at.format("%Y-%m-%d %H:%M").to_string()
}

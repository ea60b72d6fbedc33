//! Pictures on a page for a client: of the thing, and of what was found on it.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::{ClientPage, escaped, sentence};
use crate::site::photo::{self, Kept, PhotoDigest};
use crate::site::things::{Site, Thing};
use crate::site::words::{Vocabulary, plain};

/// How many pictures stand on a page, the newest.
const MOST: usize = 4;

/// A picture on a page, in the page itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pictured {
    /// What it shows, and from when it is.
    pub words: String,
    /// The file, which has nothing on it but the picture; none where it has not arrived.
    pub jpeg: Option<Vec<u8>>,
    /// On whose phone it is then.
    pub by: String,
}

impl ClientPage {
    /// Puts the newest pictures of a thing and of its findings on its page; `read` gives a picture's
    /// file where it is to be had.
    ///
    /// # Errors
    /// What `read` gives.
    pub fn with_photos<E>(
        mut self,
        site: &Site<'_>,
        thing: Thing<'_>,
        mut read: impl FnMut(PhotoDigest) -> Result<Option<Vec<u8>>, E>,
    ) -> Result<Self, E> {
        let findings = site.findings_under(thing.id);
        let things = findings.iter().map(|finding| **finding).chain([thing]);
        let mut seen: Vec<_> = things.flat_map(|thing| photo::photos(&thing)).collect();
        seen.retain(|seen| seen.value.kept == Kept::Kept);
        seen.sort_by_key(|seen| std::cmp::Reverse((seen.by.stamp, seen.by.place)));
        for seen in seen.iter().take(MOST) {
            let day = seen.by.stamp.wall().date_at(seen.by.utc_offset_min);
            let mut words = vec![day.format("%-d %B %Y").to_string()];
            let shows = seen.value.shows.map(|shows| plain(shows.word()));
            words.splice(0..0, shows);
            words.extend(seen.value.caption.clone());
            self.photos.push(Pictured {
                words: words.join(", "),
                jpeg: read(seen.value.digest)?,
                by: seen.by.by.to_string(),
            });
        }
        Ok(self)
    }
}

/// Writes them as a part of the page.
pub(super) fn write(photos: &[Pictured], html: &mut String) {
    if photos.is_empty() {
        return;
    }
    html.push_str("<section>\n<h2>What it looks like</h2>\n");
    for one in photos {
        let words = escaped(&sentence(&one.words));
        // Writing to a string cannot fail.
        let _ = match &one.jpeg {
            Some(jpeg) => writeln!(
                html,
                "<figure><img alt=\"{words}\" src=\"data:image/jpeg;base64,{}\"><figcaption>{words}\
                 </figcaption></figure>",
                STANDARD.encode(jpeg),
            ),
            None => writeln!(
                html,
                "<p>{words} The picture is on {}'s phone, not yet at the office.</p>",
                escaped(&one.by),
            ),
        };
    }
    html.push_str("</section>\n");
}

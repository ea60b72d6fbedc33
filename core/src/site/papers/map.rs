//! The head map: where every head stands and throws, and in walk order what nobody measured.

use super::html::Html;
use super::plan::Drawing;
use super::sheet::{Size, cautions, framed, letterhead};
use super::show::Show;
use super::words as w;
use super::{Facts, Options, walk};

/// Returns the head map of a site.
#[must_use]
pub fn head_map(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let title = w::HEAD_MAP_TITLE.with(show.language, &[&facts.name()]);
    let mut html = Html::default();
    letterhead(&mut html, facts, &title, show);
    let drawing = Drawing::of(facts, show);
    if let Some(drawing) = &drawing {
        html.raw("<section class=\"map\">\n");
        html.raw(&drawing.svg(&facts.name()));
        html.raw("</section>\n");
    }
    let rows = walk::rows(facts.site, show);
    if !rows.is_empty() {
        let class = if drawing.is_some() {
            " class=\"sheet\""
        } else {
            ""
        };
        html.raw(&format!("<section{class}>\n"));
        html.tag("h2", show.words(w::WALK_TITLE));
        html.tag("p", show.words(w::WALK_NOTE));
        for (name, picture) in &rows {
            html.raw("<div class=\"keep\">\n");
            html.tag("h3", name);
            html.raw(picture);
            html.raw("</div>\n");
        }
        html.raw("</section>\n");
    }
    if drawing.is_none() && rows.is_empty() {
        html.tag("p", show.words(w::NO_HEADS));
    }
    cautions(&mut html, &[], show);
    framed(&title, html, Size::Whole, options)
}

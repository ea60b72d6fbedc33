//! Heads that nobody measured, in the order of the walk: a wedge each, to one scale, a row a zone.

use super::figures::zone_name;
use super::plan::{bare, open_sign, slice};
use super::show::Show;
use super::words as w;
use crate::site::finding::Severity;
use crate::site::map::picture::escaped;
use crate::site::things::{Head, Site, Zone};
use crate::water::units::{Degrees, Feet};

/// How wide a row is, in its own units.
const WIDE: f64 = 700.0;
/// The least that a cell is wide, so that names stay apart.
const NARROWEST: f64 = 46.0;

/// Returns the rows of the zones that have heads without a place: each with its zone's name.
pub(super) fn rows(site: &Site<'_>, show: Show) -> Vec<(String, String)> {
    let zones = site.zones();
    let widest = zones.iter().flat_map(|zone| unplaced(site, zone));
    let widest = widest.filter_map(|head| Some(head.radius().ok()?.value.get()));
    let widest = widest.fold(4.0, f64::max);
    let rows = zones.iter().filter_map(|zone| {
        let heads = unplaced(site, zone);
        let name = zone_name(site, **zone, show);
        (!heads.is_empty()).then(|| (name.clone(), row(&name, &heads, widest, show)))
    });
    rows.collect()
}

fn unplaced<'s>(site: &Site<'_>, zone: &Zone<'s>) -> Vec<Head<'s>> {
    let heads = zone.heads().into_iter();
    let heads = heads.filter(|head| site.place_of(**head).is_err());
    heads.collect()
}

/// One zone's heads, as many to a line as fit.
fn row(name: &str, heads: &[Head<'_>], widest: f64, show: Show) -> String {
    let cell = (WIDE / 12.0).max(NARROWEST);
    let scale = (cell / 2.0 - 3.0) / widest;
    let line = (WIDE / cell).floor() as usize;
    let deep = cell + 16.0;
    let lines = heads.len().div_ceil(line.max(1));
    let high = deep * lines as f64;
    let title = w::WALK_OF.with(show.language, &[name]);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDE:.0} {high:.0}\" width=\"{WIDE:.0}\" height=\"{high:.0}\" \
         role=\"img\" aria-label=\"{0}\" font-family=\"Helvetica,Arial,sans-serif\" \
         font-size=\"9\"><title>{0}</title>\n",
        escaped(&title)
    );
    for (nth, head) in heads.iter().enumerate() {
        let x = cell * ((nth % line.max(1)) as f64 + 0.5);
        let y = deep * (nth / line.max(1)) as f64 + cell / 2.0;
        if let (Ok(arc), Ok(radius)) = (head.arc(), head.radius()) {
            let facing = head.measure::<Degrees>(&crate::site::fields::head::FACING);
            let facing = facing.map_or(Degrees::ZERO, |facing| facing.value);
            let wedge: (Degrees, Degrees, Feet) = (facing, arc.value, radius.value);
            svg.push_str(&slice((x, y), wedge, scale));
        }
        let open = head.findings_here();
        let open = open.iter().filter(|finding| !finding.status().is_closed());
        let open: Option<Severity> = open.filter_map(|finding| finding.severity().ok()).min();
        let sign = open.map_or_else(
            || "<circle r=\"2.6\"/>".to_owned(),
            |severity| open_sign(severity, show),
        );
        svg.push_str(&format!(
            "<g transform=\"translate({x:.1} {y:.1})\">{sign}</g><text x=\"{x:.1}\" y=\"{:.1}\" \
             text-anchor=\"middle\">{}</text>\n",
            y + cell / 2.0 + 9.0,
            escaped(&bare(&head.address()))
        ));
    }
    svg.push_str("</svg>\n");
    svg
}

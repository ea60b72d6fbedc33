//! A zone's map as a picture: SVG text that stands alone, readable in black and white.
//!
//! Ground is white where no water falls and darker the more does; heads are a dot with their wedge
//! in outline and their number; a head that is set as it is for a reason is marked with a ring.

use std::fmt::Write;

use super::ZoneMap;
use crate::site::kerb::KerbChoice;
use crate::water::coverage::{Area, Coverage, Surface};
use crate::water::kerb::{Ground, Setting};
use crate::water::plane::Point;
use crate::water::units::{Degrees, Feet};

/// How wide a picture is, in its own units.
const WIDE: f64 = 760.0;
/// Room around the ground, in the same.
const MARGIN: f64 = 30.0;
/// Room below for scale and legend.
const BELOW: f64 = 74.0;
/// About so many squares across: what the eye can tell apart.
const SQUARES: f64 = 110.0;

/// Fills from dry to wettest; black and white printers keep their order.
const SHADES: [&str; 5] = ["#e8f1f8", "#bdd7ea", "#8ab8d9", "#5593c0", "#2b6ca3"];

/// How feet of the sketch become units of the picture.
struct Frame {
    west: f64,
    north: f64,
    scale: f64,
    high: f64,
}

impl Frame {
    fn around(map: &ZoneMap) -> Self {
        let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
        let mut take = |place: Point, reach: Feet| {
            let at = [place.east.get(), place.north.get()];
            for ((low, high), at) in low.iter_mut().zip(&mut high).zip(at) {
                *low = low.min(at - reach.get());
                *high = high.max(at + reach.get());
            }
        };
        for head in &map.heads {
            take(head.sprinkler.place, head.sprinkler.radius * 0.3);
        }
        for corner in map.areas.iter().flat_map(|area| area.outline.corners()) {
            take(*corner, Feet::new(2.0));
        }
        let [wide, high_ft] = [high[0] - low[0], high[1] - low[1]].map(|ft| ft.max(4.0));
        let scale = ((WIDE - 2.0 * MARGIN) / wide).min(560.0 / high_ft);
        Self {
            west: low[0],
            north: high[1],
            scale,
            high: high_ft * scale,
        }
    }

    fn x(&self, place: Point) -> f64 {
        MARGIN + (place.east.get() - self.west) * self.scale
    }

    fn y(&self, place: Point) -> f64 {
        MARGIN + (self.north - place.north.get()) * self.scale
    }

    fn length(&self, feet: Feet) -> f64 {
        feet.get() * self.scale
    }
}

/// Returns the picture of a zone and where its water falls.
#[must_use]
pub fn zone(title: &str, map: &ZoneMap, found: &Coverage) -> String {
    let frame = Frame::around(map);
    let high = frame.high + 2.0 * MARGIN + BELOW;
    let mut svg = String::new();
    // Writing to a string cannot fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE:.0} {high:.0}\" role=\"img\" \
         aria-label=\"{0}\" font-family=\"sans-serif\" font-size=\"13\">\n<title>{0}</title>\n\
         <rect width=\"{WIDE:.0}\" height=\"{high:.0}\" fill=\"#fff\"/>\n{HATCH}",
        escaped(title)
    );
    for area in &map.areas {
        svg.push_str(&outline(&frame, area, fill_of(area.surface)));
    }
    svg.push_str(&water(&frame, found));
    for area in &map.areas {
        svg.push_str(&outline(&frame, area, "none"));
    }
    for head in &map.heads {
        svg.push_str(&wedge(&frame, head));
    }
    for head in &map.heads {
        let (x, y) = (frame.x(head.sprinkler.place), frame.y(head.sprinkler.place));
        let ring = if head.compromise.is_some() {
            format!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"9\" fill=\"none\" stroke=\"#000\" \
                 stroke-width=\"1.5\"/>"
            )
        } else {
            String::new()
        };
        let _ = writeln!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"#000\"/>{ring}<text \
             x=\"{:.1}\" y=\"{:.1}\" paint-order=\"stroke\" stroke=\"#fff\" \
             stroke-width=\"3\">{}</text>",
            x + 7.0,
            y - 6.0,
            escaped(&head.name.replace("head-", "")),
        );
    }
    svg.push_str(&legend(&frame, found, map));
    svg.push_str("</svg>\n");
    svg
}

/// Lines for paving, so that it is told from dry lawn without colour.
const HATCH: &str = "<defs><pattern id=\"paving\" width=\"7\" height=\"7\" \
    patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect width=\"7\" height=\"7\" \
    fill=\"#f2f2f2\"/><line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"7\" stroke=\"#999\" \
    stroke-width=\"1.5\"/></pattern></defs>\n";

const fn fill_of(surface: Surface) -> &'static str {
    match surface {
        Surface::Turf | Surface::Bed => "#fff",
        Surface::Paving => "url(#paving)",
        Surface::Building => "#666",
    }
}

fn outline(frame: &Frame, area: &Area, fill: &str) -> String {
    let corners: Vec<String> = area
        .outline
        .corners()
        .iter()
        .map(|corner| format!("{:.1},{:.1}", frame.x(*corner), frame.y(*corner)))
        .collect();
    let dashes = match area.surface {
        Surface::Bed => " stroke-dasharray=\"6 3\"",
        Surface::Turf | Surface::Paving | Surface::Building => "",
    };
    format!(
        "<polygon points=\"{}\" fill=\"{fill}\" stroke=\"#333\" stroke-width=\"1.2\"{dashes}/>\n",
        corners.join(" ")
    )
}

/// Which shade a rate gets, against the highest on planted ground; none where nothing falls.
fn shade(rate: f64, highest: f64) -> Option<usize> {
    if rate <= 0.0 {
        return None;
    }
    let steps = SHADES.len() as f64;
    // Below the highest by rounding, above it on paving: both are the darkest.
    let step = (rate / highest * steps).floor().clamp(0.0, steps - 1.0);
    Some(step as usize)
}

/// Squares of water, runs of one shade joined.
fn water(frame: &Frame, found: &Coverage) -> String {
    let grid = &found.grid;
    let step_ft = grid.step().get();
    let span_ft = (WIDE - 2.0 * MARGIN) / frame.scale;
    let every = (span_ft / SQUARES / step_ft).ceil().max(1.0) as usize;
    let side = frame.length(grid.step()) * every as f64;
    let highest = found.highest.get();
    let mut svg = String::new();
    for (row, rates) in grid.rows().enumerate().step_by(every) {
        let middle = |at: usize| rates.get(at + every / 2).or(rates.last());
        let shades: Vec<Option<usize>> = (0..rates.len())
            .step_by(every)
            .map(|at| middle(at).and_then(|rate| shade(rate.get(), highest)))
            .collect();
        let north = grid.corner().north + grid.step() * (row + every) as f64;
        let y = MARGIN + (frame.north - north.get()) * frame.scale;
        let mut at = 0;
        for run in shades.chunk_by(|a, b| a == b) {
            let east = grid.corner().east + grid.step() * (at * every) as f64;
            at += run.len();
            let fill = run
                .first()
                .copied()
                .flatten()
                .and_then(|shade| SHADES.get(shade));
            let Some(fill) = fill else {
                continue;
            };
            let x = MARGIN + (east.get() - frame.west) * frame.scale;
            let _ = writeln!(
                svg,
                "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{fill}\" \
                 fill-opacity=\"0.85\"/>",
                side * run.len() as f64 + 0.3,
                side + 0.3,
            );
        }
    }
    svg
}

fn wedge(frame: &Frame, head: &super::MapHead) -> String {
    let set = &head.sprinkler;
    let (x, y) = (frame.x(set.place), frame.y(set.place));
    let radius = frame.length(set.radius);
    let style = "fill=\"none\" stroke=\"#000\" stroke-width=\"0.8\" stroke-opacity=\"0.55\"";
    if set.arc.get() >= 359.5 {
        return format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" {style}/>\n");
    }
    let edge = |turn: f64| {
        let bearing = Degrees::new(set.facing.get() + turn * set.arc.get() / 2.0);
        let place = set.place.towards(bearing, set.radius);
        (frame.x(place), frame.y(place))
    };
    let ((left_x, left_y), (right_x, right_y)) = (edge(-1.0), edge(1.0));
    let large = u8::from(set.arc.get() > 180.0);
    format!(
        "<path d=\"M{x:.1} {y:.1}L{left_x:.1} {left_y:.1}A{radius:.1} {radius:.1} 0 {large} 1 \
         {right_x:.1} {right_y:.1}Z\" {style}/>\n"
    )
}

/// Scale, north, shades and the figures.
fn legend(frame: &Frame, found: &Coverage, map: &ZoneMap) -> String {
    let top = frame.high + 2.0 * MARGIN + 8.0;
    let ten = frame.length(Feet::new(10.0));
    let mut svg = format!(
        "<path d=\"M{MARGIN} {y:.1}h{ten:.1}m0 -5v10m-{ten:.1} -10v10\" stroke=\"#000\" \
         fill=\"none\"/><text x=\"{tx:.1}\" y=\"{ty:.1}\">10 ft</text>\n\
         <path d=\"M{nx:.1} {ny:.1}l5 16l-5 -4l-5 4z\" fill=\"#000\"/><text x=\"{nx:.1}\" \
         y=\"{nty:.1}\" text-anchor=\"middle\">N</text>\n",
        y = top + 6.0,
        tx = MARGIN + ten + 8.0,
        ty = top + 10.0,
        nx = WIDE - MARGIN,
        ny = top - 10.0,
        nty = top + 20.0,
    );
    let mut x = MARGIN + ten + 70.0;
    let _ = write!(svg, "<text x=\"{x:.1}\" y=\"{:.1}\">dry</text>", top + 10.0);
    x += 28.0;
    for fill in std::iter::once("#fff").chain(SHADES) {
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"{:.1}\" width=\"22\" height=\"14\" fill=\"{fill}\" \
             stroke=\"#333\" stroke-width=\"0.6\"/>",
            top - 1.0
        );
        x += 22.0;
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\">{:.2}</text>",
        x + 6.0,
        top + 10.0,
        found.highest
    );
    let ring = if map.heads.iter().any(|head| head.compromise.is_some()) {
        " A ring: set as it is for a reason."
    } else {
        ""
    };
    let _ = writeln!(
        svg,
        "<text x=\"{MARGIN}\" y=\"{:.1}\">Evenness {:.2}; mean {:.2}; {:.0} of {:.0} dry; {:.0} % \
         of the water off the planted ground.{ring}</text>",
        top + 38.0,
        found.du_lq.get(),
        found.mean,
        found.dry,
        found.planted,
        100.0 * (found.on_hard.get() + found.outside.get()),
    );
    svg
}

/// Returns the choice at a kerb as pictures side by side: lawn white, paving hatched, the wedge
/// dark, from straight above with the lawn up.
#[must_use]
pub fn kerb(title: &str, choice: &KerbChoice) -> String {
    let choices = choice.choices();
    let wide = WIDE / choices.len() as f64;
    let scale = (wide - 16.0) / (2.0 * choice.head.radius.get());
    let high = wide + 44.0;
    let mut svg = String::new();
    // Writing to a string cannot fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE:.0} {high:.0}\" role=\"img\" \
         aria-label=\"{0}\" font-family=\"sans-serif\" font-size=\"13\">\n<title>{0}</title>\n{HATCH}",
        escaped(title)
    );
    for (at, (offer, setting)) in choices.iter().enumerate() {
        let left = wide * at as f64;
        let (x, y) = (left + wide / 2.0, wide / 2.0 + 6.0);
        let _ = write!(
            svg,
            "<svg x=\"{:.1}\" y=\"4\" width=\"{:.1}\" height=\"{wide:.1}\">",
            left + 4.0,
            wide - 8.0
        );
        // Within the panel the head is in its middle.
        let (px, py) = (wide / 2.0 - 4.0, wide / 2.0);
        svg.push_str(&bend(&choice.ground, px, py, scale));
        svg.push_str(&slice(setting, px, py, scale));
        let _ = write!(
            svg,
            "<circle cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"4\" fill=\"#000\"/></svg>"
        );
        let _ = writeln!(
            svg,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-weight=\"bold\">{}</text>\
             <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{:.0} dry, {:.2} off</text>",
            y + wide / 2.0 + 10.0,
            offer.words(),
            y + wide / 2.0 + 27.0,
            setting.dry,
            setting.overspray,
        );
    }
    svg.push_str("</svg>\n");
    svg
}

/// The lawn and the paving around a head in the middle of a panel.
fn bend(ground: &Ground, x: f64, y: f64, scale: f64) -> String {
    let whole = |fill: &str| format!("<rect width=\"100%\" height=\"100%\" fill=\"{fill}\"/>");
    let circle = |centre: Point, radius: Feet, fill: &str| {
        format!(
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{:.1}\" fill=\"{fill}\" stroke=\"#000\" \
             stroke-width=\"2\"/>",
            x + centre.east.get() * scale,
            y - centre.north.get() * scale,
            radius.get() * scale
        )
    };
    let paving = fill_of(Surface::Paving);
    match ground {
        Ground::InsideCircle { centre, radius } => {
            whole(paving) + &circle(*centre, *radius, "#fff")
        }
        Ground::OutsideCircle { centre, radius } => {
            whole("#fff") + &circle(*centre, *radius, paving)
        }
        Ground::Within(outline) => {
            let corners = outline.corners().iter();
            let corners: Vec<String> = corners
                .map(|at| {
                    let (east, north) = (at.east.get() * scale, at.north.get() * scale);
                    format!("{:.1},{:.1}", x + east, y - north)
                })
                .collect();
            let lawn = corners.join(" ");
            format!(
                "{}<polygon points=\"{lawn}\" fill=\"#fff\" stroke=\"#000\"/>",
                whole(paving)
            )
        }
    }
}

fn slice(setting: &Setting, x: f64, y: f64, scale: f64) -> String {
    let radius = setting.radius.get() * scale;
    let style = "fill=\"#2b6ca3\" fill-opacity=\"0.45\" stroke=\"#000\"";
    if setting.arc.get() >= 359.5 {
        return format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" {style}/>");
    }
    let edge = |bearing: f64| {
        let (sine, cosine) = bearing.to_radians().sin_cos();
        (x + radius * sine, y - radius * cosine)
    };
    let from = setting.from.get();
    let ((from_x, from_y), (to_x, to_y)) = (edge(from), edge(from + setting.arc.get()));
    let large = u8::from(setting.arc.get() > 180.0);
    format!(
        "<path d=\"M{x:.1} {y:.1}L{from_x:.1} {from_y:.1}A{radius:.1} {radius:.1} 0 {large} 1 \
         {to_x:.1} {to_y:.1}Z\" {style}/>"
    )
}

/// Text as XML takes it.
#[must_use]
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

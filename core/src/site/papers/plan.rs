//! The plan of a site, drawn to scale: a wedge for each head from its arc, throw and aim, darker
//! where wedges overlap, white where no water falls. A head's state is a shape with a letter; no
//! colour means anything.

use std::fmt::Write;

use super::Facts;
use super::figures::place;
use super::show::Show;
use super::words as w;
use crate::site::fields;
use crate::site::finding::Severity;
use crate::site::kind::ThingKind;
use crate::site::map::picture::escaped;
use crate::site::map::{DrawnArea, Ground};
use crate::site::things::{Head, Thing, Zone};
use crate::water::plane::Point;
use crate::water::units::{Degrees, Feet};

/// How wide a drawing is, in its own units.
const WIDE: f64 = 700.0;
/// The most that it is high.
const HIGH: f64 = 740.0;
/// Room around the ground.
const MARGIN: f64 = 14.0;
/// Room below for scale, north and legend.
const BELOW: f64 = 66.0;

/// A head on the plan.
#[derive(Debug, Clone)]
pub(super) struct Drawn {
    pub(super) at: Point,
    pub(super) name: String,
    /// Aim, arc and throw, where all are known.
    pub(super) wedge: Option<(Degrees, Degrees, Feet)>,
    /// How soon its worst open finding matters.
    pub(super) open: Option<Severity>,
    /// Set as it is for a reason.
    pub(super) compromise: bool,
}

/// Another thing with a place.
#[derive(Debug, Clone)]
struct Mark {
    at: Point,
    sign: Sign,
    name: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    Valve,
    Controller,
    Supply,
    Spot,
}

/// The plan of a site, or of a part of it.
#[derive(Debug, Clone)]
pub(super) struct Drawing {
    heads: Vec<Drawn>,
    areas: Vec<DrawnArea>,
    marks: Vec<Mark>,
    show: Show,
    /// The corners of what is drawn: south-west and north-east.
    frame: (Point, Point),
}

impl Drawing {
    /// Draws all that has a place; none where no head has.
    pub(super) fn of(facts: &Facts<'_>, show: Show) -> Option<Self> {
        let site = facts.site;
        let zones = site.zones();
        let heads = zones.iter().flat_map(Zone::heads);
        let heads: Vec<Drawn> = heads
            .filter_map(|head| {
                let at = site.place_of(*head).ok()?.at;
                Some(drawn(&head, at))
            })
            .collect();
        if heads.is_empty() {
            return None;
        }
        let (areas, _) = site.areas();
        let sign = |thing: &Thing<'_>| match thing.kind? {
            ThingKind::Valve => Some(Sign::Valve),
            ThingKind::Controller => Some(Sign::Controller),
            ThingKind::Supply => Some(Sign::Supply),
            ThingKind::Spot => Some(Sign::Spot),
            _ => None,
        };
        let there = |thing: &Thing<'_>| !thing.is_removed() && site.kept(thing.id) == thing.id;
        let marks = site
            .under(site.root().id)
            .filter(there)
            .filter_map(|thing| {
                let sign = sign(&thing)?;
                let at = site.place_of(thing).ok()?.at;
                let name = place(site, Some(thing.id), show);
                Some(Mark { at, sign, name })
            });
        let marks: Vec<Mark> = marks.collect();
        let mut drawing = Self {
            heads,
            areas,
            marks,
            show,
            frame: (Point::new(0.0, 0.0), Point::new(0.0, 0.0)),
        };
        let everything = drawing.corners();
        drawing.frame = around(&everything, 2.0);
        Some(drawing)
    }

    /// Returns the part of it around these things; all of it where none of them has a place.
    pub(super) fn cropped(mut self, around_these: &[Point]) -> Self {
        if !around_these.is_empty() {
            self.frame = around(around_these, 25.0);
        }
        self
    }

    fn corners(&self) -> Vec<Point> {
        let heads = self.heads.iter().flat_map(|head| {
            // Towards the edge a throw may leave the paper a little, so that the site is large.
            let reach = head.wedge.map_or(0.0, |(_, _, radius)| 0.25 * radius.get());
            [(-reach, -reach), (reach, reach)].map(|(east, north)| {
                Point::new(head.at.east.get() + east, head.at.north.get() + north)
            })
        });
        let areas = self
            .areas
            .iter()
            .flat_map(|area| area.outline.corners().iter().copied());
        let marks = self.marks.iter().map(|mark| mark.at);
        heads.chain(areas).chain(marks).collect()
    }

    /// Returns the picture.
    pub(super) fn svg(&self, title: &str) -> String {
        let canvas = Canvas::of(self.frame);
        let high = canvas.high + 2.0 * MARGIN + BELOW;
        let title = w::PLAN_OF.with(self.show.language, &[title]);
        let mut svg = format!(
            "<svg viewBox=\"0 0 {WIDE:.0} {high:.0}\" width=\"{WIDE:.0}\" height=\"{high:.0}\" \
             role=\"img\" aria-label=\"{0}\" font-family=\"Helvetica,Arial,sans-serif\" \
             font-size=\"9\">\n<title>{0}</title>\n<defs><clipPath id=\"ground\"><rect x=\"0\" \
             y=\"0\" width=\"{WIDE:.0}\" height=\"{1:.1}\"/></clipPath><pattern id=\"paved\" \
             width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
             patternTransform=\"rotate(45)\"><path d=\"M0 0v6\" stroke=\"#888\"/></pattern></defs>\n\
             <g clip-path=\"url(#ground)\">\n",
            escaped(&title),
            canvas.high + 2.0 * MARGIN,
        );
        for area in &self.areas {
            canvas.area(&mut svg, area);
        }
        for head in &self.heads {
            canvas.wedge(&mut svg, head);
        }
        for mark in &self.marks {
            canvas.mark(&mut svg, mark);
        }
        let size = self.letters(&canvas);
        for head in self.heads.iter().filter(|head| self.shows(head)) {
            canvas.head(&mut svg, head, size, self.show);
        }
        svg.push_str("</g>\n");
        self.legend(&mut svg, &canvas);
        svg.push_str("</svg>\n");
        svg
    }

    /// Whether a head stands within what is drawn; its wedge may reach in all the same.
    fn shows(&self, head: &Drawn) -> bool {
        let (low, high) = self.frame;
        (low.east..=high.east).contains(&head.at.east)
            && (low.north..=high.north).contains(&head.at.north)
    }

    /// The size of the heads' names, so that neighbours do not overlap.
    fn letters(&self, canvas: &Canvas) -> f64 {
        let mut least = f64::MAX;
        let heads: Vec<&Drawn> = self.heads.iter().filter(|head| self.shows(head)).collect();
        for (nth, one) in heads.iter().enumerate() {
            for other in heads.iter().skip(nth + 1) {
                let apart = one.at.distance(other.at).get();
                // Two that stand in one place overlap at any size.
                if apart > 1.0 {
                    least = least.min(apart);
                }
            }
        }
        (least * canvas.scale * 0.3).clamp(5.0, 9.0)
    }

    fn legend(&self, svg: &mut String, canvas: &Canvas) {
        let top = canvas.high + 2.0 * MARGIN;
        let (feet, told) = match self.show.units {
            crate::site::unit::UnitSystem::Us => (Feet::new(20.0), "20 ft"),
            crate::site::unit::UnitSystem::Si => (Feet::from(metres(5.0)), "5 m"),
        };
        let long = feet.get() * canvas.scale;
        put(
            svg,
            format_args!(
                "<path d=\"M0 {top:.1}h{WIDE}\" stroke=\"#000\" stroke-width=\".6\"/><path d=\"M10 \
             {0:.1}h{long:.1}m0 -4v8m-{long:.1} -8v8\" stroke=\"#000\" fill=\"none\"/><text \
             x=\"{1:.1}\" y=\"{2:.1}\">{told}</text>\n<path d=\"M{3:.1} {4:.1}l5 15l-5 -4l-5 4z\"/>\
             <text x=\"{3:.1}\" y=\"{5:.1}\" text-anchor=\"middle\">N</text>\n",
                top + 14.0,
                16.0 + long,
                top + 17.0,
                WIDE - 16.0,
                top + 6.0,
                top + 31.0,
            ),
        );
        let mut at = (10.0, top + 34.0);
        let mut item = |svg: &mut String, sign: String, words: &str| {
            let wide = 28.0 + 4.6 * words.chars().count() as f64;
            if at.0 + wide > WIDE - 40.0 {
                at = (10.0, at.1 + 15.0);
            }
            put(
                svg,
                format_args!(
                    "<g transform=\"translate({:.1} {:.1})\">{sign}</g><text x=\"{:.1}\" y=\"{:.1}\">{}\
                 </text>\n",
                    at.0 + 9.0,
                    at.1,
                    at.0 + 21.0,
                    at.1 + 3.0,
                    escaped(words)
                ),
            );
            at.0 += wide;
        };
        item(svg, GOOD.to_owned(), self.show.words(w::HEAD_GOOD));
        for (severity, words) in [
            (Severity::Urgent, w::OPEN_URGENT),
            (Severity::Soon, w::OPEN_SOON),
            (Severity::Routine, w::OPEN_ROUTINE),
            (Severity::Watch, w::OPEN_WATCH),
        ] {
            if self.heads.iter().any(|head| head.open == Some(severity)) {
                item(svg, open_sign(severity, self.show), self.show.words(words));
            }
        }
        if self.heads.iter().any(|head| head.compromise) {
            item(svg, format!("{GOOD}{RING}"), self.show.words(w::COMPROMISE));
        }
        for (sign, words) in [
            (Sign::Valve, w::VALVE),
            (Sign::Controller, w::CONTROLLER),
            (Sign::Supply, w::SHUT_OFF),
            (Sign::Spot, w::SPOT),
        ] {
            if self.marks.iter().any(|mark| mark.sign == sign) {
                item(svg, sign_of(sign).to_owned(), self.show.words(words));
            }
        }
        item(svg, String::new(), self.show.words(w::DARKER));
    }
}

fn metres(metres: f64) -> crate::water::units::Metres {
    crate::water::units::Metres::new(metres)
}

fn drawn(head: &Head<'_>, at: Point) -> Drawn {
    let open = head.findings_here();
    let open = open.iter().filter(|finding| !finding.status().is_closed());
    Drawn {
        at,
        name: bare(&head.address()),
        wedge: wedge(head),
        open: open.filter_map(|finding| finding.severity().ok()).min(),
        compromise: head.words(&fields::head::COMPROMISE).is_ok(),
    }
}

/// A head's name without its kind.
pub(super) fn bare(address: &str) -> String {
    address.strip_prefix("head-").unwrap_or(address).to_owned()
}

/// A head's aim, arc and throw; a full circle aims nowhere.
pub(super) fn wedge(head: &Head<'_>) -> Option<(Degrees, Degrees, Feet)> {
    let (arc, radius) = (head.arc().ok()?.value, head.radius().ok()?.value);
    let facing = head.measure::<Degrees>(&fields::head::FACING).ok();
    let facing = facing.map(|facing| facing.value);
    let facing = facing.or((arc.get() >= 360.0).then_some(Degrees::ZERO))?;
    Some((facing, arc, radius))
}

fn around(points: &[Point], room: f64) -> (Point, Point) {
    let ends = |of: fn(&Point) -> f64| {
        let low = points.iter().map(of).fold(f64::MAX, f64::min);
        let high = points.iter().map(of).fold(f64::MIN, f64::max);
        (low - room, high + room)
    };
    let (west, east) = ends(|point| point.east.get());
    let (south, north) = ends(|point| point.north.get());
    (Point::new(west, south), Point::new(east, north))
}

/// How feet of the ground become units of the drawing.
struct Canvas {
    west: f64,
    north: f64,
    scale: f64,
    left: f64,
    high: f64,
}

impl Canvas {
    fn of((low, high): (Point, Point)) -> Self {
        let wide_ft = (high.east.get() - low.east.get()).max(4.0);
        let high_ft = (high.north.get() - low.north.get()).max(4.0);
        let room = WIDE - 2.0 * MARGIN;
        let scale = (room / wide_ft).min(HIGH / high_ft);
        Self {
            west: low.east.get(),
            north: high.north.get(),
            scale,
            left: MARGIN + (room - wide_ft * scale) / 2.0,
            high: high_ft * scale,
        }
    }

    fn at(&self, point: Point) -> (f64, f64) {
        (
            self.left + (point.east.get() - self.west) * self.scale,
            MARGIN + (self.north - point.north.get()) * self.scale,
        )
    }

    fn area(&self, svg: &mut String, area: &DrawnArea) {
        let corners = area.outline.corners().iter().map(|corner| {
            let (x, y) = self.at(*corner);
            format!("{x:.1},{y:.1}")
        });
        let corners: Vec<String> = corners.collect();
        let style = match area.ground {
            Ground::Turf => "fill=\"none\"",
            Ground::Bed => "fill=\"none\" stroke-dasharray=\"5 3\"",
            Ground::Paving => "fill=\"url(#paved)\"",
            Ground::Building => "fill=\"#999\"",
        };
        put(
            svg,
            format_args!(
                "<polygon points=\"{}\" {style} stroke=\"#000\" stroke-width=\".8\"/>\n",
                corners.join(" ")
            ),
        );
    }

    fn wedge(&self, svg: &mut String, head: &Drawn) {
        let Some(wedge) = head.wedge else { return };
        svg.push_str(&slice(self.at(head.at), wedge, self.scale));
    }

    fn head(&self, svg: &mut String, head: &Drawn, size: f64, show: Show) {
        let (x, y) = self.at(head.at);
        let sign = head
            .open
            .map_or_else(|| GOOD.to_owned(), |open| open_sign(open, show));
        let ring = if head.compromise { RING } else { "" };
        put(
            svg,
            format_args!(
                "<g transform=\"translate({x:.1} {y:.1})\">{sign}{ring}</g><text x=\"{x:.1}\" \
             y=\"{:.1}\" font-size=\"{size:.1}\" text-anchor=\"middle\" paint-order=\"stroke\" \
             stroke=\"#fff\" stroke-width=\"2\">{}</text>\n",
                y - if head.open.is_some() || head.compromise {
                    9.0
                } else {
                    5.0
                },
                escaped(&head.name)
            ),
        );
    }

    fn mark(&self, svg: &mut String, mark: &Mark) {
        let (x, y) = self.at(mark.at);
        put(
            svg,
            format_args!(
                "<g transform=\"translate({x:.1} {y:.1})\"><title>{}</title>{}</g>\n",
                escaped(&mark.name),
                sign_of(mark.sign)
            ),
        );
    }
}

/// A head that nothing is wrong with.
const GOOD: &str = "<circle r=\"2.6\"/>";
/// Around a head that is set as it is for a reason.
const RING: &str = "<circle r=\"7\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.4\"/>";

/// A shape with a letter: what is open at a head, by how soon it matters.
pub(super) fn open_sign(severity: Severity, show: Show) -> String {
    let (shape, letter) = match severity {
        Severity::Urgent => ("<path d=\"M0 -8.5L8.5 6.5H-8.5Z\"", w::LETTER_URGENT),
        Severity::Soon => ("<path d=\"M-6.5 -6.5H6.5V6.5H-6.5Z\"", w::LETTER_SOON),
        Severity::Routine => ("<path d=\"M0 -8.5L8.5 0L0 8.5L-8.5 0Z\"", w::LETTER_ROUTINE),
        Severity::Watch => ("<circle r=\"7\"", w::LETTER_WATCH),
    };
    let y = if severity == Severity::Urgent {
        5.0
    } else {
        3.2
    };
    format!(
        "{shape} fill=\"#fff\" stroke=\"#000\" stroke-width=\"1.5\"/><text y=\"{y}\" font-size=\"9\" \
         font-weight=\"bold\" text-anchor=\"middle\">{}</text>",
        show.words(letter)
    )
}

const fn sign_of(sign: Sign) -> &'static str {
    match sign {
        Sign::Valve => "<path d=\"M-6 -4L6 4V-4L-6 4Z\" fill=\"#fff\" stroke=\"#000\"/>",
        Sign::Controller => {
            "<path d=\"M-6 -5H6V5H-6ZM-6 -1H6\" fill=\"#fff\" stroke=\"#000\" \
             stroke-width=\"1.4\"/>"
        }
        Sign::Supply => {
            "<circle r=\"6\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"1.4\"/><path d=\"M-4 \
             -4L4 4M4 -4L-4 4\" stroke=\"#000\" stroke-width=\"1.4\"/>"
        }
        Sign::Spot => "<path d=\"M0 -6C5 1 4 6 0 6C-4 6 -5 1 0 -6Z\" fill=\"#555\"/>",
    }
}

/// A slice of a circle at a place of the drawing.
pub(super) fn slice(
    (x, y): (f64, f64),
    (facing, arc, radius): (Degrees, Degrees, Feet),
    scale: f64,
) -> String {
    let radius = radius.get() * scale;
    let style = "fill=\"#000\" fill-opacity=\".1\" stroke=\"#000\" stroke-width=\".5\" \
                 stroke-opacity=\".6\"";
    if arc.get() >= 359.5 {
        return format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" {style}/>\n");
    }
    let edge = |turn: f64| {
        let bearing = (facing.get() + turn * arc.get() / 2.0).to_radians();
        (x + radius * bearing.sin(), y - radius * bearing.cos())
    };
    let ((left_x, left_y), (right_x, right_y)) = (edge(-1.0), edge(1.0));
    let large = u8::from(arc.get() > 180.0);
    format!(
        "<path d=\"M{x:.1} {y:.1}L{left_x:.1} {left_y:.1}A{radius:.1} {radius:.1} 0 {large} 1 \
         {right_x:.1} {right_y:.1}Z\" {style}/>\n"
    )
}

fn put(svg: &mut String, shape: std::fmt::Arguments<'_>) {
    svg.write_fmt(shape)
        .expect("a string takes whatever is written");
}

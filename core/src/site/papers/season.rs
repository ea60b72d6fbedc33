//! The season chart: month by month what each zone needed, and what rain and the setting gave it;
//! one panel a zone, all to one scale, and where the figures have gaps.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono::Datelike;

use super::figures::{day_of, stretch, zone_name};
use super::html::Html;
use super::sheet::{Size, cautions, framed, letterhead};
use super::show::Show;
use super::words as w;
use super::{Facts, Options};
use crate::site::fields::{self, seen};
use crate::site::map::picture::escaped;
use crate::site::plan::{Kept, SiteSeason, ZoneSeason, season_under};
use crate::site::things::Zone;
use crate::site::unit::Unit;
use crate::site::weather::Origin;
use crate::water::units::{Inches, Millimetres};

const WIDE: f64 = 700.0;
const LEFT: f64 = 40.0;
const PANEL: f64 = 88.0;
const TOP: f64 = 8.0;
const HIGH: f64 = TOP + PANEL + 26.0;

/// Returns the season chart of a site: the year up to the day, as far as its weather is recorded.
#[must_use]
pub fn season_chart(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let title = w::SEASON_TITLE.with(show.language, &[&facts.name()]);
    let mut html = Html::default();
    letterhead(&mut html, facts, &title, show);
    let reckoned = stretch(facts).ok_or_else(|| show.words(w::NO_WEATHER).to_owned());
    let reckoned = reckoned.and_then(|stretch| {
        let asked = [Kept::AsLeft];
        let (site, weather) = (facts.site, facts.weather);
        let season = season_under(&asked, site, weather, &stretch, &facts.rules());
        season.map_err(|_| show.words(w::NO_WEATHER).to_owned())
    });
    match reckoned {
        Ok(season) => panels(&mut html, facts, &season, show),
        Err(why) => {
            html.tag("p", &why);
        }
    }
    cautions(&mut html, &[], show);
    framed(&title, html, Size::Whole, options)
}

/// One month of one zone, in the reader's unit.
#[derive(Debug, Clone, Copy, Default)]
struct Month {
    need: f64,
    rain: f64,
    applied: f64,
}

/// The months of one zone, by year and month.
type Months = BTreeMap<(i32, u32), Month>;

/// What all panels share.
struct Axes {
    months: Vec<(i32, u32)>,
    most: f64,
    /// Of each month, the share of days of which some figure was filled in.
    gaps: BTreeMap<(i32, u32), f64>,
    visits: Vec<((i32, u32), f64)>,
    re_sets: Vec<((i32, u32), f64)>,
}

fn panels(html: &mut Html, facts: &Facts<'_>, season: &SiteSeason, show: Show) {
    let zones = facts.site.zones();
    let told: Vec<(&Zone<'_>, Months)> = zones
        .iter()
        .filter_map(|zone| {
            let of = season.zones.iter().find(|of| of.zone == zone.id)?;
            Some((zone, months(of, show)?))
        })
        .collect();
    let most = told.iter().flat_map(|(_, months)| months.values());
    let most = most.map(|month| month.need.max(month.rain + month.applied));
    let axes = Axes::of(facts, season, most.fold(0.1, f64::max));
    let unit_words = show.words(match show.units {
        crate::site::unit::UnitSystem::Us => w::INCHES,
        crate::site::unit::UnitSystem::Si => w::MILLIMETRES,
    });
    let (from, to) = (show.day(season.stretch.from), show.day(season.stretch.to));
    html.tag(
        "p",
        &w::SEASON_SAYS.with(show.language, &[&from, &to, unit_words]),
    );
    html.raw(&legend(show));
    for (zone, months) in &told {
        let name = zone_name(facts.site, ***zone, show);
        let sum = |of: fn(&Month) -> f64| months.values().map(of).sum::<f64>();
        let figure = |amount: f64| match show.units {
            crate::site::unit::UnitSystem::Us => format!("{amount:.1} in"),
            crate::site::unit::UnitSystem::Si => format!("{amount:.0} mm"),
        };
        let sums = [sum(|it| it.need), sum(|it| it.rain), sum(|it| it.applied)].map(figure);
        let said = w::SEASON_SUMS.with(show.language, &[&sums[0], &sums[1], &sums[2]]);
        html.raw("<div class=\"keep\">\n");
        html.tag("h3", &name);
        html.tag("p.small", &said);
        html.raw(&panel(&format!("{name}: {said}"), months, &axes, show));
        html.raw("</div>\n");
    }
    let left_out: Vec<String> = zones
        .iter()
        .filter(|zone| !told.iter().any(|(of, _)| of.id == zone.id))
        .map(|zone| zone_name(facts.site, **zone, show))
        .collect();
    if !left_out.is_empty() {
        html.tag(
            "p",
            &w::NOT_RECKONED.with(show.language, &[&show.listed(&left_out)]),
        );
    }
}

/// A zone's months under the programs as left; none where they cannot be reckoned.
fn months(of: &ZoneSeason, show: Show) -> Option<Months> {
    let season = of.seasons.get(&Kept::AsLeft)?.as_ref().ok()?;
    let unit = Unit::Inch.in_system(show.units);
    let depth = |depth: Millimetres| {
        let inches = Inches::from(depth).get();
        Unit::Inch.amount_in(inches, unit).unwrap_or(inches)
    };
    let months = season.months.iter().map(|(month, sum)| {
        let told = Month {
            need: depth(sum.need),
            rain: depth(sum.rain),
            applied: depth(sum.applied),
        };
        (*month, told)
    });
    Some(months.collect())
}

impl Axes {
    fn of(facts: &Facts<'_>, season: &SiteSeason, most: f64) -> Self {
        let mut days: BTreeMap<(i32, u32), (f64, f64)> = BTreeMap::new();
        for day in &season.weather {
            let (all, filled) = days.entry((day.date.year(), day.date.month())).or_default();
            *all += 1.0;
            let made_up = |from| {
                matches!(
                    from,
                    Origin::Between | Origin::Normals | Origin::TakenAsNone
                )
            };
            if made_up(day.eto_from) || made_up(day.rain_from) {
                *filled += 1.0;
            }
        }
        let within = |day: chrono::NaiveDate| {
            let into = f64::from(day.day0()) / f64::from(day.num_days_in_month());
            let inside = (season.stretch.from..=season.stretch.to).contains(&day);
            inside.then_some(((day.year(), day.month()), into))
        };
        let visits = facts.site.visits();
        let visits = visits
            .iter()
            .filter_map(|visit| within(visit.day(&fields::visit::DATE).ok()?.value));
        let controllers = facts.site.controllers();
        let re_sets = controllers.iter().flat_map(|controller| {
            let found = controller
                .seen(&seen::AS_FOUND)
                .iter()
                .map(|seen| seen.stamp);
            let left = controller.as_left().ok().map(|left| left.stamp);
            found.chain(left).collect::<Vec<_>>()
        });
        Self {
            months: days.keys().copied().collect(),
            most,
            gaps: days
                .into_iter()
                .map(|(month, (all, filled))| (month, filled / all))
                .collect(),
            visits: visits.collect(),
            re_sets: re_sets
                .filter_map(|stamp| within(day_of(stamp, facts)))
                .collect(),
        }
    }

    fn width(&self) -> f64 {
        (WIDE - LEFT - 6.0) / self.months.len().max(1) as f64
    }

    fn x(&self, month: (i32, u32), into: f64) -> Option<f64> {
        let nth = self.months.iter().position(|of| *of == month)?;
        Some(LEFT + self.width() * (nth as f64 + into))
    }
}

/// What the fills and lines mean, once for all panels.
fn legend(show: Show) -> String {
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDE:.0} 22\" width=\"{WIDE:.0}\" height=\"22\" aria-hidden=\"true\" \
         font-family=\"Helvetica,Arial,sans-serif\" font-size=\"10\">{PATTERNS}\n"
    );
    let mut x = 0.0;
    for (sign, words) in [
        (
            "<rect width=\"18\" height=\"11\" fill=\"url(#dots)\" stroke=\"#000\"/>",
            w::RAIN,
        ),
        (
            "<rect width=\"18\" height=\"11\" fill=\"#777\" stroke=\"#000\"/>",
            w::IRRIGATION,
        ),
        (
            "<path d=\"M0 6h18\" stroke=\"#000\" stroke-width=\"2.5\"/>",
            w::NEED,
        ),
        (
            "<path d=\"M9 0v11\" stroke=\"#000\" stroke-width=\"2\"/>",
            w::VISIT,
        ),
        ("<path d=\"M4 11L9 1L14 11Z\"/>", w::RE_SET),
        (
            "<rect width=\"18\" height=\"11\" fill=\"url(#gap)\" stroke=\"#777\"/>",
            w::GAP,
        ),
    ] {
        let words = show.words(words);
        put(
            &mut svg,
            format_args!(
                "<g transform=\"translate({x:.0} 4)\">{sign}</g><text x=\"{:.0}\" y=\"14\">{}</text>\n",
                x + 23.0,
                escaped(words)
            ),
        );
        x += 40.0 + 5.2 * words.chars().count() as f64;
    }
    svg.push_str("</svg>\n");
    svg
}

const PATTERNS: &str = "<defs><pattern id=\"dots\" width=\"5\" height=\"5\" \
    patternUnits=\"userSpaceOnUse\"><rect width=\"5\" height=\"5\" fill=\"#fff\"/><circle cx=\"2.5\" \
    cy=\"2.5\" r=\"1.1\"/></pattern><pattern id=\"gap\" width=\"7\" height=\"7\" \
    patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect width=\"7\" height=\"7\" \
    fill=\"#fff\"/><path d=\"M0 0v7\" stroke=\"#bbb\" stroke-width=\"2\"/></pattern></defs>";

fn panel(title: &str, months: &Months, axes: &Axes, show: Show) -> String {
    let bottom = TOP + PANEL;
    let y = |depth: f64| bottom - PANEL * depth / axes.most;
    let width = axes.width();
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDE:.0} {HIGH:.0}\" width=\"{WIDE:.0}\" height=\"{HIGH:.0}\" \
         role=\"img\" aria-label=\"{0}\" font-family=\"Helvetica,Arial,sans-serif\" \
         font-size=\"9.5\"><title>{0}</title>{PATTERNS}\n",
        escaped(title)
    );
    for (nth, month) in axes.months.iter().enumerate() {
        let x = LEFT + width * nth as f64;
        if axes.gaps.get(month).is_some_and(|gap| *gap > 0.2) {
            put(
                &mut svg,
                format_args!(
                    "<rect x=\"{x:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{PANEL}\" \
                 fill=\"url(#gap)\"/>\n"
                ),
            );
        }
        let of = months.get(month).copied().unwrap_or_default();
        let bar = (width * 0.55).min(60.0);
        let at = x + (width - bar) / 2.0;
        for (low, high, fill) in [
            (0.0, of.rain, "url(#dots)"),
            (of.rain, of.rain + of.applied, "#777"),
        ] {
            let high_px = y(low) - y(high);
            if high_px > 0.05 {
                put(
                    &mut svg,
                    format_args!(
                        "<rect x=\"{at:.1}\" y=\"{:.1}\" width=\"{bar:.1}\" height=\"{high_px:.1}\" \
                     fill=\"{fill}\" stroke=\"#000\" stroke-width=\".6\"/>\n",
                        y(high)
                    ),
                );
            }
        }
        put(
            &mut svg,
            format_args!(
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n",
                x + width / 2.0,
                bottom + 20.0,
                show.short_month(month.1)
            ),
        );
    }
    let need = axes.months.iter().enumerate().flat_map(|(nth, month)| {
        let of = months.get(month).copied().unwrap_or_default();
        let x = LEFT + width * nth as f64;
        [(x, y(of.need)), (x + width, y(of.need))]
    });
    let need: Vec<String> = need.map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    put(
        &mut svg,
        format_args!(
            "<polyline points=\"{}\" fill=\"none\" stroke=\"#fff\" stroke-width=\"4\"/><polyline \
         points=\"{0}\" fill=\"none\" stroke=\"#000\" stroke-width=\"2.4\"/>\n",
            need.join(" ")
        ),
    );
    ticks(&mut svg, axes, y);
    put(
        &mut svg,
        format_args!(
            "<path d=\"M{LEFT} {bottom}H{:.0}\" stroke=\"#000\"/>\n</svg>\n",
            WIDE - 6.0
        ),
    );
    svg
}

/// The scale at the side, and visits and re-sets below.
fn ticks(svg: &mut String, axes: &Axes, y: impl Fn(f64) -> f64) {
    let step = crate::site::picture::axis_step(axes.most);
    let mut value = 0.0;
    while value <= axes.most * 1.001 {
        let decimals = usize::from(step < 1.0);
        put(
            svg,
            format_args!(
                "<path d=\"M{:.0} {1:.1}h4\" stroke=\"#000\"/><text x=\"{2:.0}\" y=\"{3:.1}\" \
             text-anchor=\"end\">{value:.decimals$}</text>\n",
                LEFT - 4.0,
                y(value),
                LEFT - 7.0,
                y(value) + 3.0
            ),
        );
        value += step;
    }
    let bottom = TOP + PANEL;
    for (month, into) in &axes.visits {
        if let Some(x) = axes.x(*month, *into) {
            put(
                svg,
                format_args!(
                    "<path d=\"M{x:.1} {bottom:.1}v8\" stroke=\"#000\" stroke-width=\"2\"/>\n"
                ),
            );
        }
    }
    for (month, into) in &axes.re_sets {
        if let Some(x) = axes.x(*month, *into) {
            put(
                svg,
                format_args!(
                    "<path d=\"M{:.1} {:.1}l4 -8l4 8z\"/>\n",
                    x - 4.0,
                    bottom + 9.0
                ),
            );
        }
    }
}

fn put(svg: &mut String, shape: std::fmt::Arguments<'_>) {
    svg.write_fmt(shape)
        .expect("a string takes whatever is written");
}

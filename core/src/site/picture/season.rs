//! The season chart: month by month what the plants needed, and what rain and each of two settings
//! gave them; one panel a zone, all to one scale.

use std::collections::BTreeMap;

use super::svg::{Anchor, Box, Svg, short, step, tick};
use crate::site::fields;

use crate::site::plan::{Kept, SiteSeason, ZoneSeason, say};
use crate::site::things::Site;
use crate::site::unit::{Unit, UnitSystem};
use crate::water::season::Sum;
use crate::water::units::{Inches, Millimetres};

const WIDTH: f64 = 900.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 112.0;
const PANEL: f64 = 150.0;
const GAP: f64 = 62.0;

/// Returns a picture of a season with two settings beside each other.
///
/// Each month has two bars, the first setting's and the second's: rain below, irrigation on it, and
/// on top what the drier half went short of. The line is the need. Of several years it shows the
/// mean of each month. Ticks under the months are visits.
#[must_use]
pub fn season_chart(
    name: &str,
    site: &Site<'_>,
    season: &SiteSeason,
    beside: [Kept; 2],
    system: UnitSystem,
) -> String {
    let panels: Vec<Panel> = season
        .zones
        .iter()
        .map(|zone| Panel::of(site, zone, beside))
        .collect();
    let months = months(season);
    let most = panels.iter().map(Panel::most).fold(0.1, f64::max);
    let unit = Unit::Inch.in_system(system);
    let by = step(Unit::Inch.amount_in(most, unit).unwrap_or(most));
    let scale = Scale {
        months: &months,
        by,
        end: by * (Unit::Inch.amount_in(most, unit).unwrap_or(most) / by).ceil(),
        system,
    };
    let title = format!("{name}, {} to {}", season.stretch.from, season.stretch.to);
    let about = "water of each month by zone: need, rain, irrigation and what was short";
    let mut svg = Svg::new(WIDTH, &title, about);
    svg.text("head", (16.0, 28.0), Anchor::Start, &title);
    let years = years(season);
    let words = match years {
        1 => format!("{unit} of water a month"),
        years => format!("{unit} of water a month, mean of {years} years"),
    };
    svg.text("small", (16.0, 48.0), Anchor::Start, &words);
    legend(&mut svg, beside);
    let visits = visits(site, season);
    for (nth, panel) in panels.iter().enumerate() {
        let top = TOP + (PANEL + GAP) * nth as f64;
        panel.draw(&mut svg, top, &scale, &visits);
    }
    svg.done(TOP + (PANEL + GAP) * panels.len() as f64)
}

fn legend(svg: &mut Svg, beside: [Kept; 2]) {
    let mut at = 16.0;
    let [first, second] = beside.map(Kept::name);
    for (class, words) in [
        ("rain", "rain"),
        ("left", first),
        ("plan", second),
        ("short", "short, in the drier half"),
    ] {
        let size = Box {
            x: at,
            y: 60.0,
            width: 22.0,
            height: 12.0,
        };
        svg.rect(class, size, "");
        svg.text("small", (at + 28.0, 70.0), Anchor::Start, words);
        at += 50.0 + 7.0 * words.len() as f64;
    }
    svg.line("need", (at, 66.0), (at + 24.0, 66.0));
    svg.text("small", (at + 30.0, 70.0), Anchor::Start, "need");
    at += 80.0;
    svg.line("visit", (at, 60.0), (at, 72.0));
    svg.text("small", (at + 8.0, 70.0), Anchor::Start, "visit");
}

/// The months of a season's axis, from 1.
fn months(season: &SiteSeason) -> Vec<u32> {
    let mut months = Vec::new();
    for day in &season.weather {
        use chrono::Datelike;
        if !months.contains(&day.date.month()) {
            months.push(day.date.month());
        }
    }
    if years(season) > 1 {
        months.sort_unstable();
    }
    months
}

fn years(season: &SiteSeason) -> usize {
    let days = season.weather.len();
    days.div_ceil(366).max(1)
}

/// Months, and how far into them, on which somebody visited the site.
fn visits(site: &Site<'_>, season: &SiteSeason) -> Vec<(u32, f64)> {
    use chrono::Datelike;
    let dates = site.visits();
    let dates = dates
        .iter()
        .filter_map(|visit| visit.day(&fields::visit::DATE).ok());
    dates
        .map(|date| date.value)
        .filter(|date| (season.stretch.from..=season.stretch.to).contains(date))
        .map(|date| {
            let into = f64::from(date.day0()) / f64::from(date.num_days_in_month());
            (date.month(), into)
        })
        .collect()
}

/// What one zone's panel shows, inches a month.
struct Panel {
    name: String,
    settings: [Option<BTreeMap<u32, Month>>; 2],
    totals: [Option<Sum>; 2],
    unknown: Option<String>,
}

#[derive(Clone, Copy, Default)]
struct Month {
    need: f64,
    rain: f64,
    applied: f64,
    short: f64,
    stress_days: f64,
}

/// The axes that all panels share.
struct Scale<'m> {
    months: &'m [u32],
    /// From one line to the next, in the reader's unit.
    by: f64,
    /// The highest line.
    end: f64,
    system: UnitSystem,
}

impl Scale<'_> {
    fn width(&self) -> f64 {
        (WIDTH - LEFT - RIGHT) / self.months.len().max(1) as f64
    }

    fn height(&self, depth: f64) -> f64 {
        let unit = Unit::Inch.in_system(self.system);
        PANEL * Unit::Inch.amount_in(depth, unit).unwrap_or(depth) / self.end
    }
}

impl Panel {
    fn of(site: &Site<'_>, zone: &ZoneSeason, beside: [Kept; 2]) -> Self {
        let words = site
            .thing(zone.zone)
            .and_then(|thing| thing.words(&fields::zone::NAME).ok());
        let name = words.map_or_else(
            || zone.name.clone(),
            |words| format!("{} {}", zone.name, words.value),
        );
        let season = |kept: Kept| zone.seasons.get(&kept)?.as_ref().ok();
        let unknown = beside.iter().find_map(|kept| {
            let season = zone.seasons.get(kept)?;
            season.as_ref().err().map(ToString::to_string)
        });
        Self {
            name,
            settings: beside.map(|kept| season(kept).map(|season| means(&season.months))),
            totals: beside.map(|kept| season(kept).map(|season| season.total)),
            unknown,
        }
    }

    fn most(&self) -> f64 {
        let months = self.settings.iter().flatten().flat_map(BTreeMap::values);
        months
            .map(|month| (month.rain + month.applied).max(month.need))
            .fold(0.0, f64::max)
    }

    fn draw(&self, svg: &mut Svg, top: f64, scale: &Scale<'_>, visits: &[(u32, f64)]) {
        let bottom = top + PANEL;
        svg.text(
            "zone",
            (LEFT, top - 22.0),
            Anchor::Start,
            &short(&self.name, 48),
        );
        svg.text(
            "small",
            (LEFT, top - 8.0),
            Anchor::Start,
            &self.said(scale.system),
        );
        let lines = (scale.end / scale.by).round() as u32;
        for nth in 0..=lines {
            let value = scale.by * f64::from(nth);
            let y = bottom - PANEL * value / scale.end;
            svg.line("grid", (LEFT, y), (WIDTH - RIGHT, y));
            svg.text(
                "small",
                (LEFT - 6.0, y + 4.0),
                Anchor::End,
                &tick(value, scale.by),
            );
        }
        let width = scale.width();
        for (nth, month) in scale.months.iter().enumerate() {
            let x = LEFT + width * nth as f64;
            self.month(svg, *month, x, bottom, scale);
            let name = u8::try_from(*month).ok();
            let name = name.and_then(|month| chrono::Month::try_from(month).ok());
            let name = name.map_or("", |month| month.name());
            let name = name.get(..3).unwrap_or(name);
            svg.text(
                "small",
                (x + width / 2.0, bottom + 14.0),
                Anchor::Middle,
                name,
            );
            for (_, into) in visits.iter().filter(|(of, _)| of == month) {
                let at = x + width * into;
                svg.line("visit", (at, bottom), (at, bottom + 7.0));
            }
        }
        self.need(svg, bottom, scale);
        svg.line("axis", (LEFT, bottom), (WIDTH - RIGHT, bottom));
    }

    fn month(&self, svg: &mut Svg, month: u32, x: f64, bottom: f64, scale: &Scale<'_>) {
        let width = scale.width();
        let bar = (width * 0.36).min(34.0);
        let from = x + width / 2.0 - bar - 1.0;
        for (nth, (setting, class)) in self.settings.iter().zip(["left", "plan"]).enumerate() {
            let Some(of) = setting.as_ref().and_then(|months| months.get(&month)) else {
                continue;
            };
            let at = from + nth as f64 * (bar + 2.0);
            let mut y = bottom;
            for (class, depth, what) in [
                ("rain", of.rain, "rain"),
                (class, of.applied, "irrigation"),
                ("short", of.short, "short"),
            ] {
                let height = scale.height(depth);
                y -= height;
                let size = Box {
                    x: at,
                    y,
                    width: bar,
                    height,
                };
                let said = say(Inches::new(depth), scale.system);
                let days = match what {
                    "short" => format!(", {:.0} stress days", of.stress_days),
                    _ => String::new(),
                };
                svg.rect(class, size, &format!("{what} {said}{days}"));
            }
        }
    }

    /// The need as steps from month to month.
    fn need(&self, svg: &mut Svg, bottom: f64, scale: &Scale<'_>) {
        let months = self.settings.iter().flatten().next();
        let Some(months) = months else { return };
        let width = scale.width();
        let points = scale.months.iter().enumerate().flat_map(|(nth, month)| {
            let need = months.get(month).map_or(0.0, |month| month.need);
            let y = bottom - scale.height(need);
            let x = LEFT + width * nth as f64;
            [(x, y), (x + width, y)]
        });
        let points: Vec<(f64, f64)> = points.collect();
        svg.path("need", &points);
    }

    /// What the season comes to, in one line.
    fn said(&self, system: UnitSystem) -> String {
        if let Some(reason) = &self.unknown {
            return format!("not known: {}", short(reason, 110));
        }
        let [Some(first), Some(second)] = self.totals else {
            return String::new();
        };
        format!(
            "{} stress days and {} against {} and {}",
            first.stress_days,
            say(first.gallons, system),
            second.stress_days,
            say(second.gallons, system)
        )
    }
}

/// The mean of each calendar month over the years.
fn means(months: &BTreeMap<(i32, u32), Sum>) -> BTreeMap<u32, Month> {
    let mut means: BTreeMap<u32, (Month, f64)> = BTreeMap::new();
    for ((_, month), sum) in months {
        let inches = |depth: Millimetres| Inches::from(depth).get();
        let (mean, years) = means.entry(*month).or_default();
        mean.need += inches(sum.need);
        mean.rain += inches(sum.rain);
        mean.applied += inches(sum.applied);
        mean.short += inches(sum.short);
        mean.stress_days += f64::from(sum.stress_days);
        *years += 1.0;
    }
    let means = means.into_iter().map(|(month, (sum, years))| {
        let mean = Month {
            need: sum.need / years,
            rain: sum.rain / years,
            applied: sum.applied / years,
            short: sum.short / years,
            stress_days: sum.stress_days / years,
        };
        (month, mean)
    });
    means.collect()
}

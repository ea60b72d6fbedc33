//! The zone bar: what each zone gets in a week as found, as left and as planned, beside its need.

use super::svg::{Anchor, Box, Svg, short, step, tick};
use crate::site::fields;

use crate::site::plan::{SitePlan, ZonePlan, say};
use crate::site::things::Site;
use crate::site::unit::{Unit, UnitSystem};
use crate::water::runtime;
use crate::water::units::Inches;

const WIDTH: f64 = 900.0;
const NAMES: f64 = 250.0;
const VALUES: f64 = 90.0;
const TOP: f64 = 96.0;
const BAR: f64 = 11.0;
const ROW: f64 = 4.0 * BAR + 14.0;

/// Returns a picture of a plan, one row a zone.
///
/// A row shows the depth of a week as found, left and planned; a thick mark at what the plants
/// need, and a dashed one at what has to fall so that the drier half gets it.
#[must_use]
pub fn zone_bars(name: &str, site: &Site<'_>, plan: &SitePlan, system: UnitSystem) -> String {
    let rows: Vec<Row> = plan.zones.iter().map(|zone| Row::of(site, zone)).collect();
    let most = rows.iter().flat_map(Row::depths).fold(0.1, f64::max);
    let unit = Unit::Inch.in_system(system);
    let shown = |depth: f64| Unit::Inch.amount_in(depth, unit).unwrap_or(depth);
    let by = step(shown(most));
    let ticks = (shown(most) / by).ceil();
    let end = by * ticks;
    let room = WIDTH - NAMES - VALUES;
    let x = |depth: f64| NAMES + room * shown(depth) / end;
    let title = format!("{name}, week from {}", plan.on);
    let about = "depth of water a week by zone: as found, as left, planned, and the need";
    let mut svg = Svg::new(WIDTH, &title, about);
    svg.text("head", (16.0, 28.0), Anchor::Start, &title);
    let words = format!("{unit} of water a week");
    svg.text("small", (NAMES, TOP - 22.0), Anchor::Start, &words);
    legend(&mut svg);
    let bottom = TOP + ROW * rows.len() as f64;
    for nth in 0..=ticks as u32 {
        let value = by * f64::from(nth);
        let at = NAMES + room * value / end;
        svg.line("grid", (at, TOP - 4.0), (at, bottom));
        svg.text("small", (at, TOP - 8.0), Anchor::Middle, &tick(value, by));
    }
    svg.line("axis", (NAMES, TOP - 4.0), (NAMES, bottom));
    for (nth, row) in rows.iter().enumerate() {
        let top = TOP + ROW * nth as f64 + 6.0;
        row.draw(&mut svg, top, &x, system);
    }
    svg.done(bottom + 20.0)
}

fn legend(svg: &mut Svg) {
    let mut at = 16.0;
    for (class, words) in [
        ("found", "as found"),
        ("left", "as left"),
        ("plan", "planned"),
    ] {
        let size = Box {
            x: at,
            y: 42.0,
            width: 22.0,
            height: 12.0,
        };
        svg.rect(class, size, "");
        svg.text("small", (at + 28.0, 52.0), Anchor::Start, words);
        at += 100.0;
    }
    svg.line("mark", (at, 41.0), (at, 55.0));
    svg.text(
        "small",
        (at + 8.0, 52.0),
        Anchor::Start,
        "what the plants need",
    );
    at += 150.0;
    svg.line("mark2", (at, 41.0), (at, 55.0));
    let words = "what has to fall, for the drier half";
    svg.text("small", (at + 8.0, 52.0), Anchor::Start, words);
}

/// Depths of one zone, inches a week.
struct Row {
    name: String,
    plants: String,
    found: Option<f64>,
    left: Option<f64>,
    planned: Option<f64>,
    need: Option<f64>,
    to_fall: Option<f64>,
    unknown: Option<String>,
}

impl Row {
    fn of(site: &Site<'_>, zone: &ZonePlan) -> Self {
        let words = site
            .thing(zone.zone)
            .and_then(|thing| thing.words(&fields::zone::NAME).ok());
        let name = words.map_or_else(
            || zone.name.clone(),
            |words| format!("{} {}", zone.name, words.value),
        );
        let planned = zone.minutes_set.value().zip(zone.rate.value());
        let need = zone.need.value();
        let even = zone.uniformity.value();
        let multiplier = even.and_then(|even| runtime::multiplier(even).ok());
        use crate::site::words::Vocabulary;
        Self {
            name,
            plants: zone.plants.map(Vocabulary::plain).unwrap_or_default(),
            found: zone.as_found.depth_a_week.value().map(Inches::get),
            left: zone.as_left.depth_a_week.value().map(Inches::get),
            planned: planned.map(|(minutes, rate)| rate.get() * minutes.get() / 60.0),
            need: need.map(Inches::get),
            to_fall: need
                .zip(multiplier)
                .map(|(need, multiplier)| need.get() * multiplier.get()),
            unknown: zone
                .minutes_set
                .get()
                .err()
                .map(|reason| reason.to_string()),
        }
    }

    fn depths(&self) -> impl Iterator<Item = f64> {
        [self.found, self.left, self.planned, self.to_fall]
            .into_iter()
            .flatten()
    }

    fn draw(&self, svg: &mut Svg, top: f64, x: &impl Fn(f64) -> f64, system: UnitSystem) {
        svg.text(
            "zone",
            (16.0, top + 14.0),
            Anchor::Start,
            &short(&self.name, 30),
        );
        svg.text("small", (16.0, top + 30.0), Anchor::Start, &self.plants);
        let bars = [
            ("found", self.found),
            ("left", self.left),
            ("plan", self.planned),
        ];
        for (nth, (class, depth)) in bars.into_iter().enumerate() {
            let y = top + nth as f64 * (BAR + 1.0);
            let Some(depth) = depth else { continue };
            let size = Box {
                x: x(0.0),
                y,
                width: x(depth) - x(0.0),
                height: BAR,
            };
            let said = say(Inches::new(depth), system);
            svg.rect(class, size, &said);
            svg.text(
                "small",
                (x(depth) + 4.0, y + BAR - 1.5),
                Anchor::Start,
                &said,
            );
        }
        if self.planned.is_none()
            && let Some(reason) = &self.unknown
        {
            let y = top + 3.0 * (BAR + 1.0) - 2.0;
            let words = format!("not planned: {}", short(reason, 80));
            svg.text("small", (x(0.0) + 4.0, y), Anchor::Start, &words);
        }
        for (class, depth) in [("mark", self.need), ("mark2", self.to_fall)] {
            if let Some(depth) = depth {
                let at = x(depth);
                svg.line(class, (at, top - 3.0), (at, top + 3.0 * (BAR + 1.0) + 1.0));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::plan::HouseRules;
    use crate::site::plan::tests::{lawn, planned, week};

    #[test]
    fn a_bar_is_drawn_for_each_setting_that_is_known() {
        let scene = lawn();
        let plan = planned(&scene, &week(0.8), &HouseRules::default());
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        let file = zone_bars("Maple & Co", &site, &plan, UnitSystem::Us);
        assert!(file.contains("Maple &amp; Co, week from 2026-07-20"));
        // As found 75 min and as left 51 min at 1.60 in/h.
        assert!(file.contains("<title>2 in</title>"), "{file}");
        assert!(file.contains("<title>1.36 in</title>"), "{file}");
        assert!(!file.contains("NaN") && !file.contains("inf"));
        let si = zone_bars("Maple", &site, &plan, UnitSystem::Si);
        assert!(si.contains("mm of water a week"), "{si}");
    }
}

//! The schedule for people: what to set, what the controller is set to beside it, when each cycle
//! starts, what is wrong with the programs, what is not known and what was assumed.

use headwalk_core::site::unit::Unit;

use super::figure::{Shown, UNKNOWN};
use super::programs::Check;
use super::sheet::{OfZones, Sheet};
use crate::output::{Page, Report};

impl Report for Sheet {
    fn write(&self, page: &mut Page) {
        page.line(format!("{}, week from {}", self.site, self.on));
        self.write_weather(page);
        page.line("");
        self.write_plan(page);
        page.line("");
        self.write_settings(page);
        self.programs.iter().for_each(|dial| dial.write(page));
        let checks = self.program_check.iter().map(Check::row);
        section(page, "Program check", checks.collect());
        section(page, "Not known", self.unknown());
        section(page, "Look at", self.by_zone(&self.warnings));
        section(page, "Assumed", self.by_zone(&self.assumed));
        page.line("");
        page.rows(0, &self.cautions.map(|caution| [caution.to_owned()]));
    }
}

/// Rows under a heading; nothing where there are none.
fn section<const N: usize>(page: &mut Page, heading: &str, rows: Vec<[String; N]>) {
    if !rows.is_empty() {
        page.line("");
        page.line(heading);
        page.rows(2, &rows);
    }
}

impl Sheet {
    fn write_weather(&self, page: &mut Page) {
        let station = match &self.weather.station {
            Some(station) => format!("{station} ({})", self.weather.why),
            None => self.weather.why.clone(),
        };
        let said = |figure: &Shown| match &figure.unknown {
            Some(reason) => format!("not known: {reason}"),
            None => figure.shown.clone(),
        };
        // With the rule that says so: a restriction is never far from what it allows.
        let ruled = |figure: &Shown| match &figure.unknown {
            Some(reason) => format!("not known: {reason}"),
            None => figure.why.join("; "),
        };
        let rows = [
            ("station", station),
            ("reference ET of 7 days", said(&self.eto)),
            ("rain of 7 days", said(&self.rain)),
            ("hours", ruled(&self.window)),
            ("days", ruled(&self.days_allowed)),
        ];
        page.rows(2, &rows.map(|(name, text)| [name.to_owned(), text]));
    }

    fn write_plan(&self, page: &mut Page) {
        let (depth, volume) = (self.unit(Unit::Inch), self.unit(Unit::Gallon));
        let heading = [
            "zone",
            "plants",
            "days",
            "cycles",
            "min a run",
            &format!("{depth} needed"),
            &format!("{depth} set"),
            &format!("{volume} a week"),
        ]
        .map(str::to_owned);
        let rows = self.zones.iter().map(|zone| {
            [
                zone.called(),
                zone.plants.clone().unwrap_or_else(|| UNKNOWN.to_owned()),
                zone.days.shown.clone(),
                zone.cycles.shown.clone(),
                zone.minutes_to_set.cell(0),
                zone.need.cell(2),
                zone.depth_to_set.cell(2),
                zone.gallons.cell(0),
            ]
        });
        let blank = String::new;
        let total = [
            "all zones".to_owned(),
            blank(),
            blank(),
            blank(),
            blank(),
            blank(),
            blank(),
            self.gallons.cell(0),
        ];
        let rows: Vec<_> = std::iter::once(heading)
            .chain(rows)
            .chain([total])
            .collect();
        page.rows(0, &rows);
    }

    fn write_settings(&self, page: &mut Page) {
        page.line("The controller beside it, in minutes a run and a week");
        let (depth, volume) = (self.unit(Unit::Inch), self.unit(Unit::Gallon));
        let heading = [
            "",
            "found: run",
            "a week",
            &depth,
            "to plan",
            "left: run",
            "a week",
            &depth,
            "to plan",
            "planned",
        ]
        .map(str::to_owned);
        let rows = self.zones.iter().map(|zone| {
            let (found, left) = (&zone.as_found, &zone.as_left);
            [
                zone.address.clone(),
                found.a_run(),
                found.minutes_a_week.cell(0),
                found.depth_a_week.cell(2),
                found.against_plan.signed(),
                left.a_run(),
                left.minutes_a_week.cell(0),
                left.depth_a_week.cell(2),
                left.against_plan.signed(),
                zone.minutes_a_week.cell(0),
            ]
        });
        let rows: Vec<_> = std::iter::once(heading).chain(rows).collect();
        page.rows(0, &rows);
        page.line(format!(
            "all zones, {volume} a week: found {}, left {}, planned {}",
            self.gallons_as_found.cell(0),
            self.gallons_as_left.cell(0),
            self.gallons.cell(0)
        ));
    }

    /// What is not known, once for each zone and reason.
    fn unknown(&self) -> Vec<[String; 3]> {
        let mut rows: Vec<[String; 3]> = Vec::new();
        let figures = [&self.eto, &self.rain, &self.window, &self.days_allowed];
        let all = figures.into_iter().map(|figure| ("all", figure));
        let of_zones = self.zones.iter().flat_map(|zone| {
            let figures = zone.figures().into_iter();
            figures.map(|(_, figure)| (zone.address.as_str(), figure))
        });
        for (zone, figure) in all.chain(of_zones) {
            let (Some(reason), Some(next)) = (&figure.unknown, figure.next) else {
                continue;
            };
            let said = |row: &[String; 3]| row[1] == *reason && (row[0] == zone || row[0] == "all");
            if !rows.iter().any(said) {
                rows.push([zone.to_owned(), reason.clone(), next.to_owned()]);
            }
        }
        rows
    }

    /// What holds for which zones.
    fn by_zone(&self, said: &[OfZones]) -> Vec<[String; 2]> {
        let rows = said.iter().map(|said| {
            let zones = match said.zones.len() {
                all if all == self.zones.len() => "all".to_owned(),
                _ => together(&said.zones),
            };
            [zones, said.what.clone()]
        });
        rows.collect()
    }

    fn unit(&self, unit: Unit) -> String {
        unit.in_system(self.system).symbol().to_owned()
    }
}

/// Returns zones as people list them: `zone-1..4, 7`.
fn together(zones: &[String]) -> String {
    let number = |zone: &String| zone.strip_prefix("zone-")?.parse::<u32>().ok();
    let Some(numbers) = zones.iter().map(number).collect::<Option<Vec<_>>>() else {
        return zones.join(", ");
    };
    let mut runs: Vec<(u32, u32)> = Vec::new();
    for number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let runs = runs.into_iter().map(|(first, last)| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first}..{last}"),
    });
    format!("zone-{}", runs.collect::<Vec<_>>().join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zones_in_a_row_are_told_together() {
        let zones = |names: &[&str]| {
            names
                .iter()
                .map(|name| (*name).to_owned())
                .collect::<Vec<_>>()
        };
        for (names, told) in [
            (&["zone-3"][..], "zone-3"),
            (&["zone-1", "zone-2", "zone-4"], "zone-1, 2, 4"),
            (&["zone-1", "zone-2", "zone-3", "zone-9"], "zone-1..3, 9"),
            (&["zone-1", "zone-bank"], "zone-1, zone-bank"),
        ] {
            assert_eq!(together(&zones(names)), told);
        }
    }
}

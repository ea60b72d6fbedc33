//! The controller card: half a sheet for the cabinet, large, with room for a pen.

use super::figures::{programs, stretch, zone_name};
use super::html::{Cell, Html};
use super::sheet::{Size, framed};
use super::show::Show;
use super::words as w;
use super::{Facts, Options};
use crate::site::fields::{self, FieldDef};
use crate::site::map::picture::escaped;
use crate::site::plan::{Kept, season_under};
use crate::site::programs::{DayRule, Program, ProgramSet};
use crate::site::things::{Controller, Parts, Zone};
use crate::site::time_of_day;
use crate::water::season::Best;

/// Returns the card of each controller of a site, a half sheet each.
#[must_use]
pub fn card(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let title = w::CARD_TITLE.with(show.language, &[&facts.name()]);
    let mut html = Html::default();
    let controllers = facts.site.controllers();
    let dial = dial(facts);
    for (nth, controller) in controllers.iter().enumerate() {
        html.raw(if nth == 0 {
            "<section>\n"
        } else {
            "<section class=\"sheet\">\n"
        });
        if nth == 0 {
            html.tag("h1", &title);
        }
        one(&mut html, facts, controller, &dial, show);
        html.raw("</section>\n");
    }
    if controllers.is_empty() {
        html.tag("h1", &title);
        html.tag("p", show.words(w::NO_CONTROLLER));
    }
    framed(&title, html, Size::Half, options)
}

fn one(html: &mut Html, facts: &Facts<'_>, controller: &Controller<'_>, dial: &[Best], show: Show) {
    let words = |field: &FieldDef| controller.words(field).ok().map(|words| words.value);
    let stood = match words(&fields::controller::PLACE) {
        Some(place) => format!("{} · {}", show.day(facts.on), place),
        None => show.day(facts.on),
    };
    html.tag("p", &stood);
    let zones = facts.site.zones();
    let own = |zone: &&Zone<'_>| zone.controller().is_some_and(|own| own.id == controller.id);
    let zones: Vec<&Zone<'_>> = zones.iter().filter(own).collect();
    match programs(controller) {
        Some(set) => grid(html, facts, &set, &zones, show),
        None => {
            html.tag("p", show.words(w::NO_PROGRAMS));
        }
    }
    strip(html, dial, show);
    facts_below(html, facts, controller, show);
}

/// Zones down, programs across.
fn grid(html: &mut Html, facts: &Facts<'_>, set: &ProgramSet, zones: &[&Zone<'_>], show: Show) {
    let mut heading = vec![show.words(w::ZONE).to_owned()];
    heading.extend(set.programs.keys().map(ToString::to_string));
    heading.push(show.words(w::BY_PEN).to_owned());
    let heading: Vec<&str> = heading.iter().map(String::as_str).collect();
    let mut rows = Vec::new();
    let programs = || set.programs.values();
    let head = |words, cell: &dyn Fn(&Program) -> String| {
        let mut row = vec![Cell::Marks(format!("<b>{}</b>", show.words(words)))];
        row.extend(programs().map(|program| Cell::words(cell(program))));
        row.push(Cell::words(""));
        row
    };
    rows.push(head(w::STARTS, &|program| {
        let starts: Vec<String> = program.starts.iter().map(ToString::to_string).collect();
        starts.join(" ")
    }));
    rows.push(head(w::DAYS, &|program| days(program.days, show)));
    rows.push(head(w::PERCENT, &|program| {
        format!("{:.0}%", program.percent.get())
    }));
    for zone in zones {
        let mut row = vec![Cell::words(zone_name(facts.site, ***zone, show))];
        for program in programs() {
            let minutes = zone.station().and_then(|station| program.run.get(&station));
            let minutes = minutes.map(|minutes| format!("{:.0}", minutes.get()));
            row.push(Cell::Marks(format!(
                "<span class=\"big\">{}</span>",
                escaped(&minutes.unwrap_or_else(|| "–".to_owned()))
            )));
        }
        row.push(Cell::words(""));
        rows.push(row);
    }
    html.table("cells", &heading, &rows);
    html.tag("p.small", show.words(w::MINUTES_NOTE));
}

/// A rule of days in a reader's words.
fn days(rule: DayRule, show: Show) -> String {
    match rule {
        DayRule::Weekdays(days) if days.is_empty() => show.words(w::OFF).to_owned(),
        DayRule::Weekdays(days) if days.len() == 7 => show.words(w::EVERY_DAY).to_owned(),
        DayRule::Weekdays(days) => {
            let names = w::WEEKDAYS.of(show.language);
            let names: Vec<&str> = names.split(' ').collect();
            let of = days.iter(chrono::Weekday::Mon);
            let of = of.filter_map(|day| {
                let nth = usize::try_from(day.num_days_from_monday()).ok()?;
                names.get(nth).copied()
            });
            of.collect::<Vec<_>>().join(" ")
        }
        DayRule::Every { days, .. } => {
            w::EVERY_DAYS.with(show.language, &[&days.get().to_string()])
        }
        DayRule::Odd => show.words(w::ODD_DAYS).to_owned(),
        DayRule::Even => show.words(w::EVEN_DAYS).to_owned(),
    }
}

/// The best place of the percent dial over the programs as left, in each month that the weather
/// of the last year tells.
fn dial(facts: &Facts<'_>) -> Vec<Best> {
    let Some(stretch) = stretch(facts) else {
        return Vec::new();
    };
    let (site, weather) = (facts.site, facts.weather);
    let season = season_under(&[Kept::AsLeft], site, weather, &stretch, &facts.rules());
    let Ok(season) = season else {
        return Vec::new();
    };
    season.dial_as_left
}

/// When it may water: the controller's own hours, else the site's.
pub(super) fn window(facts: &Facts<'_>, controller: Option<&Controller<'_>>) -> Option<String> {
    let own = controller?.raw(&fields::controller::WATER_WINDOW);
    let value = own.or_else(|| facts.site.root().raw(&fields::site::WATER_WINDOW))?;
    // Both have one shape.
    let parts = Parts::of(&fields::site::WATER_WINDOW, value);
    let time = |name| time_of_day::read(parts.get(name)?).map(|time| time.to_string());
    Some(format!("{}–{}", time("from")?, time("to")?))
}

/// The percent dial by month: what the weather asked for, and a row for the pen.
fn strip(html: &mut Html, dial: &[Best], show: Show) {
    html.tag("h2", show.words(w::PERCENT_BY_MONTH));
    let months: Vec<u32> = (1..=12).collect();
    let names: Vec<&str> = months
        .iter()
        .map(|month| show.short_month(*month))
        .collect();
    let percent = |month: &u32| {
        let of = dial.iter().find(|best| best.month == *month);
        Cell::words(of.map_or(String::new(), |best| {
            let more = if best.too_little { "+" } else { "" };
            format!("{:.0}{more}", best.percent.get())
        }))
    };
    let pen = months.iter().map(|_| Cell::Marks("&nbsp;".to_owned()));
    html.table(
        "cells months",
        &names,
        &[months.iter().map(percent).collect(), pen.collect()],
    );
    html.tag("p.small", show.words(w::PERCENT_NOTE));
}

fn facts_below(html: &mut Html, facts: &Facts<'_>, controller: &Controller<'_>, show: Show) {
    let supply = facts.site.supply();
    let shut_off = supply.and_then(|supply| supply.words(&fields::supply::SHUT_OFF).ok());
    let sensor = controller.show(&fields::controller::RAIN_SENSOR, show.units);
    let set_point = controller.show(&fields::controller::RAIN_SET_POINT, show.units);
    let window = window(facts, Some(controller));
    html.raw("<dl>\n");
    let mut line = |words, value: Option<String>| {
        if let Some(value) = value {
            html.tag("dt", show.words(words));
            html.tag("dd", &value);
        }
    };
    line(w::WATER_WINDOW, window);
    line(w::SHUT_OFF_AT, shut_off.map(|words| words.value));
    let sensor = sensor.map(|word| w::sensor(&word, show.language));
    let set_point = set_point.map_or(String::new(), |at| format!(", {at}"));
    line(
        w::RAIN_SENSOR,
        sensor.map(|sensor| format!("{sensor}{set_point}")),
    );
    html.raw("</dl>\n");
    html.raw(&format!(
        "<p>{} <span class=\"write\"></span> {} <span class=\"write\"></span></p>\n",
        escaped(show.words(w::DATE)),
        escaped(show.words(w::INITIALS))
    ));
    html.tag(
        "p.small",
        w::caution(crate::site::finding::Caution::LineVoltage, show.language),
    );
}

//! The client's letter: what was done, what needs a decision and why, what it does to the water;
//! then zone by zone, the map, and why more may follow.

use super::figures::{
    Done, HeadCount, Pending, Water, days_a_week, findings_by_year, if_not, middle_age, pending,
    place, planned, what, zone_name,
};
use super::html::{BOX, Cell, Html};
use super::plan::Drawing;
use super::sheet::{Size, cautions, framed, letterhead};
use super::show::Show;
use super::words::{self as w, planting, urgency};
use super::{Facts, Options};
use crate::site::fields;
use crate::site::finding::Status;
use crate::site::money::Money;
use crate::site::plan::{SitePlan, plan_site};
use crate::site::things::Zone;

/// Returns the letter to a site's client.
#[must_use]
pub fn letter(facts: &Facts<'_>, options: &Options) -> String {
    let show = Show::of(options);
    let plan = plan_site(facts.site, facts.weather, facts.on, &facts.rules());
    let done = Done::of(facts);
    let pending = pending(facts);
    let water = Water::of(&plan);
    let title = w::LETTER_TITLE.with(show.language, &[&facts.name()]);
    let mut html = Html::default();
    letterhead(&mut html, facts, &title, show);
    html.raw("<section class=\"lead\">\n");
    html.tag("p", &did(facts, done.as_ref(), show));
    html.tag("p", &asks(facts, &pending, show));
    html.tag("p", &effect(facts, &water, show));
    html.raw("</section>\n");
    decisions(&mut html, facts, &pending, show);
    water_line(&mut html, facts, &water, show);
    why_more(&mut html, facts, show);
    html.raw("<section class=\"sheet\">\n");
    html.tag("h2", show.words(w::ZONE_BY_ZONE));
    zones(&mut html, facts, &plan, done.as_ref(), show);
    html.raw("</section>\n");
    if let Some(drawing) = Drawing::of(facts, show) {
        html.raw("<section class=\"sheet map\">\n");
        html.tag("h2", show.words(w::MAP_TITLE));
        html.raw(&drawing.svg(&facts.name()));
        html.raw("</section>\n");
    }
    let mut said: Vec<&str> = Vec::new();
    for it in &pending {
        let caution = it.finding.what().ok().and_then(|kind| kind.value.caution);
        let words = caution.map(|caution| w::caution(caution, show.language));
        said.extend(words.filter(|words| !said.contains(words)));
    }
    cautions(&mut html, &said, show);
    framed(&title, html, Size::Whole, options)
}

/// The first sentence: what was done.
fn did(facts: &Facts<'_>, done: Option<&Done<'_>>, show: Show) -> String {
    let Some(done) = done else {
        return show.words(w::NO_VISIT_YET).to_owned();
    };
    let zones = facts.site.zones().len();
    let heads = show.counted(done.heads, w::HEAD, w::HEADS);
    let mut items: Vec<String> = done
        .fixed
        .iter()
        .map(|fixed| {
            let place = place(facts.site, fixed.part_of(), show);
            format!("{} ({place})", what(fixed, show).to_lowercase())
        })
        .collect();
    let more = items.len().saturating_sub(NAMED);
    items.truncate(NAMED);
    if more > 0 {
        items.push(show.counted(more, w::OTHER_THING, w::OTHER_THINGS));
    }
    let walked = w::DID.with(
        show.language,
        &[
            &show.day(done.on),
            &done.walked.len().to_string(),
            &zones.to_string(),
            &heads,
        ],
    );
    match items.as_slice() {
        [] => format!("{walked}."),
        items => format!(
            "{walked}{}.",
            w::PUT_RIGHT.with(show.language, &[&show.listed(items)])
        ),
    }
}

/// So many repairs are named in a sentence; the others are counted.
const NAMED: usize = 3;

/// The second sentence: what needs the client's decision.
fn asks(facts: &Facts<'_>, pending: &[Pending<'_>], show: Show) -> String {
    if pending.is_empty() {
        return show.words(w::NOTHING_TO_DECIDE).to_owned();
    }
    let things = show.counted(pending.len(), w::THING_NEEDS, w::THINGS_NEED);
    let open = pending.iter().filter(|it| holds(it, facts));
    let prices: Vec<Money> = open.filter_map(|it| it.price).collect();
    match Money::sum(prices.iter().copied()) {
        Some(sum) if prices.len() == pending.len() => {
            w::ASKS_FOR.with(show.language, &[&things, &sum.grouped()])
        }
        Some(sum) if !prices.is_empty() => {
            let count = prices.len().to_string();
            w::ASKS_FOR_SOME.with(show.language, &[&things, &count, &sum.grouped()])
        }
        _ => w::ASKS.with(show.language, &[&things]),
    }
}

fn holds(it: &Pending<'_>, facts: &Facts<'_>) -> bool {
    it.until.is_none_or(|until| facts.on <= until)
}

/// The third sentence: what it does to the water.
fn effect(facts: &Facts<'_>, water: &Water, show: Show) -> String {
    if water.zones == 0 {
        return show.words(w::WATER_UNKNOWN).to_owned();
    }
    let (found, left) = (show.water(water.found), show.water(water.left));
    let need = show.water(water.need);
    let mut said = if found == left {
        w::WATER_SAME.with(show.language, &[&left, &need])
    } else {
        w::WATER_CHANGED.with(show.language, &[&left, &found, &need])
    };
    let all = facts.site.zones().len();
    if water.zones < all {
        let (known, all) = (water.zones.to_string(), all.to_string());
        said.push(' ');
        said.push_str(&w::OF_ZONES.with(show.language, &[&known, &all]));
    }
    said
}

fn decisions(html: &mut Html, facts: &Facts<'_>, pending: &[Pending<'_>], show: Show) {
    let agreed = facts.site.findings();
    let agreed = agreed
        .iter()
        .filter(|it| matches!(it.status(), Status::Approved | Status::Scheduled));
    let agreed: Vec<String> = agreed
        .map(|it| {
            let place = place(facts.site, it.part_of(), show);
            let day = it.day(&fields::finding::SCHEDULED).ok();
            let day = day.map_or(String::new(), |day| format!(", {}", show.day(day.value)));
            format!("{} ({place}{day})", what(it, show).to_lowercase())
        })
        .collect();
    if !pending.is_empty() {
        html.raw("<section>\n");
        html.tag("h2", show.words(w::YOUR_DECISION));
        let rows: Vec<Vec<Cell>> = pending.iter().map(|it| decision(it, facts, show)).collect();
        let heading = [
            w::HOW_SOON,
            w::WHAT,
            w::WHERE,
            w::IF_NOT,
            w::PRICE,
            w::YOUR_ANSWER,
        ];
        let heading = heading.map(|words| show.words(words));
        html.table("decide", &heading, &rows);
        html.tag("p.small", show.words(w::ANSWER_HOW));
        html.raw("</section>\n");
    }
    if !agreed.is_empty() {
        html.tag(
            "p",
            &w::AGREED.with(show.language, &[&show.listed(&agreed)]),
        );
    }
}

fn decision(it: &Pending<'_>, facts: &Facts<'_>, show: Show) -> Vec<Cell> {
    let price = match (it.price, holds(it, facts)) {
        (Some(price), true) => price.grouped(),
        (Some(_), false) => show.words(w::PRICE_ENDED).to_owned(),
        (None, _) => show.words(w::PRICE_FOLLOWS).to_owned(),
    };
    let (yes, no) = (show.words(w::YES), show.words(w::NO));
    vec![
        Cell::Short(urgency(it.severity, show.language)),
        Cell::words(what(&it.finding, show)),
        Cell::words(place(facts.site, it.finding.part_of(), show)),
        Cell::words(if_not(&it.finding, show)),
        Cell::figure(price),
        Cell::Marks(format!(
            "<span class=\"choice\">{BOX} {yes}</span> <span class=\"choice\">{BOX} {no}</span>"
        )),
    ]
}

/// Three bars to one scale: as found, as left, what is needed.
fn water_line(html: &mut Html, facts: &Facts<'_>, water: &Water, show: Show) {
    let most = [water.found, water.left, water.need];
    let most = most.iter().map(|it| it.get()).fold(0.0, f64::max);
    if water.zones == 0 || most <= 0.0 {
        return;
    }
    html.raw("<section class=\"keep\">\n");
    html.tag("h2", show.words(w::WATER_A_WEEK));
    let rows = [
        (w::AS_FOUND, water.found, "url(#slant)"),
        (w::AS_LEFT, water.left, "#777"),
        (w::NEEDED, water.need, "#000"),
    ];
    let mut bars = String::new();
    for (nth, (words, gallons, fill)) in rows.into_iter().enumerate() {
        let y = 6 + 24 * nth;
        let width = 330.0 * gallons.get() / most;
        bars.push_str(&format!(
            "<text x=\"0\" y=\"{}\">{}</text><rect x=\"190\" y=\"{y}\" width=\"{width:.1}\" \
             height=\"16\" fill=\"{fill}\" stroke=\"#000\"/><text x=\"{:.1}\" y=\"{}\">{}</text>\n",
            y + 13,
            show.words(words),
            198.0 + width,
            y + 13,
            show.water(gallons),
        ));
    }
    html.raw(&format!(
        "<svg viewBox=\"0 0 640 80\" role=\"img\" aria-label=\"{0}\" font-family=\"Helvetica,Arial,\
         sans-serif\" font-size=\"13\"><title>{0}</title><defs><pattern id=\"slant\" width=\"5\" \
         height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect \
         width=\"5\" height=\"5\" fill=\"#fff\"/><rect width=\"1.4\" height=\"5\"/></pattern></defs>\n\
         {bars}</svg>\n",
        show.words(w::WATER_A_WEEK)
    ));
    html.tag(
        "p.small",
        &w::NEED_NOTE.with(show.language, &[&show.day(facts.on)]),
    );
    html.raw("</section>\n");
}

fn zones(html: &mut Html, facts: &Facts<'_>, plan: &SitePlan, done: Option<&Done<'_>>, show: Show) {
    let zones = facts.site.zones();
    let deepest = plan
        .zones
        .iter()
        .flat_map(|zone| [zone.as_left.depth_a_week.value(), zone.need.value()]);
    let deepest = deepest.flatten().map(|it| it.get()).fold(0.1, f64::max);
    let rows: Vec<Vec<Cell>> = zones
        .iter()
        .map(|zone| zone_row(facts, plan, zone, done, deepest, show))
        .collect();
    let heading = [
        w::ZONE,
        w::PLANTS,
        w::MINUTES_A_WEEK,
        w::DAYS,
        w::GETS_AND_NEEDS,
        w::HEADS_STAND,
    ];
    html.table("zones", &heading.map(|words| show.words(words)), &rows);
    html.tag("p.small", show.words(w::ZONES_NOTE));
}

fn zone_row(
    facts: &Facts<'_>,
    plan: &SitePlan,
    zone: &Zone<'_>,
    done: Option<&Done<'_>>,
    deepest: f64,
    show: Show,
) -> Vec<Cell> {
    let planned = planned(plan, zone);
    let minutes = |setting: Option<String>| setting.unwrap_or_else(|| "–".to_owned());
    let found = planned.and_then(|it| it.as_found.minutes_a_week.value());
    let left = planned.and_then(|it| it.as_left.minutes_a_week.value());
    let (found, left) = [found, left]
        .map(|it| minutes(it.map(|it| show.minutes(it))))
        .into();
    let gets = planned.and_then(|it| it.as_left.depth_a_week.value());
    let needs = planned.and_then(|it| it.need.value());
    let days = days_a_week(zone).map(|days| format!("{days:.1}").replace(".0", ""));
    let heads = HeadCount::of(zone, done);
    let plants = zone.plants().ok();
    vec![
        Cell::words(zone_name(facts.site, **zone, show)),
        Cell::Short(plants.map_or(String::new(), |it| planting(it.value, show.language))),
        Cell::figure(format!("{found} → {left}")),
        Cell::figure(days.unwrap_or_else(|| "–".to_owned())),
        Cell::Marks(
            bar(gets.map(|it| it.get()), needs.map(|it| it.get()), deepest)
                + &w::GETS_OF.with(
                    show.language,
                    &[
                        &gets.map_or_else(|| "?".to_owned(), |it| show.depth(it)),
                        &needs.map_or_else(|| "?".to_owned(), |it| show.depth(it)),
                    ],
                ),
        ),
        Cell::figure(format!(
            "{} / {} / {}",
            heads.good, heads.adjusted, heads.open
        )),
    ]
}

/// A bar of what a zone gets, and a mark where its need lies.
fn bar(gets: Option<f64>, needs: Option<f64>, deepest: f64) -> String {
    let x = |depth: f64| 2.0 + 116.0 * depth / deepest;
    let gets = gets.map(|depth| {
        let width = x(depth) - 2.0;
        format!("<rect x=\"2\" y=\"3\" width=\"{width:.1}\" height=\"9\" fill=\"#777\"/>")
    });
    let needs = needs.map(|depth| {
        format!(
            "<path d=\"M{0:.1} 0v15\" stroke=\"#000\" stroke-width=\"3\"/>",
            x(depth)
        )
    });
    format!(
        "<svg viewBox=\"0 0 120 15\" width=\"120\" height=\"15\" aria-hidden=\"true\"><rect x=\"2\" \
         y=\"3\" width=\"116\" height=\"9\" fill=\"#fff\" stroke=\"#777\" stroke-width=\".8\"/>{}{}\
         </svg>",
        gets.unwrap_or_default(),
        needs.unwrap_or_default()
    )
}

/// Why more failures may follow: what was found by year, beside the age of what is in the ground.
fn why_more(html: &mut Html, facts: &Facts<'_>, show: Show) {
    let zones = facts.site.zones();
    let heads: Vec<_> = zones.iter().flat_map(Zone::heads).collect();
    let of_heads = heads.iter().filter_map(|head| {
        let year = head.count(&fields::head::INSTALLED);
        year.ok().map(|year| year.value)
    });
    let valves = facts.site.valves();
    let of_valves = valves
        .iter()
        .filter_map(|valve| Some(valve.installed().ok()?.value));
    let (head_age, valve_age) = (
        middle_age(of_heads, facts.on),
        middle_age(of_valves, facts.on),
    );
    let years = findings_by_year(facts);
    if heads.is_empty() || years.is_empty() || head_age.or(valve_age).is_none() {
        return;
    }
    html.raw("<section class=\"keep\">\n");
    html.tag("h2", show.words(w::WHY_MORE));
    let counts: Vec<String> = years
        .iter()
        .map(|(year, count)| {
            let per_100 = 100.0 * *count as f64 / heads.len() as f64;
            let per_100 = format!("{per_100:.0}");
            w::FOUND_IN_YEAR.with(show.language, &[&per_100, &year.to_string()])
        })
        .collect();
    let ages: Vec<String> = [(w::HEADS_AGE, head_age), (w::VALVES_AGE, valve_age)]
        .into_iter()
        .filter_map(|(words, age)| {
            let (age, _) = age?;
            Some(words.with(show.language, &[&age.to_string()]))
        })
        .collect();
    let (counts, ages) = (show.listed(&counts), show.listed(&ages));
    html.tag("p", &w::MORE_FOLLOWS.with(show.language, &[&counts, &ages]));
    html.raw("</section>\n");
}

//! What papers promise: figures that are those of the plan and the estimate, words of one language,
//! nothing from elsewhere, and nothing of what a person typed read as marks.

use chrono::NaiveDate;

use super::*;
use crate::log::id::ThingId;
use crate::site::estimate::{Decision, propose, quote};
use crate::site::finding::Status;
use crate::site::kind::ThingKind;
use crate::site::plan::plan_site;
use crate::site::things::tests::Scene;
use crate::site::words::Vocabulary;

fn day() -> NaiveDate {
    "2026-07-14".parse().unwrap()
}

/// A court with two zones: one measured and on the sketch, one that nobody measured.
fn court() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    for (field, text) in [
        ("name", "Maple <Court>"),
        ("client", "Mrs Lind"),
        ("access", "Side gate & dog"),
        ("pre-approved", "$120"),
        ("latitude", "41.6"),
        ("elevation", "850 ft"),
        ("water-window", "from=22:00; to=06:00"),
    ] {
        scene.note("site", field, text);
    }
    let said = [
        (
            "programs",
            "A: start 4:00; days mon wed fri; 100%; run 1=20 2=15",
        ),
        ("controller-kind", "clock"),
        ("rain-sensor", "working"),
    ];
    scene.add(2, ThingKind::Controller, root, &said);
    let said = [
        ("number", "1"),
        ("name", "Front lawn"),
        ("plants", "lawn"),
        ("soil", "loam"),
        ("area", "450 sqft"),
        ("flow", "7.5 gpm"),
        ("emission", "spray"),
    ];
    scene.add(3, ThingKind::Zone, root, &said);
    scene.add(
        4,
        ThingKind::Zone,
        root,
        &[("number", "2"), ("plants", "shrubs")],
    );
    for (id, (label, east, facing)) in (10..).zip([
        ("1-01", "0 ft", "45"),
        ("1-02", "15 ft", "315"),
        ("1-03", "30 ft", "315"),
    ]) {
        let said = [
            ("label", label),
            ("arc", "quarter"),
            ("radius", "15 ft"),
            ("facing", facing),
            ("east", east),
            ("north", "0 ft"),
            ("pop-up", "4 in"),
            ("installed", "2007"),
        ];
        scene.add(id, ThingKind::Head, Scene::id(3), &said);
    }
    let said = [("label", "2-01"), ("arc", "half"), ("radius", "8 ft")];
    scene.add(20, ThingKind::Head, Scene::id(4), &said);
    let said = [
        ("what", "head-broken"),
        ("status", "to-quote"),
        ("parts", "body 4 in"),
        ("minutes", "25 min"),
    ];
    scene.add(30, ThingKind::Finding, Scene::id(10), &said);
    let said = [
        ("what", "valve-weeping"),
        ("status", "to-quote"),
        ("parts", "kit"),
    ];
    scene.add(31, ThingKind::Finding, Scene::id(20), &said);
    scene
}

fn firm() -> Scene {
    let mut firm = Scene::new();
    let root = firm.root();
    firm.note("site", "kind", "company");
    firm.note("company", "name", "Harrow & Sons");
    firm.note("company", "labour-rate", "$78");
    firm.note("company", "tax", "7.25%");
    for (id, (words, price, bin)) in
        (2..).zip([("body 4 in", "$6.40", "B1"), ("kit", "$18.75", "D1")])
    {
        let said = [("description", words), ("price", price), ("bin", bin)];
        firm.add(id, ThingKind::Part, root, &said);
    }
    firm
}

/// Quotes what is to be quoted; answers the first line as told.
fn quoted(scene: &mut Scene, answer: Option<Decision>) {
    let firm = firm();
    let (state, prices) = (scene.state(), firm.state());
    let site = Site::of(&state, scene.logbook);
    let book = PriceBook::of(&Site::of(&prices, firm.logbook));
    let findings = site.findings().into_iter();
    let findings: Vec<_> = findings
        .filter(|it| it.status() == Status::ToQuote)
        .collect();
    let lines = propose(&site, &findings, &book).lines;
    let ids: Vec<ThingId> = (100..).map(Scene::id).take(lines.len() + 1).collect();
    let until = "2026-08-13".parse().unwrap();
    let changes = quote(&site, &lines, &ids, day(), until);
    scene.write(changes);
    let Some(decision) = answer else { return };
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let said = crate::site::estimate::Answer {
        decision,
        who: Some("Mrs Lind".into()),
        on: Some(day()),
        how: Some("phone".into()),
    };
    let changes = crate::site::estimate::answer(&site.estimates()[0].lines[0], &said).unwrap();
    scene.write(changes);
}

fn with_facts<T>(scene: &Scene, look: impl FnOnce(&Facts<'_>) -> T) -> T {
    let firm = firm();
    let (state, of_firm) = (scene.state(), firm.state());
    let site = Site::of(&state, scene.logbook);
    let firm = Site::of(&of_firm, firm.logbook);
    let mut weather = Record::default();
    let days = "2026-07-07"
        .parse::<NaiveDate>()
        .unwrap()
        .iter_days()
        .take(7);
    for date in days {
        let parsed = fields::seen::WEATHER_DAY.parse(
            &format!("date={date}; tmin=60 F; tmax=85 F; rain=0 in; et=0.22 in"),
            UnitSystem::Us,
        );
        let value = parsed.unwrap().value;
        weather
            .days
            .extend(crate::site::weather::WeatherDay::read(&value));
    }
    look(&Facts {
        site: &site,
        firm: Some(&firm),
        weather: &weather,
        on: day(),
        utc_offset_min: -300,
    })
}

fn written(scene: &Scene, which: Paper, options: Options) -> String {
    with_facts(scene, |facts| paper(which, facts, &options))
}

const US: Options = Options {
    language: Language::English,
    units: UnitSystem::Us,
    sheet: Sheet::Letter,
};
const ES: Options = Options {
    language: Language::Spanish,
    units: UnitSystem::Si,
    sheet: Sheet::A4,
};

fn holds(html: &str, words: &[&str]) {
    for words in words {
        assert!(html.contains(words), "no `{words}` in\n{html}");
    }
}

#[test]
fn every_paper_stands_alone_in_both_languages_and_on_both_sheets() {
    let mut scene = court();
    quoted(&mut scene, None);
    for which in Paper::MEMBERS {
        for options in [US, ES] {
            let html = written(&scene, *which, options);
            for from_elsewhere in ["http", "src=", "@import", "<script", "<link", "url(h"] {
                assert!(
                    !html.contains(from_elsewhere),
                    "{from_elsewhere} in {which:?}"
                );
            }
            assert!(!html.contains("Maple <Court>"), "{which:?}");
            assert!(html.contains(&format!("lang=\"{}\"", options.language.tag())));
            assert!(!html.contains("NaN") && !html.contains("inf "), "{which:?}");
            assert_eq!(
                html,
                written(&scene, *which, options),
                "the same bytes each time"
            );
        }
    }
}

#[test]
fn a_letter_counts_what_the_plan_and_the_estimate_say() {
    let mut scene = court();
    quoted(&mut scene, None);
    let html = written(&scene, Paper::Letter, US);
    // 6.40 + 32.50 + 0.46 tax, and 18.75 + 58.50 + 1.36.
    holds(
        &html,
        &[
            "$39.36",
            "$78.61",
            "come to $117.97",
            "Mrs Lind",
            "Front lawn",
        ],
    );
    let (minutes, need) = with_facts(&scene, |facts| {
        let plan = plan_site(facts.site, facts.weather, facts.on, &facts.rules());
        let zone = &plan.zones[0];
        let left = zone.as_left.minutes_a_week.value().unwrap();
        (left.get(), zone.need.value().unwrap().get())
    });
    // Three days of twenty minutes; seven days of 0.22 in at July's 0.94.
    assert_eq!(minutes, 60.0);
    assert!((need - 7.0 * 0.22 * 0.94).abs() < 1e-9, "{need}");
    holds(
        &html,
        &["– → 60", "of 1.45 in", "(That is for 1 of 2 zones"],
    );
}

#[test]
fn an_answer_shows_on_the_estimate_and_moves_to_the_order_and_the_pull_list() {
    let mut scene = court();
    quoted(&mut scene, Some(Decision::Approved));
    let estimate = written(&scene, Paper::Estimate, US);
    holds(
        &estimate,
        &[
            "Approved: Mrs Lind, July 14, 2026, by phone",
            "$117.97",
            "$39.36",
        ],
    );
    let order = written(&scene, Paper::WorkOrder, US);
    let (work, look) = order.split_once("Not agreed to yet").unwrap();
    assert!(work.contains("Sprinkler broken") && look.contains("Valve does not close fully"));
    holds(
        &order,
        &["Side gate &amp; dog", "up to $120.00", "22:00–06:00"],
    );
    let pull = written(&scene, Paper::PullList, US);
    holds(&pull, &["body 4 in", "B1", "Bag 1: Maple"]);
    assert!(
        !pull.contains(">kit<"),
        "what nobody agreed to stays on the shelf"
    );
}

#[test]
fn a_letter_in_spanish_has_no_english_sentence_and_metric_figures() {
    let mut scene = court();
    quoted(&mut scene, None);
    let html = written(&scene, Paper::Letter, ES);
    holds(
        &html,
        &[
            "Aspersor roto",
            "su sí o su no",
            "14 de julio de 2026",
            "37 mm",
            "210mm 297mm",
        ],
    );
    for english in ["Sprinkler broken", "Your decision", " the ", "gal"] {
        let body = html.split_once("<body").unwrap().1;
        assert!(!body.contains(english), "`{english}` in\n{body}");
    }
}

#[test]
fn a_client_who_asked_for_spanish_and_metric_gets_them() {
    let mut scene = court();
    scene.note("site", "letter-language", "es");
    scene.note("site", "letter-units", "metric");
    let state = scene.state();
    assert_eq!(Options::of(&Site::of(&state, scene.logbook)), ES);
}

#[test]
fn a_map_draws_measured_heads_to_scale_and_the_others_in_the_order_of_the_walk() {
    let html = written(&court(), Paper::HeadMap, US);
    let (plan, walk) = html.split_once("In the order of the walk").unwrap();
    assert!(plan.contains(">1-01<") && plan.contains(">1-03<") && !plan.contains(">2-01<"));
    assert!(walk.contains(">2-01<") && !walk.contains(">1-01<"));
    // The throw of 15 ft in the scale of the bar of 20 ft.
    let (before, _) = plan.split_once(" 0 0 1 ").unwrap();
    let throw: f64 = before.rsplit_once(' ').unwrap().1.parse().unwrap();
    let bar = plan.split_once("<path d=\"M10 ").unwrap().1;
    let long = bar.split_once('h').unwrap().1;
    let long: f64 = long[..long.find('m').unwrap()].parse().unwrap();
    assert!((throw / long - 15.0 / 20.0).abs() < 0.01, "{throw} {long}");
}

#[test]
fn a_site_of_which_nothing_is_known_still_has_its_papers() {
    let scene = Scene::new();
    for which in Paper::MEMBERS {
        let html = written(&scene, *which, US);
        assert!(html.contains("<h1>"), "{which:?}");
    }
    let letter = written(&scene, Paper::Letter, US);
    holds(
        &letter,
        &[
            "We have not walked your system yet",
            "Nothing needs your decision",
        ],
    );
}

#[test]
fn a_price_that_ended_is_said_to_have_ended() {
    let mut scene = court();
    quoted(&mut scene, None);
    let late = with_facts(&scene, |facts| {
        let on = "2026-09-01".parse().unwrap();
        let later = Facts { on, ..*facts };
        paper(Paper::Letter, &later, &US) + &paper(Paper::Estimate, &later, &US)
    });
    assert_eq!(late.matches("price has ended").count(), 4);
    assert!(!late.contains("come to $"));
}

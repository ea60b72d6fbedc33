//! What estimates promise: to the cent, in every order, and as they were quoted.

use chrono::NaiveDate;
use proptest::prelude::*;

use super::*;
use crate::log::entry::Change;
use crate::log::id::ThingId;
use crate::log::value::HowKnown;
use crate::merge::replay::State;
use crate::site::fields::{finding, line};
use crate::site::finding::{Severity, Status};
use crate::site::kind::ThingKind;
use crate::site::money::{Minutes, Money, TaxRate, UnitPrice};
use crate::site::things::Site;
use crate::site::things::tests::Scene;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Two heads and three findings to quote.
fn yard() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Zone, root, &[("number", "3")]);
    let head = [("label", "3-01"), ("arc", "half"), ("pop-up", "4 in")];
    scene.add(3, ThingKind::Head, Scene::id(2), &head);
    scene.add(4, ThingKind::Valve, root, &[("label", "valve-3")]);
    let said = [
        ("what", "head-broken"),
        ("status", "to-quote"),
        ("minutes", "25 min"),
    ];
    scene.add(5, ThingKind::Finding, Scene::id(3), &said);
    let said = [
        ("what", "valve-weeping"),
        ("status", "to-quote"),
        ("parts", "diaphragm kit"),
    ];
    scene.add(6, ThingKind::Finding, Scene::id(4), &said);
    let said = [
        ("what", "nozzle-worn"),
        ("status", "to-quote"),
        ("parts", "gold nozzle"),
    ];
    scene.add(7, ThingKind::Finding, Scene::id(3), &said);
    scene
}

fn firm() -> Scene {
    let mut firm = Scene::new();
    let root = firm.root();
    firm.note("site", "kind", "company");
    for (field, text) in [
        ("labour-rate", "$78"),
        ("tax", "7.25%"),
        ("quote-days", "30"),
    ] {
        firm.note("company", field, text);
    }
    let part = |kind: &'static str, words: &'static str, price: &'static str| {
        vec![
            ("part-kind", kind),
            ("description", words),
            ("price", price),
        ]
    };
    let mut half = part("nozzle", "nozzle 12 ft half", "$4.85");
    half.push(("arc", "180"));
    let mut quarter = part("nozzle", "nozzle 12 ft quarter", "$4.55");
    quarter.push(("arc", "90"));
    let tall = [
        part("body", "body 12 in", "$14.20"),
        vec![("pop-up", "12 in")],
    ]
    .concat();
    let low = [part("body", "body 4 in", "$6.40"), vec![("pop-up", "4 in")]].concat();
    let pipe = part("swing-pipe", "swing pipe, 1 ft", "$0.985");
    let kit = part("diaphragm", "diaphragm kit", "$18.75");
    for (nth, said) in (2..).zip([half, quarter, tall, low, pipe, kit]) {
        firm.add(nth, ThingKind::Part, root, &said);
    }
    let work = [
        ("finding", "valve-weeping"),
        ("price", "price=$15; minutes=40 min"),
    ];
    firm.add(20, ThingKind::Price, root, &work);
    firm
}

fn book() -> PriceBook {
    let firm = firm();
    let state = firm.state();
    PriceBook::of(&Site::of(&state, firm.logbook))
}

fn proposed(scene: &Scene, book: &PriceBook) -> Proposal {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    propose(&site, &site.findings(), book)
}

fn quoted(scene: &mut Scene, book: &PriceBook) {
    let lines = proposed(scene, book).lines;
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let first = 100 + u8::try_from(scene.entries.len()).unwrap();
    let ids: Vec<ThingId> = (first..).map(Scene::id).take(lines.len() + 1).collect();
    let changes = quote(&site, &lines, &ids, day("2026-07-14"), day("2026-08-13"));
    scene.write(changes);
}

fn with_estimate<T>(scene: &Scene, look: impl FnOnce(&Estimate<'_>) -> T) -> T {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    look(&site.estimates()[0])
}

fn said(scene: &mut Scene, nth: usize, decision: Decision, on: &str) {
    let changes = with_estimate(scene, |estimate| {
        let said = Answer {
            decision,
            who: Some("Mrs Quillet".into()),
            on: Some(day(on)),
            how: Some("phone".into()),
        };
        answer(&estimate.lines[nth], &said).unwrap()
    });
    scene.write(changes);
}

fn status(scene: &Scene, id: u8) -> Status {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let findings = site.findings();
    let of = findings.iter().find(|finding| finding.id == Scene::id(id));
    of.unwrap().status()
}

#[test]
fn a_finding_becomes_a_line_with_the_parts_that_fit_its_head() {
    let proposal = proposed(&yard(), &book());
    let [broken, weeping] = proposal.lines.as_slice() else {
        panic!("{proposal:?}")
    };
    let names: Vec<&str> = broken
        .quoted
        .parts
        .iter()
        .map(|part| part.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["body 4 in", "nozzle 12 ft half", "swing pipe, 1 ft"]
    );
    // 6.40 + 4.85 + 0.99; 25 minutes of $78; 7.25 % of the parts, 0.8874.
    assert_eq!(broken.quoted.parts_total(), Money::cents(1_224));
    assert_eq!(broken.quoted.labour(), Money::cents(3_250));
    assert_eq!(broken.quoted.tax(), Money::cents(89));
    assert_eq!(broken.quoted.total(), Money::cents(4_563));
    assert_eq!(broken.minutes_from, MinutesFrom::Finding);
    // Minutes and charge of the book: 18.75 + 52.00 + 15.00 + 1.36.
    assert_eq!(weeping.minutes_from, MinutesFrom::Book);
    assert_eq!(weeping.quoted.total(), Money::cents(8_711));
}

#[test]
fn a_part_without_a_price_is_a_gap_that_says_what_to_do() {
    let proposal = proposed(&yard(), &book());
    let gaps: Vec<String> = proposal.gaps.iter().map(ToString::to_string).collect();
    assert_eq!(gaps, ["the price book has no part `gold nozzle`"]);
    let no_rate = PriceBook {
        rate: None,
        ..book()
    };
    let gaps = proposed(&yard(), &no_rate).gaps;
    assert!(gaps.contains(&Gap::NoRate(Scene::id(5))), "{gaps:?}");
}

#[test]
fn words_that_fit_several_parts_are_asked_about() {
    let error = book().part("nozzle", None, None).unwrap_err();
    let why = "`nozzle` can be nozzle 12 ft half, or nozzle 12 ft quarter; say which in the \
               finding's parts";
    assert_eq!(error.to_string(), why);
}

#[test]
fn a_quote_moves_its_findings_and_keeps_its_prices_when_the_book_changes() {
    let (mut scene, mut firm) = (yard(), firm());
    quoted(&mut scene, &book());
    assert_eq!(status(&scene, 5), Status::Quoted);
    assert_eq!(status(&scene, 7), Status::ToQuote);
    firm.note("company", "labour-rate", "$95");
    with_estimate(&scene, |estimate| {
        let total = estimate
            .totals(&[Standing::Open], day("2026-07-14"))
            .unwrap();
        assert_eq!((total.lines, total.total), (2, Money::cents(13_274)));
        assert_eq!(estimate.lines[0].name, "E1-1");
        assert_eq!(
            estimate.lines[0].standing(day("2026-08-13")),
            Standing::Open
        );
        assert_eq!(
            estimate.lines[0].standing(day("2026-08-14")),
            Standing::Expired
        );
    });
}

#[test]
fn each_line_is_answered_by_itself_and_a_yes_after_a_no_shows_both() {
    let mut scene = yard();
    quoted(&mut scene, &book());
    said(&mut scene, 0, Decision::Approved, "2026-07-15");
    said(&mut scene, 1, Decision::Declined, "2026-07-15");
    assert_eq!(status(&scene, 6), Status::Declined);
    said(&mut scene, 1, Decision::Approved, "2026-07-20");
    assert_eq!(status(&scene, 6), Status::Approved);
    with_estimate(&scene, |estimate| {
        let [first, second] = estimate.lines.as_slice() else {
            panic!("{estimate:?}")
        };
        assert!(!first.changed_mind() && second.changed_mind());
        let days: Vec<_> = second.said.iter().map(|(_, said)| said.on).collect();
        assert_eq!(days, [Some(day("2026-07-15")), Some(day("2026-07-20"))]);
        let changes = schedule(first, day("2026-07-21")).unwrap();
        assert!(matches!(&changes[1], Change::Set { field, .. }
            if *field == finding::STATUS.number));
    });
}

#[test]
fn a_withdrawn_estimate_gives_its_findings_back_but_keeps_what_was_agreed_to() {
    let mut scene = yard();
    quoted(&mut scene, &book());
    said(&mut scene, 0, Decision::Approved, "2026-07-15");
    let changes = with_estimate(&scene, withdraw);
    scene.write(changes);
    assert_eq!(status(&scene, 5), Status::Approved);
    assert_eq!(status(&scene, 6), Status::ToQuote);
    with_estimate(&scene, |estimate| assert_eq!(estimate.lines.len(), 1));
    quoted(&mut scene, &book());
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let names: Vec<String> = site.estimates().into_iter().map(|it| it.name).collect();
    assert_eq!(names, ["E1", "E2"]);
}

#[test]
fn a_price_that_does_not_add_up_is_not_shown_as_one() {
    let line = proposed(&yard(), &book()).lines.remove(0).quoted;
    let crate::log::value::Value::Record(mut parts) = line.value() else {
        panic!("a price is a record")
    };
    parts.insert(1, Money::cents(1).value());
    assert_eq!(Quoted::read(&crate::log::value::Value::Record(parts)), None);
}

fn any_line() -> impl Strategy<Value = Quoted> {
    let part = ("[a-z]{1,8}", 1_u32..50, 0_i64..5_000_000).prop_map(|(name, count, each)| {
        let each = format!("{}.{:04}", each / 10_000, each % 10_000);
        let each = UnitPrice::of_text(&each).unwrap();
        PartLine { name, count, each }
    });
    let parts = prop::collection::vec(part, 0..5);
    let fine = |of: u32| (0..of * 10_000).prop_map(|n| format!("{}.{:04}", n / 10_000, n % 10_000));
    let money = 0_i64..100_000;
    (parts, 0_u32..600, fine(200), fine(15), any::<bool>(), money).prop_map(
        |(parts, minutes, rate, tax, all, charge)| {
            let on = if all { TaxOn::All } else { TaxOn::Parts };
            let (rate, tax) = (UnitPrice::of_text(&rate), TaxRate::of_text(&tax));
            let mut line = Quoted::begin(Severity::Soon, rate.unwrap(), tax.unwrap(), on);
            line.parts = parts;
            line.minutes = Minutes::whole(minutes);
            line.charge = Money::cents(charge);
            line.reckon().unwrap()
        },
    )
}

/// A site with an estimate of such lines, and who answered what, in that order.
fn told(lines: &[Quoted], answers: &[(usize, bool)]) -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Estimate, root, &[("label", "E1")]);
    for (nth, quoted) in (10_u8..).zip(lines) {
        scene.add(nth, ThingKind::Line, Scene::id(2), &[]);
        scene.write(vec![Change::Set {
            thing: Scene::id(nth),
            field: line::QUOTED.number,
            value: quoted.value(),
            how: HowKnown::Computed,
        }]);
    }
    for (nth, yes) in answers {
        let said = if *yes {
            Decision::Approved
        } else {
            Decision::Declined
        };
        super::tests::said(&mut scene, *nth, said, "2026-07-15");
    }
    scene
}

fn totals(state: &State, scene: &Scene, standing: Standing) -> Totals {
    let site = Site::of(state, scene.logbook);
    let on = day("2026-07-15");
    site.estimates()[0].totals(&[standing], on).unwrap()
}

proptest! {
    #[test]
    fn lines_sum_to_the_total_and_tax_follows_its_rule(
        lines in prop::collection::vec(any_line(), 1..8),
    ) {
        let total = Totals::of(&lines).unwrap();
        let cents = |of: fn(&Quoted) -> Money| lines.iter().map(|it| of(it).in_cents()).sum::<i64>();
        prop_assert_eq!(total.total.in_cents(), cents(Quoted::total));
        let of_which = [total.parts, total.labour, total.charges, total.tax];
        prop_assert_eq!(Money::sum(of_which), Some(total.total));
        for line in &lines {
            let mut taxed = line.parts_total().in_cents();
            if line.tax_on == TaxOn::All {
                taxed += line.labour().in_cents() + line.charge.in_cents();
            }
            // Exactly, in millionths of a cent: never off by more than half a cent.
            let rate = line.tax_rate.to_string();
            let (whole, parts) = rate.trim_end_matches('%').split_once('.').unwrap_or((
                rate.trim_end_matches('%'), ""));
            let rate: i64 = format!("{whole}{parts:0<4}").parse().unwrap();
            let off = taxed * rate - line.tax().in_cents() * 1_000_000;
            prop_assert!((-500_000..500_000).contains(&off), "{off}");
        }
        let reversed = Totals::of(lines.iter().rev()).unwrap();
        prop_assert_eq!(total, reversed);
    }

    #[test]
    fn a_price_reads_back_from_what_is_stored(line in any_line()) {
        prop_assert_eq!(Quoted::read(&line.value()), Some(line));
    }

    #[test]
    fn what_is_approved_declined_and_open_is_always_all_of_it_in_any_order_of_arrival(
        lines in prop::collection::vec(any_line(), 1..6),
        answers in prop::collection::vec((0_usize..6, any::<bool>()), 0..10),
        turn in any::<prop::sample::Index>(),
    ) {
        let answers: Vec<_> = answers.into_iter().filter(|(at, _)| *at < lines.len()).collect();
        let mut scene = told(&lines, &answers);
        let state = scene.state();
        let all = [Standing::Approved, Standing::Declined, Standing::Open];
        let parts = all.map(|standing| totals(&state, &scene, standing).total);
        prop_assert_eq!(Money::sum(parts), Totals::of(&lines).map(|all| all.total));
        let arrived = turn.index(scene.entries.len());
        scene.entries.rotate_left(arrived);
        let again = scene.state();
        let turned = all.map(|standing| totals(&again, &scene, standing).total);
        prop_assert_eq!(parts, turned);
    }

    #[test]
    fn an_answer_that_is_taken_back_leaves_the_sums_as_they_were(
        lines in prop::collection::vec(any_line(), 1..6),
        at in any::<prop::sample::Index>(),
        yes in any::<bool>(),
    ) {
        let nth = at.index(lines.len());
        let before = told(&lines, &[]);
        let mut after = told(&lines, &[(nth, yes)]);
        after.write(vec![Change::Set {
            thing: Scene::id(10 + u8::try_from(nth).unwrap()),
            field: line::ANSWER.number,
            value: crate::log::value::Value::Absent(crate::log::value::Absence::Cleared),
            how: HowKnown::Unstated,
        }]);
        let open = |scene: &Scene| totals(&scene.state(), scene, Standing::Open);
        prop_assert_eq!(open(&before), open(&after));
    }
}

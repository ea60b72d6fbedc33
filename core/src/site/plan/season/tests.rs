//! Seasons of a worked lawn under each setting.

use super::*;
use crate::site::plan::tests::lawn;
use crate::site::things::tests::Scene;
use crate::site::weather::WeatherDay;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// A season whose evapotranspiration climbs to July and falls again, with a shower every ten days.
fn weather(year: i32) -> Record {
    let first = NaiveDate::from_ymd_opt(year, 3, 15).unwrap();
    let days = first.iter_days().take(230).enumerate().map(|(nth, date)| {
        let from_peak = f64::from((date.ordinal() as i32 - 196).abs());
        WeatherDay {
            et: Some(Inches::new((0.24 - 0.0017 * from_peak).max(0.03))),
            rain: Some(Inches::new(if nth % 10 == 0 { 0.4 } else { 0.0 })),
            ..WeatherDay::on(date)
        }
    });
    Record::of_days(days.collect())
}

fn stretch() -> Stretch {
    Stretch {
        from: day("2026-04-01"),
        to: day("2026-10-28"),
        months: 4..=10,
        allowed_short: Fraction::new(0.05),
    }
}

fn of(scene: &Scene) -> SiteSeason {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    season(&site, &weather(2026), &stretch(), &HouseRules::default()).unwrap()
}

#[test]
fn april_s_setting_kept_leaves_july_dry_and_july_s_kept_wastes_water() {
    let mut scene = lawn();
    scene.note("controller", "rain-sensor", "none");
    let season = of(&scene);
    let zone = &season.zones[0];
    let total = |kept| {
        zone.total(kept)
            .unwrap_or_else(|| panic!("{:?}", zone.seasons[&kept]))
    };
    let (april, july, computed) = (total(Kept::April), total(Kept::July), total(Kept::Computed));
    assert!(april.short > computed.short * 2.0, "{april:?} {computed:?}");
    assert!(july.gallons > computed.gallons, "{july:?} {computed:?}");
    assert!(july.drainage > computed.drainage);
    let dial = total(Kept::Dial);
    assert!(dial.gallons < july.gallons);
    assert!(dial.short <= dial.need * 0.06);
    // The dial climbs to July and falls again.
    let place = |month| {
        let best = season.dial.iter().find(|best| best.month == month).unwrap();
        best.percent.get()
    };
    assert!(
        place(4) < place(7) && place(10) < place(7),
        "{:?}",
        season.dial
    );
    assert_eq!(season.weather.len(), 211);
}

#[test]
fn a_setting_s_gallons_are_its_minutes_times_its_flow() {
    let season = of(&lawn());
    // As left: 17 min on mon, wed, fri from 1 April to 28 October 2026 are 90 or 91 runs.
    let left = season.zones[0].total(Kept::AsLeft).unwrap();
    let runs = left.minutes.get() / 17.0;
    assert!(
        (runs - runs.round()).abs() < 1e-9 && (90.0..=91.0).contains(&runs),
        "{runs}"
    );
    assert!((left.gallons.get() - left.minutes.get() * 22.46).abs() < 1e-6);
}

#[test]
fn a_working_rain_sensor_stops_every_setting_on_the_day_after_rain() {
    let mut scene = lawn();
    let without = of(&scene).zones[0].total(Kept::AsFound).unwrap();
    scene.note("controller", "rain-sensor", "working");
    scene.note("controller", "rain-set-point", "1/4 in");
    let with = of(&scene).zones[0].total(Kept::AsFound).unwrap();
    assert!(with.minutes < without.minutes);
    scene.note("controller", "rain-sensor", "bypassed");
    assert_eq!(of(&scene).zones[0].total(Kept::AsFound).unwrap(), without);
}

#[test]
fn a_gap_that_nothing_fills_is_refused_by_its_day() {
    let scene = lawn();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let mut record = weather(2026);
    record.days.retain(|day| day.date.month() != 6);
    let got = season(&site, &record, &stretch(), &HouseRules::default());
    let june = day("2026-06-01");
    assert_eq!(got.unwrap_err(), Unknown::NoWeatherOn { day: june });
}

#[test]
fn a_zone_that_lacks_something_says_what_and_the_others_are_told() {
    let mut scene = lawn();
    let root = scene.root();
    scene.add(
        9,
        crate::site::kind::ThingKind::Zone,
        root,
        &[("number", "8"), ("plants", "lawn")],
    );
    let season = of(&scene);
    assert_eq!(season.zones.len(), 2);
    assert!(season.zones[1].ground.is_err());
    assert!(season.zones[1].total(Kept::Computed).is_none());
    assert_eq!(season.comparable().len(), 1);
}

//! A weather station's days.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::check;

fn station() -> TestEnv {
    let env = TestEnv::new();
    env.ok("init --person Ana");
    env.ok(r#"add station "North yard" latitude 42 elevation 300ft"#);
    env
}

#[test]
fn a_day_is_added_and_of_two_records_of_one_day_the_later_counts() {
    let mut env = station();
    check(
        &env,
        "weather add north 2026-07-13 rain 0.2in et 0.21in tmax 88",
        &expect![[r#"
            station at North yard: weather-day 2026-07-13; tmax: 88 °F; rain: 0.2 in; et: 0.21 in.
        "#]],
    );
    env.set_now("2026-07-14T07:40:00-05:00");
    check(
        &env,
        "weather add north 2026-07-13 rain 5mm tmin 16C tmax 31C",
        &expect![[r#"
            station at North yard: weather-day 2026-07-13; tmin: 60.8 °F; tmax: 87.8 °F; rain: 0.1969 in.
        "#]],
    );
    check(
        &env,
        "weather list north",
        &expect![[r#"
        date        low      high     rain     wind  humidity  ET       ET from
        2026-07-13  60.8 °F  87.8 °F  0.20 in                  0.22 in  computed
        1 day at North yard.
    "#]],
    );
    check(
        &env,
        "weather list north --json",
        &expect![[r#"
        {
          "station": "North yard",
          "days": [
            {
              "date": "2026-07-13",
              "readings": {
                "rain": {
                  "amount": 5.0,
                  "unit": "mm"
                },
                "tmax": {
                  "amount": 31.0,
                  "unit": "°C"
                },
                "tmin": {
                  "amount": 16.0,
                  "unit": "°C"
                }
              },
              "eto_in": 0.222381746616792,
              "eto_from": "computed"
            }
          ]
        }
    "#]],
    );
    check(
        &env,
        "weather add north 2026-07-32 rain 1",
        &expect![[r#"
        ! Error: weather-day of a station: date: `2026-07-32` does not fit; write a day such as 2026-07-14, or `not checked`.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "weather add north 2026-07-12 rian 1",
        &expect![[r#"
        ! Error: weather-day of a station: it has no part `rian`; did you mean `rain`?
        [exit 2]
    "#]],
    );
    check(
        &env,
        "weather add north 2026-07-12 rain 1kg",
        &expect![[r#"
        ! Error: weather-day of a station: rain: `kg` is not a unit of it; write a number of in, such as 4 in.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "weather list",
        &expect![[r#"
        ! Error: the following required arguments were not provided: <STATION>.
        ! Hint: usage: headwalk weather list <STATION>; --help says more.
        [exit 2]
    "#]],
    );
}

#[test]
fn a_table_of_days_names_its_units_and_is_taken_whole() {
    let env = station();
    let days = "date,tmin_c,tmax_c,rain_mm,wind_m_s,humidity_pct\n\
                2026-07-12,16.0,29.5,0,2.1,70\n\
                2026-07-13,17.2,31.0,4.5,,\n";
    env.write("days.csv", days);
    check(
        &env,
        "weather import north days.csv",
        &expect![[r#"
        2 lines of days.csv: 2 added, 0 as before.
    "#]],
    );
    check(
        &env,
        "weather import north days.csv",
        &expect![[r#"
        2 lines of days.csv: 0 added, 2 as before.
    "#]],
    );
    check(
        &env,
        "weather list north --units si",
        &expect![[r#"
        date        low      high     rain    wind     humidity  ET      ET from
        2026-07-12  16.0 °C  29.5 °C  0.0 mm  2.1 m/s  70 %      5.0 mm  computed
        2026-07-13  17.2 °C  31.0 °C  4.5 mm                     5.5 mm  computed
        2 days at North yard.
    "#]],
    );
    env.write("bare.csv", "date,rain\n2026-07-12,3\n");
    check(
        &env,
        "weather import north bare.csv",
        &expect![[r#"
        ! Error: the column `rain` does not say its unit.
        ! Hint: call it `rain (in)` or `rain (mm)`.
        [exit 2]
    "#]],
    );
    env.write("odd.csv", "date,rain_mm,mood\n2026-07-12,3,good\n");
    check(
        &env,
        "weather import north odd.csv",
        &expect![[r#"
        ! Error: the column `mood` is no reading.
        ! Hint: the readings are date, tmin, tmax, rain, et, wind, humidity-min, humidity-max, humidity, dewpoint, solar, sunshine, source.
        [exit 2]
    "#]],
    );
    env.write(
        "bad.csv",
        "date,rain_mm\n2026-07-11,3\n2026-13-01,4\n2026-07-14,lots\n,3\n",
    );
    check(
        &env,
        "weather import north bad.csv",
        &expect![[r#"
        ! Error: bad.csv was not taken, not one line of it.
        !   line 3, column `date`: `2026-13-01` does not fit; write a day such as 2026-07-14, or `not checked`
        !   line 4, column `rain_mm`: `lots` does not fit; write a number of in, such as 4 in, or `not checked`
        !   line 5: `date` is missing; write `date=` and a day such as 2026-07-14
        ! Hint: mend these lines and import it again.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "weather list north --from 2026-07-13",
        &expect![[r#"
        date        low      high     rain     wind  humidity  ET       ET from
        2026-07-13  63.0 °F  87.8 °F  0.18 in                  0.22 in  computed
        1 day at North yard.
    "#]],
    );
}

#[test]
fn only_a_station_has_weather() {
    let env = station();
    env.ok(r#"add site "Maple Court""#);
    check(
        &env,
        "weather add maple 2026-07-13 rain 0.2in",
        &expect![[r#"
        ! Error: Maple Court is not a weather station.
        ! Hint: `headwalk add station NAME` begins one.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "site north",
        &expect![[r#"
        ! Error: North yard is not a site.
        ! Hint: `headwalk sites` lists the sites; `headwalk state` shows any logbook.
        [exit 2]
    "#]],
    );
}

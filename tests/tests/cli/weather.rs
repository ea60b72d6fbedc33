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
            ! Hint: the readings are date, tmin, tmax, rain, et, wind, humidity-min, humidity-max, humidity, dewpoint, solar, sunshine, source; --column says which one it is, --skip leaves it out.
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

#[test]
fn a_table_with_headings_of_its_own_is_told_what_they_are() {
    let env = station();
    env.write(
        "open.csv",
        "date,precipitation,temp_max,temp_min,wind,weather\n\
         2012/01/01,0.0,12.8,5.0,4.7,drizzle\n2012/02/29,2.3,6.7,2.2,4.0,rain\n",
    );
    let columns = "--column precipitation=rain_mm --column temp_max=tmax_c --column temp_min=tmin_c \
                   --column wind=wind_m_s";
    check(
        &env,
        &format!("weather import north open.csv {columns} --skip weather"),
        &expect![[r#"
            2 lines of open.csv: 2 added, 0 as before.
        "#]],
    );
    check(
        &env,
        "weather list north --units si",
        &expect![[r#"
            date        low     high     rain    wind     humidity  ET      ET from
            2012-01-01  5.0 °C  12.8 °C  0.0 mm  4.7 m/s            1.4 mm  computed
            2012-02-29  2.2 °C  6.7 °C   2.3 mm  4.0 m/s            1.0 mm  computed
            2 days at North yard.
        "#]],
    );
    check(
        &env,
        "weather import north open.csv --skip mood",
        &expect![[r#"
            ! Error: the table has no column `mood`.
            ! Hint: write the heading as it stands in the first line.
            [exit 2]
        "#]],
    );
    check(
        &env,
        "weather import north open.csv --column wind",
        &expect![[r#"
            ! Error: `wind` does not say what a heading is.
            ! Hint: write it like precipitation=rain_mm.
            [exit 2]
        "#]],
    );
}

/// Invented values in the form of the archive's files of one value a line.
const ONE_VALUE_A_LINE: &str = "\
US1INVENT01,20240228,TMAX,117,,,7,0700
US1INVENT01,20240228,TMIN,22,,,7,0700
US1INVENT01,20240228,PRCP,53,,,7,0700
US1INVENT01,20240228,SNWD,0,,,7,0700
US1INVENT01,20240229,TMAX,128,,,7,0700
US1INVENT01,20240229,TMIN,-9999,,,7,0700
US1INVENT01,20240229,PRCP,9990,,G,7,0700
US1INVENT01,20240229,AWND,31,,,W,
";

/// The same station in the form of one day a line.
const ONE_DAY_A_LINE: &str = "\
\"STATION\",\"DATE\",\"LATITUDE\",\"LONGITUDE\",\"ELEVATION\",\"NAME\",\"PRCP\",\"PRCP_ATTRIBUTES\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"
\"US1INVENT01\",\"2024-03-01\",\"41.6\",\"-93.4\",\"259\",\"INVENTED, XX US\",\"  0\",\",,7,0700\",\"  150\",\",,7\",\"   31\",\",,7\"
\"US1INVENT01\",\"2024-03-02\",\"41.6\",\"-93.4\",\"259\",\"INVENTED, XX US\",\"   12\",\",X,7,0700\",\"  139\",\",,7\",\"   28\",\",,7\"
";

#[test]
fn a_file_of_the_climatology_network_is_read_in_both_of_its_forms() {
    let env = station();
    env.write("values.csv", ONE_VALUE_A_LINE);
    check(
        &env,
        "weather import north values.csv --ghcn",
        &expect![[r#"
            2 lines of values.csv: 2 added, 0 as before.
            Please check: 1 value failed the archive's own checks and was left out, the first on 2024-02-29
        "#]],
    );
    env.write("days.csv", ONE_DAY_A_LINE);
    check(
        &env,
        "weather import north days.csv --ghcn",
        &expect![[r#"
            2 lines of days.csv: 2 added, 0 as before.
            Please check: 1 value failed the archive's own checks and was left out, the first on 2024-03-02
        "#]],
    );
    check(
        &env,
        "weather list north --units si",
        &expect![[r#"
        date        low     high     rain    wind     humidity  ET      ET from
        2024-02-28  2.2 °C  11.7 °C  5.3 mm                     1.5 mm  computed
        2024-02-29          12.8 °C          3.1 m/s                    no temperatures
        2024-03-01  3.1 °C  15.0 °C  0.0 mm                     2.0 mm  computed
        2024-03-02  2.8 °C  13.9 °C                             1.8 mm  computed
        4 days at North yard.
    "#]],
    );
    env.write(
        "two.csv",
        format!("{ONE_VALUE_A_LINE}US1INVENT02,20240228,TMAX,99,,,7,0700\n"),
    );
    check(
        &env,
        "weather import north two.csv --ghcn",
        &expect![[r#"
            ! Error: the file holds 2 stations.
            ! Hint: say which with --id, such as US1INVENT01, US1INVENT02.
            [exit 2]
        "#]],
    );
    check(
        &env,
        "weather import north two.csv --ghcn --id US1INVENT02",
        &expect![[r#"
            1 line of two.csv: 1 added, 0 as before.
        "#]],
    );
    env.write("none.csv", "date,rain_mm\n2026-07-11,3\n");
    check(
        &env,
        "weather import north none.csv --ghcn",
        &expect![[r#"
            ! Error: none.csv is no file of GHCN-Daily.
            ! Hint: it has one value a line (station, day, element, value, flags), or a heading with STATION, DATE and elements such as TMIN.
            [exit 2]
        "#]],
    );
}

#[test]
fn months_serve_where_no_day_is_recorded_and_are_told_as_assumed() {
    let env = station();
    env.write(
        "months.csv",
        "month,tmin_c,tmax_c,rain_mm\n6,13,26,100\n7,16,29,90\n8,15,28,95\n",
    );
    check(
        &env,
        "weather normals north months.csv",
        &expect![[r#"
        3 lines of months.csv: 3 added, 0 as before.
    "#]],
    );
    check(
        &env,
        "weather normals north months.csv",
        &expect![[r#"
        3 lines of months.csv: 0 added, 3 as before.
    "#]],
    );
    check(
        &env,
        "weather normals north",
        &expect![[r#"
        month   low      high     rain     ET  ET a day
        June    55.4 °F  78.8 °F  3.94 in      0.19 in
        July    60.8 °F  84.2 °F  3.54 in      0.2 in
        August  59 °F    82.4 °F  3.74 in      0.18 in
        3 months at North yard.
    "#]],
    );
    env.ok(r#"add site "Maple Court" latitude 42 elevation 300ft"#);
    env.ok("add maple zone-1 plants lawn area 1350sqft soil loam emission rotor flow 22gpm");
    let told = env.ok("schedule maple --on 2026-07-14");
    assert!(
        told.contains("only 0 of the 7 days are recorded; reference evapotranspiration is the"),
        "{told}"
    );
    env.write("bad.csv", "month,tmin_c\n13,5\n");
    check(
        &env,
        "weather normals north bad.csv",
        &expect![[r#"
        ! Error: bad.csv was not taken, not one line of it.
        !   line 2, column `month`: 13 is impossible, it must be from 1 to 12; correct it, or keep it as a note
        ! Hint: mend these lines and import it again.
        [exit 2]
    "#]],
    );
}

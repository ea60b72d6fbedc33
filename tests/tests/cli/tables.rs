//! Tables in and out: all of a table or nothing, and back again.

use expect_test::expect;
use headwalk_tests::{TestEnv, without_chance};

use super::{check, maple_court};

#[test]
fn a_table_is_taken_whole_and_a_second_time_changes_nothing() {
    let env = maple_court();
    let zones = "thing,name,area (sqft),slope,valve\n\
                 zone-3,Front lawn,900,,valve-3\n\
                 zone-4,Back lawn,70 m2,3,\n";
    env.write("zones.csv", zones);
    check(
        &env,
        "import zones.csv --site maple",
        &expect![[r#"
        2 lines of zones.csv: 1 added, 1 changed, 0 as before.
    "#]],
    );
    let before = env.ok("export entries");
    check(
        &env,
        "import zones.csv --site maple --json",
        &expect![[r#"
        {
          "file": "zones.csv",
          "lines": 2,
          "added": 0,
          "changed": 0,
          "as_before": 2,
          "ask": []
        }
    "#]],
    );
    assert_eq!(env.ok("export entries"), before);
    env.write(
        "heads.csv",
        "head,head-kind,radius_m\n4-01,rotor,9\n4-02,rotor,9\n",
    );
    check(
        &env,
        "import heads.csv --site maple",
        &expect![[r#"
        2 lines of heads.csv: 2 added, 0 changed, 0 as before.
    "#]],
    );
    check(
        &env,
        "state maple 4-02",
        &expect![[r#"
        Maple Court
        head-4-02
          head-kind  gear rotor  Ana Ruiz  2026-07-14 07:30
          label      4-02        Ana Ruiz  2026-07-14 07:30
          radius     29.53 ft    Ana Ruiz  2026-07-14 07:30
    "#]],
    );
    check(
        &env,
        "state maple zone-4 --units si",
        &expect![[r#"
        Maple Court
        zone-4
          area    70 m²      Ana Ruiz  2026-07-14 07:30
          name    Back lawn  Ana Ruiz  2026-07-14 07:30
          number  4          Ana Ruiz  2026-07-14 07:30
          slope   3%         Ana Ruiz  2026-07-14 07:30
    "#]],
    );
}

#[test]
fn a_table_with_any_fault_is_left_out_whole_and_every_fault_is_named() {
    let env = maple_court();
    let before = env.ok("state --json");
    let zones = "\u{feff}thing,area,slop,soil\n\
                 zone-1,850,2,loam\n\
                 zone-2,-5,,laom\n\
                 sprinkler,1,2,\n\
                 7-01,,,\n";
    env.write("zones.csv", zones);
    check(
        &env,
        "import zones.csv --site maple",
        &expect![[r#"
        ! Error: zones.csv was not taken, not one line of it.
        !   line 1, column `slop`: unknown field `slop` of a zone; did you mean `slope`?
        !   line 3, column `area`: area of a zone: -5 ft² is impossible, it must be from 1 ft² to 1000000 ft²; correct it, or keep it as a note
        !   line 3, column `soil`: soil of a zone: `laom` is not one of its choices; did you mean `loam`?
        !   line 4: `sprinkler` does not say what it is; write its kind and number: zone-7, head 3-07, valve-7, controller, supply, spot-1.
        !   line 5: there is no zone 7 for this head; add zone-7 first.
        ! Hint: mend these lines and import it again.
        [exit 2]
    "#]],
    );
    env.write("short.csv", "thing,area\nzone-1,850\nzone-2\n");
    check(
        &env,
        "import short.csv --site maple",
        &expect![[r#"
        ! Error: short.csv was not taken, not one line of it.
        !   line 3: it has 1 cell, and the heading has 2
        ! Hint: mend these lines and import it again.
        [exit 2]
    "#]],
    );
    env.write(
        "sites.csv",
        "site,thing,area\nmaple,zone-1,850\nmapel lane,zone-1,850\n",
    );
    check(
        &env,
        "import sites.csv",
        &expect![[r#"
        ! Error: sites.csv was not taken, not one line of it.
        !   line 3: there is no site `mapel lane` in this store; `headwalk sites` lists them; `headwalk add site NAME` begins one.
        ! Hint: mend these lines and import it again.
        [exit 2]
    "#]],
    );
    env.write("binary.csv", [0xff, 0xfe, 0x00]);
    check(
        &env,
        "import binary.csv --site maple",
        &expect![[r#"
        ! Error: binary.csv is not text in UTF-8.
        ! Hint: save it as CSV in UTF-8.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "import zones.csv",
        &expect![[r#"
        ! Error: the table does not say which site it is of.
        ! Hint: name it with --site, or add a column `site`.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "import gone.csv --site maple",
        &expect![[r#"
        ! Error: there is no file gone.csv.
        [exit 2]
    "#]],
    );
    env.write("nameless.csv", "area,soil\n850,loam\n");
    check(
        &env,
        "import nameless.csv --site maple --json",
        &expect![[r#"
        {
          "error": "the table has no column `thing`",
          "kind": "input",
          "hint": "it says what each line is about: zone-7, 3-07, valve-7.",
          "field": "thing"
        }
        ! Error: the table has no column `thing`.
        ! Hint: it says what each line is about: zone-7, 3-07, valve-7.
        [exit 2]
    "#]],
    );
    assert_eq!(env.ok("state --json"), before);
}

#[test]
fn what_is_exported_can_be_imported_into_another_site() {
    let env = maple_court();
    env.ok(r#"note maple zone-3 valve valve-3 slope "not checked" name "Lawn, front""#);
    env.ok(r#"add site "Birch Lane""#);
    for what in ["valves", "zones", "heads"] {
        let table = env.ok(&format!("export {what} --site maple"));
        env.write("moved.csv", table.replace("Maple Court", "Birch Lane"));
        env.ok("import moved.csv");
        let moved = env.ok(&format!("export {what} --site birch"));
        assert_eq!(moved.replace("Birch Lane", "Maple Court"), table);
    }
    check(
        &env,
        "export zones --site birch",
        &expect![[r#"
        site,thing,part-of,order,number,name,valve,plants,area,soil,slope
        Birch Lane,zone-3,site,10,3,"Lawn, front",valve-3,cool season turf,850 ft²,clay loam,not checked
    "#]],
    );
    check(
        &env,
        "export heads --site birch --out heads.csv",
        &expect![[r#"
            4 lines to heads.csv.
        "#]],
    );
    check(
        &env,
        "export heads --out no/such/folder.csv",
        &expect![[r#"
        ! Error: no/such/folder.csv cannot be written: No such file or directory (os error 2).
        [exit 1]
    "#]],
    );
}

#[test]
fn entries_are_exported_alike_from_every_store_that_holds_them() {
    let mut env = TestEnv::new();
    env.ok("init --person Ana");
    env.ok(r#"add site "Maple Court""#);
    env.ok("init --person Ben --store ben.redb");
    env.ok("exchange --with ben.redb");
    env.set_now("2026-07-14T09:00:00-05:00");
    env.ok("note maple site client Nora --store ben.redb");
    env.set_now("2026-07-14T09:10:00-05:00");
    env.ok("note maple site address Elm");
    env.ok("exchange --with ben.redb");
    // What follows from chance alone, the bytes and the digests, is checked where it is read again.
    let text = env.ok("export entries");
    let lines = text
        .lines()
        .filter_map(|line| line.split_once(",\"digest\":\""));
    let words = lines
        .map(|(words, _)| words)
        .filter(|line| line.contains("\"by\""));
    let words: Vec<_> = words.collect();
    expect![[r#"
        {"logbook":"<id 1>","device":"<id 2>","seq":1,"by":"Ana","at":"2026-07-14T07:30:00-05:00","changes":[{"thing":"<id 1>","what":"kind","value":"site"},{"thing":"<id 1>","what":"name","value":"Maple Court"}]
        {"logbook":"<id 1>","device":"<id 3>","seq":1,"by":"Ben","at":"2026-07-14T09:00:00-05:00","gained":{"<id 2>":1},"changes":[{"thing":"<id 1>","what":"client","value":"Nora"}]
        {"logbook":"<id 1>","device":"<id 2>","seq":2,"by":"Ana","at":"2026-07-14T09:10:00-05:00","changes":[{"thing":"<id 1>","what":"address","value":"Elm"}]
    "#]]
    .assert_eq(&(without_chance(&words.join("\n")) + "\n"));
    assert_eq!(
        env.ok("export entries"),
        env.ok("export entries --store ben.redb")
    );
}

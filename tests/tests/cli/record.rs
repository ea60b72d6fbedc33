//! What a crew records, and what is refused without a trace.

use expect_test::{Expect, expect};
use headwalk_tests::TestEnv;

use super::{check, maple_court};

#[test]
fn a_site_and_its_things_are_added_with_what_is_known() {
    let env = TestEnv::new();
    env.ok("init --person Ana");
    check(
        &env,
        "sites",
        &expect![[r#"
        No site is in this store yet: `headwalk add site NAME` begins one.
    "#]],
    );
    check(
        &env,
        r#"add site "Maple Court" address "12 Elm Street""#,
        &expect![[r#"
            Added site at Maple Court: name Maple Court, address 12 Elm Street.
        "#]],
    );
    check(
        &env,
        r#"add site "Maple Court""#,
        &expect![[r#"
        ! Error: there is a site `Maple Court` already.
        ! Hint: use it by its name or as <id 1>, or choose another name.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "add maple zone-3 area 850sqft --json",
        &expect![[r#"
        {
          "added": [
            {
              "logbook": "<id 1>",
              "site": "Maple Court",
              "thing": "<id 2>",
              "name": "zone-3",
              "by": "Ana",
              "at": "2026-07-14T07:30:00-05:00",
              "entry": {
                "device": "<id 3>",
                "seq": 2
              },
              "changes": [
                {
                  "what": "kind",
                  "value": "zone"
                },
                {
                  "what": "part-of",
                  "value": {
                    "thing": "<id 1>"
                  }
                },
                {
                  "what": "order",
                  "value": 10
                },
                {
                  "what": "number",
                  "value": 3
                },
                {
                  "what": "area",
                  "value": {
                    "amount": 850.0,
                    "unit": "ft²"
                  }
                }
              ],
              "ask": []
            }
          ]
        }
    "#]],
    );
    check(
        &env,
        "add maple 3-01..3-03 head-kind spray arc half",
        &expect![[r#"
            Added head-3-01 at Maple Court: head-kind fixed spray, arc 180°.
            Added head-3-02 at Maple Court: head-kind fixed spray, arc 180°.
            Added head-3-03 at Maple Court: head-kind fixed spray, arc 180°.
        "#]],
    );
    check(
        &env,
        "add maple 3-02",
        &expect![[r#"
        ! Error: head-3-02 is there already.
        ! Hint: record what changed about it with `headwalk note`.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "add maple 4-01",
        &expect![[r#"
        ! Error: there is no zone 4 for this head.
        ! Hint: add zone-4 first.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "add maple sprinkler",
        &expect![[r#"
        ! Error: `sprinkler` does not say what it is.
        ! Hint: write its kind and number: zone-7, head 3-07, valve-7, controller, supply, spot-1.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "add maple 3-04..3-02",
        &expect![[r#"
        ! Error: `3-04..3-02` is not a run of heads.
        ! Hint: write the first and the last of one zone, such as 3-01..3-12.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "sites",
        &expect![[r#"
            site         zones  heads  open findings  two versions  not yet at the office
            Maple Court  1      3      0              0             no hub
        "#]],
    );
    check(
        &env,
        "sites --json",
        &expect![[r#"
            {
              "sites": [
                {
                  "logbook": "<id 1>",
                  "site": "Maple Court",
                  "zones": 1,
                  "heads": 3,
                  "open_findings": 0,
                  "two_versions": 0,
                  "entries": 5,
                  "not_yet_at_the_office": null
                }
              ]
            }
        "#]],
    );
}

#[test]
fn a_note_keeps_fields_and_observations_together_and_asks_about_what_is_not_usual() {
    let env = maple_court();
    check(
        &env,
        "note maple 3-02 arc 90 radius 10ft --how measured",
        &expect![[r#"
            head-3-02 at Maple Court: arc 90° (was 180°), radius 10 ft (was 12 ft).
        "#]],
    );
    check(
        &env,
        r#"note maple zone-3 pressure 12 pressure-reading "12 at=last-head""#,
        &expect![[r#"
            zone-3 at Maple Court: pressure 12 psi, pressure-reading 12 psi; at: last head.
            Please check: pressure of a zone: 12 psi is outside the usual 15 psi to 75 psi: is it right?
            Please check: pressure-reading: pressure: 12 psi is outside the usual 15 psi to 120 psi: is it right?
        "#]],
    );
    check(
        &env,
        "note maple zone-3 valve valve-3 --json",
        &expect![[r#"
        {
          "logbook": "<id 1>",
          "site": "Maple Court",
          "thing": "<id 2>",
          "name": "zone-3",
          "by": "Ana Ruiz",
          "at": "2026-07-14T07:30:00-05:00",
          "entry": {
            "device": "<id 3>",
            "seq": 10
          },
          "changes": [
            {
              "what": "valve",
              "value": {
                "thing": "<id 4>"
              }
            }
          ],
          "ask": []
        }
    "#]],
    );
    check(
        &env,
        r#"note maple valve-3 solenoid-ohms open weeping suspected"#,
        &expect![[r#"
            valve-3 at Maple Court: solenoid-ohms open, weeping suspected.
        "#]],
    );
    check(
        &env,
        r#"note maple zone-3 slope "could not check: dog loose""#,
        &expect![[r#"
            zone-3 at Maple Court: slope could not check: dog loose.
        "#]],
    );
    check(
        &env,
        "state maple zone-3",
        &expect![[r#"
        Maple Court
        zone-3
          area              850 ft²                     Ana Ruiz  2026-07-14 07:30
          number            3                           Ana Ruiz  2026-07-14 07:30
          plants            cool season turf            Ana Ruiz  2026-07-14 07:30
          pressure          12 psi                      Ana Ruiz  2026-07-14 07:30
          slope             could not check: dog loose  Ana Ruiz  2026-07-14 07:30
          soil              clay loam                   Ana Ruiz  2026-07-14 07:30
          valve             valve-3                     Ana Ruiz  2026-07-14 07:30
          pressure-reading  12 psi; at: last head       Ana Ruiz  2026-07-14 07:30
    "#]],
    );
    check(
        &env,
        "state maple 3-02 --json",
        &expect![[r#"
        {
          "logbooks": [
            {
              "logbook": "<id 1>",
              "name": "Maple Court",
              "things": [
                {
                  "thing": "<id 2>",
                  "kind": "head",
                  "name": "head-3-02",
                  "fields": {
                    "arc": {
                      "value": {
                        "amount": 90.0,
                        "unit": "°"
                      },
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>",
                      "how": "measured"
                    },
                    "head-kind": {
                      "value": "fixed-spray",
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    },
                    "kind": {
                      "value": "head",
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    },
                    "label": {
                      "value": "3-02",
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    },
                    "order": {
                      "value": 20,
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    },
                    "part-of": {
                      "value": {
                        "thing": "<id 4>"
                      },
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    },
                    "radius": {
                      "value": {
                        "amount": 10.0,
                        "unit": "ft"
                      },
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>",
                      "how": "measured"
                    }
                  },
                  "observations": {}
                }
              ],
              "unknown_changes": 0
            }
          ]
        }
    "#]],
    );
    check(
        &env,
        "state maple 3-02 --units si",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        90°          Ana Ruiz  2026-07-14 07:30  measured
          head-kind  fixed spray  Ana Ruiz  2026-07-14 07:30
          label      3-02         Ana Ruiz  2026-07-14 07:30
          radius     3.048 m      Ana Ruiz  2026-07-14 07:30  measured
    "#]],
    );
}

/// Holds that a line is refused with exit code 2 and these words, and leaves the store as it was.
fn check_refused(line: &str, expected: &Expect) {
    let env = maple_court();
    let before = env.ok("state --json");
    let ran = env.run(line);
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(2), ""), "{ran}");
    expected.assert_eq(&ran.stderr);
    assert_eq!(env.ok("state --json"), before);
}

#[test]
fn a_slip_in_one_field_keeps_the_whole_note_out() {
    check_refused(
        "note maple zone-3 area 900 pressure low",
        &expect![[r#"
        Error: pressure of a zone: `low` does not fit; write a number of psi, such as 15 psi, or `not checked`.
    "#]],
    );
}

#[test]
fn four_hundred_degrees_of_arc_are_refused() {
    check_refused(
        "note maple 3-02 arc 400",
        &expect![[r#"
        Error: arc of a head: 400° is impossible, it must be from 1° to 360°; correct it, or keep it as a note.
    "#]],
    );
}

#[test]
fn a_negative_area_is_refused() {
    check_refused(
        "note maple zone-3 area -5",
        &expect![[r#"
        Error: area of a zone: -5 ft² is impossible, it must be from 1 ft² to 1000000 ft²; correct it, or keep it as a note.
    "#]],
    );
}

#[test]
fn a_negative_area_with_its_unit_is_no_flag() {
    check_refused(
        "note maple zone-3 area -5sqft",
        &expect![[r#"
        Error: area of a zone: -5 ft² is impossible, it must be from 1 ft² to 1000000 ft²; correct it, or keep it as a note.
    "#]],
    );
}

#[test]
fn a_unit_of_something_else_is_refused() {
    check_refused(
        "note maple zone-3 area 40psi",
        &expect![[r#"
        Error: area of a zone: `psi` is not a unit of it; write a number of ft², such as 100 ft².
    "#]],
    );
}

#[test]
fn an_unknown_site_is_refused_with_what_was_meant() {
    check_refused(
        "note mpale 3-02 arc 90",
        &expect![[r#"
        Error: there is no site `mpale` in this store.
        Hint: did you mean `Maple Court`?
    "#]],
    );
}

#[test]
fn an_unknown_thing_is_refused_with_what_was_meant() {
    check_refused(
        "note maple 3-2 arc 90",
        &expect![[r#"
        Error: nothing here is called `3-2`; did you mean 3-02?
    "#]],
    );
}

#[test]
fn an_unknown_field_is_refused_with_what_was_meant() {
    check_refused(
        "note maple 3-02 ark 90",
        &expect![[r#"
        Error: unknown field `ark` of a head; did you mean `arc` or `remark`?
    "#]],
    );
}

#[test]
fn a_field_without_a_value_is_refused() {
    check_refused(
        "note maple 3-02 arc 90 radius",
        &expect![[r#"
        Error: `radius` has no value.
        Hint: write fields and values in turn: area 850sqft soil clay.
    "#]],
    );
}

#[test]
fn an_error_in_json_names_the_field() {
    let env = maple_court();
    check(
        &env,
        "note maple zone-3 area -5 --json",
        &expect![[r#"
        {
          "error": "area of a zone: -5 ft² is impossible, it must be from 1 ft² to 1000000 ft²; correct it, or keep it as a note",
          "kind": "input",
          "field": "area"
        }
        ! Error: area of a zone: -5 ft² is impossible, it must be from 1 ft² to 1000000 ft²; correct it, or keep it as a note.
        [exit 2]
    "#]],
    );
}

#[test]
fn a_writer_must_have_a_name() {
    let env = TestEnv::new();
    env.ok("init");
    check(
        &env,
        r#"add site "Maple Court""#,
        &expect![[r#"
        ! Error: nobody is named as the writer.
        ! Hint: add --by NAME, or set HEADWALK_BY.
        [exit 2]
    "#]],
    );
    env.ok(r#"add site "Maple Court" --by Ana"#);
}

//! The examples in the help texts run as they stand.

use std::collections::BTreeSet;

use headwalk_tests::{TestEnv, TestHub};

use super::maple_court;

/// What each example needs before it, and the example, in an order that makes one story.
const STORY: &[(&[&str], &str)] = &[
    (&[], r#"init --person "Ana Ruiz""#),
    (
        &[
            r#"add site "Maple Court""#,
            r#"add maple zone-1"#,
            r#"add maple zone-2"#,
            r#"add maple zone-3 area 850sqft soil loam plants lawn"#,
            r#"add maple 3-01..3-07 head-kind spray arc half radius 12 flow 1.3"#,
            r#"add maple valve-3"#,
        ],
        "sites",
    ),
    (&[], r#"site "Maple Court""#),
    (
        &[],
        r#"add "Maple Court" zone-7 area 850sqft soil "clay loam""#,
    ),
    (
        &[],
        r#"visit start "Maple Court" --purpose inspection --crew "Crew 2""#,
    ),
    (&[], "visit ran zone-1 zone-2 --good"),
    (&[], r#"visit skip zone-3 --why "dog in the yard""#),
    (&[], "visit show"),
    (
        &[r#"add site "Alder House""#, "add alder zone-1..zone-3"],
        r#"visit move "Alder House""#,
    ),
    (
        &[r#"visit move "Maple Court""#],
        r#"visit finish --why "rain, the client knows""#,
    ),
    (&[], r#"visit start "Maple Court" --purpose inspection"#),
    (&[], r#"note "Maple Court" 3-07 arc 180 radius 12ft"#),
    (
        &[],
        r#"finding "Maple Court" 3-02 head-tilted remedy "straighten, firm the soil""#,
    ),
    (
        &[r#"add station "North yard" latitude 42 elevation 300ft"#],
        r#"weather add "North yard" 2026-07-14 rain 0.2in et 0.21in"#,
    ),
    (
        &[],
        r#"weather add "North yard" 2026-07-14 tmin 61F tmax 88F rain 0in"#,
    ),
    (&[], r#"weather import "North yard" days.csv"#),
    (&[], r#"weather list "North yard" --from 2026-07-01"#),
    (&[], r#"weather normals "North yard" months.csv"#),
    (&[], r#"state "Maple Court" zone-7 --as-of 2026-07-14"#),
    (&[], r#"import zones.csv --site "Maple Court""#),
    (&[], r#"export zones --site "Maple Court" --out zones.csv"#),
    (
        &["init --person Ben --store stick.redb"],
        "exchange --with stick.redb",
    ),
    (&[], "versions"),
    (&[], r#"join "Maple Court""#),
    (
        &[
            "note maple 3-07 arc 90",
            "note maple 3-07 arc 120 --store stick.redb",
            "exchange --with stick.redb",
        ],
        r#"choose "Maple Court" 3-07 arc A"#,
    ),
    (
        &["note maple valve-3 solenoid-ohms 34"],
        r#"history "Maple Court" valve-3 solenoid-ohms --as-known "2026-07-14 07:30""#,
    ),
    (
        &[],
        r#"enrol http://127.0.0.1:8080 4H7QX-2MK9R --device "Truck 2 tablet""#,
    ),
    (&[], "devices"),
    (
        &[
            r#"add company "Harrow and Sons""#,
            r#"add site "Birch Lane""#,
            r#"add harrow device-2 name "truck 2" device-id 01980000-0000-7000-8000-000000000001"#,
        ],
        r#"route "truck 2" --add "Maple Court" --add Birch"#,
    ),
    (
        &[
            "note maple 3-06 arc 90",
            "note maple 3-06 arc 120 --store stick.redb",
            "exchange --with stick.redb",
        ],
        "day",
    ),
    (&[], "day decide 1 A"),
    (&[], "day undo 1"),
    (
        &[],
        r#"day close --why "the school answers in the morning""#,
    ),
    (
        &[],
        r#"schedule "Maple Court" --on 2026-07-14 --why zone-3"#,
    ),
    (&[], "held-back"),
    (
        &[
            "note maple 3-01 east 0 north 0 facing 45",
            "note maple 3-02 east 12 north 0 facing 315",
            "note maple 3-03 east 12 north 12 facing 225",
        ],
        r#"coverage "Maple Court" zone-3 --svg zone-3.svg"#,
    ),
    (
        &[r#"note maple 3-07 kerb "chord=18 ft; offset=4 ft; lawn=inside""#],
        r#"kerb "Maple Court" 3-07 --dry 10"#,
    ),
    (
        &["add maple spot-1 moisture wet"],
        r#"why "Maple Court" spot-1"#,
    ),
    (
        &[
            "add maple supply static-pressure 60 mainline-size 1.25",
            "note maple zone-3 main-length 100 lateral-length 10 lateral-size 1 spacing 12",
        ],
        r#"pressure "Maple Court" zone-3"#,
    ),
    (
        &[],
        r#"price terms labour-rate $78 tax 7.25% tax-on parts quote-days 30"#,
    ),
    (
        &[],
        r#"price part "nozzle 12 ft half" $4.85 part-kind nozzle arc half"#,
    ),
    (
        &[r#"price part "diaphragm kit" $18.75 part-kind diaphragm"#],
        "price work valve-weeping 40min --charge $15",
    ),
    (&[], "price"),
    (
        &["finding maple valve-3 valve-weeping status to-quote"],
        r#"estimate draft "Maple Court""#,
    ),
    (
        &[],
        r#"estimate quote "Maple Court" valve-3-valve-weeping --days 30"#,
    ),
    (&[], r#"estimate show "Maple Court""#),
    (
        &[],
        r#"estimate answer "Maple Court" E1-1 yes --who "Mrs Lind" --how phone"#,
    ),
    (&[], r#"estimate schedule "Maple Court" E1-1 2026-07-21"#),
    (&[], r#"estimate withdraw "Maple Court" E1"#),
    (&[], "wear --years 2"),
    (&[], r#"page "Maple Court" zone-3 --out zone-3.html"#),
    (
        &[],
        r#"paper letter "Maple Court" --out letter.html --lang es --paper a4"#,
    ),
    (
        &[],
        r#"photo add "Maple Court" 3-02-head-tilted head.jpg --shows before"#,
    ),
    (&[], r#"photo list "Maple Court""#),
    (
        &[],
        r#"photo get "Maple Court" photo-6ec5fade --out head.jpg"#,
    ),
    (&[], "verify"),
    (&[], "rebuild"),
    (&[], "pack"),
    (&[], "mend --with stick.redb"),
];

/// Commands whose examples are run by tests of their own.
const ELSEWHERE: [&str; 4] = ["demo", "drop", "hub", "reckon"];

#[test]
fn every_example_of_every_command_runs() {
    let env = TestEnv::new();
    env.write(
        "days.csv",
        "date,tmin_c,tmax_c,rain_mm\n2026-07-12,16,29,0\n",
    );
    env.write("months.csv", "month,tmin_c,tmax_c,rain_mm\n7,16,29,90\n");
    env.write("zones.csv", "thing,area (sqft)\nzone-2,400\n");
    env.write("head.jpg", super::photo::CAMERA);
    let hub = TestHub::start(&env);
    let code = hub.first_code.clone().unwrap();
    for (before, example) in STORY {
        for line in *before {
            env.ok(line);
        }
        let line = example.replace("http://127.0.0.1:8080", &hub.url);
        env.ok(&line.replace("4H7QX-2MK9R", &code));
    }
    let run: BTreeSet<_> = STORY
        .iter()
        .map(|(_, example)| (*example).to_owned())
        .collect();
    assert_eq!(examples(&env), run);
}

/// Reads the examples out of the help of every command and of its steps.
fn examples(env: &TestEnv) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for command in commands(&env.ok("--help")) {
        if ELSEWHERE.contains(&command.as_str()) {
            continue;
        }
        let help = env.ok(&format!("{command} --help"));
        let steps = commands(&help);
        let own = example(&help).unwrap_or_else(|| panic!("{command} has no example"));
        // A command that has steps begins with the example of one of them.
        found.insert(own);
        for step in steps {
            let help = env.ok(&format!("{command} {step} --help"));
            found.insert(example(&help).unwrap_or_else(|| panic!("{command} {step} has none")));
        }
    }
    found
}

/// The names under `Commands:`.
fn commands(help: &str) -> Vec<String> {
    let listed = help.split("Commands:\n").nth(1).unwrap_or("");
    let listed = listed.lines().take_while(|line| !line.is_empty());
    let names = listed.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    names
        .filter_map(|line| Some(line.split_whitespace().next()?.to_owned()))
        .collect()
}

/// What stands behind `Example: headwalk`; it may go on in the next line.
fn example(help: &str) -> Option<String> {
    let after = help.split("Example: headwalk ").nth(1)?;
    let lines = after.lines().take_while(|line| !line.is_empty());
    Some(lines.collect::<Vec<_>>().join(" "))
}

#[test]
fn help_fits_a_hundred_columns() {
    let env = maple_court();
    for command in commands(&env.ok("--help")) {
        for line in env.ok(&format!("{command} --help")).lines() {
            assert!(line.chars().count() <= 100, "{command}: {line}");
        }
    }
}

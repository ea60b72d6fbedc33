//! `headwalk demo`: one invented season, played by the real command through real stores and a
//! real hub, and what is left of it to look at.

use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

use expect_test::expect_file;
use headwalk_core::log::codec;
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::log::{id::StoreId, seal::DeviceKey};
use headwalk_core::store::{Clocks, NewStore, Store};
use headwalk_tests::{TestEnv, words};
use serde_json::Value;

/// The season, played once for all tests here, and kept.
struct Season {
    env: TestEnv,
    told: String,
    // A store is open in one program at a time, and tests run beside each other.
    turn: Mutex<()>,
}

fn season() -> &'static Season {
    static SEASON: OnceLock<Season> = OnceLock::new();
    SEASON.get_or_init(|| {
        let mut env = TestEnv::new();
        env.set_now("2026-07-14T17:30:00-05:00");
        let told = env.ok("demo --folder season");
        let turn = Mutex::new(());
        Season { env, told, turn }
    })
}

impl Season {
    /// Runs a command on one of the season's stores.
    fn ok(&self, store: &str, line: &str) -> String {
        let _turn = self.turn();
        self.env.ok(&format!("{line} --store season/{store}"))
    }

    fn turn(&self) -> MutexGuard<'_, ()> {
        self.turn.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Copies one of the season's stores.
    fn copy(&self, store: &str, to: &str) -> PathBuf {
        let (_turn, to) = (self.turn(), self.env.path(to));
        let from = self.env.path(&format!("season/{store}"));
        fs::copy(from, &to).expect("the folder takes a copy");
        to
    }

    /// Returns the part of the day's end under a heading.
    fn part(&self, heading: &str) -> &str {
        let (_, part) = self.told.split_once(heading).expect("it has this part");
        part.split_once("\n\n").map_or(part, |(part, _)| part)
    }
}

#[test]
fn the_whole_day_end_is_the_same_in_every_run() {
    expect_file!["../../fixtures/demo/day-end.txt"].assert_eq(&season().told);
}

#[test]
fn every_line_fits_the_page() {
    for line in season().told.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn both_crews_have_reported_and_nothing_is_left_on_their_phones() {
    let reported = season().part("WHO HAS REPORTED");
    assert!(
        reported.contains("crew 1's phone  Rosa, Teo  25 in 1 round trip"),
        "{reported}"
    );
    assert!(
        reported.contains("crew 2's phone  Dana, Wes  16 in 1 round trip"),
        "{reported}"
    );
    assert!(reported.contains("3 h 12 min behind: 25"), "{reported}");
    assert_eq!(reported.matches("nothing").count(), 2, "{reported}");
}

#[test]
fn one_head_stands_in_two_versions_and_a_wrong_clock_does_not_decide() {
    let versions = season().part("TWO VERSIONS TO CHOOSE FROM");
    let rosa = "A  12 ft half          Rosa  2026-07-14 09:55";
    let dana = "B  12 ft quarter, new  Dana  2026-07-14 08:12";
    assert!(
        versions.contains(rosa) && versions.contains(dana),
        "{versions}"
    );
    // By her phone she wrote before Dana.
    let history = season().ok("desk.redb", r#"history "Tannery Row" 3-04 nozzle"#);
    assert!(history.contains("clock said 2026-07-14T06:43"), "{history}");
}

#[test]
fn the_site_of_twelve_zones_gets_a_schedule_beside_what_was_found_with_its_reasons() {
    let told = &season().told;
    let (_, schedule) = told
        .split_once("$ headwalk schedule \"Tannery Row\"\n")
        .unwrap();
    let (schedule, reasons) = schedule.split_once("$ headwalk schedule").unwrap();
    for zone in 1..=12 {
        // Once in the plan, once beside what was found.
        let name = format!("\nzone-{zone} ");
        assert!(
            schedule.matches(&name).count() >= 2,
            "zone-{zone}\n{schedule}"
        );
    }
    let beside = schedule
        .lines()
        .find(|line| line.starts_with("zone-1  "))
        .unwrap();
    let cells: Vec<_> = beside.split_whitespace().collect();
    let (found, planned) = (cells[2], cells[cells.len() - 1]);
    assert_eq!((found, planned), ("36", "91"), "{beside}");
    assert!(!schedule.contains("Not known"), "{schedule}");
    for reason in [
        "24 catch cans, 6 min.",
        "Roots by a soil probe.",
        "the programs that Rosa found",
    ] {
        assert!(reasons.contains(reason), "{reason}\n{reasons}");
    }
}

#[test]
fn the_weeping_valve_and_its_neighbours_are_told_in_order() {
    let story = season().part("A VALVE THAT WEPT: valve-6 at Tannery Row, installed 2007");
    let told = [
        "2026-05-19 10:20  Rosa  valve-6  seen to weep: suspected",
        "2026-06-09 09:50  Rosa  zone-6   0.053 gpm; volume: 250 mL; time: 75 s",
        "2026-06-11 10:30  Ines  valve-6  approved",
        "2026-06-16 09:20  Wes   valve-6  fixed",
        "2026-06-30 14:05  Rosa  valve-7  valve weeping",
        "2026-07-07 09:30  Dana  valve-5  valve stuck open",
        "2026-07-14 08:00  Wes   valve-8  valve weeping",
        "comes to 76 gallons a day",
    ];
    let mut rest = story;
    for line in told {
        let (_, after) = rest
            .split_once(line)
            .unwrap_or_else(|| panic!("{line}\n{story}"));
        rest = after;
    }
}

#[test]
fn the_state_as_of_a_day_is_that_of_a_store_which_got_nothing_later() {
    let season = season();
    for (day, until) in [
        ("2026-04-14", "2026-04-14T23:59:59.999-05:00"),
        ("2026-06-09", "2026-06-09T23:59:59.999-05:00"),
        ("2026-07-13", "2026-07-13T23:59:59.999-05:00"),
    ] {
        let until = chrono::DateTime::parse_from_rfc3339(until).unwrap();
        let until = WallMs::new(until.timestamp_millis().try_into().unwrap());
        let only = format!("only-{day}.redb");
        let counted = copied_up_to(season, &only, Stamp::end_of(until));
        assert!(counted > 250, "{day}: {counted}");
        let then = season.ok("desk.redb", &format!("state --json --as-of {day}"));
        let only = season.env.ok(&format!("state --json --store {only}"));
        assert!(then == only, "{day}: the two states differ");
        assert!(then != season.ok("desk.redb", "state --json"), "{day}");
    }
}

/// Begins a store that gets the desk's entries up to a stamp and no others; counts them.
fn copied_up_to(season: &Season, name: &str, until: Stamp) -> usize {
    let new = NewStore {
        id: StoreId::from_bytes([7; 16]),
        key: DeviceKey::from_bytes([7; 32]),
    };
    let desk = season.copy("desk.redb", &format!("read-for-{name}"));
    let (desk, only) = (
        Store::open(&desk).expect("a copy opens"),
        Store::create(&season.env.path(name), new).expect("the folder takes a store"),
    );
    let mut counted = 0;
    for book in desk.logbooks().expect("it can be read") {
        let kept = desk.entries(book).expect("it can be read").into_iter();
        let kept = kept.filter(|kept| kept.stamp <= until);
        let raw: Vec<_> = kept
            .map(|kept| codec::encode(&kept.entry).expect("it was read"))
            .collect();
        counted += raw.len();
        only.append(&raw, until.wall(), Clocks::TakenAsTold)
            .expect("each entry follows those that its writer had seen");
    }
    counted
}

#[test]
fn the_desk_and_both_phones_print_the_same_state_byte_for_byte() {
    let [desk, one, other] =
        ["desk.redb", "crew-1.redb", "crew-2.redb"].map(|store| season().ok(store, "state --json"));
    assert!(desk == one && one == other, "the states differ");
    assert!(desk.len() > 100_000, "{} bytes", desk.len());
}

#[test]
fn every_store_verifies() {
    for store in ["desk.redb", "crew-1.redb", "crew-2.redb", "hub/log.redb"] {
        let told = season().ok(store, "verify");
        assert!(told.contains("all as written"), "{store}: {told}");
    }
    let checked = season().part("CHECKED");
    assert!(checked.contains("The chains hold in 4 stores"), "{checked}");
}

#[test]
fn the_commands_at_the_end_work_as_they_stand() {
    let season = season();
    // One of them chooses between two versions, so they run on a copy.
    fs::create_dir(season.env.path("copy")).unwrap();
    season.copy("desk.redb", "copy/desk.redb");
    season.copy("crew-1.redb", "copy/crew-1.redb");
    let (_, lines) = season.told.split_once("LOOK FURTHER\n").unwrap();
    let mut variables = Vec::new();
    let mut ran = 0;
    for line in lines.lines().map(str::trim) {
        if let Some(set) = line.strip_prefix("export ") {
            for set in words(set) {
                let (name, value) = set.split_once('=').unwrap();
                let value = value.replace("season/", "copy/");
                variables.push((name.to_owned(), value));
            }
            continue;
        }
        let line = line
            .strip_prefix("headwalk ")
            .unwrap_or_else(|| panic!("{line}"));
        let line = line.replace("season/", "copy/");
        let mut command: Command = season.env.command(&line);
        let output = command.envs(variables.clone()).output().unwrap();
        let output = season.env.ran(&output);
        assert_eq!(output.code, Some(0), "headwalk {line}\n{output}");
        assert!(
            !output.stdout.trim().is_empty(),
            "headwalk {line} prints nothing"
        );
        ran += 1;
    }
    assert!((5..=12).contains(&ran), "{ran} commands");
}

#[test]
fn with_json_it_is_one_document_that_says_the_same() {
    let season = season();
    let told: Value = serde_json::from_str(&season.env.ok("demo --json")).unwrap();
    assert_eq!(told["checked"]["entries"], 380);
    assert_eq!(told["devices"][0]["clock_ahead_min"], -192);
    assert_eq!(told["devices"][1]["not_yet_at_the_office"], 0);
    let versions = &told["versions"]["result"]["fields"];
    let shown: Vec<_> = versions
        .as_array()
        .unwrap()
        .iter()
        .map(|open| &open["field"])
        .collect();
    assert_eq!(shown, ["arc", "flow", "nozzle"]);
    assert_eq!(told["story"]["valve"], "valve-6");
    assert_eq!(told["water_now"][0]["severity"], "urgent");
}

#[test]
fn nothing_is_left_behind_unless_it_is_asked_for() {
    let env = TestEnv::new();
    fs::create_dir(env.path("scratch")).unwrap();
    let left = || -> Vec<PathBuf> {
        let files = fs::read_dir(env.path("scratch")).unwrap();
        files.map(|file| file.unwrap().path()).collect()
    };
    let run = |line: &str| {
        let mut command = env.command(line);
        let output = command.env("TMPDIR", env.path("scratch")).output().unwrap();
        let ran = env.ran(&output);
        assert_eq!(ran.code, Some(0), "{ran}");
        ran.stdout
    };
    let told = run("demo");
    assert_eq!(left(), Vec::<PathBuf>::new());
    assert!(
        told.contains("\n  headwalk demo --folder harrowick\n"),
        "{told}"
    );
    let told = run("demo --keep");
    let [kept] = &left()[..] else {
        panic!("one folder is kept: {:?}", left())
    };
    let name = kept.file_name().unwrap().to_string_lossy().into_owned();
    assert!(told.contains(&format!("{name}/desk.redb")), "{told}");
}

#[test]
fn a_folder_with_files_in_it_is_never_written_to() {
    let env = TestEnv::new();
    fs::create_dir(env.path("mine")).unwrap();
    env.write("mine/notes.txt", "keep me");
    let ran = env.run("demo --folder mine");
    assert_eq!(ran.code, Some(2), "{ran}");
    assert!(
        ran.stderr.contains("there are files in mine already"),
        "{ran}"
    );
    assert_eq!(fs::read_dir(env.path("mine")).unwrap().count(), 1);
}

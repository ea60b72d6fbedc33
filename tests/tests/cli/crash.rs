//! Power cuts: whatever a command or the hub had acknowledged is there afterwards.

use std::process::{Child, Stdio};
use std::time::Duration;

use headwalk_tests::{TestEnv, TestHub};

use super::maple_court;

/// Starts a line and kills it (SIGKILL) after so long; returns what it had printed by then.
fn killed_after(env: &TestEnv, line: &str, after: Duration) -> String {
    let mut command = env.command(line);
    let child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
    let mut child: Child = child.expect("the command was built");
    std::thread::sleep(after);
    // It may have ended already; then there is nothing to kill.
    let _gone = child.kill();
    let output = child.wait_with_output().expect("a child can be waited for");
    String::from_utf8(output.stdout).expect("it prints text")
}

/// How long a line takes here when nobody kills it.
fn usual_time(env: &TestEnv, line: &str) -> Duration {
    let began = std::time::Instant::now();
    env.ok(line);
    began.elapsed()
}

#[test]
fn every_note_that_was_acknowledged_is_there_after_the_command_was_killed() {
    let deep = std::env::var_os("HEADWALK_DEEP").is_some();
    let notes: u32 = if deep { 300 } else { 100 };
    let env = maple_court();
    let mut usual = usual_time(&env, r#"note maple 3-01 note "to see how long it takes""#);
    let mut acknowledged = Vec::new();
    for nth in 0..notes {
        let words = format!("note number {nth:03}");
        // Around the moment at which it ends, wherever that moves to while others use the machine.
        let after = usual * (60 + nth * 7 % 80) / 100;
        let told = killed_after(&env, &format!(r#"note maple 3-02 note "{words}""#), after);
        if told.is_empty() {
            usual = usual * 11 / 10;
        } else {
            assert_eq!(told, format!("head-3-02 at Maple Court: note {words}.\n"));
            acknowledged.push(words);
            usual = usual * 10 / 11;
        }
    }
    let there = env.ok("history maple 3-02 note");
    for words in &acknowledged {
        assert!(
            there.contains(words),
            "{words} was acknowledged and is gone"
        );
    }
    let cut_short = notes as usize - acknowledged.len();
    assert!(
        acknowledged.len() > 20 && cut_short > 20,
        "{cut_short} were cut short"
    );
    env.ok("verify");
}

#[test]
fn an_import_that_was_killed_is_there_whole_or_not_at_all() {
    let mut table = "thing,head-kind,arc\n".to_owned();
    for nth in 10..210 {
        table.push_str(&format!("3-{nth},spray,half\n"));
    }
    let prepared = || {
        let env = maple_court();
        env.write("heads.csv", &table);
        env
    };
    let usual = usual_time(&prepared(), "import heads.csv --site maple");
    let (mut whole, mut none) = (0, 0);
    // Later and later, until some were cut short and some were not.
    for nth in 1..100 {
        let env = prepared();
        let told = killed_after(&env, "import heads.csv --site maple", usual * nth / 8);
        match env.ok("export heads --site maple").lines().count() - 1 {
            203 => whole += 1,
            3 => {
                none += 1;
                assert_eq!(told, "");
            }
            part => panic!("{part} heads are there"),
        }
        env.ok("verify");
        if whole >= 3 && none >= 3 {
            return;
        }
    }
    panic!("{whole} were whole, {none} not there");
}

#[test]
fn nothing_acknowledged_is_lost_when_the_hub_is_killed_between_and_during_exchanges() {
    let env = maple_court();
    let mut hub = TestHub::start(&env);
    let first = hub.first_code.clone().unwrap();
    env.ok(&format!("enrol {} {first} --device Office", hub.url));
    let code = env.ok("enrol --for Ben");
    let code = code.lines().next().unwrap();
    env.ok("init --person Ben --store ben.redb");
    env.ok(&format!("enrol {} {code} --store ben.redb", hub.url));
    env.ok("exchange");
    env.ok("exchange --store ben.redb");
    let usual = usual_time(&env, "exchange");
    let (mut cut, mut done, mut rounds) = (0, 0, 0);
    // Later and later, until some calls were cut short and some were not.
    while cut < 4 || done < 4 {
        let nth = rounds;
        rounds += 1;
        assert!(rounds < 100, "{cut} were cut, {done} done");
        env.ok(&format!("note maple 3-01 note ana-{nth:02}"));
        env.ok(&format!(
            "note maple 3-02 note ben-{nth:02} --store ben.redb"
        ));
        let mut calls: Vec<Child> = ["exchange", "exchange --store ben.redb"]
            .map(|line| {
                let mut command = env.command(line);
                command.stdout(Stdio::null()).stderr(Stdio::null());
                command.spawn().unwrap()
            })
            .into();
        std::thread::sleep(usual * nth / 8);
        hub.kill_and_restart(&env);
        for call in &mut calls {
            match call.wait().unwrap().success() {
                true => done += 1,
                false => cut += 1,
            }
        }
    }
    for store in ["headwalk.redb", "ben.redb", "headwalk.redb"] {
        env.ok(&format!("exchange --store {store}"));
    }
    let state = env.ok("state --json");
    assert_eq!(state, env.ok("state --json --store ben.redb"));
    for nth in 0..rounds {
        assert!(
            state.contains(&format!("ana-{nth:02}")),
            "ana-{nth:02} is gone"
        );
        assert!(
            state.contains(&format!("ben-{nth:02}")),
            "ben-{nth:02} is gone"
        );
    }
    env.ok("verify");
    env.ok("verify --store ben.redb");
    hub.kill();
    env.ok("verify --store hub/log.redb");
}

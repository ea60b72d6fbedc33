//! The log behind hubs: one contract over its three kinds, and fleets of hubs beside them.
//!
//! Where the engine cannot be had, what needs it is listed as ignored and named as skipped; it never
//! counts as passed. `tests/engine.sh` brings the engine.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

mod answers;
mod contract;
mod engine;
mod ground;
mod hubs;
mod kills;
mod model;
mod moves;

use libtest_mimic::{Arguments, Failed, Trial};

fn main() {
    let mut asked = Arguments::from_args();
    // Each brings its own threads and processes; two at once would measure each other.
    asked.test_threads.get_or_insert(1);
    let with_engine = headwalk_tests::engine().is_some();
    if !with_engine && !asked.list {
        println!("no engine is here (tests/engine.sh brings it): what needs it is skipped");
    }
    let mut trials = Vec::new();
    for kind in ground::Kind::ALL {
        for (name, check) in contract::ALL {
            let runs = with_engine || !kind.needs_engine();
            let skipped = if runs { "" } else { " (skipped: no engine)" };
            let name = format!("contract::{}::{name}{skipped}", kind.word());
            let trial = Trial::test(name, move || {
                check(&kind.ground());
                Ok::<(), Failed>(())
            });
            trials.push(trial.with_ignored_flag(!runs));
        }
    }
    let models: [(&str, fn()); 2] = [
        (
            "model::each_entry_is_there_once_and_all_hold_the_same",
            model::whatever_races_each_entry_is_there_once_and_all_hold_the_same,
        ),
        (
            "model::without_the_promise_of_the_log_the_same_fails",
            model::without_the_promise_of_the_log_the_same_fails,
        ),
    ];
    for (name, check) in models {
        trials.push(Trial::test(name, move || {
            check();
            Ok::<(), Failed>(())
        }));
    }
    let with_all: [(&str, fn()); 5] = [
        (
            "engine::one_that_acknowledges_before_its_disk_has_it_is_refused",
            engine::one_that_acknowledges_before_its_disk_has_it_is_refused,
        ),
        (
            "engine::a_hub_shows_who_it_is_and_knows_who_answers",
            engine::a_hub_shows_who_it_is_and_knows_who_answers,
        ),
        (
            "answers::a_hub_killed_at_any_moment_answers_with_the_same_bytes",
            answers::a_hub_killed_at_any_moment_answers_with_the_same_bytes,
        ),
        (
            "moves::a_log_moves_there_and_back_by_the_command",
            moves::a_log_moves_there_and_back_by_the_command_and_devices_notice_nothing,
        ),
        (
            "kills::nothing_acknowledged_is_lost_or_there_twice",
            kills::nothing_acknowledged_is_lost_or_there_twice_whatever_is_killed,
        ),
    ];
    for (name, check) in with_all {
        let skipped = if with_engine {
            ""
        } else {
            " (skipped: no engine)"
        };
        let trial = Trial::test(format!("{name}{skipped}"), move || {
            check();
            Ok::<(), Failed>(())
        });
        trials.push(trial.with_ignored_flag(!with_engine));
    }
    let conclusion = libtest_mimic::run(&asked, trials);
    ground::end(); // before the process goes, or its nodes would stay
    conclusion.exit();
}

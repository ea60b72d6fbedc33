//! The command and the office's hub.

use expect_test::expect;

use super::{check, maple_court};

#[test]
fn a_store_without_a_hub_says_how_to_join_one() {
    let env = maple_court();
    check(
        &env,
        "exchange",
        &expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "devices",
        &expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "enrol",
        &expect![[r#"
        ! Error: the following required arguments were not provided: <URL>.
        ! Hint: usage: headwalk enrol <URL> [CODE]; --help says more.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "enrol hub.example.net 4H7QX-2MK9R",
        &expect![[r#"
        ! Error: `hub.example.net` is not the address of a hub.
        ! Hint: write it like https://hub.example.net or http://127.0.0.1:8080.
        [exit 2]
    "#]],
    );
}

#[test]
fn a_hub_that_is_not_there_is_said_to_be_away() {
    let env = maple_court();
    // Port 1 is reserved and nothing of ours listens there.
    check(
        &env,
        "enrol http://127.0.0.1:1 4H7QX-2MK9R",
        &expect![[r#"
        ! Error: the hub at http://127.0.0.1:1 does not answer: nothing listens there.
        ! Hint: nothing is lost: what is not there yet goes with the next exchange.
        [exit 1]
    "#]],
    );
}

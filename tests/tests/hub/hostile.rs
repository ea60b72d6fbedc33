//! Callers that guess, stall, shout and repeat: each is refused with a line in the hub's log, and
//! the others are served meanwhile.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::thread;
use std::time::{Duration, Instant};

use super::*;

/// Looks for a line of the log that says all of this.
#[track_caller]
fn logged(hub: &Hub, what: &[&str]) {
    let says = |line: &str| what.iter().all(|part| line.contains(part));
    logs(hub, &format!("a line with {what:?}"), |log| {
        log.lines().any(says)
    });
}

/// Sees to it that the hub's log comes to say something: it writes its line after it has hung up.
fn logs(hub: &Hub, what: &str, says: impl Fn(&str) -> bool) {
    let until = Instant::now() + Duration::from_secs(20);
    while !says(&hub.log()) {
        assert!(Instant::now() < until, "no {what}: {}", hub.log());
        thread::sleep(Duration::from_millis(20));
    }
}

fn status(hub: &Hub, path: &str, token: &str, body: &[u8]) -> u16 {
    let request = hub
        .agent
        .post(format!("{}{path}", hub.address))
        .header("authorization", format!("Bearer {token}"));
    request.send(body).unwrap().status().as_u16()
}

/// Everything that one crew's store holds, as a parcel.
fn parcel(store: &Store) -> Vec<u8> {
    let (_, parcel) = Caller::begin(store, None, NOW).unwrap();
    parcel.to_bytes()
}

fn address(hub: &Hub) -> &str {
    hub.address.trim_start_matches("http://")
}

#[test]
fn whoever_is_refused_is_named_in_the_log_and_the_hub_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let hub = Hub::start(&folder.path().join("hub"));
    let mut tablets = super::killed::tablets(folder.path(), &hub, 3);
    let goes_on = |tablet: &super::killed::Tablet| {
        tablet.record();
        let summary = hub.exchange(&tablet.store, tablet.hub, &tablet.token);
        assert!(summary.unwrap().equal);
    };
    goes_on(&tablets[1]);

    // A token that is none, and one that is another hub's.
    assert_eq!(status(&hub, "/exchange", &"5".repeat(64), b""), 401);
    logged(&hub, &["/exchange", "unknown-token"]);
    let other = folder.path().join("other");
    std::fs::create_dir(&other).unwrap();
    let other_hub = Hub::start(&other.join("hub"));
    let stranger = super::killed::tablets(&other, &other_hub, 1).remove(0);
    assert_eq!(
        status(&hub, "/exchange", &stranger.token, &parcel(&stranger.store)),
        401
    );
    goes_on(&tablets[1]);

    // A parcel of another device under a token that is good.
    let borrowed = status(
        &hub,
        "/exchange",
        &tablets[1].token,
        &parcel(&tablets[2].store),
    );
    assert_eq!(borrowed, 403);
    logged(
        &hub,
        &["other-device", &tablets[1].store.device().to_string()],
    );

    // The same request twice: nothing is there twice.
    let same = parcel(&tablets[1].store);
    assert_eq!(status(&hub, "/exchange", &tablets[1].token, &same), 200);
    assert_eq!(status(&hub, "/exchange", &tablets[1].token, &same), 200);
    goes_on(&tablets[1]);

    // Access that was taken back.
    let body = json!({"device": tablets[2].store.device().to_string()});
    hub.post_json("/revoke", Some(&tablets[0].token), &body);
    let revoked = tablets.remove(2);
    assert_eq!(
        status(&hub, "/exchange", &revoked.token, &parcel(&revoked.store)),
        401
    );
    logged(&hub, &["/exchange", "\"revoked\""]);

    // Too much, and nothing that makes sense.
    let token = &tablets[1].token;
    assert_eq!(
        status(&hub, "/exchange", token, &vec![1; 1024 * 1024 + 1]),
        413
    );
    logged(&hub, &["too-large"]);
    assert_eq!(
        status(&hub, "/exchange", token, b"\x01\xff\xff\xff\xff\xff"),
        400
    );
    logged(&hub, &["garbled"]);
    let mut stream = TcpStream::connect(address(&hub)).unwrap();
    stream
        .write_all(b"\x16\x03\x01\x02\x00garbage\r\n\r\n")
        .unwrap();
    let mut said = Vec::new();
    stream.read_to_end(&mut said).unwrap();
    logged(&hub, &["connection-refused", "is not HTTP"]);
    goes_on(&tablets[1]);

    // No secret is in the log.
    let log = hub.log();
    for secret in [token, &revoked.token, &stranger.token] {
        assert!(!log.contains(secret.as_str()));
    }
    let folder = folder.path().join("hub");
    hub.kill();
    let mut log = Store::open(&folder.join(LOG_FILE)).unwrap();
    assert_eq!(log.verify().unwrap().faults, []);
}

#[test]
fn ten_thousand_guesses_find_no_token() {
    let folder = tempfile::tempdir().unwrap();
    let hub = Hub::start(&folder.path().join("hub"));
    let tablet = super::killed::tablets(folder.path(), &hub, 1).remove(0);
    // First all that differ from a good one in a single digit, then such as come.
    let near = (0..64).flat_map(|at| {
        "0123456789abcdef".chars().filter_map({
            let token = tablet.token.clone();
            move |digit| {
                let mut guess: Vec<char> = token.chars().collect();
                let before = std::mem::replace(&mut guess[at], digit);
                (before != digit).then(|| guess.iter().collect::<String>())
            }
        })
    });
    let far = (0_u64..).map(|n| {
        let word = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        format!(
            "{word:016x}{:016x}{:016x}{n:016x}",
            word.rotate_left(17),
            !word
        )
    });
    let guesses: Vec<_> = near.chain(far).take(10_000).collect();
    let hits: usize = thread::scope(|scope| {
        let guess = |part| {
            let hub = &hub;
            scope.spawn(move || {
                let part: &[String] = part;
                part.iter()
                    .filter(|guess| status(hub, "/holds", guess, b"{}") != 401)
                    .count()
            })
        };
        let all: Vec<_> = guesses.chunks(2_500).map(guess).collect();
        all.into_iter().map(|one| one.join().unwrap()).sum()
    });
    assert_eq!(hits, 0);
    assert_eq!(
        status(&hub, "/holds", &tablet.token, b"{}"),
        400,
        "the good one gets further"
    );
}

#[test]
fn five_hundred_sockets_that_never_end_their_headers_hold_nobody_up() {
    const SLOW: usize = 500;
    let deep = std::env::var_os("HEADWALK_DEEP").is_some();
    let (clients, rounds) = if deep { (20, 50) } else { (20, 5) };
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    let hub = Hub::start(&data);
    let tablets = super::killed::tablets(folder.path(), &hub, clients);
    let mut slow: Vec<_> = (0..SLOW)
        .map(|_| TcpStream::connect(address(&hub)).unwrap())
        .collect();
    for stream in &mut slow {
        stream
            .write_all(b"POST /exchange HTTP/1.1\r\nhost: h")
            .unwrap();
    }
    thread::scope(|scope| {
        for tablet in &tablets {
            let hub = &hub;
            scope.spawn(move || {
                for _ in 0..rounds {
                    tablet.record();
                    // Others record meanwhile, so that it may take another call to be equal.
                    hub.exchange(&tablet.store, tablet.hub, &tablet.token)
                        .unwrap();
                }
            });
        }
    });
    for stream in &mut slow {
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        let mut said = Vec::new();
        stream.read_to_end(&mut said).unwrap(); // the hub has closed it
    }
    logs(&hub, "line for each slow socket", |log| {
        let late = "no whole head of a request came within 10 s";
        log.matches(late).count() == SLOW
    });
    for tablet in tablets.iter().chain(&tablets) {
        let exchanged = hub.exchange(&tablet.store, tablet.hub, &tablet.token);
        assert!(exchanged.unwrap().equal);
    }
    hub.kill();
}

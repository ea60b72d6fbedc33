//! A hub whose disk fills: nothing more is acknowledged, it ends with a line that says why, and
//! after a start with room everything acknowledged is there.

#![cfg(target_os = "linux")]

use super::*;
use headwalk_core::log::id::ChainId;

#[test]
fn a_hub_whose_disk_is_full_ends_and_keeps_what_it_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    let hub = Hub::start(&data);
    let tablets = super::killed::tablets(folder.path(), &hub, 2);
    let tablet = &tablets[1];
    hub.kill();
    let size = std::fs::metadata(data.join(LOG_FILE)).unwrap().len() / 1024;
    let mut full = Command::new("bash");
    let script = format!("trap '' XFSZ; ulimit -f {}; exec \"$0\" \"$@\"", size + 512);
    full.args(["-c", &script])
        .arg(binary("headwalk-server"))
        .arg("--folder")
        .arg(&data)
        .env("HEADWALK_NOW", "2026-07-14T12:00:00Z")
        .stdin(Stdio::null());
    let hub = Hub::started(&mut full);
    let mut acknowledged = 0;
    let refused = loop {
        assert!(acknowledged < 100_000, "the disk never filled");
        for _ in 0..200 {
            tablet.record();
        }
        match exchanged(&hub, tablet) {
            Ok(summary) => assert!(summary.equal),
            Err(status) => break status,
        }
        acknowledged = tablet.written();
    };
    assert_eq!(refused, 500);
    assert!(acknowledged > 0);
    assert_eq!(hub.ended(), Some(1));
    let log = hub.log();
    let says = |what: &str| log.lines().any(|line| line.contains(what));
    assert!(says("hub-failed") && says("File too large"), "{log}");
    assert!(
        log.trim_end().ends_with("what was acknowledged is there."),
        "{log}"
    );

    let mut kept = Store::open(&data.join(LOG_FILE)).unwrap();
    assert_eq!(kept.verify().unwrap().faults, []);
    let device = tablet.store.device();
    let last = kept
        .vector(super::killed::LOGBOOK)
        .unwrap()
        .last(ChainId::of(device));
    assert!(
        last.unwrap().get() >= acknowledged,
        "{last:?} of {acknowledged}"
    );
    drop(kept);
    let hub = Hub::start(&data);
    assert!(
        hub.exchange(&tablet.store, tablet.hub, &tablet.token)
            .unwrap()
            .equal
    );
}

/// Exchanges; an error is the status of the first answer that is none.
fn exchanged(hub: &Hub, tablet: &super::killed::Tablet) -> Result<Summary, u16> {
    let begun = Caller::begin(&tablet.store, Some(tablet.hub), NOW).unwrap();
    let (mut caller, mut parcel) = begun;
    loop {
        let request = hub
            .agent
            .post(format!("{}/exchange", hub.address))
            .header("authorization", format!("Bearer {}", tablet.token));
        let mut answer = request.send(&parcel.to_bytes()).unwrap();
        if answer.status() != 200 {
            return Err(answer.status().as_u16());
        }
        let answer = Parcel::from_bytes(&answer.body_mut().read_to_vec().unwrap()).unwrap();
        match caller.receive(&tablet.store, &answer, NOW).unwrap() {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return Ok(summary),
        }
    }
}

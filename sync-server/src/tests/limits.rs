//! Slow, hasty and broken clients.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};

use headwalk_core::log::id::{ChainId, Seq};

use super::*;

fn head(device: &Device, length: usize) -> String {
    format!(
        "POST /exchange HTTP/1.1\r\nhost: hub\r\nauthorization: Bearer {}\r\n\
         content-length: {length}\r\nconnection: close\r\n\r\n",
        device.token
    )
}

fn connect(hub: &Running) -> TcpStream {
    let stream = TcpStream::connect(hub.address).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    stream
}

fn rest(mut stream: TcpStream) -> String {
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).unwrap();
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn a_device_in_haste_is_told_how_long_to_wait_and_the_others_are_not() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    for _ in 0..100 {
        assert_eq!(hub.carry(&crew.token, b"").status, 400);
    }
    let answer = hub.carry(&crew.token, &hub.parcel(&crew));
    answer.refuses(429, "too-fast");
    assert_eq!(answer.retry_after.as_deref(), Some("1"));
    hub.exchange(&office);
    hub.pass(Duration::from_secs(1));
    hub.exchange(&crew);
}

#[test]
fn sockets_that_never_end_their_headers_are_closed_and_others_are_served_meanwhile() {
    let hub = Running::within(Limits {
        header_time: Duration::from_secs(2),
        ..Limits::USUAL
    });
    let office = hub.dispatcher();
    let mut slow: Vec<_> = (0..200).map(|_| connect(&hub)).collect();
    for stream in &mut slow {
        stream
            .write_all(b"POST /exchange HTTP/1.1\r\nhost:")
            .unwrap();
    }
    for step in 0..20 {
        write(&office, step, "meanwhile", hub.now());
        assert!(hub.exchange(&office).equal);
    }
    for stream in slow {
        let said = rest(stream);
        assert!(
            said.is_empty() || said.starts_with("HTTP/1.1 408"),
            "{said}"
        );
    }
}

#[test]
fn a_body_that_never_ends_is_told_so_in_time() {
    let hub = Running::within(Limits {
        request_time: Duration::from_millis(300),
        ..Limits::USUAL
    });
    let office = hub.dispatcher();
    let mut stream = connect(&hub);
    let unfinished = format!("{}half", head(&office, 1_000));
    stream.write_all(unfinished.as_bytes()).unwrap();
    let said = rest(stream);
    assert!(said.starts_with("HTTP/1.1 408"), "{said}");
    assert!(said.contains("too-slow"), "{said}");
}

#[test]
fn a_request_cut_at_any_byte_is_taken_whole_or_not_at_all() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    for step in 0..4 {
        write(&office, step, "cut", hub.now());
    }
    let parcel = hub.parcel(&office);
    let mut request = head(&office, parcel.len()).into_bytes();
    request.extend_from_slice(&parcel);
    let held = |what: &str| {
        let reader = store(9);
        let code = hub.code(&office.token, "auditor");
        let token = hub.enrol(&code, reader.device()).text("token");
        let reader = Device {
            store: reader,
            token,
        };
        hub.exchange(&reader);
        // The parcel is old by now, so the hub gave its entries receipts: those are its own.
        let vector = reader.store.vector(LOGBOOK).unwrap();
        let held = vector
            .last(ChainId::of(office.store.device()))
            .map_or(0, Seq::get);
        let body = json!({"device": reader.store.device().to_string()});
        assert_eq!(
            hub.post("/revoke", Some(&office.token), body).status,
            200,
            "{what}"
        );
        held
    };
    for cut in 0..request.len() {
        let mut stream = connect(&hub);
        stream.write_all(&request[..cut]).unwrap();
        stream.shutdown(Shutdown::Write).unwrap();
        let said = rest(stream); // the hub has done with it
        assert!(!said.starts_with("HTTP/1.1 200"), "at {cut}: {said}");
        hub.pass(Duration::from_secs(1));
    }
    assert_eq!(held("after the cuts"), 0);
    for _ in 0..2 {
        let mut stream = connect(&hub);
        stream.write_all(&request).unwrap();
        assert!(rest(stream).starts_with("HTTP/1.1 200"));
        assert_eq!(held("after the whole"), 4);
    }
}

#[test]
fn a_request_that_is_under_way_is_answered_though_the_hub_ends() {
    let mut hub = Running::begin();
    let office = hub.dispatcher();
    write(&office, 1, "late", hub.now());
    let parcel = hub.parcel(&office);
    let mut stream = connect(&hub);
    // `100 Continue` says that the hub has read the head and waits for the body.
    let head = head(&office, parcel.len()).replace("host:", "expect: 100-continue\r\nhost:");
    stream.write_all(head.as_bytes()).unwrap();
    let mut go_on = [0; 25];
    stream.read_exact(&mut go_on).unwrap();
    assert_eq!(&go_on, b"HTTP/1.1 100 Continue\r\n\r\n");
    drop(hub.end.take());
    stream.write_all(&parcel).unwrap();
    let said = rest(stream);
    assert!(said.starts_with("HTTP/1.1 200"), "{said}");
    let (folder, clock) = hub.end();
    let hub = Hub::open(folder.path(), Edge::told(clock)).unwrap();
    assert_eq!(hub.log().entries(LOGBOOK).unwrap().len(), 1);
}

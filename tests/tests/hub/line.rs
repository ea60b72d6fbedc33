//! A line that is slow and is cut in the middle: the exchange goes on where it was, and what the
//! hub acknowledged is not sent again. Every byte is counted.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::Duration;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{ChainId, FieldNumber, LogbookId, ThingId};
use headwalk_core::log::value::{HowKnown, Value};

use super::*;

const LOGBOOK: LogbookId = LogbookId::from_bytes([5; 16]);

/// A line to a hub: passes bytes on, a piece at a time, counts them, and can be cut.
struct Line {
    address: String,
    counts: Arc<Counts>,
}

#[derive(Default)]
struct Counts {
    /// Bytes that went towards the hub.
    up: AtomicU64,
    /// How many of those had gone when the hub last said anything.
    answered: AtomicU64,
    /// After how many of them every connection is cut; none if 0.
    cut_after: AtomicU64,
}

impl Line {
    fn to(hub: &Hub, pause: Duration) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("http://{}", listener.local_addr().unwrap());
        let counts = Arc::new(Counts::default());
        let (target, shared) = (
            hub.address.trim_start_matches("http://").to_owned(),
            counts.clone(),
        );
        // Ends with the process of the tests, as the listener is never closed before.
        thread::spawn(move || {
            for device in listener.incoming().map_while(Result::ok) {
                let hub = TcpStream::connect(&target).unwrap();
                let up = (device.try_clone().unwrap(), hub.try_clone().unwrap());
                let counts = shared.clone();
                thread::spawn(move || carry(up.0, up.1, pause, |bytes| counts.goes_up(bytes)));
                let counts = shared.clone();
                thread::spawn(move || {
                    carry(hub, device, pause, |_| {
                        counts
                            .answered
                            .store(counts.up.load(Ordering::SeqCst), Ordering::SeqCst);
                        true
                    })
                });
            }
        });
        Self { address, counts }
    }

    fn up(&self) -> u64 {
        self.counts.up.load(Ordering::SeqCst)
    }
}

impl Counts {
    /// Counts what goes up; says whether the line still stands.
    fn goes_up(&self, bytes: usize) -> bool {
        let up = self.up.fetch_add(bytes as u64, Ordering::SeqCst) + bytes as u64;
        let cut = self.cut_after.load(Ordering::SeqCst);
        cut == 0 || up < cut
    }
}

/// Passes on what comes, until either end closes or the line is cut.
fn carry(mut from: TcpStream, mut to: TcpStream, pause: Duration, goes: impl Fn(usize) -> bool) {
    let mut piece = [0; 16 * 1024];
    loop {
        let read = match from.read(&mut piece) {
            Ok(0) | Err(_) => break,
            Ok(read) => read,
        };
        if !goes(read) || to.write_all(&piece[..read]).is_err() {
            break;
        }
        thread::sleep(pause);
    }
    // Either may have closed already.
    let _closed = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

/// A store with a backlog of several parcels, let in at the hub.
fn with_backlog(folder: &Path, hub: &Hub) -> (Store, String, StoreId) {
    let store = super::killed::store(folder, 1);
    let draft = |n: u64| {
        let word = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let words = format!("{word:016x}{:016x}{:016x}", word.rotate_left(23), !word ^ n);
        let change = Change::Set {
            thing: ThingId::from_bytes([7; 16]),
            field: FieldNumber((n % 5_000) as u16),
            value: Value::text(words),
            how: HowKnown::Unstated,
        };
        Draft {
            logbook: LOGBOOK,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        }
    };
    store
        .record(&(0..20_000).map(draft).collect::<Vec<_>>(), NOW)
        .unwrap();
    let (token, id) = hub.enrol(&hub.first_code.clone().unwrap(), &store);
    (store, token, id)
}

#[test]
fn what_was_acknowledged_before_a_cut_is_not_sent_again() {
    // The same backlog over a line that holds, to know what it comes to.
    let whole = {
        let folder = tempfile::tempdir().unwrap();
        let mut hub = Hub::start(&folder.path().join("hub"));
        let (store, token, id) = with_backlog(folder.path(), &hub);
        let line = Line::to(&hub, Duration::ZERO);
        hub.address.clone_from(&line.address);
        let summary = hub.exchange(&store, id, &token).unwrap();
        assert!(summary.equal && summary.round_trips >= 3, "{summary:?}");
        line.up()
    };
    for part in [30, 60, 90] {
        let folder = tempfile::tempdir().unwrap();
        let mut hub = Hub::start(&folder.path().join("hub"));
        let (store, token, id) = with_backlog(folder.path(), &hub);
        let line = Line::to(&hub, Duration::from_millis(2));
        hub.address.clone_from(&line.address);
        line.counts
            .cut_after
            .store(whole * part / 100, Ordering::SeqCst);
        hub.exchange(&store, id, &token)
            .expect_err("the line was cut");
        let (first, acknowledged) = (line.up(), line.counts.answered.load(Ordering::SeqCst));
        line.counts.cut_after.store(0, Ordering::SeqCst);
        assert!(hub.exchange(&store, id, &token).unwrap().equal);
        let second = line.up() - first;
        println!(
            "of {whole} bytes {first} went before the cut, {acknowledged} of them acknowledged; \
             {second} afterwards"
        );
        // One parcel that says what is held, and the heads of the requests.
        const TALK: u64 = 4 * 1024;
        assert!(second <= whole - acknowledged + TALK, "{second} of {whole}");
        assert!(
            second + acknowledged + TALK >= whole,
            "{second}, {acknowledged} of {whole}"
        );
        hub.kill();
        let log = Store::open(&folder.path().join("hub").join(LOG_FILE)).unwrap();
        assert_eq!(
            log.vector(LOGBOOK)
                .unwrap()
                .last(ChainId::of(store.device()))
                .unwrap()
                .get(),
            20_000
        );
    }
}

//! A line between a hub and a node of the engine that is cut at one moment, and whole afterwards.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;

/// What a message with headers begins with on the wire: nothing else that a hub sends does.
const MESSAGE: &[u8] = b"HPUB ";

/// When the line is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// After so many messages have passed; the next one does not.
    After(usize),
    /// After so many messages have passed, before any answer comes back.
    AnswerTo(usize),
}

#[derive(Debug)]
struct State {
    cut: Cut,
    passed: AtomicUsize,
    done: AtomicBool,
}

/// Opens a line to a port of this machine; returns the port at which it is entered, and what says
/// whether it has been cut. It is there as long as the process.
///
/// # Panics
/// Where the machine has no free port.
#[must_use]
pub fn line_to(port: u16, cut: Cut) -> (u16, Arc<AtomicBool>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let entered = listener.local_addr().expect("it is bound").port();
    let (cut_yet, state) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(State {
            cut,
            passed: AtomicUsize::new(0),
            done: AtomicBool::new(false),
        }),
    );
    let told = Arc::clone(&cut_yet);
    thread::spawn(move || {
        for client in listener.incoming().flatten() {
            let Ok(node) = TcpStream::connect(("127.0.0.1", port)) else {
                continue;
            };
            let copies = client
                .try_clone()
                .and_then(|one| Ok((one, node.try_clone()?)));
            let Ok((client_too, node_too)) = copies else {
                continue;
            };
            let (there, back) = (Arc::clone(&state), Arc::clone(&state));
            let (told, told_too) = (Arc::clone(&told), Arc::clone(&told));
            thread::spawn(move || pass(client, node, |bytes| there.there(bytes), &told));
            thread::spawn(move || pass(node_too, client_too, |bytes| back.back(bytes), &told_too));
        }
    });
    (entered, cut_yet)
}

/// Passes bytes on; of each piece as much as `let_through` says, and nothing after less than all.
fn pass(
    mut from: TcpStream,
    mut to: TcpStream,
    mut let_through: impl FnMut(&[u8]) -> usize,
    cut: &AtomicBool,
) {
    let mut piece = [0; 64 * 1024];
    while let Ok(read @ 1..) = from.read(&mut piece) {
        let through = let_through(&piece[..read]);
        if to.write_all(&piece[..through]).is_err() {
            break;
        }
        if through < read {
            cut.store(true, Ordering::Release);
            break;
        }
    }
    // Either side may have gone first.
    let _gone = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

impl State {
    fn there(&self, bytes: &[u8]) -> usize {
        if self.done.load(Ordering::Acquire) {
            return bytes.len();
        }
        let starts = bytes.windows(MESSAGE.len()).enumerate();
        for (at, _) in starts.filter(|(_, window)| *window == MESSAGE) {
            let passed = self.passed.fetch_add(1, Ordering::AcqRel);
            if self.cut == Cut::After(passed) {
                self.done.store(true, Ordering::Release);
                return at;
            }
        }
        bytes.len()
    }

    fn back(&self, bytes: &[u8]) -> usize {
        let Cut::AnswerTo(messages) = self.cut else {
            return bytes.len();
        };
        let due = self.passed.load(Ordering::Acquire) >= messages;
        if due && !self.done.swap(true, Ordering::AcqRel) {
            return 0;
        }
        bytes.len()
    }
}

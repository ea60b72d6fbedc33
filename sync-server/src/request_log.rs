//! One line of JSON on standard error for each request and each event. No secrets: no header, no
//! body, no query.
//!
//! A thread of its own writes them, so that a terminal or a pipe that nobody reads cannot hold the
//! hub up: lines that find no room are counted, and the count is told when there is room again.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver, SyncSender};
use std::thread;
use std::time::Duration;

use headwalk_core::log::stamp::WallMs;
use serde::Serialize;

use crate::error::Error;

/// Lines that wait to be written at most.
const WAITING_LINES: usize = 4_096;
/// How long the end of the hub waits for the last lines to be written.
const LAST_LINES: Duration = Duration::from_secs(1);

/// What happened at one request.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct RequestLine {
    pub(crate) at: String,
    pub(crate) method: String,
    pub(crate) path: String,
    pub(crate) status: u16,
    pub(crate) ms: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) device: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) kind: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) cause: Option<String>,
}

/// What happened to the hub.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct EventLine {
    pub(crate) at: String,
    pub(crate) event: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) detail: Option<String>,
}

/// Returns a moment as the log tells it.
pub(crate) fn moment(at: WallMs) -> String {
    at.at_offset(0)
        .to_rfc3339_opts(chrono::SecondsFormat::Millis, true)
}

/// Where lines go.
#[derive(Debug, Clone)]
pub(crate) struct RequestLog {
    lines: SyncSender<String>,
    dropped: Arc<AtomicU64>,
}

/// Waits for the last lines.
#[derive(Debug)]
pub(crate) struct Written(Receiver<()>);

impl RequestLog {
    /// Begins to write to standard error.
    pub(crate) fn begin() -> Result<(Self, Written), Error> {
        Self::write_to(io::stderr())
    }

    fn write_to(out: impl Write + Send + 'static) -> Result<(Self, Written), Error> {
        let (lines, waiting) = mpsc::sync_channel(WAITING_LINES);
        let (done, written) = mpsc::channel();
        let dropped = Arc::new(AtomicU64::new(0));
        let lost = Arc::clone(&dropped);
        thread::Builder::new()
            .name("request log".to_owned())
            .spawn(move || {
                // Where standard error is closed there is nobody to tell, and the hub goes on.
                let _nobody_reads = write_lines(&waiting, &lost, out);
                drop(done);
            })
            .map_err(Error::Machine)?;
        Ok((Self { lines, dropped }, Written(written)))
    }

    /// Hands a line over; never waits.
    pub(crate) fn tell(&self, line: &impl Serialize) {
        let line = serde_json::to_string(line).expect("lines have words and numbers only");
        if self.lines.try_send(line).is_err() {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }
}

impl Written {
    /// Waits until every line is written, but not for ever.
    pub(crate) fn wait(self) {
        // Both ways to end are fine: the writer is done, or it is stuck and is left alone.
        let _done_or_stuck = self.0.recv_timeout(LAST_LINES);
    }
}

fn write_lines(
    waiting: &Receiver<String>,
    dropped: &AtomicU64,
    mut out: impl Write,
) -> io::Result<()> {
    for line in waiting {
        writeln!(out, "{line}")?;
        let lost = dropped.swap(0, Ordering::Relaxed);
        if lost > 0 {
            writeln!(
                out,
                "{{\"event\":\"log-lines-dropped\",\"detail\":\"{lost}\"}}"
            )?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::sync::{Condvar, Mutex};

    use super::*;

    /// A pipe that nobody reads until the gate opens.
    #[derive(Clone, Default)]
    struct Gated(Arc<Pipe>);

    #[derive(Default)]
    struct Pipe {
        open: Mutex<bool>,
        opened: Condvar,
        bytes: Mutex<Vec<u8>>,
    }

    impl Gated {
        fn open(&self) {
            *self.0.open.lock().unwrap() = true;
            self.0.opened.notify_all();
        }

        fn text(&self) -> String {
            String::from_utf8(self.0.bytes.lock().unwrap().clone()).unwrap()
        }
    }

    impl Write for Gated {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let open = self.0.open.lock().unwrap();
            drop(self.0.opened.wait_while(open, |open| !*open).unwrap());
            self.0.bytes.lock().unwrap().write(bytes)
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_pipe_that_nobody_reads_holds_nobody_up_and_the_loss_is_told() {
        let pipe = Gated::default();
        let (log, written) = RequestLog::write_to(pipe.clone()).unwrap();
        let lines = WAITING_LINES + 100;
        for number in 0..lines {
            log.tell(&number);
        }
        let lost = log.dropped.load(Ordering::Relaxed);
        assert!((99..=100).contains(&lost), "{lost}");
        pipe.open();
        drop(log);
        written.wait();
        let text = pipe.text();
        let told = format!("\"log-lines-dropped\",\"detail\":\"{lost}\"");
        assert!(text.contains(&told), "{text}");
        assert_eq!(text.lines().count(), lines - lost as usize + 1);
    }
}

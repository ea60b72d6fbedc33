//! A real hub for a test: its own process, on a free port of this machine, ended with the test.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use crate::{TestEnv, binary};

/// A hub that runs.
#[derive(Debug)]
pub struct TestHub {
    child: Child,
    folder: PathBuf,
    more: Vec<String>,
    /// Its address, such as `http://127.0.0.1:41234`.
    pub url: String,
    /// The code that makes the first device a dispatcher's; only from a new folder.
    pub first_code: Option<String>,
}

impl TestHub {
    /// Starts a hub with its data in a folder of the environment, at the environment's moment.
    ///
    /// # Panics
    /// Where it does not come up.
    #[must_use]
    pub fn start(env: &TestEnv) -> Self {
        Self::start_with(env, &[])
    }

    /// Starts it with more arguments.
    ///
    /// # Panics
    /// Where it does not come up.
    #[must_use]
    pub fn start_with(env: &TestEnv, more: &[&str]) -> Self {
        let more = more.iter().map(|word| (*word).to_owned()).collect();
        Self::start_at(env, env.path("hub"), "127.0.0.1:0", more)
    }

    /// Returns what the hub has written in its log so far.
    ///
    /// # Panics
    /// Where that cannot be read.
    #[must_use]
    pub fn log(&self) -> String {
        let log = std::fs::read(log_of(&self.folder)).expect("the hub's log is there");
        String::from_utf8_lossy(&log).into_owned()
    }

    /// Returns the hub's process.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Kills the hub as a power cut would (SIGKILL) and starts it again on its data, at the same
    /// address.
    ///
    /// # Panics
    /// Where it does not come up again.
    pub fn kill_and_restart(&mut self, env: &TestEnv) {
        self.kill();
        let (_, address) = self.url.split_once("://").expect("an address has a scheme");
        *self = Self::start_at(env, self.folder.clone(), address, self.more.clone());
    }

    /// Kills the hub as a power cut would (SIGKILL).
    ///
    /// # Panics
    /// Where it cannot be waited for.
    pub fn kill(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _gone = self.child.kill();
        self.child.wait().expect("a child can be waited for");
    }

    fn start_at(env: &TestEnv, folder: PathBuf, listen: &str, more: Vec<String>) -> Self {
        let log = File::options()
            .create(true)
            .append(true)
            .open(log_of(&folder));
        let mut child = Command::new(binary("headwalk-server"))
            .arg("--folder")
            .arg(&folder)
            .args(["--listen", listen, "--until-input-ends"])
            .args(&more)
            .env("HEADWALK_NOW", env.now())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(log.expect("the scratch folder takes files"))
            .spawn()
            .expect("the hub was built");
        let out = child.stdout.take().expect("it was asked for");
        let (mut url, mut first_code) = (None, None);
        for line in BufReader::new(out).lines() {
            let line = line.expect("the hub prints text");
            if let Some(code) = line.strip_prefix("first dispatcher code: ") {
                first_code = code.split_whitespace().next().map(str::to_owned);
            } else if line.starts_with("http://") || line.starts_with("https://") {
                url = Some(line);
                break;
            }
        }
        Self {
            child,
            folder,
            more,
            url: url.expect("a hub that comes up prints its address"),
            first_code,
        }
    }
}

/// The hub's log lies beside its folder.
fn log_of(folder: &Path) -> PathBuf {
    folder.with_extension("log")
}

impl Drop for TestHub {
    fn drop(&mut self) {
        self.kill();
    }
}

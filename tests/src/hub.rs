//! A real hub for a test: its own process, on a free port of this machine, ended with the test.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use crate::{TestEnv, binary};

/// A hub that runs.
#[derive(Debug)]
pub struct TestHub {
    child: Child,
    folder: PathBuf,
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
        Self::start_at(env, env.path("hub"), "127.0.0.1:0")
    }

    /// Kills the hub as a power cut would (SIGKILL) and starts it again on its data, at the same
    /// address.
    ///
    /// # Panics
    /// Where it does not come up again.
    pub fn kill_and_restart(&mut self, env: &TestEnv) {
        self.kill();
        let address = self.url.trim_start_matches("http://").to_owned();
        *self = Self::start_at(env, self.folder.clone(), &address);
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

    fn start_at(env: &TestEnv, folder: PathBuf, listen: &str) -> Self {
        let mut child = Command::new(binary("headwalk-server"))
            .arg("--folder")
            .arg(&folder)
            .args(["--listen", listen, "--until-input-ends"])
            .env("HEADWALK_NOW", env.now())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the hub was built");
        let out = child.stdout.take().expect("it was asked for");
        let (mut url, mut first_code) = (None, None);
        for line in BufReader::new(out).lines() {
            let line = line.expect("the hub prints text");
            if let Some(code) = line.strip_prefix("first dispatcher code: ") {
                first_code = code.split_whitespace().next().map(str::to_owned);
            } else if line.starts_with("http://") {
                url = Some(line);
                break;
            }
        }
        Self {
            child,
            folder,
            url: url.expect("a hub that comes up prints its address"),
            first_code,
        }
    }
}

impl Drop for TestHub {
    fn drop(&mut self) {
        self.kill();
    }
}

//! Shared scaffolding of the end-to-end tests: a scratch folder, a fixed clock and the real
//! binaries. Start at [`TestEnv`].

mod cluster;
pub mod cut;
mod hub;

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;

use tempfile::TempDir;

pub use cluster::{Cluster, NODES, cpu_of, engine, memory_of};
pub use hub::TestHub;

/// A scratch folder in which the real commands run at a fixed moment.
#[derive(Debug)]
pub struct TestEnv {
    folder: TempDir,
    now: String,
}

impl TestEnv {
    /// Begins with an empty folder on 14 July 2026, half past seven in the morning, UTC-5.
    ///
    /// # Panics
    /// Where no scratch folder can be made.
    #[must_use]
    pub fn new() -> Self {
        Self {
            folder: tempfile::tempdir().expect("the machine has a scratch folder"),
            now: "2026-07-14T07:30:00-05:00".to_owned(),
        }
    }

    /// Sets the clock to this moment, in RFC 3339.
    pub fn set_now(&mut self, now: &str) {
        now.clone_into(&mut self.now);
    }

    /// Returns the moment to which the clock is set.
    #[must_use]
    pub fn now(&self) -> &str {
        &self.now
    }

    /// Returns a path in the folder.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file in the folder.
    ///
    /// # Panics
    /// Where it cannot be written.
    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), content).expect("the scratch folder takes files");
    }

    /// Returns `headwalk` with the words of this line as its arguments, in the folder and at the
    /// fixed moment. Words in double quotes stay together.
    #[must_use]
    pub fn command(&self, line: &str) -> Command {
        let mut command = Command::new(binary("headwalk"));
        command
            .args(words(line))
            .current_dir(self.folder.path())
            .env_remove("HEADWALK_STORE")
            .env_remove("HEADWALK_BY")
            .env("HEADWALK_NOW", &self.now)
            .env("COLUMNS", "100")
            .stdin(Stdio::null());
        command
    }

    /// Runs `headwalk` with the words of this line.
    ///
    /// # Panics
    /// Where the command cannot be started.
    #[must_use]
    pub fn run(&self, line: &str) -> Ran {
        let output = self.command(line).output();
        self.ran(&output.expect("the command was built"))
    }

    /// Runs a line that must end with exit code 0, and returns what it printed.
    ///
    /// # Panics
    /// Where it does not.
    pub fn ok(&self, line: &str) -> String {
        let ran = self.run(line);
        assert_eq!(ran.code, Some(0), "headwalk {line}\n{ran}");
        ran.stdout
    }

    /// Reads what a command that has ended printed.
    #[must_use]
    pub fn ran(&self, output: &Output) -> Ran {
        let text = |bytes: &[u8]| {
            let text = String::from_utf8_lossy(bytes);
            text.replace(&self.folder.path().display().to_string(), "<folder>")
        };
        Ran {
            stdout: text(&output.stdout),
            stderr: text(&output.stderr),
            code: output.status.code(),
        }
    }
}

impl Default for TestEnv {
    fn default() -> Self {
        Self::new()
    }
}

/// What a command printed, and its exit code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ran {
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
    /// The exit code; none where a signal ended it.
    pub code: Option<i32>,
}

impl fmt::Display for Ran {
    /// Writes all of it for comparison: standard output, then standard error with `! ` before
    /// each line, then the exit code unless it is 0. Ids and digests are chance, so each gets a
    /// number in the order of its first appearance; a shortened one is `…<id>`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = self.stdout.clone();
        for line in self.stderr.lines() {
            text.push_str(&format!("! {line}\n"));
        }
        match self.code {
            Some(0) => {}
            Some(code) => text.push_str(&format!("[exit {code}]\n")),
            None => text.push_str("[ended by a signal]\n"),
        }
        f.write_str(&without_chance(&text))
    }
}

/// Puts `<id 1>`, `<id 2>`, ... for ids and `<digest>` for digests.
#[must_use]
pub fn without_chance(text: &str) -> String {
    let mut told = String::with_capacity(text.len());
    let mut numbers: BTreeMap<&str, usize> = BTreeMap::new();
    let mut rest = text;
    while let Some(at) = rest.find(|c: char| c.is_ascii_hexdigit()) {
        let (before, from) = rest.split_at(at);
        told.push_str(before);
        let shortened = before.ends_with('…');
        let end = from.find(|c: char| !(c.is_ascii_hexdigit() || c == '-'));
        let (word, after) = from.split_at(end.unwrap_or(from.len()));
        let next = numbers.len() + 1;
        if shortened && word.len() == 6 {
            told.push_str("<id>");
        } else if is_id(word) {
            let number = *numbers.entry(word).or_insert(next);
            told.push_str(&format!("<id {number}>"));
        } else if word.len() == 64 && !word.contains('-') {
            told.push_str("<digest>");
        } else {
            told.push_str(word);
        }
        rest = after;
    }
    told + rest
}

fn is_id(word: &str) -> bool {
    let lengths: Vec<_> = word.split('-').map(str::len).collect();
    lengths == [8, 4, 4, 4, 12]
}

/// Splits a line into words; double quotes keep words together.
#[must_use]
pub fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (at, part) in line.split('"').enumerate() {
        if at % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

/// Returns an id by its number, as unlike others of its kind, from end to end, as those that come by
/// chance: on the wire an id is told by a part of it.
#[must_use]
pub fn id(kind: u8, number: u64) -> [u8; 16] {
    let mut mixed = u128::from(number) + (u128::from(kind) << 64);
    for _ in 0..2 {
        mixed = mixed.wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835);
        mixed ^= mixed >> 61;
    }
    mixed.to_be_bytes()
}

/// Returns the path of one of our binaries, built once for all tests of this run, in the profile
/// in which the tests themselves are built.
///
/// # Panics
/// Where it cannot be built.
#[must_use]
pub fn binary(name: &str) -> PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(built).join(name)
}

fn built() -> PathBuf {
    let tests = std::env::current_exe().expect("a running test knows where it is");
    // target/<profile>/deps/<test>
    let profile = tests
        .ancestors()
        .nth(2)
        .expect("a test lies two folders below its profile's");
    let target = profile
        .parent()
        .expect("a profile lies in the target folder");
    let named = match profile.file_name().and_then(|name| name.to_str()) {
        Some("debug") | None => "dev",
        Some(name) => name,
    };
    let mut build = Command::new(env!("CARGO"));
    // What this test's own package is called is no reason to build others anew, though a build script
    // among them asks for it.
    for (name, _) in std::env::vars_os() {
        let of_package = name.to_str().is_some_and(|name| {
            name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_")
        });
        if of_package {
            build.env_remove(name);
        }
    }
    let built = build
        .args(["build", "--quiet", "--profile", named])
        .args(["-p", "headwalk-cli", "-p", "headwalk-sync-server"])
        .arg("--target-dir")
        .arg(target)
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")))
        .output()
        .expect("cargo, which built this, can be started");
    let told = String::from_utf8_lossy(&built.stderr);
    assert!(built.status.success(), "the binaries do not build: {told}");
    profile.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_numbered_by_first_appearance_and_nothing_else_is_touched() {
        let one = "01980000-0000-7000-8000-00000000000a";
        let other = "01980000-0000-7000-8000-00000000000b";
        assert_eq!(
            without_chance(&format!("{one} 3-07 {other} {one} café 2026-07-14")),
            "<id 1> 3-07 <id 2> <id 1> café 2026-07-14"
        );
    }

    #[test]
    fn quoted_words_stay_together() {
        assert_eq!(words(r#"add "12 Elm" x """#), ["add", "12 Elm", "x", ""]);
    }
}

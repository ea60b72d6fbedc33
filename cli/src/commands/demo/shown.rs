//! What other commands of this same program print: run as its reader would run them, on a store
//! of the demonstration and at the moment at which it ends.

use std::path::Path;
use std::process::Command;

use serde::Serialize;
use serde_json::Value;

use crate::edge::NOW;
use crate::error::{Error, Kind};
use crate::output::{Output, Page};

/// A command and what it printed.
#[derive(Debug, Serialize)]
pub struct Shown {
    command: String,
    #[serde(rename = "result")]
    json: Value,
    #[serde(skip)]
    text: String,
}

/// On what a reader would run a command, and when.
#[derive(Debug, Clone, Copy)]
pub struct Reader<'r> {
    /// The store.
    pub store: &'r Path,
    /// The moment, in RFC 3339.
    pub now: &'r str,
}

impl Reader<'_> {
    /// Runs `headwalk` with these words, to show what it prints.
    ///
    /// # Errors
    /// What the command itself said, where it failed.
    pub fn show(self, words: &[&str], output: Output) -> Result<Shown, Error> {
        let (json, text) = match output {
            Output::Text => (Value::Null, self.run(words)?),
            Output::Json => (self.read(words)?, String::new()),
        };
        let command = line(words);
        Ok(Shown {
            command,
            json,
            text,
        })
    }

    /// Runs `headwalk` with these words and `--json`, and reads what it prints.
    ///
    /// # Errors
    /// What the command itself said, where it failed.
    pub fn read(self, words: &[&str]) -> Result<Value, Error> {
        let words = [words, &["--json"]].concat();
        let text = self.run(&words)?;
        let why = |why| format!("`{}` prints no JSON: {why}", line(&words));
        serde_json::from_str(&text).map_err(|error| Error::new(Kind::Bug, why(error)))
    }

    fn run(self, words: &[&str]) -> Result<String, Error> {
        let failed = |why: String| Error::new(Kind::Bug, format!("`{}` fails: {why}", line(words)));
        let program = std::env::current_exe().map_err(|why| failed(why.to_string()))?;
        let ran = Command::new(program)
            .args(words)
            .env("HEADWALK_STORE", self.store)
            .env(NOW, self.now)
            .env("COLUMNS", "100")
            .env_remove("HEADWALK_BY")
            .output()
            .map_err(|why| failed(why.to_string()))?;
        if !ran.status.success() {
            return Err(failed(
                String::from_utf8_lossy(&ran.stderr).trim().to_owned(),
            ));
        }
        Ok(String::from_utf8_lossy(&ran.stdout).into_owned())
    }
}

impl Shown {
    /// Writes the command and what it printed.
    pub fn write(&self, page: &mut Page) {
        page.line(format!("$ {}", self.command));
        for line in self.text.lines() {
            page.line(line);
        }
        page.line("");
    }
}

/// Returns the command as it is typed.
fn line(words: &[&str]) -> String {
    let words = words.iter().map(|word| match word.contains(' ') {
        true => format!("\"{word}\""),
        false => (*word).to_owned(),
    });
    let words: Vec<_> = std::iter::once("headwalk".to_owned())
        .chain(words)
        .collect();
    words.join(" ")
}

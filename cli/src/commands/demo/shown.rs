//! What other commands of this same program print: run as its reader would run them, on a store
//! of the demonstration and at the moment at which it ends.

use std::path::Path;
use std::process::Command;

use serde::Serialize;

use crate::edge::NOW;
use crate::error::{Error, Kind};
use crate::output::{Output, Page};

/// A command and what it printed.
#[derive(Debug, Serialize)]
pub struct Shown {
    command: String,
    #[serde(rename = "result")]
    json: serde_json::Value,
    #[serde(skip)]
    text: String,
}

impl Shown {
    /// Runs `headwalk` with these words on a store, as if it were that moment.
    ///
    /// # Errors
    /// What the command itself said, where it failed.
    pub fn run(words: &[&str], store: &Path, now: &str, output: Output) -> Result<Self, Error> {
        let failed = |why: String| Error::new(Kind::Bug, why);
        let program = std::env::current_exe().map_err(|why| failed(why.to_string()))?;
        let mut command = Command::new(program);
        command
            .args(words)
            .env("HEADWALK_STORE", store)
            .env(NOW, now)
            .env("COLUMNS", "100")
            .env_remove("HEADWALK_BY");
        if output == Output::Json {
            command.arg("--json");
        }
        let ran = command.output().map_err(|why| failed(why.to_string()))?;
        let told = line(words);
        if !ran.status.success() {
            let why = String::from_utf8_lossy(&ran.stderr);
            return Err(failed(format!("`{told}` fails: {}", why.trim())));
        }
        let text = String::from_utf8_lossy(&ran.stdout).into_owned();
        let json = match output {
            Output::Text => serde_json::Value::Null,
            Output::Json => serde_json::from_str(&text)
                .map_err(|why| failed(format!("`{told} --json` prints no JSON: {why}")))?,
        };
        Ok(Self {
            command: told,
            json,
            text,
        })
    }

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
pub fn line(words: &[&str]) -> String {
    let words = words.iter().map(|word| match word.contains(' ') {
        true => format!("\"{word}\""),
        false => (*word).to_owned(),
    });
    let words: Vec<_> = std::iter::once("headwalk".to_owned())
        .chain(words)
        .collect();
    words.join(" ")
}

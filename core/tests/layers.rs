//! Each layer of core knows only those below it: this reads the source and fails where one
//! reaches up.

use std::fs;
use std::path::Path;

/// A layer, and the layers that it may name.
const LAYERS: &[(&str, &[&str])] = &[
    ("water", &[]),
    ("log", &[]),
    ("merge", &["log"]),
    ("site", &["log", "merge", "water"]),
    ("store", &["log", "merge"]),
    ("exchange", &["log", "store"]),
];

fn sources(folder: &Path, found: &mut Vec<(String, String)>) {
    for item in fs::read_dir(folder).expect("the layer has a folder") {
        let path = item.expect("the folder can be read").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push((
                path.display().to_string(),
                fs::read_to_string(&path).expect("the file can be read"),
            ));
        }
    }
}

/// Names of `crate::` modules in code, comments left out.
fn named(text: &str) -> Vec<String> {
    text.lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .flat_map(|line| line.split("crate::").skip(1))
        .map(|rest| {
            rest.chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect()
        })
        .collect()
}

#[test]
fn no_layer_reaches_up() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let (mut read, mut faults) = (0, Vec::new());
    for (layer, below) in LAYERS {
        let mut files = Vec::new();
        sources(&root.join(layer), &mut files);
        read += files.len();
        for (path, text) in files {
            // Tests of a layer may use what is above it to set a scene.
            let in_tests = path.ends_with("tests.rs") || path.ends_with("crews.rs");
            let reaches_up = |name: &String| name != layer && !below.contains(&name.as_str());
            faults.extend(
                named(&text)
                    .into_iter()
                    .filter(|name| !in_tests && reaches_up(name))
                    .map(|name| format!("{path} names crate::{name}")),
            );
        }
    }
    assert!(read > 20, "only {read} files were read");
    assert_eq!(faults, Vec::<String>::new());
}

#[test]
fn the_reader_of_names_finds_them() {
    assert_eq!(
        named("use crate::site::fields; // no\n// crate::store\nx(crate::log::id)"),
        ["site", "log"]
    );
}

//! On what machine, and with what, a benchmark ran.

use std::path::Path;
use std::process::Command;

use chrono::DateTime;

/// The machine, the versions of these packages, and the day.
pub fn machine(packages: &[&str]) -> String {
    let cpus = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let models = || {
        cpus.lines()
            .filter_map(|line| line.strip_prefix("model name"))
    };
    let model = models().next().unwrap_or("an unnamed processor");
    let kernel = std::fs::read_to_string("/proc/sys/kernel/osrelease").unwrap_or_default();
    let rustc = Command::new("rustc").arg("--version").output();
    let rustc = rustc.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned());
    let lock = Path::new(env!("CARGO_MANIFEST_DIR")).join("../Cargo.lock");
    let lock = std::fs::read_to_string(lock).unwrap_or_default();
    let version = |name: &str| {
        let after = lock
            .split(&format!("name = \"{name}\"\nversion = \""))
            .nth(1);
        let version = after.and_then(|text| text.split('"').next());
        format!("{name} {}", version.unwrap_or("?"))
    };
    let versions: Vec<_> = packages.iter().map(|name| version(name)).collect();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    let now = now.map_or(0, |since| since.as_secs() as i64);
    let day = DateTime::from_timestamp(now, 0).map(|now| now.date_naive());
    format!(
        "{}: {} x{}, Linux {}, {}; {}",
        day.unwrap_or_default(),
        model.trim_start_matches([':', '\t', ' ']),
        models().count(),
        kernel.trim(),
        rustc.unwrap_or_default(),
        versions.join(", "),
    )
}

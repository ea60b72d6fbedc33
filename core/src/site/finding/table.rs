//! The table of findings. Words are stable for ever; a line that is no longer offered stays.

use super::{Caution, FindingKind, Mended, Severity};
use crate::site::words::Choice;
use crate::water::units::Minutes;

macro_rules! minutes {
    (None) => {
        None
    };
    ([$least:literal, $most:literal]) => {
        Some((Minutes::new($least as f64), Minutes::new($most as f64)))
    };
}

macro_rules! caution {
    (None) => {
        None
    };
    ($caution:ident) => {
        Some(Caution::$caution)
    };
}

macro_rules! findings {
    ($($word:literal, $remedy:literal, [$($part:literal),*], $minutes:tt, $mended:ident,
       $severity:ident, $caution:ident;)+) => {
        /// Every finding, in the order in which the yard offers them.
        pub static FINDINGS: &[FindingKind] = &[$(FindingKind {
            word: $word,
            remedy: $remedy,
            parts: &[$($part),*],
            minutes: minutes!($minutes),
            mended: Mended::$mended,
            severity: Severity::$severity,
            caution: caution!($caution),
        }),+];

        /// The same words, as the choices of a field.
        pub const FINDING_CHOICES: &[Choice] = crate::site::words::choices![$($word),+];
    };
}

// word, remedy, parts, minutes from and to, who mends it, severity, caution
findings! {
    "arc-off-overspray", "turn the body or set the arc", [], [1, 3], OnTheSpot, Routine, None;
    "arc-off-dry-edge", "set the arc or change the nozzle",
        ["nozzle"], [1, 4], OnTheSpot, Routine, None;
    "radius-long", "radius screw or nozzle", ["nozzle"], [1, 4], OnTheSpot, Routine, None;
    "radius-short", "radius screw or nozzle", ["nozzle"], [1, 4], OnTheSpot, Routine, None;
    "nozzle-wrong", "change the nozzle", ["nozzle", "screen"], [3, 5], OnTheSpot, Routine, None;
    "nozzle-worn", "change the nozzle", ["nozzle", "screen"], [3, 5], OnTheSpot, Soon, None;
    "nozzle-missing", "put in a nozzle", ["nozzle", "screen"], [3, 5], OnTheSpot, Soon, None;
    "nozzle-clogged", "clean and flush nozzle and screen",
        ["screen"], [3, 6], OnTheSpot, Routine, None;
    "head-tilted", "straighten and firm the soil", [], [5, 10], OnTheSpot, Routine, None;
    "head-low", "raise it and trim around it",
        ["riser", "swing pipe"], [10, 20], OnTheSpot, Routine, Digging;
    "head-high", "lower it", ["swing pipe"], [10, 20], OnTheSpot, Soon, Digging;
    "blocked-by-plants", "prune, or a taller pop-up",
        ["body", "nozzle"], [5, 25], SpotOrQuote, Routine, None;
    "will-not-rise", "clean, new spring or body", ["body"], [5, 20], OnTheSpot, Soon, None;
    "will-not-retract", "clean, new spring or body", ["body"], [5, 20], OnTheSpot, Soon, None;
    "seal-leaking", "clean, new seal or body", ["seal or body"], [5, 15], OnTheSpot, Soon, None;
    "not-turning", "change the rotor", ["rotor", "nozzle"], [15, 25], SpotOrQuote, Soon, Digging;
    "head-broken", "change it, move or guard it",
        ["body", "nozzle", "swing pipe"], [15, 30], OnTheSpot, Urgent, Digging;
    "head-missing", "put in a head", ["body", "fittings"], [20, 40], OnTheSpot, Urgent, Digging;
    "spacing-too-wide", "add or move heads", ["heads", "pipe"], [60, 240], Quoted, Routine, Digging;
    "mixed-kinds", "match the nozzles or split the zone",
        ["nozzles"], [30, 240], Quoted, Routine, None;
    "pressure-high", "regulate the pressure",
        ["regulator", "regulated bodies"], [20, 60], Quoted, Routine, PressurisedPipe;
    "pressure-low", "find the cause", [], [15, 60], Quoted, Soon, None;
    "low-head-drainage", "check valve", ["check valve", "body"], [5, 15], SpotOrQuote, Soon, None;
    "lateral-break", "dig and repair",
        ["pipe", "couplings"], [45, 90], SpotOrQuote, Urgent, DiggingOnPressure;
    "mainline-leak", "isolate, dig and repair",
        ["pipe", "couplings"], [90, 240], QuotedLicensed, Urgent, DiggingOnPressure;
    "valve-weeping", "flush, clean, new diaphragm",
        ["diaphragm kit"], [20, 45], SpotOrQuote, Soon, ValveBox;
    "valve-stuck-open", "bleed, clear debris, solenoid, diaphragm",
        ["diaphragm kit"], [20, 60], OnTheSpot, Urgent, PressurisedPipe;
    "valve-will-not-open", "electrical checks, then water checks",
        ["solenoid", "connectors"], [20, 90], SpotOrQuote, Soon, ValveBox;
    "valve-old", "replace the valve",
        ["valve", "unions"], [60, 120], QuotedLicensed, Soon, DiggingOnPressure;
    "box-lid-broken", "new lid", ["lid"], [5, 40], SpotOrQuote, Soon, ValveBox;
    "box-buried", "raise the box", ["box"], [5, 40], SpotOrQuote, Soon, Digging;
    "splice-wet", "remake it waterproof",
        ["waterproof connectors"], [10, 15], OnTheSpot, Soon, ValveBox;
    "wire-open", "trace and repair", ["wire", "connectors"], [60, 240], Quoted, Soon, Digging;
    "wire-short", "trace and repair", ["wire", "connectors"], [60, 240], Quoted, Soon, Digging;
    "clock-wrong", "set the clock, change the battery",
        ["battery"], [2, 5], OnTheSpot, Routine, LineVoltage;
    "changed-since-we-left", "ask the client, re-set", [], [5, 5], OnTheSpot, Routine, None;
    "starts-duplicate", "re-set the start times", [], [5, 10], OnTheSpot, Routine, None;
    "programs-overlap", "re-set the start times", [], [5, 10], OnTheSpot, Routine, None;
    "window-overrun", "re-set the start times or run times", [], [5, 10], OnTheSpot, Routine, None;
    "run-too-long", "re-set the run time", [], [2, 5], OnTheSpot, Routine, None;
    "run-too-short", "re-set the run time", [], [2, 5], OnTheSpot, Routine, None;
    "run-off", "split the run into cycles", [], [2, 5], OnTheSpot, Routine, None;
    "rain-sensor-bypassed", "restore it", [], [5, 40], SpotOrQuote, Soon, None;
    "rain-sensor-failed", "replace it", ["rain sensor"], [5, 40], SpotOrQuote, Soon, LineVoltage;
    "backflow-leaking", "certified repair and test",
        ["repair kit"], None, QuotedLicensed, Urgent, Backflow;
    "backflow-cracked", "certified repair and test",
        ["repair kit"], None, QuotedLicensed, Urgent, Backflow;
    "backflow-overdue", "certified test", [], None, QuotedLicensed, Soon, Backflow;
    "emitter-missing", "put in an emitter", ["emitter"], [5, 20], OnTheSpot, Routine, None;
    "drip-line-cut", "join it", ["coupling"], [5, 20], OnTheSpot, Routine, None;
    "drip-filter-dirty", "clean filter and flush the line",
        ["screen"], [5, 20], OnTheSpot, Routine, None;
    "wet-area", "find the cause", [], [15, 45], FindCause, Soon, None;
    "dry-area", "find the cause", [], [15, 45], FindCause, Soon, None;
    "other", "as described", [], [5, 60], SpotOrQuote, Routine, None;
}

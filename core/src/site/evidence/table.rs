//! The tables of signs: five troubles, what could be behind each, and what tells causes apart.
//!
//! How often a cause is it, and how often a sign shows under it, are common practice, no source: a
//! firm's own record would be better, and these are only as fine as five words. The words of signs
//! are stable for ever; a line may be added.

use super::{CauseLine, Often, Shows, SignLine, Trouble, TroubleLine};
use crate::site::finding::Caution;
use crate::water::units::Minutes;

use Often::{Common, Rare, Usual};
use Shows::{Always as A, Half as H, Never as N, Seldom as S, Usually as U};

macro_rules! cause {
    ($word:literal, $often:ident, $plain:literal, $remedy:literal, $caution:expr) => {
        CauseLine {
            word: $word,
            often: $often,
            plain: $plain,
            remedy: $remedy,
            caution: $caution,
        }
    };
}

macro_rules! sign {
    ($word:literal, $minutes:literal, $how:literal, $caution:expr, [$($yes:expr),+]) => {
        SignLine {
            word: $word,
            minutes: Minutes::new($minutes as f64),
            how: $how,
            caution: $caution,
            shows: &[$($yes),+],
        }
    };
}

/// Every trouble, in the order in which help lists them.
pub static TROUBLES: &[TroubleLine] = &[WET, DRY, WEAK, NO_START, NO_STOP];

// Columns of the chances: run-off, low-head drainage, weeping valve, main line, lateral, no
// irrigation.
const WET: TroubleLine = TroubleLine {
    trouble: Trouble::WetArea,
    causes: &[
        cause!(
            "run-off",
            Common,
            "the zone runs longer than the soil takes in, or water runs down \
            from higher ground",
            "split the run into cycles, or shorten it",
            None
        ),
        cause!(
            "low-head-drainage",
            Usual,
            "the pipe drains through the lowest head after each run",
            "check valves in the low heads",
            Some(Caution::Digging)
        ),
        cause!(
            "valve-weeping",
            Usual,
            "a valve does not close fully",
            "flush, clean, new diaphragm",
            Some(Caution::ValveBox)
        ),
        cause!(
            "mainline-leak",
            Rare,
            "the main line leaks, under pressure day and night",
            "isolate, dig and repair",
            Some(Caution::DiggingOnPressure)
        ),
        cause!(
            "lateral-break",
            Usual,
            "a pipe behind the valve is broken and leaks while it runs",
            "dig and repair",
            Some(Caution::DiggingOnPressure)
        ),
        cause!(
            "not-irrigation",
            Rare,
            "the water is not the sprinklers': a downspout, a spring, a \
            neighbour, a house pipe",
            "find its owner",
            Some(Caution::Digging)
        ),
    ],
    signs: &[
        sign!(
            "puddle forms late in the run",
            15,
            "run the zone and watch when water stands",
            None,
            [A, S, S, S, H, S]
        ),
        sign!(
            "static meter moves",
            15,
            "all zones and the house off: read the meter twice, 15 \
            min apart; open a master valve for the test",
            None,
            [N, N, U, A, N, N]
        ),
        sign!(
            "clear water stands in the valve box",
            3,
            "look into the box; muddy water ran in \
            from above",
            Some(Caution::ValveBox),
            [S, S, H, U, S, H]
        ),
        sign!(
            "still wet after 48 h off",
            5,
            "controller off for two days without rain, then \
            look again",
            None,
            [S, S, A, A, S, A]
        ),
        sign!(
            "zone flow above nozzle sum",
            8,
            "run the zone and time the meter; more than a \
            tenth above the nozzles' sum counts",
            None,
            [N, N, N, S, A, N]
        ),
        sign!(
            "trickle at the lowest head day and night",
            5,
            "look at the lowest head hours \
            after the last run",
            None,
            [N, S, A, N, N, N]
        ),
        sign!(
            "stops when the flow control is shut",
            10,
            "turn the valve's flow control down and \
            look again after a while",
            Some(Caution::ValveBox),
            [N, S, A, N, N, N]
        ),
        sign!(
            "wet at the lowest head only",
            3,
            "walk the zone: is the lowest head the middle of \
            it?",
            None,
            [S, A, U, S, S, S]
        ),
        sign!(
            "on the line from the supply to the valves",
            5,
            "pace the main line, away from the \
            heads",
            None,
            [S, N, S, A, S, H]
        ),
        sign!(
            "disinfectant strip shows treated water",
            3,
            "dip a test strip; of no use on well, \
            surface or reclaimed water",
            None,
            [U, U, U, A, U, N]
        ),
    ],
};

// Columns: coverage, head at fault, run too short, pressure, soil, not water.
const DRY: TroubleLine = TroubleLine {
    trouble: Trouble::DrySpot,
    causes: &[
        cause!(
            "coverage",
            Common,
            "no head, or only one, reaches the spot",
            "set arc or radius, \
            change the nozzle, or move a head",
            Some(Caution::Digging)
        ),
        cause!(
            "head-at-fault",
            Common,
            "the nearest head is clogged, worn, tilted, low or blocked",
            "clean, straighten, raise or change it",
            Some(Caution::Digging)
        ),
        cause!(
            "run-too-short",
            Usual,
            "the whole zone gets less than its plants need",
            "set the run time to the need",
            None
        ),
        cause!(
            "pressure-low",
            Usual,
            "the water does not come far enough for want of pressure",
            "find where the pressure goes",
            Some(Caution::PressurisedPipe)
        ),
        cause!(
            "soil",
            Usual,
            "the soil is compacted, thatched or repels water",
            "open it up, wet it slowly, in cycles",
            None
        ),
        cause!(
            "not-water",
            Rare,
            "grubs, disease, a dog, spilled fuel: water is there",
            "ask whoever cares for the plants",
            None
        ),
    ],
    signs: &[
        sign!(
            "soil is moist at root depth",
            2,
            "push the soil probe in, here and beside",
            None,
            [N, N, N, N, S, A]
        ),
        sign!(
            "can on the spot catches much less",
            12,
            "cans on the spot and on good ground \
            beside it, one run",
            None,
            [A, U, N, H, N, N]
        ),
        sign!(
            "whole zone is dry",
            3,
            "walk the zone",
            None,
            [N, N, A, U, S, N]
        ),
        sign!(
            "nearest head runs badly",
            3,
            "run it: does it rise, turn, throw clean and level?",
            None,
            [N, A, N, H, N, N]
        ),
        sign!(
            "pressure at the head is below its need",
            5,
            "gauge at the last head, running; \
            sprays want about 30 psi, rotors about 45",
            None,
            [S, S, S, A, S, S]
        ),
        sign!(
            "water beads or runs off the spot",
            2,
            "pour a cup on it and watch",
            None,
            [N, N, S, N, A, S]
        ),
        sign!(
            "heads reach the spot from two sides",
            3,
            "run the zone and look from where water \
            comes",
            None,
            [N, S, A, S, A, A]
        ),
    ],
};

// Columns: one head, lateral, valve part open, too many heads, supply, main line, two zones.
const WEAK: TroubleLine = TroubleLine {
    trouble: Trouble::LowPressure,
    causes: &[
        cause!(
            "one-head",
            Common,
            "a screen, a nozzle or the pipe of one head is pinched or \
            clogged",
            "clean or change it",
            Some(Caution::Digging)
        ),
        cause!(
            "lateral-break",
            Usual,
            "a pipe behind the valve is broken",
            "dig and repair",
            Some(Caution::DiggingOnPressure)
        ),
        cause!(
            "valve-part-open",
            Usual,
            "the valve or its flow control does not open fully",
            "open it, clean it",
            Some(Caution::ValveBox)
        ),
        cause!(
            "too-many-heads",
            Usual,
            "the heads ask for more than the pipe carries",
            "smaller nozzles, or split the zone",
            None
        ),
        cause!(
            "supply",
            Usual,
            "a shut-off, the regulator, the filter or the backflow assembly \
            holds water back",
            "open the shut-off, clean the filter",
            Some(Caution::Backflow)
        ),
        cause!(
            "mainline-leak",
            Rare,
            "the main line leaks",
            "isolate, dig and repair",
            Some(Caution::DiggingOnPressure)
        ),
        cause!(
            "two-zones-at-once",
            Rare,
            "another zone runs at the same time",
            "re-set the start times",
            Some(Caution::LineVoltage)
        ),
    ],
    signs: &[
        sign!(
            "only one head is weak",
            3,
            "run the zone and compare",
            None,
            [A, S, N, N, N, N, N]
        ),
        sign!(
            "every zone is weak",
            10,
            "run two other zones",
            None,
            [N, N, N, N, A, U, H]
        ),
        sign!(
            "static pressure is below last visit",
            5,
            "gauge at the hose bib, everything off",
            None,
            [N, N, N, N, H, U, N]
        ),
        sign!(
            "zone flow above nozzle sum",
            8,
            "run the zone and time the meter; more than a \
            tenth above the nozzles' sum counts",
            None,
            [N, A, N, N, N, S, U]
        ),
        sign!(
            "static meter moves",
            15,
            "all zones and the house off: read the meter twice, 15 \
            min apart; open a master valve for the test",
            None,
            [N, N, N, N, N, A, N]
        ),
        sign!(
            "pressure at the first head is low too",
            5,
            "gauge at the first head, running",
            None,
            [N, H, A, H, A, A, A]
        ),
        sign!(
            "another zone runs at the same time",
            3,
            "look and listen across the site",
            None,
            [N, N, N, N, N, N, A]
        ),
        sign!(
            "nozzle sum is more than the pipe carries",
            8,
            "add the nozzles up and look at the \
            speed in the first pipe: above 5 ft/s counts",
            None,
            [S, S, S, A, S, S, S]
        ),
        sign!(
            "flow control is not fully open",
            5,
            "count its turns",
            Some(Caution::ValveBox),
            [N, N, A, N, N, N, N]
        ),
    ],
};

// Columns: settings, power, wire open, coil open, short, no water, stuck.
const NO_START: TroubleLine = TroubleLine {
    trouble: Trouble::WillNotStart,
    causes: &[
        cause!(
            "settings",
            Common,
            "the controller is off, in rain delay or held by a sensor",
            "put it back, and find out why",
            Some(Caution::LineVoltage)
        ),
        cause!(
            "power",
            Usual,
            "fuse, transformer or supply of the controller",
            "fuse; the rest is for a qualified person",
            Some(Caution::LineVoltage)
        ),
        cause!(
            "wire-open",
            Usual,
            "a wire or splice between controller and valve is broken",
            "trace and repair",
            Some(Caution::Digging)
        ),
        cause!(
            "coil-open",
            Usual,
            "the solenoid's coil is burnt out",
            "new solenoid",
            Some(Caution::ValveBox)
        ),
        cause!(
            "short",
            Rare,
            "the wire or the coil is shorted",
            "trace and repair",
            Some(Caution::Digging)
        ),
        cause!(
            "no-water",
            Usual,
            "an isolation valve or the flow control is shut",
            "open it slowly",
            Some(Caution::PressurisedPipe)
        ),
        cause!(
            "stuck",
            Usual,
            "debris or the diaphragm holds the valve shut",
            "water off, pressure out, then open and clean it",
            Some(Caution::PressurisedPipe)
        ),
    ],
    signs: &[
        sign!(
            "display shows off, rain or sensor",
            1,
            "read the display",
            Some(Caution::LineVoltage),
            [A, S, N, N, N, N, N]
        ),
        sign!(
            "other stations start",
            4,
            "start another station by hand",
            None,
            [N, N, A, A, U, H, A]
        ),
        sign!(
            "valve opens by its bleed",
            3,
            "turn the bleed a quarter",
            Some(Caution::ValveBox),
            [A, A, A, A, A, N, S]
        ),
        sign!(
            "station reads 19 to 28 V",
            3,
            "volts AC between station and common, station on; \
            covers of the mains stay on",
            Some(Caution::LineVoltage),
            [N, N, A, A, S, A, A]
        ),
        sign!(
            "resistance at the controller is open",
            4,
            "ohms with the common off",
            Some(Caution::LineVoltage),
            [N, N, A, A, N, N, N]
        ),
        sign!(
            "resistance at the solenoid is open",
            5,
            "ohms at the coil's own leads, cut free",
            Some(Caution::ValveBox),
            [N, N, N, A, N, N, N]
        ),
        sign!(
            "resistance is very low",
            4,
            "ohms with the common off; below about 15 counts",
            Some(Caution::LineVoltage),
            [N, N, N, N, A, N, N]
        ),
        sign!(
            "isolation valve is shut",
            3,
            "look at the shut-off before the valves",
            Some(Caution::ValveBox),
            [N, N, N, N, N, U, N]
        ),
    ],
};

// Columns: program, bleed or solenoid, debris, diaphragm, flow control.
const NO_STOP: TroubleLine = TroubleLine {
    trouble: Trouble::WillNotStop,
    causes: &[
        cause!(
            "program",
            Common,
            "the controller asks for it: a second start, another program",
            "re-set the program",
            Some(Caution::LineVoltage)
        ),
        cause!(
            "bleed-open",
            Usual,
            "the bleed is open or the solenoid sits loose",
            "shut the bleed, turn the solenoid snug",
            Some(Caution::ValveBox)
        ),
        cause!(
            "debris",
            Common,
            "grit keeps the diaphragm off its seat",
            "flush it; else water off, pressure out, and clean it",
            Some(Caution::PressurisedPipe)
        ),
        cause!(
            "diaphragm",
            Usual,
            "the diaphragm is torn or stiff",
            "water off, pressure out, new diaphragm",
            Some(Caution::PressurisedPipe)
        ),
        cause!(
            "flow-control",
            Rare,
            "the flow control is so far open that little flow cannot \
            close the valve",
            "turn it down",
            Some(Caution::ValveBox)
        ),
    ],
    signs: &[
        sign!(
            "stops when the controller is off",
            3,
            "turn the controller off and wait",
            None,
            [A, N, N, N, N]
        ),
        sign!(
            "program has a second start",
            3,
            "read every program's start times",
            None,
            [U, N, N, N, N]
        ),
        sign!(
            "bleed or solenoid is loose",
            3,
            "try both by hand",
            Some(Caution::ValveBox),
            [N, A, N, N, N]
        ),
        sign!(
            "stops after flushing",
            6,
            "open the bleed for a minute with the zone on, shut it",
            Some(Caution::ValveBox),
            [N, S, U, N, S]
        ),
        sign!(
            "stops when the flow control is turned down",
            4,
            "turn it down by half turns, \
            count them",
            Some(Caution::ValveBox),
            [N, N, S, S, A]
        ),
        sign!(
            "diaphragm is torn or stiff",
            15,
            "water off, pressure out, then lift the bonnet",
            Some(Caution::PressurisedPipe),
            [N, N, S, A, N]
        ),
    ],
};

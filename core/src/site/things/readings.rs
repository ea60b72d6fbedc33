//! Observations as typed values.

use crate::log::value::Value;
use crate::merge::replay::Observation;
use crate::site::fields::{Def, Shape, seen};
use crate::site::measure::{self, Measure};
use crate::water::units::{
    Gpm, Inches, MilesPerHour, Millilitres, Minutes, Psi, SquareCentimetres, SquareInches,
};

/// A reading and the observation that holds it: who, when, during which visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen<'a, T> {
    /// The observation.
    pub by: &'a Observation,
    /// What it says.
    pub value: T,
}

/// Reads what can be read; what cannot stays in the log for a later version.
pub(super) fn read_all<'a, T>(
    seen: &'a [Observation],
    read: impl Fn(&Value) -> Option<T>,
) -> Vec<Seen<'a, T>> {
    let readings = seen.iter();
    readings
        .filter_map(|by| {
            let value = read(&by.value)?;
            Some(Seen { by, value })
        })
        .collect()
}

/// The parts of a stored record, by the names that the table gives them.
#[derive(Debug, Clone, Copy)]
pub struct Parts<'v> {
    shape: Shape,
    value: &'v Value,
}

impl<'v> Parts<'v> {
    /// Opens a value of that field or kind of observation.
    #[must_use]
    pub const fn of<N>(what: &Def<N>, value: &'v Value) -> Self {
        let shape = what.shape;
        Self { shape, value }
    }

    /// Returns a part, if it is there.
    #[must_use]
    pub fn get(self, name: &str) -> Option<&'v Value> {
        let Shape::Record(parts) = self.shape else {
            return None;
        };
        let part = parts.iter().find(|part| part.name == name)?;
        self.value.as_record()?.get(&part.number)
    }

    /// Reads a part as a quantity.
    #[must_use]
    pub fn measure<T: Measure>(self, name: &str) -> Option<T> {
        T::read(self.get(name)?)
    }

    /// Reads a part as words.
    #[must_use]
    pub fn words(self, name: &str) -> Option<&'v str> {
        self.get(name)?.as_text()
    }

    /// Reads a part as a list of quantities; `None` where it is no list, or one item is none.
    #[must_use]
    pub fn measures<T: Measure>(self, name: &str) -> Option<Vec<T>> {
        self.get(name)?.as_list()?.iter().map(T::read).collect()
    }
}

/// Whether a pressure was taken with water running.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// The zone ran.
    Running,
    /// Everything was off.
    Static,
}

/// A pressure.
#[derive(Debug, Clone, PartialEq)]
pub struct Pressure {
    /// How much.
    pub pressure: Psi,
    /// Where it was taken, as stored.
    pub at: Option<String>,
    /// With water running or not, if that was said.
    pub taken: Option<Taken>,
}

impl Pressure {
    pub(super) fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::PRESSURE, value);
        Some(Self {
            pressure: parts.measure("pressure")?,
            at: parts.words("at").map(str::to_owned),
            taken: match parts.words("while") {
                Some("running") => Some(Taken::Running),
                Some("static") => Some(Taken::Static),
                _ => None,
            },
        })
    }
}

/// A measured flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow(pub Gpm);

impl Flow {
    pub(super) fn read(value: &Value) -> Option<Self> {
        Some(Self(Parts::of(&seen::FLOW, value).measure("flow")?))
    }
}

/// A resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ohms {
    /// A number.
    Reads(measure::Ohms),
    /// A broken wire or coil.
    Open,
    /// A short circuit.
    Short,
}

impl Ohms {
    pub(super) fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::SOLENOID_OHMS, value);
        match parts.words("ohms") {
            Some("open") => Some(Self::Open),
            Some("short") => Some(Self::Short),
            Some(_) => None,
            None => parts.measure("ohms").map(Self::Reads),
        }
    }
}

/// A catch-can test.
#[derive(Debug, Clone, PartialEq)]
pub struct CatchCans {
    /// What each can caught, in the order in which they were read.
    pub catches: Vec<Millilitres>,
    /// How long the zone ran.
    pub minutes: Option<Minutes>,
    /// The opening of one can.
    pub opening: Option<SquareCentimetres>,
    /// Wind readings during the test.
    pub wind: Vec<MilesPerHour>,
}

impl CatchCans {
    pub(super) fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::CATCH_CANS, value);
        let throat: Option<SquareInches> = parts.measure("throat");
        Some(Self {
            catches: parts.measures("ml")?,
            minutes: parts.measure("minutes"),
            opening: throat.map(SquareCentimetres::from),
            wind: parts.measures("wind").unwrap_or_default(),
        })
    }
}

/// What a soil probe brought up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probe {
    /// How deep the roots went.
    pub root_depth: Option<Inches>,
    /// How moist it was.
    pub moisture: Option<Moisture>,
    /// Whether it was hard to push in.
    pub compacted: Option<bool>,
}

/// How moist the soil was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moisture {
    /// Dry.
    Dry,
    /// As it should be.
    Moist,
    /// Wet.
    Wet,
}

impl Moisture {
    /// Returns what a stored word means.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Some(match word {
            "dry" => Self::Dry,
            "moist" => Self::Moist,
            "wet" => Self::Wet,
            _ => return None,
        })
    }
}

impl Probe {
    pub(super) fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::SOIL_PROBE, value);
        Some(Self {
            root_depth: parts.measure("root-depth"),
            moisture: parts.words("moisture").and_then(Moisture::of_word),
            compacted: parts.get("compacted").and_then(Value::as_bool),
        })
    }
}

//! Why a figure cannot be reckoned, and what to do next.

use std::fmt;

use chrono::{Month, NaiveDate};

use crate::site::things::Missing;
use crate::site::words::Planting;
use crate::water::units::OutOfRange;

/// Why a figure cannot be reckoned.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Unknown {
    /// The station has too few of the last seven days.
    TooLittleWeather {
        /// How many have evapotranspiration.
        known: usize,
        /// What was wrong with the first of the others, if there was one.
        fault: Option<String>,
    },
    /// Nobody recorded rain.
    NoRainRecords,
    /// A season has a gap in its weather that nothing can fill.
    NoWeatherOn {
        /// Its first day.
        day: NaiveDate,
    },
    /// A season has no day of a month.
    MonthNotRecorded {
        /// From 1.
        month: u32,
    },
    /// Nobody said what grows there.
    NoPlants(Missing),
    /// No published figure for what grows there.
    NoCoefficient(Planting),
    /// The ground that it wets is not known.
    NoArea(Missing),
    /// Neither a flow nor heads are recorded.
    NoFlow,
    /// Some heads have no flow.
    HeadsLackFlow(Vec<String>),
    /// Some heads have no arc, and there is no area.
    HeadsLackArc(Vec<String>),
    /// It draws nothing, or nothing reaches the ground.
    NoWater,
    /// What the soil is is not known.
    NoSoil(Missing),
    /// Fill has no figures.
    SoilIsFill,
    /// How deep the roots go is not known, and mixed plants have no usual depth.
    NoRootDepth,
    /// No day of the week is allowed.
    NoDayAllowed,
    /// No hour of the window is allowed.
    NoHourAllowed,
    /// Water runs off within a minute.
    RunsOffWithinAMinute,
    /// It draws more than the supply gives.
    OverSupply,
    /// Its station's number is not recorded.
    NoStation,
    /// It has no controller, or several, and nobody said which.
    NoController,
    /// Nobody took down the programs as found.
    NeverFound,
    /// Nobody wrote the programs down as left.
    NotLeft(Missing),
    /// Nothing is planned, so there is no percentage of it.
    NothingPlanned,
    /// Another zone's figure is missing.
    OfZone {
        /// Which.
        zone: String,
        /// Why.
        reason: Box<Unknown>,
    },
    /// There are no zones.
    NoZones,
    /// A recorded number makes no physical sense.
    Impossible(OutOfRange),
}

impl From<OutOfRange> for Unknown {
    fn from(fault: OutOfRange) -> Self {
        Self::Impossible(fault)
    }
}

impl fmt::Display for Unknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLittleWeather { known, fault: None } => {
                write!(f, "only {known} of the last 7 days have weather")
            }
            Self::TooLittleWeather {
                known,
                fault: Some(fault),
            } => {
                write!(f, "only {known} of the last 7 days have weather: {fault}")
            }
            Self::NoWeatherOn { day } => write!(
                f,
                "there is no weather from {day} on, for longer than the days beside can bridge"
            ),
            Self::MonthNotRecorded { month } => {
                let name = u8::try_from(*month)
                    .ok()
                    .and_then(|month| Month::try_from(month).ok());
                let name = name.map_or("that month", |month| month.name());
                write!(f, "the stretch has no day of {name}")
            }
            Self::NoRainRecords => f.write_str("no rain is recorded for the last 7 days"),
            Self::NoPlants(why) => write!(f, "what grows there is {why}"),
            Self::NoCoefficient(planting) => {
                use crate::site::words::Vocabulary;
                write!(f, "no published need is known for {}", planting.plain())
            }
            Self::NoArea(why) => write!(f, "its area is {why}"),
            Self::NoFlow => f.write_str("neither its flow nor its heads are recorded"),
            Self::HeadsLackFlow(heads) => {
                write!(f, "the flow of {} is not recorded", heads.join(", "))
            }
            Self::HeadsLackArc(heads) => {
                write!(f, "the arc of {} is not recorded", heads.join(", "))
            }
            Self::NoWater => f.write_str("no water reaches the ground, by what is recorded"),
            Self::NoSoil(why) => write!(f, "its soil is {why}"),
            Self::SoilIsFill => f.write_str("fill holds and takes water as nobody can tell"),
            Self::NoRootDepth => f.write_str("the roots of mixed plants have no usual depth"),
            Self::NoDayAllowed => f.write_str("no day of the week is left to water on"),
            Self::NoHourAllowed => f.write_str("no hour of the water window is left"),
            Self::RunsOffWithinAMinute => f.write_str("water runs off within a minute"),
            Self::OverSupply => f.write_str("it draws more than the supply gives"),
            Self::NoStation => f.write_str("its station number is not recorded"),
            Self::NoController => f.write_str("its controller is not recorded"),
            Self::NeverFound => f.write_str("nobody took down the programs as found"),
            Self::NotLeft(why) => write!(f, "the programs as left are {why}"),
            Self::NothingPlanned => f.write_str("nothing is planned to compare with"),
            Self::OfZone { zone, reason } => write!(f, "{zone}: {reason}"),
            Self::NoZones => f.write_str("the site has no zones"),
            Self::Impossible(fault) => write!(f, "{fault}"),
        }
    }
}

impl Unknown {
    /// Returns what would make the figure known, for whoever wants it.
    #[must_use]
    pub fn next_step(&self) -> &'static str {
        match self {
            Self::TooLittleWeather { .. } | Self::NoRainRecords => {
                "record the station's weather days, or monthly normals"
            }
            Self::NoWeatherOn { .. } => "record those days, or monthly normals, or ask for less",
            Self::MonthNotRecorded { .. } => "ask for a stretch with that month in it",
            Self::NoPlants(_) => "record `plants`, or `coefficient`",
            Self::NoCoefficient(_) => "record `coefficient`",
            Self::NoArea(_) => "record `area`, or `spacing`, or a catch-can test",
            Self::NoFlow | Self::HeadsLackFlow(_) => {
                "record `flow`, or the flow of each head, or a catch-can test"
            }
            Self::HeadsLackArc(_) => "record the `arc` of each head, or the zone's `area`",
            Self::NoWater => "check `flow`, or the catch-can test",
            Self::NoSoil(_) | Self::SoilIsFill => {
                "record `soil`; `capacity` and `intake` beat any table"
            }
            Self::NoRootDepth => "record `root-depth`, by a soil probe",
            Self::NoDayAllowed => "check `restriction`, `no-water-days` and `dead-days`",
            Self::NoHourAllowed => "check `restriction` and `water-window`",
            Self::RunsOffWithinAMinute => "nozzles of a lower rate, or drip",
            Self::OverSupply => "check `flow-limit` and the zone's `flow`",
            Self::NoStation => "record `number`",
            Self::NoController => "record `controller`",
            Self::NeverFound => "record `as-found` at the next visit, before any change",
            Self::NotLeft(_) => "record `programs`",
            Self::NothingPlanned => "nothing; the plan is not to water",
            Self::OfZone { reason, .. } => reason.next_step(),
            Self::NoZones => "add the zones",
            Self::Impossible(_) => "correct the number that is named",
        }
    }
}

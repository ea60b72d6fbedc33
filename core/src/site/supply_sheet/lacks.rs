//! What a pressure sheet rests on and what it lacks, as typed reasons: each page words them in its
//! own language, and here they read in English.

use std::fmt;

use crate::log::id::ThingId;
use crate::site::fields::FieldDef;
use crate::site::things::Missing;
use crate::water::units::OutOfRange;

/// A place on the way of the water.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// Behind meter and backflow assembly.
    Backflow,
    /// The end of the main line.
    MainLine,
    /// Behind the zone's valve.
    Valve,
    /// A head, with its name.
    Head(ThingId, String),
}

impl Place {
    /// Returns what it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Self::Backflow => "backflow assembly",
            Self::MainLine => "main line",
            Self::Valve => "valve",
            Self::Head(_, name) => name,
        }
    }
}

/// Something that the sheet takes as usual, for want of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Assumed {
    /// The main line's standard.
    MainLineIsClass200,
    /// The lateral's standard.
    LateralIsClass200,
    /// The rise of the zone.
    Level,
    /// The loss in its valve.
    ValveTakesNothing,
    /// The loss in meter and backflow assembly.
    StreetTakesNothing,
}

impl fmt::Display for Assumed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::MainLineIsClass200 => "the main line is class 200 PVC",
            Self::LateralIsClass200 => "the lateral is class 200 PVC",
            Self::Level => "the zone lies level with the supply",
            Self::ValveTakesNothing => "the valve takes nothing",
            Self::StreetTakesNothing => "meter and backflow assembly take nothing",
        })
    }
}

/// How a gauge stands to what pipe and losses explain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gauge {
    /// It shows less.
    ShowsLess,
    /// It shows more.
    ShowsMore,
}

impl fmt::Display for Gauge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::ShowsLess => {
                "the gauge shows less than pipe and losses explain: a valve or shut-off part \
                 closed, a clogged filter, a break, or two zones at once"
            }
            Self::ShowsMore => {
                "the gauge shows more than pipe and losses explain: a length or a loss in the \
                 record is too large, or nozzles are clogged"
            }
        })
    }
}

/// Something that has to be recorded before the pressure can be worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct Lacking {
    /// Of what.
    pub thing: ThingId,
    /// What that is called.
    pub name: String,
    /// What.
    pub lack: Lack,
}

/// What is lacking of a thing.
#[derive(Debug, Clone, PartialEq)]
pub enum Lack {
    /// The site has no supply.
    NoSupply,
    /// The zone has no heads.
    NoHeads,
    /// A field says nothing.
    Field {
        /// Which.
        field: &'static FieldDef,
        /// Why.
        why: Missing,
    },
    /// A field's size is none that the pipe's standard knows.
    NoSuchPipe(&'static FieldDef),
    /// What is recorded cannot be.
    OutOfSense(OutOfRange),
}

impl fmt::Display for Lack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSupply => {
                f.write_str("the site has no supply; add it with its static pressure")
            }
            Self::NoHeads => f.write_str("it has no heads; add them"),
            Self::Field { field, why } => write!(f, "its {} is {why}; note it", field.name),
            Self::NoSuchPipe(field) => {
                let name = field.name;
                write!(
                    f,
                    "its {name} is no size of that pipe; note the nominal size"
                )
            }
            Self::OutOfSense(error) => error.fmt(f),
        }
    }
}

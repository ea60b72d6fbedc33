//! Why a figure is what it is: one plain sentence each, in the units of the reader.

use chrono::{Month, NaiveDate, Weekday, WeekdaySet};

use super::{Allowed, From};
use crate::site::measure::Measure;
use crate::site::programs::DayRule;
use crate::site::unit::UnitSystem;
use crate::site::words::{Emission, Season, SoilKind, Sun, Vocabulary};
use crate::water::plant::Basis;
use crate::water::units::{
    Feet, Fraction, Gpm, Inches, InchesPerHour, InchesPerInch, Minutes, Percent, SquareFeet,
};
use crate::water::window::Window;

/// A reason for a figure.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
#[expect(
    missing_docs,
    reason = "the sentence of each is its meaning, and names each part"
)]
pub enum Why {
    EtOfWeek {
        total: Inches,
        station: usize,
        computed: usize,
    },
    EtMethod {
        assumed: Vec<&'static str>,
    },
    DaysMissing {
        known: usize,
    },
    RainOfWeek {
        total: Inches,
        days: usize,
    },
    RainMissing {
        days: usize,
    },
    NoRainCounted,
    RainCounted {
        counted: Inches,
        share: Percent,
        from: From,
    },
    RainCapped {
        at: Inches,
    },
    RainCovers,
    Need {
        eto: Inches,
        coefficient: Fraction,
        rain: Inches,
    },
    Cut {
        percent: Percent,
        source: String,
    },
    Off(Season),
    Coefficient {
        basis: Basis,
        month: Month,
    },
    ShadeNotCounted(Sun),
    Exception {
        why: String,
        until: Option<NaiveDate>,
    },
    RateFromCans {
        cans: usize,
        minutes: Minutes,
    },
    HeadsChangedSince,
    CansAboveFlow {
        gross: InchesPerHour,
    },
    Warning(String),
    RateFromFlow {
        flow: Gpm,
        area: SquareFeet,
    },
    RateFromPattern {
        heads: usize,
        spacing: Feet,
        rows: Feet,
    },
    FlowMeasured,
    FlowRecorded,
    FlowOfHeads {
        heads: usize,
    },
    FlowFromRate {
        rate: InchesPerHour,
        area: SquareFeet,
    },
    UniformityFromCans {
        cans: usize,
        low: usize,
    },
    UniformityAssumed {
        emission: Option<Emission>,
    },
    Storage {
        capacity: InchesPerInch,
        roots: Inches,
        share: Percent,
    },
    CapacityOfSoil(SoilKind),
    CapacityRecorded,
    RootsProbed,
    RootsRecorded,
    RootsAssumed,
    DepletionFrom(From),
    CompactionNotCounted,
    Interval {
        storage: Inches,
        a_day: Inches,
    },
    DaysOf {
        wanted: u32,
        given: f64,
    },
    NothingToDo,
    WaitsTooLong {
        wait: u32,
        lasts: f64,
    },
    Window {
        window: Window,
        from: From,
    },
    CutAtMidnight {
        window: Window,
    },
    HoursForbidden {
        never: Window,
        left: Window,
    },
    RestrictedTo {
        allowed: Allowed,
        source: String,
    },
    DryDays {
        dry: WeekdaySet,
    },
    NoRestriction,
    MinutesOfWeek {
        need: Inches,
        rate: InchesPerHour,
        uniformity: Fraction,
        multiplier: Fraction,
    },
    MinutesOfDay {
        week: Minutes,
        a_week: f64,
    },
    RunOffAfter {
        limit: Minutes,
        intake: InchesPerHour,
        storage: Inches,
    },
    NoRunOff {
        intake: InchesPerHour,
    },
    IntakeOf(SoilKind),
    IntakeRecorded,
    FlatAssumed,
    WholeMinutes {
        exact: Minutes,
    },
    WaterOfWeek {
        flow: Gpm,
        minutes: Minutes,
    },
    Packed {
        together: bool,
    },
    NightsDiffer,
    SumOfZones {
        count: usize,
    },
    Setting {
        on: Option<NaiveDate>,
        by: String,
        rule: Vec<DayRule>,
    },
    NotInProgram,
    DepthOf {
        minutes: Minutes,
        rate: InchesPerHour,
    },
    Against {
        planned: Minutes,
    },
    TwoVersions {
        field: &'static str,
    },
}

/// Returns an amount in the units of a system, rounded as people say it.
#[must_use]
pub fn say<T: Measure>(value: T, system: UnitSystem) -> String {
    let unit = T::UNIT.in_system(system);
    let amount = value.amount();
    let amount = T::UNIT.amount_in(amount, unit).unwrap_or(amount);
    let decimals = match amount.abs() {
        size if size >= 100.0 => 0,
        size if size >= 0.1 => 2,
        _ => 3,
    };
    let rounded: f64 = format!("{amount:.decimals$}").parse().unwrap_or(amount);
    unit.write(rounded)
}

impl Why {
    /// Returns the reason as one plain sentence.
    #[must_use]
    pub fn sentence(&self, system: UnitSystem) -> String {
        // One arm a reason, all in one place, so that none can be without its sentence.
        match self {
            // Weather and need.
            Self::EtOfWeek {
                total,
                station,
                computed,
            } => format!(
                "reference evapotranspiration of 7 days is {}: {station} days from the station, \
                 {computed} computed",
                say(*total, system)
            ),
            Self::EtMethod { assumed } if assumed.is_empty() => {
                "computed by FAO-56 Penman-Monteith".to_owned()
            }
            Self::EtMethod { assumed } => format!(
                "computed by FAO-56 Penman-Monteith; not measured and filled in: {}",
                assumed.join(", ")
            ),
            Self::DaysMissing { known } => {
                format!(
                    "only {known} of the 7 days are known; the others are taken to be like them"
                )
            }
            Self::RainOfWeek { total, days } => {
                format!(
                    "{} of rain on the {days} days with a record",
                    say(*total, system)
                )
            }
            Self::RainMissing { days } => {
                format!("rain is not recorded on {days} of the 7 days and taken as none")
            }
            Self::NoRainCounted => "no rain that reaches the roots".to_owned(),
            Self::RainCounted {
                counted,
                share,
                from,
            } => format!(
                "{} of rain on days with more than a fifth of the evapotranspiration, of which \
                 {} counts ({})",
                say(*counted, system),
                say(*share, system),
                said_by(*from)
            ),
            Self::RainCapped { at } => {
                format!(
                    "a day's rain counts up to {}, all that the roots can reach",
                    say(*at, system)
                )
            }
            Self::RainCovers => "rain covers the need".to_owned(),
            Self::Need {
                eto,
                coefficient,
                rain,
            } => format!(
                "{} of evapotranspiration x {:.2} - {} of rain",
                say(*eto, system),
                coefficient.get(),
                say(*rain, system)
            ),
            Self::Cut { percent, source } => {
                format!("cut by {} by {source}", say(*percent, system))
            }
            Self::Off(season) => format!("the water is {}", season.plain()),
            Self::Coefficient { basis, month } => {
                format!(
                    "share of reference evapotranspiration: {basis}, {}",
                    month.name()
                )
            }
            Self::ShadeNotCounted(sun) => format!(
                "sun is recorded as {} and not counted; set `coefficient` if it needs less or more",
                sun.plain()
            ),
            Self::Exception {
                why,
                until: Some(until),
            } => {
                format!("watered otherwise until {until}: {why}")
            }
            Self::Exception { why, until: None } => format!("watered otherwise: {why}"),
            // Rate, uniformity and soil.
            Self::RateFromCans { cans, minutes } => {
                format!("{cans} catch cans, {}", say(*minutes, system))
            }
            Self::HeadsChangedSince => {
                "heads were changed since the cans stood there: test again".to_owned()
            }
            Self::CansAboveFlow { gross } => format!(
                "flow and area give {}, less than the cans caught: one of them is wrong",
                say(*gross, system)
            ),
            Self::Warning(words) => words.clone(),
            Self::RateFromFlow { flow, area } => {
                let times = match system {
                    UnitSystem::Us => "96.25",
                    UnitSystem::Si => "60",
                };
                format!("{times} x {} / {}", say(*flow, system), say(*area, system))
            }
            Self::RateFromPattern {
                heads,
                spacing,
                rows,
            } => format!(
                "{heads} heads, {} apart in rows {} apart",
                say(*spacing, system),
                say(*rows, system)
            ),
            Self::FlowMeasured => "flow as measured".to_owned(),
            Self::FlowRecorded => "flow as recorded".to_owned(),
            Self::FlowOfHeads { heads } => format!("flow of its {heads} heads, added up"),
            Self::FlowFromRate { rate, area } => {
                format!("flow from {} on {}", say(*rate, system), say(*area, system))
            }
            Self::UniformityFromCans { cans, low } => {
                format!("lowest quarter is {low} of {cans} cans, rounded to the nearest")
            }
            Self::UniformityAssumed { emission } => format!(
                "no cans were set out; assumed for {} (from memory of field audits)",
                emission.map_or_else(|| "unknown heads".to_owned(), Emission::plain)
            ),
            Self::Storage {
                capacity,
                roots,
                share,
            } => format!(
                "{} x {} of roots, of which {} may be used",
                say(*capacity, system),
                say(*roots, system),
                say(*share, system)
            ),
            Self::CapacityOfSoil(soil) => format!("what {} usually holds", soil.plain()),
            Self::CapacityRecorded => "what the soil holds, as recorded".to_owned(),
            Self::RootsProbed => "roots by a soil probe".to_owned(),
            Self::RootsRecorded => "root depth as recorded".to_owned(),
            Self::RootsAssumed => "root depth usual for the plants (common practice)".to_owned(),
            Self::DepletionFrom(from) => {
                format!("share of it that may be used: {}", said_by(*from))
            }
            Self::CompactionNotCounted => {
                "compacted soil takes water in more slowly; not counted: set `intake`".to_owned()
            }
            Self::RunOffAfter {
                limit,
                intake,
                storage,
            } => format!(
                "runs off after {}: the soil takes {}, and {} can stand on it",
                say(*limit, system),
                say(*intake, system),
                say(*storage, system)
            ),
            Self::NoRunOff { intake } => {
                format!(
                    "the soil takes {}, as fast as it falls",
                    say(*intake, system)
                )
            }
            Self::IntakeOf(soil) => format!("intake usual for {}", soil.plain()),
            Self::IntakeRecorded => "intake as recorded".to_owned(),
            Self::FlatAssumed => "slope is not recorded and taken as flat".to_owned(),
            // Days, hours and minutes.
            Self::Interval { storage, a_day } => format!(
                "{} lasts {:.1} days at {} a day",
                say(*storage, system),
                storage.get() / a_day.get(),
                say(*a_day, system)
            ),
            Self::DaysOf { wanted, given } if f64::from(*wanted) == *given => {
                format!("{wanted} days a week")
            }
            Self::DaysOf { wanted, given } => {
                format!("{wanted} days a week would suit the soil; {given} it is")
            }
            Self::NothingToDo => "nothing to put back".to_owned(),
            Self::WaitsTooLong { wait, lasts } => format!(
                "up to {wait} days lie between two waterings and the soil lasts {lasts:.1}: the \
                 plants will be short of water"
            ),
            Self::Window { window, from } => {
                format!(
                    "water may run from {} to {} ({})",
                    window.opens,
                    window.closes,
                    said_by(*from)
                )
            }
            Self::CutAtMidnight { window } => format!(
                "not every day is allowed, so the night is kept to one day: {} to {}",
                window.opens, window.closes
            ),
            Self::HoursForbidden { never, left } => format!(
                "no water from {} to {}, which leaves {} to {}",
                never.opens, never.closes, left.opens, left.closes
            ),
            Self::RestrictedTo { allowed, source } => {
                format!("{source} allows {}", days_allowed(*allowed))
            }
            Self::DryDays { dry } => format!("no water on {}", day_names(*dry)),
            Self::NoRestriction => "every day is allowed".to_owned(),
            Self::MinutesOfWeek {
                need,
                rate,
                uniformity,
                multiplier,
            } => format!(
                "60 x {} / {}, x {:.3} for a uniformity of {:.2}",
                say(*need, system),
                say(*rate, system),
                multiplier.get(),
                uniformity.get()
            ),
            Self::MinutesOfDay { week, a_week } => {
                format!("{} a week on {a_week} days", say(*week, system))
            }
            Self::WholeMinutes { exact } => {
                format!(
                    "{} in whole minutes, each cycle rounded up",
                    say(*exact, system)
                )
            }
            Self::Packed { together: false } => {
                "one valve at a time, others while one soaks".to_owned()
            }
            Self::Packed { together: true } => {
                "as many valves at a time as the supply carries".to_owned()
            }
            Self::NightsDiffer => {
                "all zones do not fit one night, so they are spread over the week".to_owned()
            }
            // Water, and the settings beside the plan.
            Self::WaterOfWeek { flow, minutes } => {
                format!(
                    "{} for {} a week",
                    say(*flow, system),
                    say(*minutes, system)
                )
            }
            Self::SumOfZones { count } => format!("all {count} zones together"),
            Self::Setting { on, by, rule } => {
                let rules: Vec<String> = rule.iter().map(DayRule::to_string).collect();
                let on = on.map_or_else(String::new, |on| format!(" on {on}"));
                let days = if rules.is_empty() {
                    "no day".to_owned()
                } else {
                    rules.join(" and ")
                };
                format!("run time x percent x starts x days ({days}), from {by}{on}")
            }
            Self::NotInProgram => "no program gives it a run time".to_owned(),
            Self::DepthOf { minutes, rate } => {
                format!("{} at {}", say(*minutes, system), say(*rate, system))
            }
            Self::Against { planned } => {
                format!("against {} planned", say(*planned, system))
            }
            Self::TwoVersions { field } => {
                format!("`{field}` stands in two versions; the one in force is used")
            }
        }
    }
}

fn said_by(from: From) -> &'static str {
    match from {
        From::Default => "common practice",
        From::Company => "house rule",
        From::Site => "as recorded for the site",
        From::Controller => "as recorded for the controller",
        From::Zone => "as recorded for the zone",
    }
}

fn days_allowed(allowed: Allowed) -> String {
    let of = |days: WeekdaySet| match days {
        WeekdaySet::ALL => String::new(),
        days => format!(" that are {}", day_names(days)),
    };
    match allowed {
        Allowed::Weekdays(WeekdaySet::ALL) => "every day".to_owned(),
        Allowed::Weekdays(days) => day_names(days),
        Allowed::Odd(days) => format!("odd days{}", of(days)),
        Allowed::Even(days) => format!("even days{}", of(days)),
    }
}

fn day_names(days: WeekdaySet) -> String {
    let names: Vec<String> = days.iter(Weekday::Mon).map(|day| day.to_string()).collect();
    names.join(", ")
}

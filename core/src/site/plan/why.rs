//! Why a figure is what it is: one plain sentence each, in the units of the reader.

use chrono::{Month, NaiveDate, Weekday, WeekdaySet};

use super::{Allowed, Clock, From};
use crate::site::measure::Measure;
use crate::site::programs::DayRule;
use crate::site::unit::UnitSystem;
use crate::site::weather::Origin;
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
    EtFromNormals {
        known: usize,
    },
    RainFromNormals,
    SeasonWeather {
        what: &'static str,
        origin: Origin,
        days: usize,
    },
    UsualOfMonth {
        years: usize,
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
    RainStillThere {
        left: Inches,
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
    Factors {
        species: Fraction,
        density: Fraction,
        microclimate: Fraction,
    },
    Exposure {
        sun: Sun,
        factor: Fraction,
    },
    MicroclimateRecorded {
        factor: Fraction,
    },
    Learned {
        from: Fraction,
        to: Fraction,
        dry: usize,
        wet: usize,
        right: usize,
        range: (Fraction, Fraction),
    },
    NoteExplained {
        date: NaiveDate,
        word: &'static str,
        reason: String,
    },
    NoteNotWeighed {
        date: NaiveDate,
        word: &'static str,
    },
    NoteOfThirst {
        date: NaiveDate,
        supplied: Fraction,
    },
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
    FlowOffHeads {
        own: Gpm,
        heads: Gpm,
    },
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
    Compacted {
        loose: InchesPerHour,
        intake: InchesPerHour,
    },
    Interval {
        storage: Inches,
        a_day: Inches,
    },
    DaysOf {
        wanted: u32,
        given: f64,
    },
    MoreDaysToFit {
        by_soil: u32,
    },
    Shortened {
        lost: Minutes,
        percent: Percent,
        nights: usize,
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
    ClockChanges {
        date: NaiveDate,
        clock: Clock,
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
    SlopeRecorded,
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
    Dialled {
        programs: usize,
        starts: u32,
        recorded: bool,
    },
    DialledShort {
        percent: u32,
    },
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
            Self::EtFromNormals { known } => format!(
                "only {known} of the 7 days are recorded; reference evapotranspiration is the \
                 month's usual one"
            ),
            Self::RainFromNormals => {
                "no rain is recorded for the 7 days; it is taken as the month's usual".to_owned()
            }
            Self::SeasonWeather { what, origin, days } => {
                let from = match origin {
                    Origin::Recorded => "as recorded",
                    Origin::Computed => "computed by FAO-56 Penman-Monteith from the readings",
                    Origin::Between => "missing, taken between the days beside",
                    Origin::Normals => "missing, taken as the month's usual",
                    Origin::TakenAsNone => "not recorded, taken as none",
                };
                format!("{what} of {days} days: {from}")
            }
            Self::UsualOfMonth { years } => format!(
                "the mean reference evapotranspiration of the month over {years} recorded years, \
                 without rain"
            ),
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
            Self::RainStillThere { left } => format!(
                "{} of the rain is still in the soil; the rest was used or drained",
                say(*left, system)
            ),
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
            Self::Factors {
                species,
                density,
                microclimate,
            } => format!(
                "species {:.2} x density {:.2} x microclimate {:.2}",
                species.get(),
                density.get(),
                microclimate.get()
            ),
            Self::Exposure { sun, factor } => format!(
                "sun is recorded as {}: x {:.2}, within the range the landscape coefficient \
                 method publishes (from memory); `microclimate-factor` says it better",
                sun.plain(),
                factor.get()
            ),
            Self::MicroclimateRecorded { factor } => {
                format!("x {:.2} for its microclimate, as recorded", factor.get())
            }
            Self::Learned {
                from,
                to,
                dry,
                wet,
                right,
                range,
            } => {
                let (low, high) = (range.0.get(), range.1.get());
                let (from, to) = (format!("{:.2}", from.get()), format!("{:.2}", to.get()));
                let notes = notes_said(&[(*dry, "dry"), (*wet, "wet"), (*right, "moist")]);
                let range = format!("published range {low:.2} to {high:.2}");
                match to.as_str().cmp(from.as_str()) {
                    std::cmp::Ordering::Greater => {
                        format!("raised from {from} to {to} by {notes} ({range})")
                    }
                    std::cmp::Ordering::Less => {
                        format!("lowered from {from} to {to} by {notes} ({range})")
                    }
                    std::cmp::Ordering::Equal => {
                        format!("left at {from} by {notes} ({range})")
                    }
                }
            }
            Self::NoteExplained { date, word, reason } => {
                format!("the {word} note of {date} teaches nothing about the plants: {reason}")
            }
            Self::NoteNotWeighed { date, word } => format!(
                "the {word} note of {date} is not counted: what was run or the weather before it \
                 is not recorded"
            ),
            Self::NoteOfThirst { date, supplied } => format!(
                "the dry note of {date} says little about the plants: the zone had {:.0}% of its \
                 water",
                100.0 * supplied.get()
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
            Self::FlowOffHeads { own, heads } => format!(
                "it draws {}, its heads together {}: a leak, a wrong nozzle, or low pressure",
                say(*own, system),
                say(*heads, system)
            ),
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
            Self::Compacted { loose, intake } => format!(
                "compacted: the soil takes {} where loose it would take {} (from memory of \
                 published rates); `intake` says it better",
                say(*intake, system),
                say(*loose, system)
            ),
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
            Self::SlopeRecorded => "slope as recorded".to_owned(),
            Self::FlatAssumed => "slope is not recorded and taken as flat".to_owned(),
            // Days, hours and minutes.
            Self::Interval { storage, a_day } => format!(
                "{} lasts {:.1} days at {} a day",
                say(*storage, system),
                storage.get() / a_day.get(),
                say(*a_day, system)
            ),
            Self::DaysOf { wanted, given } if f64::from(*wanted) == *given => {
                format!("{} a week", days_counted(*wanted))
            }
            Self::DaysOf { wanted, given } => {
                format!(
                    "{} a week would suit the soil; {given} it is",
                    days_counted(*wanted)
                )
            }
            Self::MoreDaysToFit { by_soil } => format!(
                "{by_soil} would do for the soil, but the cycles and soaks of so long a run do not \
                 fit a night"
            ),
            Self::Shortened {
                lost,
                percent,
                nights: _,
            } if *percent >= Percent::new(99.5) => format!(
                "nothing of its {} fits the nights beside the others",
                say(*lost, system)
            ),
            Self::Shortened {
                lost,
                percent,
                nights,
            } => format!(
                "{nights} nights of the week are too short for all zones: it loses {} of the week, \
                 {:.0}% of what it should run",
                say(*lost, system),
                percent.get()
            ),
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
            Self::ClockChanges { date, clock } => match clock {
                Clock::Forward => format!(
                    "on {date} clocks go from 02:00 to 03:00: a start between them is skipped"
                ),
                Clock::Back => format!(
                    "on {date} clocks go back from 02:00 to 01:00: a start between them may run twice"
                ),
            },
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
                let days = if *a_week == 1.0 { "day" } else { "days" };
                format!("{} a week on {a_week} {days}", say(*week, system))
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
            Self::Dialled {
                programs,
                starts,
                recorded,
            } => format!(
                "for {programs} programs of {starts} start times each ({})",
                if *recorded {
                    "as recorded for the controller"
                } else {
                    "common practice"
                }
            ),
            Self::DialledShort { percent } => format!(
                "the nights are too short for all programs one after the other: every zone runs \
                 {percent}% of its minutes or less"
            ),
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

fn days_counted(days: u32) -> String {
    format!("{days} {}", if days == 1 { "day" } else { "days" })
}

/// Returns notes as people count them: `two dry notes and one moist`.
fn notes_said(kinds: &[(usize, &str)]) -> String {
    let number = |count: usize| match count {
        1 => "one".to_owned(),
        2 => "two".to_owned(),
        3 => "three".to_owned(),
        more => more.to_string(),
    };
    let kinds = kinds.iter().filter(|(count, _)| *count > 0);
    let said: Vec<String> = kinds
        .map(|(count, word)| {
            let notes = if *count == 1 { "note" } else { "notes" };
            format!("{} {word} {notes}", number(*count))
        })
        .collect();
    said.join(" and ")
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

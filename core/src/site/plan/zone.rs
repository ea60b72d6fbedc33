//! One zone's plan, figure by figure.

use super::coefficient::coefficient;
use super::days::{Limits, longest_wait, spread};
use super::demand::Week;
use super::settings::{self, Setting};
use super::soil::{Held, Takes, capacity, cycles, run_off, takes};
use super::supply::Applied;
use super::teach::Lessons;
use super::{Allowed, Figure, From, HouseRules, Rule, Unknown, WaterDays, Why, ZoneStart};
use crate::log::id::ThingId;
use crate::site::fields;
use crate::site::programs::{DayRule, Station};
use crate::site::things::{Site, Zone};
use crate::site::words::Planting;
use crate::water::soak::RunOffLimit;
use crate::water::units::{Fraction, Gallons, Gpm, Inches, InchesPerHour, Minutes, Percent};
use crate::water::{rain, runtime};

/// A zone's plan for the week, beside what is set.
#[derive(Debug, Clone, PartialEq)]
pub struct ZonePlan {
    /// Which zone.
    pub zone: ThingId,
    /// What it is called.
    pub name: String,
    /// Its station at the controller.
    pub station: Option<Station>,
    /// What grows there, where that is recorded.
    pub plants: Option<Planting>,
    /// The share of reference evapotranspiration that its plants need.
    pub coefficient: Figure<Fraction>,
    /// Rain of the week that counts here.
    pub effective_rain: Figure<Inches>,
    /// What the week needs.
    pub need: Figure<Inches>,
    /// How fast it waters.
    pub rate: Figure<InchesPerHour>,
    /// How evenly.
    pub uniformity: Figure<Fraction>,
    /// What it draws.
    pub flow: Figure<Gpm>,
    /// Water that the soil may give up between two waterings.
    pub storage: Figure<Inches>,
    /// How fast the soil takes water in.
    pub intake: Figure<InchesPerHour>,
    /// How long one cycle may be before water runs off.
    pub run_off: Figure<RunOffLimit>,
    /// On which days.
    pub days: Figure<WaterDays>,
    /// Minutes in the week, exactly.
    pub minutes_a_week: Figure<Minutes>,
    /// Minutes on each of its days, exactly.
    pub minutes_a_day: Figure<Minutes>,
    /// Cycles, minutes and soak to set.
    pub cycles: Figure<AsSet>,
    /// Minutes in the week as they are to be set: whole minutes, less what does not fit.
    pub minutes_set: Figure<Minutes>,
    /// When each cycle starts.
    pub starts: Figure<Vec<ZoneStart>>,
    /// Water of the week as it is to be set.
    pub gallons: Figure<Gallons>,
    /// What was found.
    pub as_found: Setting,
    /// What was left.
    pub as_left: Setting,
}

/// What can be set on a controller for one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AsSet {
    /// How many cycles.
    pub cycles: u32,
    /// Whole minutes each.
    pub minutes: u32,
    /// Least minutes of wait between two.
    pub soak: u32,
}

impl AsSet {
    /// Minutes of water in a day.
    #[must_use]
    pub const fn water(self) -> u32 {
        self.cycles.saturating_mul(self.minutes)
    }

    /// Minutes from its first start to its last stop, were it alone.
    #[must_use]
    pub const fn span(self) -> u32 {
        let waits = self.cycles.saturating_sub(1).saturating_mul(self.soak);
        self.water().saturating_add(waits)
    }
}

pub(super) fn plan(
    site: &Site<'_>,
    zone: Zone<'_>,
    week: &Week,
    limits: &Limits,
    rules: &HouseRules,
    lessons: &Lessons<'_>,
) -> ZonePlan {
    let applied = Applied::of(zone);
    let coefficient = coefficient(zone, week.month, rules, lessons);
    let capacity = capacity(zone, rules);
    let effective_rain = effective_rain(site, week, capacity.as_ref().ok(), &coefficient, rules);
    let need = need(zone, week, &coefficient, &effective_rain, limits);
    let storage = Figure::reckon(|| {
        let held = capacity?;
        let may = held.total * (held.share.get() / 100.0);
        let why = Why::Storage {
            capacity: held.capacity,
            roots: held.roots,
            share: held.share,
        };
        Ok(Figure::known(may, why).and_all(held.why))
    });
    let takes = takes(zone);
    let run_off = run_off(&takes, &applied.rate);
    let minutes_a_week = minutes_a_week(&need, &applied);
    let Daily {
        days,
        minutes_a_day,
        cycles,
    } = on_days(
        &takes,
        &minutes_a_week,
        |least| days(&minutes_a_week, week, &coefficient, &storage, limits, least),
        &applied.rate,
        limits,
    );
    let set = Figure::reckon(|| {
        let (cycles, days) = (*cycles.get()?, *days.get()?);
        let minutes = Minutes::new(f64::from(cycles.water()) * days.a_week);
        Ok(Figure::known(
            minutes,
            Why::WholeMinutes {
                exact: *minutes_a_day.get()?,
            },
        ))
    });
    let setting = |read| Setting::of(zone, read, &applied.rate, &applied.flow, &minutes_a_week);
    ZonePlan {
        zone: zone.id,
        name: zone.address(),
        station: zone.station(),
        plants: zone.plants().ok().map(|plants| plants.value),
        gallons: settings::water(&set, &applied.flow),
        minutes_set: set,
        as_found: setting(settings::as_found(zone)),
        as_left: setting(settings::as_left(zone)),
        // The starts depend on all zones together and come after.
        starts: Figure::unknown(Unknown::NoZones),
        coefficient,
        effective_rain,
        need,
        rate: applied.rate,
        uniformity: applied.uniformity,
        flow: applied.flow,
        storage,
        intake: Figure::reckon(|| {
            let takes = takes?;
            let mut why = takes.why.into_iter();
            let first = why.next().expect("an intake has its origin");
            Ok(Figure::known(takes.intake, first).and_all(why))
        }),
        run_off,
        days,
        minutes_a_week,
        minutes_a_day,
        cycles,
    }
}

/// The rain that counts: what of a share of it is still in the soil when the week begins. On the way
/// there the soil keeps no more than it may give up between two waterings, and the plants drink.
fn effective_rain(
    site: &Site<'_>,
    week: &Week,
    held: Option<&Held>,
    coefficient: &Figure<Fraction>,
    rules: &HouseRules,
) -> Figure<Inches> {
    Figure::reckon(|| {
        week.rain.get()?;
        let own = site
            .root()
            .measure::<Percent>(&fields::site::EFFECTIVE_RAIN)
            .ok();
        let own = own.map(|share| Rule {
            value: share.value,
            from: From::Site,
        });
        let Rule { value: share, from } = own.unwrap_or(rules.effective_rain);
        let counted: Inches = week.days.iter().map(|day| day.rain).sum();
        if counted <= Inches::ZERO {
            let known = week.rain.why().iter().cloned();
            return Ok(Figure::known(Inches::ZERO, Why::NoRainCounted).and_all(known));
        }
        let mut left = Inches::ZERO;
        let mean = *week.eto.get()? / 7.0;
        let holds = held.map(|held| held.total * (held.share.get() / 100.0));
        for day in &week.days {
            left = left + rain::fixed_share(day.rain, Fraction::from(share))?;
            if let Some(holds) = holds.filter(|holds| left > *holds) {
                left = holds;
            }
            let used = day.eto.unwrap_or(mean) * coefficient.get()?.get();
            left = if left > used {
                left - used
            } else {
                Inches::ZERO
            };
        }
        let why = Why::RainCounted {
            counted,
            share,
            from,
        };
        Ok(Figure::known(left, Why::RainStillThere { left })
            .and(why)
            .and_all(week.rain.why().iter().cloned()))
    })
}

fn need(
    zone: Zone<'_>,
    week: &Week,
    coefficient: &Figure<Fraction>,
    rain: &Figure<Inches>,
    limits: &Limits,
) -> Figure<Inches> {
    if let Some(season) = week.off {
        return Figure::known(Inches::ZERO, Why::Off(season));
    }
    Figure::reckon(|| {
        let (eto, coefficient) = (*week.eto.get()?, *coefficient.get()?);
        let rain = *rain.get()?;
        let mut need = runtime::need(eto, coefficient, rain)?;
        let sum = Why::Need {
            eto,
            coefficient,
            rain,
        };
        let covers = (need <= Inches::ZERO).then_some(Why::RainCovers);
        let cut = limits.cut.as_ref().map(|(percent, source)| {
            need = need * (1.0 - percent.get() / 100.0).max(0.0);
            Why::Cut {
                percent: *percent,
                source: source.clone(),
            }
        });
        Ok(Figure::known(need, covers.clone().unwrap_or(sum.clone()))
            .and_all(covers.is_some().then_some(sum))
            .and_all(cut)
            .and_all(week.eto.why().iter().cloned())
            .and_all(exception(zone, week)))
    })
}

fn exception(zone: Zone<'_>, week: &Week) -> Option<Why> {
    let why = zone.words(&fields::zone::EXCEPTION).ok()?.value;
    let until = zone
        .day(&fields::zone::EXCEPTION_UNTIL)
        .ok()
        .map(|fact| fact.value);
    let holds = until.is_none_or(|until| until >= week.on);
    holds.then_some(Why::Exception { why, until })
}

fn minutes_a_week(need: &Figure<Inches>, applied: &Applied) -> Figure<Minutes> {
    Figure::reckon(|| {
        let need_known = *need.get()?;
        if need_known <= Inches::ZERO {
            // Nothing to put back is no minutes, whatever the rate is.
            let why = need.why().first().cloned().unwrap_or(Why::NothingToDo);
            return Ok(Figure::known(Minutes::ZERO, why));
        }
        let (rate, uniformity) = (*applied.rate.get()?, *applied.uniformity.get()?);
        let time = runtime::run_time(need_known, rate, uniformity)?;
        let multiplier = time.multiplier;
        let why = Why::MinutesOfWeek {
            need: need_known,
            rate,
            uniformity,
            multiplier,
        };
        Ok(Figure::known(time.upper, why)
            .and_all(applied.rate.why().iter().cloned())
            .and_all(applied.uniformity.why().iter().cloned()))
    })
}

/// What falls on each of a zone's days.
struct Daily {
    days: Figure<WaterDays>,
    minutes_a_day: Figure<Minutes>,
    cycles: Figure<AsSet>,
}

/// The days that suit the soil; more of them where a night is too short for a day's cycles and
/// soaks, as long as there are more.
fn on_days(
    takes: &Result<Takes, Unknown>,
    minutes_a_week: &Figure<Minutes>,
    days: impl Fn(u32) -> Figure<WaterDays>,
    rate: &Figure<InchesPerHour>,
    limits: &Limits,
) -> Daily {
    let open = limits
        .window
        .value()
        .map_or(u32::MAX, |window| window.minutes());
    let mut least = 1;
    loop {
        let days = days(least);
        let minutes_a_day = Figure::reckon(|| {
            let (week, days) = (*minutes_a_week.get()?, *days.get()?);
            if week <= Minutes::ZERO {
                return Ok(Figure::known(Minutes::ZERO, Why::NothingToDo));
            }
            let a_week = days.a_week;
            Ok(Figure::known(
                week / a_week,
                Why::MinutesOfDay { week, a_week },
            ))
        });
        let cycles = cycles(takes, &minutes_a_day, rate);
        let too_long = cycles.value().is_some_and(|set| set.span() > open);
        let could_be_more = days.value().is_some_and(|days| {
            let more = limits.allowed.value().map(super::Allowed::days_a_week);
            matches!(days.rule, DayRule::Weekdays(_)) && more.is_some_and(|more| more > days.a_week)
        });
        if !too_long || !could_be_more {
            return Daily {
                days,
                minutes_a_day,
                cycles,
            };
        }
        least = days.value().map_or(7, |days| days.a_week as u32) + 1;
    }
}

fn days(
    minutes: &Figure<Minutes>,
    week: &Week,
    coefficient: &Figure<Fraction>,
    storage: &Figure<Inches>,
    limits: &Limits,
    least: u32,
) -> Figure<WaterDays> {
    Figure::reckon(|| {
        if *minutes.get()? <= Minutes::ZERO {
            let rule = DayRule::Weekdays(chrono::WeekdaySet::EMPTY);
            let none = WaterDays { rule, a_week: 0.0 };
            return Ok(Figure::known(none, Why::NothingToDo));
        }
        let a_day = *week.eto.get()? * (coefficient.get()?.get() / 7.0);
        let storage_known = *storage.get()?;
        // The days are those of a dry week: rain is what the weather may bring, not a plan.
        let lasts = storage_known / a_day;
        let by_soil = (7.0 / lasts - 1e-9).ceil().clamp(1.0, 7.0) as u32;
        let wanted = by_soil.max(least);
        let interval = Why::Interval {
            storage: storage_known,
            a_day,
        };
        let allowed = *limits.allowed.get()?;
        let (rule, a_week, wait) = match allowed {
            Allowed::Weekdays(days) => {
                let chosen = spread(days, wanted).into_iter().next().unwrap_or(days);
                let a_week = f64::from(chosen.len());
                (DayRule::Weekdays(chosen), a_week, longest_wait(chosen))
            }
            Allowed::Odd(_) => (DayRule::Odd, allowed.days_a_week(), 2),
            Allowed::Even(_) => (DayRule::Even, allowed.days_a_week(), 2),
        };
        let fewer = f64::from(wanted) > a_week;
        let waits = fewer && f64::from(wait) > lasts;
        let figure = Figure::known(WaterDays { rule, a_week }, interval)
            .and(Why::DaysOf {
                wanted,
                given: a_week,
            })
            .and_all((wanted > by_soil).then_some(Why::MoreDaysToFit { by_soil }))
            .and_all(waits.then_some(Why::WaitsTooLong { wait, lasts }))
            .and_all(storage.why().iter().cloned())
            .and_all(limits.allowed.why().iter().cloned());
        Ok(figure)
    })
}

//! When and on which days water may run: the site's window and dry days, and the authority's
//! restriction.

use chrono::{Datelike, NaiveDate, Weekday, WeekdaySet};

use super::rules::read_window;
use super::{Figure, From, HouseRules, Rule, Unknown, Why};
use crate::log::value::Value;
use crate::site::fields;
use crate::site::measure::Measure;
use crate::site::programs::DayRule;
use crate::site::things::{Parts, Site};
use crate::site::time_of_day;
use crate::water::units::Percent;
use crate::water::window::{TimeOfDay, Window};

/// On which days water may run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Allowed {
    /// On these days of the week.
    Weekdays(WeekdaySet),
    /// On odd days of the month, if they are one of these days of the week.
    Odd(WeekdaySet),
    /// On even days of the month, if they are one of these days of the week.
    Even(WeekdaySet),
}

impl Allowed {
    /// Returns how many days a week that is, on the average.
    #[must_use]
    pub fn days_a_week(self) -> f64 {
        match self {
            Self::Weekdays(days) => f64::from(days.len()),
            Self::Odd(days) | Self::Even(days) => f64::from(days.len()) / 2.0,
        }
    }
}

/// On which days a zone is to be watered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaterDays {
    /// The rule for the controller.
    pub rule: DayRule,
    /// Days a week, on the average.
    pub a_week: f64,
}

/// What limits every zone of a site.
#[derive(Debug, Clone)]
pub(super) struct Limits {
    pub(super) window: Figure<Window>,
    pub(super) allowed: Figure<Allowed>,
    pub(super) cut: Option<(Percent, String)>,
}

/// What the authority allows, on the day of the plan.
struct Restriction {
    days: Option<WeekdaySet>,
    odd_or_even: Option<OddOrEven>,
    never: Option<Window>,
    cut: Option<Percent>,
    source: String,
}

#[derive(Clone, Copy)]
enum OddOrEven {
    Odd,
    Even,
}

impl Limits {
    pub(super) fn of(site: &Site<'_>, on: NaiveDate, rules: &HouseRules) -> Self {
        let restriction = restriction(site, on);
        let dry = dry_days(site);
        let allowed = allowed(restriction.as_ref(), dry);
        let window = window(site, restriction.as_ref(), &allowed, rules);
        let clock = window.value().and_then(|window| clock_change(on, window));
        let window = window.and_all(clock);
        let cut = restriction.and_then(|restriction| Some((restriction.cut?, restriction.source)));
        Self {
            window,
            allowed,
            cut,
        }
    }
}

fn restriction(site: &Site<'_>, on: NaiveDate) -> Option<Restriction> {
    let value = site.root().raw(&fields::site::RESTRICTION)?;
    let parts = Parts::of(&fields::site::RESTRICTION, value);
    let date = |name| match parts.get(name) {
        Some(Value::Date(days)) => NaiveDate::from_epoch_days(*days),
        _ => None,
    };
    let begun = date("valid-from").is_none_or(|from| from <= on);
    let ended = date("valid-to").is_some_and(|to| to < on);
    if !begun || ended {
        return None;
    }
    let time = |name| time_of_day::read(parts.get(name)?);
    let never = time("not-from").zip(time("not-to"));
    Some(Restriction {
        days: parts.get("days").map(weekdays),
        odd_or_even: match parts.words("date") {
            Some("odd") => Some(OddOrEven::Odd),
            Some("even") => Some(OddOrEven::Even),
            _ => None,
        },
        never: never.map(|(opens, closes)| Window { opens, closes }),
        cut: parts.get("cut").and_then(Percent::read),
        source: parts.words("source").unwrap_or("the authority").to_owned(),
    })
}

/// Days that must stay dry: the site's, and those that a controller is set to.
fn dry_days(site: &Site<'_>) -> WeekdaySet {
    let mut dry = site
        .root()
        .raw(&fields::site::NO_WATER_DAYS)
        .map_or(WeekdaySet::EMPTY, weekdays);
    for controller in site.controllers() {
        let own = controller.raw(&fields::controller::DEAD_DAYS);
        dry = dry.union(own.map_or(WeekdaySet::EMPTY, weekdays));
    }
    dry
}

fn weekdays(value: &Value) -> WeekdaySet {
    let words = value
        .as_list()
        .unwrap_or(&[])
        .iter()
        .filter_map(Value::as_text);
    // The table's words are those that the calendar reads.
    words
        .filter_map(|word| word.parse::<Weekday>().ok())
        .collect()
}

fn allowed(restriction: Option<&Restriction>, dry: WeekdaySet) -> Figure<Allowed> {
    let by_authority = restriction.and_then(|restriction| restriction.days);
    let days = by_authority.unwrap_or(WeekdaySet::ALL).difference(dry);
    if days.is_empty() {
        return Figure::unknown(Unknown::NoDayAllowed);
    }
    let allowed = match restriction.and_then(|restriction| restriction.odd_or_even) {
        None => Allowed::Weekdays(days),
        Some(OddOrEven::Odd) => Allowed::Odd(days),
        Some(OddOrEven::Even) => Allowed::Even(days),
    };
    let mut figure = match restriction {
        Some(restriction) => {
            let source = restriction.source.clone();
            Figure::known(allowed, Why::RestrictedTo { allowed, source })
        }
        None if dry.is_empty() => Figure::known(allowed, Why::NoRestriction),
        None => Figure::known(allowed, Why::DryDays { dry }),
    };
    if restriction.is_some() && !dry.is_empty() {
        figure = figure.and(Why::DryDays { dry });
    }
    figure
}

fn window(
    site: &Site<'_>,
    restriction: Option<&Restriction>,
    allowed: &Figure<Allowed>,
    rules: &HouseRules,
) -> Figure<Window> {
    let own = site
        .root()
        .read(&fields::site::WATER_WINDOW, read_window)
        .ok();
    let own = own.map(|fact| Rule {
        value: fact.value,
        from: From::Site,
    });
    let by_controller = || match site.controllers()[..] {
        [only] => {
            let window = only
                .read(&fields::controller::WATER_WINDOW, read_window)
                .ok()?;
            Some(Rule {
                value: window.value,
                from: From::Controller,
            })
        }
        _ => None,
    };
    let Rule {
        value: window,
        from,
    } = by_controller().or(own).unwrap_or(rules.window);
    let mut why = vec![Why::Window { window, from }];
    let mut open = window;
    let every_day = matches!(allowed.value(), Some(Allowed::Weekdays(WeekdaySet::ALL)));
    if passes_midnight(open) && !every_day {
        // The night after an allowed day may belong to a forbidden one, so one side is kept.
        open = longer_side_of_midnight(open);
        why.push(Why::CutAtMidnight { window: open });
    }
    if let Some(never) = restriction.and_then(|restriction| restriction.never) {
        let Some(left) = longest_left(open, never) else {
            return Figure::unknown(Unknown::NoHourAllowed);
        };
        if left != open {
            open = left;
            why.push(Why::HoursForbidden { never, left });
        }
    }
    let mut why = why.into_iter();
    let first = why.next().expect("a window has its origin");
    Figure::known(open, first).and_all(why)
}

/// The night of the week on which the clock is moved at two, if water may run then: a start that
/// the clock skips does not run, and one that it passes twice runs twice.
///
/// The days are those of the United States since 2007: the second Sunday of March and the first of
/// November (Energy Policy Act of 2005). Elsewhere the note does no harm.
fn clock_change(on: NaiveDate, window: Window) -> Option<Why> {
    let sunday =
        |month, nth| NaiveDate::from_weekday_of_month_opt(on.year(), month, Weekday::Sun, nth);
    let changes = [
        (sunday(3, 2)?, Clock::Forward),
        (sunday(11, 1)?, Clock::Back),
    ];
    let this_week = |date: &NaiveDate| (0..7).contains(&date.signed_duration_since(on).num_days());
    let (date, clock) = changes.into_iter().find(|(date, _)| this_week(date))?;
    let opens = u32::from(window.opens.minute_of_day());
    let inside = |minute: u32| (1_440 + minute - opens) % 1_440 < window.minutes();
    let (from, to) = match clock {
        Clock::Forward => (120, 180),
        Clock::Back => (60, 120),
    };
    (from..to)
        .any(inside)
        .then_some(Why::ClockChanges { date, clock })
}

/// How a clock is moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// From two to three, in spring.
    Forward,
    /// From two to one, in autumn.
    Back,
}

fn passes_midnight(window: Window) -> bool {
    let midnight = TimeOfDay::new(0).expect("midnight is a time");
    window.closes <= window.opens && window.closes > midnight
}

fn longer_side_of_midnight(window: Window) -> Window {
    let midnight = TimeOfDay::new(0).expect("midnight is a time");
    let before = Window {
        opens: window.opens,
        closes: midnight,
    };
    let after = Window {
        opens: midnight,
        closes: window.closes,
    };
    if before.minutes() > after.minutes() {
        before
    } else {
        after
    }
}

/// The longest stretch of a window without the forbidden hours; `None` if nothing is left.
fn longest_left(window: Window, never: Window) -> Option<Window> {
    let inside = |at: TimeOfDay, of: Window| {
        let after =
            (1_440 + u32::from(at.minute_of_day()) - u32::from(of.opens.minute_of_day())) % 1_440;
        after < of.minutes()
    };
    // From which minute of the window, and how many.
    let mut best: Option<(u32, u32)> = None;
    let mut now = None;
    for minute in 0..window.minutes() {
        if inside(window.opens.plus(minute), never) {
            now = None;
            continue;
        }
        let (from, length) = now.unwrap_or((minute, 0));
        now = Some((from, length + 1));
        if best.is_none_or(|(_, longest)| length + 1 > longest) {
            best = now;
        }
    }
    let (from, length) = best?;
    Some(Window {
        opens: window.opens.plus(from),
        closes: window.opens.plus(from + length),
    })
}

/// Chooses so many of the allowed days of the week that the waits between them are as even as can
/// be; of several such choices all, the earliest days first. More than there are takes all.
pub(super) fn spread(allowed: WeekdaySet, count: u32) -> Vec<WeekdaySet> {
    let all: Vec<Weekday> = allowed.iter(Weekday::Mon).collect();
    let count = count.min(u32::from(allowed.len()));
    let sets = 0_u32..1 << all.len();
    let sets = sets.filter(|bits| bits.count_ones() == count).map(|bits| {
        let chosen = all
            .iter()
            .enumerate()
            .filter(|(at, _)| bits & (1 << at) != 0);
        chosen.map(|(_, day)| *day).collect::<WeekdaySet>()
    });
    let mut sets: Vec<(Vec<u32>, Vec<u32>, WeekdaySet)> =
        sets.map(|set| (waits(set), numbers(set), set)).collect();
    sets.sort_by(|a, b| (&a.0, &a.1).cmp(&(&b.0, &b.1)));
    let most_even = sets.first().map(|set| set.0.clone()).unwrap_or_default();
    let best = sets.into_iter().take_while(|set| set.0 == most_even);
    best.map(|(_, _, set)| set).collect()
}

/// The most days from one watering to the next, round the week.
pub(super) fn longest_wait(days: WeekdaySet) -> u32 {
    waits(days).first().copied().unwrap_or(0)
}

/// The days from each watering to the next, round the week, longest first: of choices of one
/// count, the first in order is the most even.
fn waits(days: WeekdaySet) -> Vec<u32> {
    let order = numbers(days);
    let again = order.first().map(|first| first + 7);
    let next = order.iter().skip(1).copied().chain(again);
    let mut waits: Vec<u32> = order
        .iter()
        .zip(next)
        .map(|(day, next)| next - day)
        .collect();
    waits.sort_unstable_by(|a, b| b.cmp(a));
    waits
}

fn numbers(days: WeekdaySet) -> Vec<u32> {
    let days = days.iter(Weekday::Mon);
    days.map(|day| day.num_days_from_monday()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hour: u16) -> TimeOfDay {
        TimeOfDay::new(hour * 60).unwrap()
    }

    fn set(days: &[Weekday]) -> WeekdaySet {
        days.iter().copied().collect()
    }

    #[test]
    fn days_are_spread_as_evenly_as_they_can_be() {
        use Weekday::{Fri, Mon, Sat, Sun, Thu, Tue, Wed};
        assert_eq!(spread(WeekdaySet::ALL, 3)[0], set(&[Mon, Wed, Fri]));
        assert_eq!(spread(WeekdaySet::ALL, 2)[0], set(&[Mon, Thu]));
        assert_eq!(spread(set(&[Tue, Thu, Sat, Sun]), 2)[0], set(&[Tue, Sat]));
        assert_eq!(spread(set(&[Wed]), 3), [set(&[Wed])]);
        assert_eq!(spread(WeekdaySet::ALL, 7).len(), 1);
        assert_eq!(longest_wait(set(&[Mon, Wed, Fri])), 3);
        assert_eq!(longest_wait(set(&[Wed])), 7);
    }

    #[test]
    fn forbidden_hours_leave_the_longest_stretch() {
        let window = |opens, closes| Window {
            opens: at(opens),
            closes: at(closes),
        };
        let check = |open, never, left| assert_eq!(longest_left(open, never), left);
        check(window(0, 7), window(10, 18), Some(window(0, 7)));
        check(window(4, 12), window(10, 18), Some(window(4, 10)));
        check(window(20, 6), window(22, 1), Some(window(1, 6)));
        check(window(11, 12), window(10, 18), None);
        check(window(0, 0), window(10, 18), Some(window(0, 10)));
    }

    #[test]
    fn a_daylight_saving_night_is_said_where_water_may_run_in_it() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let night = |opens, closes| Window {
            opens: at(opens),
            closes: at(closes),
        };
        let said = |on, window| match clock_change(day(on), window) {
            Some(Why::ClockChanges { date, clock }) => Some((date, clock)),
            _ => None,
        };
        let spring = Some((day("2026-03-08"), Clock::Forward));
        let autumn = Some((day("2026-11-01"), Clock::Back));
        assert_eq!(said("2026-03-02", night(0, 7)), spring);
        assert_eq!(said("2026-03-08", night(22, 3)), spring);
        assert_eq!(said("2026-03-09", night(0, 7)), None);
        assert_eq!(said("2026-10-26", night(0, 7)), autumn);
        assert_eq!(said("2026-10-26", night(3, 7)), None);
        assert_eq!(said("2028-02-29", night(0, 7)), None);
    }

    #[test]
    fn a_night_is_cut_on_the_shorter_side_of_midnight() {
        let night = Window {
            opens: at(22),
            closes: at(5),
        };
        assert!(passes_midnight(night));
        assert_eq!(
            longer_side_of_midnight(night),
            Window {
                opens: at(0),
                closes: at(5)
            }
        );
        assert!(!passes_midnight(Window {
            opens: at(22),
            closes: at(0)
        }));
    }
}

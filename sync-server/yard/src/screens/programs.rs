//! The controller's programs: as found before anybody changes them, and as left, with the computed
//! suggestion beside them.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::plan::{HouseRules, SitePlan, Unknown, ZonePlan, plan_site, propose};
use headwalk_core::site::programs::{DayRule, Letter, ProgramSet, Station};
use headwalk_core::site::things::{Controller, Site, Zone};
use headwalk_core::site::visit::Lacks;
use headwalk_core::water::units::{Minutes, Percent};

use super::{Body, Desk, called, walk};
use crate::act::{Act, Id, Screen};
use crate::book::{Beside, Book};
use crate::error::Error;
use crate::photo;
use crate::view::{Block, Button, Fact, Stepper, Tone};
use crate::words::{Word, schedule, vocab};

/// Which of the two screens it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Found,
    Left,
}

/// One controller's card: which side of it, and its zones.
struct Card<'c> {
    side: Side,
    controller: Controller<'c>,
    zones: Vec<Zone<'c>>,
}

impl<'c> Card<'c> {
    /// Takes the controller that is named; else the first of which the visit lacks that side.
    fn of(
        desk: &Desk<'_>,
        site: &'c Site<'c>,
        side: Side,
        named: Option<ThingId>,
    ) -> Result<Self, Error> {
        let lacking = || {
            walk::controller_lacking(site, desk.phone.visit_here(), |lack| match side {
                Side::Found => matches!(lack, Lacks::AsFound { .. }),
                Side::Left => matches!(lack, Lacks::AsLeft { .. }),
            })
        };
        let wanted = named.or_else(lacking);
        let mut all = site.controllers().into_iter();
        let first = all.clone().next();
        let controller = all.find(|one| Some(one.id) == wanted).or(first);
        let controller = controller.ok_or(Error::Gone)?;
        // A zone of which nobody said where it is wired is on every card.
        let own = |zone: &Zone<'_>| zone.controller().is_none_or(|of| of.id == controller.id);
        let zones = site.zones().into_iter().filter(own).collect();
        Ok(Self {
            side,
            controller,
            zones,
        })
    }

    fn to(&self, label: impl Into<String>, set: &ProgramSet) -> Button {
        let controller = Some(Id(self.controller.id));
        let draft = Some(set.to_string());
        let to = match self.side {
            Side::Found => Screen::Found { controller, draft },
            Side::Left => Screen::Left { controller, draft },
        };
        Button::new(label, Act::Go { to })
    }
}

/// What a card is called; of several, with its controller.
pub(super) fn title(
    desk: &Desk<'_>,
    site: &Site<'_>,
    word: Word,
    controller: &Controller<'_>,
) -> String {
    if site.controllers().len() == 1 {
        return desk.say(word).to_owned();
    }
    format!("{}: {}", desk.say(word), called(desk, site, controller.id))
}

pub(super) fn found(
    desk: &Desk<'_>,
    site: &Site<'_>,
    controller: Option<ThingId>,
    draft: Option<&str>,
) -> Result<Body, Error> {
    let card = Card::of(desk, site, Side::Found, controller)?;
    let controller = &card.controller;
    let id = Id(controller.id);
    let left = controller.as_left().ok().map(|fact| fact.value);
    let mut blocks = about(desk, controller);
    let mut dock = Vec::new();
    match (draft, left) {
        (None, Some(left)) => {
            blocks.push(Block::heading(desk.say(Word::AsWeLeftIt)));
            blocks.extend(told(desk, site, &card, &left));
            blocks.push(Block::list(vec![card.to(desk.say(Word::Changed), &left)]));
            let act = Act::FoundSame { controller: id };
            dock.push(Button::new(desk.say(Word::SameAsLeft), act).main());
        }
        (draft, left) => {
            let set = match draft {
                Some(text) => read(text)?,
                None => left.unwrap_or_else(|| blank(&card.zones)),
            };
            blocks.push(Block::text(desk.say(Word::SetAsFound), Tone::Plain));
            blocks.extend(dials(desk, site, &set, &card, None));
            let act = Act::Found {
                controller: id,
                programs: set.to_string(),
            };
            dock.push(Button::new(desk.say(Word::RecordFound), act).main());
        }
    }
    blocks.push(photo::block(desk, site, controller.id, None));
    Ok(Body {
        title: title(desk, site, Word::AsFound, controller),
        back: Some(Screen::Walk),
        blocks,
        dock,
    })
}

pub(super) fn left(
    desk: &Desk<'_>,
    site: &Site<'_>,
    controller: Option<ThingId>,
    draft: Option<&str>,
) -> Result<Body, Error> {
    let card = Card::of(desk, site, Side::Left, controller)?;
    let controller = &card.controller;
    let found = controller
        .as_found()
        .into_iter()
        .next_back()
        .map(|seen| seen.value);
    let base = found
        .clone()
        .or_else(|| controller.as_left().ok().map(|fact| fact.value));
    let set = match draft {
        Some(text) => read(text)?,
        None => base.unwrap_or_else(|| blank(&card.zones)),
    };
    let plan = plan(desk, site)?;
    let mut blocks = about(desk, controller);
    let proposed = propose(site, &plan)
        .into_iter()
        .find(|one| one.controller == controller.id);
    let mut suggestion = None;
    match proposed.as_ref().map(|one| one.programs.get()) {
        Some(Ok(programs)) if !programs.programs.is_empty() => {
            let note = programs.to_string();
            suggestion = Some(card.to(desk.say(Word::TakeSuggestion), programs).note(note));
            blocks.push(Block::text(desk.say(Word::SuggestionNote), Tone::Plain));
        }
        Some(Err(why)) => blocks.push(none(desk, &why)),
        _ => {
            let own = |plan: &&ZonePlan| card.zones.iter().any(|zone| zone.id == plan.zone);
            let mut plans = plan.zones.iter().filter(own);
            let unknown = plans.find_map(|zone| zone.minutes_set.get().err());
            blocks.push(match unknown {
                Some(why) => none(desk, &why),
                None => Block::text(desk.say(Word::NothingToWater), Tone::Plain),
            });
        }
    }
    blocks.extend(suggestion.map(|button| Block::list(vec![button])));
    blocks.extend(dials(desk, site, &set, &card, Some(&plan)));
    for fault in set.faults(&headwalk_core::site::programs::Expected::default()) {
        blocks.push(Block::text(
            schedule::fault(desk.language(), &fault),
            Tone::Ask,
        ));
    }
    let same = found.as_ref() == Some(&set);
    let word = if same {
        Word::LeaveAsFound
    } else {
        Word::RecordLeft
    };
    blocks.push(photo::block(desk, site, controller.id, None));
    let act = Act::Left {
        controller: Id(controller.id),
        programs: set.to_string(),
    };
    Ok(Body {
        title: title(desk, site, Word::AsLeft, controller),
        back: Some(Screen::Walk),
        blocks,
        dock: vec![Button::new(desk.say(word), act).main()],
    })
}

/// That there is no suggestion, and why.
fn none(desk: &Desk<'_>, why: &Unknown) -> Block {
    let why = schedule::unknown(desk.language(), why);
    Block::text(format!("{} {why}", desk.say(Word::NoSuggestion)), Tone::Ask)
}

/// Where it hangs, and what can hurt there.
fn about(desk: &Desk<'_>, controller: &Controller<'_>) -> Vec<Block> {
    use headwalk_core::site::fields::controller::{PLACE, POWER, RAIN_SENSOR};
    let mut rows = Vec::new();
    for (word, field) in [(Word::Place, &PLACE), (Word::RainSensor, &RAIN_SENSOR)] {
        rows.extend(desk.tell(controller, field).map(|value| Fact {
            label: desk.say(word).to_owned(),
            value,
            versions: Vec::new(),
        }));
    }
    let battery = controller.raw(&POWER).and_then(|value| value.as_text()) == Some("battery");
    let mut blocks = Vec::new();
    if !battery {
        blocks.push(Block::text(desk.say(Word::LineVoltage), Tone::Caution));
    }
    if !rows.is_empty() {
        blocks.push(Block::Facts { rows });
    }
    blocks
}

/// The programs as a card: a line each, then every zone's minutes.
fn told(desk: &Desk<'_>, site: &Site<'_>, card: &Card<'_>, set: &ProgramSet) -> Vec<Block> {
    let mut rows = Vec::new();
    for (letter, program) in &set.programs {
        let starts: Vec<_> = program.starts.iter().map(ToString::to_string).collect();
        let value = format!(
            "{} · {} · {}%",
            starts.join(" "),
            days(desk, program.days),
            program.percent.get()
        );
        rows.push(fact(format!("{} {letter}", desk.say(Word::Program)), value));
    }
    for zone in &card.zones {
        if let Some(station) = zone.station() {
            let minutes = set
                .programs
                .values()
                .filter_map(|program| program.run.get(&station));
            let minutes: Vec<_> = minutes.map(|minutes| minutes.get().to_string()).collect();
            let value = match minutes.is_empty() {
                true => desk.say(Word::Off).to_owned(),
                false => format!("{} min", minutes.join(" + ")),
            };
            rows.push(fact(called(desk, site, zone.id), value));
        }
    }
    vec![Block::Facts { rows }]
}

fn fact(label: String, value: String) -> Fact {
    Fact {
        label,
        value,
        versions: Vec::new(),
    }
}

fn days(desk: &Desk<'_>, rule: DayRule) -> String {
    let set = ProgramSet {
        programs: [(
            Letter::new('A').expect("A is a letter"),
            headwalk_core::site::programs::Program {
                starts: Vec::new(),
                days: rule,
                percent: Percent::new(100.0),
                run: std::collections::BTreeMap::new(),
            },
        )]
        .into(),
    };
    let text = set.to_string();
    let part = text.split(';').map(str::trim);
    let part = part.map(|part| part.trim_start_matches("A:").trim());
    let mut part = part.filter(|part| {
        !part.contains('%') && !part.starts_with("start") && !part.starts_with("run")
    });
    vocab::days(desk.language(), part.next().unwrap_or_default())
}

/// A stepper for each zone, and for each program its percent, first start and days.
fn dials(
    desk: &Desk<'_>,
    site: &Site<'_>,
    set: &ProgramSet,
    card: &Card<'_>,
    plan: Option<&SitePlan>,
) -> Vec<Block> {
    let mut blocks = Vec::new();
    for &zone in &card.zones {
        let Some(station) = zone.station() else {
            continue;
        };
        blocks.push(dial(desk, site, set, (zone, station), card, plan));
    }
    for (&letter, program) in &set.programs {
        blocks.push(Block::heading(format!(
            "{} {letter}",
            desk.say(Word::Program)
        )));
        let percent = |by: f64| {
            let mut changed = set.clone();
            if let Some(program) = changed.programs.get_mut(&letter) {
                program.percent = Percent::new((program.percent.get() + by).clamp(0.0, 300.0));
            }
            changed
        };
        blocks.push(stepper(
            desk.say(Word::SeasonalAdjust),
            &format!("{}%", program.percent.get()),
            card.to("−", &percent(-5.0)),
            card.to("+", &percent(5.0)),
        ));
        if let Some(first) = program.starts.first() {
            let start = |by: i32| {
                let mut changed = set.clone();
                let minute = (i32::from(first.minute_of_day()) + by).rem_euclid(1_440);
                let time = u16::try_from(minute)
                    .ok()
                    .and_then(|minute| headwalk_core::water::window::TimeOfDay::new(minute).ok());
                if let (Some(program), Some(time)) = (changed.programs.get_mut(&letter), time)
                    && let Some(first) = program.starts.first_mut()
                {
                    *first = time;
                }
                changed
            };
            blocks.push(stepper(
                desk.say(Word::FirstStart),
                &first.to_string(),
                card.to("−", &start(-15)),
                card.to("+", &start(15)),
            ));
        }
        let choices = [
            "mon wed fri",
            "tue thu sat",
            "mon thu",
            "daily",
            "odd",
            "even",
        ];
        let choices = choices.into_iter().filter_map(|text| {
            let rule = read(&format!("A: start 5:00; days {text}; 100%; run 1=1")).ok()?;
            let rule = rule.programs.values().next()?.days;
            let mut changed = set.clone();
            changed.programs.get_mut(&letter)?.days = rule;
            let label = vocab::days(desk.language(), text);
            Some(card.to(label, &changed).chosen(program.days == rule))
        });
        let standing = desk.fill(Word::DaysNow, &[&days(desk, program.days)]);
        blocks.push(Block::choices(standing, choices.collect()));
    }
    blocks
}

fn stepper(label: &str, value: &str, less: Button, more: Button) -> Block {
    Stepper {
        label: label.to_owned(),
        value: value.to_owned(),
        note: String::new(),
        less,
        more,
        to: None,
    }
    .into()
}

fn dial(
    desk: &Desk<'_>,
    site: &Site<'_>,
    set: &ProgramSet,
    (zone, station): (Zone<'_>, Station),
    card: &Card<'_>,
    plan: Option<&SitePlan>,
) -> Block {
    let now = minutes(set, station);
    let step = |by: f64| with_minutes(set, station, (now + by).max(0.0));
    let planned = plan.and_then(|plan| plan.zones.iter().find(|one| one.zone == zone.id));
    let planned = planned.and_then(|plan| plan.minutes_set.value());
    let mut to = None;
    let mut note = desk.fill(
        Word::EffectiveMinutes,
        &[&whole(set.minutes_a_week(station))],
    );
    if let Some(planned) = planned {
        note = format!(
            "{note} · {}",
            desk.fill(Word::SuggestedMinutes, &[&whole(planned)])
        );
        if let Some(minutes) = run_for(set, station, planned)
            && minutes != now
        {
            let label = format!("→ {minutes}");
            to = Some(card.to(label, &with_minutes(set, station, minutes)));
        }
    }
    Stepper {
        label: called(desk, site, zone.id),
        value: now.to_string(),
        note,
        less: card.to("−", &step(-1.0)),
        more: card.to("+", &step(1.0)),
        to,
    }
    .into()
}

fn whole(minutes: Minutes) -> String {
    format!("{:.0}", minutes.get())
}

/// The minutes on the dial of the first program that runs a station.
fn minutes(set: &ProgramSet, station: Station) -> f64 {
    let mut runs = set
        .programs
        .values()
        .filter_map(|program| program.run.get(&station));
    runs.next().map_or(0.0, |minutes| minutes.get())
}

fn with_minutes(set: &ProgramSet, station: Station, minutes: f64) -> ProgramSet {
    let mut changed = set.clone();
    let runs =
        |program: &&mut headwalk_core::site::programs::Program| program.run.contains_key(&station);
    let of_station = changed.programs.values_mut().find(runs).is_some();
    let program = match of_station {
        true => changed
            .programs
            .values_mut()
            .find(|program| program.run.contains_key(&station)),
        false => changed.programs.values_mut().next(),
    };
    if let Some(program) = program {
        program
            .run
            .insert(station, Minutes::new(minutes.min(1_440.0)));
    }
    changed
}

/// The whole minutes on the dial that come closest to so many in the week.
fn run_for(set: &ProgramSet, station: Station, week: Minutes) -> Option<f64> {
    let runs =
        |program: &&headwalk_core::site::programs::Program| program.run.contains_key(&station);
    let program = set.programs.values().find(runs)?;
    let times =
        program.starts.len() as f64 * program.days.days_a_week() * program.percent.get() / 100.0;
    (times > 0.0).then(|| (week.get() / times).round())
}

/// One program that waters nothing yet.
fn blank(zones: &[Zone<'_>]) -> ProgramSet {
    let runs: Vec<_> = zones
        .iter()
        .filter_map(|zone| zone.station())
        .map(|n| format!("{n}=0"))
        .collect();
    let text = format!(
        "A: start 5:00; days mon wed fri; 100%; run {}",
        runs.join(" ")
    );
    read(&text).unwrap_or_default()
}

fn read(text: &str) -> Result<ProgramSet, Error> {
    Ok(text.parse::<ProgramSet>()?)
}

/// The schedule of this week, from what this phone holds.
fn plan(desk: &Desk<'_>, site: &Site<'_>) -> Result<SitePlan, Error> {
    let beside = Beside::of(&desk.phone.store, site)?;
    let firm = beside.firm.as_ref().map(Book::site);
    let rules = firm.map_or_else(HouseRules::default, |firm| HouseRules::of(firm.root()));
    let weather = &beside.weather;
    Ok(plan_site(site, weather, desk.edge.today(), &rules))
}

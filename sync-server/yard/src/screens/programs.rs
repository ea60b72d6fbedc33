//! The controller's programs: as found before anybody changes them, and as left, with the computed
//! suggestion beside them.

use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::plan::{HouseRules, SitePlan, Unknown, plan_site, propose};
use headwalk_core::site::programs::{DayRule, Letter, ProgramSet, Station};
use headwalk_core::site::things::{Controller, Site, Zone};
use headwalk_core::site::weather::Record;
use headwalk_core::water::units::{Minutes, Percent};

use super::{Body, Desk, called};
use crate::act::{Act, Screen};
use crate::book::{Book, Root};
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

impl Side {
    fn screen(self, set: &ProgramSet) -> Screen {
        let draft = Some(set.to_string());
        match self {
            Self::Found => Screen::Found { draft },
            Self::Left => Screen::Left { draft },
        }
    }

    fn to(self, label: impl Into<String>, set: &ProgramSet) -> Button {
        let to = self.screen(set);
        Button::new(label, Act::Go { to })
    }
}

pub(super) fn found(desk: &Desk<'_>, site: &Site<'_>, draft: Option<&str>) -> Result<Body, Error> {
    let controllers = site.controllers();
    let controller = controllers.first().ok_or(Error::Gone)?;
    let left = controller.as_left().ok().map(|fact| fact.value);
    let mut blocks = about(desk, controller);
    let mut dock = Vec::new();
    match (draft, left) {
        (None, Some(left)) => {
            blocks.push(Block::heading(desk.say(Word::AsWeLeftIt)));
            blocks.extend(card(desk, site, &left));
            blocks.push(Block::list(vec![
                Side::Found.to(desk.say(Word::Changed), &left),
            ]));
            dock.push(Button::new(desk.say(Word::SameAsLeft), Act::FoundSame).main());
        }
        (draft, left) => {
            let set = match draft {
                Some(text) => read(text)?,
                None => left.unwrap_or_else(|| blank(site)),
            };
            blocks.push(Block::text(desk.say(Word::SetAsFound), Tone::Plain));
            blocks.extend(dials(desk, site, &set, Side::Found, None));
            let programs = set.to_string();
            dock.push(Button::new(desk.say(Word::RecordFound), Act::Found { programs }).main());
        }
    }
    blocks.push(photo::block(desk, site, controller.id, None));
    Ok(Body {
        title: desk.say(Word::AsFound).to_owned(),
        back: Some(Screen::Walk),
        blocks,
        dock,
    })
}

pub(super) fn left(desk: &Desk<'_>, site: &Site<'_>, draft: Option<&str>) -> Result<Body, Error> {
    let controllers = site.controllers();
    let controller = controllers.first().ok_or(Error::Gone)?;
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
        None => base.unwrap_or_else(|| blank(site)),
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
            suggestion = Some(
                Side::Left
                    .to(desk.say(Word::TakeSuggestion), programs)
                    .note(note),
            );
            blocks.push(Block::text(desk.say(Word::SuggestionNote), Tone::Plain));
        }
        Some(Err(why)) => blocks.push(none(desk, &why)),
        _ => {
            let unknown = plan
                .zones
                .iter()
                .find_map(|zone| zone.minutes_set.get().err());
            blocks.push(match unknown {
                Some(why) => none(desk, &why),
                None => Block::text(desk.say(Word::NothingToWater), Tone::Plain),
            });
        }
    }
    blocks.extend(suggestion.map(|button| Block::list(vec![button])));
    blocks.extend(dials(desk, site, &set, Side::Left, Some(&plan)));
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
    let programs = set.to_string();
    Ok(Body {
        title: desk.say(Word::AsLeft).to_owned(),
        back: Some(Screen::Walk),
        blocks,
        dock: vec![Button::new(desk.say(word), Act::Left { programs }).main()],
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
fn card(desk: &Desk<'_>, site: &Site<'_>, set: &ProgramSet) -> Vec<Block> {
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
    for zone in site.zones() {
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
    side: Side,
    plan: Option<&SitePlan>,
) -> Vec<Block> {
    let mut blocks = Vec::new();
    for zone in site.zones() {
        let Some(station) = zone.station() else {
            continue;
        };
        blocks.push(dial(desk, site, set, (zone, station), side, plan));
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
            side.to("−", &percent(-5.0)),
            side.to("+", &percent(5.0)),
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
                side.to("−", &start(-15)),
                side.to("+", &start(15)),
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
            Some(side.to(label, &changed).chosen(program.days == rule))
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
    side: Side,
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
            to = Some(side.to(label, &with_minutes(set, station, minutes)));
        }
    }
    Stepper {
        label: called(desk, site, zone.id),
        value: now.to_string(),
        note,
        less: side.to("−", &step(-1.0)),
        more: side.to("+", &step(1.0)),
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
fn blank(site: &Site<'_>) -> ProgramSet {
    let runs: Vec<_> = site
        .zones()
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
    let store = &desk.phone.store;
    let roots = Root::all(store)?;
    let of_kind = |kind| roots.iter().filter(move |root| root.kind == Some(kind));
    let rules = match of_kind(ThingKind::Company).next() {
        Some(company) => HouseRules::of(Book::read(store, company.id)?.site().root()),
        None => HouseRules::default(),
    };
    let named = site
        .root()
        .words(&headwalk_core::site::fields::site::WEATHER_STATION)
        .ok();
    let stations: Vec<&Root> = of_kind(ThingKind::Station).collect();
    let station = match (&named, stations.as_slice()) {
        (Some(named), all) => all.iter().copied().find(|root| {
            root.name.eq_ignore_ascii_case(&named.value) || root.id.to_string() == named.value
        }),
        (None, [only]) => Some(*only),
        _ => None,
    };
    let record = match station {
        Some(station) => {
            let book = Book::read(store, station.id)?;
            Record::of(book.state(), station.id)
        }
        None => Record::default(),
    };
    Ok(plan_site(site, &record, desk.edge.today(), &rules))
}

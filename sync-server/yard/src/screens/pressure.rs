//! A zone's pressure from the street to its worst head: what is left there, what takes the rest, what
//! to look at, and what mending a leak would bring; or what to measure first.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::{self, Shape};
use headwalk_core::site::finding::Caution;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::supply_sheet::{Lack, Lacking, Place, ZonePressure};
use headwalk_core::site::things::{Site, Zone};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::Weeping;
use headwalk_core::water::units::{Gpm, Psi};

use super::zone::shown;
use super::{Body, Desk, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::view::{Block, Button, Fact, Stepper, Tone};
use crate::words::{Word, reasons};

/// One litre a minute in gallons a minute.
const GPM_OF_ONE_L_MIN: f64 = 0.264_172;

pub(super) fn body(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    leak: Option<f64>,
) -> Result<Body, Error> {
    let zone = Zone::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let mut blocks = vec![Block::text(
        reasons::caution(desk.language(), Caution::PressurisedPipe),
        Tone::Caution,
    )];
    match ZonePressure::of(site, &zone) {
        Ok(sheet) => {
            blocks.extend(worked_out(desk, site, &sheet));
            blocks.extend(measure(desk, site, &zone));
            blocks.extend(mending(desk, site, &zone, leak));
            blocks.extend(places(desk, site, &sheet));
            blocks.extend(assumed(desk, &sheet));
        }
        Err(missing) => {
            blocks.push(Block::text(desk.say(Word::PressureLacks), Tone::Ask));
            let rows = missing.iter().map(|lacking| lack(desk, site, id, lacking));
            blocks.push(Block::list(rows.collect()));
            blocks.extend(measure(desk, site, &zone));
        }
    }
    let to = Screen::Zone { zone: Id(id) };
    Ok(Body {
        title: format!(
            "{}: {}",
            called(desk, site, id),
            desk.say(Word::PressureTitle)
        ),
        back: Some(to.clone()),
        blocks,
        dock: vec![desk.go(Word::BackToZone, to).main()],
    })
}

fn fact(desk: &Desk<'_>, word: Word, value: String) -> Fact {
    Fact {
        label: desk.say(word).to_owned(),
        value,
        versions: Vec::new(),
    }
}

/// What a place on the way is called.
fn place(desk: &Desk<'_>, site: &Site<'_>, place: Option<&Place>) -> String {
    match place {
        Some(Place::Head(id, _)) => called(desk, site, *id),
        Some(Place::Backflow) => desk.say(Word::AtBackflow).to_owned(),
        Some(Place::MainLine) => desk.say(Word::AtMainLine).to_owned(),
        Some(Place::Valve) => desk.say(Word::AtValve).to_owned(),
        None => String::new(),
    }
}

/// Pressure to the tenth, as a gauge is read.
fn psi(desk: &Desk<'_>, pressure: Psi) -> String {
    shown(desk, Psi::new((pressure.get() * 10.0).round() / 10.0))
}

fn worked_out(desk: &Desk<'_>, site: &Site<'_>, sheet: &ZonePressure) -> Vec<Block> {
    let (worst, taken) = sheet.worst;
    let name = |node: usize| place(desk, site, sheet.places.get(node));
    let at = sheet.found.nodes.get(worst);
    let least = at.map_or(Psi::ZERO, |at| at.pressure);
    let verdict = desk.fill(
        Word::PressureWorst,
        &[&name(worst), &psi(desk, least), &psi(desk, sheet.need)],
    );
    let mut blocks = vec![Block::text(verdict, Tone::Memory)];
    let look = |text: String| Block::text(text, Tone::Ask);
    if let Some(measured) = sheet.measured
        && let Some(means) = measured.means()
    {
        blocks.push(look(desk.say(reasons::gauge(means)).to_owned()));
    }
    let said = reasons::pressure_findings(desk, &sheet.findings, name);
    blocks.extend(said.into_iter().map(look));
    let fastest = sheet.found.links.iter().filter_map(|link| link.velocity);
    let fastest = fastest.max_by(|a, b| a.get().total_cmp(&b.get()));
    let mut rows = vec![
        fact(
            desk,
            Word::StaticPressure,
            psi(desk, sheet.network.static_pressure),
        ),
        fact(desk, Word::FlowNow, shown(desk, sheet.found.total)),
        fact(
            desk,
            Word::TakenBy,
            desk.fill(
                Word::TakenParts,
                &[
                    &psi(desk, taken.rise),
                    &psi(desk, taken.pipes),
                    &psi(desk, taken.fittings),
                ],
            ),
        ),
    ];
    if let Some(velocity) = fastest {
        rows.push(fact(
            desk,
            Word::Velocity,
            reasons::velocity(desk, velocity),
        ));
    }
    if let Some(measured) = sheet.measured {
        rows.push(fact(desk, Word::GaugeShowed, psi(desk, measured.gauge)));
    }
    blocks.push(Block::Facts { rows });
    blocks
}

/// The two pressures that a gauge gives.
fn measure(desk: &Desk<'_>, site: &Site<'_>, zone: &Zone<'_>) -> Vec<Block> {
    if desk.phone.visit_here().is_none() {
        return Vec::new();
    }
    let to = |thing: ThingId, name: &str| Act::Go {
        to: Screen::Gauge {
            thing: Id(thing),
            name: name.to_owned(),
            draft: None,
            back: Box::new(back(zone.id)),
        },
    };
    let mut buttons = vec![Button::new(
        desk.say(Word::MeasureRunning),
        to(zone.id, fields::zone::PRESSURE.name),
    )];
    buttons.extend(site.supply().map(|supply| {
        Button::new(
            desk.say(Word::MeasureStatic),
            to(supply.id, fields::supply::STATIC_PRESSURE.name),
        )
    }));
    vec![
        Block::heading(desk.say(Word::Measure)),
        Block::list(buttons),
    ]
}

const fn back(zone: ThingId) -> Screen {
    Screen::Pressure {
        zone: Id(zone),
        leak: None,
    }
}

/// Something that lacks, with the way to record it.
fn lack(desk: &Desk<'_>, site: &Site<'_>, zone: ThingId, lacking: &Lacking) -> Button {
    let name = match site.thing(lacking.thing).and_then(|thing| thing.kind) {
        Some(ThingKind::Supply) => desk.say(Word::Supply).to_owned(),
        _ => called(desk, site, lacking.thing),
    };
    let label = format!("{name}: {}", reasons::lack(desk.language(), &lacking.lack));
    let act = match &lacking.lack {
        Lack::NoSupply => Act::AddSupply,
        Lack::Field { field, .. } | Lack::NoSuchPipe(field)
            if matches!(field.shape, Shape::Quantity(_) | Shape::Choice(_)) =>
        {
            Act::Go {
                to: Screen::Gauge {
                    thing: Id(lacking.thing),
                    name: field.name.to_owned(),
                    draft: None,
                    back: Box::new(back(zone)),
                },
            }
        }
        _ => Act::Go {
            to: Screen::Zone { zone: Id(zone) },
        },
    };
    Button::new(label, act)
}

/// What each zone's worst head would gain if a leak of the main line, or a weeping valve, were mended.
fn mending(desk: &Desk<'_>, site: &Site<'_>, zone: &Zone<'_>, leak: Option<f64>) -> Vec<Block> {
    let weeping = site
        .valves()
        .into_iter()
        .filter(|valve| valve.weeping().is_ok_and(|it| it.value != Weeping::No));
    let weeping: Vec<_> = weeping.map(|valve| called(desk, site, valve.id)).collect();
    let mut blocks = vec![Block::heading(desk.say(Word::MendTitle))];
    if !weeping.is_empty() {
        let text = desk.fill(Word::MendWeeping, &[&weeping.join(", ")]);
        blocks.push(Block::text(text, Tone::Memory));
    }
    blocks.push(Block::text(desk.say(Word::MendHow), Tone::Plain));
    let leak = leak.unwrap_or(match desk.system() {
        UnitSystem::Us => 1.0,
        UnitSystem::Si => 4.0 * GPM_OF_ONE_L_MIN,
    });
    let by = match desk.system() {
        UnitSystem::Us => 0.5,
        UnitSystem::Si => 2.0 * GPM_OF_ONE_L_MIN,
    };
    let step = |by: f64| Act::Go {
        to: Screen::Pressure {
            zone: Id(zone.id),
            leak: Some(((leak + by).max(by.abs()) * 1_000.0).round() / 1_000.0),
        },
    };
    blocks.push(
        Stepper {
            label: desk.say(Word::MendLeak).to_owned(),
            value: shown(desk, Gpm::new(leak)),
            note: String::new(),
            less: Button::new("−", step(-by)),
            more: Button::new("+", step(by)),
            to: None,
        }
        .into(),
    );
    let rows = site.zones().into_iter().filter_map(|zone| {
        let gain = ZonePressure::of(site, &zone)
            .ok()?
            .gain(Gpm::new(leak))
            .ok()?;
        Some(Fact {
            label: called(desk, site, zone.id),
            value: desk.fill(
                Word::MendGain,
                &[
                    &psi(desk, gain.before),
                    &psi(desk, gain.after),
                    &psi(desk, gain.after - gain.before),
                ],
            ),
            versions: Vec::new(),
        })
    });
    blocks.push(Block::Facts {
        rows: rows.collect(),
    });
    blocks
}

/// Every place on the way with its pressure and what leaves there.
fn places(desk: &Desk<'_>, site: &Site<'_>, sheet: &ZonePressure) -> Vec<Block> {
    let rows = sheet
        .places
        .iter()
        .zip(&sheet.found.nodes)
        .map(|(on_way, at)| {
            let mut value = psi(desk, at.pressure);
            if at.outflow > Gpm::ZERO {
                value = format!("{value} · {}", shown(desk, at.outflow));
            }
            Fact {
                label: place(desk, site, Some(on_way)),
                value,
                versions: Vec::new(),
            }
        });
    vec![
        Block::heading(desk.say(Word::EveryPlace)),
        Block::Facts {
            rows: rows.collect(),
        },
    ]
}

fn assumed(desk: &Desk<'_>, sheet: &ZonePressure) -> Vec<Block> {
    let words = sheet
        .assumed
        .iter()
        .map(|it| desk.say(reasons::assumed(*it)));
    let words: Vec<_> = words.collect();
    if words.is_empty() {
        return Vec::new();
    }
    let text = desk.fill(Word::AssumedSo, &[&words.join("; ")]);
    vec![Block::text(text, Tone::Plain)]
}

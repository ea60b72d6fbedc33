//! A head at a curved kerb: the settings worth choosing from with what each costs, and the tape that
//! they are reckoned from.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::head as fields;
use headwalk_core::site::finding::Caution;
use headwalk_core::site::kerb::{DRY_MOST, KerbChoice, Setup, Tape, WhyNot, sides};
use headwalk_core::site::plan;
use headwalk_core::site::things::{Head, Site};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::water::kerb::{Ground, SCREW_LEAST, Setting};
use headwalk_core::water::units::{Feet, Metres, SquareFeet};

use super::zone::shown;
use super::{Body, Desk, called};
use crate::act::{Act, Id, KerbSide, Screen};
use crate::error::Error;
use crate::prefs::Prefs;
use crate::view::{Block, Button, Fact, Stepper, Tone};
use crate::words::{Word, reasons, vocab};

/// One square metre, for steps of half of it.
const SQFT_A_SQUARE_METRE: f64 = 10.763_910;

/// Returns the setting that a side stands for.
pub(crate) const fn setting_of(choice: &KerbChoice, side: KerbSide) -> &Setting {
    match side {
        KerbSide::NoOverspray => &choice.trade.no_overspray,
        KerbSide::NoDryGround => &choice.trade.no_dry_ground,
        KerbSide::InBetween => &choice.trade.asked,
    }
}

/// Returns why a head stands so, for the next crew.
pub(crate) fn reason(prefs: Prefs, side: KerbSide, setting: &Setting) -> String {
    let word = match side {
        KerbSide::NoOverspray => Word::KerbNoOverspray,
        KerbSide::NoDryGround => Word::KerbNoDry,
        KerbSide::InBetween => Word::KerbBetween,
    };
    let system = prefs.units.system();
    Word::KerbReason.filled(
        prefs.language,
        &[
            &word.said(prefs.language).to_lowercase(),
            &turned(prefs, setting),
            &plan::say(about(setting.dry, system), system),
            &plan::say(setting.overspray, system),
        ],
    )
}

/// Ground as one can tell it: whole square feet, tenths of square metres.
fn about(ground: SquareFeet, system: UnitSystem) -> SquareFeet {
    let one = match system {
        UnitSystem::Us => 1.0,
        UnitSystem::Si => SQFT_A_SQUARE_METRE / 10.0,
    };
    SquareFeet::new((ground.get() / one).round() * one)
}

/// How the arc stands to straight into the lawn.
fn turned(prefs: Prefs, setting: &Setting) -> String {
    let [left, right] = sides(setting).map(|side| format!("{:.0}", side.get()));
    Word::KerbSides.filled(prefs.language, &[&left, &right])
}

pub(super) fn choice(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    dry: Option<f64>,
) -> Result<Body, Error> {
    let head = Head::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let dry = dry.unwrap_or(DRY_MOST.get());
    let mut blocks = Vec::new();
    if let Some(why) = desk.tell(&head, &fields::COMPROMISE) {
        let text = desk.fill(Word::OnPurpose, &[&why]);
        blocks.push(Block::text(text, Tone::Memory));
    }
    let tape = desk.go(
        Word::KerbMeasure,
        Screen::Tape {
            head: Id(id),
            draft: None,
        },
    );
    let to_head = desk.go(Word::BackToHead, Screen::Head { head: Id(id) });
    let dock = match KerbChoice::of(&head, SquareFeet::new(dry)) {
        Ok(choice) => {
            blocks.extend(choices(desk, id, &choice, dry));
            vec![tape, to_head.main()]
        }
        Err(none) => {
            blocks.push(Block::text(
                reasons::no_choice(desk.language(), &none),
                Tone::Ask,
            ));
            match none.why {
                WhyNot::Lacks { of, .. } => {
                    let gauge = gauge(desk, id, of);
                    blocks.push(Block::list(vec![gauge]));
                    vec![to_head.main()]
                }
                WhyNot::NotMeasured | WhyNot::OutOfSense(_) => vec![tape.main(), to_head],
            }
        }
    };
    Ok(Body {
        title: format!("{}: {}", called(desk, site, id), desk.say(Word::KerbTitle)),
        back: Some(Screen::Head { head: Id(id) }),
        blocks,
        dock,
    })
}

/// The way to record what of the head's setting is not known.
fn gauge(desk: &Desk<'_>, head: ThingId, of: Setup) -> Button {
    let to = Screen::Gauge {
        thing: Id(head),
        name: of.name().to_owned(),
        draft: None,
        back: Box::new(Screen::Kerb {
            head: Id(head),
            dry: None,
        }),
    };
    Button::new(vocab::titled(desk.language(), of.name()), Act::Go { to })
}

fn choices(desk: &Desk<'_>, head: ThingId, choice: &KerbChoice, dry: f64) -> Vec<Block> {
    let mut blocks = vec![
        Block::text(
            reasons::caution(desk.language(), Caution::Traffic),
            Tone::Caution,
        ),
        Block::text(desk.say(Word::KerbChoose), Tone::Plain),
        Block::Facts {
            rows: vec![Fact {
                label: desk.say(Word::KerbNow).to_owned(),
                value: format!(
                    "{} · {}",
                    setting_line(desk, &choice.now),
                    costs(desk, &choice.now)
                ),
                versions: Vec::new(),
            }],
        },
    ];
    let button = |word, side| {
        let setting = setting_of(choice, side);
        let mut note = format!(
            "{} · {}",
            costs(desk, setting),
            turned(desk.phone.prefs, setting)
        );
        if setting.radius < choice.head.radius * SCREW_LEAST.get() {
            note = format!("{note}. {}", desk.say(Word::KerbScrew));
        }
        let act = Act::SetAtKerb {
            head: Id(head),
            side,
            dry,
        };
        let label = format!("{}: {}", desk.say(word), setting_line(desk, setting));
        Button::new(label, act).note(note)
    };
    let ends = [
        (Word::KerbNoOverspray, KerbSide::NoOverspray),
        (Word::KerbNoDry, KerbSide::NoDryGround),
    ];
    let mut offers = ends.map(|(word, side)| button(word, side)).to_vec();
    let trade = &choice.trade;
    let between = trade.asked != trade.no_overspray && trade.asked != trade.no_dry_ground;
    if between && desk.phone.visit_here().is_some() {
        offers.insert(1, button(Word::KerbBetween, KerbSide::InBetween));
    }
    if desk.phone.visit_here().is_some() {
        blocks.push(Block::list(offers));
    } else {
        blocks.push(Block::text(desk.say(Word::KerbNoVisit), Tone::Plain));
    }
    let half = match desk.system() {
        UnitSystem::Us => 5.0,
        UnitSystem::Si => SQFT_A_SQUARE_METRE / 2.0,
    };
    let step = |by: f64| Act::Go {
        to: Screen::Kerb {
            head: Id(head),
            dry: Some((dry + by).clamp(0.0, 500.0)),
        },
    };
    blocks.push(
        Stepper {
            label: desk.say(Word::KerbAccept).to_owned(),
            value: shown(desk, SquareFeet::new(dry)),
            note: String::new(),
            less: Button::new("−", step(-half)),
            more: Button::new("+", step(half)),
            to: None,
        }
        .into(),
    );
    blocks.push(Block::text(desk.say(Word::KerbLeftOut), Tone::Plain));
    blocks
}

fn setting_line(desk: &Desk<'_>, setting: &Setting) -> String {
    format!(
        "{:.0}° · {}",
        setting.arc.get(),
        shown(
            desk,
            Feet::new((setting.radius.get() * 10.0).round() / 10.0)
        )
    )
}

fn costs(desk: &Desk<'_>, setting: &Setting) -> String {
    desk.fill(
        Word::KerbCosts,
        &[
            &shown(desk, about(setting.dry, desk.system())),
            &shown(desk, setting.overspray),
        ],
    )
}

/// One measure of the tape: its name, its least and its largest step in feet or metres.
struct Along {
    word: Word,
    feet: Feet,
    us_ft: f64,
    si_m: f64,
    least_ft: f64,
}

pub(super) fn tape(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    draft: Option<&str>,
) -> Result<Body, Error> {
    let head = Head::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let typed = draft.and_then(|draft| {
        let parsed = fields::KERB.parse(draft, desk.system()).ok()?;
        Tape::read(&parsed.value)
    });
    let recorded = || head.raw(&fields::KERB).and_then(Tape::read);
    let tape = typed.or_else(recorded).unwrap_or(Tape {
        chord: Feet::new(12.0),
        offset: Feet::new(2.0),
        lawn_inside: true,
        to_kerb: Feet::ZERO,
        throw: None,
    });
    let to = |tape: &Tape| Act::Go {
        to: Screen::Tape {
            head: Id(id),
            draft: Some(as_text(tape, desk.system())),
        },
    };
    let mut blocks = vec![Block::text(desk.say(Word::KerbHow), Tone::Plain)];
    let along = [
        (
            Along {
                word: Word::KerbChord,
                feet: tape.chord,
                us_ft: 1.0,
                si_m: 0.25,
                least_ft: 1.0,
            },
            (|tape, feet| Tape {
                chord: feet,
                ..tape
            }) as fn(Tape, Feet) -> Tape,
        ),
        (
            Along {
                word: Word::KerbOffset,
                feet: tape.offset,
                us_ft: 0.25,
                si_m: 0.05,
                least_ft: 0.1,
            },
            |tape, feet| Tape {
                offset: feet,
                ..tape
            },
        ),
        (
            Along {
                word: Word::KerbGap,
                feet: tape.to_kerb,
                us_ft: 0.25,
                si_m: 0.05,
                least_ft: 0.0,
            },
            |tape, feet| Tape {
                to_kerb: feet,
                ..tape
            },
        ),
    ];
    for (along, with) in along {
        let step = |sign: f64| {
            let feet = stepped(along.feet, sign, &along, desk.system());
            to(&with(tape, feet))
        };
        blocks.push(
            Stepper {
                label: desk.say(along.word).to_owned(),
                value: shown(desk, along.feet),
                note: String::new(),
                less: Button::new("−", step(-1.0)),
                more: Button::new("+", step(1.0)),
                to: None,
            }
            .into(),
        );
    }
    let sides = [(Word::KerbLawnInside, true), (Word::KerbLawnOutside, false)];
    let sides = sides.map(|(word, lawn_inside)| {
        let act = to(&Tape {
            lawn_inside,
            ..tape
        });
        Button::new(desk.say(word), act).chosen(tape.lawn_inside == lawn_inside)
    });
    blocks.push(Block::choices(desk.say(Word::KerbLawn), sides.to_vec()));
    let mut dock = Vec::new();
    match Ground::kerb_radius(tape.chord, tape.offset) {
        Ok(radius) => {
            let text = desk.fill(Word::KerbRadius, &[&shown(desk, radius)]);
            blocks.push(Block::text(text, Tone::Memory));
            let act = Act::Measured {
                thing: Id(id),
                name: fields::KERB.name.to_owned(),
                value: as_text(&tape, desk.system()),
                back: Box::new(Screen::Kerb {
                    head: Id(id),
                    dry: None,
                }),
            };
            dock.push(Button::new(desk.say(Word::Save), act).main());
        }
        Err(_) => blocks.push(Block::text(desk.say(Word::KerbTooDeep), Tone::Ask)),
    }
    Ok(Body {
        title: format!(
            "{}: {}",
            called(desk, site, id),
            desk.say(Word::KerbMeasure)
        ),
        back: Some(Screen::Kerb {
            head: Id(id),
            dry: None,
        }),
        blocks,
        dock,
    })
}

/// One step further, on whole steps of the person's own units.
fn stepped(feet: Feet, sign: f64, along: &Along, system: UnitSystem) -> Feet {
    let next = |amount: f64, step: f64| ((amount / step).round() + sign) * step;
    let feet = match system {
        UnitSystem::Us => next(feet.get(), along.us_ft),
        UnitSystem::Si => Feet::from(Metres::new(next(Metres::from(feet).get(), along.si_m))).get(),
    };
    Feet::new(feet.max(along.least_ft))
}

/// The tape as the field takes it, in the person's own units.
fn as_text(tape: &Tape, system: UnitSystem) -> String {
    let amount = |feet: Feet| match system {
        UnitSystem::Us => format!("{} ft", rounded(feet.get())),
        UnitSystem::Si => format!("{} m", rounded(Metres::from(feet).get())),
    };
    let lawn = if tape.lawn_inside {
        "inside"
    } else {
        "outside"
    };
    let mut text = format!(
        "chord={}; offset={}; lawn={lawn}; to-kerb={}",
        amount(tape.chord),
        amount(tape.offset),
        amount(tape.to_kerb)
    );
    if let Some(throw) = tape.throw {
        text.push_str(&format!("; throw={}", amount(throw)));
    }
    text
}

fn rounded(amount: f64) -> f64 {
    (amount * 100.0).round() / 100.0
}

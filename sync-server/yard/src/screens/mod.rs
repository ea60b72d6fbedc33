//! The screens: what each says, and what each of its buttons does. They read and never write.

mod board;
mod close;
mod finding;
mod gauge;
mod head;
pub(crate) mod kerb;
mod likely;
mod papers;
mod pressure;
mod programs;
mod settings;
mod site;
mod today;
pub(crate) mod walk;
mod zone;

use headwalk_core::site::fields::{FieldDef, spot as spot_fields};
use headwalk_core::site::things::{Site, Spot, Thing};
use headwalk_core::site::unit::UnitSystem;

use crate::act::{Act, Screen};
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::{self, OwnHub};
use crate::phone::Phone;
use crate::photo;
use crate::prefs::Language;
use crate::undo;
use crate::view::{Block, Button, Errand, Said, Status, Tone, View};
use crate::words::{Word, values};

/// A screen without its frame.
#[derive(Debug, Default)]
pub(crate) struct Body {
    title: String,
    back: Option<Screen>,
    blocks: Vec<Block>,
    dock: Vec<Button>,
}

/// What every screen has at hand.
pub(crate) struct Desk<'d> {
    pub(crate) phone: &'d Phone,
    pub(crate) edge: &'d Edge,
}

impl Desk<'_> {
    pub(crate) const fn language(&self) -> Language {
        self.phone.prefs.language
    }

    pub(crate) const fn system(&self) -> UnitSystem {
        self.phone.prefs.units.system()
    }

    pub(crate) fn say(&self, word: Word) -> &'static str {
        word.said(self.language())
    }

    pub(crate) fn fill(&self, word: Word, with: &[&str]) -> String {
        word.filled(self.language(), with)
    }

    /// A count in words; of one and of several.
    pub(crate) fn count(&self, (one, several): (Word, Word), count: usize) -> String {
        match count {
            1 => self.say(one).to_owned(),
            count => self.fill(several, &[&count.to_string()]),
        }
    }

    /// What a field of a thing says, in the words of the page.
    pub(crate) fn tell(&self, thing: &Thing<'_>, field: &FieldDef) -> Option<String> {
        let value = thing.raw(field)?;
        Some(values::said(self.language(), field, value, self.system()))
    }

    /// A button that goes somewhere.
    pub(crate) fn go(&self, word: Word, to: Screen) -> Button {
        Button::new(self.say(word), Act::Go { to })
    }
}

/// Returns what is to be seen where the person is.
pub(crate) fn view(phone: &Phone, edge: &Edge, said: Option<Said>, errands: Vec<Errand>) -> View {
    let desk = Desk { phone, edge };
    let body = body(&desk).unwrap_or_else(|error| lost(&desk, &error));
    let framed = frame(&desk).unwrap_or_default();
    let settings = desk
        .go(Word::Settings, Screen::Settings)
        .mark(crate::view::Mark::Open);
    let at_settings = phone.place.screen == Screen::Settings;
    View {
        key: serde_json::to_string(&phone.place).expect("a place is words and ids"),
        language: phone.prefs.language,
        hand: phone.prefs.hand,
        title: body.title,
        above: framed.above,
        back: body.back.map(|to| desk.go(Word::Back, to)),
        settings: (!at_settings).then_some(Button {
            mark: None,
            ..settings
        }),
        blocks: body.blocks,
        dock: body.dock,
        status: framed.status,
        undo: framed.undo,
        said,
        errands,
    }
}

/// Where the screen cannot be drawn: why, and the way back.
fn lost(desk: &Desk<'_>, error: &Error) -> Body {
    Body {
        title: desk.say(Word::Today).to_owned(),
        back: Some(Screen::Today),
        blocks: vec![Block::text(
            crate::words::errors::error(desk.language(), error),
            Tone::Ask,
        )],
        dock: Vec::new(),
    }
}

fn body(desk: &Desk<'_>) -> Result<Body, Error> {
    let phone = desk.phone;
    let screen = &phone.place.screen;
    match screen {
        Screen::Today => return today::body(desk),
        Screen::Settings => return settings::body(desk),
        _ => {}
    }
    let book = phone.book()?;
    let site = &book.site();
    match screen {
        Screen::Today | Screen::Settings => unreachable!("those ask for no site"),
        Screen::Site => site::body(desk, site),
        Screen::Found { controller, draft } => {
            programs::found(desk, site, controller.map(|it| it.0), draft.as_deref())
        }
        Screen::Walk => walk::body(desk, site),
        Screen::Zone { zone } => zone::body(desk, site, zone.0),
        Screen::NewHeads { zone, kind, count } => zone::new_heads(desk, site, zone.0, kind, *count),
        Screen::Skip { zone } => zone::skip(desk, site, zone.0),
        Screen::Head { head } => head::body(desk, site, head.0),
        Screen::What { thing, flag } => finding::what(desk, site, thing.0, flag.map(|flag| flag.0)),
        Screen::Finding { finding } => finding::body(desk, site, finding.0),
        Screen::Accept { finding } => finding::accept(desk, site, finding.0),
        Screen::Spot { spot } => board::spot(desk, site, spot.0),
        Screen::Board { zone, trouble } => board::zone(desk, site, zone.0, trouble),
        Screen::Kerb { head, dry } => kerb::choice(desk, site, head.0, *dry),
        Screen::Tape { head, draft } => kerb::tape(desk, site, head.0, draft.as_deref()),
        Screen::Pressure { zone, leak } => pressure::body(desk, site, zone.0, *leak),
        Screen::Gauge {
            thing,
            name,
            draft,
            back,
        } => gauge::body(desk, site, thing.0, name, draft.as_deref(), back),
        Screen::Left { controller, draft } => {
            programs::left(desk, site, controller.map(|it| it.0), draft.as_deref())
        }
        Screen::Client => close::client(desk),
        Screen::Close => close::body(desk, site),
        Screen::Paper { paper } => papers::body(desk, site, paper),
    }
}

/// What stands around a screen.
struct Frame {
    above: Option<String>,
    status: Status,
    undo: Option<Button>,
}

impl Default for Frame {
    fn default() -> Self {
        Self {
            above: None,
            status: Status {
                saved: String::new(),
                office: String::new(),
                all_there: false,
                waiting: 0,
                joined: false,
                photos: None,
                photos_waiting: 0,
            },
            undo: None,
        }
    }
}

fn frame(desk: &Desk<'_>) -> Result<Frame, Error> {
    let phone = desk.phone;
    let joined = OwnHub::of(&phone.store)?.is_some();
    let waiting = if joined {
        hub::not_at_the_office(&phone.store)?
    } else {
        0
    };
    let office = match (joined, waiting, hub::last_exchange(&phone.store)?) {
        (false, ..) => desk.say(Word::NoOfficeYet).to_owned(),
        (true, 0, Some(when)) => {
            // Of today the time alone says it.
            let today = desk.edge.today().to_string();
            let when = when.strip_prefix(&today).unwrap_or(&when).trim();
            desk.fill(Word::AllAtOffice, &[when])
        }
        (true, _, None) => desk.say(Word::NothingAtOffice).to_owned(),
        (true, 1, _) => desk.say(Word::OneWaiting).to_owned(),
        (true, count, _) => desk.fill(Word::Waiting, &[&count.to_string()]),
    };
    let (photos_waiting, photos) = photo::waiting(phone);
    let at_site = !matches!(phone.place.screen, Screen::Today | Screen::Settings);
    let above = match phone.place.site {
        Some(site) if at_site => Some(crate::book::Root::of(&phone.store, site.0)?.name),
        _ => None,
    };
    Ok(Frame {
        above,
        status: Status {
            saved: desk.say(Word::SavedHere).to_owned(),
            office,
            all_there: joined && waiting == 0,
            waiting,
            joined,
            photos,
            photos_waiting,
        },
        undo: match phone.place.screen {
            Screen::Settings => None,
            Screen::Today if phone.ended_here().is_none() => None,
            _ => undo_button(desk)?,
        },
    })
}

fn undo_button(desk: &Desk<'_>) -> Result<Option<Button>, Error> {
    let phone = desk.phone;
    let visit = phone.visit_here().or_else(|| phone.ended_here());
    let (Some(visit), Some(site)) = (visit, phone.place.site) else {
        return Ok(None);
    };
    let Some(last) = undo::last(&phone.store, site.0, visit)? else {
        return Ok(None);
    };
    let book = phone.book()?;
    let site = book.site();
    let about = match phone.ended_here() {
        Some(_) => Some(desk.say(Word::EndOfVisit).to_owned()),
        None => undo::about(&site, &last.entry).map(|thing| called(desk, &site, thing)),
    };
    Ok(Some(
        Button::new(desk.say(Word::Undo), Act::Undo).note(about.unwrap_or_default()),
    ))
}

/// Returns what a crew calls a thing, in the words of the page.
pub(crate) fn called(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: headwalk_core::log::id::ThingId,
) -> String {
    use headwalk_core::site::kind::ThingKind;
    let Some(thing) = site.thing(id) else {
        return String::new();
    };
    let address = site.address(thing);
    if let Some(spot) = Spot::of(site, thing) {
        return called_spot(desk, &spot);
    }
    let word = match thing.kind {
        Some(ThingKind::Zone) => Word::Zone,
        Some(ThingKind::Head) => Word::Head,
        Some(ThingKind::Valve) => Word::Valve,
        Some(ThingKind::Controller) => Word::Controller,
        Some(ThingKind::Supply) => Word::Supply,
        _ => return address,
    };
    let kind = thing.kind.map_or("", ThingKind::word);
    let name = address.strip_prefix(kind).unwrap_or(&address);
    format!("{} {}", desk.say(word), name.trim_start_matches('-'))
        .trim()
        .to_owned()
}

/// A spot by what it is and the rest of its label: its zone, and its number there.
fn called_spot(desk: &Desk<'_>, spot: &Spot<'_>) -> String {
    let moisture = spot.raw(&spot_fields::MOISTURE);
    let (word, moisture) = match moisture.and_then(|value| value.as_text()) {
        Some("wet") => (Word::WetSpot, "wet"),
        Some("dry") => (Word::DrySpot, "dry"),
        _ => (Word::Spot, ""),
    };
    let label = spot.label().unwrap_or_default().split('-');
    let label: Vec<_> = label.filter(|part| *part != moisture).collect();
    format!("{} {}", desk.say(word), label.join("-"))
        .trim()
        .to_owned()
}

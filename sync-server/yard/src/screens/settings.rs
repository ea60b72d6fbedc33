//! Language, units, hand; what is kept on this phone, and the way out of it.

use super::{Body, Desk};
use crate::act::{Act, Screen};
use crate::error::Error;
use crate::hub::{self, OwnHub};
use crate::photo::{self, PhotoWord};
use crate::prefs::{Hand, Language, Preference, Units};
use crate::view::{Block, Button, Fact, Tone};
use crate::words::Word;

pub(super) fn body(desk: &Desk<'_>) -> Result<Body, Error> {
    let prefs = desk.phone.prefs;
    let option =
        |label: &str, choice, stands| Button::new(label, Act::Prefer { choice }).chosen(stands);
    let mut blocks = vec![
        Block::choices(
            "Language · Idioma",
            vec![
                option(
                    "English",
                    Preference::Language(Language::En),
                    prefs.language == Language::En,
                ),
                option(
                    "Español",
                    Preference::Language(Language::Es),
                    prefs.language == Language::Es,
                ),
            ],
        ),
        Block::choices(
            desk.say(Word::Units),
            vec![
                option(
                    "ft · gal · psi",
                    Preference::Units(Units::Us),
                    prefs.units == Units::Us,
                ),
                option(
                    "m · L · kPa",
                    Preference::Units(Units::Si),
                    prefs.units == Units::Si,
                ),
            ],
        ),
        Block::choices(
            desk.say(Word::HandLabel),
            vec![
                option(
                    desk.say(Word::HandLeft),
                    Preference::Hand(Hand::Left),
                    prefs.hand == Hand::Left,
                ),
                option(
                    desk.say(Word::HandRight),
                    Preference::Hand(Hand::Right),
                    prefs.hand == Hand::Right,
                ),
            ],
        ),
        Block::heading(desk.say(Word::OnThisPhone)),
    ];
    let store = &desk.phone.store;
    let words = [
        ("keep", Word::KeepStorage),
        ("persisted", Word::Persisted),
        ("refused", Word::NotPersisted),
        ("used", Word::StorageUsed),
        ("export", Word::Export),
        ("exportnote", Word::ExportNote),
    ];
    blocks.push(Block::Storage {
        words: words
            .into_iter()
            .map(|(name, word)| (name, desk.say(word).to_owned()))
            .collect(),
    });
    if let (1.., Some(waiting)) = photo::waiting(desk.phone) {
        let stay = PhotoWord::NotInExport.said(desk.language());
        blocks.push(Block::text(format!("{waiting}. {stay}"), Tone::Plain));
    }
    let mut rows = Vec::new();
    if let Some(own) = OwnHub::of(store)? {
        rows.push(fact(desk, Word::Office, own.name));
        rows.push(fact(desk, Word::YourName, hub::person(store)?));
    }
    rows.push(fact(desk, Word::PhoneId, store.device().to_string()));
    rows.push(fact(
        desk,
        Word::Version,
        env!("CARGO_PKG_VERSION").to_owned(),
    ));
    blocks.push(Block::Facts { rows });
    let back = match desk.phone.place.site {
        Some(_) if desk.phone.visit_here().is_some() => Screen::Walk,
        _ => Screen::Today,
    };
    Ok(Body {
        title: desk.say(Word::Settings).to_owned(),
        back: Some(back),
        blocks,
        dock: vec![Button::new(desk.say(Word::ExchangeNow), Act::Exchange)],
    })
}

fn fact(desk: &Desk<'_>, word: Word, value: String) -> Fact {
    Fact {
        label: desk.say(word).to_owned(),
        value,
        versions: Vec::new(),
    }
}

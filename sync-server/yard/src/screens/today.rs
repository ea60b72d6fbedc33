//! The day's sites in the order of the route; or how to join, where the phone belongs nowhere yet.

use headwalk_core::log::id::LogbookId;
use headwalk_core::site::company;
use headwalk_core::site::fields::{route, site};
use headwalk_core::site::kind::ThingKind;

use super::{Body, Desk};
use crate::act::{Act, Id};
use crate::book::{self, Book, Root};
use crate::error::Error;
use crate::hub::OwnHub;
use crate::prefs::{Language, Preference};
use crate::view::{Block, Button, Input, Keys, Mark, Tone};
use crate::words::Word;

pub(super) fn body(desk: &Desk<'_>) -> Result<Body, Error> {
    let store = &desk.phone.store;
    if OwnHub::of(store)?.is_none() {
        return Ok(join(desk));
    }
    let roots = Root::all(store)?;
    let (today, others) = in_order(desk, &roots)?;
    let mut blocks = Vec::new();
    if let Some(open) = desk.phone.visit {
        let name = Root::of(store, open.site)?.name;
        blocks.push(Block::text(
            desk.fill(Word::VisitIsOpen, &[&name]),
            Tone::Memory,
        ));
    }
    let buttons = |roots: &[&Root]| {
        let rows = roots.iter().map(|root| row(desk, root));
        rows.collect::<Result<Vec<_>, Error>>()
    };
    if !today.is_empty() {
        blocks.push(Block::list(buttons(&today)?));
        if !others.is_empty() {
            blocks.push(Block::heading(desk.say(Word::OtherSites)));
        }
    }
    let many = others.len() > 12;
    blocks.push(Block::List {
        items: buttons(&others)?,
        filter: many.then(|| desk.say(Word::FindSite).to_owned()),
    });
    if today.is_empty() && others.is_empty() {
        blocks.push(Block::text(desk.say(Word::NoSites), Tone::Plain));
    }
    Ok(Body {
        title: desk.say(Word::Today).to_owned(),
        back: None,
        blocks,
        dock: vec![Button::new(desk.say(Word::ExchangeNow), Act::Exchange)],
    })
}

fn row(desk: &Desk<'_>, root: &Root) -> Result<Button, Error> {
    let store = &desk.phone.store;
    let address = book::words(store, root.id, site::ADDRESS.number)?.unwrap_or_default();
    let access = book::words(store, root.id, site::ACCESS.number)?;
    let note = match access {
        Some(access) => format!("{address} · {access}"),
        None => address,
    };
    let button = Button::new(&root.name, Act::Open { site: Id(root.id) }).note(note);
    let is_open = desk.phone.visit.is_some_and(|open| open.site == root.id);
    Ok(if is_open {
        button.mark(Mark::Flag)
    } else {
        button
    })
}

/// The sites of today's route in its order, and all others by name.
fn in_order<'r>(
    desk: &Desk<'_>,
    roots: &'r [Root],
) -> Result<(Vec<&'r Root>, Vec<&'r Root>), Error> {
    let is_site = |root: &&Root| root.kind == Some(ThingKind::Site);
    let mut others: Vec<&Root> = roots.iter().filter(is_site).collect();
    let company = roots
        .iter()
        .find(|root| root.kind == Some(ThingKind::Company));
    let stops = match company {
        Some(company) => stops(desk, company.id)?,
        None => Vec::new(),
    };
    let mut today = Vec::new();
    for stop in stops {
        let is_stop = |root: &&Root| root.name == stop || root.id.to_string() == stop;
        if let Some(at) = others.iter().position(is_stop) {
            today.push(others.remove(at));
        }
    }
    Ok((today, others))
}

/// The stops of today's route of the crew that carries this phone, by name or logbook.
fn stops(desk: &Desk<'_>, company: LogbookId) -> Result<Vec<String>, Error> {
    let store = &desk.phone.store;
    let book = Book::read(store, company)?;
    let firm = book.site();
    let devices = company::devices(&firm);
    let crew = devices.into_iter().find(|one| one.device == store.device());
    let crew = crew.and_then(|own| own.crew);
    let today = desk.edge.today();
    let routes = firm.things().filter(|thing| {
        let of_crew = thing.words(&route::CREW).ok().map(|crew| crew.value);
        thing.kind == Some(ThingKind::Route)
            && !thing.is_removed()
            && thing.day(&route::DATE).is_ok_and(|day| day.value == today)
            && (of_crew.is_none() || crew.is_none() || of_crew == crew)
    });
    Ok(routes
        .filter_map(|thing| thing.raw(&route::STOPS)?.as_list().map(<[_]>::to_vec))
        .flatten()
        .filter_map(|stop| stop.as_text().map(str::to_owned))
        .collect())
}

fn join(desk: &Desk<'_>) -> Body {
    let input = |name: &str, word, keys| Input {
        name: name.to_owned(),
        label: desk.say(word).to_owned(),
        keys,
        value: String::new(),
    };
    let act = Act::Join {
        code: String::new(),
        person: String::new(),
    };
    let language = |label: &str, language| {
        let choice = Preference::Language(language);
        Button::new(label, Act::Prefer { choice }).chosen(desk.language() == language)
    };
    Body {
        title: desk.say(Word::JoinTitle).to_owned(),
        back: None,
        blocks: vec![
            Block::choices(
                "Language · Idioma",
                vec![
                    language("English", Language::En),
                    language("Español", Language::Es),
                ],
            ),
            Block::text(desk.say(Word::JoinHow), Tone::Plain),
            Block::Form {
                inputs: vec![
                    input("person", Word::YourName, Keys::Text),
                    input("code", Word::Code, Keys::Code),
                ],
                button: Button::new(desk.say(Word::Join), act).main(),
            },
        ],
        dock: Vec::new(),
    }
}

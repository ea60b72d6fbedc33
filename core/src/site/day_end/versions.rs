//! What two people wrote who had not seen each other: fields in two versions, things entered twice.

use std::collections::BTreeMap;

use super::site::list;
use super::{Act, Asks, Line, LineKey, Matter, Offer, Subject, basis};
use crate::log::id::{ChainId, DeviceId, FieldNumber, LogbookId, ThingId};
use crate::merge::register::{Register, Write};
use crate::site::apart::pairs;
use crate::site::fields::any;
use crate::site::sight::{Book, Said, Sight, What, Written, called, visit_called};
use crate::site::things::Site;
use crate::site::unit::UnitSystem;

/// A field that stands in two versions.
type InTwo<'a> = (FieldNumber, &'a Register);

/// What devices are called.
pub type Named<'a> = BTreeMap<DeviceId, &'a str>;

/// One of the versions in which something stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Side {
    /// What it is called: A is in force.
    pub letter: char,
    /// The values, field by field.
    pub rows: Vec<SideRow>,
    /// Who wrote it.
    pub by: String,
    /// When, on the writer's own clock.
    pub when: String,
    /// On which device, where that has a name.
    pub device: Option<String>,
    /// During which visit.
    pub visit: Option<String>,
}

/// One field of a version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SideRow {
    /// The field.
    pub field: String,
    /// The value, for people.
    pub value: String,
    /// What its writer had seen there before: value, who, when.
    pub had_seen: Vec<String>,
}

/// Returns whether a site has anything for which its entries must be read: what stands in two
/// versions, or looks as if it had been entered twice.
#[must_use]
pub fn asks_for_entries(site: &Site<'_>) -> bool {
    let mut registers = site.state().registers();
    registers.any(|(.., register)| register.stands_in_two_versions()) || pairs::may_suggest(site)
}

/// Returns a line for each thing of which fields stand in two versions: those that the same
/// devices wrote are decided together, so that nobody gets one crew's arc with another's nozzle.
pub(super) fn in_two(book: &Book<'_>, name: &str, named: &Named<'_>) -> Vec<Line> {
    let mut groups: BTreeMap<(ThingId, Vec<ChainId>), Vec<InTwo<'_>>> = BTreeMap::new();
    for (thing, field, register) in book.site.state().registers() {
        let told_there = book.site.kept(thing) != thing && field != any::SAME_AS.number;
        if !register.stands_in_two_versions() || told_there {
            continue;
        }
        let mut chains: Vec<_> = register
            .open()
            .iter()
            .map(|write| write.place.chain)
            .collect();
        if field == any::REMOVED.number || field == any::SAME_AS.number {
            chains.push(ChainId::from_bytes([0; 16])); // by itself
        }
        groups
            .entry((thing, chains))
            .or_default()
            .push((field, register));
    }
    let groups = groups.into_iter();
    groups
        .filter_map(|((thing, _), fields)| versions(book, name, named, thing, &fields))
        .collect()
}

fn versions(
    book: &Book<'_>,
    name: &str,
    named: &Named<'_>,
    thing: ThingId,
    fields: &[InTwo<'_>],
) -> Option<Line> {
    let (first, register) = fields.first()?;
    let sight = Sight::of(book, thing);
    let count = register.open().len();
    let sides: Vec<Side> = (0..count)
        .filter_map(|nth| side(book, &sight, named, fields, nth))
        .collect();
    let values = (0..count).map(|nth| {
        let of_field =
            |(field, register): &InTwo<'_>| Some((*field, register.open().get(nth)?.value.clone()));
        fields.iter().filter_map(of_field).collect()
    });
    let names: Vec<_> = fields
        .iter()
        .map(|(field, _)| What::Field(*field).name())
        .collect();
    let places = fields.iter().flat_map(|(_, register)| register.open());
    let logbook = LogbookId::of_root(book.site.root().id);
    let offers = (0..count).map(Offer::version).chain([Offer::later()]);
    Some(Line {
        key: LineKey::of(Matter::TwoVersions, logbook, format!("{thing}-{}", first.0)),
        basis: basis(places.map(|write| write.place)),
        severity: None,
        from: None,
        site: name.to_owned(),
        place: called(book.site, thing),
        about: thing,
        head: names.join(", "),
        more: Vec::new(),
        caution: None,
        sides,
        offers: offers.collect(),
        subject: Subject::Versions(thing, values.collect()),
    })
}

fn side(
    book: &Book<'_>,
    sight: &Sight<'_>,
    named: &Named<'_>,
    fields: &[InTwo<'_>],
    nth: usize,
) -> Option<Side> {
    let mut rows = Vec::new();
    let mut latest: Option<Written<'_>> = None;
    for (field, register) in fields {
        let write: &Write = register.open().get(nth)?;
        let by = *book.entries.get(&write.place)?;
        if latest.is_none_or(|latest| latest.stamp < by.stamp) {
            latest = Some(by);
        }
        let (what, system) = (What::Field(*field), UnitSystem::Us);
        let said = Said {
            what,
            value: write.value.clone(),
            how: write.how,
            by,
        };
        let had_seen = sight.had_seen(*field, write.place);
        let shown =
            |seen: &Said<'_>| format!("{} ({})", seen.shown(book.site, system), seen.by_and_when());
        rows.push(SideRow {
            field: what.name(),
            value: said.shown(book.site, system),
            had_seen: had_seen.iter().map(shown).collect(),
        });
    }
    let by = latest?;
    Some(Side {
        letter: super::LETTERS.chars().nth(nth)?,
        rows,
        by: by.entry.by.clone(),
        when: by.when(),
        device: named.get(&by.entry.device).map(|name| (*name).to_owned()),
        visit: by.entry.visit.map(|visit| visit_called(book.site, visit)),
    })
}

/// Returns a line for each two records that may be of one thing.
pub(super) fn pairs(book: &Book<'_>, name: &str, named: &Named<'_>) -> Vec<Line> {
    let site = book.site;
    let pairs = pairs::suggested(site, |by, other| book.knowledge.saw(by, other)).into_iter();
    let line = |pair: pairs::Pair| {
        let [first, second] = [site.thing(pair.first)?, site.thing(pair.second)?];
        let entered = |thing: ThingId| {
            let kind = site.thing(thing)?.register(&any::KIND)?.open().last()?;
            book.entries.get(&kind.place).copied()
        };
        let told = |thing: ThingId| {
            let by = entered(thing)?;
            let device = named.get(&by.entry.device);
            let device = device.map_or_else(String::new, |device| format!(" on {device}"));
            let (name, who) = (called(site, thing), &by.entry.by);
            Some(format!("{name}, entered by {who}{device}, {}.", by.when()))
        };
        let why: Vec<_> = pair.why.iter().map(ToString::to_string).collect();
        let places = [pair.first, pair.second].into_iter().filter_map(entered);
        Some(Line {
            key: LineKey::of(
                Matter::MaybeOne,
                LogbookId::of_root(site.root().id),
                format!("{}-{}", pair.first, pair.second),
            ),
            basis: basis(places.map(|by| by.place)),
            severity: None,
            from: None,
            site: name.to_owned(),
            place: called(site, pair.first),
            about: pair.first,
            head: format!("and {}: {}", called(site, pair.second), why.join(", ")),
            more: [pair.first, pair.second]
                .into_iter()
                .filter_map(told)
                .collect(),
            caution: None,
            sides: Vec::new(),
            offers: vec![
                Offer::new(Act::Join, 'j', "They are one", Asks::Nothing),
                Offer::new(Act::ToldApart, 't', "They are two", Asks::Nothing),
                Offer::later(),
            ],
            subject: Subject::Pair {
                first: first.id,
                second: second.id,
                told_apart: list(&second, &any::TOLD_APART),
            },
        })
    };
    pairs.filter_map(line).collect()
}

//! `headwalk join`: one thing that was entered twice, told as one.

use std::sync::Arc;

use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{Absence, Value};
use headwalk_core::site::apart::pairs::{self, Pair};
use headwalk_core::site::fields::{FieldDef, any};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{self, AddressError, Site, Thing};

use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Logbook, Moment, state_of, written};
use crate::output::{Page, Report, counted};
use crate::record::{Action, Recorded, record};
use crate::roots::{Root, Roots};
use crate::said::called;
use crate::told::{self, Told};

/// Join two records of one thing, such as a head that two crews entered without having seen each
/// other's; or list what may have been entered twice.
///
/// A joined thing has everything that was said of either record: fields that differ stand in two
/// versions, findings and readings of both are told of it, and it counts once. No entry is
/// changed: --apart takes the join back.
///
/// Example: headwalk join "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it; all without it.
    site: Option<String>,
    /// The record that stays; where two have the same name, that name joins them.
    thing: Option<String>,
    /// The other record, by its name or its id.
    other: Option<String>,
    /// Take the join back: the two are told as two again.
    #[arg(long, requires = "thing", conflicts_with = "different")]
    apart: bool,
    /// They are two things: do not suggest them again.
    #[arg(long, requires = "thing")]
    different: bool,
}

/// `{"maybe_one": [..], "joined": [..]}`, by site.
#[derive(Serialize)]
struct Records {
    /// Things that may have been entered twice.
    maybe_one: Vec<PairLine>,
    /// Things that were joined.
    joined: Vec<Joined>,
}

/// Two records that may be of one thing.
#[derive(Serialize)]
pub struct PairLine {
    logbook: String,
    site: String,
    first: RecordLine,
    second: RecordLine,
    /// What speaks for it.
    why: Vec<String>,
}

/// One record, and who entered it.
#[derive(Serialize)]
struct RecordLine {
    thing: String,
    name: String,
    #[serde(flatten)]
    entered: Told,
    #[serde(skip)]
    when: String,
}

/// A second record, and the first.
#[derive(Serialize)]
struct Joined {
    logbook: String,
    site: String,
    first: String,
    name: String,
    second: RecordLine,
    /// Whether each was said to be the other, or to be of two different things.
    contradicted: bool,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    match (&args.site, &args.thing) {
        (Some(site), Some(thing)) => {
            let root = roots.find(site)?;
            let logbook = Logbook::read(&store, root.id, Moment::default())?;
            let book = Book::of(root, &logbook);
            let (action, words) = if args.apart {
                let (action, pair) = book.taken_apart(thing)?;
                (Some(action), format!("{} are two again.", book.both(pair)))
            } else {
                let pair = book.meant(thing, args.other.as_deref())?;
                let both = book.both(pair);
                match args.different {
                    true => {
                        let words = format!("{both} are two things, and not suggested again.");
                        (book.told_apart(pair), words)
                    }
                    false => {
                        let words = format!("{both} are one now; --apart takes that back.");
                        (book.joined(pair)?, words)
                    }
                }
            };
            let Some(action) = action else {
                return call.print(&Already {});
            };
            let recorded = record(call, &store, root, action)?;
            call.print(&Done { recorded, words })
        }
        (site, _) => {
            let wanted = roots.wanted(site.as_deref())?;
            let mut records = Records {
                maybe_one: Vec::new(),
                joined: Vec::new(),
            };
            for root in wanted
                .iter()
                .filter(|root| root.kind == Some(ThingKind::Site))
            {
                let state = state_of(&store, root.id)?;
                let site = Site::of(&state, root.id);
                let mut things = site.things();
                let is_joined = things.any(|thing| site.kept(thing.id) != thing.id);
                if !is_joined && !pairs::may_suggest(&site) {
                    continue;
                }
                let logbook = Logbook::now(&store, root.id, Arc::clone(&state))?;
                let book = Book::of(root, &logbook);
                records
                    .maybe_one
                    .extend(PairLine::all(root, &logbook, &book.site)?);
                records.joined.extend(book.all_joined()?);
            }
            call.print(&records)
        }
    }
}

/// What was recorded, and what it comes to.
#[derive(Serialize)]
struct Done {
    #[serde(flatten)]
    recorded: Recorded,
    #[serde(skip)]
    words: String,
}

impl Report for Done {
    fn write(&self, page: &mut Page) {
        page.line(&self.words);
    }
}

/// Nothing was recorded, since it is so already.
#[derive(Serialize)]
struct Already {}

impl Report for Already {
    fn write(&self, page: &mut Page) {
        page.line("These are joined already; nothing was recorded.");
    }
}

/// A site with its entries at hand.
struct Book<'a> {
    root: &'a Root,
    logbook: &'a Logbook,
    site: Site<'a>,
}

impl<'a> Book<'a> {
    fn of(root: &'a Root, logbook: &'a Logbook) -> Self {
        let site = Site::of(&logbook.state, root.id);
        Self {
            root,
            logbook,
            site,
        }
    }

    /// Returns the two records that were meant, the one that stays first.
    fn meant(&self, thing: &str, other: Option<&str>) -> Result<[ThingId; 2], Error> {
        let (first, second) = match (self.site.find_record(thing), other) {
            (Ok(first), Some(other)) if other.trim() != thing.trim() => {
                (first.id, self.site.find_record(other)?.id)
            }
            (Ok(only), _) => self.suggested_with(only)?,
            (Err(AddressError::Ambiguous { typed, candidates }), other)
                if candidates.len() == 2 && other.is_none_or(|other| other.trim() == typed) =>
            {
                let pairs = pairs::suggested(&self.site, self.saw());
                let named =
                    |id: ThingId| candidates.iter().any(|one| one.contains(&id.to_string()));
                let pair = pairs.into_iter();
                let mut pair = pair.filter(|pair| named(pair.first) && named(pair.second));
                match pair.next() {
                    Some(pair) => (pair.first, pair.second),
                    None => return Err(AddressError::Ambiguous { typed, candidates }.into()),
                }
            }
            (Err(error), _) => return Err(error.into()),
        };
        Ok([first, second])
    }

    /// Returns the suggested pair in which a record is, where it is in one.
    fn suggested_with(&self, only: Thing<'_>) -> Result<(ThingId, ThingId), Error> {
        let pairs = pairs::suggested(&self.site, self.saw());
        let mut with = pairs
            .iter()
            .filter(|pair| [pair.first, pair.second].contains(&only.id));
        match (with.next(), with.next()) {
            (Some(pair), None) => Ok((pair.first, pair.second)),
            _ => Err(Error::input(format!(
                "say to which other record {} is to be joined",
                self.site.address(only)
            ))
            .field("other")
            .hint("`headwalk join SITE THING OTHER`; `headwalk join SITE` lists likely ones.")),
        }
    }

    fn saw(&self) -> impl Fn(headwalk_core::log::id::Place, headwalk_core::log::id::Place) -> bool {
        |by, other| self.logbook.knowledge.saw(by, other)
    }

    /// Makes the other record the second of the one that stays; none where they are one already.
    fn joined(&self, [first, second]: [ThingId; 2]) -> Result<Option<Action>, Error> {
        let (first, second) = (self.site.kept(first), self.site.kept(second));
        if first == second {
            return Ok(None);
        }
        let [one, other] = [first, second].map(|id| self.site.thing(id));
        if let (Some(one), Some(other)) = (one, other) {
            if one.kind != other.kind || one.kind.is_none() {
                let [one, other] = [one, other].map(|thing| self.site.address(thing));
                return Err(
                    Error::input(format!("{one} and {other} are not of one kind"))
                        .field("other")
                        .hint("only two records of one thing can be joined."),
                );
            }
            if let Some(gone) = [one, other].into_iter().find(Thing::is_removed) {
                let gone = self.site.address(gone);
                return Err(Error::input(format!("{gone} was removed"))
                    .field("thing")
                    .hint("`headwalk note SITE THING removed no` brings it back."));
            }
        }
        if second == self.site.root().id {
            return Err(Error::input("the site itself stays as it is").field("other"));
        }
        Ok(Some(set(second, &any::SAME_AS, Value::Thing(first))))
    }

    /// Names two records: by one name where both have it.
    fn both(&self, pair: [ThingId; 2]) -> String {
        let [one, other] = pair.map(|id| called(&self.site, id));
        let site = &self.root.name;
        match one == other {
            true => format!("Both records of {one} at {site}"),
            false => format!("{one} and {other} at {site}"),
        }
    }

    /// Takes a join back, named by the second record or, where there is but one, by the first.
    fn taken_apart(&self, typed: &str) -> Result<(Action, [ThingId; 2]), Error> {
        let record = self.site.find_record(typed)?;
        let second = if self.site.kept(record.id) != record.id {
            record.id
        } else {
            match self.site.joined(record.id)[..] {
                [only] => only.id,
                [] => {
                    let name = self.site.address(record);
                    return Err(Error::input(format!("{name} was not joined to anything"))
                        .field("thing")
                        .hint("`headwalk join SITE` lists what was."));
                }
                ref several => {
                    let named = |second: &Thing<'_>| {
                        format!("{}  {}", second.id, self.site.address(*second))
                    };
                    return Err(Error::input("several records were joined to it")
                        .field("thing")
                        .details(several.iter().map(named).collect::<Vec<_>>())
                        .hint("name the one that is to be told apart, by its id."));
                }
            }
        };
        let pair = [self.site.kept(second), second];
        let cleared = Value::Absent(Absence::Cleared);
        Ok((set(second, &any::SAME_AS, cleared), pair))
    }

    /// Says that two are different things, beside those of which that was said before.
    fn told_apart(&self, [first, second]: [ThingId; 2]) -> Option<Action> {
        let said = self.logbook.state.value(second, any::TOLD_APART.number);
        let mut others = said.and_then(Value::as_list).unwrap_or_default().to_vec();
        if !others.contains(&Value::Thing(first)) {
            others.push(Value::Thing(first));
        }
        Some(set(second, &any::TOLD_APART, Value::List(others)))
    }

    fn all_joined(&self) -> Result<Vec<Joined>, Error> {
        let seconds = self
            .site
            .things()
            .filter(|thing| self.site.kept(thing.id) != thing.id);
        let joined = seconds.map(|second| {
            let first = self.site.kept(second.id);
            let apart = second.register(&any::SAME_AS);
            let in_two = apart.is_some_and(|register| register.stands_in_two_versions());
            let ring = self
                .site
                .thing(first)
                .and_then(|first| first.same_as())
                .is_some();
            Ok(Joined {
                logbook: self.root.id.to_string(),
                site: self.root.name.clone(),
                first: first.to_string(),
                name: called(&self.site, first),
                second: RecordLine::of(&self.site, self.logbook, second.id)?,
                contradicted: in_two || ring,
            })
        });
        joined.collect()
    }
}

fn set(thing: ThingId, field: &FieldDef, value: Value) -> Action {
    Action {
        about: thing,
        changes: vec![things::set(thing, field, value)],
        ask: Vec::new(),
    }
}

impl PairLine {
    /// Returns what may have been entered twice at a site.
    pub fn all(root: &Root, logbook: &Logbook, site: &Site<'_>) -> Result<Vec<Self>, Error> {
        let pairs = pairs::suggested(site, |by, other| logbook.knowledge.saw(by, other));
        let line = |pair: Pair| {
            Ok(Self {
                logbook: root.id.to_string(),
                site: root.name.clone(),
                first: RecordLine::of(site, logbook, pair.first)?,
                second: RecordLine::of(site, logbook, pair.second)?,
                why: pair.why.iter().map(ToString::to_string).collect(),
            })
        };
        pairs.into_iter().map(line).collect()
    }
}

impl RecordLine {
    fn of(site: &Site<'_>, logbook: &Logbook, thing: ThingId) -> Result<Self, Error> {
        let of_thing = site.thing(thing);
        let kind = of_thing.and_then(|thing| thing.register(&any::KIND));
        let opens = kind.map_or(&[][..], |kind| kind.open());
        let entered = opens
            .last()
            .ok_or_else(|| Error::input(format!("nobody said what {} is", called(site, thing))))?;
        let kept = logbook.entry(entered.place)?;
        Ok(Self {
            thing: thing.to_string(),
            name: called(site, thing),
            entered: Told::of(written(kept), entered.how),
            when: told::plain(kept.stamp, kept.entry.utc_offset_min),
        })
    }

    fn row(&self) -> [String; 4] {
        let by = self.entered.by.clone();
        [self.name.clone(), by, self.when.clone(), self.thing.clone()]
    }
}

impl Report for Records {
    fn write(&self, page: &mut Page) {
        for pair in &self.maybe_one {
            page.line(format!("At {}: {}", pair.site, pair.why.join(", ")));
            page.rows(2, &[pair.first.row(), pair.second.row()]);
        }
        for joined in &self.joined {
            let [name, by, when, id] = joined.second.row();
            page.line(format!(
                "At {}: {name} ({by}, {when}, {id}) is joined to {}{}",
                joined.site,
                joined.name,
                match joined.contradicted {
                    true => "; another join contradicts that",
                    false => "",
                }
            ));
        }
        page.line(match self.maybe_one.len() as u64 {
            0 => "Nothing looks as if it had been entered twice.".to_owned(),
            pairs => format!(
                "{} may have been entered twice, by crews who had not seen each other's. \
                 `headwalk join SITE THING OTHER` joins them; with --different they are not \
                 listed again.",
                counted(pairs, "thing", "things")
            ),
        });
    }
}

//! `headwalk history`: all that was ever said of a thing, and what each writer had seen.

use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::Value;
use headwalk_core::site::apart::removed;
use headwalk_core::site::fields::{self, Recordable, any};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::Kept;

use crate::args::MomentArgs;
use crate::call::Call;
use crate::devices::Devices;
use crate::error::Error;
use crate::logbook::Logbook;
use crate::output::{Page, Report};
use crate::roots::Roots;
use crate::said::{Said, What, called, visit_called};
use crate::seen::Sight;
use crate::told;

/// Replay all that was said of a thing, or of one of its fields, oldest first.
///
/// Each line says who, when and on which device, how they knew, during which visit, and when it
/// reached this store; for a field also which values it took the place of, and which values were
/// written without either having seen the other.
///
/// Example: headwalk history "Maple Court" valve-3 solenoid-ohms --as-known "2026-07-14 07:30"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The thing.
    thing: String,
    /// Only this field or observation.
    field: Option<String>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// `{"site": .., "logbook": ID, "thing": ID, "name": .., "said": [..]}`
#[derive(Serialize)]
struct History {
    site: String,
    logbook: String,
    thing: String,
    name: String,
    said: Vec<Line>,
}

/// One thing said.
#[derive(Serialize)]
struct Line {
    /// The field or observation.
    what: String,
    /// The second record of a joined thing of which it was said; none for the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    record: Option<String>,
    #[serde(flatten)]
    said: Said,
    /// Which entry: its number among that device's entries in this logbook.
    seq: u64,
    /// When this store came to hold it, in RFC 3339.
    reached_here: String,
    /// The values that the writer had before their eyes and replaced.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    replaced: Vec<Said>,
    /// Other values, where neither writer had seen the other's.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    unseen: Vec<Said>,
    /// Whether it does not count, since its device's access had been taken back.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    held_back: bool,
    /// Removals of the thing, where neither writer had seen the other's entry: the edit wins.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    removed_unseen: Vec<Said>,
    #[serde(skip)]
    device: String,
    /// What that second record is called.
    #[serde(skip)]
    of: Option<String>,
    #[serde(skip)]
    during: Option<String>,
    /// When it came here, for people, where that was not at once.
    #[serde(skip)]
    reached: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let now = call.now();
    let moment = args.moment.moment(now)?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let logbook = Logbook::read(&store, root.id, moment)?;
    let site = Site::of(&logbook.state, root.id);
    let thing = site.find(&args.thing)?;
    let kind = thing.kind.unwrap_or(ThingKind::Site);
    let only = args
        .field
        .as_deref()
        .map(|name| wanted(kind, name))
        .transpose()?;
    let replay = Replay {
        sight: Sight::of(&logbook, &site, thing.id, call.units()),
        thing: thing.id,
        devices: Devices::of(&store, &roots)?,
        call,
    };
    call.print(&History {
        site: root.name.clone(),
        logbook: root.id.to_string(),
        thing: thing.id.to_string(),
        name: site.address(thing),
        said: replay.lines(only),
    })
}

fn wanted(kind: ThingKind, name: &str) -> Result<What, Error> {
    let found = fields::recordable(kind, name);
    Ok(
        match found.map_err(|error| Error::from(error).field(name))? {
            Recordable::Field(field) => What::Field(field.number),
            Recordable::Observation(seen) => What::Seen(seen.number),
        },
    )
}

/// An entry that came here within this time was written here, or next to here.
const AT_ONCE_MS: i64 = 60_000;

/// What a replay of one thing needs at hand.
struct Replay<'a> {
    sight: Sight<'a>,
    thing: ThingId,
    devices: Devices,
    call: &'a Call,
}

impl Replay<'_> {
    /// Returns all that was said of the thing and its second records, in the order of the stamps.
    fn lines(&self, only: Option<What>) -> Vec<Line> {
        let Sight { logbook, site, .. } = self.sight;
        let mut kept: Vec<_> = logbook.entries.values().collect();
        kept.sort_by_key(|kept| (kept.stamp, kept.place));
        let mut lines = Vec::new();
        for kept in kept {
            let mut told: Vec<(What, &Value)> = Vec::new();
            for change in &kept.entry.changes {
                let Some((what, record, value, how)) = What::of(change) else {
                    continue;
                };
                let wanted = only.is_none_or(|only| only == what);
                // What is written of a joined thing is written of each of its records.
                if !wanted || !self.sight.records.contains(&record) || told.contains(&(what, value))
                {
                    continue;
                }
                let said = what.said(site, value, how, kept, self.call.units());
                let mut line = self.line(what, said, (record, value), kept);
                if told.is_empty() && !kept.held_back && what != What::Field(any::REMOVED.number) {
                    let removals = self.sight.removals_unseen(kept.place);
                    line.removed_unseen = match removed::spoken_of(change) {
                        Some(_) => removals,
                        None => Vec::new(),
                    };
                }
                told.push((what, value));
                lines.push(line);
            }
        }
        lines
    }

    fn line(
        &self,
        what: What,
        said: Said,
        (record, value): (ThingId, &Value),
        kept: &Kept,
    ) -> Line {
        let (replaced, unseen) = match what {
            What::Field(field) => (
                self.sight.replaced(record, field, kept.place),
                self.sight.unseen(field, value, kept.place),
            ),
            What::Seen(_) => (Vec::new(), Vec::new()),
        };
        let offset = self.call.now().utc_offset_min;
        let visit = kept.entry.visit;
        let second = (record != self.thing).then_some(record);
        Line {
            what: what.name(),
            record: second.map(|record| record.to_string()),
            said,
            seq: kept.entry.seq.get(),
            reached_here: told::rfc3339(kept.arrived, offset),
            replaced,
            unseen,
            held_back: kept.held_back,
            removed_unseen: Vec::new(),
            device: self.devices.name(kept.entry.device),
            of: second.map(|record| called(self.sight.site, record)),
            during: visit.map(|visit| visit_called(self.sight.site, visit)),
            reached: (kept.arrived.since(kept.stamp.wall()) >= AT_ONCE_MS)
                .then(|| told::plain_wall(kept.arrived, offset)),
        }
    }
}

impl Line {
    /// Returns what is said of it, a line each.
    fn told(&self) -> Vec<String> {
        let how = self.said.told.how.as_ref().map(|how| format!(", {how}"));
        let during = self
            .during
            .as_ref()
            .map(|visit| format!(", during {visit}"));
        let (how, during) = (how.unwrap_or_default(), during.unwrap_or_default());
        let of = self.of.as_ref().map(|record| format!("(as {record}) "));
        let of = of.unwrap_or_default();
        let mut lines = vec![format!(
            "{of}{} {}{how}{during}",
            self.what, self.said.shown
        )];
        if let Some(of) = &self.said.told.repeats {
            let (by, site) = (&of.by, &of.site);
            let at = of.at.get(..16).unwrap_or(&of.at).replace('T', " ");
            lines.push(format!(
                "as {by} wrote it at {site} {at}; that visit was moved"
            ));
        }
        if self.held_back {
            lines.push("held back: its device's access had been taken back".to_owned());
        }
        for other in &self.replaced {
            lines.push(format!(
                "in place of {} ({})",
                other.shown,
                other.by_and_when()
            ));
        }
        for other in &self.unseen {
            let by = other.by_and_when();
            let shown = &other.shown;
            lines.push(format!("beside {shown} ({by}), neither seen by the other"));
        }
        for removal in &self.removed_unseen {
            let by = removal.by_and_when();
            lines.push(format!(
                "beside its removal ({by}), neither seen by the other: it is there all the same"
            ));
        }
        if let Some(clock) = &self.said.told.clock_said {
            lines.push(format!("the device's clock said {clock}"));
        }
        if let Some(reached) = &self.reached {
            lines.push(format!("reached this store {reached}"));
        }
        lines
    }
}

impl Report for History {
    fn write(&self, page: &mut Page) {
        page.line(format!("{} at {}", self.name, self.site));
        let mut rows = Vec::new();
        let mut before = None;
        for line in &self.said {
            let said = &line.said;
            // What one entry said stands under one who and when.
            let entry = (&said.told.device, line.seq);
            let mut first = match before == Some(entry) {
                true => Default::default(),
                false => [said.when.clone(), said.told.by.clone(), line.device.clone()],
            };
            before = Some(entry);
            for told in line.told() {
                let [when, by, device] = std::mem::take(&mut first);
                rows.push([when, by, device, told]);
            }
        }
        page.rows(0, &rows);
        if rows.is_empty() {
            page.line("Nothing was said of it by then.");
        }
    }
}

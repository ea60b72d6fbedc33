//! `headwalk history`: all that was ever said of a thing, and what each writer had seen.

use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::{self, Recordable};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::photo::Photo;
use headwalk_core::site::sight::{self, Sight};
use headwalk_core::site::things::Site;

use crate::args::MomentArgs;
use crate::call::Call;
use crate::devices::Devices;
use crate::error::Error;
use crate::logbook::Logbook;
use crate::output::{Page, Report};
use crate::photos::{Album, Whereabouts};
use crate::roots::Roots;
use crate::said::{Said, What, called, visit_called};
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
    /// Where the picture is of which it tells: here, at-office, on-phone, unknown, nowhere.
    #[serde(skip_serializing_if = "Option::is_none")]
    whereabouts: Option<&'static str>,
    /// Who took back the decision that it was, and when, in RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    taken_back: Option<TakenBack>,
    /// Removals of the thing, where neither writer had seen the other's entry: the edit wins.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    removed_unseen: Vec<Said>,
    #[serde(skip)]
    picture: Option<String>,
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

/// A decision of the office that was taken back.
#[derive(Serialize)]
struct TakenBack {
    by: String,
    at: String,
    #[serde(skip)]
    when: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
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
    let book = logbook.book(&site);
    let devices = Devices::of(&store, &roots)?;
    let lines = Sight::of(&book, thing.id).lines(only).into_iter();
    let album = Album::beside(&store, call.store_path());
    let line = |line: sight::Line<'_>| {
        let picture = whereabouts(&line, &album)?;
        let mut line = Line::of(line, thing.id, &site, &devices, call);
        line.whereabouts = picture.as_ref().map(Whereabouts::word);
        line.picture = picture.map(|whereabouts| whereabouts.words());
        Ok(line)
    };
    call.print(&History {
        site: root.name.clone(),
        logbook: root.id.to_string(),
        thing: thing.id.to_string(),
        name: site.address(thing),
        said: lines.map(line).collect::<Result<_, Error>>()?,
    })
}

/// Where the picture is of which a line tells.
fn whereabouts(line: &sight::Line<'_>, album: &Album<'_>) -> Result<Option<Whereabouts>, Error> {
    if line.said.what != What::Seen(fields::seen::PHOTO.number) {
        return Ok(None);
    }
    let photo = Photo::read(&line.said.value);
    photo
        .map(|photo| album.whereabouts(&photo, &line.said.by.entry.by))
        .transpose()
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

impl Line {
    fn of(
        line: sight::Line<'_>,
        thing: ThingId,
        site: &Site<'_>,
        devices: &Devices,
        call: &Call,
    ) -> Self {
        let (units, offset) = (call.units(), call.now().utc_offset_min);
        let by = line.said.by;
        let visit = by.entry.visit;
        let second = (line.record != thing).then_some(line.record);
        Self {
            what: line.said.what.name(),
            record: second.map(|record| record.to_string()),
            said: Said::of(&line.said, site, units),
            seq: by.entry.seq.get(),
            reached_here: told::rfc3339(by.arrived, offset),
            replaced: Said::all(&line.replaced, site, units),
            unseen: Said::all(&line.unseen, site, units),
            held_back: by.held_back && line.taken_back.is_none(),
            whereabouts: None,
            picture: None,
            taken_back: line.taken_back.map(|taken| TakenBack {
                by: taken.entry.by.clone(),
                at: told::rfc3339(taken.stamp.wall(), taken.entry.utc_offset_min),
                when: taken.when(),
            }),
            removed_unseen: Said::all(&line.removed_unseen, site, units),
            device: devices.name(by.entry.device),
            of: second.map(|record| called(site, record)),
            during: visit.map(|visit| visit_called(site, visit)),
            reached: (by.arrived.since(by.stamp.wall()) >= AT_ONCE_MS)
                .then(|| told::plain_wall(by.arrived, offset)),
        }
    }

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
        lines.extend(self.picture.clone());
        if self.held_back {
            lines.push("held back: its device's access had been taken back".to_owned());
        }
        if let Some(taken) = &self.taken_back {
            lines.push(format!("taken back by {}, {}", taken.by, taken.when));
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

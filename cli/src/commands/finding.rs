//! `headwalk finding`: records what is not as it should be, and lists what is open.

use serde::Serialize;

use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::{self, finding};
use headwalk_core::site::finding::{FindingKind, Severity, Status};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Finding, NewThing, Site};
use headwalk_core::site::words::{Vocabulary, plain};
use headwalk_core::store::Store;

use super::note::pairs;
use super::photo::{PhotoLine, lines_of};
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::photos::Album;
use crate::record::{Action, Recorded, record};
use crate::roots::{Root, Roots};
use crate::said::called;

/// Record a finding, or list the open ones.
///
/// Without WHERE the open findings are listed, the most urgent first; --all lists the closed ones,
/// too. Severity, remedy and parts are those that this finding usually has, unless you give your
/// own. Change one later with `note`: headwalk note "Maple Court" 3-02-head-tilted status fixed.
///
/// WHAT is one of: arc-off-overspray, nozzle-clogged, head-tilted, head-broken, valve-weeping,
/// lateral-break ...; a wrong word lists those that are close.
///
/// Example: headwalk finding "Maple Court" 3-02 head-tilted remedy "straighten, firm the soil"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site; all sites without it.
    site: Option<String>,
    /// Where: a head, a valve, a zone, the controller, the supply, a spot.
    #[arg(requires = "what")]
    place: Option<String>,
    /// What was found.
    what: Option<String>,
    /// Fields and values, in turn, such as severity urgent cause mower.
    #[arg(num_args = 0.., value_names = ["FIELD", "VALUE"], allow_negative_numbers = true)]
    pairs: Vec<String>,
    /// List closed findings, too.
    #[arg(long)]
    all: bool,
}

/// `{"findings": [..]}`, the most urgent first, then by site and walk.
#[derive(Serialize)]
struct Findings {
    findings: Vec<FindingLine>,
}

/// One finding.
#[derive(Serialize)]
pub struct FindingLine {
    logbook: String,
    site: String,
    finding: String,
    /// What it is called.
    name: String,
    /// What it was found on.
    #[serde(rename = "where")]
    place: String,
    /// What was found; none while it is only flagged.
    what: Option<String>,
    /// How soon it matters; none where neither the crew nor the kind of finding says.
    severity: Option<&'static str>,
    status: &'static str,
    /// What mends it: the crew's word, else what usually does.
    remedy: Option<String>,
    /// What it takes off the truck.
    parts: Vec<String>,
    /// How it stands with the pictures: how many were taken.
    photos: usize,
    /// Those that are known by their digest, oldest first, and where each is.
    pictures: Vec<PhotoLine>,
    #[serde(skip)]
    rank: (usize, String, usize),
}

/// What was recorded, the usual remedy, and the usual caution.
#[derive(Serialize)]
struct Found {
    #[serde(flatten)]
    recorded: Recorded,
    /// What usually mends it (common practice).
    usual_remedy: Option<&'static str>,
    /// What can hurt whoever mends it.
    caution: Option<&'static str>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let only = args
        .site
        .as_deref()
        .map(|site| roots.find(site))
        .transpose()?;
    match (only, &args.place, &args.what) {
        (Some(root), Some(place), Some(what)) => {
            call.print(&found(&store, root, (place, what, &args.pairs), call)?)
        }
        _ => {
            let wanted = match only {
                Some(root) => vec![root],
                None => roots.of_kind(ThingKind::Site).collect(),
            };
            let album = Album::beside(&store, call.store_path());
            let mut findings = Vec::new();
            for root in wanted {
                let state = state_of(&store, root.id)?;
                let site = Site::of(&state, root.id);
                let wanted = |status: Status| args.all || !status.is_closed();
                findings.extend(lines(&album, root, &site, wanted)?);
            }
            most_urgent_first(&mut findings);
            call.print(&Findings { findings })
        }
    }
}

/// Records a finding.
fn found(
    store: &Store,
    root: &Root,
    (place, what, said): (&str, &str, &[String]),
    call: &Call,
) -> Result<Found, Error> {
    let state = state_of(store, root.id)?;
    let site = Site::of(&state, root.id);
    let place = site.find(place)?;
    let text = |name: &str, text: &str| {
        let field = fields::known_field(ThingKind::Finding, name);
        let parsed = field.and_then(|field| Ok((field, field.parse(text, call.units())?)));
        parsed.map_err(|error| Error::from(error).field(name))
    };
    let (field, parsed) = text(finding::WHAT.name, what)?;
    let kind = FindingKind::read(&parsed.value);
    let word = parsed.value.as_text().unwrap_or(what).to_owned();
    let mut new = site
        .add(call.now().fresh_thing()?, ThingKind::Finding, place.id)
        .label(&site.free_label(ThingKind::Finding, &named(&site.address(place), &word)))
        .set(field, parsed.value, HowKnown::Unstated)
        .set(
            &finding::STATUS,
            Status::Described.value(),
            HowKnown::Unstated,
        );
    let mut ask = Vec::new();
    for (name, typed) in pairs(said)? {
        let (field, parsed) = text(name, typed)?;
        new = new.set(field, parsed.value, HowKnown::Unstated);
        ask.extend(parsed.ask);
    }
    let action = Action {
        about: NewThing::id(&new),
        changes: new.changes(),
        ask,
    };
    Ok(Found {
        recorded: record(call, store, root, action)?,
        usual_remedy: kind.map(|kind| kind.remedy),
        caution: kind
            .and_then(|kind| kind.caution)
            .map(|caution| caution.sentence()),
    })
}

/// Puts the most urgent first, then by site and walk.
fn most_urgent_first(findings: &mut [FindingLine]) {
    findings.sort_by(|a, b| a.rank.cmp(&b.rank));
}

/// Returns the findings of a site whose status is wanted, the most urgent first.
pub fn lines(
    album: &Album<'_>,
    root: &Root,
    site: &Site<'_>,
    wanted: impl Fn(Status) -> bool,
) -> Result<Vec<FindingLine>, Error> {
    let findings = site.findings();
    let wanted = findings.iter().filter(|finding| wanted(finding.status()));
    let lines = wanted.enumerate();
    let mut lines = lines
        .map(|(at, finding)| {
            let mut line = FindingLine::of(root, site, finding, at);
            line.pictures = lines_of(album, root, site, **finding)?;
            Ok(line)
        })
        .collect::<Result<Vec<_>, Error>>()?;
    most_urgent_first(&mut lines);
    Ok(lines)
}

/// Writes the pictures of findings under the findings, where there are any.
pub fn write_pictures(findings: &[FindingLine], page: &mut Page) {
    let rows = findings.iter().flat_map(|line| {
        let name = line.name.strip_prefix("finding-").unwrap_or(&line.name);
        let pictures = line.pictures.iter();
        pictures.map(move |picture| [name.to_owned(), picture.line()])
    });
    let rows: Vec<_> = rows.collect();
    if !rows.is_empty() {
        page.table(["finding", "picture"], &rows);
    }
}

impl FindingLine {
    fn of(root: &Root, site: &Site<'_>, finding: &Finding<'_>, at: usize) -> Self {
        let kind = finding.what().ok().map(|fact| fact.value);
        let severity = finding.severity().ok();
        let urgency = Severity::MEMBERS
            .iter()
            .position(|member| Some(*member) == severity);
        let remedy = finding
            .words(&fields::finding::REMEDY)
            .map(|fact| fact.value);
        let place = finding
            .part_of()
            .map_or_else(String::new, |thing| called(site, thing));
        Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            finding: finding.id.to_string(),
            name: site.address(**finding),
            place,
            what: kind.map(|kind| kind.word.to_owned()),
            severity: severity.map(Severity::word),
            status: finding.status().word(),
            remedy: remedy
                .ok()
                .or_else(|| kind.map(|kind| kind.remedy.to_owned())),
            parts: finding.parts(),
            photos: finding.photos(),
            pictures: Vec::new(),
            rank: (
                urgency.unwrap_or(Severity::MEMBERS.len()),
                root.name.to_lowercase(),
                at,
            ),
        }
    }

    /// Returns its row for people: how soon, what, status, remedy.
    pub fn row(&self) -> [String; 4] {
        [
            self.severity.map(plain).unwrap_or_default(),
            self.at_and_what(),
            plain(self.status),
            self.remedy.clone().unwrap_or_default(),
        ]
    }

    /// What `note` takes for it, with where and what where its name does not say so.
    fn at_and_what(&self) -> String {
        let what = self.what.as_deref().unwrap_or("flagged");
        let name = self.name.strip_prefix("finding-").unwrap_or(&self.name);
        if name.starts_with(&named(&self.place, what)) {
            name.to_owned()
        } else {
            format!("{name}: {} at {}", plain(what), self.place)
        }
    }
}

/// Returns how a finding is named: by where and what.
fn named(place: &str, what: &str) -> String {
    format!("{}-{what}", place.strip_prefix("head-").unwrap_or(place))
}

impl Report for Found {
    fn write(&self, page: &mut Page) {
        self.recorded.write_added(page);
        if let Some(remedy) = self.usual_remedy {
            page.line(format!("Usually mended so: {remedy}."));
        }
        if let Some(caution) = self.caution {
            page.paragraph(caution);
        }
    }
}

impl Report for Findings {
    fn write(&self, page: &mut Page) {
        let row = |line: &FindingLine| {
            let [severity, finding, status, remedy] = line.row();
            [severity, line.site.clone(), finding, status, remedy]
        };
        let rows: Vec<_> = self.findings.iter().map(row).collect();
        if !rows.is_empty() {
            page.table(["how soon", "site", "finding", "status", "remedy"], &rows);
        }
        write_pictures(&self.findings, page);
        let findings = counted(self.findings.len() as u64, "finding", "findings");
        page.line(format!("{findings}."));
    }
}

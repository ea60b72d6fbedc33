//! A file of exported entries read whole, whatever is in it: all that is wrong is told, line by line.

use std::collections::BTreeSet;

use serde_json::{Value as Json, json};

use headwalk_core::log::seal::Seal;
use headwalk_core::log::walk::{Fault, Walk};
use headwalk_core::site::fields::UNKNOWN;

use super::{FORMAT, Sound, entry_line, heading, parted, rank, read_seal, running, unhex};

/// A file that is all in memory, and in which nothing is wrong.
#[derive(Debug, PartialEq)]
pub struct Whole {
    /// What is in it.
    pub sound: Sound,
    /// The entries' bytes, each after those that its writer had seen.
    pub entries: Vec<Vec<u8>>,
}

/// Reads a file and holds everything in it against everything else.
///
/// # Errors
/// What is wrong, a sentence each, by line.
pub fn check(text: &str) -> Result<Whole, Vec<String>> {
    let mut checking = Checking::default();
    checking.lines(text);
    checking.chains();
    checking.whole();
    if !checking.faults.is_empty() {
        let faults = checking.faults.into_iter();
        return Err(faults.map(|(_, fault)| fault).collect());
    }
    let unread = checking.unread;
    let (walk, mut raws) = (checking.walk, checking.entries);
    let in_order = walk.order.iter();
    let in_order = in_order.map(|&at| core::mem::take(&mut raws[at].1));
    Ok(Whole {
        entries: in_order.collect(),
        sound: Sound {
            many: walk.order.len() as u64,
            seals: checking.seals,
            ends: walk.ends,
            unread,
        },
    })
}

/// A file being read.
#[derive(Default)]
struct Checking<'t> {
    head: Option<Json>,
    chains: Vec<(usize, &'t str)>,
    seals: Vec<Seal>,
    seal_lines: Vec<(usize, &'t str)>,
    /// By line: the bytes, and the line without what it has of lines before.
    entries: Vec<(usize, Vec<u8>, &'t str)>,
    walk: Walk,
    faults: Vec<(usize, String)>,
    unread: u64,
}

impl<'t> Checking<'t> {
    fn fault(&mut self, line: usize, why: impl AsRef<str>) {
        let why = why.as_ref();
        self.faults.push((line, format!("line {line}: {why}")));
    }

    /// Takes the lines apart.
    fn lines(&mut self, text: &'t str) {
        let mut so_far = "";
        let mut number = 0;
        for whole in text.split_inclusive('\n') {
            number += 1;
            let Some((body, told)) = parted(whole) else {
                self.fault(number, "it is cut short, or no line of an export");
                continue;
            };
            if running(so_far, body) != told {
                let what = called(body);
                self.fault(
                    number,
                    format!("{what} is not what was written there, or what stood before it is"),
                );
            }
            so_far = told;
            self.line(number, body);
        }
        if number == 0 {
            self.fault(1, "the file is empty");
        }
    }

    fn line(&mut self, number: usize, body: &'t str) {
        let Ok(line) = serde_json::from_str::<Json>(&format!("{body}}}")) else {
            return self.fault(number, "it is no JSON");
        };
        if number == 1 {
            if line["export"] != json!(FORMAT) {
                self.fault(1, format!("it is no export of format {FORMAT}"));
            }
            self.head = Some(line);
        } else if line.get("chain").is_some() {
            self.chains.push((number, body));
        } else if let Some(seal) = line.get("seal") {
            match read_seal(seal) {
                Some(seal) => {
                    self.seals.push(seal);
                    self.seal_lines.push((number, body));
                }
                None => self.fault(number, "it is no seal"),
            }
        } else {
            match line["bytes"].as_str().and_then(unhex) {
                Some(raw) => self.entries.push((number, raw, body)),
                None => self.fault(number, format!("{} has no bytes", called(body))),
            }
        }
    }

    /// Walks the chains, and holds every line against what the bytes say.
    fn chains(&mut self) {
        let raws: Vec<_> = self.entries.iter().map(|(_, raw, _)| raw).collect();
        let mut walk = Walk::over(&raws, &self.seals);
        for fault in core::mem::take(&mut walk.faults) {
            let number = match &fault {
                Fault::Unreadable { at, .. }
                | Fault::Twice { at, .. }
                | Fault::Missing { at, .. } => self.entries[*at].0,
                Fault::Seal { at, .. } => self.seal_lines[*at].0,
                _ => 1,
            };
            self.fault(number, fault.to_string());
        }
        let whole: BTreeSet<_> = walk.order.iter().copied().collect();
        let mut last = None;
        let mut wrong = Vec::new();
        for (at, (number, raw, body)) in self.entries.iter().enumerate() {
            let Some(walked) = walk.walked.get(&at) else {
                continue;
            };
            let rank = rank(walked);
            if last.as_ref().is_some_and(|last| *last > rank) {
                wrong.push((*number, format!("{} stands out of order", called(body))));
            }
            last = Some(rank);
            if !whole.contains(&at) {
                continue; // its digest follows from what is not there
            }
            let ours = entry_line(walked, raw);
            if ours.strip_suffix('}') == Some(body) {
                continue;
            }
            if says_the_same(&ours, &format!("{body}}}")) {
                self.unread += 1; // a later version has words where this one has none
            } else {
                let fault = "does not say what its bytes say, or its digest is another";
                wrong.push((*number, format!("{} {fault}", called(body))));
            }
        }
        for (number, fault) in wrong {
            self.fault(number, fault);
        }
        self.walk = walk;
    }

    /// Whether all is there that the first lines say.
    fn whole(&mut self) {
        let head = self.head.take().unwrap_or_default();
        let counts = [
            ("entries", self.entries.len()),
            ("chains", self.chains.len()),
            ("seals", self.seals.len()),
        ];
        for (what, there) in counts {
            if head[what] != json!(there) {
                let said = &head[what];
                self.fault(1, format!("it says {said} {what}, and {there} are there"));
            }
        }
        if self.walk.order.len() < self.entries.len() {
            return self.in_order(); // where chains end is not known
        }
        let heading = heading(&self.walk.ends, self.entries.len() as u64, &self.seals);
        let ours = heading.iter().filter_map(|line| line.strip_suffix('}'));
        let ours: Vec<_> = ours.filter(|line| line.starts_with("{\"chain\"")).collect();
        let mut wrong = Vec::new();
        for (number, body) in &self.chains {
            if !ours.contains(body) {
                wrong.push((*number, self.lacks(body)));
            }
        }
        for (number, fault) in wrong {
            self.fault(number, fault);
        }
        let theirs: Vec<_> = self.chains.iter().map(|(_, body)| *body).collect();
        for line in ours.iter().filter(|line| !theirs.contains(line)) {
            let what = line.trim_start_matches("{\"chain\":").to_owned();
            self.fault(1, format!("no line tells of this end of a chain: {what}}}"));
        }
        self.in_order();
    }

    fn in_order(&mut self) {
        self.faults.sort();
        self.faults.dedup();
    }

    /// What a chain lacks of what its line says.
    fn lacks(&self, body: &str) -> String {
        let line: Json = serde_json::from_str(&format!("{body}}}")).unwrap_or_default();
        let chain = &line["chain"];
        let word = |name: &str| chain[name].as_str().unwrap_or_default().to_owned();
        let (logbook, device) = (word("logbook"), word("device"));
        let there = self.walk.order.iter().map(|at| &self.walk.walked[at]);
        let there = there.filter(|walked| {
            walked.entry.logbook.to_string() == logbook && walked.entry.device.to_string() == device
        });
        let last = there.map(|walked| walked.entry.seq.get()).max();
        let last = last.unwrap_or(0);
        match chain["entries"].as_u64() {
            Some(said) if said > last => {
                let first = last + 1;
                format!("entry {first} of device {device} is not there as it was written")
            }
            _ => format!("the entries of device {device} do not end as it says"),
        }
    }
}

/// Whether two lines of one entry differ in nothing but the words of changes for which this version
/// has none.
fn says_the_same(ours: &str, theirs: &str) -> bool {
    let read = |line: &str| serde_json::from_str::<Json>(line).unwrap_or_default();
    let (mut ours, mut theirs) = (read(ours), read(theirs));
    let (our_changes, their_changes) = (ours["changes"].take(), theirs["changes"].take());
    let (Some(our_changes), Some(their_changes)) =
        (our_changes.as_array(), their_changes.as_array())
    else {
        return false;
    };
    let same = |(ours, theirs): (&Json, &Json)| {
        let shown = ours.to_string();
        ours == theirs || shown.contains(UNKNOWN) || shown.contains("\"unknown\":")
    };
    ours == theirs
        && our_changes.len() == their_changes.len()
        && our_changes.iter().zip(their_changes).all(same)
}

/// What a line is about, as far as it says so.
fn called(body: &str) -> String {
    let line: Json = serde_json::from_str(&format!("{body}}}")).unwrap_or_default();
    match (line["seq"].as_u64(), line["device"].as_str()) {
        (Some(seq), Some(device)) => format!("entry {seq} of device {device}"),
        _ => "this line".to_owned(),
    }
}

//! What is recorded where water and pressure are reckoned: a head's setting at a kerb, measurements.

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{finding, head as fields};
use headwalk_core::site::finding::Status;
use headwalk_core::site::kerb::KerbChoice;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::measure::Measure;
use headwalk_core::site::things::{Head, set};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::kerb::Flowing;
use headwalk_core::water::units::{Feet, SquareFeet};

use super::{Pen, record, rounded};
use crate::act::{Id, KerbSide, Screen};
use crate::error::Error;
use crate::phone::Done;
use crate::screens::kerb::{reason, setting_of};
use crate::words::Word;

/// The part of a kerb's record that says how far the nozzle throws with its screw open.
const THROW: u16 = 5;

/// Findings that a setting at the kerb settles.
const SETTLED: [&str; 4] = [
    "arc-off-overspray",
    "arc-off-dry-edge",
    "radius-long",
    "radius-short",
];

impl Pen<'_> {
    /// Sets a head at a kerb: arc, throw, what the nozzle then delivers, and why it stays so.
    pub(super) fn set_at_kerb(
        &mut self,
        id: ThingId,
        side: KerbSide,
        dry: f64,
    ) -> Result<Done, Error> {
        let head = Head::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let prefs = self.phone.prefs;
        let choice = KerbChoice::of(&head, SquareFeet::new(dry)).map_err(Error::Kerb)?;
        let setting = setting_of(&choice, side);
        let why = reason(prefs, side, setting);
        let throw = Feet::new((setting.radius.get() * 10.0).round() / 10.0);
        let mut changes = vec![
            set(id, &fields::ARC, setting.arc.value()),
            set(id, &fields::RADIUS, throw.value()),
            set(id, &fields::COMPROMISE, Value::text(why.as_str())),
        ];
        if let Flowing::WithArc { full_circle } = choice.head.flow {
            changes.push(Change::Set {
                thing: id,
                field: fields::FLOW.number,
                value: rounded(full_circle * (setting.arc.get() / 360.0)).value(),
                how: HowKnown::Computed,
            });
        }
        // Who opens the screw again must find how far the nozzle throws.
        if let Some(Value::Record(kerb)) = head.raw(&fields::KERB)
            && throw < choice.head.radius
        {
            let mut kerb = kerb.clone();
            kerb.insert(THROW, choice.head.radius.value());
            changes.push(set(id, &fields::KERB, Value::Record(kerb)));
        }
        changes.extend(self.settled(&head, side, &why));
        self.record(&changes)?;
        self.go(Screen::Head { head: Id(id) });
        self.phone.say(Word::KerbSaved)
    }

    /// What was open about the head's arc and throw stays as it is now, with the reason.
    fn settled(&self, head: &Head<'_>, side: KerbSide, why: &str) -> Vec<Change> {
        let mut changes = Vec::new();
        for open in head.findings_here() {
            let what = open.what().ok().map(|kind| kind.value.word);
            let settles = match what {
                Some(word) => SETTLED.contains(&word),
                None => open.status() == Status::Flagged,
            };
            if open.status().is_closed() || !settles {
                continue;
            }
            if what.is_none() {
                let word = match side {
                    KerbSide::NoDryGround => "arc-off-overspray",
                    KerbSide::NoOverspray | KerbSide::InBetween => "arc-off-dry-edge",
                };
                changes.push(set(open.id, &finding::WHAT, Value::text(word)));
            }
            let accepted = record([(1, Value::text(why))]);
            changes.push(set(open.id, &finding::STATUS, Status::Accepted.value()));
            changes.push(set(open.id, &finding::ACCEPTED, accepted));
        }
        changes
    }

    /// Writes a measured value down and goes back to where it was asked for.
    pub(super) fn measured(
        &mut self,
        id: ThingId,
        name: &str,
        value: &str,
        back: Screen,
    ) -> Result<Done, Error> {
        let thing = self.thing(id)?;
        let system = self.system();
        // A keypad may know only the other decimal mark.
        let value = value.trim().replace(',', ".");
        let noted = self
            .site
            .note(thing, name, &value, HowKnown::Measured, system)?;
        self.record(&[noted.change])?;
        self.go(back);
        self.phone.say(match noted.ask {
            Some(_) => Word::UnusualSaved,
            None => Word::Saved,
        })
    }

    pub(super) fn add_supply(&mut self) -> Result<Done, Error> {
        let root = self.site.root().id;
        let new = self
            .site
            .add(self.edge.fresh_thing()?, ThingKind::Supply, root);
        self.recorded(&new.changes())
    }
}

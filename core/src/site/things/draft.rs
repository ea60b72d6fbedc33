//! Changes that say what a person said: a new thing, a field, an observation.

use super::{AddressError, Site, Thing};
use crate::log::entry::Change;
use crate::log::id::ThingId;
use crate::log::value::{HowKnown, Value};
use crate::site::fields::{
    FieldDef, FieldError, ObservationDef, Recordable, Shape, any, known_field, recordable,
};
use crate::site::kind::ThingKind;
use crate::site::unit::UnitSystem;

/// How far apart two things stand in the order of a walk, so that others fit between.
const ORDER_STEP: i64 = 10;

/// Says that a field of a thing takes a value; how that is known is left unsaid.
#[must_use]
pub const fn set(thing: ThingId, field: &FieldDef, value: Value) -> Change {
    Change::Set {
        thing,
        field: field.number,
        value,
        how: HowKnown::Unstated,
    }
}

/// Says what was seen of a thing; how that is known is left unsaid.
#[must_use]
pub const fn observe(thing: ThingId, what: &ObservationDef, value: Value) -> Change {
    Change::Observe {
        thing,
        what: what.number,
        value,
        how: HowKnown::Unstated,
    }
}

/// A thing that is not in the log yet.
#[derive(Debug, Clone, PartialEq)]
pub struct NewThing {
    id: ThingId,
    kind: ThingKind,
    changes: Vec<Change>,
    asks: Vec<String>,
}

impl NewThing {
    /// Begins a thing of that kind, with an id that nothing has yet.
    #[must_use]
    pub fn new(id: ThingId, kind: ThingKind) -> Self {
        let new = Self {
            id,
            kind,
            changes: Vec::new(),
            asks: Vec::new(),
        };
        new.set(&any::KIND, Value::text(kind.word()), HowKnown::Unstated)
    }

    /// Returns its id.
    #[must_use]
    pub const fn id(&self) -> ThingId {
        self.id
    }

    /// Says what it belongs to.
    #[must_use]
    pub fn part_of(self, whole: ThingId) -> Self {
        self.set(&any::PART_OF, Value::Thing(whole), HowKnown::Unstated)
    }

    /// Says what the crew calls it.
    #[must_use]
    pub fn label(self, label: &str) -> Self {
        self.set(&any::LABEL, Value::text(label), HowKnown::Unstated)
    }

    /// Says where it stands in the order of the walk.
    #[must_use]
    pub fn order(self, order: i64) -> Self {
        self.set(&any::ORDER, Value::Int(order), HowKnown::Unstated)
    }

    /// Sets a field; what was set before is replaced.
    #[must_use]
    pub fn set(mut self, field: &FieldDef, value: Value, how: HowKnown) -> Self {
        let number = field.number;
        let same =
            |change: &Change| matches!(change, Change::Set { field: old, .. } if *old == number);
        self.changes.retain(|change| !same(change));
        let (thing, field) = (self.id, field.number);
        self.changes.push(Change::Set {
            thing,
            field,
            value,
            how,
        });
        self
    }

    /// Sets a field by its name, from what a person typed.
    ///
    /// # Errors
    /// [`FieldError`] where there is no such field, or the text does not fit it.
    pub fn say(self, name: &str, text: &str, system: UnitSystem) -> Result<Self, FieldError> {
        let field = known_field(self.kind, name)?;
        let parsed = field.parse(text, system)?;
        let mut new = self.set(field, parsed.value, HowKnown::Unstated);
        new.asks.extend(parsed.ask);
        Ok(new)
    }

    /// Returns what to ask the person once.
    #[must_use]
    pub fn asks(&self) -> &[String] {
        &self.asks
    }

    /// Returns the changes of its first entry.
    #[must_use]
    pub fn changes(self) -> Vec<Change> {
        self.changes
    }
}

/// A change that says what a person typed, and what to ask them once.
#[derive(Debug, Clone, PartialEq)]
pub struct Noted {
    /// The change.
    pub change: Change,
    /// What was meant: a field or an observation.
    pub what: Recordable,
    /// What to ask.
    pub ask: Option<String>,
}

impl Site<'_> {
    /// Begins a thing that belongs to another, behind the last of its kind in the walk.
    #[must_use]
    pub fn add(&self, id: ThingId, kind: ThingKind, part_of: ThingId) -> NewThing {
        let kin = self.parts(part_of).filter(|thing| thing.kind == Some(kind));
        let last = kin.filter_map(|thing| thing.order()).max().unwrap_or(0);
        let new = NewThing::new(id, kind);
        new.part_of(part_of).order(last.saturating_add(ORDER_STEP))
    }

    /// Returns a label for a new thing of that kind: the one that is wanted, with a number behind it
    /// where that is taken.
    #[must_use]
    pub fn free_label(&self, kind: ThingKind, wanted: &str) -> String {
        let taken = |label: &str| self.find(&format!("{}-{label}", kind.word())).is_ok();
        let numbered = (2_u32..).map(|nth| format!("{wanted}-{nth}"));
        let mut names = std::iter::once(wanted.to_owned()).chain(numbered);
        names
            .find(|name| !taken(name))
            .unwrap_or_else(|| wanted.to_owned())
    }

    /// Returns the label that the next head of a zone would get, such as `3-08`.
    #[must_use]
    pub fn next_head_label(&self, zone: Thing<'_>) -> String {
        let number = zone.count(&crate::site::fields::zone::NUMBER);
        let number = number.map_or_else(|_| "0".to_owned(), |number| number.value.to_string());
        let taken = |thing: Thing<'_>| -> Option<u32> {
            let (own, nth) = thing.label()?.rsplit_once('-')?;
            (own == number).then(|| nth.parse().ok())?
        };
        let heads = self
            .parts(zone.id)
            .filter(|thing| thing.kind == Some(ThingKind::Head));
        let last = heads.filter_map(taken).max().unwrap_or(0);
        format!("{number}-{:02}", last.saturating_add(1))
    }

    /// Returns the change that says what a person typed about a thing: a field or an observation,
    /// by its name. Where another thing is meant, its address will do.
    ///
    /// # Errors
    /// [`FieldError`] where the name or the text does not fit.
    pub fn note(
        &self,
        thing: Thing<'_>,
        name: &str,
        text: &str,
        how: HowKnown,
        system: UnitSystem,
    ) -> Result<Noted, FieldError> {
        // A thing of a later version's kind still takes the fields that everything has.
        let kind = thing.kind.unwrap_or(ThingKind::Site);
        let what = recordable(kind, name)?;
        let text = self.with_ids(what, text).unwrap_or_else(|| text.to_owned());
        let parsed = match what {
            Recordable::Field(field) => field.parse(&text, system)?,
            Recordable::Observation(seen) => seen.parse(&text, system)?,
        };
        let (thing, value) = (thing.id, parsed.value);
        let change = match what {
            Recordable::Field(field) => Change::Set {
                thing,
                field: field.number,
                value,
                how,
            },
            Recordable::Observation(seen) => Change::Observe {
                thing,
                what: seen.number,
                value,
                how,
            },
        };
        let ask = parsed.ask;
        Ok(Noted { change, what, ask })
    }

    /// Where a field wants a thing, puts its id in the place of its address.
    fn with_ids(&self, what: Recordable, text: &str) -> Option<String> {
        let Recordable::Field(FieldDef {
            shape: Shape::Thing(kinds),
            ..
        }) = what
        else {
            return None;
        };
        let found: Result<Thing<'_>, AddressError> = self.find(text);
        let fits = |thing: &Thing<'_>| thing.kind.is_some_and(|kind| kinds.contains(&kind));
        found.ok().filter(fits).map(|thing| thing.id.to_string())
    }
}

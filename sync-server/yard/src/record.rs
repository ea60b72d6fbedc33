//! What an act puts into the log: one entry, whole or not at all.

mod water;

use std::collections::BTreeMap;
use std::str::FromStr;

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{FieldNumber, ThingId};
use headwalk_core::log::value::{Absence, HowKnown, Value};
use headwalk_core::site::company;
use headwalk_core::site::fields::{self, finding, seen, visit};
use headwalk_core::site::finding::{FindingKind, Status};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::measure::Measure;
use headwalk_core::site::papers::Paper;
use headwalk_core::site::programs::ProgramSet;
use headwalk_core::site::things::{
    Controller, Finding, Head, Site, Thing, Visit, Zone, observe, set,
};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::visit::{Lacks, VisitState};
use headwalk_core::site::words::{Emission, Vocabulary};
use headwalk_core::water::precipitation::{self, Nozzle};
use headwalk_core::water::units::{Degrees, Inches};

use crate::act::{Act, Id, Mended, Screen};
use crate::book::{Book, Root};
use crate::edge::Edge;
use crate::error::Error;
use crate::hub;
use crate::phone::{Done, OpenVisit, Phone};
use crate::screens::walk;
use crate::words::Word;

/// Does an act that records.
pub(crate) fn done(phone: &mut Phone, edge: &mut Edge, act: Act) -> Result<Done, Error> {
    let book = phone.book()?;
    let site = book.site();
    let mut pen = Pen {
        phone,
        edge,
        site: &site,
    };
    match act {
        Act::Start { purpose } => pen.start(&purpose),
        Act::Resume { visit } => pen.resume(visit.0),
        Act::Reopen { visit } => pen.reopen(visit.0),
        Act::FoundSame { controller } => pen.found(controller.0, None),
        Act::Found {
            controller,
            programs,
        } => pen.found(controller.0, Some(&programs)),
        Act::RestGood { zone } => pen.rest_good(zone.0),
        Act::Skipped { zone, why } => pen.skipped(zone.0, &why),
        Act::AddHeads { zone, kind, count } => pen.add_heads(zone.0, &kind, count),
        Act::Flag { thing } => pen.flag(thing.0),
        Act::Find {
            thing,
            what,
            then,
            flag,
        } => pen.find(thing.0, &what, then, flag.map(|flag| flag.0)),
        Act::Move { finding, to } => pen.move_on(finding.0, &to),
        Act::Accepted { finding, why } => pen.accepted(finding.0, &why),
        Act::Note { thing, name, value } => pen.note(thing.0, &name, &value),
        Act::Arc { head, degrees } => pen.arc(head.0, degrees),
        Act::SetAtKerb { head, side, dry } => pen.set_at_kerb(head.0, side, dry),
        Act::Measured {
            thing,
            name,
            value,
            back,
        } => pen.measured(thing.0, &name, &value, *back),
        Act::AddSupply => pen.add_supply(),
        Act::PopUp { head, inches } => pen.pop_up(head.0, inches),
        Act::Choose {
            thing,
            field,
            version,
        } => pen.choose(thing.0, FieldNumber(field), version),
        Act::AddSpot { zone, moisture } => pen.add_spot(zone.0, &moisture),
        Act::Sign { thing, sign, seen } => pen.sign(thing.0, &sign, &seen),
        Act::Left {
            controller,
            programs,
        } => pen.left(controller.0, &programs),
        Act::ClientSaid { value } => pen.client_said(&value),
        Act::Close { why } => pen.close(&why),
        Act::Leave => pen.leave(),
        // What records nothing was done before it came here.
        _ => Ok(Done::default()),
    }
}

/// Writes about one site.
struct Pen<'p> {
    phone: &'p mut Phone,
    edge: &'p mut Edge,
    site: &'p Site<'p>,
}

impl<'p> Pen<'p> {
    fn record(&self, changes: &[Change]) -> Result<(), Error> {
        self.phone.record(self.edge, self.site, changes)
    }

    fn recorded(&self, changes: &[Change]) -> Result<Done, Error> {
        self.record(changes)?;
        self.phone.say(Word::Saved)
    }

    fn go(&mut self, screen: Screen) {
        self.phone.place.screen = screen;
    }

    fn thing(&self, id: ThingId) -> Result<Thing<'p>, Error> {
        self.site.thing(id).ok_or(Error::Gone)
    }

    fn system(&self) -> UnitSystem {
        self.phone.prefs.units.system()
    }

    /// Says one thing of a thing, as typed or as a button says it in the table's own units.
    fn said(&self, thing: Thing<'_>, name: &str, text: &str) -> Result<Change, Error> {
        let noted = self
            .site
            .note(thing, name, text, HowKnown::Unstated, self.system())?;
        Ok(noted.change)
    }

    fn start(&mut self, purpose: &str) -> Result<Done, Error> {
        let by = hub::person(&self.phone.store)?;
        let crew = self.crew()?;
        let day = self.edge.today().to_string();
        let who = crew.as_deref().unwrap_or(&by).to_lowercase();
        let who: Vec<_> = who.split_whitespace().collect();
        let label = format!("{day}-{}", who.join("-"));
        let started = visit::STARTED.parse(&self.edge.clock(), self.system())?;
        let new = self
            .site
            .add(
                self.edge.fresh_thing()?,
                ThingKind::Visit,
                self.site.root().id,
            )
            .label(&self.site.free_label(ThingKind::Visit, &label))
            .set(&visit::STATE, VisitState::Open.value(), HowKnown::Unstated)
            .set(&visit::STARTED, started.value, HowKnown::Unstated);
        let mut new = new
            .say("purpose", purpose, self.system())?
            .say("date", &day, self.system())?
            .say("people", &by, self.system())?;
        if let Some(crew) = &crew {
            new = new.say("crew", crew, self.system())?;
        }
        let id = new.id();
        let site = self.phone.site_at_hand()?;
        self.record(&new.changes())?;
        self.phone.visit = Some(OpenVisit { site, visit: id });
        self.go(match self.site.controllers().is_empty() {
            true => Screen::Walk,
            false => Screen::Found {
                controller: None,
                draft: None,
            },
        });
        self.phone.place.ended = None;
        self.phone.say(Word::VisitBegun)
    }

    /// The crew that carries this phone, as the company's logbook lists it.
    fn crew(&self) -> Result<Option<String>, Error> {
        let store = &self.phone.store;
        let roots = Root::all(store)?;
        let company = roots
            .iter()
            .find(|root| root.kind == Some(ThingKind::Company));
        let Some(company) = company else {
            return Ok(None);
        };
        let book = Book::read(store, company.id)?;
        let listed = company::devices(&book.site());
        let own = listed.into_iter().find(|one| one.device == store.device());
        Ok(own.and_then(|one| one.crew))
    }

    fn resume(&mut self, id: ThingId) -> Result<Done, Error> {
        let visit = Visit::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        if visit.state() != VisitState::Open {
            return Err(Error::Gone);
        }
        let site = self.phone.site_at_hand()?;
        self.phone.visit = Some(OpenVisit { site, visit: id });
        self.phone.place.ended = None;
        self.go(Screen::Walk);
        self.phone.say(Word::VisitResumed)
    }

    /// Opens a visit again on the day on which it ended: everything that it holds stands, and it
    /// goes on where it was.
    fn reopen(&mut self, id: ThingId) -> Result<Done, Error> {
        let ended = walk::may_reopen(self.site, self.edge.today());
        if ended.is_none_or(|visit| visit.id != id) || self.phone.visit.is_some() {
            return Err(Error::Gone);
        }
        let site = self.phone.site_at_hand()?;
        self.phone.visit = Some(OpenVisit { site, visit: id });
        let gone = || Value::Absent(Absence::Cleared);
        let opened = self.record(&[
            set(id, &visit::STATE, VisitState::Open.value()),
            set(id, &visit::ENDED, gone()),
            set(id, &visit::STATE_WHY, gone()),
        ]);
        if opened.is_err() {
            self.phone.visit = None;
        }
        opened?;
        self.phone.place.ended = None;
        self.go(Screen::Walk);
        self.phone.say(Word::VisitReopened)
    }

    fn controller(&self, id: ThingId) -> Result<Controller<'p>, Error> {
        Controller::of(self.site, self.thing(id)?).ok_or(Error::Gone)
    }

    /// Writes down what a controller was found at: the same as it was left, or this.
    fn found(&mut self, id: ThingId, programs: Option<&str>) -> Result<Done, Error> {
        let controller = self.controller(id)?;
        let set = match programs {
            Some(text) => read_programs(text)?,
            None => controller.as_left().map_err(|_| Error::Gone)?.value,
        };
        self.record(&[observe(controller.id, &seen::AS_FOUND, set.value())])?;
        let next = self.next_controller(|lack| matches!(lack, Lacks::AsFound { .. }));
        match next {
            Some(_) => self.go(Screen::Found {
                controller: next,
                draft: None,
            }),
            None => self.next_zone(),
        }
        self.phone.say(Word::FoundSaved)
    }

    fn left(&mut self, id: ThingId, programs: &str) -> Result<Done, Error> {
        let controller = self.controller(id)?;
        let value = read_programs(programs)?.value();
        self.record(&[set(controller.id, &fields::controller::PROGRAMS, value)])?;
        let next = self.next_controller(|lack| matches!(lack, Lacks::AsLeft { .. }));
        self.go(match next {
            Some(_) => Screen::Left {
                controller: next,
                draft: None,
            },
            None => Screen::Client,
        });
        self.phone.say(Word::LeftSaved)
    }

    /// The next controller of which the visit lacks that.
    fn next_controller(&self, what: impl Fn(&Lacks) -> bool) -> Option<Id<ThingId>> {
        let book = self.phone.book().ok()?;
        let next = walk::controller_lacking(&book.site(), self.phone.visit_here(), what);
        next.map(Id)
    }

    /// Goes to the first zone that was neither run nor skipped; to the programs where all were.
    fn next_zone(&mut self) {
        let next = self.phone.book().ok().and_then(|book| {
            let site = book.site();
            walk::next_zone(&site, self.phone.visit_here())
        });
        self.go(match next {
            Some(zone) => Screen::Zone { zone: Id(zone) },
            None if self.site.controllers().is_empty() => Screen::Client,
            None => Screen::Left {
                controller: None,
                draft: None,
            },
        });
    }

    fn rest_good(&mut self, id: ThingId) -> Result<Done, Error> {
        let zone = Zone::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let mut changes = vec![
            self.said(*zone, seen::ZONE_RAN.name, "by=controller")?,
            observe(id, &seen::HEADS_GOOD, Value::Bool(true)),
        ];
        // Of which heads that was said must not depend on what is recorded later.
        let good = zone.heads().into_iter().filter(|head| !is_troubled(head));
        changes.extend(good.map(|head| observe(head.id, &seen::LOOKED_GOOD, Value::Bool(true))));
        self.record(&changes)?;
        self.next_zone();
        self.phone.say(Word::ZoneSaved)
    }

    fn skipped(&mut self, id: ThingId, why: &str) -> Result<Done, Error> {
        if why.trim().is_empty() {
            return Err(Error::Ask(Word::SayWhy));
        }
        let change = self.said(self.thing(id)?, seen::ZONE_SKIPPED.name, why)?;
        self.record(&[change])?;
        self.next_zone();
        self.phone.say(Word::SkipSaved)
    }

    fn add_heads(&mut self, id: ThingId, kind: &str, count: u32) -> Result<Done, Error> {
        let zone = Zone::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let mut changes = Vec::new();
        let first = self.site.next_head_label(*zone);
        let (stem, number) = first.rsplit_once('-').ok_or(Error::Gone)?;
        let number: u32 = number.parse().map_err(|_| Error::Gone)?;
        for nth in 0..count {
            let new = self
                .site
                .add(self.edge.fresh_thing()?, ThingKind::Head, id)
                .label(&format!("{stem}-{:02}", number + nth))
                .say("head-kind", kind, self.system())?;
            let last = i64::from(nth) * 10;
            let order = zone.heads().iter().filter_map(|head| head.order()).max();
            changes.extend(new.order(order.unwrap_or(0) + last + 10).changes());
        }
        self.record(&changes)?;
        self.go(Screen::Zone { zone: Id(id) });
        self.phone.say(Word::Saved)
    }

    fn flag(&mut self, id: ThingId) -> Result<Done, Error> {
        let thing = self.thing(id)?;
        let place = self.site.address(thing);
        let label = format!("{}-flag", place.strip_prefix("head-").unwrap_or(&place));
        let new = self
            .site
            .add(self.edge.fresh_thing()?, ThingKind::Finding, id)
            .label(&self.site.free_label(ThingKind::Finding, &label))
            .set(
                &finding::STATUS,
                Status::Flagged.value(),
                HowKnown::Unstated,
            );
        self.record(&new.changes())?;
        self.phone.say(Word::Flagged)
    }

    fn find(
        &mut self,
        id: ThingId,
        what: &str,
        then: Mended,
        flag: Option<ThingId>,
    ) -> Result<Done, Error> {
        let thing = self.thing(id)?;
        let kind = FindingKind::of_word(what).ok_or(Error::Gone)?;
        // A flag that nobody described yet becomes the finding.
        let flag = flag.or_else(|| open_flag(self.site, id));
        let id = match flag {
            Some(flag) => flag,
            None => self.edge.fresh_thing()?,
        };
        let mut changes = Vec::new();
        if flag.is_none() {
            changes.extend(self.site.add(id, ThingKind::Finding, thing.id).changes());
        }
        let place = self.site.address(thing);
        let place = place.strip_prefix("head-").unwrap_or(&place);
        let label = self
            .site
            .free_label(ThingKind::Finding, &format!("{place}-{what}"));
        let status = match then {
            Mended::Described => Status::Described,
            Mended::Fixed => Status::Fixed,
            Mended::ToQuote => Status::ToQuote,
        };
        changes.push(set(id, &fields::any::LABEL, Value::text(label)));
        changes.push(set(id, &finding::WHAT, Value::text(kind.word)));
        changes.push(set(id, &finding::STATUS, status.value()));
        if !kind.parts.is_empty() {
            changes.push(set(id, &finding::PARTS, texts(kind.parts)));
        }
        if then == Mended::Fixed {
            changes.extend(self.mended(id, kind.parts)?);
        }
        self.record(&changes)?;
        self.go(self.after(thing));
        self.phone.say(match then {
            Mended::Fixed => Word::FixedSaved,
            Mended::Described | Mended::ToQuote => Word::Saved,
        })
    }

    /// Who mended it, and what went into the ground.
    fn mended(&self, id: ThingId, parts: &[impl AsRef<str>]) -> Result<Vec<Change>, Error> {
        let by = Value::text(hub::person(&self.phone.store)?);
        let mut changes = vec![set(id, &finding::FIXED_BY, by)];
        for part in parts {
            let used = record([(1, Value::text(part.as_ref())), (2, Value::Int(1))]);
            changes.push(observe(id, &seen::PART_USED, used));
        }
        Ok(changes)
    }

    /// Where the person was before: the zone of a head, else the same thing.
    fn after(&self, thing: Thing<'_>) -> Screen {
        let zone = match thing.kind {
            Some(ThingKind::Zone) => Some(thing.id),
            _ => thing
                .part_of()
                .filter(|of| self.site.thing(*of).and_then(|of| of.kind) == Some(ThingKind::Zone)),
        };
        match zone {
            Some(zone) => Screen::Zone { zone: Id(zone) },
            None => Screen::Walk,
        }
    }

    fn move_on(&mut self, id: ThingId, to: &str) -> Result<Done, Error> {
        let finding = Finding::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let status = Status::of_word(to).ok_or(Error::Gone)?;
        let mut changes = vec![set(id, &finding::STATUS, status.value())];
        if status == Status::Fixed {
            changes.extend(self.mended(id, &finding.parts())?);
        }
        self.recorded(&changes)
    }

    fn accepted(&mut self, id: ThingId, why: &str) -> Result<Done, Error> {
        let why = why.trim();
        if why.is_empty() {
            return Err(Error::Ask(Word::SayWhy));
        }
        let finding = Finding::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let mut changes = vec![
            set(id, &finding::STATUS, Status::Accepted.value()),
            set(id, &finding::ACCEPTED, record([(1, Value::text(why))])),
        ];
        let of = finding.part_of().and_then(|of| self.site.thing(of));
        // On a head it is what the next crew must leave as it is.
        if let Some(head) = of.filter(|of| of.kind == Some(ThingKind::Head)) {
            changes.push(set(head.id, &fields::head::COMPROMISE, Value::text(why)));
        }
        self.record(&changes)?;
        self.go(of.map_or(Screen::Walk, |of| self.after(of)));
        self.phone.say(Word::Saved)
    }

    fn note(&mut self, id: ThingId, name: &str, value: &str) -> Result<Done, Error> {
        let thing = self.thing(id)?;
        let noted = self
            .site
            .note(thing, name, value, HowKnown::Unstated, self.system())?;
        self.record(&[noted.change])?;
        self.phone.say(match noted.ask {
            Some(_) => Word::UnusualSaved,
            None => Word::Saved,
        })
    }

    /// Another arc: on a fixed spray another nozzle, whose flow follows; else the same one turned.
    fn arc(&mut self, id: ThingId, degrees: u32) -> Result<Done, Error> {
        let head = Head::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let arc = Degrees::new(f64::from(degrees));
        let mut changes = vec![set(id, &fields::head::ARC, arc.value())];
        let flow = head.flow().ok().map(|fact| fact.value);
        let was = head.arc().ok().map(|fact| fact.value);
        if let (Some(flow), Some(was)) = (flow, was)
            && nozzle_of(&head) == Nozzle::FlowFollowsArc
        {
            let before = precipitation::Head { flow, arc: was };
            let after = precipitation::with_arc(before, arc, Nozzle::FlowFollowsArc)?;
            changes.push(Change::Set {
                thing: id,
                field: fields::head::FLOW.number,
                value: Measure::value(rounded(after.flow)),
                how: HowKnown::Computed,
            });
            changes.extend(self.changed_nozzle(&head, was, arc)?);
        }
        self.record(&changes)?;
        self.phone.say(Word::ArcSaved)
    }

    /// The change of a nozzle as a finding that was mended, with the part that it took.
    fn changed_nozzle(
        &mut self,
        head: &Head<'_>,
        was: Degrees,
        arc: Degrees,
    ) -> Result<Vec<Change>, Error> {
        let flag = open_flag(self.site, head.id);
        let id = match flag {
            Some(flag) => flag,
            None => self.edge.fresh_thing()?,
        };
        let mut changes = Vec::new();
        if flag.is_none() {
            changes.extend(self.site.add(id, ThingKind::Finding, head.id).changes());
        }
        let place = head.address();
        let label = format!(
            "{}-nozzle-wrong",
            place.strip_prefix("head-").unwrap_or(&place)
        );
        let radius = head.show(&fields::head::RADIUS, UnitSystem::Us);
        let part = format!(
            "nozzle {}°{}",
            arc.get(),
            radius.map_or_else(String::new, |r| format!(" {r}"))
        );
        changes.push(set(
            id,
            &fields::any::LABEL,
            Value::text(self.site.free_label(ThingKind::Finding, &label)),
        ));
        changes.push(set(id, &finding::WHAT, Value::text("nozzle-wrong")));
        changes.push(set(id, &finding::STATUS, Status::Fixed.value()));
        changes.push(set(
            id,
            &finding::BEFORE,
            Value::text(format!("{}°", was.get())),
        ));
        changes.push(set(
            id,
            &finding::AFTER,
            Value::text(format!("{}°", arc.get())),
        ));
        changes.push(set(id, &finding::PARTS, texts(&[part.as_str()])));
        changes.extend(self.mended(id, &[part])?);
        Ok(changes)
    }

    /// A taller pop-up is another body: nozzle, arc and the head's other parts stay.
    fn pop_up(&mut self, id: ThingId, inches: u32) -> Result<Done, Error> {
        let head = Head::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let height = Inches::new(f64::from(inches));
        let mut body = format!("body {inches} in pop-up");
        for (field, words) in [
            (&fields::head::CHECK_VALVE, ", check valve"),
            (&fields::head::REGULATED, ", pressure regulated"),
        ] {
            if head.yes(field).is_ok_and(|yes| yes.value) {
                body.push_str(words);
            }
        }
        let flag = open_flag(self.site, id);
        let new = match flag {
            Some(flag) => flag,
            None => self.edge.fresh_thing()?,
        };
        let mut changes = vec![set(id, &fields::head::POP_UP, height.value())];
        if flag.is_none() {
            changes.extend(self.site.add(new, ThingKind::Finding, id).changes());
        }
        let place = head.address();
        let label = format!(
            "{}-blocked-by-plants",
            place.strip_prefix("head-").unwrap_or(&place)
        );
        changes.push(set(
            new,
            &fields::any::LABEL,
            Value::text(self.site.free_label(ThingKind::Finding, &label)),
        ));
        changes.push(set(new, &finding::WHAT, Value::text("blocked-by-plants")));
        changes.push(set(new, &finding::REMEDY, Value::text("taller pop-up")));
        changes.push(set(new, &finding::STATUS, Status::Fixed.value()));
        changes.push(set(new, &finding::PARTS, texts(&[body.as_str()])));
        changes.extend(self.mended(new, &[body])?);
        self.record(&changes)?;
        self.phone.say(Word::BodySaved)
    }

    fn choose(&mut self, id: ThingId, field: FieldNumber, version: usize) -> Result<Done, Error> {
        let register = self.site.state().register(id, field).ok_or(Error::Gone)?;
        let write = register.open().get(version).ok_or(Error::Gone)?;
        self.recorded(&[Change::Set {
            thing: id,
            field,
            value: write.value.clone(),
            how: write.how,
        }])
    }

    fn add_spot(&mut self, id: ThingId, moisture: &str) -> Result<Done, Error> {
        let zone = Zone::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let number = zone.station().map_or_else(String::new, |n| format!("{n}-"));
        let label = self
            .site
            .free_label(ThingKind::Spot, &format!("{number}{moisture}"));
        let new = self
            .site
            .add(self.edge.fresh_thing()?, ThingKind::Spot, id)
            .label(&label)
            .say("moisture", moisture, self.system())?;
        let spot = Id(new.id());
        self.record(&new.changes())?;
        self.go(Screen::Spot { spot });
        self.phone.say(Word::Saved)
    }

    fn sign(&mut self, id: ThingId, sign: &str, answer: &str) -> Result<Done, Error> {
        self.thing(id)?;
        let said = record([(1, Value::text(sign)), (2, Value::text(answer))]);
        self.recorded(&[observe(id, &seen::EVIDENCE, said)])
    }

    fn client_said(&mut self, words: &str) -> Result<Done, Error> {
        let visit = self.phone.visit_here().ok_or(Error::NoVisit)?;
        let words = words.trim();
        if !words.is_empty() {
            let thing = self.thing(visit)?;
            let change = self.said(thing, seen::NOTE.name, &format!("Client: {words}"))?;
            self.record(&[change])?;
        }
        self.go(Screen::Close);
        self.phone.say(Word::Saved)
    }

    fn close(&mut self, why: &str) -> Result<Done, Error> {
        let id = self.phone.visit_here().ok_or(Error::NoVisit)?;
        let walk = Visit::of(self.site, self.thing(id)?).ok_or(Error::Gone)?;
        let becomes = match (walk.lacks(self.site).is_empty(), why.trim()) {
            (true, _) => walk.may_become(self.site),
            (false, "") => return Err(Error::Ask(Word::SayWhy)),
            (false, _) => VisitState::FinishedWithSkips,
        };
        let ended = visit::ENDED.parse(&self.edge.clock(), self.system())?;
        let mut changes = vec![
            set(id, &visit::STATE, becomes.value()),
            set(id, &visit::ENDED, ended.value),
        ];
        if !why.trim().is_empty() {
            changes.push(set(id, &visit::STATE_WHY, Value::text(why.trim())));
        }
        self.record(&changes)?;
        self.phone.visit = None;
        self.phone.place.ended = Some(Id(id));
        self.go(Screen::Paper {
            paper: Paper::Letter.word().to_owned(),
        });
        self.phone.say(Word::VisitEnded)
    }

    fn leave(&mut self) -> Result<Done, Error> {
        self.phone.visit = None;
        self.go(Screen::Today);
        self.phone.say(Word::VisitLeft)
    }
}

/// Returns how a head's flow answers a change of arc.
pub(crate) fn nozzle_of(head: &Head<'_>) -> Nozzle {
    match head.head_kind().map(|kind| kind.value) {
        Ok(Emission::FixedSpray | Emission::RotaryStream) => Nozzle::FlowFollowsArc,
        _ => Nozzle::FlowStays,
    }
}

/// Returns the flag on a thing that nobody described yet.
pub(crate) fn open_flag(site: &Site<'_>, thing: ThingId) -> Option<ThingId> {
    let findings = site.findings_under(thing).into_iter();
    let mut flags = findings.filter(|finding| finding.part_of() == Some(thing));
    let flag = flags.find(|one| one.status() == Status::Flagged && one.what().is_err());
    flag.map(|flag| flag.id)
}

/// Whether something is open on a head.
fn is_troubled(head: &Head<'_>) -> bool {
    head.findings_here()
        .iter()
        .any(|finding| !finding.status().is_closed())
}

fn read_programs(text: &str) -> Result<ProgramSet, Error> {
    Ok(ProgramSet::from_str(text)?)
}

/// A value of named parts, by the numbers that the table of fields gives them.
fn record<const N: usize>(parts: [(u16, Value); N]) -> Value {
    Value::Record(BTreeMap::from(parts))
}

fn texts(words: &[&str]) -> Value {
    Value::List(words.iter().map(|word| Value::text(*word)).collect())
}

/// Rounds to thousandths, finer than any nozzle's table.
fn rounded(flow: headwalk_core::water::units::Gpm) -> headwalk_core::water::units::Gpm {
    headwalk_core::water::units::Gpm::new((flow.get() * 1_000.0).round() / 1_000.0)
}

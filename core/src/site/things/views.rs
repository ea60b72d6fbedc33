//! The trade's things, each with its fields as typed values and its parts in order.

use core::ops::Deref;

use super::readings::{Ohms, Pressure, Probe, Seen, read_all};
use super::thing::{Known, Missing, Thing};
use super::{Fact, Site};
use crate::log::id::ThingId;
use crate::log::value::Value;
use crate::site::apart::moved;
use crate::site::fields::{self, seen};
use crate::site::finding::{Accepted, FindingKind, Severity, Status};
use crate::site::kind::ThingKind;
use crate::site::money::{self, Money};
use crate::site::programs::{ProgramSet, Station};
use crate::site::visit::VisitState;
use crate::site::words::{Emission, Season, Weeping};
use crate::water::units::{Degrees, Feet, Gpm, Psi};

/// Makes one view for each kind: the thing, and the site in which it stands.
macro_rules! views {
    ($($(#[$doc:meta])* $view:ident, $kind:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $view<'s> {
            pub(super) site: &'s Site<'s>,
            thing: Thing<'s>,
        }

        impl<'s> $view<'s> {
            /// Looks at a thing as what it is; `None` if it is something else.
            #[must_use]
            pub fn of(site: &'s Site<'s>, thing: Thing<'s>) -> Option<Self> {
                (thing.kind == Some(ThingKind::$kind)).then_some(Self { site, thing })
            }

            /// Returns the best short name of it.
            #[must_use]
            pub fn address(&self) -> String {
                self.site.address(self.thing)
            }
        }

        impl<'s> Deref for $view<'s> {
            type Target = Thing<'s>;

            fn deref(&self) -> &Thing<'s> {
                &self.thing
            }
        }
    )+};
}

views! {
    /// The point of connection.
    Supply, Supply;
    /// A controller.
    Controller, Controller;
    /// A zone.
    Zone, Zone;
    /// A valve.
    Valve, Valve;
    /// A head.
    Head, Head;
    /// A wet or dry spot.
    Spot, Spot;
    /// A visit.
    Visit, Visit;
    /// A finding.
    Finding, Finding;
}

impl Site<'_> {
    /// Returns the point of connection; the first, where there are several.
    #[must_use]
    pub fn supply(&self) -> Option<Supply<'_>> {
        let mut supplies = self.present(self.root, ThingKind::Supply);
        supplies.find_map(|thing| Supply::of(self, thing))
    }

    /// Returns the controllers, in the order of the walk.
    #[must_use]
    pub fn controllers(&self) -> Vec<Controller<'_>> {
        let controllers = self.present(self.root, ThingKind::Controller);
        controllers
            .filter_map(|thing| Controller::of(self, thing))
            .collect()
    }

    /// Returns the zones by number, those without one last, in the order of the walk.
    #[must_use]
    pub fn zones(&self) -> Vec<Zone<'_>> {
        let here = self.present(self.root, ThingKind::Zone);
        let under = self.controllers().into_iter();
        let under = under.flat_map(|controller| self.present(controller.id, ThingKind::Zone));
        let zones = here.chain(under);
        let mut zones: Vec<_> = zones.filter_map(|thing| Zone::of(self, thing)).collect();
        zones.sort_by_key(|zone| zone.station().map_or(u16::MAX, Station::get));
        zones
    }

    /// Returns the valves that are there, wherever they belong.
    #[must_use]
    pub fn valves(&self) -> Vec<Valve<'_>> {
        let there = |thing: &Thing<'_>| !thing.is_removed() && self.kept(thing.id) == thing.id;
        let things = self.under(self.root).filter(there);
        things.filter_map(|thing| Valve::of(self, thing)).collect()
    }

    /// Returns the visits that count here, oldest first by day, then by age: not those that were
    /// written to this site by mistake and moved away.
    #[must_use]
    pub fn visits(&self) -> Vec<Visit<'_>> {
        let visits = self.present(self.root, ThingKind::Visit);
        let here = |thing: &Thing<'_>| moved::moved_to(thing).is_none();
        let visits = visits.filter(here);
        let mut visits: Vec<_> = visits.filter_map(|thing| Visit::of(self, thing)).collect();
        visits.sort_by_key(|visit| {
            let day = visit.day(&fields::visit::DATE).ok();
            (day.map(|day| day.value), visit.id)
        });
        visits
    }

    /// Returns the findings on a thing and on whatever belongs to it, in the order of the walk.
    #[must_use]
    pub fn findings_under(&self, of: ThingId) -> Vec<Finding<'_>> {
        let there = |thing: &Thing<'_>| !thing.is_removed() && self.kept(thing.id) == thing.id;
        let things = self.under(of).filter(there);
        things
            .filter_map(|thing| Finding::of(self, thing))
            .collect()
    }

    /// Returns every finding of the site, in the order of the walk.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding<'_>> {
        self.findings_under(self.root)
    }

    /// Returns whether the water is on.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn season(&self) -> Known<Season> {
        self.root().choice(&fields::site::SEASON)
    }
}

impl Supply<'_> {
    /// Pressure with every zone off.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn static_pressure(&self) -> Known<Psi> {
        self.measure(&fields::supply::STATIC_PRESSURE)
    }

    /// The most that the supply gives.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn flow_limit(&self) -> Known<Gpm> {
        self.measure(&fields::supply::FLOW_LIMIT)
    }

    /// Pressures that were taken, oldest first.
    #[must_use]
    pub fn pressures(&self) -> Vec<Seen<'_, Pressure>> {
        read_all(self.seen(&seen::PRESSURE), Pressure::read)
    }
}

impl Controller<'_> {
    /// The whole set of programs as it was left.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn as_left(&self) -> Known<ProgramSet> {
        self.programs(&fields::controller::PROGRAMS)
    }

    /// Each set of programs that was found, oldest first.
    #[must_use]
    pub fn as_found(&self) -> Vec<Seen<'_, ProgramSet>> {
        read_all(self.seen(&seen::AS_FOUND), ProgramSet::read)
    }
}

impl Valve<'_> {
    /// Resistances that were measured, oldest first.
    #[must_use]
    pub fn ohms(&self) -> Vec<Seen<'_, Ohms>> {
        read_all(self.seen(&seen::SOLENOID_OHMS), Ohms::read)
    }

    /// Whether it lets water by when shut.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn weeping(&self) -> Known<Weeping> {
        self.choice(&fields::valve::WEEPING)
    }

    /// The year it was installed.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn installed(&self) -> Known<i64> {
        self.count(&fields::valve::INSTALLED)
    }
}

impl Head<'_> {
    /// How its water comes out.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn head_kind(&self) -> Known<Emission> {
        self.choice(&fields::head::HEAD_KIND)
    }

    /// The arc it waters.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn arc(&self) -> Known<Degrees> {
        self.measure(&fields::head::ARC)
    }

    /// How far it throws.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn radius(&self) -> Known<Feet> {
        self.measure(&fields::head::RADIUS)
    }

    /// The findings on it.
    #[must_use]
    pub fn findings_here(&self) -> Vec<Finding<'_>> {
        self.site.findings_under(self.id)
    }

    /// What it delivers: its nozzle's flow, or that of all its emitters.
    ///
    /// # Errors
    /// [`Missing`] of the nozzle's flow.
    pub fn flow(&self) -> Known<Gpm> {
        self.measure(&fields::head::FLOW).or_else(|missing| {
            let one: Fact<Gpm> = match self.measure(&fields::head::EMITTER_FLOW) {
                Ok(one) => one,
                Err(_) => return Err(missing),
            };
            let emitters = self.count(&fields::head::EMITTERS).map_err(|_| missing)?;
            // No line has so many emitters that a float could not count them.
            let value = one.value * emitters.value as f64;
            Ok(Fact { value, ..one })
        })
    }
}

impl Visit<'_> {
    /// How far it has come; one that says nothing is open.
    #[must_use]
    pub fn state(&self) -> VisitState {
        let state = self.choice(&fields::visit::STATE);
        state.map_or(VisitState::Open, |state| state.value)
    }
}

impl Finding<'_> {
    /// What was found.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn what(&self) -> Known<&'static FindingKind> {
        self.read(&fields::finding::WHAT, FindingKind::read)
    }

    /// How far it has come; one that says nothing was flagged.
    #[must_use]
    pub fn status(&self) -> Status {
        let status = self.choice(&fields::finding::STATUS);
        status.map_or(Status::Flagged, |status| status.value)
    }

    /// How soon it matters: as recorded, else as that finding usually does.
    ///
    /// # Errors
    /// [`Missing`] where neither is known.
    pub fn severity(&self) -> Result<Severity, Missing> {
        let recorded = self
            .choice(&fields::finding::SEVERITY)
            .map(|fact| fact.value);
        recorded.or_else(|_| Ok(self.what()?.value.severity))
    }

    /// Why it stays as it is, if somebody accepted that.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn accepted(&self) -> Known<Accepted> {
        self.read(&fields::finding::ACCEPTED, Accepted::read)
    }

    /// How many pictures were taken of it, arrived or not.
    #[must_use]
    pub fn photos(&self) -> usize {
        let recorded = self.count(&fields::finding::PHOTOS).ok();
        let recorded = recorded.and_then(|count| usize::try_from(count.value).ok());
        recorded.unwrap_or(0).max(self.seen(&seen::PHOTO).len())
    }

    /// What it takes off the truck: as recorded, else what that finding usually does.
    #[must_use]
    pub fn parts(&self) -> Vec<String> {
        let recorded = self.read(&fields::finding::PARTS, |value| {
            let items = value.as_list()?.iter();
            items
                .map(|item| item.as_text().map(str::to_owned))
                .collect()
        });
        recorded.map_or_else(
            |_| {
                let what = self.what().map(|what| what.value.parts);
                what.unwrap_or(&[])
                    .iter()
                    .map(|part| (*part).to_owned())
                    .collect()
            },
            |parts| parts.value,
        )
    }

    /// The price that the client was told.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn quoted(&self) -> Known<Money> {
        self.read(&fields::finding::QUOTE, |value| {
            Money::read(value.as_record().and_then(|parts| parts.get(&1))?)
        })
    }

    /// Labour, where somebody wrote it down.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn minutes(&self) -> Known<money::Minutes> {
        self.read(&fields::finding::MINUTES, money::Minutes::read)
    }
}

impl Spot<'_> {
    /// Whether it is gone.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.raw(&fields::spot::CLOSED).and_then(Value::as_bool) == Some(true)
    }

    /// What soil probes brought up, oldest first.
    #[must_use]
    pub fn probes(&self) -> Vec<Seen<'_, Probe>> {
        read_all(self.seen(&seen::SOIL_PROBE), Probe::read)
    }
}

//! A crew's walk over a site: its states, what was done, and what is missing before it may be
//! called finished.

use std::collections::BTreeSet;
use std::fmt;

use super::fields::{finding, seen};
use super::finding::Status;
use super::things::{Controller, Site, Visit, Zone};
use super::words::vocabularies;
use crate::log::id::ThingId;
use crate::log::stamp::Stamp;
use crate::merge::replay::Observation;

vocabularies! {
    /// How far a visit has come. Nothing closes it but a person.
    VisitState {
        /// Going on, or left for later.
        Open = "open",
        /// Everything that it came for is done.
        Finished = "finished" | "done",
        /// Done but for zones that were skipped, each with its reason.
        FinishedWithSkips = "finished-with-skips",
        /// Given up, and why.
        Abandoned = "abandoned",
    }
}

/// What a visit did to one zone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ZoneDone {
    /// It was run, or looked at head by head.
    Walked,
    /// It was not, and why.
    Skipped(String),
    /// Nobody said.
    NotYet,
}

/// Something that a visit lacks before it may be called finished.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lacks {
    /// A zone that was neither walked nor skipped with a reason.
    Zone {
        /// Which.
        zone: ThingId,
        /// What it is called.
        name: String,
    },
    /// The programs were not taken down before anybody changed them.
    AsFound {
        /// Of which controller.
        controller: ThingId,
        /// What it is called.
        name: String,
    },
    /// The programs were not written down as they were left.
    AsLeft {
        /// Of which controller.
        controller: ThingId,
        /// What it is called.
        name: String,
    },
    /// A flag that nobody has described yet.
    Flag {
        /// Which.
        finding: ThingId,
        /// What it is called.
        name: String,
    },
}

impl fmt::Display for Lacks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Zone { name, .. } => {
                write!(
                    f,
                    "{name} was neither run nor skipped: run it, or say why it was skipped"
                )
            }
            Self::AsFound { name, .. } => write!(f, "{name}: the programs as found are missing"),
            Self::AsLeft { name, .. } => {
                write!(
                    f,
                    "{name}: the programs as left are missing (`same as found` will do)"
                )
            }
            Self::Flag { name, .. } => write!(f, "{name} was flagged: say what it is"),
        }
    }
}

impl Visit<'_> {
    /// Returns what the visit did to each zone of the site, by zone number.
    #[must_use]
    pub fn zones<'s>(&self, site: &'s Site<'s>) -> Vec<(Zone<'s>, ZoneDone)> {
        let zones = site.zones().into_iter();
        zones
            .map(|zone| (zone, self.zone_done(site, zone)))
            .collect()
    }

    fn zone_done(&self, site: &Site<'_>, zone: Zone<'_>) -> ZoneDone {
        let signs = [
            &seen::ZONE_RAN,
            &seen::HEADS_GOOD,
            &seen::CATCH_CANS,
            &seen::BLOW_OUT,
        ];
        let ran = signs
            .iter()
            .any(|what| self.made(zone.seen(what)).next().is_some());
        let heads = zone.heads();
        let looked = |head: ThingId| {
            let good = site.state().observations(head, seen::LOOKED_GOOD.number);
            self.made(good).next().is_some()
        };
        if ran || !heads.is_empty() && heads.iter().all(|head| looked(head.id)) {
            return ZoneDone::Walked;
        }
        let skipped = self.made(zone.seen(&seen::ZONE_SKIPPED)).last();
        match skipped.map(|skip| skip.value.as_text().unwrap_or("").to_owned()) {
            Some(why) => ZoneDone::Skipped(why),
            None => ZoneDone::NotYet,
        }
    }

    /// The observations that were made during this visit.
    fn made<'o>(&self, seen: &'o [Observation]) -> impl Iterator<Item = &'o Observation> {
        let visit = self.id;
        seen.iter().filter(move |seen| seen.visit == Some(visit))
    }

    /// Returns what is missing before the visit may be called finished; a person may still end
    /// it, with a reason.
    #[must_use]
    pub fn lacks(&self, site: &Site<'_>) -> Vec<Lacks> {
        let mut lacks = Vec::new();
        for (zone, done) in self.zones(site) {
            if done == ZoneDone::NotYet {
                let name = site.address(*zone);
                lacks.push(Lacks::Zone {
                    zone: zone.id,
                    name,
                });
            }
        }
        for controller in site.controllers() {
            lacks.extend(self.lacks_of(site, controller));
        }
        for flag in self.flags(site) {
            let name = site
                .thing(flag)
                .map_or_else(String::new, |thing| site.address(thing));
            lacks.push(Lacks::Flag {
                finding: flag,
                name,
            });
        }
        lacks
    }

    fn lacks_of(&self, site: &Site<'_>, controller: Controller<'_>) -> Option<Lacks> {
        let name = site.address(*controller);
        let found: Option<Stamp> = self
            .made(controller.seen(&seen::AS_FOUND))
            .map(|seen| seen.stamp)
            .max();
        let Some(found) = found else {
            return Some(Lacks::AsFound {
                controller: controller.id,
                name,
            });
        };
        // One entry may hold both, so the same moment will do.
        let left = controller.as_left().is_ok_and(|left| left.stamp >= found);
        (!left).then_some(Lacks::AsLeft {
            controller: controller.id,
            name,
        })
    }

    /// Flags that stand undescribed: a flag is a finding of which nobody has said what it is.
    fn flags(&self, site: &Site<'_>) -> BTreeSet<ThingId> {
        let flags = site.findings().into_iter();
        let flags = flags
            .filter(|flag| flag.status() == Status::Flagged && flag.words(&finding::WHAT).is_err());
        flags.map(|flag| flag.id).collect()
    }

    /// Returns the state that a visit may be given by what was done: finished, finished with
    /// skips, or open still.
    #[must_use]
    pub fn may_become(&self, site: &Site<'_>) -> VisitState {
        if !self.lacks(site).is_empty() {
            return VisitState::Open;
        }
        let skipped = |(_, done): &(Zone<'_>, ZoneDone)| matches!(done, ZoneDone::Skipped(_));
        if self.zones(site).iter().any(skipped) {
            VisitState::FinishedWithSkips
        } else {
            VisitState::Finished
        }
    }
}

/// Returns every visit that is still open, oldest first.
#[must_use]
pub fn open_visits<'s>(site: &'s Site<'s>) -> Vec<Visit<'s>> {
    let visits = site.visits().into_iter();
    visits
        .filter(|visit| visit.state() == VisitState::Open)
        .collect()
}

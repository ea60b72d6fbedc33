//! A zone: what it waters, with what, and what was measured there.

use super::readings::{CatchCans, Flow, Pressure, Probe, Seen, read_all};
use super::views::{Controller, Finding, Head, Spot, Valve, Zone};
use super::{Fact, Known};
use crate::site::fields::{self, seen};
use crate::site::kind::ThingKind;
use crate::site::programs::Station;
use crate::site::words::{Emission, Planting, SoilKind, Sun};
use crate::water::uniformity::{self, CatchTest, Uniformity};
use crate::water::units::{
    Feet, Gpm, Inches, InchesPerHour, InchesPerInch, Percent, Psi, SquareFeet,
};

impl<'s> Zone<'s> {
    /// Its station's number, where a valid one is recorded.
    #[must_use]
    pub fn station(&self) -> Option<Station> {
        let number = self.count(&fields::zone::NUMBER).ok()?.value;
        Station::new(u16::try_from(number).ok()?)
    }

    /// Its controller: the one that is named, or it belongs to, or the site's only one.
    #[must_use]
    pub fn controller(&self) -> Option<Controller<'s>> {
        let named = self.other(&fields::zone::CONTROLLER).ok();
        let named = named.map(|fact| fact.value).or(self.part_of());
        let named = named.and_then(|id| Controller::of(self.site, self.site.thing(id)?));
        named.or_else(|| match self.site.controllers()[..] {
            [only] => Some(only),
            _ => None,
        })
    }

    /// Its valve: the one that is named, or belongs to it.
    #[must_use]
    pub fn valve(&self) -> Option<Valve<'s>> {
        let named = self.other(&fields::zone::VALVE).ok();
        let named = named.and_then(|fact| Valve::of(self.site, self.site.thing(fact.value)?));
        named.or_else(|| {
            let mut own = self.site.present(self.id, ThingKind::Valve);
            own.find_map(|thing| Valve::of(self.site, thing))
        })
    }

    /// Its heads, in the order of the walk.
    #[must_use]
    pub fn heads(&self) -> Vec<Head<'s>> {
        let heads = self.site.present(self.id, ThingKind::Head);
        heads
            .filter_map(|thing| Head::of(self.site, thing))
            .collect()
    }

    /// Its wet and dry spots, in the order of the walk.
    #[must_use]
    pub fn spots(&self) -> Vec<Spot<'s>> {
        let spots = self.site.present(self.id, ThingKind::Spot);
        spots
            .filter_map(|thing| Spot::of(self.site, thing))
            .collect()
    }

    /// The findings on it, its heads, its spots and its valve.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding<'s>> {
        let mut findings = self.site.findings_under(self.id);
        // A valve in a box with others belongs to the site, and its findings to this zone too.
        if let Some(valve) = self
            .valve()
            .filter(|valve| valve.part_of() != Some(self.id))
        {
            findings.extend(self.site.findings_under(valve.id));
        }
        findings
    }

    /// What grows there.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn plants(&self) -> Known<Planting> {
        self.choice(&fields::zone::PLANTS)
    }

    /// The ground it wets.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn area(&self) -> Known<SquareFeet> {
        self.measure(&fields::zone::AREA)
    }

    /// How much sun it gets.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn sun(&self) -> Known<Sun> {
        self.choice(&fields::zone::SUN)
    }

    /// What the soil is.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn soil(&self) -> Known<SoilKind> {
        self.choice(&fields::zone::SOIL)
    }

    /// Rise over run.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn slope(&self) -> Known<Percent> {
        self.measure(&fields::zone::SLOPE)
    }

    /// How deep the roots go.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn root_depth(&self) -> Known<Inches> {
        self.measure(&fields::zone::ROOT_DEPTH)
    }

    /// How the water comes out: as recorded, or as all of its heads do.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn emission(&self) -> Known<Emission> {
        self.choice(&fields::zone::EMISSION).or_else(|missing| {
            let mut kinds = self.heads().into_iter().map(|head| head.head_kind());
            let first: Fact<Emission> = kinds.next().ok_or(missing.clone())??;
            let same = |kind: Known<Emission>| kind.is_ok_and(|kind| kind.value == first.value);
            if kinds.all(same) {
                Ok(first)
            } else {
                Err(missing)
            }
        })
    }

    /// Operating pressure as last recorded.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn pressure(&self) -> Known<Psi> {
        self.measure(&fields::zone::PRESSURE)
    }

    /// What it draws, as last recorded.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn flow(&self) -> Known<Gpm> {
        self.measure(&fields::zone::FLOW)
    }

    /// From head to head in a row, and from row to row.
    ///
    /// # Errors
    /// [`Missing`] of the spacing; rows are as far apart as heads where nothing else is recorded.
    pub fn spacing(&self) -> Known<(Feet, Feet)> {
        let spacing: Fact<Feet> = self.measure(&fields::zone::SPACING)?;
        let rows: Known<Feet> = self.measure(&fields::zone::ROW_SPACING);
        let rows = rows.map_or(spacing.value, |rows| rows.value);
        let (how, stamp, place) = (spacing.how, spacing.stamp, spacing.place);
        let value = (spacing.value, rows);
        let two_versions = spacing.two_versions;
        Ok(Fact {
            value,
            how,
            stamp,
            place,
            two_versions,
        })
    }

    /// The plants' need as a share of reference ET, as a person set it.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn coefficient(&self) -> Known<f64> {
        self.number(&fields::zone::COEFFICIENT)
    }

    /// The share of the soil's water that may be used, as a person set it.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn depletion(&self) -> Known<Percent> {
        self.measure(&fields::zone::DEPLETION)
    }

    /// Water that the soil holds, as a person set it.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn capacity(&self) -> Known<InchesPerInch> {
        self.measure(&fields::zone::CAPACITY)
    }

    /// How fast the soil takes water in, as a person set it.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn intake(&self) -> Known<InchesPerHour> {
        self.measure(&fields::zone::INTAKE)
    }

    /// Catch-can tests, oldest first.
    #[must_use]
    pub fn catch_cans(&self) -> Vec<Seen<'s, CatchCans>> {
        read_all(self.seen(&seen::CATCH_CANS), CatchCans::read)
    }

    /// The last catch-can test that says anything, and how even the water was.
    #[must_use]
    pub fn latest_cans(&self) -> Option<(Seen<'s, CatchCans>, Uniformity)> {
        self.catch_cans().into_iter().rev().find_map(|test| {
            let said = uniformity::uniformity(&CatchTest {
                catches: &test.value.catches,
                opening: test.value.opening,
                minutes: test.value.minutes,
                wind: &test.value.wind,
            });
            Some((test, said.ok()?))
        })
    }

    /// Flows that were measured, oldest first.
    #[must_use]
    pub fn flows(&self) -> Vec<Seen<'s, Flow>> {
        read_all(self.seen(&seen::FLOW), Flow::read)
    }

    /// Pressures that were taken, oldest first.
    #[must_use]
    pub fn pressures(&self) -> Vec<Seen<'s, Pressure>> {
        read_all(self.seen(&seen::PRESSURE), Pressure::read)
    }

    /// What soil probes brought up, oldest first.
    #[must_use]
    pub fn probes(&self) -> Vec<Seen<'s, Probe>> {
        read_all(self.seen(&seen::SOIL_PROBE), Probe::read)
    }
}

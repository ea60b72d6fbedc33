//! What a weather-based controller asks for, station by station, and which zones a person keeps by
//! hand.

use serde::Serialize;

use headwalk_core::site::fields;
use headwalk_core::site::plan::{Figure, SitePlan, Why, ZonePlan};
use headwalk_core::site::things::{Site, Zone};
use headwalk_core::site::unit::{Unit, UnitSystem};
use headwalk_core::site::words::{Planting, Vocabulary};
use headwalk_core::water::runtime;
use headwalk_core::water::units::{Fraction, Inches, Percent};

use super::figure::{Shown, UNKNOWN};
use crate::output::{Page, Report};

/// `{"site": .., "on": DATE, "zones": [..]}`
#[derive(Serialize)]
pub struct Parameters {
    site: String,
    on: String,
    zones: Vec<Asked>,
    cautions: [&'static str; 2],
    #[serde(skip)]
    system: UnitSystem,
}

/// One station.
#[derive(Serialize)]
struct Asked {
    zone: String,
    station: Option<u16>,
    plants: Option<String>,
    soil: Option<String>,
    slope: Shown,
    sun: Option<String>,
    rate: Shown,
    plant_factor: Shown,
    /// One over the run-time multiplier: what of the water counts, in percent.
    efficiency: Shown,
    root_depth: Shown,
    allowed_depletion: Shown,
    intake: Shown,
    /// Why a person keeps its setting; none where the controller may.
    by_hand: Option<String>,
}

const CAUTIONS: [&str; 2] = [
    "Enter them as they are: where the controller asks for a multiplier or an efficiency, give one \
     of them, never both.",
    "Local watering days, hours and drought stages win over what it computes. Controller covers \
     stay on: line voltage is for a qualified person.",
];

impl Parameters {
    /// Puts a plan's figures in the words of such a controller.
    pub fn of(name: &str, site: &Site<'_>, plan: &SitePlan, system: UnitSystem) -> Self {
        let zones = plan.zones.iter().filter_map(|zone| {
            let thing = site.thing(zone.zone)?;
            Some(Asked::of(Zone::of(site, thing)?, zone, plan, system))
        });
        Self {
            site: name.to_owned(),
            on: plan.on.to_string(),
            zones: zones.collect(),
            cautions: CAUTIONS,
            system,
        }
    }
}

impl Asked {
    fn of(zone: Zone<'_>, plan: &ZonePlan, site: &SitePlan, system: UnitSystem) -> Self {
        let (roots, share) = storage(plan);
        let slope = zone.slope().ok().map(|slope| slope.value);
        Self {
            zone: plan.name.clone(),
            station: plan.station.map(|station| station.get()),
            plants: plan.plants.map(Vocabulary::plain),
            soil: zone.soil().ok().map(|soil| soil.value.plain()),
            slope: Shown::measure(
                &match slope {
                    Some(slope) => Figure::known(slope, Why::SlopeRecorded),
                    None => Figure::known(Percent::ZERO, Why::FlatAssumed),
                },
                system,
            ),
            sun: zone.sun().ok().map(|sun| sun.value.plain()),
            rate: Shown::measure(&plan.rate, system),
            plant_factor: Shown::share(&plan.coefficient, system),
            efficiency: Shown::measure(&efficiency(plan), system),
            root_depth: Shown::measure(&roots, system),
            allowed_depletion: Shown::measure(&share, system),
            intake: Shown::measure(&plan.intake, system),
            by_hand: by_hand(zone, plan, site),
        }
    }
}

/// Roots and allowed share, out of what the storage rests on.
fn storage(plan: &ZonePlan) -> (Figure<Inches>, Figure<Percent>) {
    let found = plan.storage.why().iter().find_map(|why| match why {
        Why::Storage { roots, share, .. } => Some((*roots, *share)),
        _ => None,
    });
    match (plan.storage.get(), found) {
        (Ok(_), Some((roots, share))) => {
            let of = |about: fn(&Why) -> bool| {
                let mut why = plan.storage.why().iter().filter(|why| about(why)).cloned();
                why.next().unwrap_or(Why::NothingToDo)
            };
            let roots_by = of(|why| {
                matches!(
                    why,
                    Why::RootsProbed | Why::RootsRecorded | Why::RootsAssumed
                )
            });
            let share_by = of(|why| matches!(why, Why::DepletionFrom(_)));
            (
                Figure::known(roots, roots_by),
                Figure::known(share, share_by),
            )
        }
        (Err(reason), _) => (Figure::unknown(reason.clone()), Figure::unknown(reason)),
        (Ok(_), None) => {
            let none = headwalk_core::site::plan::Unknown::NoRootDepth;
            (Figure::unknown(none.clone()), Figure::unknown(none))
        }
    }
}

fn efficiency(plan: &ZonePlan) -> Figure<Percent> {
    match plan.uniformity.get() {
        Ok(even) => {
            let multiplier = runtime::multiplier(*even).map_or(1.0, Fraction::get);
            let mut why = plan.uniformity.why().iter().cloned();
            let first = why.next().unwrap_or(Why::NothingToDo);
            Figure::known(Percent::new(100.0 / multiplier), first).and_all(why)
        }
        Err(reason) => Figure::unknown(reason),
    }
}

/// Why a person keeps a zone's setting.
fn by_hand(zone: Zone<'_>, plan: &ZonePlan, site: &SitePlan) -> Option<String> {
    if let Ok(recorded) = zone.yes(&fields::zone::BY_HAND) {
        return recorded.value.then(|| "as recorded".to_owned());
    }
    let until = zone.day(&fields::zone::EXCEPTION_UNTIL).ok();
    let over = until.is_some_and(|until| until.value < site.on);
    if let Ok(exception) = zone.words(&fields::zone::EXCEPTION)
        && !over
    {
        return Some(exception.value);
    }
    match plan.plants? {
        Planting::NewTurf => Some("takes root: short and often, by eye".to_owned()),
        Planting::Annuals => Some("flower beds: shallow roots, replanted in season".to_owned()),
        Planting::Vegetables => Some("its need follows the crop".to_owned()),
        Planting::Mixed => Some("plants of different needs on one valve".to_owned()),
        _ => None,
    }
}

impl Report for Parameters {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "{}, what a weather-based controller asks for, as of {}",
            self.site, self.on
        ));
        page.line("");
        let unit = |unit: Unit| unit.in_system(self.system).to_string();
        let heading = [
            "station".to_owned(),
            "plants".to_owned(),
            "soil".to_owned(),
            "slope".to_owned(),
            unit(Unit::InchPerHour),
            "plant factor".to_owned(),
            "efficiency".to_owned(),
            format!("roots {}", unit(Unit::Inch)),
            "may be used".to_owned(),
            format!("intake {}", unit(Unit::InchPerHour)),
        ];
        let words = |words: &Option<String>| words.clone().unwrap_or_else(|| UNKNOWN.to_owned());
        let rows = self.zones.iter().map(|zone| {
            [
                match zone.station {
                    Some(station) => station.to_string(),
                    None => zone.zone.clone(),
                },
                words(&zone.plants),
                words(&zone.soil),
                format!("{}%", zone.slope.cell(0)),
                zone.rate.cell(2),
                zone.plant_factor.shown.clone(),
                format!("{}%", zone.efficiency.cell(0)),
                zone.root_depth.cell(0),
                format!("{}%", zone.allowed_depletion.cell(0)),
                zone.intake.cell(2),
            ]
        });
        let rows: Vec<_> = std::iter::once(heading).chain(rows).collect();
        page.rows(0, &rows);
        let by_hand = self.zones.iter().filter_map(|zone| {
            let why = zone.by_hand.as_ref()?;
            Some([zone.zone.clone(), why.clone()])
        });
        let by_hand: Vec<_> = by_hand.collect();
        if !by_hand.is_empty() {
            page.line("");
            page.line("Kept by hand: set these as fixed programs");
            page.rows(2, &by_hand);
        }
        page.line("");
        page.rows(0, &self.cautions.map(|caution| [caution.to_owned()]));
    }
}

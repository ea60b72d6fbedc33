//! `headwalk wear`: how long the firm's valves or heads last, and where to dig first.

use serde::Serialize;

use headwalk_core::site::fields::head;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::lives::{ASSUMED, DigPlan, Part, SiteLives, Wear, wear};
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::{Emission, Vocabulary};
use headwalk_core::store::Store;
use headwalk_core::water::units::{Failures, FailuresPerYear, Fraction, Years};
use headwalk_core::water::wear::CENSORING_NOTE;
use headwalk_core::water::wear::cascade::{Deals, Verdict};
use headwalk_core::water::wear::rate::Rate;

use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Moment, state_at};
use crate::output::{Page, Report, counted};
use crate::roots::Roots;

/// Show how long the firm's valves last by its own record, and which box to open first; or the same
/// of its heads, by zone.
///
/// Failures a year of service by age, whether failures follow repairs more than chance explains,
/// and where one dig saves most. Nothing is stated beyond the record: without a failure there is a
/// sentence, not a number, and every number has its 95 % bounds. What was driven over or stolen did
/// not wear out.
///
/// Example: headwalk wear --years 2
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only this site.
    site: Option<String>,
    /// Heads instead of valves; of one kind where that is named, such as rotor.
    #[arg(long, value_name = "KIND", num_args = 0..=1, default_missing_value = ALL_KINDS)]
    heads: Option<String>,
    /// How many years ahead the plan looks.
    #[arg(long, value_name = "YEARS", default_value_t = 1.0)]
    years: f64,
    #[command(flatten)]
    moment: MomentArgs,
}

/// What stands for heads of every kind.
const ALL_KINDS: &str = "all";

/// What the record says.
#[derive(Serialize)]
struct Told {
    /// Of what: `valves` or `heads`.
    of: &'static str,
    sites: usize,
    /// How many of them have a year.
    parts: usize,
    overall: Option<RateJson>,
    by_age: Vec<BandJson>,
    weibull: Option<LawJson>,
    no_law: Option<String>,
    cascade: CascadeJson,
    pressure: Option<PressureJson>,
    years_ahead: f64,
    plan: Vec<PlanJson>,
    left_out: Vec<String>,
    notes: [&'static str; 2],
    #[serde(skip)]
    cascade_words: String,
}

#[derive(Serialize)]
struct RateJson {
    failures: f64,
    service_years: f64,
    /// None where nothing failed.
    per_year: Option<f64>,
    low: f64,
    high: f64,
    says: String,
}

#[derive(Serialize)]
struct BandJson {
    from_years: f64,
    to_years: f64,
    #[serde(flatten)]
    rate: RateJson,
}

#[derive(Serialize)]
struct LawJson {
    shape: f64,
    shape_interval: [f64; 2],
    scale_years: f64,
    scale_interval_years: [f64; 2],
    median_years: f64,
}

#[derive(Serialize)]
struct CascadeJson {
    failures: f64,
    followed: f64,
    by_chance: f64,
    p: f64,
    within_days: f64,
    verdict: &'static str,
    says: String,
}

#[derive(Serialize)]
struct PressureJson {
    above_psi: f64,
    high: RateJson,
    low: RateJson,
    ratio: Option<f64>,
    ratio_low: f64,
    /// None where it has no bound.
    ratio_high: Option<f64>,
    differs: bool,
}

#[derive(Serialize)]
struct PlanJson {
    site: String,
    /// The box, or the zone.
    place: Option<String>,
    parts: Vec<String>,
    /// Those that failed and wait to be mended; not counted.
    waiting: Vec<String>,
    oldest_years: f64,
    /// None where nothing of these ages has failed yet.
    expected_failures: Option<f64>,
    low: f64,
    high: f64,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let which = which(args.heads.as_deref())?;
    let sites = lives(&store, args.site.as_deref(), which, moment, call)?;
    let found = wear(&sites, Years::new(args.years), Deals::default()).map_err(|error| {
        Error::input(error.to_string()).field(if error.field == "horizon_years" {
            "years"
        } else {
            error.field
        })
    })?;
    call.print(&Told::of(which, &sites, &found, args.years))
}

fn which(heads: Option<&str>) -> Result<Part, Error> {
    let kind = match heads {
        None => return Ok(Part::Valves),
        Some(ALL_KINDS) => None,
        Some(kind) => {
            let parsed = head::HEAD_KIND.parse(kind, UnitSystem::Us);
            let parsed = parsed.map_err(|error| Error::from(error).field("heads"))?;
            Emission::read(&parsed.value)
        }
    };
    Ok(Part::Heads(kind))
}

/// Reads the valves or heads of one site or of all of them.
pub fn lives(
    store: &Store,
    only: Option<&str>,
    which: Part,
    moment: Moment,
    call: &Call,
) -> Result<Vec<SiteLives>, Error> {
    let roots = Roots::of(store)?;
    let wanted = match only {
        Some(site) => vec![roots.find(site)?.clone()],
        None => roots.of_kind(ThingKind::Site).cloned().collect(),
    };
    let now = call.now();
    let wall = moment.as_of.or(moment.as_known).unwrap_or(now.wall);
    let today = wall.date_at(now.utc_offset_min);
    let mut sites = Vec::new();
    for root in &wanted {
        let state = state_at(store, root.id, moment)?;
        let site = Site::of(&state, root.id);
        sites.push(SiteLives::of(
            &root.name,
            &site,
            which,
            today,
            now.utc_offset_min,
        ));
    }
    Ok(sites)
}

impl RateJson {
    fn of(rate: &Rate) -> Self {
        Self {
            failures: rate.failures.get(),
            service_years: rate.service.get(),
            per_year: rate.per_year.map(FailuresPerYear::get),
            low: rate.interval.low.get(),
            high: rate.interval.high.get(),
            says: rate.to_string(),
        }
    }
}

impl Told {
    fn of(which: Part, sites: &[SiteLives], found: &Wear, years_ahead: f64) -> Self {
        let cascade = &found.cascade;
        Self {
            of: match which {
                Part::Valves => "valves",
                Part::Heads(_) => "heads",
            },
            sites: sites.len(),
            parts: sites.iter().map(|site| site.parts.len()).sum(),
            overall: found.overall.as_ref().map(RateJson::of),
            by_age: found
                .bands
                .iter()
                .map(|band| BandJson {
                    from_years: band.from.get(),
                    to_years: band.to.get(),
                    rate: RateJson::of(&band.rate),
                })
                .collect(),
            weibull: found.law.as_ref().ok().map(|law| LawJson {
                shape: law.shape.get(),
                shape_interval: [law.shape_interval.low.get(), law.shape_interval.high.get()],
                scale_years: law.scale.get(),
                scale_interval_years: [law.scale_interval.low.get(), law.scale_interval.high.get()],
                median_years: law.median().get(),
            }),
            no_law: found.law.as_ref().err().cloned(),
            cascade: CascadeJson {
                failures: cascade.failures.get(),
                followed: cascade.followed.get(),
                by_chance: cascade.by_chance.get(),
                p: cascade.p.get(),
                within_days: cascade.within.get(),
                verdict: match cascade.verdict {
                    Verdict::CannotTell => "cannot-tell",
                    Verdict::NoMoreThanChance => "no-more-than-chance",
                    Verdict::MoreThanChance => "more-than-chance",
                },
                says: cascade.to_string(),
            },
            pressure: found.pressure.as_ref().map(|share| {
                let high = share.ratio.interval.high.get();
                PressureJson {
                    above_psi: share.above.get(),
                    high: RateJson::of(&share.high),
                    low: RateJson::of(&share.low),
                    ratio: share.ratio.ratio.map(Fraction::get),
                    ratio_low: share.ratio.interval.low.get(),
                    ratio_high: high.is_finite().then_some(high),
                    differs: share.ratio.differs(),
                }
            }),
            years_ahead,
            plan: found.plan.iter().map(PlanJson::of).collect(),
            left_out: found
                .left_out
                .iter()
                .map(|it| format!("{}: {}", it.name, it.why))
                .collect(),
            notes: [ASSUMED, CENSORING_NOTE],
            cascade_words: cascade.to_string(),
        }
    }
}

impl PlanJson {
    fn of(plan: &DigPlan) -> Self {
        let expected = &plan.expected;
        Self {
            site: plan.site.clone(),
            place: plan.place.clone(),
            parts: plan.parts.clone(),
            waiting: plan.waiting.clone(),
            oldest_years: expected.oldest.get(),
            expected_failures: expected.failures.map(Failures::get),
            low: expected.interval.low.get(),
            high: expected.interval.high.get(),
        }
    }
}

impl PlanJson {
    fn parts_said(&self) -> String {
        let parts = self.parts.iter().map(|part| {
            let waits = self.waiting.contains(part);
            format!("{part}{}", if waits { " (failed)" } else { "" })
        });
        parts.collect::<Vec<_>>().join(" ")
    }
}

impl Report for Told {
    fn write(&self, page: &mut Page) {
        let one = self.of.trim_end_matches('s');
        let parts = counted(self.parts as u64, one, self.of);
        let sites = counted(self.sites as u64, "site", "sites");
        page.line(format!("{parts} with a year, at {sites}"));
        match &self.overall {
            Some(overall) => page.paragraph(&format!("All ages: {}.", overall.says)),
            None => page.line("Nothing has been watched for a day yet."),
        }
        for band in &self.by_age {
            let (from, to) = (band.from_years, band.to_years);
            page.paragraph(&format!(
                "  {from:.0} to {to:.0} years: {}.",
                band.rate.says
            ));
        }
        if let Some(law) = &self.weibull {
            let [low, high] = law.scale_interval_years;
            page.paragraph(&format!(
                "Half have failed by about {:.0} years (shape {:.1}, 95 % {:.1} to {:.1}; scale \
                 {:.0} years, 95 % {low:.0} to {high:.0}).",
                law.median_years,
                law.shape,
                law.shape_interval[0],
                law.shape_interval[1],
                law.scale_years
            ));
        }
        if let Some(why) = &self.no_law {
            page.paragraph(&format!("No life is stated: {why}."));
        }
        page.paragraph(&format!(
            "Do failures follow repairs? {}.",
            self.cascade_words
        ));
        if let Some(pressure) = &self.pressure {
            self.write_pressure(page, pressure);
        }
        page.line(format!(
            "\nWhere to dig first, {:.0} year(s) ahead",
            self.years_ahead
        ));
        let rows: Vec<_> = self
            .plan
            .iter()
            .map(|plan| {
                let expected = plan.expected_failures.map_or_else(
                    || "none of that age failed yet".to_owned(),
                    |failures| format!("{failures:.1} ({:.1} to {:.1})", plan.low, plan.high),
                );
                [
                    plan.site.clone(),
                    plan.place
                        .clone()
                        .unwrap_or_else(|| "place not noted".to_owned()),
                    plan.parts_said(),
                    format!("{:.0}", plan.oldest_years),
                    expected,
                ]
            })
            .collect();
        page.table(
            [
                "site",
                "place",
                "one dig serves",
                "oldest",
                "failures to expect",
            ],
            &rows,
        );
        for left_out in &self.left_out {
            page.paragraph(&format!("Left out: {left_out}."));
        }
        for note in self.notes {
            page.paragraph(&format!("Note: {note}."));
        }
    }
}

impl Told {
    fn write_pressure(&self, page: &mut Page, pressure: &PressureJson) {
        let psi = pressure.above_psi;
        let verdict = if pressure.differs {
            "more than chance explains"
        } else {
            "which chance alone explains"
        };
        page.paragraph(&format!(
            "Pressure: sites above {psi:.0} psi: {}; the others: {}; {verdict}.",
            pressure.high.says, pressure.low.says
        ));
    }
}

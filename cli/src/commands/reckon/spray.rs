//! How fast and how evenly water falls.

use serde::Deserialize;

use headwalk_core::water::precipitation::{self, Head, Matching};
use headwalk_core::water::runtime;
use headwalk_core::water::uniformity::{self, CatchTest, LOW_QUARTER_RULE};
use headwalk_core::water::units::{
    Degrees, Feet, Gpm, InchesPerHour, MilesPerHour, Millilitres, MillimetresPerHour, Minutes,
    SquareCentimetres, SquareFeet,
};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Precipitation rate of a zone, or of the heads of a regular pattern.
///
/// In:  area_sqft and flow_gpm: the ground the zone wets and what it draws;
///      or heads, a list of {flow_gpm, arc_deg}, with spacing_ft and row_spacing_ft.
/// Out: rate_in_h, rate_mm_h; of heads also heads_in_h, the rate of each, and spread, highest
///      less lowest as a share of the zone's.
///
/// Source: definition, 231 in³ a gallon x 60 min / 144 in² = 96.25.
///
/// Example: headwalk reckon precipitation --set flow_gpm=10 --set area_sqft=1000
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Precipitation {}

/// Inputs of [`Precipitation`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrecipitationIn {
    area_sqft: Option<f64>,
    flow_gpm: Option<f64>,
    heads: Option<Vec<HeadIn>>,
    spacing_ft: Option<f64>,
    row_spacing_ft: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HeadIn {
    flow_gpm: f64,
    arc_deg: f64,
}

impl Formula for Precipitation {
    type In = PrecipitationIn;

    fn reckon(given: PrecipitationIn) -> Result<Answer, Wrong> {
        match given.heads {
            Some(heads) => {
                for (name, value) in [("area_sqft", given.area_sqft), ("flow_gpm", given.flow_gpm)]
                {
                    if value.is_some() {
                        return Err(Wrong::beside(name, "heads"));
                    }
                }
                pattern(&heads, given.spacing_ft, given.row_spacing_ft)
            }
            None => {
                for (name, value) in [
                    ("spacing_ft", given.spacing_ft),
                    ("row_spacing_ft", given.row_spacing_ft),
                ] {
                    if value.is_some() {
                        return Err(Wrong::missing("heads", &format!("{name} goes with it")));
                    }
                }
                zone(given.flow_gpm, given.area_sqft)
            }
        }
    }
}

fn zone(flow_gpm: Option<f64>, area_sqft: Option<f64>) -> Result<Answer, Wrong> {
    let either = "flow_gpm and area_sqft, or heads with their spacing";
    let flow = flow_gpm.ok_or_else(|| Wrong::missing("flow_gpm", either))?;
    let area = area_sqft.ok_or_else(|| Wrong::missing("area_sqft", either))?;
    let rate = precipitation::zone_rate(Gpm::new(flow), SquareFeet::new(area))?;
    Ok(rates(rate))
}

fn pattern(
    heads: &[HeadIn],
    spacing_ft: Option<f64>,
    row_spacing_ft: Option<f64>,
) -> Result<Answer, Wrong> {
    let why = "heads need the distance along and between rows";
    let spacing = spacing_ft.ok_or_else(|| Wrong::missing("spacing_ft", why))?;
    let rows = row_spacing_ft.ok_or_else(|| Wrong::missing("row_spacing_ft", why))?;
    let heads: Vec<Head> = heads
        .iter()
        .map(|head| Head {
            flow: Gpm::new(head.flow_gpm),
            arc: Degrees::new(head.arc_deg),
        })
        .collect();
    let zone = precipitation::heads_rate(&heads, Feet::new(spacing), Feet::new(rows))?;
    let each = zone.heads.iter().map(|rate| rate.get()).collect();
    let unmatched = (zone.matching == Matching::Unmatched).then_some(
        "the heads' rates are more than 10 % apart (common practice, no source): one run time \
         cannot suit all of the zone",
    );
    Ok(rates(zone.rate)
        .numbers("heads_in_h", "of each head", each, InchesPerHour::UNIT)
        .number(
            "spread",
            "highest less lowest",
            zone.spread.get(),
            "of the zone's",
        )
        .warnings(unmatched))
}

fn rates(rate: InchesPerHour) -> Answer {
    let metric = MillimetresPerHour::from(rate);
    Answer::default()
        .number(
            "rate_in_h",
            "precipitation rate",
            rate.get(),
            InchesPerHour::UNIT,
        )
        .number(
            "rate_mm_h",
            "the same",
            metric.get(),
            MillimetresPerHour::UNIT,
        )
}

/// Uniformity of a zone from catch cans, and its net precipitation rate.
///
/// In:  catch_ml, a list: what each can caught, dry cans as 0, knocked-over cans left out;
///      for a rate also can_area_cm2, the cans' opening, and minutes, how long the zone ran;
///      wind_mph, a list of readings during the test.
/// Out: du_lq, cu, mean and low_quarter_mean (mL); du_lq_fractional by the other rule in use,
///      du_lh of the lowest half, cans, low_quarter_cans, rule, multiplier (1 / (0.4 + 0.6 DU));
///      rate_mm_h and rate_in_h where they can be had.
///
/// Sources: Merriam and Keller (1978); Christiansen (1942).
///
/// Example: headwalk reckon uniformity --set "catch_ml=[22,25,28,30,18,24,26,32]"
/// --set can_area_cm2=106.45 --set minutes=10
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Uniformity {}

/// Inputs of [`Uniformity`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UniformityIn {
    catch_ml: Vec<f64>,
    can_area_cm2: Option<f64>,
    minutes: Option<f64>,
    #[serde(default)]
    wind_mph: Vec<f64>,
}

impl Formula for Uniformity {
    type In = UniformityIn;

    fn reckon(given: UniformityIn) -> Result<Answer, Wrong> {
        let catches: Vec<_> = given.catch_ml.into_iter().map(Millilitres::new).collect();
        let wind: Vec<_> = given.wind_mph.into_iter().map(MilesPerHour::new).collect();
        let opening = given.can_area_cm2.map(SquareCentimetres::new);
        let minutes = given.minutes.map(Minutes::new);
        if let (None, Some(minutes)) = (opening, minutes) {
            // Checked as it would be, had the opening been given.
            let any_opening = SquareCentimetres::new(1.0);
            precipitation::cans_rate(Millilitres::ZERO, minutes, any_opening)?;
        }
        let test = uniformity::uniformity(&CatchTest {
            catches: &catches,
            opening,
            minutes,
            wind: &wind,
        })?;
        let multiplier = runtime::multiplier(test.du_lq)?;
        let rate = test.rate.map(InchesPerHour::get);
        let metric = test.rate.map(|rate| MillimetresPerHour::from(rate).get());
        let none = "needs can_area_cm2 and minutes";
        Ok(Answer::default()
            .number(
                "du_lq",
                "lowest-quarter uniformity",
                test.du_lq.get(),
                "of 1",
            )
            .number(
                "du_lq_fractional",
                "by the fractional rule",
                test.du_lq_fractional.get(),
                "of 1",
            )
            .number("du_lh", "lowest-half uniformity", test.du_lh.get(), "of 1")
            .number("cu", "Christiansen's coefficient", test.cu.get(), "of 1")
            .number("mean", "mean catch", test.mean.get(), Millilitres::UNIT)
            .number(
                "low_quarter_mean",
                "mean of the lowest quarter",
                test.low_quarter_mean.get(),
                Millilitres::UNIT,
            )
            .count("cans", "cans", test.cans as u64)
            .count(
                "low_quarter_cans",
                "in the lowest quarter",
                test.low_quarter_cans as u64,
            )
            .word("rule", "rule", LOW_QUARTER_RULE)
            .number("multiplier", "run-time multiplier", multiplier.get(), "")
            .maybe(
                "rate_in_h",
                "net precipitation rate",
                rate,
                InchesPerHour::UNIT,
                none,
            )
            .maybe(
                "rate_mm_h",
                "the same",
                metric,
                MillimetresPerHour::UNIT,
                none,
            )
            .warnings(test.warnings))
    }
}

//! Where water falls, and what a curved kerb costs.

use serde::Deserialize;
use serde_json::json;

use headwalk_core::water::coverage::{
    self, Area, DRY_BELOW, LEFT_OUT, Layout, Profile, Sprinkler, Surface,
};
use headwalk_core::water::kerb::{self, Flowing, Ground, KerbHead, SCREW_LEAST, Setting};
use headwalk_core::water::plane::{Outline, Point};
use headwalk_core::water::units::{Degrees, Feet, Gpm, InchesPerHour, OutOfRange, SquareFeet};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Where the water of heads falls: evenness, dry ground, overspray.
///
/// In:  heads, a list of {east_ft, north_ft, facing_deg, arc_deg, radius_ft, flow_gpm}, facing the
///      middle of the arc, clockwise from north; areas, a list of {surface, corners_ft}, surface
///      turf, bed, paving or building, corners_ft a list of [east, north] around it, a later area
///      on top (left out: turf within the outline around the heads); profile, how the water falls
///      off along the radius: falling (left out: this), even, or a list of {distance_ft, rate_in_h}
///      from cans in a line; step_ft between simulated cans (left out: fine enough).
/// Out: du_lq and cu of the simulated cans on turf and beds; mean_in_h, lowest_in_h, highest_in_h;
///      planted_sqft, of it unreached_sqft and dry_sqft (below a quarter of the mean); on_hard and
///      outside, shares of the water; overspray_gpm; cans, step_ft; assumed, notes.
///
/// Source: patterns laid over one another, Christiansen (1942). Wind and obstacles are left out.
///
/// Example: headwalk reckon coverage --set heads='[
/// {"east_ft":0,"north_ft":0,"facing_deg":45,"arc_deg":90,"radius_ft":15,"flow_gpm":0.93},
/// {"east_ft":15,"north_ft":0,"facing_deg":315,"arc_deg":90,"radius_ft":15,"flow_gpm":0.93},
/// {"east_ft":0,"north_ft":15,"facing_deg":135,"arc_deg":90,"radius_ft":15,"flow_gpm":0.93}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Coverage {}

/// Inputs of [`Coverage`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoverageIn {
    heads: Vec<HeadIn>,
    areas: Option<Vec<AreaIn>>,
    profile: Option<ProfileIn>,
    step_ft: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HeadIn {
    east_ft: f64,
    north_ft: f64,
    facing_deg: f64,
    arc_deg: f64,
    radius_ft: f64,
    flow_gpm: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct AreaIn {
    surface: SurfaceIn,
    corners_ft: Vec<[f64; 2]>,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SurfaceIn {
    Turf,
    Bed,
    Paving,
    Building,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum ProfileIn {
    Word(String),
    Cans(Vec<CanIn>),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CanIn {
    distance_ft: f64,
    rate_in_h: f64,
}

impl Formula for Coverage {
    type In = CoverageIn;

    fn reckon(given: CoverageIn) -> Result<Answer, Wrong> {
        let profile = profile(given.profile)?;
        let heads: Vec<Sprinkler> = given.heads.iter().map(|head| head.with(&profile)).collect();
        let (mut assumed, mut notes) = (Vec::new(), Vec::new());
        let areas = match given.areas {
            Some(areas) => areas
                .into_iter()
                .enumerate()
                .map(AreaIn::numbered)
                .collect::<Result<Vec<Area>, Wrong>>()?,
            None => {
                assumed.push("areas");
                notes.push("the lawn ends at the outline around the heads".to_owned());
                vec![around(&heads)?]
            }
        };
        let step = given
            .step_ft
            .map_or_else(|| coverage::step_for(&heads), Feet::new);
        let layout = Layout {
            heads: &heads,
            areas: &areas,
            step,
        };
        let found = coverage::coverage(&layout)?;
        Ok(told(&found, step).assumed(assumed, notes))
    }
}

fn told(found: &coverage::Coverage, step: Feet) -> Answer {
    let rate = InchesPerHour::UNIT;
    let ground = SquareFeet::UNIT;
    Answer::default()
        .number("du_lq", "evenness, lowest quarter", found.du_lq.get(), "")
        .number("cu", "Christiansen's coefficient", found.cu.get(), "")
        .number("mean_in_h", "mean rate", found.mean.get(), rate)
        .number("lowest_in_h", "lowest rate", found.lowest.get(), rate)
        .number("highest_in_h", "highest rate", found.highest.get(), rate)
        .number(
            "planted_sqft",
            "planted ground",
            found.planted.get(),
            ground,
        )
        .number(
            "unreached_sqft",
            "reached by no head",
            found.unreached.get(),
            ground,
        )
        .number(
            "dry_sqft",
            "below a quarter of the mean",
            found.dry.get(),
            ground,
        )
        .number(
            "on_hard",
            "of the water on paving",
            found.on_hard.get(),
            "of 1",
        )
        .number(
            "outside",
            "of the water outside",
            found.outside.get(),
            "of 1",
        )
        .number(
            "overspray_gpm",
            "overspray",
            found.overspray.get(),
            Gpm::UNIT,
        )
        .count("cans", "simulated cans", found.cans as u64)
        .number("step_ft", "from can to can", step.get(), Feet::UNIT)
        .warnings(&found.warnings)
        .warnings([LEFT_OUT])
}

/// The line says a quarter.
const _: () = assert!(DRY_BELOW.get() == 0.25);

fn around(heads: &[Sprinkler]) -> Result<Area, Wrong> {
    let places: Vec<Point> = heads.iter().map(|head| head.place).collect();
    let outline = Outline::around(&places).ok_or_else(|| {
        Wrong::missing(
            "areas",
            "the heads stand in a line, so that they enclose no ground",
        )
    })?;
    Ok(Area {
        surface: Surface::Turf,
        outline,
    })
}

impl HeadIn {
    fn with(&self, profile: &Profile) -> Sprinkler {
        Sprinkler {
            place: Point::new(self.east_ft, self.north_ft),
            facing: Degrees::new(self.facing_deg),
            arc: Degrees::new(self.arc_deg),
            radius: Feet::new(self.radius_ft),
            flow: Gpm::new(self.flow_gpm),
            profile: profile.clone(),
        }
    }
}

impl AreaIn {
    fn numbered((at, area): (usize, Self)) -> Result<Area, Wrong> {
        let corners = area.corners_ft.iter();
        let corners = corners
            .map(|[east, north]| Point::new(*east, *north))
            .collect();
        let outline = Outline::new(corners).map_err(|error| {
            let message = error.to_string();
            Wrong::new(message)
                .at("corners_ft")
                .at(&format!("[{at}]"))
                .at("areas")
        })?;
        Ok(Area {
            surface: match area.surface {
                SurfaceIn::Turf => Surface::Turf,
                SurfaceIn::Bed => Surface::Bed,
                SurfaceIn::Paving => Surface::Paving,
                SurfaceIn::Building => Surface::Building,
            },
            outline,
        })
    }
}

fn profile(given: Option<ProfileIn>) -> Result<Profile, Wrong> {
    match given {
        None => Ok(Profile::falling()),
        Some(ProfileIn::Word(word)) => match word.as_str() {
            "falling" => Ok(Profile::falling()),
            "even" => Ok(Profile::even()),
            _ => Err(Wrong::new(format!("`{word}` is no profile known here"))
                .hint("it is one of: falling, even; or a list of {distance_ft, rate_in_h}.")
                .at("profile")),
        },
        Some(ProfileIn::Cans(cans)) => {
            let cans: Vec<(Feet, InchesPerHour)> = cans
                .iter()
                .map(|can| {
                    (
                        Feet::new(can.distance_ft),
                        InchesPerHour::new(can.rate_in_h),
                    )
                })
                .collect();
            let (profile, _) = Profile::measured(&cans)?;
            Ok(profile)
        }
    }
}

/// Settings of one head at a curved kerb, between overspray and dry ground.
///
/// In:  radius_ft, of the nozzle; flow_gpm, at a full circle; flow_with_arc, true for a fixed spray
///      (left out: true), false for a rotor, whose flow_gpm holds at any arc; curve, lawn-inside
///      (an island) or lawn-outside; kerb_radius_ft, or chord_ft and offset_ft, the curve's
///      distance from the middle of its chord; to_kerb_ft, from the head back to the kerb (left
///      out: 0); dry_sqft, the dry ground that you would accept.
/// Out: reach_sqft, lawn that the nozzle reaches; settings, always no-overspray, no-dry-ground and
///      asked: {name, left_deg, right_deg, arc_deg, radius_ft, dry_sqft, overspray_gpm}, left and
///      right of straight into the lawn; kerb_radius_ft.
///
/// Source: plane geometry. A person chooses; write down why.
///
/// Example: headwalk reckon kerb --set radius_ft=12 --set flow_gpm=2.4 --set curve=lawn-inside
/// --set chord_ft=30 --set offset_ft=8 --set dry_sqft=10
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Kerb {}

/// Inputs of [`Kerb`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KerbIn {
    radius_ft: f64,
    flow_gpm: f64,
    flow_with_arc: Option<bool>,
    curve: CurveIn,
    kerb_radius_ft: Option<f64>,
    chord_ft: Option<f64>,
    offset_ft: Option<f64>,
    #[serde(default)]
    to_kerb_ft: f64,
    dry_sqft: f64,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum CurveIn {
    LawnInside,
    LawnOutside,
}

impl Formula for Kerb {
    type In = KerbIn;

    fn reckon(given: KerbIn) -> Result<Answer, Wrong> {
        let curve = kerb_radius(&given)?;
        let to_kerb = headwalk_core::water::units::Allowed::Between(0.0, 200.0)
            .check("to_kerb_ft", given.to_kerb_ft)?;
        let flow = Gpm::new(given.flow_gpm);
        // The head is the origin, and straight into the lawn is north.
        let head = KerbHead {
            place: Point::new(0.0, 0.0),
            radius: Feet::new(given.radius_ft),
            flow: if given.flow_with_arc.unwrap_or(true) {
                Flowing::WithArc { full_circle: flow }
            } else {
                Flowing::Whatever { flow }
            },
            profile: Profile::falling(),
        };
        let ground = match given.curve {
            CurveIn::LawnInside => Ground::InsideCircle {
                centre: Point::new(0.0, curve.get() - to_kerb),
                radius: curve,
            },
            CurveIn::LawnOutside => Ground::OutsideCircle {
                centre: Point::new(0.0, -curve.get() - to_kerb),
                radius: curve,
            },
        };
        let found = kerb::trade(&head, &ground, SquareFeet::new(given.dry_sqft))?;
        let settings = [
            ("no-overspray", &found.no_overspray),
            ("no-dry-ground", &found.no_dry_ground),
            ("asked", &found.asked),
        ];
        let objects = settings.map(|(name, setting)| object(name, setting));
        let lines = settings.map(|(name, setting)| line(name, setting));
        let screwed = settings.iter().any(|(_, setting)| {
            setting.radius < Feet::new(given.radius_ft) * (SCREW_LEAST.get() - 1e-9)
        });
        let small = screwed.then_some(
            "a throw below three quarters of the nozzle's wants a smaller nozzle (common practice, \
             no source)",
        );
        let reach = found.reach.get();
        Ok(Answer::default()
            .number("reach_sqft", "lawn in reach", reach, SquareFeet::UNIT)
            .number(
                "kerb_radius_ft",
                "radius of the kerb",
                curve.get(),
                Feet::UNIT,
            )
            .lines("settings", "to choose from", objects.into(), lines.to_vec())
            .warnings(small)
            .warnings(["a person chooses; record the reason, so that the next crew leaves it"]))
    }
}

fn kerb_radius(given: &KerbIn) -> Result<Feet, Wrong> {
    let tape = [("chord_ft", given.chord_ft), ("offset_ft", given.offset_ft)];
    match (
        given.kerb_radius_ft,
        tape.iter().find(|(_, value)| value.is_some()),
    ) {
        (Some(_), Some((name, _))) => Err(Wrong::beside(name, "kerb_radius_ft")),
        (Some(radius), None) => Ok(Feet::new(radius)),
        (None, None) => Err(Wrong::missing(
            "kerb_radius_ft",
            "or give chord_ft and offset_ft",
        )),
        (None, Some(_)) => {
            let [chord, offset] = super::value::all(tape)?;
            let radius: Result<Feet, OutOfRange> =
                Ground::kerb_radius(Feet::new(chord), Feet::new(offset));
            Ok(radius?)
        }
    }
}

/// How far the arc reaches to the left and to the right of straight into the lawn.
fn sides(setting: &Setting) -> [f64; 2] {
    let left = (360.0 - setting.from.get()).rem_euclid(360.0);
    [left, setting.arc.get() - left]
}

fn object(name: &str, setting: &Setting) -> serde_json::Value {
    let [left, right] = sides(setting);
    json!({
        "name": name,
        "left_deg": left,
        "right_deg": right,
        "arc_deg": setting.arc.get(),
        "radius_ft": setting.radius.get(),
        "dry_sqft": setting.dry.get(),
        "overspray_gpm": setting.overspray.get(),
    })
}

fn line(name: &str, setting: &Setting) -> String {
    let [left, right] = sides(setting);
    format!(
        "{}: arc {:.0}° ({left:.0}° left to {right:.0}° right), throw {:.1}; leaves {:.0} dry, \
         throws {:.2} off the lawn",
        name.replace('-', " "),
        setting.arc.get(),
        setting.radius,
        setting.dry,
        setting.overspray,
    )
}

//! Water in pipes.

use serde::Deserialize;

use headwalk_core::site::finding::Caution;
use headwalk_core::water::hydraulics;
use headwalk_core::water::units::{
    Allowed, Feet, FeetPerSecond, Fraction, Gpm, HazenWilliams, Inches, Kilopascals, Psi, Seconds,
};

use super::Formula;
use super::answer::Answer;
use super::value::{Wrong, all};

/// Pressure lost in a straight pipe, and the speed of the water.
///
/// In:  flow_gpm, inside_diameter_in (not the nominal size), length_ft, c (Hazen-Williams:
///      new PVC 150, old steel 100).
/// Out: loss_psi, loss_ft, velocity_ft_s.
///
/// Source: Hazen-Williams, ft per 100 ft = 0.2083 (100/C)^1.852 Q^1.852 / d^4.8655.
///
/// Example: headwalk reckon friction --set flow_gpm=10 --set inside_diameter_in=1.049
/// --set length_ft=100 --set c=150
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Friction {}

/// Inputs of [`Friction`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FrictionIn {
    flow_gpm: f64,
    inside_diameter_in: f64,
    length_ft: f64,
    c: f64,
}

impl Formula for Friction {
    type In = FrictionIn;

    fn reckon(given: FrictionIn) -> Result<Answer, Wrong> {
        let friction = hydraulics::friction(
            Gpm::new(given.flow_gpm),
            Inches::new(given.inside_diameter_in),
            Feet::new(given.length_ft),
            HazenWilliams::new(given.c),
        )?;
        Ok(lost(&friction))
    }
}

fn lost(friction: &hydraulics::Friction) -> Answer {
    let speed = friction.velocity.get();
    Answer::default()
        .number("loss_psi", "pressure lost", friction.loss.get(), Psi::UNIT)
        .number("loss_ft", "as head", friction.head.get(), Feet::UNIT)
        .number(
            "velocity_ft_s",
            "speed of the water",
            speed,
            FeetPerSecond::UNIT,
        )
        .warnings(&friction.warnings)
}

/// Pressure lost along a lateral with equal heads at equal distances.
///
/// In:  flow_gpm (one head's), outlets (how many heads), spacing_ft (between them, and from the
///      valve to the first), inside_diameter_in, c.
/// Out: loss_psi and loss_ft to the last head, velocity_ft_s in the first length; factor, the loss
///      as a share of a pipe that carries all of the flow to its end.
///
/// Sources: Hazen-Williams, segment by segment; factor of Christiansen (1942).
///
/// Example: headwalk reckon lateral --set flow_gpm=3 --set outlets=6 --set spacing_ft=30
/// --set inside_diameter_in=1.189 --set c=150
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Lateral {}

/// Inputs of [`Lateral`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LateralIn {
    flow_gpm: f64,
    outlets: u32,
    spacing_ft: f64,
    inside_diameter_in: f64,
    c: f64,
}

impl Formula for Lateral {
    type In = LateralIn;

    fn reckon(given: LateralIn) -> Result<Answer, Wrong> {
        Allowed::ZeroOrMore.check("spacing_ft", given.spacing_ft)?;
        let friction = hydraulics::lateral(
            Gpm::new(given.flow_gpm),
            given.outlets,
            Feet::new(given.spacing_ft),
            Inches::new(given.inside_diameter_in),
            HazenWilliams::new(given.c),
        )?;
        let factor = hydraulics::christiansen(given.outlets)?;
        Ok(lost(&friction).number("factor", "Christiansen's factor", factor.get(), "of 1"))
    }
}

/// Flow of a fixed nozzle at another pressure.
///
/// In:  flow_gpm at at_psi; to_psi, the other pressure.
/// Out: flow_gpm at to_psi; ratio, by which a precipitation rate changes, too.
///
/// Source: orifice equation, q2 = q1 sqrt(p2 / p1); within the nozzle's working range and without
/// a pressure regulator.
///
/// Example: headwalk reckon flow-at-pressure --set flow_gpm=3.7 --set at_psi=30 --set to_psi=60
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct FlowAtPressure {}

/// Inputs of [`FlowAtPressure`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlowAtPressureIn {
    flow_gpm: f64,
    at_psi: f64,
    to_psi: f64,
}

impl Formula for FlowAtPressure {
    type In = FlowAtPressureIn;

    fn reckon(given: FlowAtPressureIn) -> Result<Answer, Wrong> {
        let (at, to) = (Psi::new(given.at_psi), Psi::new(given.to_psi));
        let flow = hydraulics::flow_at_pressure(Gpm::new(given.flow_gpm), at, to)?;
        let ratio = hydraulics::pressure_ratio(at, to)?;
        Ok(Answer::default()
            .number("flow_gpm", "flow", flow.get(), Gpm::UNIT)
            .number("ratio", "of the flow before", ratio.get(), "of 1"))
    }
}

/// Pressure left at a head.
///
/// In:  static_psi at the point of connection; rise_ft to the head, negative downhill; losses_psi
///      of meter, backflow assembly, valve and pipe (left out: none); regulator_psi, the setting of
///      a pressure regulator behind them (left out: there is none).
/// Out: head_psi; elevation_psi, what the rise takes.
///
/// Source: water weighs 62.4 lb/ft³, so 0.433 psi a foot.
///
/// Example: headwalk reckon pressure --set static_psi=70 --set rise_ft=12
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Pressure {}

/// Inputs of [`Pressure`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PressureIn {
    static_psi: f64,
    rise_ft: f64,
    #[serde(default)]
    losses_psi: f64,
    regulator_psi: Option<f64>,
}

impl Formula for Pressure {
    type In = PressureIn;

    fn reckon(given: PressureIn) -> Result<Answer, Wrong> {
        let psi = Allowed::Between(0.0, 1_000.0);
        let fixed = Psi::new(psi.check("static_psi", given.static_psi)?);
        let losses = Psi::new(psi.check("losses_psi", given.losses_psi)?);
        let feet = Allowed::Between(-2_000.0, 2_000.0);
        let rise = Feet::new(feet.check("rise_ft", given.rise_ft)?);
        let inlet = hydraulics::pressure_at_head(fixed, rise, losses);
        let at_head = match given.regulator_psi {
            None => inlet,
            Some(setting) => {
                let setting = Psi::new(psi.check("regulator_psi", setting)?);
                hydraulics::regulated(inlet, setting, Psi::ZERO)
            }
        };
        let taken = hydraulics::head_to_pressure(rise);
        let dry = (at_head < Psi::ZERO).then_some("below 0 psi: no water gets there");
        Ok(Answer::default()
            .number("head_psi", "pressure at the head", at_head.get(), Psi::UNIT)
            .number("elevation_psi", "the rise takes", taken.get(), Psi::UNIT)
            .warnings(dry)
            .caution(Caution::PressurisedPipe.sentence()))
    }
}

/// Surge when a valve stops the water in a pipe at once.
///
/// In:  velocity_ft_s; length_ft, of pipe up to the valve; and of PVC pipe dimension_ratio, outside
///      diameter over wall (class 200: 21), or of any pipe inside_diameter_in, wall_in and
///      modulus_kpa, its modulus of elasticity (PVC 2.76e6); closing_seconds, that the valve takes
///      to shut (left out: at once).
/// Out: rise_psi, on top of the pressure there was; wave_ft_s; critical_seconds: a valve that takes
///      longer to shut gives less; with closing_seconds closing_rise_psi, what it then gives.
///
/// Source: Joukowsky; with dimension_ratio the wave speed of a PVC handbook, from memory; Michaud
/// for a valve that takes its time, from memory.
///
/// Example: headwalk reckon surge --set velocity_ft_s=5 --set dimension_ratio=21
/// --set length_ft=300
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Surge {}

/// Inputs of [`Surge`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurgeIn {
    velocity_ft_s: f64,
    length_ft: f64,
    dimension_ratio: Option<f64>,
    inside_diameter_in: Option<f64>,
    wall_in: Option<f64>,
    modulus_kpa: Option<f64>,
    closing_seconds: Option<f64>,
}

impl Formula for Surge {
    type In = SurgeIn;

    fn reckon(given: SurgeIn) -> Result<Answer, Wrong> {
        let (velocity, length) = (
            FeetPerSecond::new(given.velocity_ft_s),
            Feet::new(given.length_ft),
        );
        let wall = [
            ("inside_diameter_in", given.inside_diameter_in),
            ("wall_in", given.wall_in),
            ("modulus_kpa", given.modulus_kpa),
        ];
        let any = wall.iter().find(|(_, value)| value.is_some());
        let (surge, from_memory) = match (given.dimension_ratio, any) {
            (Some(_), Some((name, _))) => return Err(Wrong::beside(name, "dimension_ratio")),
            (Some(ratio), None) => {
                let surge = hydraulics::surge(velocity, Fraction::new(ratio), length)?;
                let words =
                    "the wave speed's constants are from memory: confirm them before design";
                (surge, Some(words))
            }
            (None, None) => {
                let why = "or give inside_diameter_in, wall_in and modulus_kpa";
                return Err(Wrong::missing("dimension_ratio", why));
            }
            (None, Some(_)) => {
                let [inside, wall, modulus] = all(wall)?;
                let (inside, wall) = (Inches::new(inside), Inches::new(wall));
                let modulus = Kilopascals::new(modulus);
                let surge = hydraulics::surge_in_wall(velocity, inside, wall, modulus, length)?;
                (surge, None)
            }
        };
        let time = surge.critical_time.get();
        let answer = Answer::default()
            .number("rise_psi", "pressure rises by", surge.rise.get(), Psi::UNIT)
            .number(
                "wave_ft_s",
                "speed of the wave",
                surge.wave.get(),
                FeetPerSecond::UNIT,
            )
            .number(
                "critical_seconds",
                "if shut faster than",
                time,
                Seconds::UNIT,
            )
            .warnings(from_memory)
            .caution(Caution::PressurisedPipe.sentence());
        let Some(closing) = given.closing_seconds else {
            return Ok(answer);
        };
        let rise = surge.rise_when_closing_in(Seconds::new(closing))?;
        Ok(answer.number(
            "closing_rise_psi",
            "shut in that time",
            rise.get(),
            Psi::UNIT,
        ))
    }
}

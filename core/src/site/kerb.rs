//! The choice at a curved kerb, for a head of the log: what its setting does now, the two ends, and
//! the cheapest setting for a dry edge that one would accept. A person chooses, and the reason goes
//! into the head's `compromise`, so that the next crew leaves it.

use super::fields;
use super::things::{Head, Missing, Parts};
use super::words::Emission;
use crate::log::value::Value;
use crate::water::coverage::Profile;
use crate::water::kerb::{Flowing, Ground, KerbHead, Setting, Trade, as_set, trade};
use crate::water::plane::Point;
use crate::water::units::{Degrees, Feet, SquareFeet};

/// A head's choice.
#[derive(Debug, Clone, PartialEq)]
pub struct KerbChoice {
    /// The head, as the origin of a sketch of its own, with straight into the lawn as north.
    pub head: KerbHead,
    /// The lawn and its curve.
    pub ground: Ground,
    /// Radius of the kerb's curve.
    pub kerb_radius: Feet,
    /// What the head's setting does now.
    pub now: Setting,
    /// The ends, the setting asked for, and what is between.
    pub trade: Trade,
    /// Why it stays as it is, if somebody wrote that down.
    pub reason: Option<String>,
}

/// Dry ground that is accepted unless somebody says otherwise: our choice.
pub const DRY_MOST: SquareFeet = SquareFeet::new(5.0);

impl KerbChoice {
    /// Works out the choice for a head whose kerb was measured; the head is taken to face straight
    /// into the lawn, as a head on a kerb does.
    ///
    /// # Errors
    /// A sentence that says what is missing and what to record.
    pub fn of(head: &Head<'_>, dry_most: SquareFeet) -> Result<Self, String> {
        let name = head.address();
        let kerb = head.raw(&fields::head::KERB).and_then(Kerb::read);
        let kerb = kerb.ok_or_else(|| {
            format!(
                "the kerb at {name} is not measured; note its chord and offset, as in \
                 `kerb \"chord=18 ft; offset=4 ft; lawn=inside\"`"
            )
        })?;
        let lacks = |what: &str, missing: Missing| format!("{name}: its {what} is {missing}");
        let arc = head.arc().map_err(|missing| lacks("arc", missing))?.value;
        let radius = head
            .radius()
            .map_err(|missing| lacks("radius", missing))?
            .value;
        let flow = head.flow().map_err(|missing| lacks("flow", missing))?.value;
        let sprays = head
            .head_kind()
            .is_ok_and(|kind| kind.value == Emission::FixedSpray);
        let kerb_head = KerbHead {
            place: Point::new(0.0, 0.0),
            radius,
            flow: if sprays {
                Flowing::WithArc {
                    full_circle: flow * (360.0 / arc.get()),
                }
            } else {
                Flowing::Whatever { flow }
            },
            profile: Profile::falling(),
        };
        let sense = |error: crate::water::units::OutOfRange| format!("{name}: {error}");
        let kerb_radius = Ground::kerb_radius(kerb.chord, kerb.offset).map_err(sense)?;
        let ground = kerb.ground(kerb_radius);
        let from = Degrees::new((-arc.get() / 2.0).rem_euclid(360.0));
        let now = as_set(&kerb_head, &ground, from, arc, radius).map_err(sense)?;
        Ok(Self {
            trade: trade(&kerb_head, &ground, dry_most).map_err(sense)?,
            head: kerb_head,
            ground,
            kerb_radius,
            now,
            reason: head
                .words(&fields::head::COMPROMISE)
                .ok()
                .map(|it| it.value),
        })
    }

    /// Returns what there is to choose from, each with its words.
    #[must_use]
    pub fn choices(&self) -> [(&'static str, &Setting); 4] {
        [
            ("as it is set", &self.now),
            ("no overspray", &self.trade.no_overspray),
            ("no dry ground", &self.trade.no_dry_ground),
            ("in between", &self.trade.asked),
        ]
    }
}

/// How far an arc reaches to the left and to the right of straight into the lawn.
#[must_use]
pub fn sides(setting: &Setting) -> [Degrees; 2] {
    let left = Degrees::new((360.0 - setting.from.get()).rem_euclid(360.0));
    [left, setting.arc - left]
}

struct Kerb {
    chord: Feet,
    offset: Feet,
    lawn_inside: bool,
    to_kerb: Feet,
}

impl Kerb {
    fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&fields::head::KERB, value);
        Some(Self {
            chord: parts.measure("chord")?,
            offset: parts.measure("offset")?,
            lawn_inside: parts.words("lawn")? == "inside",
            to_kerb: parts.measure("to-kerb").unwrap_or(Feet::ZERO),
        })
    }

    fn ground(&self, radius: Feet) -> Ground {
        let at = |north: Feet| Point {
            east: Feet::ZERO,
            north,
        };
        if self.lawn_inside {
            let centre = at(radius - self.to_kerb);
            Ground::InsideCircle { centre, radius }
        } else {
            let centre = at(radius * -1.0 - self.to_kerb);
            Ground::OutsideCircle { centre, radius }
        }
    }
}

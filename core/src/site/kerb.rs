//! The choice at a curved kerb, for a head of the log: what its setting does now, the two ends, and
//! the cheapest setting for a dry edge that one would accept. A person chooses, and the reason goes
//! into the head's `compromise`, so that the next crew leaves it.

use std::fmt;

use super::fields;
use super::things::{Head, Missing, Parts};
use super::words::Emission;
use crate::log::value::Value;
use crate::water::coverage::Profile;
use crate::water::kerb::{Flowing, Ground, KerbHead, Setting, Trade, as_set, trade};
use crate::water::plane::Point;
use crate::water::units::{Degrees, Feet, OutOfRange, SquareFeet};

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
    /// [`NoChoice`], which says what is missing and what to record.
    pub fn of(head: &Head<'_>, dry_most: SquareFeet) -> Result<Self, NoChoice> {
        let no = |why| NoChoice {
            head: head.address(),
            why,
        };
        let kerb = head.raw(&fields::head::KERB).and_then(Tape::read);
        let kerb = kerb.ok_or_else(|| no(WhyNot::NotMeasured))?;
        let lacks = |of, missing| no(WhyNot::Lacks { of, missing });
        let arc = head.arc().map_err(|why| lacks(Setup::Arc, why))?.value;
        let radius = head.radius().map_err(|why| lacks(Setup::Radius, why))?;
        let radius = radius.value;
        let flow = head.flow().map_err(|why| lacks(Setup::Flow, why))?.value;
        let sprays = head
            .head_kind()
            .is_ok_and(|kind| kind.value == Emission::FixedSpray);
        let kerb_head = KerbHead {
            place: Point::new(0.0, 0.0),
            radius: kerb.throw.filter(|open| *open > radius).unwrap_or(radius),
            flow: if sprays {
                Flowing::WithArc {
                    full_circle: flow * (360.0 / arc.get()),
                }
            } else {
                Flowing::Whatever { flow }
            },
            profile: Profile::falling(),
        };
        let sense = |error: OutOfRange| no(WhyNot::OutOfSense(error));
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
    pub fn choices(&self) -> [(Offer, &Setting); 4] {
        [
            (Offer::AsSet, &self.now),
            (Offer::NoOverspray, &self.trade.no_overspray),
            (Offer::NoDryGround, &self.trade.no_dry_ground),
            (Offer::InBetween, &self.trade.asked),
        ]
    }
}

/// One of the settings that there are to choose from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Offer {
    /// How it stands.
    AsSet,
    /// The end that wastes nothing.
    NoOverspray,
    /// The end that leaves nothing dry.
    NoDryGround,
    /// The one that wastes least for the dry edge that one would accept.
    InBetween,
}

impl Offer {
    /// Returns what it is called.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::AsSet => "as it is set",
            Self::NoOverspray => "no overspray",
            Self::NoDryGround => "no dry ground",
            Self::InBetween => "in between",
        }
    }
}

/// Why there is no choice to work out.
#[derive(Debug, Clone, PartialEq)]
pub struct NoChoice {
    /// The head's name.
    pub head: String,
    /// Why.
    pub why: WhyNot,
}

/// What stands in the way of a choice at a kerb.
#[derive(Debug, Clone, PartialEq)]
pub enum WhyNot {
    /// Nobody measured the kerb.
    NotMeasured,
    /// How the head is set is not known.
    Lacks {
        /// What of it.
        of: Setup,
        /// Why.
        missing: Missing,
    },
    /// What was measured cannot be.
    OutOfSense(OutOfRange),
}

/// What has to be known of a head to weigh its settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setup {
    /// How wide it waters.
    Arc,
    /// How far.
    Radius,
    /// How much.
    Flow,
}

impl Setup {
    /// Returns the name of the field.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Arc => fields::head::ARC.name,
            Self::Radius => fields::head::RADIUS.name,
            Self::Flow => fields::head::FLOW.name,
        }
    }
}

impl fmt::Display for NoChoice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = &self.head;
        match &self.why {
            WhyNot::NotMeasured => write!(
                f,
                "the kerb at {name} is not measured; note its chord and offset, as in \
                 `kerb \"chord=18 ft; offset=4 ft; lawn=inside\"`"
            ),
            WhyNot::Lacks { of, missing } => write!(f, "{name}: its {} is {missing}", of.name()),
            WhyNot::OutOfSense(error) => write!(f, "{name}: {error}"),
        }
    }
}

/// How far an arc reaches to the left and to the right of straight into the lawn.
#[must_use]
pub fn sides(setting: &Setting) -> [Degrees; 2] {
    let left = Degrees::new((360.0 - setting.from.get()).rem_euclid(360.0));
    [left, setting.arc - left]
}

/// A kerb as a tape measures it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tape {
    /// Between two points of the curve.
    pub chord: Feet,
    /// How far the curve stands off the chord's middle.
    pub offset: Feet,
    /// Whether the lawn is within the curve.
    pub lawn_inside: bool,
    /// How far the head stands from the kerb.
    pub to_kerb: Feet,
    /// How far the nozzle throws with its screw open, where it is screwed down.
    pub throw: Option<Feet>,
}

impl Tape {
    /// Reads the value of the field `kerb`.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&fields::head::KERB, value);
        Some(Self {
            chord: parts.measure("chord")?,
            offset: parts.measure("offset")?,
            lawn_inside: parts.words("lawn")? == "inside",
            to_kerb: parts.measure("to-kerb").unwrap_or(Feet::ZERO),
            throw: parts.measure("throw"),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::kind::ThingKind;
    use crate::site::things::Site;
    use crate::site::things::tests::Scene;

    fn choice_of(said: &[(&str, &str)]) -> Result<KerbChoice, NoChoice> {
        let mut scene = Scene::new();
        let root = scene.root();
        scene.add(2, ThingKind::Zone, root, &[("number", "4")]);
        scene.add(3, ThingKind::Head, Scene::id(2), said);
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        let head = Head::of(&site, site.thing(Scene::id(3)).unwrap()).unwrap();
        KerbChoice::of(&head, DRY_MOST)
    }

    const SPRAY: [(&str, &str); 4] = [
        ("label", "4-03"),
        ("head-kind", "spray"),
        ("arc", "180"),
        ("flow", "1.2 gpm"),
    ];

    #[test]
    fn a_throw_that_is_screwed_down_leaves_the_nozzles_reach_as_it_was() {
        let kerb = "chord=18 ft; offset=4 ft; lawn=inside";
        let open = [("radius", "12 ft"), ("kerb", kerb)];
        let open = choice_of(&[&SPRAY[..], &open].concat()).unwrap();
        let down = format!("{kerb}; throw=12 ft");
        let down = [("radius", "9 ft"), ("kerb", down.as_str())];
        let down = choice_of(&[&SPRAY[..], &down].concat()).unwrap();
        assert_eq!(open.trade, down.trade);
        assert_eq!(down.now.radius, Feet::new(9.0));
        assert!(down.now.dry > open.now.dry && down.now.overspray < open.now.overspray);
    }

    #[test]
    fn what_stands_in_the_way_of_a_choice_is_said_by_type() {
        let none = choice_of(&SPRAY).unwrap_err();
        assert_eq!(none.why, WhyNot::NotMeasured);
        assert!(none.to_string().contains("note its chord and offset"));
        let kerb = [("kerb", "chord=18 ft; offset=4 ft; lawn=inside")];
        let none = choice_of(&[&SPRAY[..], &kerb].concat()).unwrap_err();
        let (of, missing) = (Setup::Radius, Missing::NotRecorded);
        assert_eq!(none.why, WhyNot::Lacks { of, missing });
        assert_eq!(none.to_string(), "head-4-03: its radius is not recorded");
    }
}

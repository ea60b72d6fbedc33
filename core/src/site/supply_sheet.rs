//! A zone's pressure from the street to its last head, out of what the log knows of pipe and
//! losses: what is left at the worst head, what took the rest, and how that stands to the gauge.
//!
//! Heads are taken in the order of the walk, one after another on one lateral; what a log does not
//! know is named with what to record, and no length is guessed.

use super::fields::{self, FieldDef};
use super::map::LeftOut;
use super::things::{Site, Thing, Zone};
use super::words::Emission;
use crate::site::measure::Measure;
use crate::water::network::{
    Finding, Link, Network, Node, Outlet, Solved, Taken, findings, solve, taken,
};
use crate::water::pipe::{Material, NominalSize, PipeClass, inside_diameter, roughness};
use crate::water::units::{Feet, Gpm, Inches, OutOfRange, Psi};

/// A zone's pressure.
#[derive(Debug, Clone, PartialEq)]
pub struct ZonePressure {
    /// The pipes as they were taken.
    pub network: Network,
    /// Pressures and flows.
    pub found: Solved,
    /// What each node is called, in the order of the network.
    pub names: Vec<String>,
    /// What a head of this kind needs: common practice, no source.
    pub need: Psi,
    /// The worst head, and what took its pressure.
    pub worst: (usize, Taken),
    /// What to look at.
    pub findings: Vec<Finding>,
    /// What the gauge showed while the zone ran, against what is computed at the worst head.
    pub measured: Option<Measured>,
    /// What was taken as usual, for want of a record.
    pub assumed: Vec<String>,
}

/// A gauge beside a computed pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// What the gauge showed.
    pub gauge: Psi,
    /// What is computed for the worst head.
    pub computed: Psi,
}

/// A gauge this far from what is computed is worth a look: our choice.
const APART: Psi = Psi::new(6.0);

impl Measured {
    /// Returns what the difference most likely means; none where they agree.
    #[must_use]
    pub fn means(&self) -> Option<&'static str> {
        if self.computed - self.gauge > APART {
            Some(
                "the gauge shows less than pipe and losses explain: a valve or shut-off part \
                 closed, a clogged filter, a break, or two zones at once",
            )
        } else if self.gauge - self.computed > APART {
            Some(
                "the gauge shows more than pipe and losses explain: a length or a loss in the \
                 record is too large, or nozzles are clogged",
            )
        } else {
            None
        }
    }
}

impl ZonePressure {
    /// Works out a zone's pressure.
    ///
    /// # Errors
    /// What is missing, each with what to record.
    pub fn of(site: &Site<'_>, zone: &Zone<'_>) -> Result<Self, Vec<LeftOut>> {
        let mut missing = Vec::new();
        let supply = site.supply();
        let known = Known::of(zone, supply.as_deref().copied(), &mut missing);
        let heads: Vec<(String, Gpm, bool)> = zone
            .heads()
            .iter()
            .filter_map(|head| match head.flow() {
                Ok(flow) => {
                    let regulated = head.yes(&fields::head::REGULATED);
                    Some((
                        head.address(),
                        flow.value,
                        regulated.is_ok_and(|it| it.value),
                    ))
                }
                Err(why) => {
                    missing.push(lacks(head.address(), "flow", &why.to_string()));
                    None
                }
            })
            .collect();
        if heads.is_empty() && missing.is_empty() {
            let why = "it has no heads; add them".to_owned();
            let name = zone.address();
            missing.push(LeftOut { name, why });
        }
        let (Some(known), true) = (known, missing.is_empty()) else {
            return Err(missing);
        };
        known.solved(zone, &heads).map_err(|error| {
            let name = zone.address();
            let why = error.to_string();
            vec![LeftOut { name, why }]
        })
    }
}

fn lacks(name: String, what: &str, why: &str) -> LeftOut {
    let why = format!("its {what} is {why}; note it");
    LeftOut { name, why }
}

/// What the log knows of the way to a zone.
struct Known {
    static_pressure: Psi,
    /// Loss of meter and backflow assembly, at a flow; none where nobody wrote any.
    losses: Option<(Psi, Gpm)>,
    main: (Inches, Feet),
    lateral: (Inches, Feet),
    spacing: Feet,
    rise: Feet,
    valve_loss: Option<Psi>,
    assumed: Vec<String>,
}

impl Known {
    fn of(zone: &Zone<'_>, supply: Option<Thing<'_>>, missing: &mut Vec<LeftOut>) -> Option<Self> {
        let name = zone.address();
        let Some(supply) = supply else {
            let why = "the site has no supply; add it with its static pressure".to_owned();
            missing.push(LeftOut { name, why });
            return None;
        };
        let mut assumed = Vec::new();
        let static_pressure = needed(supply, "supply", &fields::supply::STATIC_PRESSURE, missing);
        let main_length = needed(**zone, &name, &fields::zone::MAIN_LENGTH, missing);
        let lateral_length = needed(**zone, &name, &fields::zone::LATERAL_LENGTH, missing);
        let spacing = needed(**zone, &name, &fields::zone::SPACING, missing);
        let main_size = needed::<Inches>(supply, "supply", &fields::supply::MAINLINE_SIZE, missing);
        let lateral_size = zone.words(&fields::zone::LATERAL_SIZE);
        if let Err(why) = &lateral_size {
            missing.push(lacks(name.clone(), "lateral-size", &why.to_string()));
        }
        let main_size = main_size.and_then(NominalSize::of_inches);
        let lateral_size = lateral_size
            .ok()
            .and_then(|it| NominalSize::of_words(&it.value));
        let main_class = class(
            supply,
            &fields::supply::MAINLINE_CLASS,
            "main line",
            &mut assumed,
        );
        let lateral_class = class(**zone, &fields::zone::LATERAL, "lateral", &mut assumed);
        let inside = |class, size: Option<NominalSize>| inside_diameter(class, size?);
        let rise = zone.measure::<Feet>(&fields::zone::RISE).ok();
        if rise.is_none() {
            assumed.push("the zone lies level with the supply".to_owned());
        }
        let valve_loss = zone.measure::<Psi>(&fields::zone::VALVE_LOSS).ok();
        if valve_loss.is_none() {
            assumed.push("the valve takes nothing".to_owned());
        }
        let losses = losses(supply);
        if losses.is_none() {
            assumed.push("meter and backflow assembly take nothing".to_owned());
        }
        Some(Self {
            static_pressure: static_pressure?,
            losses,
            main: (inside(main_class, main_size)?, main_length?),
            lateral: (inside(lateral_class, lateral_size)?, lateral_length?),
            spacing: spacing?,
            rise: rise.map_or(Feet::ZERO, |rise| rise.value),
            valve_loss: valve_loss.map(|loss| loss.value),
            assumed,
        })
    }

    fn solved(
        self,
        zone: &Zone<'_>,
        heads: &[(String, Gpm, bool)],
    ) -> Result<ZonePressure, OutOfRange> {
        let plastic = roughness(Material::Pvc);
        let total: Gpm = heads.iter().map(|(_, flow, _)| *flow).sum();
        let need = need(zone);
        let rise = self.rise;
        let mut nodes = Vec::new();
        let mut links = Vec::new();
        let mut names = Vec::new();
        let mut put = |name: &str,
                       rise: Feet,
                       outlet: Outlet,
                       link: &dyn Fn(Option<usize>, usize) -> Link| {
            let at = nodes.len();
            links.push(link(at.checked_sub(1), at));
            nodes.push(Node { rise, outlet });
            names.push(name.to_owned());
        };
        if let Some((loss, at)) = self.losses {
            put(
                "backflow assembly",
                Feet::ZERO,
                Outlet::Shut,
                &|from, to| Link::fitting(from, to, loss, at),
            );
        }
        put("main line", Feet::ZERO, Outlet::Shut, &|from, to| {
            Link::pipe(from, to, self.main.0, self.main.1, plastic)
        });
        if let Some(loss) = self.valve_loss {
            put("valve", Feet::ZERO, Outlet::Shut, &|from, to| {
                Link::fitting(from, to, loss, total)
            });
        }
        for (nth, (name, flow, regulated)) in heads.iter().enumerate() {
            let outlet = Outlet::Nozzle {
                flow: *flow,
                at: need,
                regulated: regulated.then_some(need),
            };
            let length = if nth == 0 {
                self.lateral.1
            } else {
                self.spacing
            };
            put(name, rise, outlet, &|from, to| {
                Link::pipe(from, to, self.lateral.0, length, plastic)
            });
        }
        let network = Network {
            static_pressure: self.static_pressure,
            nodes,
            links,
        };
        let found = solve(&network)?;
        let worst = found.worst(&network).unwrap_or_default();
        let computed = found.nodes.get(worst).map_or(Psi::ZERO, |at| at.pressure);
        let gauge = zone.measure::<Psi>(&fields::zone::PRESSURE).ok();
        Ok(ZonePressure {
            worst: (worst, taken(&network, &found, worst)),
            findings: findings(&network, &found, Some(need)),
            measured: gauge.map(|gauge| Measured {
                gauge: gauge.value,
                computed,
            }),
            assumed: self.assumed,
            network,
            found,
            names,
            need,
        })
    }
}

/// Sprays want about 30 psi, rotors about 45: common practice, no source.
fn need(zone: &Zone<'_>) -> Psi {
    let kind = zone.emission().ok().map(|kind| kind.value);
    Psi::new(match kind {
        Some(Emission::GearRotor | Emission::Impact) => 45.0,
        Some(Emission::RotaryStream) => 40.0,
        Some(Emission::Drip) => 20.0,
        Some(Emission::FixedSpray | Emission::Bubbler | Emission::Mixed) | None => 30.0,
    })
}

fn needed<T: Measure>(
    thing: Thing<'_>,
    name: &str,
    field: &FieldDef,
    missing: &mut Vec<LeftOut>,
) -> Option<T> {
    match thing.measure::<T>(field) {
        Ok(fact) => Some(fact.value),
        Err(why) => {
            missing.push(lacks(name.to_owned(), field.name, &why.to_string()));
            None
        }
    }
}

fn class(thing: Thing<'_>, field: &FieldDef, what: &str, assumed: &mut Vec<String>) -> PipeClass {
    match thing.words(field).ok().as_ref().map(|it| it.value.as_str()) {
        Some("schedule-40") => PipeClass::Schedule40,
        Some(_) => PipeClass::Class200,
        None => {
            assumed.push(format!("the {what} is class 200 PVC"));
            PipeClass::Class200
        }
    }
}

fn losses(supply: Thing<'_>) -> Option<(Psi, Gpm)> {
    let at = supply
        .measure::<Gpm>(&fields::supply::LOSS_FLOW)
        .ok()?
        .value;
    let loss = |field| {
        supply
            .measure::<Psi>(field)
            .map_or(Psi::ZERO, |it| it.value)
    };
    let both = loss(&fields::supply::METER_LOSS) + loss(&fields::supply::BACKFLOW_LOSS);
    (both > Psi::ZERO).then_some((both, at))
}

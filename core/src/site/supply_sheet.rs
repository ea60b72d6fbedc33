//! A zone's pressure from the street to its last head, out of what the log knows of pipe and
//! losses: what is left at the worst head, what took the rest, and how that stands to the gauge.
//!
//! Heads are taken in the order of the walk, one after another on one lateral; what a log does not
//! know is named with what to record, and no length is guessed.

mod lacks;

pub use lacks::{Assumed, Gauge, Lack, Lacking, Place};

use super::fields::{self, FieldDef};
use super::things::{Missing, Site, Thing, Zone};
use super::words::Emission;
use crate::log::id::ThingId;
use crate::site::measure::Measure;
use crate::water::network::{
    Finding, Link, Network, Node, Outlet, Solved, Taken, findings, mended, solve, taken,
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
    /// What each node is, in the order of the network.
    pub places: Vec<Place>,
    /// What a head of this kind needs: common practice, no source.
    pub need: Psi,
    /// The worst head, and what took its pressure.
    pub worst: (usize, Taken),
    /// What to look at.
    pub findings: Vec<Finding>,
    /// What the gauge showed while the zone ran, against what is computed at the worst head.
    pub measured: Option<Measured>,
    /// What was taken as usual, for want of a record.
    pub assumed: Vec<Assumed>,
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
    pub fn means(&self) -> Option<Gauge> {
        if self.computed - self.gauge > APART {
            Some(Gauge::ShowsLess)
        } else if self.gauge - self.computed > APART {
            Some(Gauge::ShowsMore)
        } else {
            None
        }
    }
}

/// What a zone's worst head gains when a leak ahead of the zone's valve is mended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// What the leak lets out while the zone runs.
    pub lost: Gpm,
    /// Pressure at the worst head with the leak.
    pub before: Psi,
    /// The same when it is mended.
    pub after: Psi,
}

impl ZonePressure {
    /// Works out a zone's pressure.
    ///
    /// # Errors
    /// What is missing, each with what to record.
    pub fn of(site: &Site<'_>, zone: &Zone<'_>) -> Result<Self, Vec<Lacking>> {
        let mut missing = Vec::new();
        let supply = site.supply();
        let known = Known::of(zone, supply.as_deref().copied(), &mut missing);
        let mut heads = Vec::new();
        for head in zone.heads() {
            match head.flow() {
                Ok(flow) => heads.push(Nozzle {
                    place: Place::Head(head.id, head.address()),
                    flow: flow.value,
                    regulated: head.yes(&fields::head::REGULATED).is_ok_and(|it| it.value),
                }),
                Err(why) => {
                    let field = &fields::head::FLOW;
                    missing.push(lacks(head.id, head.address(), field, why));
                }
            }
        }
        let of_zone = |lack| {
            vec![Lacking {
                thing: zone.id,
                name: zone.address(),
                lack,
            }]
        };
        if heads.is_empty() && missing.is_empty() {
            missing = of_zone(Lack::NoHeads);
        }
        let (Some(known), true) = (known, missing.is_empty()) else {
            return Err(missing);
        };
        known
            .solved(zone, &heads)
            .map_err(|error| of_zone(Lack::OutOfSense(error)))
    }

    /// Returns what the worst head gains when a leak of the main line, or a valve on it that weeps,
    /// is mended. `leak` is what the meter shows with everything off; while the zone runs it lets
    /// out less, with the square root of the pressure.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `flow_gpm` unless the leak is above zero, and those of [`solve`].
    pub fn gain(&self, leak: Gpm) -> Result<Gain, OutOfRange> {
        let main = self.places.iter().position(|it| *it == Place::MainLine);
        let main = main.expect("every sheet has a main line");
        let mut leaking = self.network.clone();
        if let Some(node) = leaking.nodes.get_mut(main) {
            node.outlet = Outlet::Nozzle {
                flow: leak,
                at: self.network.static_pressure,
                regulated: None,
            };
        }
        let got = mended(&leaking, main)?;
        let (worst, _) = self.worst;
        let after = got.after.nodes.get(worst);
        let after = after.map_or(Psi::ZERO, |at| at.pressure);
        let rise = got.rises.get(worst).copied().unwrap_or(Psi::ZERO);
        Ok(Gain {
            lost: got.lost,
            before: after - rise,
            after,
        })
    }
}

fn lacks(thing: ThingId, name: String, field: &'static FieldDef, why: Missing) -> Lacking {
    Lacking {
        thing,
        name,
        lack: Lack::Field { field, why },
    }
}

/// A head as the sheet takes it.
struct Nozzle {
    place: Place,
    flow: Gpm,
    regulated: bool,
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
    assumed: Vec<Assumed>,
}

impl Known {
    fn of(zone: &Zone<'_>, supply: Option<Thing<'_>>, missing: &mut Vec<Lacking>) -> Option<Self> {
        use fields::supply as street;
        let name = zone.address();
        let Some(supply) = supply else {
            missing.push(Lacking {
                thing: zone.id,
                name,
                lack: Lack::NoSupply,
            });
            return None;
        };
        let mut assumed = Vec::new();
        let static_pressure = needed(supply, "supply", &street::STATIC_PRESSURE, missing);
        let main_length = needed(**zone, &name, &fields::zone::MAIN_LENGTH, missing);
        let lateral_length = needed(**zone, &name, &fields::zone::LATERAL_LENGTH, missing);
        let spacing = needed(**zone, &name, &fields::zone::SPACING, missing);
        let main_size = needed::<Inches>(supply, "supply", &street::MAINLINE_SIZE, missing);
        let field = &fields::zone::LATERAL_SIZE;
        let lateral_size = zone.words(field);
        let lateral_size = lateral_size.map_err(|why| {
            missing.push(lacks(zone.id, name.clone(), field, why));
        });
        let main_class = class(supply, &street::MAINLINE_CLASS);
        if main_class.is_none() {
            assumed.push(Assumed::MainLineIsClass200);
        }
        let lateral_class = class(**zone, &fields::zone::LATERAL);
        if lateral_class.is_none() {
            assumed.push(Assumed::LateralIsClass200);
        }
        let main = main_size.and_then(|size| {
            let inside = inside(main_class, NominalSize::of_inches(size));
            inside.or_else(|| {
                missing.push(Lacking {
                    thing: supply.id,
                    name: "supply".to_owned(),
                    lack: Lack::NoSuchPipe(&street::MAINLINE_SIZE),
                });
                None
            })
        });
        let lateral = lateral_size.ok().and_then(|size| {
            let inside = inside(lateral_class, NominalSize::of_words(&size.value));
            inside.or_else(|| {
                missing.push(Lacking {
                    thing: zone.id,
                    name: name.clone(),
                    lack: Lack::NoSuchPipe(field),
                });
                None
            })
        });
        let rise = zone.measure::<Feet>(&fields::zone::RISE).ok();
        if rise.is_none() {
            assumed.push(Assumed::Level);
        }
        let valve_loss = zone.measure::<Psi>(&fields::zone::VALVE_LOSS).ok();
        if valve_loss.is_none() {
            assumed.push(Assumed::ValveTakesNothing);
        }
        let losses = losses(supply);
        if losses.is_none() {
            assumed.push(Assumed::StreetTakesNothing);
        }
        Some(Self {
            static_pressure: static_pressure?,
            losses,
            main: (main?, main_length?),
            lateral: (lateral?, lateral_length?),
            spacing: spacing?,
            rise: rise.map_or(Feet::ZERO, |rise| rise.value),
            valve_loss: valve_loss.map(|loss| loss.value),
            assumed,
        })
    }

    fn solved(self, zone: &Zone<'_>, heads: &[Nozzle]) -> Result<ZonePressure, OutOfRange> {
        let plastic = roughness(Material::Pvc);
        let total: Gpm = heads.iter().map(|head| head.flow).sum();
        let need = need(zone);
        let rise = self.rise;
        let mut nodes = Vec::new();
        let mut links = Vec::new();
        let mut places = Vec::new();
        let mut put = |place: Place,
                       rise: Feet,
                       outlet: Outlet,
                       link: &dyn Fn(Option<usize>, usize) -> Link| {
            let at = nodes.len();
            links.push(link(at.checked_sub(1), at));
            nodes.push(Node { rise, outlet });
            places.push(place);
        };
        if let Some((loss, at)) = self.losses {
            put(Place::Backflow, Feet::ZERO, Outlet::Shut, &|from, to| {
                Link::fitting(from, to, loss, at)
            });
        }
        put(Place::MainLine, Feet::ZERO, Outlet::Shut, &|from, to| {
            Link::pipe(from, to, self.main.0, self.main.1, plastic)
        });
        if let Some(loss) = self.valve_loss {
            put(Place::Valve, Feet::ZERO, Outlet::Shut, &|from, to| {
                Link::fitting(from, to, loss, total)
            });
        }
        for (nth, head) in heads.iter().enumerate() {
            let outlet = Outlet::Nozzle {
                flow: head.flow,
                at: need,
                regulated: head.regulated.then_some(need),
            };
            let length = if nth == 0 {
                self.lateral.1
            } else {
                self.spacing
            };
            put(head.place.clone(), rise, outlet, &|from, to| {
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
            places,
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
    field: &'static FieldDef,
    missing: &mut Vec<Lacking>,
) -> Option<T> {
    match thing.measure::<T>(field) {
        Ok(fact) => Some(fact.value),
        Err(why) => {
            missing.push(lacks(thing.id, name.to_owned(), field, why));
            None
        }
    }
}

/// The standard of a pipe, where somebody wrote it.
fn class(thing: Thing<'_>, field: &FieldDef) -> Option<PipeClass> {
    let words = thing.words(field).ok()?;
    Some(match words.value.as_str() {
        "schedule-40" => PipeClass::Schedule40,
        _ => PipeClass::Class200,
    })
}

fn inside(class: Option<PipeClass>, size: Option<NominalSize>) -> Option<Inches> {
    inside_diameter(class.unwrap_or(PipeClass::Class200), size?)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::kind::ThingKind;
    use crate::site::things::tests::Scene;

    /// Two heads behind 150 ft of main line.
    fn zone(of_zone: &[(&str, &str)]) -> Result<ZonePressure, Vec<Lacking>> {
        let mut scene = Scene::new();
        let root = scene.root();
        let street = [("static-pressure", "60 psi"), ("mainline-size", "1 in")];
        scene.add(5, ThingKind::Supply, root, &street);
        scene.add(
            2,
            ThingKind::Zone,
            root,
            &[&[("number", "3")], of_zone].concat(),
        );
        for (id, label) in [(3, "3-01"), (4, "3-02")] {
            let said = [("label", label), ("flow", "3 gpm")];
            scene.add(id, ThingKind::Head, Scene::id(2), &said);
        }
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        ZonePressure::of(&site, &site.zones()[0])
    }

    const PIPE: [(&str, &str); 4] = [
        ("main-length", "150 ft"),
        ("lateral-length", "20 ft"),
        ("lateral-size", "3/4-in"),
        ("spacing", "15 ft"),
    ];

    #[test]
    fn mending_a_leak_gives_back_what_the_sheet_has_without_one() {
        let sheet = zone(&PIPE).unwrap();
        let (worst, _) = sheet.worst;
        let least = sheet.found.nodes[worst].pressure.get();
        let [small, large] = [0.5, 3.0].map(|gpm| sheet.gain(Gpm::new(gpm)).unwrap());
        for gain in [small, large] {
            assert!((gain.after.get() - least).abs() < 1e-6);
        }
        // The main line of 1 in class 200, 1.189 in inside, carries 6 gpm more or less with and
        // without: Hazen-Williams, 4.52 (Q/C)^1.852 / d^4.8655 psi a foot.
        let loss = |gpm: f64| 150.0 * 4.52 * (gpm / 150.0).powf(1.852) / 1.189_f64.powf(4.8655);
        let total = sheet.found.total.get();
        let rise = (large.after - large.before).get();
        let by_hand = loss(total + large.lost.get()) - loss(total);
        // The nozzles give a little less at the lower pressure, which the line by hand leaves out.
        assert!(
            rise > 0.85 * by_hand && rise < by_hand,
            "{rise} of {by_hand}"
        );
        assert!(small.after - small.before < large.after - large.before);
        assert!(large.lost < Gpm::new(3.0), "less than at the full pressure");
    }

    #[test]
    fn a_size_that_no_pipe_has_is_named() {
        let odd = [&PIPE[..2], &PIPE[3..], &[("lateral-size", "4-in")]].concat();
        assert!(zone(&odd).is_ok());
        let missing = zone(&[&PIPE[..2], &PIPE[3..]].concat()).unwrap_err();
        let why = missing[0].lack.to_string();
        assert_eq!(why, "its lateral-size is not recorded; note it");
        let half = [&PIPE[..2], &PIPE[3..], &[("lateral-size", "1/2-in")]].concat();
        let missing = zone(&half).unwrap_err();
        assert_eq!(missing.len(), 1);
        assert!(missing[0].lack.to_string().contains("no size of that pipe"));
    }
}

//! Pressure and flow in a system of pipes: in series, branched or looped, with outlets whose flow
//! follows from their pressure.
//!
//! [`solve`] is the entry point. A network hangs on one supply of known static pressure. Every
//! pipe and fitting is a link between two nodes; at a node water may leave by an [`Outlet`]. What
//! [`mended`] adds is the question of a repair: how far the pressure on everything else rises when
//! one outlet, a leak or a weeping valve, is shut.
//!
//! ```
//! use headwalk_core::water::network::{Link, Network, Node, Outlet, solve};
//! use headwalk_core::water::units::{Feet, Gpm, HazenWilliams, Inches, Psi};
//!
//! let nozzle = Outlet::Nozzle { flow: Gpm::new(2.0), at: Psi::new(30.0), regulated: None };
//! let network = Network {
//!     static_pressure: Psi::new(60.0),
//!     nodes: vec![Node { rise: Feet::new(3.0), outlet: nozzle }],
//!     links: vec![Link::pipe(None, 0, Inches::new(0.930), Feet::new(120.0),
//!                            HazenWilliams::new(150.0))],
//! };
//! let found = solve(&network)?;
//! assert_eq!(format!("{:.1}", found.nodes[0].pressure), "58.2 psi");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Hazen-Williams as in [`hydraulics`](super::hydraulics); fittings by the square of the flow; the
//! system of equations by the global gradient method (Todini and Pilati 1988, from memory). Checks:
//! `fixtures/tables/network_wntr.csv`, by EPANET.

mod findings;
mod gradient;

pub use findings::{Finding, LowCause, MISTS_ABOVE, Taken, findings, taken};

use super::{
    hydraulics::{self, head_to_pressure},
    units::{Allowed, Feet, FeetPerSecond, Gpm, HazenWilliams, Inches, OutOfRange, Psi},
};

/// Pipes, fittings and outlets on one supply.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// Pressure at the supply while nothing flows.
    pub static_pressure: Psi,
    /// Where links meet and water leaves.
    pub nodes: Vec<Node>,
    /// What the water passes through.
    pub links: Vec<Link>,
}

/// A place in the network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Node {
    /// How far it lies above the supply; below zero downhill.
    pub rise: Feet,
    /// How water leaves there.
    pub outlet: Outlet,
}

/// How water leaves at a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlet {
    /// Not at all.
    Shut,
    /// The same flow at any pressure.
    Fixed(Gpm),
    /// A nozzle, a hole: flow with the square root of the pressure.
    Nozzle {
        /// What it delivers.
        flow: Gpm,
        /// At that pressure.
        at: Psi,
        /// Above that pressure it delivers no more, where it regulates.
        regulated: Option<Psi>,
    },
}

/// Something that water passes through and loses pressure in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// The node it comes from; none is the supply.
    pub from: Option<usize>,
    /// The node it leads to.
    pub to: usize,
    /// How it takes pressure.
    pub kind: Losing,
}

/// How a link takes pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Losing {
    /// A straight pipe.
    Pipe {
        /// Inside, not the nominal size.
        inside_diameter: Inches,
        /// How long.
        length: Feet,
        /// How smooth.
        c: HazenWilliams,
    },
    /// A meter, a backflow assembly, a valve: off a published curve.
    Fitting {
        /// What it takes.
        loss: Psi,
        /// At that flow; with the square of it elsewhere (common practice between two points of
        /// a published curve).
        at: Gpm,
    },
}

impl Link {
    /// Makes a pipe.
    #[must_use]
    pub const fn pipe(
        from: Option<usize>,
        to: usize,
        inside_diameter: Inches,
        length: Feet,
        c: HazenWilliams,
    ) -> Self {
        let kind = Losing::Pipe {
            inside_diameter,
            length,
            c,
        };
        Self { from, to, kind }
    }

    /// Makes a fitting that takes so much at a flow.
    #[must_use]
    pub const fn fitting(from: Option<usize>, to: usize, loss: Psi, at: Gpm) -> Self {
        let kind = Losing::Fitting { loss, at };
        Self { from, to, kind }
    }
}

/// Pressure and flow everywhere.
#[derive(Debug, Clone, PartialEq)]
pub struct Solved {
    /// Each node, in order.
    pub nodes: Vec<AtNode>,
    /// Each link, in order.
    pub links: Vec<InLink>,
    /// What leaves the supply.
    pub total: Gpm,
}

/// What there is at a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtNode {
    /// Pressure; below zero means that no water gets there.
    pub pressure: Psi,
    /// What leaves there.
    pub outflow: Gpm,
}

/// What there is in a link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InLink {
    /// What passes; below zero against the direction in which the link was named.
    pub flow: Gpm,
    /// What it takes of the pressure, elevation left out.
    pub loss: Psi,
    /// Speed in a pipe; none in a fitting.
    pub velocity: Option<FeetPerSecond>,
}

impl Solved {
    /// Returns the node with an open outlet that has the least pressure, if water leaves anywhere.
    #[must_use]
    pub fn worst(&self, network: &Network) -> Option<usize> {
        let open = network.nodes.iter().zip(&self.nodes).enumerate();
        let open = open.filter(|(_, (node, _))| node.outlet != Outlet::Shut);
        let by_pressure = open.map(|(at, (_, found))| (at, found.pressure.get()));
        let least = by_pressure.min_by(|(_, a), (_, b)| a.total_cmp(b));
        least.map(|(at, _)| at)
    }
}

/// More nodes than any site has.
const MOST_NODES: usize = 400;

/// Returns pressure and flow everywhere.
///
/// # Errors
/// [`OutOfRange`] naming `static_psi` outside 0 to 500; `nodes` when there are none, more than 400,
/// or one that no link leads to; `from` or `to` of a link that is no node; those of
/// [`hydraulics::friction`] for a pipe, with `length_ft` above zero; `loss_psi` or `at_gpm` of a
/// fitting, `rise_ft`, `flow_gpm`, `at_psi` and `regulated_psi` of a node outside sense; and
/// `static_psi` where no steady state is found.
pub fn solve(network: &Network) -> Result<Solved, OutOfRange> {
    network.checked()?;
    let mut outlets: Vec<Outlet> = network.nodes.iter().map(|node| node.outlet).collect();
    // A regulator holds or does not, a nozzle without pressure lets no air in: each choice is a
    // plain system, and the choices are made again until they agree with its answer.
    for _ in 0..ROUNDS {
        let solved = gradient::solve(network, &outlets)?;
        let settled: Vec<Outlet> = network
            .nodes
            .iter()
            .zip(&solved.nodes)
            .map(|(node, found)| node.outlet.at_pressure(found.pressure))
            .collect();
        if settled == outlets {
            return Ok(solved);
        }
        outlets = settled;
    }
    let rule = Allowed::Rule("such that the outlets come to rest");
    Err(rule.broken("static_psi", network.static_pressure.get()))
}

const ROUNDS: usize = 60;

impl Outlet {
    /// What an outlet is at a pressure: a regulator that holds is a fixed flow, a nozzle that
    /// would suck is shut.
    fn at_pressure(self, pressure: Psi) -> Self {
        match self {
            Self::Nozzle { .. } if pressure < Psi::new(-1e-6) => Self::Shut,
            Self::Nozzle {
                flow,
                at,
                regulated: Some(set),
            } if pressure > set => Self::Fixed(flow * (set / at).sqrt()),
            other => other,
        }
    }
}

/// How far pressures rise when an outlet is shut.
#[derive(Debug, Clone, PartialEq)]
pub struct Mended {
    /// What it let out before.
    pub lost: Gpm,
    /// How far the pressure at each node rises.
    pub rises: Vec<Psi>,
    /// Pressures and flows afterwards.
    pub after: Solved,
}

/// Returns how far the pressure everywhere rises when the outlet at one node is mended.
///
/// # Errors
/// Those of [`solve`], and [`OutOfRange`] naming `node` where there is none of that number.
pub fn mended(network: &Network, node: usize) -> Result<Mended, OutOfRange> {
    let before = solve(network)?;
    let mut without = network.clone();
    let none = || Allowed::Rule("the number of a node").broken("node", node as f64);
    without.nodes.get_mut(node).ok_or_else(none)?.outlet = Outlet::Shut;
    let after = solve(&without)?;
    let pairs = before.nodes.iter().zip(&after.nodes);
    Ok(Mended {
        lost: before.nodes.get(node).ok_or_else(none)?.outflow,
        rises: pairs.map(|(b, a)| a.pressure - b.pressure).collect(),
        after,
    })
}

impl Network {
    fn checked(&self) -> Result<(), OutOfRange> {
        Allowed::AboveZeroTo(500.0).check("static_psi", self.static_pressure.get())?;
        let count = self.nodes.len() as f64;
        Allowed::Between(1.0, MOST_NODES as f64).check("nodes", count)?;
        for node in &self.nodes {
            Allowed::Between(-2_000.0, 2_000.0).check("rise_ft", node.rise.get())?;
            node.outlet.checked()?;
        }
        for link in &self.links {
            link.checked(self.nodes.len())?;
        }
        let mut reached = vec![false; self.nodes.len()];
        // Each round reaches at least one more, or none.
        for _ in 0..self.nodes.len() {
            for link in &self.links {
                let at = |node: usize| reached.get(node).copied().unwrap_or(false);
                let from = link.from.is_none_or(at);
                if (from || at(link.to)) && !(from && at(link.to)) {
                    for node in [Some(link.to), link.from].into_iter().flatten() {
                        if let Some(one) = reached.get_mut(node) {
                            *one = true;
                        }
                    }
                }
            }
        }
        if reached.contains(&false) {
            let rule = Allowed::Rule("nodes that links lead to from the supply, every one");
            return Err(rule.broken("nodes", count));
        }
        Ok(())
    }
}

impl Outlet {
    fn checked(self) -> Result<(), OutOfRange> {
        match self {
            Self::Shut => {}
            Self::Fixed(flow) => {
                Allowed::Between(0.0, 5_000.0).check("flow_gpm", flow.get())?;
            }
            Self::Nozzle {
                flow,
                at,
                regulated,
            } => {
                Allowed::AboveZeroTo(5_000.0).check("flow_gpm", flow.get())?;
                Allowed::AboveZeroTo(500.0).check("at_psi", at.get())?;
                if let Some(set) = regulated {
                    Allowed::AboveZeroTo(500.0).check("regulated_psi", set.get())?;
                }
            }
        }
        Ok(())
    }
}

impl Link {
    fn checked(self, nodes: usize) -> Result<(), OutOfRange> {
        for (field, node) in [("from", self.from), ("to", Some(self.to))] {
            if node.is_some_and(|node| node >= nodes) {
                let got = node.unwrap_or_default() as f64;
                return Err(Allowed::Rule("the number of a node").broken(field, got));
            }
        }
        if self.from == Some(self.to) {
            let rule = Allowed::Rule("another node than the link comes from");
            return Err(rule.broken("to", self.to as f64));
        }
        match self.kind {
            Losing::Pipe {
                inside_diameter,
                length,
                c,
            } => {
                Allowed::AboveZeroTo(100_000.0).check("length_ft", length.get())?;
                hydraulics::friction(Gpm::new(1.0), inside_diameter, length, c)?;
            }
            Losing::Fitting { loss, at } => {
                Allowed::Between(0.0, 500.0).check("loss_psi", loss.get())?;
                Allowed::AboveZeroTo(5_000.0).check("at_gpm", at.get())?;
            }
        }
        Ok(())
    }

    /// Returns what the link takes at a flow of one gpm, in feet, and the power that it grows by.
    fn resistance(self) -> Result<(f64, f64), OutOfRange> {
        match self.kind {
            Losing::Pipe {
                inside_diameter,
                length,
                c,
            } => {
                let one = hydraulics::friction(Gpm::new(1.0), inside_diameter, length, c)?;
                Ok((one.head.get(), hydraulics::FLOW_EXPONENT))
            }
            Losing::Fitting { loss, at } => {
                let foot = head_to_pressure(Feet::new(1.0));
                // Even a fitting that takes nothing needs some slope to be solved for.
                Ok(((loss / foot / at.get().powi(2)).max(1e-9), 2.0))
            }
        }
    }

    fn velocity(self, flow: Gpm) -> Result<Option<FeetPerSecond>, OutOfRange> {
        let Losing::Pipe {
            inside_diameter,
            length,
            c,
        } = self.kind
        else {
            return Ok(None);
        };
        let flow = Gpm::new(flow.get().abs());
        let found = hydraulics::friction(flow, inside_diameter, length, c)?;
        Ok(Some(found.velocity))
    }
}

#[cfg(test)]
mod tests;

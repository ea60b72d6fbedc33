//! What a designer or a crew should look at in a solved network, and what most likely causes it.

use std::fmt;

use super::super::hydraulics::{SPEED_MAX, head_to_pressure};
use super::super::units::{FeetPerSecond, Fraction, Psi};
use super::{Link, Losing, Network, Outlet, Solved};

/// Where the static pressure went on the way to a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taken {
    /// The rise; below zero where the node lies lower.
    pub rise: Psi,
    /// Friction in pipe.
    pub pipes: Psi,
    /// Meter, backflow assembly, valves.
    pub fittings: Psi,
}

/// Returns where the static pressure went on the way to a node, following the water upstream; of
/// two pipes that meet there, the one that carries more.
#[must_use]
pub fn taken(network: &Network, found: &Solved, node: usize) -> Taken {
    let mut taken = Taken {
        rise: network
            .nodes
            .get(node)
            .map_or(Psi::ZERO, |node| head_to_pressure(node.rise)),
        pipes: Psi::ZERO,
        fittings: Psi::ZERO,
    };
    let mut at = Some(node);
    // Each step goes to a place of higher head, so that no more are needed than there are links.
    for _ in 0..network.links.len() {
        let Some(here) = at else {
            break;
        };
        let Some((link, loss, upstream)) = feeding(network, found, here) else {
            break;
        };
        match link.kind {
            Losing::Pipe { .. } => taken.pipes = taken.pipes + loss,
            Losing::Fitting { .. } => taken.fittings = taken.fittings + loss,
        }
        at = upstream;
    }
    taken
}

/// The link that brings most water to a node, what it takes, and the node it comes from.
fn feeding<'n>(
    network: &'n Network,
    found: &Solved,
    node: usize,
) -> Option<(&'n Link, Psi, Option<usize>)> {
    let links = network.links.iter().zip(&found.links);
    let into = links.filter_map(|(link, flows)| {
        let flow = flows.flow.get();
        if link.to == node && flow >= 0.0 {
            Some((link, flows.loss, link.from, flow))
        } else if link.from == Some(node) && flow < 0.0 {
            Some((link, flows.loss * -1.0, Some(link.to), -flow))
        } else {
            None
        }
    });
    let most = into.max_by(|a, b| a.3.total_cmp(&b.3));
    most.map(|(link, loss, from, _)| (link, loss, from))
}

/// Something to look at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// Water in the pipe that leads to a node is faster than the common limit.
    Fast {
        /// The node.
        node: usize,
        /// How fast.
        velocity: FeetPerSecond,
    },
    /// A head has less than it needs.
    Low {
        /// The node.
        node: usize,
        /// What it has.
        pressure: Psi,
        /// What most likely takes it.
        cause: LowCause,
    },
    /// A head has so much that it mists.
    High {
        /// The node.
        node: usize,
        /// What it has.
        pressure: Psi,
    },
}

/// What most likely takes the pressure of a weak head: the largest share of what is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LowCause {
    /// The supply itself gives too little.
    Supply,
    /// It lies too high.
    Rise,
    /// The pipe is too small or too long for so much water.
    Pipe,
    /// Meter, backflow assembly or valve.
    Fittings,
}

impl fmt::Display for LowCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Supply => "the supply gives too little: regulator, shut-off or street",
            Self::Rise => "it lies too high",
            Self::Pipe => "the pipe is too small or too long for so much water",
            Self::Fittings => "meter, backflow assembly or valve take it",
        })
    }
}

/// A head with more than this share of its need mists: common practice, no source.
pub const MISTS_ABOVE: Fraction = Fraction::new(1.5);

impl Finding {
    /// Returns the finding as a sentence, without its full stop, by the names of nodes.
    #[must_use]
    pub fn sentence<'n>(&self, name: impl Fn(usize) -> &'n str) -> String {
        match self {
            Self::Fast { node, velocity } => format!(
                "{}: water at {velocity:.1} in the pipe to it; the common limit in plastic pipe is \
                 5 ft/s",
                name(*node)
            ),
            Self::Low {
                node,
                pressure,
                cause,
            } => format!("{}: low, {pressure:.1}; most likely {cause}", name(*node)),
            Self::High { node, pressure } => format!(
                "{}: high, {pressure:.1}, and likely to mist; regulated heads or a regulator",
                name(*node)
            ),
        }
    }
}

/// Returns what to look at: pipes in which water runs too fast, and, where the need of a head is
/// known, heads that have too little or so much that they mist.
#[must_use]
pub fn findings(network: &Network, found: &Solved, need: Option<Psi>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (link, flows) in network.links.iter().zip(&found.links) {
        if let Some(velocity) = flows.velocity.filter(|velocity| *velocity > SPEED_MAX) {
            let node = link.to;
            findings.push(Finding::Fast { node, velocity });
        }
    }
    let Some(need) = need else {
        return findings;
    };
    for (node, (asked, at)) in network.nodes.iter().zip(&found.nodes).enumerate() {
        let pressure = at.pressure;
        match asked.outlet {
            Outlet::Shut => {}
            _ if pressure < need => {
                let cause = low_cause(network, found, node, need);
                findings.push(Finding::Low {
                    node,
                    pressure,
                    cause,
                });
            }
            Outlet::Nozzle {
                regulated: None, ..
            } if pressure > need * MISTS_ABOVE.get() => {
                findings.push(Finding::High { node, pressure });
            }
            Outlet::Nozzle { .. } | Outlet::Fixed(_) => {}
        }
    }
    findings
}

fn low_cause(network: &Network, found: &Solved, node: usize, need: Psi) -> LowCause {
    // A supply below the need, and a tenth for the way, cannot do it whatever lies between.
    if network.static_pressure < need * 1.1 {
        return LowCause::Supply;
    }
    let taken = taken(network, found, node);
    let shares = [
        (taken.rise, LowCause::Rise),
        (taken.pipes, LowCause::Pipe),
        (taken.fittings, LowCause::Fittings),
    ];
    let most = shares
        .into_iter()
        .max_by(|a, b| a.0.get().total_cmp(&b.0.get()));
    most.map_or(LowCause::Supply, |(_, cause)| cause)
}

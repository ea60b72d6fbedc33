//! The global gradient method: Newton's on flows and heads together.
//!
//! Every nozzle is a link of its own to the open air, so that one kind of equation does for all:
//! head at one end less head at the other is r q^n.

use super::super::{
    hydraulics::head_to_pressure,
    units::{Allowed, Feet, Gpm, OutOfRange},
};
use super::{AtNode, InLink, Network, Outlet, Solved};

/// One equation: water from one end to the other loses r |q|^n of head.
struct Equation {
    /// None is a head that is known.
    from: Option<usize>,
    to: Option<usize>,
    /// The known heads at the ends that are no node; zero where there is a node.
    known: f64,
    resistance: f64,
    power: f64,
    flow: f64,
}

const STEPS: usize = 200;

/// Solves the network with outlets as they are told, not as their regulators would have them.
pub(super) fn solve(network: &Network, outlets: &[Outlet]) -> Result<Solved, OutOfRange> {
    let foot_psi = head_to_pressure(Feet::new(1.0)).get();
    let supply_ft = network.static_pressure.get() / foot_psi;
    let mut equations = Vec::with_capacity(network.links.len() + outlets.len());
    for link in &network.links {
        let (resistance, power) = link.resistance()?;
        let known = if link.from.is_none() { supply_ft } else { 0.0 };
        equations.push(Equation {
            from: link.from,
            to: Some(link.to),
            known,
            resistance,
            power,
            flow: 1.0,
        });
    }
    let mut demand = vec![0.0; network.nodes.len()];
    for (at, (outlet, node)) in outlets.iter().zip(&network.nodes).enumerate() {
        match outlet {
            Outlet::Shut => {}
            Outlet::Fixed(flow) => {
                if let Some(demand) = demand.get_mut(at) {
                    *demand = flow.get();
                }
            }
            Outlet::Nozzle { flow, at: psi, .. } => equations.push(Equation {
                from: Some(at),
                to: None,
                known: -node.rise.get(),
                resistance: psi.get() / foot_psi / flow.get().powi(2),
                power: 2.0,
                flow: flow.get(),
            }),
        }
    }
    let heads = iterate(&mut equations, &demand).ok_or_else(|| {
        let rule = Allowed::Rule("such that a steady flow exists");
        rule.broken("static_psi", network.static_pressure.get())
    })?;
    report(network, outlets, &equations, &heads)
}

/// Returns the head at each node, in feet, once flows have come to rest.
fn iterate(equations: &mut [Equation], demand: &[f64]) -> Option<Vec<f64>> {
    let count = demand.len();
    let mut heads = vec![0.0; count];
    for _ in 0..STEPS {
        let mut matrix = vec![vec![0.0; count + 1]; count];
        for (row, demand) in matrix.iter_mut().zip(demand) {
            *row.last_mut()? = -demand;
        }
        for equation in equations.iter() {
            equation.enter(&mut matrix)?;
        }
        heads = eliminated(matrix)?;
        let mut furthest = 0f64;
        for equation in equations.iter_mut() {
            let after = equation.next(&heads);
            furthest = furthest.max((after - equation.flow).abs());
            equation.flow = after;
        }
        if furthest < 1e-9 {
            return Some(heads);
        }
    }
    heads.iter().all(|head| head.is_finite()).then_some(heads)
}

impl Equation {
    /// How the flow follows the difference of heads, about where it is now: slope, and flow at no
    /// difference.
    fn line(&self) -> (f64, f64) {
        // At rest the slope would be infinite; a trickle is as good as none.
        let size = self.flow.abs().max(1e-6);
        let slope = 1.0 / (self.power * self.resistance * size.powf(self.power - 1.0));
        (slope, self.flow * (1.0 - 1.0 / self.power))
    }

    fn next(&self, heads: &[f64]) -> f64 {
        let (slope, rest) = self.line();
        let head = |node: Option<usize>| node.and_then(|node| heads.get(node)).copied();
        let fall = head(self.from).unwrap_or(0.0) - head(self.to).unwrap_or(0.0) + self.known;
        rest + slope * fall
    }

    /// Adds the flow to the balance of each end: in less out less demand is nothing.
    fn enter(&self, matrix: &mut [Vec<f64>]) -> Option<()> {
        let (slope, rest) = self.line();
        for (node, other, sign) in [(self.from, self.to, 1.0), (self.to, self.from, -1.0)] {
            let Some(row) = node.and_then(|node| matrix.get_mut(node)) else {
                continue;
            };
            *row.get_mut(node?)? += slope;
            if let Some(other) = other {
                *row.get_mut(other)? -= slope;
            }
            *row.last_mut()? -= sign * (rest + slope * self.known);
        }
        Some(())
    }
}

/// Gauss with the largest pivot; none where the matrix is singular.
fn eliminated(mut rows: Vec<Vec<f64>>) -> Option<Vec<f64>> {
    let count = rows.len();
    for at in 0..count {
        let size = |row: &Vec<f64>| row.get(at).map_or(0.0, |value| value.abs());
        let largest = (at..count).max_by(|a, b| {
            let (a, b) = (
                rows.get(*a).map_or(0.0, size),
                rows.get(*b).map_or(0.0, size),
            );
            a.total_cmp(&b)
        })?;
        rows.swap(at, largest);
        let pivot = rows.get(at)?.clone();
        let divisor = *pivot.get(at)?;
        if divisor.abs() < 1e-300 || !divisor.is_finite() {
            return None;
        }
        for row in rows.iter_mut().skip(at + 1) {
            let factor = *row.get(at)? / divisor;
            if factor != 0.0 {
                for (cell, of_pivot) in row.iter_mut().zip(&pivot).skip(at) {
                    *cell -= factor * of_pivot;
                }
            }
        }
    }
    let mut heads = vec![0.0; count];
    for at in (0..count).rev() {
        let row = rows.get(at)?;
        let known: f64 = row
            .iter()
            .zip(&heads)
            .skip(at + 1)
            .map(|(cell, head)| cell * head)
            .sum();
        *heads.get_mut(at)? = (row.last()? - known) / row.get(at)?;
    }
    Some(heads)
}

fn report(
    network: &Network,
    outlets: &[Outlet],
    equations: &[Equation],
    heads: &[f64],
) -> Result<Solved, OutOfRange> {
    let mut total = Gpm::ZERO;
    let mut links = Vec::with_capacity(network.links.len());
    for (link, equation) in network.links.iter().zip(equations) {
        let flow = Gpm::new(equation.flow);
        let lost = equation.resistance * equation.flow.abs().powf(equation.power);
        if link.from.is_none() {
            total = total + flow;
        }
        links.push(InLink {
            flow,
            loss: head_to_pressure(Feet::new(lost.copysign(equation.flow))),
            velocity: link.velocity(flow)?,
        });
    }
    let nodes = network.nodes.iter().zip(outlets).zip(heads);
    let nodes = nodes
        .enumerate()
        .map(|(at, ((node, outlet), head))| AtNode {
            pressure: head_to_pressure(Feet::new(*head) - node.rise),
            outflow: match outlet {
                Outlet::Shut => Gpm::ZERO,
                Outlet::Fixed(flow) => *flow,
                Outlet::Nozzle { .. } => {
                    let own = equations
                        .iter()
                        .find(|it| it.to.is_none() && it.from == Some(at));
                    Gpm::new(own.map_or(0.0, |own| own.flow))
                }
            },
        });
    Ok(Solved {
        nodes: nodes.collect(),
        links,
        total,
    })
}

//! Pressure and flow at every head of a system of pipes.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::{Value, json};

use headwalk_core::site::finding::Caution;
use headwalk_core::water::network::{self, Link, Mended, Network, Node, Outlet, Solved};
use headwalk_core::water::pipe::{self, Material, NominalSize, PipeClass};
use headwalk_core::water::units::{Feet, FeetPerSecond, Gpm, HazenWilliams, Inches, Psi};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Pressure and flow at every head, in series or branched, and at the worst of them.
///
/// In:  static_psi at the supply; nodes, a list of places, each with the pipe or fitting that leads
///      to it: {name, from, rise_ft, flow_gpm, at_psi, regulated_psi, length_ft,
///      inside_diameter_in, class, size, c, loss_psi, at_gpm}. name is needed; from is the name of
///      the place before (left out: the supply); rise_ft above the supply (left out: 0). A pipe has
///      length_ft and inside_diameter_in, or class (schedule-40 or class-200) and size (such as
///      3/4), and c (left out: 150, new plastic). A fitting, such as a meter, a backflow assembly
///      or a valve, has loss_psi at at_gpm off its curve. flow_gpm leaves there (left out: nothing)
///      at any pressure, or, of a nozzle or a leak, at at_psi; a nozzle may have regulated_psi.
///      need_psi, what a head needs (left out: nothing is said; sprays want about 30, rotors about
///      45, common practice); mend, the name of a place whose outlet is a leak: by how much
///      everything else rises when it is shut.
/// Out: total_gpm; worst and worst_psi; places, {name, psi, gpm, velocity_ft_s, loss_psi}; of the
///      worst what is taken_by_rise_psi, taken_by_pipe_psi and taken_by_fittings_psi; with mend
///      lost_gpm and rises, {name, psi, rise_psi}.
///
/// Source: Hazen-Williams; solved for all places at once, checked against EPANET.
///
/// Example: headwalk reckon pressure-at-head --set static_psi=60 --set need_psi=30 --set nodes='[
/// {"name":"valve","length_ft":120,"class":"class-200","size":"1-1/4"},
/// {"name":"3-01","from":"valve","length_ft":15,"class":"class-200","size":"1","flow_gpm":1.85,
/// "at_psi":30}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct PressureAtHead {}

/// Inputs of [`PressureAtHead`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SystemIn {
    static_psi: f64,
    nodes: Vec<NodeIn>,
    need_psi: Option<f64>,
    mend: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct NodeIn {
    name: String,
    from: Option<String>,
    #[serde(default)]
    rise_ft: f64,
    flow_gpm: Option<f64>,
    at_psi: Option<f64>,
    regulated_psi: Option<f64>,
    length_ft: Option<f64>,
    inside_diameter_in: Option<f64>,
    class: Option<ClassIn>,
    size: Option<String>,
    c: Option<f64>,
    loss_psi: Option<f64>,
    at_gpm: Option<f64>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
enum ClassIn {
    #[serde(rename = "schedule-40")]
    Schedule40,
    #[serde(rename = "class-200")]
    Class200,
}

impl Formula for PressureAtHead {
    type In = SystemIn;

    fn reckon(given: SystemIn) -> Result<Answer, Wrong> {
        let names = names(&given.nodes)?;
        let mut links = Vec::with_capacity(given.nodes.len());
        let mut nodes = Vec::with_capacity(given.nodes.len());
        for (at, node) in given.nodes.iter().enumerate() {
            let here = |wrong: Wrong| wrong.at(&format!("[{at}]")).at("nodes");
            links.push(node.link(at, &names).map_err(here)?);
            nodes.push(node.node().map_err(here)?);
        }
        let network = Network {
            static_pressure: Psi::new(given.static_psi),
            nodes,
            links,
        };
        let found = network::solve(&network)?;
        let answer = told(&given, &network, &found);
        let Some(mend) = &given.mend else {
            return Ok(answer);
        };
        let at = names.get(mend.as_str()).ok_or_else(|| {
            Wrong::new(format!("there is no place `{mend}` among the nodes")).at("mend")
        })?;
        let mended = network::mended(&network, *at)?;
        Ok(with_mended(answer, &given, &mended))
    }
}

fn names(nodes: &[NodeIn]) -> Result<BTreeMap<&str, usize>, Wrong> {
    let mut names = BTreeMap::new();
    for (at, node) in nodes.iter().enumerate() {
        if names.insert(node.name.as_str(), at).is_some() {
            return Err(Wrong::new(format!("`{}` is there twice", node.name)).at("name"));
        }
    }
    Ok(names)
}

impl NodeIn {
    fn node(&self) -> Result<Node, Wrong> {
        let outlet = match (self.flow_gpm, self.at_psi) {
            (None, None) => Outlet::Shut,
            (None, Some(_)) => {
                return Err(Wrong::missing("flow_gpm", "at_psi says at which pressure"));
            }
            (Some(0.0), _) => Outlet::Shut,
            (Some(flow), None) => Outlet::Fixed(Gpm::new(flow)),
            (Some(flow), Some(at)) => Outlet::Nozzle {
                flow: Gpm::new(flow),
                at: Psi::new(at),
                regulated: self.regulated_psi.map(Psi::new),
            },
        };
        Ok(Node {
            rise: Feet::new(self.rise_ft),
            outlet,
        })
    }

    fn link(&self, to: usize, names: &BTreeMap<&str, usize>) -> Result<Link, Wrong> {
        let from = match self.from.as_deref() {
            None | Some("supply") => None,
            Some(name) => Some(*names.get(name).ok_or_else(|| {
                Wrong::new(format!("there is no place `{name}` among the nodes")).at("from")
            })?),
        };
        if let Some(loss) = self.loss_psi {
            if self.length_ft.is_some() {
                return Err(Wrong::beside("length_ft", "loss_psi"));
            }
            let at = self.at_gpm;
            let at =
                at.ok_or_else(|| Wrong::missing("at_gpm", "loss_psi says how much it takes"))?;
            return Ok(Link::fitting(from, to, Psi::new(loss), Gpm::new(at)));
        }
        let length = self.length_ft;
        let length = length.ok_or_else(|| Wrong::missing("length_ft", "or give loss_psi"))?;
        let c = self
            .c
            .map_or(pipe::roughness(Material::Pvc), HazenWilliams::new);
        Ok(Link::pipe(from, to, self.inside()?, Feet::new(length), c))
    }

    fn inside(&self) -> Result<Inches, Wrong> {
        let (class, size) = match (self.inside_diameter_in, self.class, &self.size) {
            (Some(_), Some(_), _) => return Err(Wrong::beside("class", "inside_diameter_in")),
            (Some(inside), None, _) => return Ok(Inches::new(inside)),
            (None, Some(class), Some(size)) => (class, size),
            (None, Some(_), None) => return Err(Wrong::missing("size", "class alone is no pipe")),
            (None, None, _) => {
                return Err(Wrong::missing(
                    "inside_diameter_in",
                    "or give class and size",
                ));
            }
        };
        let known = NominalSize::of_words(size).ok_or_else(|| {
            Wrong::new(format!("`{size}` is no pipe size known here"))
                .hint("it is one of: 1/2, 3/4, 1, 1-1/4, 1-1/2, 2, 2-1/2, 3, 4.")
                .at("size")
        })?;
        let class = match class {
            ClassIn::Schedule40 => PipeClass::Schedule40,
            ClassIn::Class200 => PipeClass::Class200,
        };
        pipe::inside_diameter(class, known).ok_or_else(|| {
            Wrong::new(format!("there is no {size} in pipe of this class")).at("size")
        })
    }
}

fn told(given: &SystemIn, network: &Network, found: &Solved) -> Answer {
    let places: Vec<Value> = given
        .nodes
        .iter()
        .zip(&found.nodes)
        .zip(&found.links)
        .map(|((node, at), link)| {
            json!({
                "name": node.name,
                "psi": at.pressure.get(),
                "gpm": at.outflow.get(),
                "velocity_ft_s": link.velocity.map(FeetPerSecond::get),
                "loss_psi": link.loss.get(),
            })
        })
        .collect();
    let lines = given
        .nodes
        .iter()
        .zip(&found.nodes)
        .zip(&found.links)
        .map(|((node, at), link)| {
            let speed = link
                .velocity
                .map_or(String::new(), |speed| format!(", {speed:.1}"));
            format!(
                "{}: {:.1}, {:.2}{speed}",
                node.name, at.pressure, at.outflow
            )
        })
        .collect();
    let name = |at: usize| given.nodes.get(at).map_or("", |node| node.name.as_str());
    let mut answer = Answer::default()
        .number(
            "total_gpm",
            "leaves the supply",
            found.total.get(),
            Gpm::UNIT,
        )
        .lines("places", "places", places.into(), lines);
    if let Some(worst) = found.worst(network) {
        let at = found.nodes.get(worst).map_or(0.0, |at| at.pressure.get());
        let taken = network::taken(network, found, worst);
        answer = answer
            .word("worst", "the worst head", name(worst))
            .number("worst_psi", "pressure there", at, Psi::UNIT)
            .number(
                "taken_by_rise_psi",
                "the rise takes",
                taken.rise.get(),
                Psi::UNIT,
            )
            .number(
                "taken_by_pipe_psi",
                "pipe takes",
                taken.pipes.get(),
                Psi::UNIT,
            )
            .number(
                "taken_by_fittings_psi",
                "fittings take",
                taken.fittings.get(),
                Psi::UNIT,
            );
    }
    let need = given.need_psi.map(Psi::new);
    let findings = network::findings(network, found, need);
    let findings = findings.iter().map(|finding| finding.sentence(name));
    answer
        .warnings(findings)
        .caution(Caution::PressurisedPipe.sentence())
}

fn with_mended(answer: Answer, given: &SystemIn, mended: &Mended) -> Answer {
    let places = || {
        given
            .nodes
            .iter()
            .zip(&mended.rises)
            .zip(&mended.after.nodes)
    };
    let objects: Vec<Value> = places()
        .map(|((node, rise), after)| {
            json!({"name": node.name, "psi": after.pressure.get(), "rise_psi": rise.get()})
        })
        .collect();
    let lines = places().map(|((node, rise), after)| {
        format!("{}: {:.1}, {:.2} more", node.name, after.pressure, rise)
    });
    answer
        .number("lost_gpm", "the leak loses", mended.lost.get(), Gpm::UNIT)
        .lines(
            "rises",
            "once it is mended",
            objects.into(),
            lines.collect(),
        )
        .caution(Caution::DiggingOnPressure.sentence())
}

//! The page of a zone: where its water falls, and what the pipe leaves of the pressure.

use chrono::NaiveDate;

use super::{ClientPage, Section, said};
use crate::site::fields;
use crate::site::finding::Caution;
use crate::site::map::{AreasFrom, ZoneMap, picture};
use crate::site::supply_sheet::{Place, ZonePressure};
use crate::site::things::{Site, Zone};
use crate::water::coverage::LEFT_OUT;

/// Returns the page of a zone, as far as its heads are on the sketch and its pipe is known; what is
/// missing for either is named on it.
///
/// # Errors
/// A sentence that says what is missing, where neither can be worked out.
pub fn for_zone(
    name: &str,
    site: &Site<'_>,
    zone: &Zone<'_>,
    day: NaiveDate,
) -> Result<ClientPage, String> {
    let address = zone.address();
    let title = format!("{name}, {address}");
    let mut notes = Vec::new();
    let water = coverage(site, zone, &title, &mut notes);
    let pressure = pressure(site, zone, &mut notes);
    let (water, pressure) = match (water, pressure) {
        (Err(missing), None) => return Err(missing),
        (Err(missing), pressure) => {
            notes.push(format!("where the water falls is not known: {missing}"));
            (None, pressure)
        }
        (Ok(water), pressure) => (Some(water), pressure),
    };
    let cautions = match pressure {
        Some(_) => said(&[Caution::PressurisedPipe]),
        None => Vec::new(),
    };
    let called = zone.words(&fields::zone::NAME);
    let called = called.map_or(address, |it| it.value);
    Ok(ClientPage {
        photos: Vec::new(),
        title: format!("Zone: {called}"),
        site: name.to_owned(),
        day,
        parts: water.into_iter().chain(pressure).collect(),
        cautions,
        notes,
    })
}

fn coverage(
    site: &Site<'_>,
    zone: &Zone<'_>,
    title: &str,
    notes: &mut Vec<String>,
) -> Result<Section, String> {
    let map = ZoneMap::of(site, zone);
    let found = map.coverage().map_err(|error| {
        let first = map.left_out.first();
        first.map_or_else(
            || format!("{}: {error}", zone.address()),
            |it| format!("{}: {}", it.name, it.why),
        )
    })?;
    let mut part = Section::new(
        "Where the water falls",
        vec![format!(
            "evenness {:.2} (1 is perfectly even); the driest places get {:.2}, the mean is {:.2}; \
             {:.0} of {:.0} get less than a quarter of the mean; {:.0} % of the water lands off \
             the planted ground",
            found.du_lq.get(),
            found.lowest,
            found.mean,
            found.dry,
            found.planted,
            100.0 * (found.on_hard.get() + found.outside.get()),
        )],
    );
    if let Some((test, cans)) = zone.latest_cans() {
        let day = test.by.stamp.wall().date_at(test.by.utc_offset_min);
        part.sentences.push(format!(
            "that is computed from the heads as they are set; {} cans on the ground gave {:.2} on \
             {}",
            cans.cans,
            cans.du_lq.get(),
            day.format("%-d %B %Y"),
        ));
    }
    part.picture = Some(picture::zone(title, &map, &found));
    notes.push(LEFT_OUT.to_owned());
    if map.areas_from == AreasFrom::AroundHeads {
        notes.push("no lawn is drawn on the sketch: it is taken to end at the outer heads".into());
    }
    for left_out in &map.left_out {
        notes.push(format!("{} is left out: {}", left_out.name, left_out.why));
    }
    Ok(part)
}

/// The way of the pressure from the street to the last head, with what took it.
fn pressure(site: &Site<'_>, zone: &Zone<'_>, notes: &mut Vec<String>) -> Option<Section> {
    let sheet = match ZonePressure::of(site, zone) {
        Ok(sheet) => sheet,
        Err(missing) => {
            let missing = missing.iter().map(|it| format!("{}: {}", it.name, it.lack));
            let missing: Vec<_> = missing.collect();
            notes.push(format!(
                "the pressure is not worked out: {}",
                missing.join("; ")
            ));
            return None;
        }
    };
    let (worst, taken) = sheet.worst;
    let name = |at: usize| sheet.places.get(at).map_or("", Place::name);
    let at = |node: usize| {
        sheet
            .found
            .nodes
            .get(node)
            .map_or(0.0, |node| node.pressure.get())
    };
    let mut part = Section::new(
        "What is left of the pressure",
        vec![format!(
            "{:.0} psi come from the street and {:.0} psi are left at {}, where the heads want \
                 about {:.0}; the rise takes {:.1}, pipe {:.1}, fittings and valves {:.1}",
            sheet.network.static_pressure.get(),
            at(worst),
            name(worst),
            sheet.need.get(),
            taken.rise.get(),
            taken.pipes.get(),
            taken.fittings.get(),
        )],
    );
    let measured = sheet.measured;
    let gauge = measured.map(|it| format!("the gauge showed {:.0} psi", it.gauge.get()));
    let findings = sheet.findings.iter().map(|it| it.sentence(name));
    let means = measured.and_then(|it| it.means().map(|means| means.to_string()));
    part.sentences
        .extend(gauge.into_iter().chain(means).chain(findings));
    let row = |(place, node): (&Place, &crate::water::network::AtNode)| {
        vec![
            place.name().to_owned(),
            format!("{:.1} psi", node.pressure.get()),
            match node.outflow.get() {
                flow if flow > 0.0 => format!("{flow:.2} gpm"),
                _ => String::new(),
            },
        ]
    };
    let heading = ["place", "pressure", "leaves there"].map(str::to_owned);
    part.table = std::iter::once(heading.to_vec())
        .chain(sheet.places.iter().zip(&sheet.found.nodes).map(row))
        .collect();
    notes.extend(sheet.assumed.iter().map(|it| format!("assumed: {it}")));
    Some(part)
}

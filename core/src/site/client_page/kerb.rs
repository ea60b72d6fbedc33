//! The page of a head at a curved kerb.

use chrono::NaiveDate;

use super::{ClientPage, Section, said};
use crate::site::finding::Caution;
use crate::site::kerb::{KerbChoice, sides};
use crate::site::map::picture;
use crate::site::things::Head;
use crate::water::coverage::LEFT_OUT;
use crate::water::units::SquareFeet;

/// Returns the page of a head at a curved kerb.
///
/// # Errors
/// A sentence that says what is missing and what to record.
pub fn for_kerb(
    name: &str,
    head: &Head<'_>,
    dry_most: SquareFeet,
    day: NaiveDate,
) -> Result<ClientPage, String> {
    let choice = KerbChoice::of(head, dry_most).map_err(|why| why.to_string())?;
    let address = head.address();
    let mut table = vec![
        [
            "setting",
            "arc",
            "throw",
            "lawn left dry",
            "water off the lawn",
        ]
        .map(str::to_owned)
        .to_vec(),
    ];
    for (offer, setting) in choice.choices() {
        let [left, right] = sides(setting);
        table.push(vec![
            offer.words().to_owned(),
            format!(
                "{:.0}° ({:.0}° left, {:.0}° right)",
                setting.arc.get(),
                left.get(),
                right.get()
            ),
            format!("{:.1}", setting.radius),
            format!("{:.0}", setting.dry),
            format!("{:.2}", setting.overspray),
        ]);
    }
    let mut what = Section::new(
        "What there is to choose from",
        vec![format!(
            "the kerb bends with a radius of {:.0}, and a sprinkler waters a slice of a circle: \
             where it meets the bend, either some water lands on the paving or some lawn stays dry",
            choice.kerb_radius
        )],
    );
    what.table = table;
    what.picture = Some(picture::kerb(&format!("{address} at the kerb"), &choice));
    let decided = match &choice.reason {
        Some(reason) => vec![format!("it stays as it is; the crew wrote: \"{reason}\"")],
        None => vec!["nobody has chosen yet; the reason will be written down with it".to_owned()],
    };
    let decided = decided.into_iter().chain(accepted(head));
    Ok(ClientPage {
        photos: Vec::new(),
        title: format!("The kerb at head {}", address.replace("head-", "")),
        site: name.to_owned(),
        day,
        parts: vec![
            what,
            Section::new("What was decided, and why", decided.collect()),
        ],
        cautions: said(&[Caution::Traffic]),
        notes: vec![
            LEFT_OUT.to_owned(),
            "the head is taken to face straight into the lawn; of a throw that is screwed down the \
             water is somewhat overstated"
                .to_owned(),
        ],
    })
}

/// What the client agreed to leave as it is.
fn accepted(head: &Head<'_>) -> Vec<String> {
    let findings = head.findings_here();
    let accepted = findings
        .iter()
        .filter_map(|finding| finding.accepted().ok());
    accepted
        .map(|it| {
            let it = it.value;
            let who = it
                .who
                .map_or(String::new(), |who| format!(", agreed with {who}"));
            let until = it.until.map_or(String::new(), |until| {
                format!(", until {}", until.format("%-d %B %Y"))
            });
            format!("{}{who}{until}", it.reason)
        })
        .collect()
}

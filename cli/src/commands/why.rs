//! `headwalk why`: what the recorded signs point to, and the one to look for next.

use serde::Serialize;

use headwalk_core::site::evidence::{
    Board, Trouble, WEIGHTS_NOTE, answers_on, board_of, trouble_of,
};
use headwalk_core::site::fields;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::evidence::{Answer, Points};

use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_at;
use crate::output::{Page, Report};
use crate::roots::Roots;

/// Show what the signs recorded on a spot, a zone or a valve point to, and what to look for next.
///
/// Signs are recorded as evidence: `note SITE spot-1 evidence "sign=static meter moves; seen=no"`.
/// What was not tested counts neither way. The board never closes a question by itself: it says
/// what the evidence points to, and names the one test that separates best, with its caution.
///
/// Example: headwalk why "Maple Court" spot-1
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The spot, zone or valve.
    thing: String,
    /// What is the matter: wet-area, dry-spot, low-pressure, will-not-start, will-not-stop; else
    /// what the signs are of.
    #[arg(long, value_name = "TROUBLE")]
    trouble: Option<String>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// The board.
#[derive(Serialize)]
struct Told {
    site: String,
    thing: String,
    trouble: &'static str,
    says: String,
    causes: Vec<Suspected>,
    tested: Vec<Tested>,
    not_tested: Vec<&'static str>,
    /// Signs of no trouble that this version knows.
    other_signs: Vec<String>,
    next: Option<NextTest>,
    cautions: Vec<&'static str>,
}

#[derive(Serialize)]
struct Suspected {
    cause: &'static str,
    share: f64,
    means: &'static str,
    remedy: &'static str,
    points_to: Vec<&'static str>,
    points_away: Vec<&'static str>,
}

#[derive(Serialize)]
struct Tested {
    sign: &'static str,
    seen: bool,
}

#[derive(Serialize)]
struct NextTest {
    sign: &'static str,
    how: &'static str,
    minutes: f64,
    gain_bits: f64,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_at(&store, root.id, moment)?;
    let site = Site::of(&state, root.id);
    let thing = site.find(&args.thing)?;
    let recorded = answers_on(&thing);
    let trouble = match &args.trouble {
        Some(word) => Trouble::of_word(word).ok_or_else(|| unknown(word))?,
        None => trouble_of(&recorded)
            .or_else(|| of_spot(thing))
            .ok_or_else(|| nothing(&site, thing))?,
    };
    let (board, other) = board_of(trouble, &recorded);
    call.print(&Told {
        site: root.name.clone(),
        thing: site.address(thing),
        trouble: trouble.word(),
        says: board.sentence(),
        causes: suspected(&board),
        tested: board
            .tested()
            .map(|(sign, answer)| Tested {
                sign: sign.word,
                seen: answer == Answer::Yes,
            })
            .collect(),
        not_tested: board.not_tested().map(|open| open.sign.word).collect(),
        other_signs: other.into_iter().map(|it| it.sign).collect(),
        next: board.next().map(|next| NextTest {
            sign: next.sign.word,
            how: next.sign.how,
            minutes: next.sign.minutes.get(),
            gain_bits: next.gain_bits.get(),
        }),
        cautions: cautions(&board),
    })
}

fn unknown(word: &str) -> Error {
    let known: Vec<&str> = Trouble::MEMBERS
        .iter()
        .map(|trouble| trouble.word())
        .collect();
    Error::input(format!("`{word}` is no trouble known here"))
        .field("trouble")
        .hint(format!("it is one of: {}.", known.join(", ")))
}

/// A spot says itself whether it is wet or dry.
fn of_spot(thing: Thing<'_>) -> Option<Trouble> {
    let moisture = thing.words(&fields::spot::MOISTURE).ok()?;
    Some(match moisture.value.as_str() {
        "dry" => Trouble::DrySpot,
        _ => Trouble::WetArea,
    })
    .filter(|_| thing.kind == Some(ThingKind::Spot))
}

fn nothing(site: &Site<'_>, thing: Thing<'_>) -> Error {
    Error::input(format!("no sign is recorded on {}", site.address(thing)))
        .field("trouble")
        .hint("name what is the matter with --trouble, such as low-pressure.")
}

fn suspected(board: &Board) -> Vec<Suspected> {
    let suspects = board.suspects().map(|suspect| {
        let signs = |points: Points| {
            let signs = board.line.signs.iter().zip(suspect.points);
            signs
                .filter(|(_, it)| **it == points)
                .map(|(sign, _)| sign.word)
                .collect()
        };
        Suspected {
            cause: suspect.cause.word,
            share: suspect.share.get(),
            means: suspect.cause.plain,
            remedy: suspect.cause.remedy,
            points_to: signs(Points::To),
            points_away: signs(Points::Away),
        }
    });
    suspects.collect()
}

/// What can hurt whoever looks next, or mends what stands out.
fn cautions(board: &Board) -> Vec<&'static str> {
    let next = board.next().and_then(|next| next.sign.caution);
    let mends = board.points_to().and_then(|cause| cause.caution);
    let mut said: Vec<&'static str> = Vec::new();
    for caution in [next, mends].into_iter().flatten() {
        if !said.contains(&caution.sentence()) {
            said.push(caution.sentence());
        }
    }
    said
}

impl Report for Told {
    fn write(&self, page: &mut Page) {
        let trouble = self.trouble.replace('-', " ");
        page.line(format!("{} at {}: {trouble}", self.thing, self.site));
        page.paragraph(&format!("Says: {}.", self.says));
        let signs = |signs: &[&str]| signs.join("; ");
        // A sign that was looked for and not seen points too, by not being there.
        let seen = |sign: &&str| {
            let missed = self
                .tested
                .iter()
                .any(|test| test.sign == *sign && !test.seen);
            format!("{}{sign}", if missed { "no: " } else { "" })
        };
        let pointing = |signs: &[&str]| {
            let signs: Vec<String> = signs.iter().map(seen).collect();
            signs.join("; ")
        };
        let rows: Vec<_> = self
            .causes
            .iter()
            .map(|it| {
                [
                    it.cause.replace('-', " "),
                    format!("{:.0} %", 100.0 * it.share),
                    pointing(&it.points_to),
                    pointing(&it.points_away),
                ]
            })
            .collect();
        page.table(["could be", "belief", "points to it", "points away"], &rows);
        for test in &self.tested {
            let seen = if test.seen { "seen" } else { "not seen" };
            page.line(format!("Tested: {}: {seen}", test.sign));
        }
        page.paragraph(&format!("Not tested: {}.", signs(&self.not_tested)));
        for sign in &self.other_signs {
            page.line(format!("Also noted: {sign}"));
        }
        match &self.next {
            Some(next) => page.paragraph(&format!(
                "Next test: {}: {} ({:.0} min).",
                next.sign, next.how, next.minutes
            )),
            None => page.line("No test that is left tells more."),
        }
        for caution in &self.cautions {
            page.paragraph(&format!("Caution: {caution}"));
        }
        page.paragraph(&format!("Note: {WEIGHTS_NOTE}."));
    }
}

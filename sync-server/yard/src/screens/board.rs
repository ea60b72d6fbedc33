//! The evidence board: what a spot or a zone's trouble comes from. The signs looked for and where
//! each points, what is not tested, and the one test to make next.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::evidence::{
    Board, CauseLine, Recorded, SignLine, Trouble, answers_on, board_of,
};
use headwalk_core::site::fields::spot as fields;
use headwalk_core::site::finding::FindingKind;
use headwalk_core::site::things::{Site, Spot, Thing, Zone};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::evidence::{Answer, Points, Verdict};

use super::{Body, Desk, called};
use crate::act::{Act, Id, Mended, Screen};
use crate::error::Error;
use crate::photo;
use crate::view::{Block, Button, Fact, Mark, Tone};
use crate::words::{Word, board as words, vocab};

/// The troubles that are met at a whole zone; the finding that records each.
const OF_A_ZONE: [(Trouble, &str); 3] = [
    (Trouble::WillNotStart, "valve-will-not-open"),
    (Trouble::WillNotStop, "valve-stuck-open"),
    (Trouble::LowPressure, "pressure-low"),
];

/// Returns the ways from a zone to the boards of its troubles.
pub(super) fn ways(desk: &Desk<'_>, zone: ThingId) -> Block {
    let ways = OF_A_ZONE.iter().map(|(trouble, _)| {
        let to = Screen::Board {
            zone: Id(zone),
            trouble: trouble.word().to_owned(),
        };
        desk.go(words::trouble(*trouble), to)
    });
    Block::choices(desk.say(Word::FindCause), ways.collect())
}

/// What a wet or a dry spot comes from.
pub(super) fn spot(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let spot = Spot::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let dry = spot
        .raw(&fields::MOISTURE)
        .and_then(|value| value.as_text())
        == Some("dry");
    let trouble = if dry {
        Trouble::DrySpot
    } else {
        Trouble::WetArea
    };
    let zone = spot
        .part_of()
        .map_or(Screen::Walk, |zone| Screen::Zone { zone: Id(zone) });
    let gone = Act::Note {
        thing: Id(id),
        name: fields::CLOSED.name.to_owned(),
        value: "yes".to_owned(),
    };
    Ok(Body {
        title: called(desk, site, id),
        back: Some(zone.clone()),
        blocks: Shown::of(desk, &spot, trouble).blocks(site),
        dock: vec![
            Button::new(desk.say(Word::SpotGone), gone).mark(Mark::Good),
            desk.go(Word::BackToZone, zone).main(),
        ],
    })
}

/// Why a zone is weak, does not start or does not stop.
pub(super) fn zone(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    trouble: &str,
) -> Result<Body, Error> {
    let zone = Zone::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let of_zone = |(known, _): &&(Trouble, &str)| known.word() == trouble;
    let (trouble, finding) = OF_A_ZONE.iter().find(of_zone).ok_or(Error::Gone)?;
    let shown = Shown::of(desk, &zone, *trouble);
    let mut blocks = Vec::new();
    // A spot is looked at over days; a zone that failed a year ago fails anew.
    if shown.any_earlier() {
        blocks.push(Block::text(desk.say(Word::EarlierCount), Tone::Ask));
    }
    blocks.extend(shown.blocks(site));
    let back = Screen::Zone { zone: Id(id) };
    let mut dock = Vec::new();
    let mut open = zone.findings().into_iter();
    let recorded = open.any(|one| {
        !one.status().is_closed() && one.what().is_ok_and(|what| what.value.word == *finding)
    });
    if desk.phone.visit_here().is_some() && !recorded {
        dock.push(record(desk, id, finding)?);
    }
    dock.push(desk.go(Word::BackToZone, back.clone()).main());
    Ok(Body {
        title: format!(
            "{}: {}",
            called(desk, site, id),
            desk.say(words::trouble(*trouble))
        ),
        back: Some(back),
        blocks,
        dock,
    })
}

/// Puts the trouble on the record, whether or not its cause was found.
fn record(desk: &Desk<'_>, zone: ThingId, finding: &str) -> Result<Button, Error> {
    let kind = FindingKind::of_word(finding).ok_or(Error::Gone)?;
    let act = Act::Find {
        thing: Id(zone),
        what: kind.word.to_owned(),
        then: Mended::Described,
        flag: None,
    };
    let called = vocab::shown(desk.language(), kind.word);
    Ok(Button::new(desk.fill(Word::RecordTrouble, &[&called]), act).mark(Mark::Found))
}

/// The board of a thing as it is shown.
struct Shown<'s> {
    desk: &'s Desk<'s>,
    thing: ThingId,
    trouble: Trouble,
    recorded: Vec<Recorded>,
    board: Board,
}

impl<'s> Shown<'s> {
    fn of(desk: &'s Desk<'s>, thing: &Thing<'_>, trouble: Trouble) -> Self {
        let recorded = answers_on(thing);
        let (board, _) = board_of(trouble, &recorded);
        Self {
            desk,
            thing: thing.id,
            trouble,
            recorded,
            board,
        }
    }

    fn blocks(&self, site: &Site<'_>) -> Vec<Block> {
        let desk = self.desk;
        let mut blocks = self.verdict();
        blocks.push(Block::heading(desk.say(Word::NextTest)));
        let next = self.board.next().map(|next| next.sign);
        match next {
            Some(next) => blocks.extend(self.sign(next, Answer::NotTested)),
            None => blocks.push(Block::text(desk.say(Word::NoNextTest), Tone::Plain)),
        }
        let open = self.board.not_tested().map(|open| open.sign);
        let rest: Vec<_> = open.filter(|sign| Some(*sign) != next).collect();
        if !rest.is_empty() {
            blocks.push(Block::heading(desk.say(Word::NotTested)));
            for sign in rest {
                blocks.extend(self.sign(sign, Answer::NotTested));
            }
        }
        let tested: Vec<_> = self.board.tested().collect();
        if !tested.is_empty() {
            blocks.push(Block::heading(desk.say(Word::Tested)));
            for (sign, answer) in tested {
                blocks.extend(self.sign(sign, answer));
                blocks.extend(self.points(sign));
            }
        }
        blocks.push(photo::block(desk, site, self.thing, None));
        blocks.push(Block::heading(desk.say(Word::Causes)));
        let causes = self.board.suspects().map(|one| Fact {
            label: self.called(one.cause),
            value: format!("{:.0}%", one.share.get() * 100.0),
            versions: Vec::new(),
        });
        blocks.push(Block::Facts {
            rows: causes.collect(),
        });
        blocks.push(Block::text(desk.say(Word::CommonPractice), Tone::Plain));
        blocks
    }

    /// What the answers come to, and where one cause stands out, what it means and who mends it.
    fn verdict(&self) -> Vec<Block> {
        let (desk, language) = (self.desk, self.desk.language());
        let memory = |text: String| Block::text(text, Tone::Memory);
        match (self.board.verdict(), self.board.points_to()) {
            (_, Some(line)) => {
                let cause = words::cause(language, self.trouble, line);
                let mut blocks = vec![
                    memory(desk.fill(Word::PointsTo, &[&cause.name])),
                    Block::text(
                        desk.fill(Word::CauseMeans, &[cause.means, cause.remedy]),
                        Tone::Plain,
                    ),
                ];
                blocks.extend(
                    line.caution.map(|caution| {
                        Block::text(vocab::caution(language, caution), Tone::Caution)
                    }),
                );
                blocks
            }
            (Verdict::NothingTested, None) => {
                vec![memory(desk.say(Word::NothingTested).to_owned())]
            }
            (Verdict::NoneFits, None) => vec![memory(desk.say(Word::NoneFits).to_owned())],
            (Verdict::Open | Verdict::PointsTo(_), None) => {
                let suspects = self.board.suspects().take(2);
                let suspects = suspects.map(|one| self.called(one.cause));
                let suspects: Vec<_> = suspects.collect();
                vec![memory(desk.fill(Word::NotSettled, &[&suspects.join(", ")]))]
            }
        }
    }

    fn called(&self, cause: &CauseLine) -> String {
        words::cause(self.desk.language(), self.trouble, cause).name
    }

    /// A sign with its answers; the one that stands is marked.
    fn sign(&self, line: &SignLine, answer: Answer) -> Vec<Block> {
        let (desk, language) = (self.desk, self.desk.language());
        // What was just done needs no telling how, nor what could have hurt.
        let to_do = answer == Answer::NotTested || self.is_earlier(line);
        let caution = line.caution.filter(|_| to_do);
        let caution = caution.map(|it| Block::text(vocab::caution(language, it), Tone::Caution));
        let mut blocks: Vec<_> = caution.into_iter().collect();
        let options = [
            (Word::Yes, "yes", Answer::Yes),
            (Word::No, "no", Answer::No),
        ];
        let options = options.map(|(word, seen, of)| {
            let act = Act::Sign {
                thing: Id(self.thing),
                sign: line.word.to_owned(),
                seen: seen.to_owned(),
            };
            Button::new(desk.say(word), act).chosen(answer == of)
        });
        let said = words::sign(language, self.trouble, line);
        let label = format!("{} ({:.0} min)", said.name, line.minutes.get());
        blocks.push(Block::choices(label, options.to_vec()));
        blocks.extend(to_do.then(|| Block::text(said.how, Tone::Plain)));
        blocks
    }

    /// Where the answer to a sign points, the most believed cause first.
    fn points(&self, line: &SignLine) -> Vec<Block> {
        let desk = self.desk;
        let mut said = Vec::new();
        let at = self.board.line.sign(line.word);
        for (way, word) in [
            (Points::To, Word::SignPointsTo),
            (Points::Away, Word::SignPointsAway),
        ] {
            let suspects = self.board.suspects();
            let points = suspects.filter(|one| at.and_then(|at| one.points.get(at)) == Some(&way));
            let causes: Vec<_> = points.map(|one| self.called(one.cause)).collect();
            if !causes.is_empty() {
                said.push(desk.fill(word, &[&causes.join(", ")]));
            }
        }
        if self.is_earlier(line) {
            said.push(desk.say(Word::SignEarlier).to_owned());
        }
        let said = said.into_iter();
        said.map(|text| Block::text(text, Tone::Memory)).collect()
    }

    fn any_earlier(&self) -> bool {
        self.board.tested().any(|(line, _)| self.is_earlier(line))
    }

    /// Whether the answer that stands was given before the visit at hand.
    fn is_earlier(&self, line: &SignLine) -> bool {
        let here = self.desk.phone.visit_here();
        let at = self.board.line.sign(line.word);
        let mut answers = self
            .recorded
            .iter()
            .filter(|one| one.answer != Answer::NotTested && self.board.line.sign(&one.sign) == at);
        let last = answers.next_back();
        here.is_some() && last.is_some_and(|last| last.visit != here)
    }
}

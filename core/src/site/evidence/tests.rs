use std::collections::BTreeSet;

use super::*;
use crate::water::evidence::{adaptive, best_fixed, fixed};

#[test]
fn every_trouble_has_a_sound_table() {
    assert_eq!(TROUBLES.len(), Trouble::MEMBERS.len());
    for line in TROUBLES {
        let words: BTreeSet<&str> = line.signs.iter().map(|sign| sign.word).collect();
        assert_eq!(words.len(), line.signs.len(), "{}", line.trouble.word());
        let causes: BTreeSet<&str> = line.causes.iter().map(|cause| cause.word).collect();
        assert_eq!(causes.len(), line.causes.len());
        for sign in line.signs {
            assert_eq!(sign.shows.len(), line.causes.len(), "{}", sign.word);
            let kinds: BTreeSet<u64> = sign
                .shows
                .iter()
                .map(|shows| shows.chance().get().to_bits())
                .collect();
            assert!(kinds.len() > 1, "{} tells nothing", sign.word);
        }
    }
}

#[test]
fn a_scripted_visit_leads_to_each_cause() {
    let mut longest = 0;
    for line in TROUBLES {
        for (at, cause) in line.causes.iter().enumerate() {
            let mut said = Vec::new();
            let mut board = Board::of(line.trouble, &said).unwrap();
            while board.points_to().is_none() {
                let Some(next) = board.next() else {
                    break;
                };
                // The ground answers as it mostly does under that cause; a toss-up cannot be told.
                let answer = match next.sign.shows[at] {
                    Shows::Always | Shows::Usually => Answer::Yes,
                    Shows::Never | Shows::Seldom => Answer::No,
                    Shows::Half => Answer::NotTested,
                };
                let told = said.len();
                said.push((next.sign.word, answer));
                board = Board::of(line.trouble, &said).unwrap();
                // A crew that cannot tell takes the next most telling test instead.
                if answer == Answer::NotTested {
                    let open = board
                        .not_tested()
                        .find(|open| said.iter().all(|(word, _)| *word != open.sign.word));
                    let Some(open) = open else { break };
                    let yes = open.sign.shows[at].chance().get() > 0.5;
                    said.push((open.sign.word, if yes { Answer::Yes } else { Answer::No }));
                    board = Board::of(line.trouble, &said).unwrap();
                }
                assert!(said.len() > told && said.len() <= 2 * line.signs.len());
            }
            let trouble = line.trouble.word();
            let found = board.points_to();
            assert_eq!(found, Some(cause), "{trouble}, {}: {said:?}", cause.word);
            longest = longest.max(said.len());
        }
    }
    println!("evidence: the longest scripted visit takes {longest} tests");
}

#[test]
fn asking_the_most_telling_test_first_beats_a_checklist() {
    for line in TROUBLES {
        let table = line.table();
        let list: Vec<usize> = (0..line.signs.len()).collect();
        let (asked, listed) = (adaptive(&table), fixed(&table, &list));
        let better = fixed(&table, &best_fixed(&table));
        println!(
            "evidence: {}: {:.2} tests, right {:.0} %; checklist as printed {:.2}, right {:.0} %; \
             best checklist found {:.2}",
            line.trouble.word(),
            asked.tests.get(),
            100.0 * asked.right.get(),
            listed.tests.get(),
            100.0 * listed.right.get(),
            better.tests.get(),
        );
        let trouble = line.trouble.word();
        assert!(asked.tests < listed.tests, "{trouble}");
        // Where the answers hardly change what to ask, a list made for the table does as well.
        assert!(asked.tests.get() < better.tests.get() + 1e-9, "{trouble}");
        assert!(asked.right.get() > listed.right.get() - 0.02);
    }
}

#[test]
fn a_test_that_was_not_made_never_counts_as_a_no() {
    for line in TROUBLES {
        let silent = Board::of(line.trouble, &[]).unwrap();
        for sign in line.signs {
            let skipped = Board::of(line.trouble, &[(sign.word, Answer::NotTested)]).unwrap();
            assert_eq!(skipped, silent, "{}", sign.word);
            let no = Board::of(line.trouble, &[(sign.word, Answer::No)]).unwrap();
            assert_ne!(no, silent, "{}", sign.word);
        }
    }
}

#[test]
fn a_later_look_counts_and_a_later_shrug_does_not() {
    let board = |said: &[(&str, Answer)]| Board::of(Trouble::WetArea, said).unwrap();
    let sign = "static meter moves";
    let twice = board(&[(sign, Answer::Yes), (sign, Answer::No)]);
    assert_eq!(twice, board(&[(sign, Answer::No)]));
    let shrug = board(&[
        (sign, Answer::Yes),
        ("Static-meter moves", Answer::NotTested),
    ]);
    assert_eq!(shrug, board(&[(sign, Answer::Yes)]));
}

#[test]
fn an_unknown_sign_is_refused_with_the_closest() {
    let error = Board::of(Trouble::WetArea, &[("static meter move", Answer::Yes)]).unwrap_err();
    assert_eq!(
        error.to_string(),
        "`static meter move` is not a sign of wet-area; did you mean `static meter moves`?"
    );
}

#[test]
fn whoever_digs_opens_a_box_or_a_cabinet_is_warned_at_the_step() {
    for line in TROUBLES {
        for sign in line.signs {
            let words = format!("{} {}", sign.word, sign.how);
            let risky = ["box", "volts", "ohms", "bonnet", "flow control"];
            let risky = risky.iter().any(|risk| words.contains(risk));
            assert!(!risky || sign.caution.is_some(), "{}", sign.word);
        }
        for cause in line.causes {
            let risky = ["dig", "main line", "splice", "shut-off", "diaphragm"];
            let risky = risky
                .iter()
                .any(|it| cause.remedy.contains(it) || cause.plain.contains(it));
            assert!(!risky || cause.caution.is_some(), "{}", cause.word);
        }
    }
}

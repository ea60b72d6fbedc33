use proptest::prelude::*;

use super::*;
use crate::water::tables::close;

fn table(priors: &[f64], tests: &[&[f64]]) -> Result<Table, OutOfRange> {
    let causes: Vec<Cause> = priors
        .iter()
        .map(|prior| Cause {
            prior: Fraction::new(*prior),
        })
        .collect();
    let chances: Vec<Vec<Fraction>> = tests
        .iter()
        .map(|yes| yes.iter().copied().map(Fraction::new).collect())
        .collect();
    let tests: Vec<Test<'_>> = chances.iter().map(|yes| Test { yes }).collect();
    Table::new(&causes, &tests)
}

#[test]
fn beliefs_follow_bayes_by_hand() {
    // 0.7 x 0.2 x 0.5 = 0.07 against 0.3 x 0.9 x 0.4 = 0.108: shares 0.39326 and 0.60674.
    let table = table(&[0.7, 0.3], &[&[0.2, 0.9], &[0.5, 0.6]]).unwrap();
    let board = weigh(&table, &[Answer::Yes, Answer::No]).unwrap();
    assert_eq!(board.beliefs[0].cause, 1);
    close("second", board.beliefs[0].share.get(), 0.606_741_6, 1e-7);
    assert_eq!(board.verdict, Verdict::Open);
    assert_eq!(board.next, None);
}

#[test]
fn a_test_not_made_is_never_a_no() {
    let table = table(&[0.5, 0.3, 0.2], &[&[0.9, 0.2, 0.5], &[0.8, 0.1, 0.3]]).unwrap();
    let silent = weigh(&table, &[Answer::NotTested, Answer::NotTested]).unwrap();
    assert_eq!(silent, weigh(&table, &[]).unwrap());
    assert_eq!(silent.verdict, Verdict::NothingTested);
    let shares: Vec<f64> = silent
        .beliefs
        .iter()
        .map(|belief| belief.share.get())
        .collect();
    for (share, prior) in shares.iter().zip([0.5, 0.3, 0.2]) {
        close("prior", *share, prior, 1e-12);
    }
    let no = weigh(&table, &[Answer::No]).unwrap();
    assert!((no.beliefs[0].share.get() - 0.5).abs() > 0.05);
    assert!(
        silent
            .beliefs
            .iter()
            .all(|it| it.points == [Points::Neither; 2])
    );
}

#[test]
fn the_next_test_is_the_one_that_separates_best() {
    // The first test says the same of both, the second a little, the third much.
    let yes: [&[f64]; 3] = [&[0.5, 0.5], &[0.6, 0.4], &[0.95, 0.05]];
    let table = table(&[0.5, 0.5], &yes).unwrap();
    let board = weigh(&table, &[]).unwrap();
    let next = board.next.unwrap();
    assert_eq!(next.test, 2);
    // A channel with a twentieth of error: 1 - H(0.05) = 0.7136 bits.
    close("bits", next.gain_bits.get(), 0.713_603, 1e-6);
    assert_eq!(
        board.open.iter().map(|it| it.test).collect::<Vec<_>>(),
        [2, 1, 0]
    );
    let after = weigh(&table, &[Answer::NotTested, Answer::NotTested, Answer::Yes]).unwrap();
    assert_eq!(after.verdict, Verdict::PointsTo(0));
    assert_eq!(after.beliefs[0].points[2], Points::To);
    assert_eq!(after.beliefs[1].points[2], Points::Away);
}

#[test]
fn answers_that_fit_no_cause_are_told_as_such() {
    let table = table(&[0.5, 0.5], &[&[0.95, 0.05], &[0.95, 0.05], &[0.05, 0.95]]).unwrap();
    let board = weigh(&table, &[Answer::Yes, Answer::Yes, Answer::No]).unwrap();
    assert_eq!(board.verdict, Verdict::PointsTo(0));
    close("fit", board.fit.get(), 1.0, 1e-12);
    let two = [[0.999, 0.001], [0.001, 0.999]];
    let two: Vec<&[f64]> = two.iter().map(|yes| &yes[..]).collect();
    let strict = self::table(&[0.5, 0.5], &two).unwrap();
    let board = weigh(&strict, &[Answer::Yes, Answer::Yes]).unwrap();
    assert_eq!(board.verdict, Verdict::NoneFits);
}

#[test]
fn what_is_no_table_is_refused_by_name() {
    assert_eq!(table(&[1.0], &[&[0.5]]).unwrap_err().field, "causes");
    assert_eq!(table(&[1.0, 1.0], &[]).unwrap_err().field, "tests");
    assert_eq!(
        table(&[1.0, 0.0], &[&[0.5, 0.5]]).unwrap_err().field,
        "prior"
    );
    assert_eq!(table(&[1.0, 1.0], &[&[0.5]]).unwrap_err().field, "yes");
    assert_eq!(table(&[1.0, 1.0], &[&[0.5, 1.0]]).unwrap_err().field, "yes");
    let fine = table(&[1.0, 1.0], &[&[0.5, 0.6]]).unwrap();
    assert_eq!(
        weigh(&fine, &[Answer::Yes; 2]).unwrap_err().field,
        "answers"
    );
}

#[test]
fn asking_in_order_of_telling_takes_no_more_tests_than_a_list() {
    // Four causes in two pairs: the first test splits the pairs, one more is needed in each.
    let yes: [&[f64]; 4] = [
        &[0.5, 0.5, 0.5, 0.5],
        &[0.97, 0.03, 0.5, 0.5],
        &[0.5, 0.5, 0.97, 0.03],
        &[0.97, 0.97, 0.03, 0.03],
    ];
    let table = table(&[0.25; 4], &yes).unwrap();
    let asked = adaptive(&table);
    let listed = fixed(&table, &[0, 1, 2, 3]);
    let better = best_fixed(&table);
    assert!(asked.tests < fixed(&table, &better).tests);
    assert!(fixed(&table, &better).tests < listed.tests);
    close("two tests", asked.tests.get(), 2.0, 0.2);
    assert!(asked.right.get() > 0.9, "{asked:?}");
}

proptest! {
    #[test]
    fn shares_sum_to_one_and_no_test_is_expected_to_mislead(
        priors in proptest::collection::vec(0.05..1.0f64, 3),
        yes in proptest::collection::vec(0.02..0.98f64, 12),
        said in proptest::collection::vec(0..3u8, 4),
    ) {
        let tests: Vec<&[f64]> = yes.chunks(3).collect();
        let table = table(&priors, &tests).unwrap();
        let answers: Vec<Answer> = said.iter().map(|said| match said {
            0 => Answer::Yes,
            1 => Answer::No,
            _ => Answer::NotTested,
        }).collect();
        let board = weigh(&table, &answers).unwrap();
        let total: f64 = board.beliefs.iter().map(|belief| belief.share.get()).sum();
        prop_assert!((total - 1.0).abs() < 1e-9);
        prop_assert!(board.open.iter().all(|open| open.gain_bits.get() >= 0.0));
        let made = answers.iter().filter(|answer| **answer != Answer::NotTested).count();
        prop_assert_eq!(board.open.len() + made, 4);
    }
}

//! In which order to ask: how many tests it takes until one cause stands out, over every way that
//! the answers can fall.

use super::{Answer, SETTLED, Table, most_believed};
use crate::water::units::Fraction;

/// How an order of asking does over the whole table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// Expected number of tests until a cause is believed beyond [`SETTLED`], or none is left.
    pub tests: Fraction,
    /// How often it then names the cause that is at work.
    pub right: Fraction,
}

/// Returns how asking the most telling test first does.
#[must_use]
pub fn adaptive(table: &Table) -> Asked {
    walk(table, &|beliefs, made: &[bool]| {
        let made = |test: usize| made.get(test).copied().unwrap_or(true);
        table.best_next(beliefs, made)
    })
}

/// Returns how a checklist in a fixed order does, stopping as soon as the other would.
#[must_use]
pub fn fixed(table: &Table, order: &[usize]) -> Asked {
    walk(table, &|_, made: &[bool]| {
        let open = |test: &&usize| made.get(**test) == Some(&false);
        order.iter().find(open).copied()
    })
}

/// Returns a good fixed order: each place goes to the test that shortens the list most when the
/// rest keep their order. Not proven the best of all.
#[must_use]
pub fn best_fixed(table: &Table) -> Vec<usize> {
    let mut order: Vec<usize> = (0..table.tests()).collect();
    let mut least = fixed(table, &order).tests.get();
    loop {
        let before = least;
        for from in 0..order.len() {
            for to in 0..order.len() {
                let mut other = order.clone();
                let test = other.remove(from);
                other.insert(to, test);
                let tests = fixed(table, &other).tests.get();
                if tests < least - 1e-9 {
                    (least, order) = (tests, other);
                }
            }
        }
        if least >= before - 1e-9 {
            return order;
        }
    }
}

/// Which test to make at some beliefs, with which of them already made.
type Choosing<'c> = dyn Fn(&[f64], &[bool]) -> Option<usize> + 'c;

/// Follows every run of answers, each by its chance.
fn walk(table: &Table, choose: &Choosing<'_>) -> Asked {
    let made = vec![false; table.tests()];
    let (tests, right) = from_here(table, &table.priors, &made, choose);
    Asked {
        tests: Fraction::new(tests),
        right: Fraction::new(right),
    }
}

/// Expected tests still to come, and the chance to be right at the end.
fn from_here(table: &Table, beliefs: &[f64], made: &[bool], choose: &Choosing<'_>) -> (f64, f64) {
    let most = beliefs.get(most_believed(beliefs)).copied().unwrap_or(1.0);
    if most >= SETTLED.get() {
        return (0.0, most);
    }
    let Some(test) = choose(beliefs, made) else {
        return (0.0, most);
    };
    let mut with = made.to_vec();
    if let Some(one) = with.get_mut(test) {
        *one = true;
    }
    let yes = table.yes_chance(beliefs, test);
    let (mut tests, mut right) = (1.0, 0.0);
    for (answer, chance) in [(Answer::Yes, yes), (Answer::No, 1.0 - yes)] {
        let after = table.after(beliefs, test, answer);
        let (more, so_right) = from_here(table, &after, &with, choose);
        tests += chance * more;
        right += chance * so_right;
    }
    (tests, right)
}

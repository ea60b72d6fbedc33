//! What dry and wet notes teach about a zone's coefficient: a Bayesian update on a grid.
//!
//! [`learned`] is the entry point.
//!
//! Before any note the coefficient may lie anywhere in the published range of its plants; of all
//! beliefs over that range whose mean is the published figure, the flattest one is taken (an
//! exponential, uniform where the figure is in the middle). A note weighs each place of the grid by
//! how likely such a note would have been there, given how much water the zone had. So a dry spot in
//! a zone that got half of what was reckoned teaches little: any coefficient explains it.
//!
//! ```
//! use headwalk_core::water::learn::{How, Note, Published, Sign, learned};
//! use headwalk_core::water::units::Fraction;
//!
//! let shrubs = Published {
//!     low: Fraction::new(0.70),
//!     figure: Fraction::new(0.80),
//!     high: Fraction::new(0.90),
//! };
//! let dry = Note { sign: Sign::Dry, how: How::Seen, supplied: Fraction::new(1.0) };
//! let got = learned(shrubs, &[dry, dry])?;
//! assert_eq!(format!("{:.2}", got.coefficient.get()), "0.84");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Bayes' rule on a grid; the shape of the prior, of the likelihood and its widths are choices of
//! this project, without a source, and stated with every result.

use super::units::{Allowed, Fraction, OutOfRange};

/// What is published of a coefficient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Published {
    /// The lowest.
    pub low: Fraction,
    /// The one that is used where nobody noted anything.
    pub figure: Fraction,
    /// The highest.
    pub high: Fraction,
}

/// What a note says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sign {
    /// Too dry.
    Dry,
    /// As it should be; only a probe says so.
    Right,
    /// Too wet.
    Wet,
}

/// How it was known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By eye and foot. One in five comes from something else: shade, a dog, a mower.
    Seen,
    /// By a soil probe. One in twenty does.
    Probed,
}

/// A note that no fault explains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// What it says.
    pub sign: Sign,
    /// How it was known.
    pub how: How,
    /// Water that the drier half had in the weeks before, as a share of what the published figure
    /// asks for: 1 where it was watered as reckoned.
    pub supplied: Fraction,
}

/// What was learned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learned {
    /// The mean of what is believed after the notes.
    pub coefficient: Fraction,
    /// Nine parts in ten of the belief lie from here ..
    pub from: Fraction,
    /// .. to here.
    pub to: Fraction,
}

/// Places of the grid: a hundredth of the range each.
const PLACES: usize = 101;
/// How far, as a share of the need, the water may be off before a person sees it: half of the
/// notes come by then, nine in ten at twice of it.
const SEEN_WITHIN: f64 = 0.10;

/// Returns the coefficient after notes.
///
/// # Errors
/// [`OutOfRange`] naming `low` outside 0 to 2, `figure` or `high` below the one before, or
/// `supplied` below zero.
pub fn learned(published: Published, notes: &[Note]) -> Result<Learned, OutOfRange> {
    let places = grid(published)?;
    let mut belief = prior(&places, published.figure.get());
    for note in notes {
        let supplied = Allowed::ZeroOrMore.check("supplied", note.supplied.get())?;
        for (weight, place) in belief.iter_mut().zip(&places) {
            // Water that it had, less what it needed, in shares of the published need.
            let spare = supplied - place / published.figure.get();
            *weight *= likelihood(*note, spare);
        }
        let sum: f64 = belief.iter().sum();
        for weight in &mut belief {
            *weight /= sum;
        }
    }
    let mean = |belief: &[f64]| -> f64 {
        let products = belief.iter().zip(&places);
        products.map(|(weight, place)| weight * place).sum()
    };
    Ok(Learned {
        coefficient: Fraction::new(mean(&belief)),
        from: Fraction::new(reached(&belief, &places, 0.05)),
        to: Fraction::new(reached(&belief, &places, 0.95)),
    })
}

fn grid(published: Published) -> Result<Vec<f64>, OutOfRange> {
    let low = Allowed::Between(0.01, 2.0).check("low", published.low.get())?;
    let figure = Allowed::Between(low, 2.0).check("figure", published.figure.get())?;
    let high = Allowed::Between(figure, 2.0).check("high", published.high.get())?;
    let step = (high - low) / (PLACES - 1) as f64;
    Ok((0..PLACES).map(|nth| low + step * nth as f64).collect())
}

/// The flattest belief over the places whose mean is the figure: weights that grow or fall by the
/// same factor from place to place (the largest entropy of a given mean).
fn prior(places: &[f64], figure: f64) -> Vec<f64> {
    let weights = |lean: f64| -> Vec<f64> {
        let middle = (places.len() / 2) as f64;
        let raw = (0..places.len()).map(|nth| (lean * (nth as f64 - middle)).exp());
        let raw: Vec<f64> = raw.collect();
        let sum: f64 = raw.iter().sum();
        raw.into_iter().map(|weight| weight / sum).collect()
    };
    let mean = |lean: f64| -> f64 {
        weights(lean)
            .iter()
            .zip(places)
            .map(|(weight, place)| weight * place)
            .sum()
    };
    // The mean grows with the lean; a figure at an end of the range is met as nearly as can be.
    let (mut low, mut high) = (-5.0, 5.0);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if mean(middle) < figure {
            low = middle;
        } else {
            high = middle;
        }
    }
    weights(f64::midpoint(low, high))
}

/// How likely a note is where so much water was to spare.
fn likelihood(note: Note, spare: f64) -> f64 {
    let more = |by: f64| 1.0 / (1.0 + (-by / SEEN_WITHIN * 2.0).exp());
    let told = match note.sign {
        Sign::Dry => more(-spare),
        Sign::Wet => more(spare - SEEN_WITHIN),
        Sign::Right => more(spare) * more(2.0 * SEEN_WITHIN - spare),
    };
    let chance = match note.how {
        How::Seen => 0.2,
        How::Probed => 0.05,
    };
    chance / 2.0 + (1.0 - chance) * told
}

/// The place up to which a share of the belief lies.
fn reached(belief: &[f64], places: &[f64], share: f64) -> f64 {
    let mut sum = 0.0;
    for (weight, place) in belief.iter().zip(places) {
        sum += weight;
        if sum >= share {
            return *place;
        }
    }
    places.last().copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::close;

    const SHRUBS: Published = Published {
        low: Fraction::new(0.70),
        figure: Fraction::new(0.80),
        high: Fraction::new(0.90),
    };

    fn note(sign: Sign, how: How, supplied: f64) -> Note {
        Note {
            sign,
            how,
            supplied: Fraction::new(supplied),
        }
    }

    fn after(published: Published, notes: &[Note]) -> f64 {
        learned(published, notes).unwrap().coefficient.get()
    }

    #[test]
    fn without_notes_the_published_figure_stands_wherever_in_the_range_it_is() {
        for figure in [0.71, 0.75, 0.80, 0.86, 0.89] {
            let published = Published {
                figure: Fraction::new(figure),
                ..SHRUBS
            };
            close("figure", after(published, &[]), figure, 1e-9);
        }
        // In the middle the prior is uniform: nine tenths of it lie within 5 % of either end.
        let got = learned(SHRUBS, &[]).unwrap();
        close("from", got.from.get(), 0.71, 0.0021);
        close("to", got.to.get(), 0.89, 0.0021);
    }

    #[test]
    fn dry_notes_raise_and_wet_notes_lower_and_a_probe_weighs_more() {
        let dry = note(Sign::Dry, How::Seen, 1.0);
        let (one, two) = (after(SHRUBS, &[dry]), after(SHRUBS, &[dry, dry]));
        assert!(0.80 < one && one < two && two < 0.90, "{one} {two}");
        let probed = after(SHRUBS, &[note(Sign::Dry, How::Probed, 1.0)]);
        assert!(probed > one);
        assert!(after(SHRUBS, &[note(Sign::Wet, How::Seen, 1.1)]) < 0.80);
        let right = learned(SHRUBS, &[note(Sign::Right, How::Probed, 1.1)]).unwrap();
        let none = learned(SHRUBS, &[]).unwrap();
        assert!(right.to.get() - right.from.get() <= none.to.get() - none.from.get());
    }

    #[test]
    fn a_dry_note_in_a_zone_that_got_half_the_water_teaches_next_to_nothing() {
        let starved = after(SHRUBS, &[note(Sign::Dry, How::Seen, 0.5); 3]);
        close("starved", starved, 0.80, 0.002);
    }

    #[test]
    fn the_grid_agrees_with_the_integral_of_the_same_rule() {
        // Ten thousand places by hand, uniform prior, two dry notes.
        let weight = |place: f64| {
            let told = 1.0 / (1.0 + ((1.0 - place / 0.8) / 0.05).exp());
            (0.1 + 0.8 * told).powi(2)
        };
        let places = (0..10_000).map(|nth| 0.7 + 0.2 * (f64::from(nth) + 0.5) / 10_000.0);
        let (sum, product) = places.fold((0.0, 0.0), |(sum, product), place| {
            (sum + weight(place), product + weight(place) * place)
        });
        let got = after(SHRUBS, &[note(Sign::Dry, How::Seen, 1.0); 2]);
        close("by hand", got, product / sum, 1e-3);
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let field = |published, notes: &[Note]| learned(published, notes).unwrap_err().field;
        let upside_down = Published {
            high: Fraction::new(0.5),
            ..SHRUBS
        };
        assert_eq!(field(upside_down, &[]), "high");
        assert_eq!(
            field(SHRUBS, &[note(Sign::Dry, How::Seen, f64::NAN)]),
            "supplied"
        );
    }

    proptest! {
        #[test]
        fn no_notes_leave_the_published_range_and_one_more_dry_note_never_lowers(
            low in 0.1..0.8f64, width in 0.02..0.6f64, at in 0.0..=1.0f64,
            notes in proptest::collection::vec((0u8..3, any::<bool>(), 0.0..2.5f64), 0..30),
            supplied in 0.0..2.5f64,
        ) {
            let published = Published {
                low: Fraction::new(low),
                figure: Fraction::new(low + width * at),
                high: Fraction::new(low + width),
            };
            let mut notes: Vec<Note> = notes
                .iter()
                .map(|(sign, probed, supplied)| {
                    let sign = [Sign::Dry, Sign::Right, Sign::Wet][usize::from(*sign)];
                    note(sign, if *probed { How::Probed } else { How::Seen }, *supplied)
                })
                .collect();
            let got = learned(published, &notes).unwrap();
            let inside = low - 1e-9..=low + width + 1e-9;
            for place in [got.coefficient, got.from, got.to] {
                prop_assert!(inside.contains(&place.get()));
            }
            notes.push(note(Sign::Dry, How::Seen, supplied));
            prop_assert!(after(published, &notes) >= got.coefficient.get() - 1e-9);
        }
    }
}

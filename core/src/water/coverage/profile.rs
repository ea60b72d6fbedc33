//! How a head's water falls off along its radius.

use super::super::units::{Allowed, Feet, Fraction, InchesPerHour, OutOfRange};

/// Relative rates along a radius, straight between knots; the last knot is the radius.
///
/// Only the shape counts: the flow sets the height.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Share of the radius, 0 to 1 and rising, and the relative rate there.
    knots: Vec<[f64; 2]>,
}

impl Profile {
    /// Returns a rate that falls in a straight line from the head to nothing at the radius.
    ///
    /// # Source
    /// The triangle among the geometrical patterns of Christiansen (1942), from memory; what
    /// heads spaced at their radius are designed on.
    #[must_use]
    pub fn falling() -> Self {
        Self {
            knots: vec![[0.0, 1.0], [1.0, 0.0]],
        }
    }

    /// Returns the same rate all the way out.
    #[must_use]
    pub fn even() -> Self {
        Self {
            knots: vec![[0.0, 1.0], [1.0, 1.0]],
        }
    }

    /// Returns the profile of a line of cans from the head outward: how far each stood, and what
    /// rate it had. The radius is where the last can stood; inside the first can the rate is its.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `profile` with fewer than two cans or with no water in any of them;
    /// `distance_ft` where distances do not rise or pass 200 ft, `rate_in_h` below zero.
    pub fn measured(cans: &[(Feet, InchesPerHour)]) -> Result<(Self, Feet), OutOfRange> {
        let count = cans.len() as f64;
        Allowed::Between(2.0, 1_000.0).check("profile", count)?;
        let mut before_ft = -f64::MIN_POSITIVE;
        for (distance, rate) in cans {
            let distance_ft = Allowed::Between(0.0, 200.0).check("distance_ft", distance.get())?;
            Allowed::ZeroOrMore.check("rate_in_h", rate.get())?;
            if distance_ft <= before_ft {
                let rule = Allowed::Rule("farther than the can before it");
                return Err(rule.broken("distance_ft", distance_ft));
            }
            before_ft = distance_ft;
        }
        if cans.iter().all(|(_, rate)| rate.get() <= 0.0) {
            return Err(Allowed::Rule("cans of which one caught water").broken("profile", count));
        }
        let mut knots: Vec<[f64; 2]> = cans
            .iter()
            .map(|(distance, rate)| [distance.get() / before_ft, rate.get()])
            .collect();
        if let Some(&[share, rate]) = knots.first()
            && share > 0.0
        {
            knots.insert(0, [0.0, rate]);
        }
        Ok((Self { knots }, Feet::new(before_ft)))
    }

    /// Returns the relative rate at a share of the radius; nothing falls beyond it.
    #[must_use]
    pub fn at(&self, share: Fraction) -> Fraction {
        let share = share.get();
        if !(0.0..=1.0).contains(&share) {
            return Fraction::ZERO;
        }
        let relative = self
            .pieces()
            .find(|[_, [end, _]]| share <= *end)
            .map_or(0.0, |[[start, low], [end, high]]| {
                low + (high - low) * (share - start) / (end - start)
            });
        Fraction::new(relative)
    }

    /// Returns the integral of rate times share from the head out to a share of the radius: the
    /// water within it, but for the arc and the radius squared.
    pub(in crate::water) fn moment(&self, share: f64) -> f64 {
        let mut sum = 0.0;
        for [[start, low], [end, high]] in self.pieces() {
            let to = end.min(share);
            if to <= start {
                break;
            }
            // rate = low + slope (s - start); its integral times s, in closed form.
            let slope = (high - low) / (end - start);
            let level = low - slope * start;
            sum += level * (to * to - start * start) / 2.0
                + slope * (to.powi(3) - start.powi(3)) / 3.0;
        }
        sum
    }

    /// From knot to knot.
    fn pieces(&self) -> impl Iterator<Item = [[f64; 2]; 2]> + '_ {
        let next = self.knots.iter().skip(1);
        self.knots.iter().zip(next).map(|(&from, &to)| [from, to])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::close;

    #[test]
    fn a_falling_rate_and_an_even_one_have_their_closed_forms() {
        // Integral of (1 - s) s is 1/6, of s is 1/2.
        close("falling", Profile::falling().moment(1.0), 1.0 / 6.0, 1e-15);
        close("even", Profile::even().moment(1.0), 0.5, 1e-15);
        close("half way", Profile::even().moment(0.5), 0.125, 1e-15);
        assert_eq!(
            Profile::falling().at(Fraction::new(0.25)),
            Fraction::new(0.75)
        );
        assert_eq!(Profile::even().at(Fraction::new(1.01)), Fraction::ZERO);
    }

    #[test]
    fn a_line_of_cans_becomes_a_profile_and_its_radius() {
        let cans = [(2.0, 0.8), (6.0, 0.6), (12.0, 0.3), (15.0, 0.0)];
        let cans = cans.map(|(ft, rate)| (Feet::new(ft), InchesPerHour::new(rate)));
        let (profile, radius) = Profile::measured(&cans).unwrap();
        assert_eq!(radius, Feet::new(15.0));
        close(
            "inside the first can",
            profile.at(Fraction::ZERO).get(),
            0.8,
            0.0,
        );
        close(
            "between two cans",
            profile.at(Fraction::new(9.0 / 15.0)).get(),
            0.45,
            1e-12,
        );
        let back = [cans[1], cans[0]];
        assert_eq!(Profile::measured(&back).unwrap_err().field, "distance_ft");
        assert_eq!(Profile::measured(&cans[..1]).unwrap_err().field, "profile");
        let dry = [
            (Feet::ZERO, InchesPerHour::ZERO),
            (Feet::new(5.0), InchesPerHour::ZERO),
        ];
        assert_eq!(Profile::measured(&dry).unwrap_err().field, "profile");
    }
}

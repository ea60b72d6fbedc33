//! Places on a sketch: where a head stands by two tapes, what ground lies inside an outline.
//!
//! East and north are in feet from the sketch's own origin; bearings are in degrees clockwise from
//! north, as [`Point::bearing_to`] returns them. Nothing here knows latitude or water.
//!
//! ```
//! use headwalk_core::water::plane::{Point, Side, by_two_tapes};
//! use headwalk_core::water::units::Feet;
//!
//! let (corner, gate) = (Point::new(0.0, 0.0), Point::new(10.0, 0.0));
//! let head = by_two_tapes(corner, Feet::new(6.0), gate, Feet::new(8.0), Side::Left)?;
//! assert_eq!(format!("{head}"), "3.6 ft east, 4.8 ft north");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```

use std::fmt;

use super::units::{Allowed, Degrees, Feet, OutOfRange, SquareFeet};

/// A place on a sketch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// To the right of the sketch's origin.
    pub east: Feet,
    /// Up from the sketch's origin.
    pub north: Feet,
}

impl Point {
    /// Makes a place from feet east and feet north of the sketch's origin.
    #[must_use]
    pub const fn new(east_ft: f64, north_ft: f64) -> Self {
        Self {
            east: Feet::new(east_ft),
            north: Feet::new(north_ft),
        }
    }

    /// Returns how far another place is.
    #[must_use]
    pub fn distance(self, other: Self) -> Feet {
        let [east, north] = self.steps_to(other);
        Feet::new(east.hypot(north))
    }

    /// Returns in which direction another place is, clockwise from north, 0 to 360.
    #[must_use]
    pub fn bearing_to(self, other: Self) -> Degrees {
        let [east, north] = self.steps_to(other);
        Degrees::new(east.atan2(north).to_degrees().rem_euclid(360.0))
    }

    /// Returns the place so far off in that direction.
    #[must_use]
    pub fn towards(self, bearing: Degrees, distance: Feet) -> Self {
        let (sine, cosine) = bearing.get().to_radians().sin_cos();
        Self {
            east: self.east + distance * sine,
            north: self.north + distance * cosine,
        }
    }

    /// Feet east and feet north from here to there.
    fn steps_to(self, other: Self) -> [f64; 2] {
        [
            other.east.get() - self.east.get(),
            other.north.get() - self.north.get(),
        ]
    }

    fn checked(self) -> Result<Self, OutOfRange> {
        ON_A_SKETCH.check("east_ft", self.east.get())?;
        ON_A_SKETCH.check("north_ft", self.north.get())?;
        Ok(self)
    }
}

impl fmt::Display for Point {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (east, north) = (self.east.get(), self.north.get());
        let word = |value: f64, ahead, behind| if value < 0.0 { behind } else { ahead };
        write!(
            f,
            "{:.1} ft {}, {:.1} ft {}",
            east.abs(),
            word(east, "east", "west"),
            north.abs(),
            word(north, "north", "south"),
        )
    }
}

/// A mile each way: no sketch is larger.
const ON_A_SKETCH: Allowed = Allowed::Between(-5_280.0, 5_280.0);

/// On which side of the line from the first mark to the second a head stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// To the left of whoever walks from the first mark to the second.
    Left,
    /// To the right.
    Right,
}

/// Returns the place that is so far from one mark and so far from another.
///
/// Tapes stretch and lie crooked: where they miss each other by up to 2 % of the longest of the
/// three lengths, the place is put on the line between the marks.
///
/// # Errors
/// [`OutOfRange`] naming `east_ft` or `north_ft` of a mark off the sketch; `first_tape_ft` or
/// `second_tape_ft` below zero; `second_tape_ft` where the marks are one place or the two tapes
/// cannot meet.
pub fn by_two_tapes(
    first: Point,
    first_tape: Feet,
    second: Point,
    second_tape: Feet,
    side: Side,
) -> Result<Point, OutOfRange> {
    let (first, second) = (first.checked()?, second.checked()?);
    let near_ft = Allowed::ZeroOrMore.check("first_tape_ft", first_tape.get())?;
    let far_ft = Allowed::ZeroOrMore.check("second_tape_ft", second_tape.get())?;
    let apart_ft = first.distance(second).get();
    if apart_ft < 0.1 {
        let rule = Allowed::Rule("from a mark that is somewhere else than the first");
        return Err(rule.broken("second_tape_ft", far_ft));
    }
    let slack_ft = 0.02 * apart_ft.max(near_ft).max(far_ft);
    let short = apart_ft - near_ft - far_ft;
    let long = (near_ft - far_ft).abs() - apart_ft;
    if short > slack_ft || long > slack_ft {
        let rule = Allowed::Rule("long enough to meet the first tape, and no longer");
        return Err(rule.broken("second_tape_ft", far_ft));
    }
    let along_ft = (near_ft * near_ft - far_ft * far_ft + apart_ft * apart_ft) / (2.0 * apart_ft);
    let off_ft = (near_ft * near_ft - along_ft * along_ft).max(0.0).sqrt();
    let bearing = first.bearing_to(second);
    let turn = match side {
        Side::Left => -90.0,
        Side::Right => 90.0,
    };
    let on_line = first.towards(bearing, Feet::new(along_ft));
    Ok(on_line.towards(bearing + Degrees::new(turn), Feet::new(off_ft)))
}

/// A piece of ground with one outline: at least three corners, not all in a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    corners: Vec<Point>,
    area: SquareFeet,
}

impl Outline {
    /// Takes the corners in the order of a walk around the ground, the first not repeated.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `east_ft` or `north_ft` off the sketch; `corners` where there are
    /// fewer than three, or more than 1,000, where they enclose nothing, or where the outline
    /// crosses itself.
    pub fn new(mut corners: Vec<Point>) -> Result<Self, OutOfRange> {
        if corners.len() > 3 && corners.first() == corners.last() {
            corners.pop();
        }
        for corner in &corners {
            corner.checked()?;
        }
        Allowed::Between(3.0, 1_000.0).check("corners", corners.len() as f64)?;
        let outline = Self {
            area: SquareFeet::new(shoelace(&corners).abs() / 2.0),
            corners,
        };
        let count = outline.corners.len() as f64;
        if outline.area.get() < 0.01 {
            return Err(Allowed::Rule("corners that enclose some ground").broken("corners", count));
        }
        if outline.crosses_itself() {
            let rule = Allowed::Rule("in the order of a walk around, so that no two sides cross");
            return Err(rule.broken("corners", count));
        }
        Ok(outline)
    }

    /// Returns the smallest outline without dents around some places; none where they are in a
    /// line.
    #[must_use]
    pub fn around(places: &[Point]) -> Option<Self> {
        let mut sorted: Vec<Point> = places.to_vec();
        let key = |place: &Point| (place.east.get(), place.north.get());
        sorted.sort_by(|a, b| {
            let ((ae, an), (be, bn)) = (key(a), key(b));
            ae.total_cmp(&be).then(an.total_cmp(&bn))
        });
        let mut corners = half_hull(sorted.iter().copied());
        corners.pop();
        let mut upper = half_hull(sorted.iter().rev().copied());
        upper.pop();
        corners.append(&mut upper);
        Self::new(corners).ok()
    }

    /// Returns its corners, in the order given.
    #[must_use]
    pub fn corners(&self) -> &[Point] {
        &self.corners
    }

    /// Returns how much ground it encloses.
    #[must_use]
    pub const fn area(&self) -> SquareFeet {
        self.area
    }

    /// Returns whether a place lies inside.
    #[must_use]
    pub fn contains(&self, place: Point) -> bool {
        let (east, north) = (place.east.get(), place.north.get());
        let crossed = self.sides().filter(|[from, to]| {
            let (low, high) = (from.north.get(), to.north.get());
            (low > north) != (high > north)
                && east
                    < from.east.get()
                        + (north - low) / (high - low) * (to.east.get() - from.east.get())
        });
        crossed.count() % 2 == 1
    }

    /// Returns how far from a place, in a direction, each of its sides is met; nearest first.
    pub(super) fn met_along(&self, from: Point, bearing: Degrees) -> Vec<f64> {
        let (sine, cosine) = bearing.get().to_radians().sin_cos();
        // Along the ray and across it, so that a side is met where it changes sides of the ray.
        let turned = |corner: Point| {
            let [east, north] = from.steps_to(corner);
            [east * sine + north * cosine, east * cosine - north * sine]
        };
        let mut met: Vec<f64> = self
            .sides()
            .filter_map(|[start, end]| {
                let ([along, across], [along_end, across_end]) = (turned(start), turned(end));
                ((across > 0.0) != (across_end > 0.0))
                    .then(|| along + across / (across - across_end) * (along_end - along))
            })
            .filter(|along| *along > 0.0)
            .collect();
        met.sort_by(f64::total_cmp);
        met
    }

    /// Returns the lowest and the highest of its corners' east and north.
    pub(super) fn bounds(&self) -> [Point; 2] {
        bounds(&self.corners)
    }

    fn sides(&self) -> impl Iterator<Item = [Point; 2]> + '_ {
        let next = self.corners.iter().cycle().skip(1);
        self.corners.iter().zip(next).map(|(&from, &to)| [from, to])
    }

    fn crosses_itself(&self) -> bool {
        let sides: Vec<[Point; 2]> = self.sides().collect();
        sides.iter().enumerate().any(|(at, one)| {
            let others = sides.iter().skip(at + 2);
            // The last side meets the first in a corner, as neighbours do.
            let last = sides.len() - 1;
            others
                .enumerate()
                .any(|(after, other)| !(at == 0 && at + 2 + after == last) && cross(*one, *other))
        })
    }
}

/// Returns the lowest and the highest east and north of some places; the origin where there are
/// none.
pub(super) fn bounds(places: &[Point]) -> [Point; 2] {
    let Some((&first, rest)) = places.split_first() else {
        return [Point::new(0.0, 0.0); 2];
    };
    rest.iter().fold([first; 2], |[low, high], place| {
        let east = place.east.get();
        let north = place.north.get();
        [
            Point::new(low.east.get().min(east), low.north.get().min(north)),
            Point::new(high.east.get().max(east), high.north.get().max(north)),
        ]
    })
}

/// Twice the signed area.
fn shoelace(corners: &[Point]) -> f64 {
    let next = corners.iter().cycle().skip(1);
    let products = corners
        .iter()
        .zip(next)
        .map(|(a, b)| a.east.get() * b.north.get() - b.east.get() * a.north.get());
    products.sum()
}

/// How far `place` is to the left of the way from `a` to `b`, times that way's length.
fn left_of(a: Point, b: Point, place: Point) -> f64 {
    let ([east, north], [to_east, to_north]) = (a.steps_to(b), a.steps_to(place));
    east * to_north - north * to_east
}

fn cross([a, b]: [Point; 2], [c, d]: [Point; 2]) -> bool {
    let opposite = |one: f64, other: f64| one * other < 0.0;
    opposite(left_of(a, b, c), left_of(a, b, d)) && opposite(left_of(c, d, a), left_of(c, d, b))
}

/// One half of the hull of places that are sorted.
fn half_hull(sorted: impl Iterator<Item = Point>) -> Vec<Point> {
    let mut hull: Vec<Point> = Vec::new();
    for place in sorted {
        while let [.., a, b] = hull.as_slice() {
            if left_of(*a, *b, place) > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(place);
    }
    hull
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::close;

    fn outline(corners: &[(f64, f64)]) -> Result<Outline, OutOfRange> {
        Outline::new(corners.iter().map(|&(e, n)| Point::new(e, n)).collect())
    }

    #[test]
    fn an_outline_knows_its_ground_and_what_lies_on_it() {
        // An L: 10 by 10 less its 5 by 5 corner.
        let l = [
            (0.0, 0.0),
            (10.0, 0.0),
            (10.0, 5.0),
            (5.0, 5.0),
            (5.0, 10.0),
            (0.0, 10.0),
        ];
        let l = outline(&l).unwrap();
        assert_eq!(l.area(), SquareFeet::new(75.0));
        assert!(l.contains(Point::new(2.0, 8.0)));
        assert!(!l.contains(Point::new(8.0, 8.0)));
        let east = l.met_along(Point::new(2.0, 3.0), Degrees::new(90.0));
        close("east side", east[0], 8.0, 1e-9);
        let north_east = l.met_along(Point::new(1.0, 1.0), Degrees::new(0.0));
        close("north side", north_east[0], 9.0, 1e-9);
    }

    #[test]
    fn an_outline_that_encloses_nothing_or_crosses_itself_is_refused() {
        let line = [(0.0, 0.0), (5.0, 5.0), (10.0, 10.0)];
        assert_eq!(outline(&line).unwrap_err().field, "corners");
        let bow_tie = [(0.0, 0.0), (10.0, 10.0), (10.0, 0.0), (0.0, 12.0)];
        assert_eq!(outline(&bow_tie).unwrap_err().field, "corners");
        assert_eq!(outline(&line[..2]).unwrap_err().field, "corners");
        let far = [(0.0, 0.0), (9e9, 0.0), (0.0, 1.0)];
        assert_eq!(outline(&far).unwrap_err().field, "east_ft");
    }

    #[test]
    fn the_outline_around_a_grid_of_heads_is_its_rectangle() {
        let heads: Vec<Point> = (0..12)
            .map(|at| Point::new(f64::from(at % 4) * 15.0, f64::from(at / 4) * 15.0))
            .collect();
        let around = Outline::around(&heads).unwrap();
        assert_eq!(around.area(), SquareFeet::new(45.0 * 30.0));
        assert_eq!(around.corners().len(), 4);
        assert_eq!(Outline::around(&heads[..4]), None);
    }

    #[test]
    fn tapes_that_cannot_meet_are_refused_and_a_crooked_tape_is_not() {
        let (a, b) = (Point::new(0.0, 0.0), Point::new(20.0, 0.0));
        let place = |near, far| by_two_tapes(a, Feet::new(near), b, Feet::new(far), Side::Right);
        assert_eq!(place(5.0, 5.0).unwrap_err().field, "second_tape_ft");
        assert_eq!(place(40.0, 5.0).unwrap_err().field, "second_tape_ft");
        let crooked = place(9.9, 9.9).unwrap();
        close("on the line", crooked.east.get(), 10.0, 1e-9);
        assert_eq!(
            by_two_tapes(a, Feet::new(1.0), a, Feet::new(1.0), Side::Left)
                .unwrap_err()
                .field,
            "second_tape_ft"
        );
    }

    proptest! {
        #[test]
        fn two_tapes_find_the_head_again(
            east in -50.0..50.0f64, north in 1.0..50.0f64, mark in 5.0..40.0f64,
        ) {
            let head = Point::new(east, north);
            let (a, b) = (Point::new(0.0, 0.0), Point::new(mark, 0.0));
            let found = by_two_tapes(a, a.distance(head), b, b.distance(head), Side::Left).unwrap();
            prop_assert!(found.distance(head).get() < 1e-6, "{found} is not {head}");
        }

        #[test]
        fn a_bearing_and_a_distance_lead_there(
            east in -50.0..50.0f64, north in -50.0..50.0f64,
        ) {
            let (from, to) = (Point::new(3.0, -7.0), Point::new(east, north));
            let there = from.towards(from.bearing_to(to), from.distance(to));
            prop_assert!(there.distance(to).get() < 1e-9);
        }
    }
}

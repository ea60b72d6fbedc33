//! The grid of simulated cans.

use super::super::{
    plane::{Point, bounds},
    units::{Allowed, Feet, Fraction, InchesPerHour, OutOfRange},
};
use super::{Area, Layout, MOST_CANS, Sprinkler, Surface};

/// Simulated cans, one in the middle of each square cell, row by row from the south-west.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    corner: Point,
    step: Feet,
    columns: usize,
    rates: Vec<InchesPerHour>,
    surfaces: Vec<Option<Surface>>,
}

impl Grid {
    /// Lays dry cans over all that heads reach and areas cover.
    pub(super) fn over(layout: &Layout<'_>) -> Result<Self, OutOfRange> {
        let mut places = Vec::new();
        for head in layout.heads {
            let (east, north) = (head.place.east.get(), head.place.north.get());
            let radius = head.radius.get();
            places.push(Point::new(east - radius, north - radius));
            places.push(Point::new(east + radius, north + radius));
        }
        for area in layout.areas {
            places.extend(area.outline.bounds());
        }
        let [low, high] = bounds(&places);
        let step_ft = layout.step.get();
        // From a whole multiple of the step, so that a layout moved by steps falls alike.
        let whole = |ft: f64| (ft / step_ft).floor() * step_ft;
        let corner = Point::new(whole(low.east.get()), whole(low.north.get()));
        let count = |from: f64, to: f64| ((to - from) / step_ft).ceil().max(1.0);
        let columns = count(corner.east.get(), high.east.get());
        let rows = count(corner.north.get(), high.north.get());
        if columns * rows > MOST_CANS {
            let rule = Allowed::Rule("larger for so much ground: at most 4 million cans");
            return Err(rule.broken("step_ft", step_ft));
        }
        // Both are whole, above zero and far below the limit.
        let (columns, rows) = (columns as usize, rows as usize);
        let mut grid = Self {
            corner,
            step: layout.step,
            columns,
            rates: vec![InchesPerHour::ZERO; columns * rows],
            surfaces: vec![None; columns * rows],
        };
        for area in layout.areas {
            grid.cover(area);
        }
        Ok(grid)
    }

    /// Notes what covers the ground under the cans of an area.
    fn cover(&mut self, area: &Area) {
        let [low, high] = area.outline.bounds();
        let (step, corner) = (self.step, self.corner);
        for (row, column, at) in self.cells(low, high) {
            if area.outline.contains(middle(corner, step, row, column))
                && let Some(surface) = self.surfaces.get_mut(at)
            {
                *surface = Some(area.surface);
            }
        }
    }

    /// Adds what a head throws on each can that it reaches.
    pub(super) fn add(&mut self, head: &Sprinkler) {
        let rate_of_one = head.rate_of_one();
        let radius_ft = head.radius.get();
        let (facing_east, facing_north) = head.facing.get().to_radians().sin_cos();
        // A hair wider, so that no can on the very edge falls out by rounding.
        let least_cosine = (head.arc.get() / 2.0).min(180.0).to_radians().cos() - 1e-12;
        let (east, north) = (head.place.east.get(), head.place.north.get());
        let low = Point::new(east - radius_ft, north - radius_ft);
        let high = Point::new(east + radius_ft, north + radius_ft);
        let (step, corner) = (self.step, self.corner);
        for (row, column, at) in self.cells(low, high) {
            let can = middle(corner, step, row, column);
            let (off_east, off_north) = (can.east.get() - east, can.north.get() - north);
            let distance_ft = off_east.hypot(off_north);
            let ahead = off_east * facing_east + off_north * facing_north;
            if distance_ft > radius_ft || ahead < least_cosine * distance_ft {
                continue;
            }
            let share = Fraction::new(distance_ft / radius_ft);
            if let Some(rate) = self.rates.get_mut(at) {
                *rate = *rate + rate_of_one * head.profile.at(share).get();
            }
        }
    }

    /// Rows, columns and places in the lists of the cells between two corners.
    fn cells(
        &self,
        low: Point,
        high: Point,
    ) -> impl Iterator<Item = (usize, usize, usize)> + use<> {
        let step_ft = self.step.get();
        let rows = self.rates.len() / self.columns;
        let from = |ft: f64, origin: f64| ((ft - origin) / step_ft).floor().max(0.0) as usize;
        let to = |ft: f64, origin: f64, most: usize| {
            (((ft - origin) / step_ft).ceil().max(0.0) as usize).min(most)
        };
        let (east, north) = (self.corner.east.get(), self.corner.north.get());
        let columns = from(low.east.get(), east)..to(high.east.get(), east, self.columns);
        let rows = from(low.north.get(), north)..to(high.north.get(), north, rows);
        let wide = self.columns;
        rows.flat_map(move |row| {
            let columns = columns.clone();
            columns.map(move |column| (row, column, row * wide + column))
        })
    }

    /// Returns what each can caught and what it stands on; none is outside every area.
    pub fn cans(&self) -> impl Iterator<Item = (InchesPerHour, Option<Surface>)> + '_ {
        let rates = self.rates.iter().copied();
        rates.zip(self.surfaces.iter().copied())
    }

    /// Returns the cans row by row from the south, each row from the west.
    pub fn rows(&self) -> impl Iterator<Item = &[InchesPerHour]> {
        self.rates.chunks(self.columns)
    }

    /// Returns its south-west corner.
    #[must_use]
    pub const fn corner(&self) -> Point {
        self.corner
    }

    /// Returns how far it is from can to can.
    #[must_use]
    pub const fn step(&self) -> Feet {
        self.step
    }

    /// Returns the rate at the can nearest to a place; none off the grid.
    #[must_use]
    pub fn rate_at(&self, place: Point) -> Option<InchesPerHour> {
        let step_ft = self.step.get();
        let column = ((place.east.get() - self.corner.east.get()) / step_ft).floor();
        let row = ((place.north.get() - self.corner.north.get()) / step_ft).floor();
        if column < 0.0 || row < 0.0 || column >= self.columns as f64 {
            return None;
        }
        let at = row as usize * self.columns + column as usize;
        self.rates.get(at).copied()
    }
}

fn middle(corner: Point, step: Feet, row: usize, column: usize) -> Point {
    Point {
        east: corner.east + step * (column as f64 + 0.5),
        north: corner.north + step * (row as f64 + 0.5),
    }
}

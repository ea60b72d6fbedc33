//! How long a site's coverage takes: `cargo bench -p headwalk-core --bench coverage`.
//!
//! Ends with exit code 1 where a 60-head site takes 100 ms or more. In the same run a floor is
//! measured: one multiplication and addition for each can within each head's square, which nothing
//! that looks at every such can once is able to undercut.

#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock; core itself never does"
)]

use std::hint::black_box;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use headwalk_core::water::coverage::{
    Area, Layout, Profile, Sprinkler, Surface, coverage, step_for,
};
use headwalk_core::water::plane::{Outline, Point};
use headwalk_core::water::units::{Degrees, Feet, Gpm};

const LIMIT: Duration = Duration::from_millis(100);
const ROUNDS: usize = 15;

fn main() -> ExitCode {
    let mut slowest = Duration::ZERO;
    for (name, spacing) in [("60 sprays at 15 ft", 15.0), ("60 rotors at 35 ft", 35.0)] {
        let heads = site(spacing);
        let corners = [(0.0, 0.0), (9.0, 0.0), (9.0, 5.0), (0.0, 5.0)]
            .map(|(east, north)| Point::new(east * spacing, north * spacing));
        let outline = Outline::new(corners.to_vec()).expect("a rectangle");
        let areas = [Area {
            surface: Surface::Turf,
            outline,
        }];
        let layout = Layout {
            heads: &heads,
            areas: &areas,
            step: step_for(&heads),
        };
        let mut cans = 0;
        let taken = median(|| {
            let got = coverage(black_box(&layout)).expect("a layout");
            cans = got.grid.cans().count();
            black_box(got.du_lq);
        });
        let floor = median(|| floor(&layout));
        println!(
            "{name}: {:.2} ms for {cans} cans a step of {:.2} apart; floor {:.2} ms",
            taken.as_secs_f64() * 1e3,
            layout.step,
            floor.as_secs_f64() * 1e3,
        );
        slowest = slowest.max(taken);
    }
    if slowest < LIMIT {
        ExitCode::SUCCESS
    } else {
        eprintln!("slower than {} ms", LIMIT.as_millis());
        ExitCode::FAILURE
    }
}

/// Ten columns and six rows: corners a quarter, edges a half, the middle a full circle.
fn site(spacing: f64) -> Vec<Sprinkler> {
    let places = (0..6).flat_map(|row| (0..10).map(move |column| (column, row)));
    let head = |(column, row): (i32, i32)| {
        let east = f64::from(i32::from(column == 0) - i32::from(column == 9));
        let north = f64::from(i32::from(row == 0) - i32::from(row == 5));
        let arc = 360.0 / 2f64.powf(east.abs() + north.abs());
        Sprinkler {
            place: Point::new(f64::from(column) * spacing, f64::from(row) * spacing),
            facing: Degrees::new(east.atan2(north).to_degrees()),
            arc: Degrees::new(arc),
            radius: Feet::new(spacing),
            flow: Gpm::new(4.0 * arc / 360.0),
            profile: Profile::falling(),
        }
    };
    places.map(head).collect()
}

fn floor(layout: &Layout<'_>) {
    let mut sum = 0.0;
    for head in layout.heads {
        let cells = (2.0 * head.radius.get() / layout.step.get()).ceil() as usize;
        for cell in 0..cells * cells {
            sum += black_box(cell as f64) * 0.5;
        }
    }
    black_box(sum);
}

fn median(mut work: impl FnMut()) -> Duration {
    let mut taken: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let begun = Instant::now();
            work();
            begun.elapsed()
        })
        .collect();
    taken.sort();
    taken.get(ROUNDS / 2).copied().unwrap_or(LIMIT)
}

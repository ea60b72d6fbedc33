use proptest::prelude::*;

use super::*;
use crate::water::tables::{Row, close, rows};

/// Heads of a table: east, north, facing, arc, radius and flow of each in turn.
fn heads(numbers: &[f64], profile: &Profile) -> Vec<Sprinkler> {
    let heads = numbers.chunks_exact(6).map(|head| Sprinkler {
        place: Point::new(head[0], head[1]),
        facing: Degrees::new(head[2]),
        arc: Degrees::new(head[3]),
        radius: Feet::new(head[4]),
        flow: Gpm::new(head[5]),
        profile: profile.clone(),
    });
    heads.collect()
}

fn turf(corners: &[f64]) -> Area {
    let corners = corners.chunks_exact(2).map(|at| Point::new(at[0], at[1]));
    Area {
        surface: Surface::Turf,
        outline: Outline::new(corners.collect()).unwrap(),
    }
}

fn covered(heads: &[Sprinkler], area: &Area, step: f64) -> Coverage {
    let areas = [area.clone()];
    let step = Feet::new(step);
    let layout = Layout {
        heads,
        areas: &areas,
        step,
    };
    coverage(&layout).unwrap()
}

fn of_row(row: &Row, step: f64) -> Coverage {
    let profile = match row.text("profile") {
        "falling" => Profile::falling(),
        "even" => Profile::even(),
        other => panic!("no profile {other}"),
    };
    let heads = heads(&row.list("heads"), &profile);
    covered(&heads, &turf(&row.list("lawn")), step)
}

#[test]
fn evenness_and_rate_agree_with_an_independent_integration() {
    let layouts = rows("coverage_numeric.csv");
    assert!(layouts.len() >= 8, "only {} layouts", layouts.len());
    let (mut furthest_du, mut furthest_mean) = (0f64, 0f64);
    for row in &layouts {
        let got = of_row(row, 0.25);
        let id = row.text("id");
        close(id, got.du_lq.get(), row.get("du_lq"), 0.005);
        close(
            id,
            got.mean.get(),
            row.get("mean_in_h"),
            0.005 * row.get("mean_in_h"),
        );
        let overspray = got.on_hard.get() + got.outside.get();
        close(id, overspray, row.get("overspray"), 0.005);
        furthest_du = furthest_du.max((got.du_lq.get() - row.get("du_lq")).abs());
        furthest_mean = furthest_mean.max((got.mean.get() / row.get("mean_in_h") - 1.0).abs());
    }
    println!("coverage: furthest DU {furthest_du:.5}, mean {furthest_mean:.5} relative");
}

#[test]
fn halving_the_step_hardly_moves_the_evenness() {
    let mut furthest = 0f64;
    for row in rows("coverage_numeric.csv") {
        let profile = Profile::falling();
        let step = step_for(&heads(&row.list("heads"), &profile)).get();
        let moved = of_row(&row, step).du_lq - of_row(&row, step / 2.0).du_lq;
        assert!(moved.get().abs() < 0.01, "{}: {moved}", row.text("id"));
        furthest = furthest.max(moved.get().abs());
    }
    println!("coverage: halving the step moves DU by at most {furthest:.5}");
}

/// Full circles far enough around one cell of the pattern that every head reaching it is there.
fn field(spacing: f64, rows_apart: f64, shift: f64, radius: f64, flow: f64) -> Vec<f64> {
    let mut numbers = Vec::new();
    for row in -4..=4 {
        for column in -4..=4 {
            let off = if row % 2 == 0 { 0.0 } else { shift };
            let (east, north) = (
                f64::from(column) * spacing + off,
                f64::from(row) * rows_apart,
            );
            numbers.extend([east, north, 0.0, 360.0, radius, flow]);
        }
    }
    numbers
}

#[test]
fn square_and_triangular_spacings_give_the_published_rate() {
    // Rate = 34,650 q / (arc S L): 34,650 = 96.25 x 360; the worked examples of
    // fixtures/tables/precipitation_heads.csv.
    let triangle = 60f64.to_radians().sin();
    for (id, spacing, apart, shift, radius, flow, published) in [
        ("P-03", 15.0, 15.0, 0.0, 15.0, 3.7, 1.58278),
        ("P-04", 15.0, 15.0 * triangle, 7.5, 15.0, 3.7, 1.82763),
        ("P-05", 30.0, 30.0, 0.0, 30.0, 3.0, 0.32083),
        ("P-06", 30.0, 30.0 * triangle, 15.0, 30.0, 3.0, 0.37047),
    ] {
        for profile in [Profile::falling(), Profile::even()] {
            let heads = heads(&field(spacing, apart, shift, radius, flow), &profile);
            // Two rows of a triangle repeat; in a square one cell would do.
            let lawn = turf(&[
                0.0,
                0.0,
                spacing,
                0.0,
                spacing,
                2.0 * apart,
                0.0,
                2.0 * apart,
            ]);
            let got = covered(&heads, &lawn, spacing / 60.0);
            close(id, got.mean.get(), published, 0.005 * published);
        }
    }
}

#[test]
fn cans_laid_over_one_another_by_hand_come_to_the_same() {
    // Four full circles of a falling profile, radius and spacing 10 ft, 1 gpm. At the middle of
    // the square each is 7.0711 ft off and gives 0.29289 of its height; half way along a side two
    // give 0.5 and two, 11.18 ft off, nothing. Height: 96.25 / (2 pi 100 / 6) = 0.91912 in/h.
    let numbers = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
        .map(|(east, north)| [east, north, 0.0, 360.0, 10.0, 1.0])
        .concat();
    let heads = heads(&numbers, &Profile::falling());
    let lawn = turf(&[0.0, 0.0, 10.0, 0.0, 10.0, 10.0, 0.0, 10.0]);
    let got = covered(&heads, &lawn, 0.05);
    let rate = |east, north| got.grid.rate_at(Point::new(east, north)).unwrap().get();
    close("middle", rate(5.0, 5.0), 4.0 * 0.29289 * 0.91912, 6e-3);
    close("side", rate(5.0, 0.0), 2.0 * 0.5 * 0.91912, 6e-3);
}

#[test]
fn a_published_catch_comes_back_with_its_published_evenness() {
    // The fifteen cans of the R package spreval (see fixtures/tables/uniformity.csv, U-03): each
    // can becomes a square of ground that one even head wets at the rate it caught.
    let caught: Vec<f64> = rows("uniformity.csv")
        .iter()
        .find(|row| row.text("id") == "U-03")
        .unwrap()
        .list("catch_ml");
    assert_eq!(caught.len(), 15);
    // A full circle of radius 2.5 ft wets its own square of 3 ft but for the corners; squares of
    // 10 ft keep the circles apart, and the lawn is the 3 ft in the middle of each.
    let numbers: Vec<f64> = (0..15u8)
        .zip(&caught)
        .flat_map(|(at, ml)| {
            let (east, north) = (f64::from(at % 5) * 10.0, f64::from(at / 5) * 10.0);
            [east, north, 0.0, 360.0, 2.5, ml / 100.0]
        })
        .collect();
    let heads = heads(&numbers, &Profile::even());
    let lawns: Vec<Area> = numbers
        .chunks_exact(6)
        .map(|head| {
            let (e, n) = (head[0], head[1]);
            turf(&[
                e - 1.5,
                n - 1.5,
                e + 1.5,
                n - 1.5,
                e + 1.5,
                n + 1.5,
                e - 1.5,
                n + 1.5,
            ])
        })
        .collect();
    let step = Feet::new(0.5);
    let layout = Layout {
        heads: &heads,
        areas: &lawns,
        step,
    };
    let got = coverage(&layout).unwrap();
    // 15 squares of 36 cans: a quarter of 540 is exactly 3.75 squares, the fractional rule, which
    // the table holds as 0.477223.
    assert_eq!(got.cans, 540);
    close("U-03 by parts of a can", got.du_lq.get(), 0.477223, 5e-7);
    close("U-03 CU", got.cu.get(), 0.691396, 5e-7);
}

#[test]
fn water_on_paving_and_beyond_the_lawn_is_overspray() {
    // A half head on the south edge of a lawn, its arc turned 90 degrees the wrong way: half of
    // the water falls south of the edge, on paving.
    let heads = heads(&[10.0, 0.0, 90.0, 180.0, 8.0, 1.0], &Profile::falling());
    let lawn = turf(&[0.0, 0.0, 30.0, 0.0, 30.0, 10.0, 0.0, 10.0]);
    let paving = Area {
        surface: Surface::Paving,
        ..turf(&[0.0, -10.0, 30.0, -10.0, 30.0, 0.0, 0.0, 0.0])
    };
    let areas = [lawn.clone(), paving];
    let layout = Layout {
        heads: &heads,
        areas: &areas,
        step: Feet::new(0.1),
    };
    let got = coverage(&layout).unwrap();
    close("on paving", got.on_hard.get(), 0.5, 0.002);
    close("wasted", got.overspray.get(), 0.5, 0.002);
    assert_eq!(got.outside, Fraction::ZERO);
    // Nobody paved it: the same water falls outside every area.
    let got = covered(&heads, &lawn, 0.1);
    close("outside", got.outside.get(), 0.5, 0.002);
    // Of 300 ft² the quarter circle of 8 ft reaches 50.27.
    close("unreached", got.unreached.get(), 300.0 - 50.265, 1.0);
    assert!(got.dry > got.unreached);
}

#[test]
fn what_cannot_be_laid_out_is_refused_by_name() {
    let head = heads(&[0.0, 0.0, 0.0, 360.0, 10.0, 1.0], &Profile::falling());
    let lawn = [turf(&[0.0, 0.0, 10.0, 0.0, 10.0, 10.0])];
    let refused = |heads: &[Sprinkler], areas: &[Area], step: f64| {
        let step = Feet::new(step);
        let layout = Layout { heads, areas, step };
        coverage(&layout).unwrap_err().field
    };
    assert_eq!(refused(&[], &lawn, 1.0), "heads");
    assert_eq!(refused(&head, &[], 1.0), "areas");
    assert_eq!(refused(&head, &lawn, 0.001), "step_ft");
    let far = [turf(&[400.0, 400.0, 410.0, 400.0, 410.0, 410.0])];
    assert_eq!(refused(&head, &far, 1.0), "catch_ml");
    let wide = heads(&[0.0, 0.0, 0.0, 400.0, 10.0, 1.0], &Profile::falling());
    assert_eq!(refused(&wide, &lawn, 1.0), "arc_deg");
    let huge = [turf(&[0.0, 0.0, 5000.0, 0.0, 5000.0, 5000.0])];
    assert_eq!(refused(&head, &huge, 0.1), "step_ft");
}

/// How much of a head's 2 gpm lands on a lawn that reaches beyond its wedge.
fn landed(arc: f64, facing: f64, radius: f64) -> f64 {
    let heads = heads(&[3.0, 4.0, facing, arc, radius, 2.0], &Profile::falling());
    let lawn = turf(&[-50.0, -50.0, 60.0, -50.0, 60.0, 60.0, -50.0, 60.0]);
    // Cells along both edges count whole or not at all: of a narrow wedge they are a larger part.
    let got = covered(&heads, &lawn, radius / 100.0);
    got.mean.get() * got.planted.get() / 96.25
}

#[test]
fn all_the_water_of_a_narrow_wedge_that_lies_badly_on_the_grid_lands_within_it() {
    close(
        "landed",
        landed(38.67506967342384, 70.55282839496786, 36.916258730547824),
        2.0,
        0.06,
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn all_the_water_lands_within_the_grid(
        arc in 30.0..360.0f64, facing in 0.0..360.0f64, radius in 8.0..40.0f64,
    ) {
        let landed = landed(arc, facing, radius);
        prop_assert!((landed / 2.0 - 1.0).abs() < 0.03, "{landed} of 2 gpm");
    }
}

use super::*;
use crate::water::tables::close;

const ORIGIN: Point = Point::new(0.0, 0.0);

fn spray(place: Point) -> KerbHead {
    KerbHead {
        place,
        radius: Feet::new(12.0),
        flow: Flowing::WithArc {
            full_circle: Gpm::new(2.4),
        },
        profile: Profile::falling(),
    }
}

fn kerbs() -> [(KerbHead, Ground); 4] {
    let island = Ground::InsideCircle {
        centre: ORIGIN,
        radius: Feet::new(18.0),
    };
    let around = Ground::OutsideCircle {
        centre: ORIGIN,
        radius: Feet::new(18.0),
    };
    let rotor = KerbHead {
        flow: Flowing::Whatever {
            flow: Gpm::new(1.5),
        },
        profile: Profile::even(),
        ..spray(Point::new(18.5, 0.0))
    };
    [
        (spray(Point::new(0.0, -17.5)), island.clone()),
        (spray(Point::new(13.0, 13.0)), around.clone()),
        (spray(Point::new(0.0, -18.0)), island),
        (rotor, around),
    ]
}

#[test]
fn reach_is_the_closed_form_of_two_overlapping_circles() {
    // Head on the circle itself, R 18, r 12, d 18: area of the lens.
    let (head, ground) = &kerbs()[2];
    let (big, small, apart) = (18f64, 12f64, 18f64);
    let angle = |a: f64, b: f64| ((apart * apart + a * a - b * b) / (2.0 * apart * a)).acos();
    let (in_small, in_big) = (angle(small, big), angle(big, small));
    let lens = small * small * (in_small - in_small.sin() * in_small.cos())
        + big * big * (in_big - in_big.sin() * in_big.cos());
    let got = trade(head, ground, SquareFeet::new(5.0)).unwrap();
    close("lens", got.reach.get(), lens, 1e-4 * lens);
}

/// Dry ground and overspray of a setting by counting places on a fine grid.
fn counted(head: &KerbHead, ground: &Ground, setting: &Setting) -> (f64, f64) {
    const STEP: f64 = 0.15;
    let (mut dry, mut off, mut all) = (0.0, 0.0, 0.0);
    let span = (head.radius.get() / STEP).ceil() as i32;
    for row in -span..span {
        for column in -span..span {
            let east = (f64::from(column) + 0.5) * STEP;
            let north = (f64::from(row) + 0.5) * STEP;
            let distance = east.hypot(north);
            if distance > head.radius.get() {
                continue;
            }
            let bearing = east.atan2(north).to_degrees();
            let after = (bearing - setting.from.get()).rem_euclid(360.0);
            let wet = distance <= setting.radius.get() && after <= setting.arc.get();
            let at = Point::new(head.place.east.get() + east, head.place.north.get() + north);
            let lawn = ground.has(at);
            let share = super::super::units::Fraction::new(distance / setting.radius.get());
            let water = if wet {
                head.profile.at(share).get()
            } else {
                0.0
            };
            all += water;
            off += if lawn { 0.0 } else { water };
            dry += if lawn && !wet { STEP * STEP } else { 0.0 };
        }
    }
    (dry, head.flow.at(setting.arc).get() * off / all)
}

#[test]
fn what_a_setting_does_is_what_counting_places_gives() {
    for (head, ground) in &kerbs() {
        let all = settings(head, ground).unwrap().all;
        for setting in all.iter().step_by(4_001).filter(|it| it.arc.get() >= 30.0) {
            let (dry, overspray) = counted(head, ground, setting);
            close("dry", setting.dry.get(), dry, 4.0);
            close("overspray", setting.overspray.get(), overspray, 0.02);
        }
    }
}

#[test]
fn the_setting_asked_for_is_the_best_that_brute_force_finds() {
    for (head, ground) in &kerbs() {
        let most = SquareFeet::new(12.0);
        let got = trade(head, ground, most).unwrap();
        // Every setting by itself, summed anew from the rays it wets, a degree at a time.
        let (mut least, mut tried) = (f64::MAX, 0);
        for throw in 0..THROWS {
            let radius = head.radius * (0.25 + 0.75 * throw as f64 / (THROWS as f64 - 1.0));
            let degrees = by_degree(head, ground, radius);
            for from in (0..360).step_by(ARC_STEP_DEG) {
                for arc in (ARC_STEP_DEG..=360).step_by(ARC_STEP_DEG) {
                    let (mut dry, mut share) = (0.0, 0.0);
                    for (at, [all, wetted, wasted]) in degrees.iter().enumerate() {
                        let within = (at + 360 - from) % 360 < arc;
                        dry += all - if within { *wetted } else { 0.0 };
                        share += if within { *wasted } else { 0.0 };
                    }
                    tried += 1;
                    if dry <= most.get() + NOTHING {
                        let flow = head.flow.at(Degrees::new(arc as f64)).get();
                        least = least.min(flow * share / arc as f64);
                    }
                }
            }
        }
        assert_eq!(tried, THROWS * 72 * 72);
        close("least overspray", got.asked.overspray.get(), least, 1e-5);
        assert!(got.asked.dry <= most);
    }
}

/// Of each degree around the head: lawn in reach, lawn within a throw, share wasted.
fn by_degree(head: &KerbHead, ground: &Ground, throw: Feet) -> Vec<[f64; 3]> {
    let degree = |at: usize| {
        let mut sums = [0.0; 3];
        for part in 0..4 {
            let bearing = Degrees::new(at as f64 + (f64::from(part) + 0.5) / 4.0);
            let ray = ground.lawn_along(head.place, bearing);
            let turn = std::f64::consts::TAU / 1_440.0;
            for [start, end] in &ray {
                let reach = |to: f64| (end.min(to).powi(2) - start.min(to).powi(2)) / 2.0 * turn;
                sums[0] += reach(head.radius.get());
                sums[1] += reach(throw.get());
            }
            sums[2] += head.wasted(&ray, throw.get()) / 4.0;
        }
        sums
    };
    (0..360).map(degree).collect()
}

#[test]
fn a_setting_by_itself_does_what_it_does_among_all() {
    for (head, ground) in &kerbs() {
        let all = settings(head, ground).unwrap().all;
        for setting in all.iter().step_by(7_001) {
            let (from, arc, throw) = (setting.from, setting.arc, setting.radius);
            let got = as_set(head, ground, from, arc, throw).unwrap();
            close("dry", got.dry.get(), setting.dry.get(), 0.2);
            close(
                "overspray",
                got.overspray.get(),
                setting.overspray.get(),
                2e-3,
            );
        }
    }
}

#[test]
fn both_ends_are_always_offered_and_nothing_between_is_beaten() {
    for (head, ground) in &kerbs() {
        let got = trade(head, ground, SquareFeet::new(8.0)).unwrap();
        assert_eq!(got.no_overspray.overspray, Gpm::ZERO);
        assert_eq!(got.no_dry_ground.dry, SquareFeet::ZERO);
        assert_eq!(got.between.first(), Some(&got.no_overspray));
        let last = got.between.last().unwrap();
        assert_eq!(last.dry, SquareFeet::ZERO);
        assert_eq!(last.overspray, got.no_dry_ground.overspray);
        for pair in got.between.windows(2) {
            assert!(pair[0].dry > pair[1].dry && pair[0].overspray < pair[1].overspray);
        }
        assert!(got.asked.overspray <= got.no_dry_ground.overspray);
        assert!(got.asked.dry <= got.no_overspray.dry);
    }
}

#[test]
fn a_straight_kerb_needs_no_trade() {
    let corners = [(-40.0, 0.0), (40.0, 0.0), (40.0, 40.0), (-40.0, 40.0)];
    let corners = corners
        .map(|(east, north)| Point::new(east, north))
        .to_vec();
    let lawn = Ground::Within(Outline::new(corners).unwrap());
    let got = trade(&spray(ORIGIN), &lawn, SquareFeet::ZERO).unwrap();
    assert_eq!(got.asked.arc, Degrees::new(180.0));
    assert_eq!(got.asked.from, Degrees::new(270.0));
    assert_eq!(
        (got.asked.overspray, got.asked.dry),
        (Gpm::ZERO, SquareFeet::ZERO)
    );
    assert_eq!(got.between.len(), 1);
}

#[test]
fn a_kerb_is_measured_with_a_chord_and_an_offset() {
    // A half circle: chord twice the radius, offset the radius.
    let got = Ground::kerb_radius(Feet::new(36.0), Feet::new(18.0)).unwrap();
    close("half circle", got.get(), 18.0, 1e-12);
    let flat = Ground::kerb_radius(Feet::new(10.0), Feet::new(1.0)).unwrap();
    close("by hand", flat.get(), 13.0, 1e-12);
    let error = Ground::kerb_radius(Feet::new(10.0), Feet::new(6.0)).unwrap_err();
    assert_eq!(error.field, "offset_ft");
}

#[test]
fn a_head_without_lawn_in_reach_is_refused() {
    let far = Ground::InsideCircle {
        centre: Point::new(100.0, 0.0),
        radius: Feet::new(5.0),
    };
    let error = trade(&spray(ORIGIN), &far, SquareFeet::ZERO).unwrap_err();
    assert_eq!(error.field, "areas");
}

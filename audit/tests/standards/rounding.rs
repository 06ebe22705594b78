//! Dimensions rounded to whole feet: as an uncertainty, and as an illustration.

use crossfoot_audit::measure::polygon::Polygon;
use crossfoot_audit::standard::DimensionRule;
use proptest::prelude::*;

use crate::houses::standard;

fn nearest_foot() -> DimensionRule {
    standard("maryland-living-area").dimensions.unwrap()
}

fn rectangle(width: f64, depth: f64) -> Polygon {
    Polygon::from_feet(&[(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]).unwrap()
}

fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found}, wanted {wanted}");
}

#[test]
fn whole_feet_make_a_record_uncertain() {
    // q/sqrt(12) x sqrt(a^2 + b^2), recomputed: 42 x 28 ft 14.57 sq ft, 30 x 24 ft 11.09, 60 x 40 ft 20.82
    for (width, depth, expected) in [(42.0, 28.0, 14.57), (30.0, 24.0, 11.09), (60.0, 40.0, 20.82)] {
        let outline = rectangle(width, depth);
        let one = nearest_foot().record_sd_sqft(&[&outline]).unwrap();
        near(one, expected, 0.005);
        near(one, (width * width + depth * depth).sqrt() / 12.0_f64.sqrt(), 1e-9);
        // the same walls are rounded once for both levels
        near(nearest_foot().record_sd_sqft(&[&outline, &outline]).unwrap(), 2.0 * one, 1e-9);
    }
}

#[test]
fn the_direction_of_the_walk_and_corners_along_a_wall_change_nothing() {
    let outline = rectangle(42.0, 28.0);
    let one = nearest_foot().record_sd_sqft(&[&outline]).unwrap();
    let backwards = Polygon { corners: outline.corners.iter().rev().copied().collect() };
    let cut = Polygon::from_feet(&[(0.0, 0.0), (10.0, 0.0), (42.0, 0.0), (42.0, 28.0), (0.0, 28.0)]).unwrap();
    for other in [&backwards, &cut] {
        near(nearest_foot().record_sd_sqft(&[other]).unwrap(), one, 1e-9);
    }
    let two = nearest_foot().record_sd_sqft(&[&outline, &backwards]).unwrap();
    near(two, 2.0 * one, 1e-9);
}

#[test]
fn an_l_has_three_lines_each_way() {
    // lines that run north at 0, 24 and 42 with 28, 4 and 24 ft of wall; the others at 0, 24 and 28 with 42, 18 and
    // 24: sqrt((28^2 + 4^2 + 24^2 + 42^2 + 18^2 + 24^2) / 24) = 12.9744
    let corners = [(0.0, 0.0), (42.0, 0.0), (42.0, 24.0), (24.0, 24.0), (24.0, 28.0), (0.0, 28.0)];
    let outline = Polygon::from_feet(&corners).unwrap();
    near(nearest_foot().record_sd_sqft(&[&outline]).unwrap(), 12.9744, 0.0001);
}

#[test]
fn a_slanting_wall_has_no_figure() {
    let slanting = Polygon::from_feet(&[(0.0, 0.0), (40.0, 0.0), (30.0, 20.0)]).unwrap();
    assert_eq!(nearest_foot().record_sd_sqft(&[&slanting]), None);
    assert_eq!(nearest_foot().illustrated(&slanting, 0.1), None);
    assert_eq!(nearest_foot().illustrated(&rectangle(42.0, 28.0), f64::NAN), None);
}

#[test]
fn lines_are_rounded_so_that_the_outline_closes() {
    // 24 ft 4 in and 17 ft 4 in make 41 ft 8 in: by walls 24 + 17 = 41, which is not 42; by lines 24 and 42
    let (step, width) = (24.0 + 4.0 / 12.0, 41.0 + 8.0 / 12.0);
    let corners = [(0.0, 0.0), (width, 0.0), (width, 20.0), (step, 20.0), (step, 30.0), (0.0, 30.0)];
    let rounded = nearest_foot().illustrated(&Polygon::from_feet(&corners).unwrap(), 0.02).unwrap();
    let feet: Vec<f64> = rounded.lines.iter().map(|line| line.rounded.to_feet_f64()).collect();
    assert_eq!(feet, [0.0, 24.0, 42.0, 0.0, 20.0, 30.0]);
    assert_eq!(rounded.polygon.area().unwrap().to_square_feet_f64(), 42.0 * 20.0 + 24.0 * 10.0);
    assert!(rounded.lines.iter().all(|line| line.flips < 1e-9));
}

#[test]
fn a_wall_of_half_a_foot_may_flip_a_whole_one() {
    let chance = |feet: f64, sd: f64| {
        let rounded = nearest_foot().illustrated(&rectangle(feet, 20.0), sd).unwrap();
        assert_eq!(rounded.lines[0].flips, 0.0);
        rounded.lines[1].flips
    };
    // normal distribution: exactly on the limit one half; one standard deviation from it 0.1587 (tables)
    near(chance(24.5, 0.02), 0.5, 1e-6);
    near(chance(24.4, 0.1), 0.1587, 0.0001);
    near(chance(24.0, 0.25), 2.0 * 0.02275, 0.0001);
    near(chance(24.4, 0.0), 0.0, 0.0);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 20, ..ProptestConfig::default() })]

    /// Beside a simulation in small: rounding walls of many lengths errs by what the uncertainty says.
    #[test]
    fn rounding_errs_by_what_is_stated(width in 20.0_f64..60.0, depth in 20.0_f64..60.0) {
        let rule = nearest_foot();
        let stated = rule.record_sd_sqft(&[&rectangle(width, depth)]).unwrap();
        let (mut squares, mut count) = (0.0, 0.0);
        for east in 0..40 {
            for north in 0..40 {
                let (a, b) = (width + f64::from(east) / 40.0, depth + f64::from(north) / 40.0);
                let rounded = rule.illustrated(&rectangle(a, b), 0.1).unwrap();
                let error = rounded.polygon.area().unwrap().to_square_feet_f64() - a * b;
                squares += error * error;
                count += 1.0;
            }
        }
        let spread = f64::sqrt(squares / count);
        // first order only, and the walls grow by half a foot on average
        prop_assert!((spread / stated - 1.0).abs() < 0.03, "{spread} and {stated}");
    }
}

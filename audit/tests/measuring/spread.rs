//! Standard deviations of areas.

use crossfoot_audit::length::Length;
use crossfoot_audit::measure::area_spread::Share;
use crossfoot_audit::measure::field_notes::{Compass, Distance, FieldNotes};
use crossfoot_audit::measure::polygon::Polygon;
use crossfoot_audit::measure::reading::Reading;
use crossfoot_audit::measure::repeated::{Obstacle, ObstacleSense};
use serde_json::Value;

use crate::cases::{case, number};
use crate::sketch::{
    FOOT, INCH, METRE, TINY_FT, blank_notes, distance, feet, from_walls, outline, toward, worked_up,
};

const WHOLE: [Share; 1] = [Share { outline: 0, weight: 1.0 }];

/// Four walls; a distance without readings is derived.
fn rectangle(front: Distance, side: Distance, rear: Distance, other_side: Distance) -> FieldNotes {
    let mut notes = blank_notes();
    let walls = vec![
        (toward(Compass::East), front),
        (toward(Compass::North), side),
        (toward(Compass::West), rear),
        (toward(Compass::South), other_side),
    ];
    outline(&mut notes, "house", walls);
    notes
}

#[test]
fn two_sides_of_a_rectangle_read_once() {
    let metric = case("unc-01");
    let side = |key: &str, sd: &str, unit: f64, input: &Value| {
        distance(&[(number(&input[key]) * unit, number(&input[sd]) * unit)])
    };
    let of = |a: Distance, b: Distance| worked_up(&rectangle(a, b, distance(&[]), distance(&[])));
    let plot = of(side("a_m", "sd_a_m", METRE, &metric.input), side("b_m", "sd_b_m", METRE, &metric.input));
    let area = plot.area(&WHOLE).unwrap();
    metric.close("area_m2", area.area.to_square_metres_f64(), number(metric.expected("area_m2")));
    metric.holds("sd_m2", area.sd_sqft / METRE / METRE);
    assert_eq!(plot.test.degrees_of_freedom, 0);
    assert_eq!(
        area.undetected_sqft, None,
        "nothing checks a wall that is read once and closed by derived ones"
    );
    let parcel = case("unc-02");
    let found =
        of(side("a_ft", "sd_a_ft", FOOT, &parcel.input), side("b_ft", "sd_b_ft", FOOT, &parcel.input));
    let area = found.area(&WHOLE).unwrap();
    parcel.holds("area_sf", area.area.to_square_feet_f64());
    parcel.holds("sd_sf", area.sd_sqft);
}

#[test]
fn two_levels_of_rounded_walls_share_the_rounding() {
    let case = case("unc-03");
    let step = Some(feet(number(&case.input["rounding_step_ft"])));
    let side = |at: usize| {
        let mut reading = Reading {
            sd: Some(feet(TINY_FT)),
            ..Reading::of(feet(number(&case.input["rect_ft"][at])), "tape")
        };
        reading.pieces[0].rounded_to = step;
        Distance { readings: vec![reading], obstacle: None }
    };
    let mut notes = rectangle(side(0), side(1), distance(&[]), distance(&[]));
    let mut upper = notes.outlines[0].clone();
    upper.name = "upper".to_owned();
    notes.outlines.push(upper);
    let house = worked_up(&notes);
    let one = house.area(&WHOLE).unwrap();
    let both = house.area(&[WHOLE[0], Share { outline: 1, weight: 1.0 }]).unwrap();
    case.holds("u_one_level_sf", one.sd_sqft);
    case.holds("u_percent", 100.0 * one.sd_sqft / one.area.to_square_feet_f64());
    case.holds("u_two_levels_sf", both.sd_sqft);
    case.holds("u_two_levels_percent", 100.0 * both.sd_sqft / both.area.to_square_feet_f64());
    let shared = house.area_covariance(&WHOLE, &[Share { outline: 1, weight: 1.0 }]).unwrap();
    assert!((shared.sqrt() - one.sd_sqft).abs() < 1e-6, "the two levels are one and the same error");
}

#[test]
fn rounding_is_not_averaged_away() {
    let case = case("unc-04");
    let steps: Vec<f64> = case.input["steps_in"].as_array().unwrap().iter().map(number).collect();
    let rounded = |step: f64| {
        let mut reading = Reading { sd: Some(feet(0.25 * INCH)), ..Reading::of(feet(30.0), "tape") };
        reading.pieces[0].rounded_to = Some(feet(step * INCH));
        reading
    };
    let instruments = blank_notes().instruments;
    let value = |step: f64| rounded(step).value(&instruments).unwrap();
    let sds = steps.iter().map(|step| value(*step).rounding_variance.sqrt() / INCH);
    case.all_hold("u_in", &sds.collect::<Vec<_>>());
    let inch = value(1.0).rounding_variance;
    case.holds("difference_of_two_roundings_step_1_in", (2.0 * inch).sqrt() / INCH);
    let four = vec![value(1.0); 4];
    let combined = crossfoot_audit::measure::repeated::combine(&four, None).unwrap();
    let wanted = 0.25_f64.powi(2) / 4.0 + 1.0 / 12.0;
    assert!((combined.variance / INCH / INCH - wanted).abs() < 1e-12);
}

#[test]
fn walls_that_balance_share_their_error() {
    let angled = case("unc-05");
    let area = worked_up(&from_walls(&angled.input["walls"])).area(&WHOLE).unwrap();
    angled.holds("area_sf", area.area.to_square_feet_f64());
    angled.holds("sd_sf", area.sd_sqft);
    let plain = case("unc-06");
    let notes = from_walls(&plain.input["walls"]);
    let area = worked_up(&notes).area(&WHOLE).unwrap();
    plain.holds("area_sf", area.area.to_square_feet_f64());
    plain.holds("sd_sf", area.sd_sqft);
    let mut two_read = notes.clone();
    two_read.walls[2].length = distance(&[]);
    two_read.walls[3].length = distance(&[]);
    plain.holds("sd_if_only_two_walls_read_sf", worked_up(&two_read).area(&WHOLE).unwrap().sd_sqft);
}

#[test]
fn a_scale_error_enters_the_area_twice_and_is_not_averaged_over_levels() {
    let case = case("unc-07");
    let side = |length: f64| distance(&[(length, TINY_FT)]);
    let mut notes = rectangle(side(42.0), side(28.0), side(42.0), side(28.0));
    notes.instruments[0].scale_sd_ppm = Some(number(&case.input["scale_sd_ppm"]));
    let mut upper = notes.outlines[0].clone();
    upper.name = "upper".to_owned();
    notes.outlines.push(upper);
    let house = worked_up(&notes);
    let total = house.area(&[WHOLE[0], Share { outline: 1, weight: 1.0 }]).unwrap();
    assert_eq!(total.area.to_square_feet_f64(), number(&case.input["area_sf"]));
    case.holds("sd_sf", total.scale_sd_sqft);
    assert_eq!(house.test.degrees_of_freedom, 2, "the second level repeats the conditions of the first");
    assert!((total.between_visits_sd_sqft - 0.007 * 2352.0).abs() < 1e-9);
}

#[test]
fn corners_that_are_off_independently() {
    let case = case("unc-08");
    let corner = |point: &Value| (number(&point[0]), number(&point[1]));
    let corners: Vec<_> = case.input["points_ft"].as_array().unwrap().iter().map(corner).collect();
    let polygon = Polygon::from_feet(&corners).unwrap();
    case.holds("sd_sf", polygon.sd_of_independent_corners(number(&case.input["sd_coordinate_ft"])));
}

#[test]
fn an_obstacle_moves_the_wall_and_a_second_reading_does_not_help() {
    let case = case("unc-11");
    let wall = number(&case.input["wall_ft"]);
    let readings = case.input["readings_of_that_wall"].as_u64().unwrap() as usize;
    let obstacle = Obstacle {
        sense: ObstacleSense::CornerNotReached,
        amount: feet(number(&case.input["gutter_offset_in"]) * INCH),
        sd: feet(number(&case.input["offset_sd_in"]) * INCH),
    };
    let mut depth = distance(&vec![(28.0, TINY_FT); readings]);
    let area = |depth: &Distance| {
        let notes = rectangle(distance(&[(wall, TINY_FT)]), depth.clone(), distance(&[]), distance(&[]));
        worked_up(&notes).area(&WHOLE).unwrap()
    };
    let before = area(&depth);
    depth.obstacle = Some(obstacle);
    let after = area(&depth);
    let shift = after.area.to_square_feet_f64() - before.area.to_square_feet_f64();
    case.holds("area_shift_sf", shift);
    case.holds("sd_sf", after.sd_sqft);
    let over = Obstacle { sense: ObstacleSense::ReadOver, ..depth.obstacle.clone().unwrap() };
    depth.obstacle = Some(over);
    assert_eq!(area(&depth).area.checked_add(after.area), before.area.checked_add(before.area));
}

#[test]
fn forty_by_thirty_read_twice() {
    // Derived here: 40 x 30 ft, each wall read twice with 0.02 ft; exact: sqrt((30 x 0.01)^2 + (40 x 0.01)^2).
    let pair = |length: f64| distance(&[(length, 0.02), (length, 0.02)]);
    let mut notes = rectangle(pair(40.0), pair(30.0), pair(40.0), pair(30.0));
    let area = worked_up(&notes).area(&WHOLE).unwrap();
    assert!((area.sd_sqft - 0.5).abs() < 1e-6, "{area:?}");
    // Derived here: with a scale error of 0.0003, the root of 0.5^2 + (2 x 1200 x 0.0003)^2.
    notes.instruments[0].scale_sd_ppm = Some(300.0);
    let area = worked_up(&notes).area(&WHOLE).unwrap();
    assert!((area.sd_sqft - 0.876_584).abs() < 1e-6, "{area:?}");
    assert_eq!(area.area, crossfoot_audit::area::Area::from_whole_square_feet(1200).unwrap());
    assert_eq!(Length::from_feet_f64(f64::NAN), None);
}

//! Areas of polygons and of adjusted outlines.

use crossfoot_audit::area::Area;
use crossfoot_audit::measure::area_spread::Share;
use crossfoot_audit::measure::compass_rule::compass_rule;
use crossfoot_audit::measure::field_notes::{Compass, Direction};
use crossfoot_audit::measure::polygon::{Point, Polygon, RingFault, bow_area};
use crossfoot_audit::measure::{WorkedUp, adjust};
use serde_json::Value;

use crate::cases::{case, number};
use crate::sketch::{
    FOOT, INCH, TINY_FT, blank_notes, distance, from_legs, from_walls, legs, outline, run_and_rise, toward,
    worked_up,
};

const SQUARE_FOOT_NM2: f64 = 304_800_000.0 * 304_800_000.0;

fn ring(points: &Value, unit_ft: f64) -> Polygon {
    let corner = |point: &Value| (number(&point[0]) * unit_ft, number(&point[1]) * unit_ft);
    Polygon::from_feet(&points.as_array().unwrap().iter().map(corner).collect::<Vec<_>>()).unwrap()
}

fn square_feet(polygon: &Polygon) -> f64 {
    polygon.doubled_area() as f64 / 2.0 / SQUARE_FOOT_NM2
}

fn whole(house: &WorkedUp) -> f64 {
    house.area(&[Share { outline: 0, weight: 1.0 }]).unwrap().area.to_square_feet_f64()
}

#[test]
fn the_area_of_points_is_exact_and_keeps_its_sense() {
    let case = case("area-01");
    let points = ring(&case.input["points"], FOOT);
    case.holds("area", square_feet(&points).abs());
    assert_eq!(points.area().unwrap().to_square_feet(6), "30.000000");
    assert!(points.is_clockwise());
    assert_eq!(points.faults(), []);
}

#[test]
fn the_area_of_published_coordinates() {
    let case = case("area-02");
    case.holds("area_sf", square_feet(&ring(&case.input["points_NE_ft"], FOOT)).abs());
}

#[test]
fn the_area_of_a_published_traverse_after_the_compass_rule() {
    let case = case("area-03");
    let mut at = (0.0, 0.0);
    let mut corners = Vec::new();
    for (east, north) in compass_rule(&legs(&case.input["legs"])) {
        corners.push(at);
        at = (at.0 + east, at.1 + north);
    }
    case.holds("area", square_feet(&Polygon::from_feet(&corners).unwrap()).abs());
    // The engine works it up, and says that it is not good.
    assert!(worked_up(&from_legs(&case.input["legs"])).outlines[0].misclosure.is_poor());
}

#[test]
fn the_area_of_an_adjusted_house_and_what_the_compass_rule_would_make_of_it() {
    let case = case("area-04");
    let house = worked_up(&from_walls(&case.input["walls"]));
    case.holds("area_sf", whole(&house));
    let shares = [Share { outline: 0, weight: 1.0 }];
    assert_eq!(
        house.area(&shares).unwrap().area.to_square_feet(0),
        case.expected("area_reported_sf").to_string()
    );
    let legs = [(504.0, 0.0), (0.0, 336.0), (-288.0, 0.0), (0.0, -48.0), (-217.0, 0.0), (0.0, -288.0)];
    let mut at = (0.0, 0.0);
    let mut corners = Vec::new();
    for (east, north) in compass_rule(&legs) {
        corners.push((at.0 * INCH, at.1 * INCH));
        at = (at.0 + east, at.1 + north);
    }
    case.holds("compass_rule_would_give_sf", square_feet(&Polygon::from_feet(&corners).unwrap()));
}

/// A bay as its own outline: the opening, then the cheek, the front and the other cheek.
fn bay(opening: f64, front: f64, depth: f64, cheeks_read: bool) -> WorkedUp {
    let read = |feet: f64| distance(&[(feet, 0.01)]);
    let run = (opening - front) / 2.0;
    let cheek = || if cheeks_read { read(run.hypot(depth)) } else { distance(&[]) };
    let mut notes = blank_notes();
    let walls = vec![
        (toward(Compass::East), read(opening)),
        (run_and_rise(Compass::West, read(run), Compass::North, read(depth)), cheek()),
        (toward(Compass::West), read(front)),
        (run_and_rise(Compass::West, read(run), Compass::South, read(depth)), cheek()),
    ];
    outline(&mut notes, "bay", walls);
    worked_up(&notes)
}

#[test]
fn a_bay_by_run_and_rise() {
    let case = case("area-06");
    let (opening, front) = (number(&case.input["opening_in"]) * INCH, number(&case.input["front_in"]) * INCH);
    let depth = number(&case.input["rise_in"]) * INCH;
    for cheeks_read in [false, true] {
        let bay = bay(opening, front, depth, cheeks_read);
        case.holds("area_sf", whole(&bay));
        case.holds("cheek_in", bay.walls[1].length.to_feet_f64() / INCH);
        assert_eq!(bay.test.degrees_of_freedom, if cheeks_read { 4 } else { 2 });
    }
}

#[test]
fn a_bay_of_three_sides_of_an_octagon() {
    let case = case("area-05");
    let side = number(&case.input["side_ft"]);
    let angle = number(&case.input["cheek_angle_deg"]);
    let read = || distance(&[(side, 0.01)]);
    let turned = |word, degrees: f64| {
        let side = crossfoot_audit::measure::field_notes::Side::Left;
        let direction = Direction::Turn { side, degrees, sd_degrees: None };
        (direction, if word { read() } else { distance(&[]) })
    };
    let mut notes = blank_notes();
    // The opening is not read: it follows from three equal sides and their turns.
    let walls = vec![
        (toward(Compass::East), distance(&[])),
        turned(true, 180.0 - angle),
        turned(true, angle),
        turned(true, angle),
    ];
    outline(&mut notes, "bay", walls);
    let bay = worked_up(&notes);
    case.holds("opening_ft", bay.walls[0].length.to_feet_f64());
    case.holds("area_sf", whole(&bay));
    let depth = bay.outlines[0].polygon.corners[2].north as f64 / 304_800_000.0;
    case.holds("depth_ft", depth);
    assert!(bay.walls[0].is_derived);
}

#[test]
fn a_bow_is_a_segment_of_a_circle() {
    let case = case("area-07");
    let (chord, rise) = (number(&case.input["chord_ft"]), number(&case.input["rise_ft"]));
    case.holds("area_sf", bow_area(chord, rise).unwrap());
    // A bow as deep as half its chord is half a circle.
    assert!((bow_area(2.0, 1.0).unwrap() - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
    assert_eq!(bow_area(8.0, 4.5), None);
    assert_eq!(bow_area(8.0, 0.0), None);
}

#[test]
fn a_published_floor() {
    let case = case("area-08");
    let centimetre = 10_000_000;
    let corner = |point: &Value| Point {
        east: point[0].as_i64().unwrap() * centimetre,
        north: point[1].as_i64().unwrap() * centimetre,
    };
    let points = case.input["points"].as_array().unwrap().iter().map(corner).collect();
    let floor = Polygon { corners: points };
    assert_eq!(floor.area().unwrap().to_square_metres(3), "52.966");
    case.holds("area_m2_if_cm", floor.area().unwrap().to_square_metres_f64());
    let perimeter = floor.perimeter_ft() * 30.48;
    assert!((perimeter - number(case.expected("perimeter"))).abs() < 1e-9);
    assert_eq!(floor.faults(), []);
}

#[test]
fn a_triangle_by_base_and_height() {
    let case = case("area-09");
    let (base, height) = (number(&case.input["base_ft"]), number(&case.input["height_ft"]));
    let sds = (number(&case.input["sd_base_ft"]), number(&case.input["sd_height_ft"]));
    let mut notes = blank_notes();
    let none = || distance(&[]);
    // Where the tip stands along the base does not matter to the area.
    let tip =
        run_and_rise(Compass::West, distance(&[(5.0, 0.3)]), Compass::North, distance(&[(height, sds.1)]));
    let walls = vec![
        (toward(Compass::East), distance(&[(base, sds.0)])),
        (tip, none()),
        (run_and_rise(Compass::West, none(), Compass::South, none()), none()),
    ];
    outline(&mut notes, "gable", walls);
    let gable = worked_up(&notes).area(&[Share { outline: 0, weight: 1.0 }]).unwrap();
    case.holds("area_sf", gable.area.to_square_feet_f64());
    case.holds("sd_sf", gable.sd_sqft);
}

/// A triangle of three sides in directions that nobody observed.
fn triangle(sides: [f64; 3], sd_first: f64) -> (f64, f64) {
    let mut notes = blank_notes();
    let free = |about_degrees| Direction::Free { about_degrees };
    let walls = vec![
        (toward(Compass::East), distance(&[(sides[0], sd_first)])),
        (free(330.0), distance(&[(sides[1], TINY_FT)])),
        (free(210.0), distance(&[(sides[2], TINY_FT)])),
    ];
    outline(&mut notes, "triangle", walls);
    let area = worked_up(&notes).area(&[Share { outline: 0, weight: 1.0 }]).unwrap();
    (area.area.to_square_feet_f64(), area.sd_sqft)
}

#[test]
fn a_triangle_by_three_sides() {
    let case = case("area-10");
    let sides = case.input["sides_ft"].as_array().unwrap();
    let (area, sd) = triangle([number(&sides[0]), number(&sides[1]), number(&sides[2])], 0.01);
    case.holds("area_sf", area);
    case.close("dA_da", sd / 0.01, number(case.expected("dA_da")));
}

#[test]
fn every_wall_out_by_the_same() {
    let case = case("area-11");
    let outline = ring(&case.input["outline_ft"], FOOT);
    case.holds("area_sf", square_feet(&outline));
    case.holds("perimeter_ft", outline.perimeter_ft());
    let shift = number(&case.input["shift_in"]) * INCH;
    let d = shift;
    // Walked counter-clockwise, each corner moves out by the shift along both axes.
    let out = [
        (-d, -d),
        (42.0 + d, -d),
        (42.0 + d, 28.0 + d),
        (24.0 - d, 28.0 + d),
        (24.0 - d, 24.0 + d),
        (-d, 24.0 + d),
    ];
    let moved = square_feet(&Polygon::from_feet(&out).unwrap());
    case.holds("area_after_sf", moved);
    let formula = square_feet(&outline) + outline.perimeter_ft() * d + 4.0 * d * d;
    case.holds("area_after_sf", formula);
}

#[test]
fn far_from_the_origin_no_digit_is_lost() {
    let case = case("area-12");
    let nanometres = |text: &Value| {
        let (whole, hundredths) =
            text.as_str().unwrap().split_once('.').unwrap_or((text.as_str().unwrap(), "00"));
        (whole.parse::<i64>().unwrap() * 100 + hundredths.parse::<i64>().unwrap()) * 3_048_000
    };
    let corner = |point: &Value| Point { east: nanometres(&point[0]), north: nanometres(&point[1]) };
    let corners = case.input["points"].as_array().unwrap().iter().map(corner).collect();
    let polygon = Polygon { corners };
    assert_eq!(polygon.area(), Area::parse_square_feet(case.expected("area_sf").as_str().unwrap()).ok());
    assert!(polygon.is_clockwise());
}

#[test]
fn a_bow_tie_is_refused_with_the_place_where_it_crosses() {
    let case = case("area-13");
    let polygon = ring(&case.input["points_ft"], FOOT);
    case.holds("signed_area_sf", square_feet(&polygon));
    let middle = Point { east: 5 * 304_800_000, north: 5 * 304_800_000 };
    assert_eq!(polygon.faults(), [RingFault::Crossing { sides: (0, 2), at: middle }]);
}

#[test]
fn the_total_is_rounded_once() {
    let case = case("area-14");
    let levels = case.input["levels_sf"].as_array().unwrap();
    let of = |text: &Value| Area::parse_square_feet(text.as_str().unwrap()).unwrap();
    let total = levels.iter().fold(Area::ZERO, |sum, level| sum.checked_add(of(level)).unwrap());
    assert_eq!(total.to_square_feet(0), case.expected("total_reported_sf").to_string());
    let rounded: i64 = levels.iter().map(|level| of(level).to_square_feet(0).parse::<i64>().unwrap()).sum();
    assert_eq!(rounded, case.expected("sum_of_rounded_levels_sf").as_i64().unwrap());
}

// --- faults of rings and of pairs of rings

fn feet_ring(corners: &[(f64, f64)]) -> Polygon {
    Polygon::from_feet(corners).unwrap()
}

#[test]
fn a_side_without_length_a_spike_and_a_touch_are_refused() {
    let foot = 304_800_000;
    let point = |east: i64, north: i64| Point { east: east * foot, north: north * foot };
    let twice = feet_ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 0.0), (0.0, 10.0)]);
    assert_eq!(twice.faults(), [RingFault::NoLength { side: 1, at: point(10, 0) }]);
    let spike = feet_ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (10.0, 4.0), (0.0, 4.0)]);
    assert_eq!(
        spike.faults(),
        [
            RingFault::Spike { corner: 2, at: point(10, 10) },
            RingFault::Crossing { sides: (1, 3), at: point(10, 4) },
        ]
    );
    let touch = feet_ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (5.0, 0.0), (0.0, 10.0)]);
    assert_eq!(
        touch.faults(),
        [
            RingFault::Crossing { sides: (0, 2), at: point(5, 0) },
            RingFault::Crossing { sides: (0, 3), at: point(5, 0) },
        ]
    );
    assert_eq!(feet_ring(&[(0.0, 0.0), (1.0, 1.0)]).faults(), [RingFault::TooFewCorners]);
    // Two walls in line are no fault.
    assert_eq!(feet_ring(&[(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)]).faults(), []);
}

#[test]
fn an_overlap_and_a_part_outside_its_level_are_found_with_their_place() {
    let foot = 304_800_000;
    let level = feet_ring(&[(0.0, 0.0), (40.0, 0.0), (40.0, 30.0), (0.0, 30.0)]);
    let garage = feet_ring(&[(30.0, 0.0), (52.0, 0.0), (52.0, 20.0), (30.0, 20.0)]);
    let both = level.overlaps(&garage, 0.01);
    assert_eq!(both.len(), 1);
    assert!((both[0].area_sqft - 200.0).abs() < 1e-6);
    assert_eq!(both[0].low, Point { east: 30 * foot, north: 0 });
    assert_eq!(both[0].high, Point { east: 40 * foot, north: 20 * foot });
    let outside = garage.outside(&level, 0.01);
    assert!((outside[0].area_sqft - 240.0).abs() < 1e-6);
    assert_eq!(outside[0].low, Point { east: 40 * foot, north: 0 });
    // Parts that share a wall only do not overlap.
    let beside = feet_ring(&[(40.0, 0.0), (52.0, 0.0), (52.0, 20.0), (40.0, 20.0)]);
    assert_eq!(level.overlaps(&beside, 1e-6), []);
}

#[test]
fn held_values_that_contradict_each_other_are_refused() {
    let held = adjust::Quantity { value: 1.0, variance: Some(0.0) };
    let conditions = adjust::LinearConditions {
        coefficients: nalgebra::DMatrix::from_row_slice(1, 2, &[1.0, 1.0]),
        constants: nalgebra::DVector::zeros(1),
    };
    assert_eq!(adjust::adjust(&[held, held], &conditions), Err(adjust::AdjustError::Contradiction));
}

//! Readings, misclosure, adjustment and what it says about each reading.

use crossfoot_audit::length::{Length, LengthNotation, parse};
use crossfoot_audit::measure::Source;
use crossfoot_audit::measure::adjust::{LinearConditions, Quantity, adjust};
use crossfoot_audit::measure::compass_rule::compass_rule;
use crossfoot_audit::measure::field_notes::{Compass, FieldNotes, TieLine};
use crossfoot_audit::measure::hint::{Hint, main_direction};
use crossfoot_audit::measure::observation::{Observation, Verdict, detectable_shift, smallest_blunder};
use crossfoot_audit::measure::reading::{Offset, OffsetSense, Piece, Reading};
use crossfoot_audit::measure::repeated::pair_spread;
use nalgebra::{DMatrix, DVector};
use serde_json::Value;

use crate::cases::{Case, case, number};
use crate::sketch::{
    INCH, blank_notes, distance, feet, from_legs, from_walls, legs, outline, reading, tie, toward, worked_up,
};

fn inches(length: Length) -> f64 {
    length.nanometres() as f64 / 25_400_000.0
}

// --- readings

#[test]
fn units_are_exact() {
    let case = case("reading-03");
    let texts = case.input["lengths"].as_array().unwrap();
    let found: Vec<Value> = texts
        .iter()
        .map(|text| parse(text.as_str().unwrap(), LengthNotation::Unstated).unwrap().nanometres().into())
        .collect();
    assert_eq!(Value::Array(found), *case.expected("nm"));
}

fn in_pieces(case: &Case, sense: OffsetSense, sd_in: f64, mark_sd_in: f64) -> Reading {
    let piece = |value: &Value| Piece {
        length: feet(number(value) * INCH),
        instrument: "tape".to_owned(),
        rounded_to: None,
    };
    let offset = &case.input["offsets_in"][0];
    let amount = feet(number(&offset["value"]).abs() * INCH);
    // The tape's own error is the case's error of one piece.
    assert_eq!(sd_in, 0.25);
    Reading {
        pieces: case.input["pieces_in"].as_array().unwrap().iter().map(piece).collect(),
        offsets: vec![Offset { sense, amount, reason: offset["reason"].as_str().map(str::to_owned) }],
        mark_sd: Some(feet(mark_sd_in * INCH)),
        ..Reading::default()
    }
}

#[test]
fn a_tape_that_stops_short_adds_and_a_mark_on_the_corner_takes_off() {
    let short = case("reading-01");
    let (piece, joint) = (number(&short.input["sd_each_piece_in"]), number(&short.input["sd_joint_in"]));
    let instruments = blank_notes().instruments;
    let value = in_pieces(&short, OffsetSense::EndStopsShort, piece, joint).value(&instruments).unwrap();
    short.holds("length_in", inches(value.length));
    short.holds("sd_in", value.sd_ft() / INCH);
    assert_eq!(value.length.to_feet_inches(16), "42' 5 1/2\"");
    let on_corner = case("reading-05");
    let other = in_pieces(&on_corner, OffsetSense::MarkOnCorner, 0.25, 0.25).value(&instruments).unwrap();
    on_corner.holds("length_in", inches(other.length));
    on_corner
        .holds("difference_from_other_sense_in", inches(value.length.checked_sub(other.length).unwrap()));
    assert_eq!(other.length.to_feet_inches(16), "42' 1 1/2\"");
}

#[test]
fn pairs_state_the_error_of_one_reading() {
    let case = case("reading-02");
    let differences = case.input["pair_differences_in"].as_array().unwrap();
    let spread = pair_spread(&differences.iter().map(number).collect::<Vec<_>>()).unwrap();
    case.holds("sigma_reading_in", spread.reading_sd);
    case.holds("sigma_mean_of_pair_in", spread.mean_sd);
    case.holds("dof", spread.degrees_of_freedom as f64);
    assert_eq!(pair_spread(&[]), None);
}

#[test]
fn inches_typed_as_tenths_are_hinted_at() {
    let case = case("reading-04");
    let truth = parse(case.input["true"].as_str().unwrap(), LengthNotation::Unstated).unwrap();
    let typed = parse(case.input["typed_ft"].as_str().unwrap(), LengthNotation::DecimalFeet).unwrap();
    let error = typed.checked_sub(truth).unwrap();
    case.holds("error_ft", error.to_feet_f64());
    case.holds("error_in", inches(error));
    let mut notes = blank_notes();
    let wall = |word, length: f64| (toward(word), distance(&[(length, 0.01)]));
    let walls = vec![
        wall(Compass::East, typed.to_feet_f64()),
        wall(Compass::North, 30.0),
        wall(Compass::West, truth.to_feet_f64()),
        wall(Compass::South, 30.0),
    ];
    outline(&mut notes, "house", walls);
    let hints = worked_up(&notes).outlines[0].hints.clone();
    assert_eq!(hints[0], Hint::InchesAsTenths { source: Source::Length(0), meant: truth });
}

// --- misclosure

fn misclosure_in_inches(case: &Case) -> (f64, f64) {
    let house = worked_up(&from_walls(&case.input["walls"]));
    let found = &house.outlines[0].misclosure;
    (inches(found.east.unwrap()), inches(found.north.unwrap()))
}

#[test]
fn the_gap_of_an_outline_is_exact() {
    let case = case("closure-01");
    let (east, north) = misclosure_in_inches(&case);
    case.holds("mx_in", east);
    case.holds("my_in", north);
    let house = worked_up(&from_walls(&case.input["walls"]));
    case.holds("perimeter_in", inches(house.outlines[0].misclosure.perimeter));
}

#[test]
fn the_gap_of_published_traverses() {
    let good = case("closure-02");
    let found = worked_up(&from_legs(&good.input["legs"])).outlines[0].misclosure.clone();
    good.holds("lat_sum", found.north.unwrap().to_feet_f64());
    good.holds("dep_sum", found.east.unwrap().to_feet_f64());
    good.holds("perimeter", found.perimeter.to_feet_f64());
    good.holds("linear", found.linear_ft());
    assert!(!found.is_poor() || found.ratio().unwrap() > 500.0);
    let bad = case("closure-03");
    let found = worked_up(&from_legs(&bad.input["legs"])).outlines[0].misclosure.clone();
    bad.holds("lat_sum", found.north.unwrap().to_feet_f64());
    bad.holds("dep_sum", found.east.unwrap().to_feet_f64());
    bad.holds("linear", found.linear_ft());
    bad.holds("precision_denominator", found.ratio().unwrap());
    assert!(found.is_poor());
}

#[test]
fn a_wall_turned_the_wrong_way_is_hinted_at() {
    let case = case("closure-04");
    let (east, north) = misclosure_in_inches(&case);
    case.holds("mx_in", east);
    case.holds("my_in", north);
    let wall = case.expected("hypothesis")["wall_index"].as_u64().unwrap() as usize;
    let hints = worked_up(&from_walls(&case.input["walls"])).outlines[0].hints.clone();
    assert_eq!(hints[0], Hint::TurnedWrongWay { source: Source::Length(wall) });
}

#[test]
fn a_forgotten_wall_is_hinted_at() {
    let case = case("closure-05");
    let (east, north) = misclosure_in_inches(&case);
    case.holds("mx_in", east);
    case.holds("my_in", north);
    let hints = worked_up(&from_walls(&case.input["walls"])).outlines[0].hints.clone();
    let Some(Hint::WallMissing { east, north, like: None }) = hints.last() else { panic!("{hints:?}") };
    assert_eq!(main_direction(*east, *north), Some(Compass::West));
    assert_eq!(inches(*east), -number(&case.expected("hypothesis")["len_in"]));
}

// --- the compass rule

#[test]
fn the_compass_rule_gives_the_published_legs() {
    for case in [case("adjust-01"), case("adjust-02")] {
        let legs = compass_rule(&legs(&case.input["legs"]));
        case.all_hold("dep", &legs.iter().map(|leg| leg.0).collect::<Vec<_>>());
        case.all_hold("lat", &legs.iter().map(|leg| leg.1).collect::<Vec<_>>());
    }
}

// --- adjustment

fn of_readings(notes: &FieldNotes, of: impl Fn(&Observation) -> f64) -> Vec<f64> {
    worked_up(notes).observations.iter().map(of).collect()
}

#[test]
fn held_directions_move_only_the_walls_of_the_axis() {
    for case in [case("adjust-03"), case("adjust-04")] {
        let notes = from_walls(&case.input["walls"]);
        case.all_hold("v_in", &of_readings(&notes, |one| one.residual / INCH));
        case.all_hold("w_test", &of_readings(&notes, |one| one.standardised.unwrap()));
        case.all_hold("redundancy", &of_readings(&notes, |one| one.redundancy));
        let house = worked_up(&notes);
        case.holds("chi2", house.test.chi2);
        case.holds("dof", house.test.degrees_of_freedom as f64);
        assert_eq!(house.test.verdict, Verdict::Accepted);
        assert_eq!(house.suspicions, []);
        // No north or south wall leaves its line.
        let corners = &house.outlines[0].polygon.corners;
        assert_eq!(corners[1].east, corners[2].east);
        assert_eq!(corners[3].east, corners[4].east);
    }
    let case = case("adjust-03");
    let house = worked_up(&from_walls(&case.input["walls"]));
    case.all_hold("adjusted_in", &house.walls.iter().map(|wall| inches(wall.length)).collect::<Vec<_>>());
    case.all_hold("sd_adjusted_in", &house.walls.iter().map(|wall| wall.sd_ft / INCH).collect::<Vec<_>>());
}

#[test]
fn a_published_network_read_forward_and_back() {
    let case = case("adjust-05");
    let observations = case.input["observations"].as_array().unwrap();
    let of = |one: &Value| Quantity {
        value: number(&one["dh_m"]) * 1000.0,
        variance: Some(number(&one["sd_mm"]) * number(&one["sd_mm"])),
    };
    let quantities: Vec<Quantity> = observations.iter().map(of).collect();
    // Forward and back cancel, leg by leg; the way round returns.
    let mut coefficients = DMatrix::zeros(5, 8);
    for (row, (forward, back)) in [(0, 7), (1, 6), (2, 5), (3, 4)].into_iter().enumerate() {
        coefficients[(row, forward)] = 1.0;
        coefficients[(row, back)] = 1.0;
        coefficients[(4, forward)] = 1.0;
    }
    let conditions = LinearConditions { coefficients, constants: DVector::zeros(5) };
    let adjusted = adjust(&quantities, &conditions).unwrap();
    // Points 4, 3 and 2 are reached after one, two and three legs.
    for (legs, point) in [(1, "4"), (2, "3"), (3, "2")] {
        let height = 1000.0 + (0..legs).map(|leg| adjusted.values[leg]).sum::<f64>() / 1000.0;
        case.close("heights", height, number(&case.expected("heights")[point]));
        let pairs = (0..legs).flat_map(|one| (0..legs).map(move |other| (one, other)));
        let variance: f64 = pairs.map(|(one, other)| adjusted.covariance(one, other)).sum();
        case.close("sd_mm", variance.sqrt(), number(&case.expected("sd_mm")[point]));
    }
    let squares = adjusted.residuals.norm_squared();
    case.holds("pvv_mm2", squares);
    let freedom = adjusted.degrees_of_freedom as f64;
    assert_eq!(freedom, number(case.expected("dof")));
    case.holds("m0_mm", (squares / freedom).sqrt());
    let w = |at: usize| {
        let spread = 25.0 - adjusted.covariance(at, at);
        adjusted.residuals[at].abs() / spread.sqrt()
    };
    let largest = (0..8).max_by(|one, other| w(*one).total_cmp(&w(*other))).unwrap();
    case.holds("max_abs_w", w(largest));
    assert_eq!(largest as u64 + 1, case.expected("max_w_observation").as_u64().unwrap());
}

#[test]
fn degrees_of_freedom_count_conditions_less_what_is_estimated() {
    let case = case("unc-12");
    let walls = case.input["walls"].as_u64().unwrap() as usize;
    // Six walls read twice, a reading of the overall dimension, and a bias in both readings of the first wall.
    let readings = 2 * walls;
    let mut quantities = vec![Quantity { value: 10.0, variance: Some(0.01) }; readings + 1];
    quantities.push(Quantity { value: 0.0, variance: None });
    let mut coefficients = DMatrix::zeros(2 + walls + 1, readings + 2);
    for wall in 0..walls {
        coefficients[(2 + wall, 2 * wall)] = 1.0;
        coefficients[(2 + wall, 2 * wall + 1)] = -1.0;
        let along = if wall % 2 == 0 { (0, 1.0) } else { (1, 1.0) };
        coefficients[(along.0, 2 * wall)] = if wall < 3 { along.1 } else { -along.1 };
    }
    coefficients[(0, readings + 1)] = -1.0;
    coefficients[(8, 2)] = 1.0;
    coefficients[(8, readings)] = -1.0;
    let conditions = LinearConditions { coefficients, constants: DVector::zeros(9) };
    case.holds("dof", adjust(&quantities, &conditions).unwrap().degrees_of_freedom as f64);
}

// --- suspects

/// Front, rear in two pieces, rear overall; one of the sides is derived, which leaves two conditions.
fn front_and_rear(case: &Case, second: Option<f64>) -> FieldNotes {
    let read = &case.input["observations_in"];
    let sd = number(&case.input["sd_in"]) * INCH;
    let of = |name: &str| (number(&read[name]) * INCH, sd);
    let mut notes = blank_notes();
    let mut piece_2 = distance(&[of("rear_piece_2")]);
    piece_2.readings.extend(second.map(|length| reading(length * INCH, sd)));
    let walls = vec![
        (toward(Compass::East), distance(&[of("front")])),
        (toward(Compass::North), distance(&[(28.0, sd)])),
        (toward(Compass::West), distance(&[of("rear_piece_1")])),
        (toward(Compass::West), piece_2),
        (toward(Compass::South), distance(&[])),
    ];
    outline(&mut notes, "house", walls);
    tie(&mut notes, TieLine::EastWest, "house", (2, 4), distance(&[of("rear_overall")]));
    notes
}

const ALONG_THE_REAR: [Source; 4] = [Source::Length(0), Source::Length(2), Source::Length(3), Source::Tie(0)];

fn along_the_rear(notes: &FieldNotes, of: impl Fn(&Observation) -> f64) -> Vec<f64> {
    let all = worked_up(notes).observations;
    let reading = |at: usize, source: Source| {
        all.iter().find(|one| one.source == source && one.reading == Some(at)).map(&of)
    };
    let first = ALONG_THE_REAR.iter().filter_map(|source| reading(0, *source));
    first.chain(reading(1, Source::Length(3))).collect()
}

#[test]
fn an_overall_dimension_names_the_group_only() {
    let case = case("blunder-01");
    let notes = front_and_rear(&case, None);
    let absolute = |values: Vec<f64>| values.iter().map(|value| value.abs()).collect::<Vec<_>>();
    let wanted = case.expected("w_test").as_array().unwrap().iter().map(|w| number(w).abs());
    let found = absolute(along_the_rear(&notes, |one| one.standardised.unwrap()));
    for (found, wanted) in found.iter().zip(wanted) {
        case.close("w_test", *found, wanted);
    }
    case.all_hold("redundancy", &along_the_rear(&notes, |one| one.redundancy));
    let house = worked_up(&notes);
    case.holds("chi2", house.test.chi2);
    case.holds("dof", house.test.degrees_of_freedom as f64);
    assert_eq!(house.suspicions[0].distances(), [Source::Length(2), Source::Length(3)]);
    assert_eq!(house.suspicions[0].named(), None);
    // Reading either piece again tells the two apart.
    let advice = house.advice.unwrap();
    assert_eq!(advice.alike_after, 1.0);
}

#[test]
fn a_second_reading_names_the_wall_and_the_reading() {
    let case = case("blunder-02");
    let again = number(&case.input["observations_in"]["rear_piece_2_again"]);
    let notes = front_and_rear(&case, Some(again));
    let found = along_the_rear(&notes, |one| one.standardised.unwrap());
    let wanted = case.expected("w_test").as_array().unwrap();
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().zip(wanted) {
        case.close("w_test", found.abs(), number(wanted).abs());
    }
    case.all_hold("redundancy", &along_the_rear(&notes, |one| one.redundancy));
    let house = worked_up(&notes);
    case.holds("chi2", house.test.chi2);
    case.holds("dof", house.test.degrees_of_freedom as f64);
    assert_eq!(house.suspicions.len(), 1);
    assert_eq!(house.suspicions[0].named_reading(), Some((Source::Length(3), 0)));
    assert!((house.suspicions[0].size / INCH - 6.0).abs() < 1e-9);
    assert_eq!(house.advice, None);
}

#[test]
fn a_single_loop_names_its_axis_and_no_wall() {
    let case = case("blunder-03");
    let house = worked_up(&from_walls(&case.input["walls"]));
    case.holds("mx_in", inches(house.outlines[0].misclosure.east.unwrap()));
    for wall in [0, 2, 4] {
        case.holds("abs_w_all_ew_walls", house.observations[wall].standardised.unwrap().abs());
    }
    case.holds("chi2", house.test.chi2);
    assert_eq!(house.test.verdict, Verdict::Rejected);
    let wanted = case.expected("suspect_sets")[0].as_array().unwrap();
    let wanted: Vec<Source> =
        wanted.iter().map(|wall| Source::Length(wall.as_u64().unwrap() as usize)).collect();
    assert_eq!(house.suspicions.len(), 1);
    assert_eq!(house.suspicions[0].distances(), wanted);
    assert_eq!(house.suspicions[0].named(), None);
    assert!(house.suspicions[0].may_be_out_of_square());
    assert!(house.advice.unwrap().alike_after < 6.0);
}

#[test]
fn the_smallest_error_that_is_found() {
    let case = case("blunder-04");
    let (level, power) = (number(&case.input["alpha"]), number(&case.input["power"]));
    case.holds("delta0", detectable_shift(level, power).unwrap());
    let redundancy = case.input["redundancy"].as_array().unwrap();
    let of = |share: &Value| smallest_blunder(number(&case.input["sigma"]), number(share)).unwrap();
    case.all_hold("mdb", &redundancy.iter().map(of).collect::<Vec<_>>());
    assert_eq!(smallest_blunder(1.0, 0.0), None);
}

//! Slips of the trade, through documents: what a person is told. Common practice, no source; figures invented.

use crossfoot_audit::measure::telling::ToldKind::{Advice, Balance, Disagreement, Hint, Suspicion};
use serde_json::{Value, json};

use super::angle::{AREA, all_told, house, reading, told, wall_read, with_error};
use super::house::{outline, total};

fn bay(run: &str, side: Option<&str>) -> Value {
    let walls = json!([
        wall_read("front left", "east", &["10 ft"]),
        { "name": "bay left", "direction": { "run_and_rise": {
            "run": { "toward": "east", "distance": { "readings": [reading(run)] } },
            "rise": { "toward": "south", "distance": { "readings": [reading("3 ft")] } } } } },
        wall_read("bay front", "east", &["4 ft"]),
        { "name": "bay right", "direction": { "run_and_rise": {
            "run": { "toward": "east", "distance": { "readings": [reading("4 ft")] } },
            "rise": { "toward": "north", "distance": { "readings": [reading("3 ft")] } } } } },
        wall_read("front right", "east", &["8 ft"]),
        wall_read("right", "north", &["20 ft"]),
        wall_read("rear", "west", &["30 ft"]),
        wall_read("left", "south", &["20 ft"]),
    ]);
    let mut house = with_error(1, "front", 0.0);
    let names: Vec<&str> =
        walls.as_array().unwrap().iter().map(|wall| wall["name"].as_str().unwrap()).collect();
    house["field_notes"]["outlines"] = json!([outline("ground", &names)]);
    house["field_notes"]["walls"] = walls;
    if let Some(side) = side {
        house["field_notes"]["walls"][1]["length"] = json!({ "readings": [reading(side)] });
    }
    house
}

/// The directions held: a house taken as square.
fn square(mut house: Value) -> Value {
    house["field_notes"]["direction_sd_degrees"] = json!(0);
    house
}

const ALONG: &str = "length of front, length of rear, length of back";

#[test]
fn a_good_house_balances_and_says_nothing_more() {
    let house = with_error(2, "front", 0.0);
    assert_eq!(
        all_told(&house),
        [
            "ground balances: it closes without a gap.",
            "The readings agree within their errors (8 independent checks)."
        ]
    );
    assert!((total(&house, "finished-above-grade") - AREA).abs() < 1e-6);
}

#[test]
fn a_wall_read_once_and_a_foot_wrong_names_only_its_group() {
    let house = with_error(1, "back", -1.0);
    assert_eq!(
        told(&house, &[Balance, Suspicion, Advice, Hint]),
        [
            "ground does not balance: the sides to the east are 1' 0\" longer than those to the west, 1 in 139 of its perimeter.".to_owned(),
            format!("One of these may be wrong: {ALONG}, or the house is out of square there. The readings cannot tell which."),
            "What would tell most: read the overall dimension, east and west, from the corner of front and right to the corner of jog and back.".to_owned(),
            format!("Hint for ground: the gap is 1 ft: a foot mark may have been misread on the {ALONG}."),
            "Hint for ground: a wall of 1' 0\" to the west may have been left out.".to_owned(),
        ]
    );
}

#[test]
fn a_wall_read_twice_and_once_a_foot_wrong_is_named() {
    let house = house(|name, length| vec![length, if name == "rear" { length + 1.0 } else { length }]);
    assert_eq!(
        told(&house, &[Disagreement, Suspicion, Advice]),
        [
            "Readings 1 and 2 of the length of rear differ by 1' 0\"; their errors allow 1\".",
            "A reading of the length of rear is wrong, by about 1' 0\"; the others cannot tell which one."
        ]
    );
    // the other walls tell which reading it is where directions do not share the doubt
    assert_eq!(
        told(&square(house), &[Disagreement, Suspicion]),
        [
            "Readings 1 and 2 of the length of rear differ by 1' 0\"; their errors allow 1\".",
            "Reading 2 of the length of rear does not fit: it is about 1' 0\" too long."
        ]
    );
}

#[test]
fn an_error_common_to_both_readings_accuses_no_reading() {
    let house = with_error(2, "rear", 1.0);
    assert_eq!(told(&house, &[Disagreement]), Vec::<String>::new());
    assert_eq!(
        told(&house, &[Suspicion]),
        [format!(
            "One of these may be wrong: {ALONG}, or the house is out of square there. The readings cannot tell which."
        )]
    );
}

#[test]
fn swapped_digits_are_told_with_what_would_close() {
    // 42 ft written as 24 ft
    let hints = told(&with_error(1, "front", -18.0), &[Hint]);
    assert_eq!(
        hints[0],
        "Hint for ground: the length of front with two digits swapped would be 42' 0\", which closes."
    );
    // 17.92 ft written as 17.29 ft: 17 ft 11 1/16 in to the sixteenth
    let hundredths = |name: &str, length: f64| match name {
        "front" => vec![42.42],
        "back" => vec![17.29],
        _ => vec![length],
    };
    let mut house = house(hundredths);
    let hint = |told: &str| {
        format!("Hint for ground: the length of back with two digits swapped would be {told}, which closes.")
    };
    assert_eq!(told(&house, &[Hint])[0], hint("17' 11 1/16\""));
    house["field_notes"]["notation"] = json!("decimal_feet");
    assert_eq!(told(&house, &[Hint])[0], hint("17.920 ft"));
}

#[test]
fn a_gutter_not_allowed_for_is_hinted_at_and_closes_once_it_is() {
    let mut house = square(with_error(1, "right", -1.0 / 12.0));
    for wall in house["field_notes"]["walls"].as_array_mut().unwrap() {
        wall["length"]["readings"][0]["sd"] = json!("1/16 in");
    }
    let hints = told(&house, &[Hint]);
    assert_eq!(
        hints[0],
        "Hint for ground: an obstacle of about an inch, such as a gutter, may not have been allowed for, or the wrong way."
    );
    house["field_notes"]["walls"][1]["length"]["obstacle"] =
        json!({ "sense": "corner_not_reached", "amount": "1 in", "sd": "1/2 in" });
    assert_eq!(all_told(&house)[0], "ground balances: it closes without a gap.");
    assert_eq!(told(&house, &[Suspicion, Hint]), Vec::<String>::new());
    assert!((total(&house, "finished-above-grade") - AREA).abs() < 1e-6);
}

#[test]
fn a_tape_hooked_two_inches_short_is_told_once_its_offset_is_right() {
    let sense = |word: &str| {
        let mut house = square(with_error(1, "rear", 2.0 / 12.0));
        house["field_notes"]["walls"][2]["length"]["readings"][0]["offsets"] =
            json!([{ "sense": word, "amount": "2 in" }]);
        house
    };
    let wrong = sense("end_stops_short");
    assert_eq!(
        told(&wrong, &[Balance, Hint])[..2],
        [
            "ground does not balance: the sides to the west are 4\" longer than those to the east, 1 in 421 of its perimeter.",
            "Hint for ground: the offset of reading 1 of the length of rear may go the other way."
        ]
    );
    let right = sense("mark_on_corner");
    assert_eq!(told(&right, &[Balance, Hint]), ["ground balances: it closes without a gap."]);
    // unstated, 2 in are within what a house out of square would leave: it balances, and no wall is named
    let unstated = with_error(1, "rear", -2.0 / 12.0);
    assert_eq!(
        told(&unstated, &[Balance, Suspicion, Hint]),
        [
            "ground balances: the sides to the east are 2\" longer than those to the west, 1 in 839 of its perimeter."
        ]
    );
}

#[test]
fn a_bays_run_taken_for_its_side_is_hinted_at() {
    // run 4, rise 3, side 5; 30 x 20 and a bay of 3 x (4 + 12) / 2
    let good = bay("4 ft", None);
    assert_eq!(told(&good, &[Balance, Suspicion, Hint]), ["ground balances: it closes without a gap."]);
    assert!((total(&good, "finished-above-grade") - 624.0).abs() < 1e-6);
    let side = "Hint for ground: the slanting side may have been written down as the run of bay left.";
    assert_eq!(told(&bay("5 ft", None), &[Hint])[0], side);
    let both = bay("5 ft", Some("5 ft"));
    assert_eq!(told(&both, &[Hint])[0], side);
    assert_eq!(
        told(&both, &[Suspicion, Advice]),
        [
            "One of these may be wrong: length of bay left, run of bay left. The readings cannot tell which.",
            "What would tell most: read the run of bay left once more."
        ]
    );
}

/// What a person reads inside between walls of 6 in: an outer corner takes their thickness off, an inner one adds it.
fn inside(name: &str, length: f64) -> f64 {
    match name {
        "jog" | "back" => length,
        _ => length - 1.0,
    }
}

#[test]
fn inside_readings_among_outside_ones_do_not_balance_unless_they_say_so() {
    let mixed = ["right", "jog"];
    let mut house =
        house(|name, length| vec![if mixed.contains(&name) { inside(name, length) } else { length }; 2]);
    assert_eq!(
        told(&house, &[Balance, Suspicion]),
        [
            "ground does not balance: the sides to the south are 1' 0\" longer than those to the north, 1 in 139 of its perimeter.",
            "One of these may be wrong: length of right, length of jog, length of left, or the house is out of square there. The readings cannot tell which."
        ]
    );
    house["field_notes"]["wall_thickness"] = json!("6 in");
    for side in [1, 3] {
        house["field_notes"]["outlines"][0]["sides"][side]["read_at"] = json!("inside");
    }
    assert_eq!(told(&house, &[Balance, Suspicion, Hint]), ["ground balances: it closes without a gap."]);
    assert!((total(&house, "finished-above-grade") - AREA).abs() < 1e-6);
}

#[test]
fn a_house_read_inside_all_round_is_brought_to_its_outer_face_exactly() {
    let mut house = house(|name, length| vec![inside(name, length)]);
    house["field_notes"]["wall_thickness"] = json!("6 in");
    for side in house["field_notes"]["outlines"][0]["sides"].as_array_mut().unwrap() {
        side["read_at"] = json!("inside");
    }
    assert_eq!(told(&house, &[Balance]), ["ground balances: it closes without a gap."]);
    assert!((total(&house, "finished-above-grade") - AREA).abs() < 1e-6);
}

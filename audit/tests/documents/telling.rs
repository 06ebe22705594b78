//! What a measured house says in sentences. The figures are by hand; the rules behind them are checked in `measuring`.

use crossfoot_audit::measure::telling::{Told, ToldKind, tell};
use serde_json::{Value, json};

use super::house::{read, rectangle};

fn told(house: &Value) -> Vec<Told> {
    let measurement = read(house).unwrap();
    let drawing = measurement.house.drawing.unwrap();
    tell(&drawing.worked, drawing.dimensions)
}

fn texts(told: &[Told], kind: ToldKind) -> Vec<&str> {
    told.iter().filter(|one| one.kind == kind).map(|one| one.text.as_str()).collect()
}

fn set(house: &mut Value, wall: usize, reading: usize, length: &str) {
    house["field_notes"]["walls"][wall]["length"]["readings"][reading]["pieces"][0]["length"] = json!(length);
}

#[test]
fn a_house_that_balances_says_so_and_nothing_more() {
    let told = told(&rectangle("40 ft", "28 ft"));
    assert_eq!(texts(&told, ToldKind::Balance), ["ground balances: it closes without a gap."]);
    // two conditions of one loop, and a second reading of each of four walls
    assert_eq!(
        texts(&told, ToldKind::Test),
        ["The readings agree within their errors (6 independent checks)."]
    );
    assert_eq!(told.len(), 2, "{told:?}");
}

#[test]
fn a_reading_that_does_not_fit_is_named_with_its_size() {
    let mut house = rectangle("40 ft", "28 ft");
    house["field_notes"]["direction_sd_degrees"] = json!(0);
    set(&mut house, 0, 1, "40 ft 6 in");
    let told = told(&house);
    assert_eq!(
        texts(&told, ToldKind::Balance),
        [
            "ground does not balance: the sides to the east are 3\" longer than those to the west, 1 in 545 of its perimeter."
        ]
    );
    assert_eq!(
        texts(&told, ToldKind::Suspicion),
        ["Reading 2 of the length of front does not fit: it is about 6\" too long."]
    );
    let pairs = texts(&told, ToldKind::Disagreement);
    assert!(
        pairs[0].starts_with("Readings 1 and 2 of the length of front differ by 6\"; their errors allow "),
        "{pairs:?}"
    );
    assert!(texts(&told, ToldKind::Advice).is_empty(), "the readings name it: {told:?}");
}

#[test]
fn a_house_that_may_be_out_of_square_leaves_open_which_of_two_readings_is_wrong() {
    let mut house = rectangle("40 ft", "28 ft");
    set(&mut house, 0, 1, "40 ft 6 in");
    let told = told(&house);
    // 0.2 degrees on two walls of 28 ft are 1.66 in: a gap of 3 in says little about either reading
    assert_eq!(
        texts(&told, ToldKind::Suspicion),
        ["A reading of the length of front is wrong, by about 6\"; the others cannot tell which one."]
    );
}

#[test]
fn readings_that_agree_and_do_not_balance_name_no_wall() {
    let mut house = rectangle("40 ft", "28 ft");
    set(&mut house, 0, 0, "41 ft");
    set(&mut house, 0, 1, "41 ft");
    let told = told(&house);
    let suspicions = texts(&told, ToldKind::Suspicion);
    assert_eq!(
        suspicions,
        [
            "One of these may be wrong: length of front, length of rear, or the house is out of square there. The readings cannot tell which."
        ]
    );
    assert_eq!(texts(&told, ToldKind::Advice).len(), 1, "{told:?}");
    assert!(
        texts(&told, ToldKind::Hint).iter().any(|hint| hint.starts_with("Hint for ground: the gap is 1 ft")),
        "{told:?}"
    );
}

#[test]
fn a_wall_that_was_not_read_is_derived_and_leaves_its_axis_unchecked() {
    let mut house = rectangle("40 ft", "28 ft");
    house["field_notes"]["walls"][2]["length"] = json!({ "readings": [] });
    house["field_notes"]["direction_sd_degrees"] = json!(0);
    let told = told(&house);
    assert_eq!(
        texts(&told, ToldKind::Derived),
        ["rear was not read: 40' 0\" follows from the other walls along it, which leaves them unchecked."]
    );
    assert!(
        texts(&told, ToldKind::Balance)[0].contains("nothing checks the sides to the east and the west"),
        "{told:?}"
    );
}

//! Measured houses with faults. A house with a fault is set aside with everything that is wrong with it, each problem
//! with the JSON pointer of its place; all other houses are taken in, and none is half taken.

use serde_json::{Value, json};

use crate::installation::{Ended, Installation, same};
use crate::town::{house, houses, roll};

/// A settled installation with three parcels on the roll, to which houses with faults come.
fn with_roll(place: &Installation) {
    place.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
}

/// The references that the office has, with the measured area under the roll's definition.
fn taken(place: &Installation) -> Vec<(String, f64)> {
    if place.run(&["reconcile"]).code(0).out.contains("nothing to judge") {
        assert!(place.judgements().is_empty());
    }
    let area = |row: &Value| row["measured_sqft"].as_f64().unwrap();
    place.judgements().into_iter().map(|(reference, row)| (reference, area(&row))).collect()
}

fn only(reference: &str, area: f64) -> Vec<(String, f64)> {
    vec![(reference.to_owned(), area)]
}

/// Hands in houses with a file for those that are set aside, and gives what stands in it.
fn import(place: &Installation, content: impl AsRef<[u8]>) -> (Ended, Vec<Value>) {
    let (houses, aside) = (place.file("houses", content), place.folder().join("aside.ndjson"));
    let ended = place.run(&["import", "houses", &houses, "--set-aside", aside.to_str().unwrap()]);
    let text = std::fs::read_to_string(aside).unwrap();
    (ended, text.lines().map(|line| serde_json::from_str(line).unwrap()).collect())
}

/// Pointers of what is wrong with a house that was set aside, in their order.
fn pointers(aside: &Value) -> Vec<String> {
    let problems = aside["problems"].as_array().unwrap();
    let mut all: Vec<String> = problems.iter().map(|p| p["pointer"].as_str().unwrap().to_owned()).collect();
    all.sort();
    all
}

fn details(aside: &Value) -> String {
    let problems = aside["problems"].as_array().unwrap();
    problems.iter().map(|p| format!("{} {}\n", p["detail"], p["mend"])).collect()
}

/// Demands that one spoilt house of two is set aside with these pointers, and the other one taken in.
fn sets_one_aside(place: &Installation, spoilt: &Value, expected: &[&str], words: &[&str]) {
    with_roll(place);
    let (ended, aside) = import(place, json!([spoilt, house(2, 1200.0)]).to_string());
    ended
        .code(4)
        .says("2 houses: 1 new, 0 with a new version, 0 unchanged, 1 set aside")
        .complains("house 1");
    assert_eq!(aside.len(), 1);
    assert_eq!(pointers(&aside[0]), expected, "{}", aside[0]);
    assert_eq!((&aside[0]["document"], &aside[0]["place"]), (spoilt, &json!("house 1")));
    for word in words {
        assert!(details(&aside[0]).contains(word), "{word}: {}", aside[0]);
    }
    assert_eq!(taken(place), only("T-02", 1200.0));
}

const PART: &str = "/buildings/0/levels/0/parts/0";

/// The house on parcel 1 with one thing in it changed.
fn with(pointer: &str, value: Value) -> Value {
    let mut house = house(1, 1500.0);
    *house.pointer_mut(pointer).unwrap() = value;
    house
}

fn an_array_that_is_not_json_is_refused_with_line_and_column(place: &Installation) {
    place.settled();
    let before = place.reading();
    let broken = "[\n{\"reference\": \"T-02\"},\n{\"reference\": oops}\n]\n";
    let (ended, aside) = import(place, broken);
    ended.code(3).complains("the file: the whole: not JSON at line 3, column 15").says("1 set aside");
    assert_eq!((aside.len(), &aside[0]["place"]), (1, &json!("the file")));
    place.reconcile().code(0).says("nothing to judge");
    assert_eq!(place.reading(), before);
}

fn a_line_of_ndjson_that_is_not_json_costs_one_house(place: &Installation) {
    with_roll(place);
    let content = format!("{}\n\n{{\"reference\": \n{}\n", house(1, 1000.0), house(3, 900.0));
    let (ended, aside) = import(place, content);
    ended.code(4).complains("line 3: the whole: not JSON").says("3 houses: 2 new");
    assert_eq!(aside[0]["document"], "{\"reference\":");
    assert_eq!(taken(place), [("T-01".to_owned(), 1000.0), ("T-03".to_owned(), 900.0)]);
}

fn wrong_types_and_unknown_fields_are_told_all_at_once(place: &Installation) {
    let mut spoilt = house(1, 1500.0);
    spoilt["reference"] = json!(7);
    spoilt["parcle"] = json!("000001");
    spoilt["measured_on"] = json!("8 March 2026");
    spoilt["year_built"] = json!("1950");
    spoilt["buildings"][0]["kind"] = json!("castle");
    spoilt["buildings"][0]["levels"][0]["parts"][0] =
        json!({ "use": "living", "area_sqft": "1,500", "sd_sqft": -3 });
    let area = format!("{PART}/area_sqft");
    let sd = format!("{PART}/sd_sqft");
    let expected =
        ["", "/buildings/0/kind", area.as_str(), sd.as_str(), "/measured_on", "/reference", "/year_built"];
    sets_one_aside(place, &spoilt, &expected, &["parcle", "castle", "YYYY-MM-DD"]);
}

fn a_day_that_is_on_no_calendar_is_told(place: &Installation) {
    let spoilt = with("/measured_on", json!("2026-02-30"));
    sets_one_aside(place, &spoilt, &["/measured_on"], &["2026-02-30 is not a day of the calendar"]);
}

fn a_negative_area_is_told(place: &Installation) {
    let pointer = format!("{PART}/area_sqft");
    sets_one_aside(place, &with(&pointer, json!(-1500.0)), &[&pointer], &["-1500", "bounds"]);
}

fn an_area_in_both_units_is_told(place: &Installation) {
    let part = json!({ "use": "living", "area_sqft": 1500.0, "area_m2": 139.35 });
    sets_one_aside(place, &with(PART, part), &[PART], &["area_sqft and area_m2 are both given"]);
}

fn an_area_in_no_unit_and_an_absurd_one_are_told(place: &Installation) {
    let mut spoilt = with(PART, json!({ "use": "living" }));
    let absurd = json!({ "use": "living", "area_sqft": 2e6 });
    spoilt["buildings"][0]["levels"][0]["parts"].as_array_mut().unwrap().push(absurd);
    let second = "/buildings/0/levels/0/parts/1/area_sqft";
    sets_one_aside(place, &spoilt, &[PART, second], &["no area is given"]);
}

fn of_two_houses_with_one_reference_the_first_counts(place: &Installation) {
    with_roll(place);
    let (ended, aside) = import(place, json!([house(2, 1200.0), house(2, 1300.0)]).to_string());
    ended.code(4).complains("house 2 (T-02): /reference: T-02 stands in this file already, at house 1");
    assert_eq!(pointers(&aside[0]), ["/reference"]);
    assert_eq!(taken(place), only("T-02", 1200.0));
}

fn a_file_without_a_house_is_refused(place: &Installation) {
    place.settled();
    let (reading, tables) = (place.reading(), place.tables());
    for content in ["[]", "", " \n ", "reference,parcel,measured_on\n"] {
        place.take_houses(content).code(3).complains("there is no house in the file").says("0 houses");
    }
    same(&place.tables(), &tables);
    assert_eq!(place.reading(), reading);
}

const CSV: &str = "reference,parcel,address,measured_on,building,building_kind,level,use,area_sqft,sd_sqft\n";

fn csv_row(place: usize, level: u32, area: &str) -> String {
    format!(
        "T-{place:02},{place:06},{place} Oak Street,2026-03-08,main house,main,{level},living,{area},3.0\n"
    )
}

/// Three houses of two rows each.
fn csv() -> Vec<String> {
    [(1, "600"), (1, "400"), (2, "700"), (2, "500"), (3, "500"), (3, "400")]
        .iter()
        .zip([1, 2, 1, 2, 1, 2])
        .map(|((place, area), level)| csv_row(*place, level, area))
        .collect()
}

/// Demands that the house on lines 4 and 5 is set aside whole with these words, and its neighbours are whole.
fn spoils_the_second(place: &Installation, rows: &[Vec<u8>], words: &[&str]) {
    with_roll(place);
    let (ended, aside) = import(place, [CSV.as_bytes().to_vec(), rows.concat()].concat());
    ended.code(4).says("3 houses: 2 new, 0 with a new version, 0 unchanged, 1 set aside").complains("line 4");
    assert_eq!(aside.len(), 1, "{aside:?}");
    for word in words {
        assert!(details(&aside[0]).contains(word), "{word}: {}", aside[0]);
    }
    assert_eq!(taken(place), [("T-01".to_owned(), 1000.0), ("T-03".to_owned(), 900.0)]);
}

fn as_bytes(rows: Vec<String>) -> Vec<Vec<u8>> {
    rows.into_iter().map(String::into_bytes).collect()
}

fn csv_without_a_known_header_is_refused(place: &Installation) {
    place.settled();
    let (reading, tables) = (place.reading(), place.tables());
    let unknown = format!("{}{}", CSV.replace("sd_sqft", "sd_feet"), csv().concat());
    place.take_houses(unknown).code(3).complains("line 1").complains("unknown columns: sd_feet");
    let missing = CSV.replace("measured_on,", "");
    place.take_houses(missing).code(3).complains("columns missing: measured_on");
    same(&place.tables(), &tables);
    assert_eq!(place.reading(), reading);
}

fn a_ragged_row_of_csv_sets_its_whole_house_aside(place: &Installation) {
    let mut rows = csv();
    rows[3] = rows[3].replace("2 Oak Street", "2 Oak Street, Town");
    spoils_the_second(place, &as_bytes(rows), &["line 5: 11 fields, the header has 10", "quote the field"]);
}

fn bytes_of_csv_that_are_not_utf_8_set_the_whole_house_aside(place: &Installation) {
    let mut rows = as_bytes(csv());
    let at = rows[3].iter().position(|byte| *byte == b'O').unwrap();
    rows[3][at] = 0xd6;
    spoils_the_second(place, &rows, &["line 5 is not UTF-8", "save the file as UTF-8"]);
}

fn a_number_with_a_comma_in_csv_is_told(place: &Installation) {
    let mut rows = csv();
    rows[3] = csv_row(2, 2, "\"1,500\"");
    let words = ["1,500", "not of type", "give a value of the type named"];
    spoils_the_second(place, &as_bytes(rows), &words);
}

fn rows_of_one_house_that_contradict_each_other_are_told(place: &Installation) {
    let mut rows = csv();
    rows[3] = rows[3].replace("000002", "000003");
    let words = ["line 5: parcel is \\\"000003\\\", the first row of the house has \\\"000002\\\""];
    spoils_the_second(place, &as_bytes(rows), &words);
}

fn a_building_of_two_kinds_is_told(place: &Installation) {
    let mut rows = csv();
    rows[3] = rows[3].replace(",main,", ",garage,");
    spoils_the_second(place, &as_bytes(rows), &["line 5: main house is of kind garage"]);
}

fn every_refused_house_is_written_to_the_file_for_them(place: &Installation) {
    with_roll(place);
    let mut all: Vec<Value> = (4..29).map(|n| with("/reference", json!(n))).collect();
    all.insert(7, house(2, 1200.0));
    let (ended, aside) = import(place, Value::from(all).to_string());
    let ended = ended.code(4).says("26 houses: 1 new, 0 with a new version, 0 unchanged, 25 set aside");
    assert_eq!(aside.len(), 25);
    assert!(aside.iter().all(|line| pointers(line) == ["/reference"]));
    assert_eq!(aside[0]["document"]["reference"], 4);
    assert_eq!(aside[24]["place"], "house 26");
    ended.complains("more houses are set aside: --set-aside FILE writes them all");
    assert_eq!(taken(place), only("T-02", 1200.0));
    // mended, they come in as houses like any other
    place
        .take_houses(houses(&[1500.0, 1200.0]))
        .code(0)
        .says("2 houses: 1 new, 0 with a new version, 1 unchanged");
}

fn a_file_that_is_not_there_is_part_of_the_input(place: &Installation) {
    with_roll(place);
    let good = place.file("good.json", houses(&[1000.0]));
    place.run(&["import", "houses", "nowhere.json"]).code(3).complains("nowhere.json");
    place.run(&["import", "houses", "nowhere.json", &good]).code(4).complains("nowhere.json").says("1 new");
    assert_eq!(taken(place), only("T-01", 1000.0));
    place.run(&["import", "houses"]).code(2);
}

on_both_databases!(
    a_building_of_two_kinds_is_told,
    a_day_that_is_on_no_calendar_is_told,
    a_file_that_is_not_there_is_part_of_the_input,
    a_file_without_a_house_is_refused,
    a_line_of_ndjson_that_is_not_json_costs_one_house,
    a_negative_area_is_told,
    a_number_with_a_comma_in_csv_is_told,
    a_ragged_row_of_csv_sets_its_whole_house_aside,
    an_area_in_both_units_is_told,
    an_area_in_no_unit_and_an_absurd_one_are_told,
    an_array_that_is_not_json_is_refused_with_line_and_column,
    bytes_of_csv_that_are_not_utf_8_set_the_whole_house_aside,
    csv_without_a_known_header_is_refused,
    every_refused_house_is_written_to_the_file_for_them,
    of_two_houses_with_one_reference_the_first_counts,
    rows_of_one_house_that_contradict_each_other_are_told,
    wrong_types_and_unknown_fields_are_told_all_at_once,
);

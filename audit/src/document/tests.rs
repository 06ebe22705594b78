//! What the reader of documents takes in and what it refuses.

use serde_json::json;

use super::*;
use crate::area::Area;
use crate::house::{Access, Finish, HowKnown};

fn good() -> Value {
    json!({
        "reference": "A-1", "parcel": "07-0412-003", "measured_on": "2026-03-08", "common_relative_sd": 0.002,
        "buildings": [{ "name": "main house", "kind": "main", "levels": [
            { "level": 1, "grade": "above", "parts": [{ "use": "living", "area_sqft": 1284.5, "sd_sqft": 4.5 }] }] }]
    })
}

fn pointers(document: &Value) -> Vec<String> {
    let mut pointers: Vec<String> =
        DocumentReader::new().unwrap().read(document).unwrap_err().into_iter().map(|p| p.pointer).collect();
    pointers.sort();
    pointers
}

#[test]
fn a_good_document_is_read_exactly() {
    let measurement = DocumentReader::new().unwrap().read(&good()).unwrap();
    let part = &measurement.house.buildings[0].levels[0].parts[0];
    assert_eq!(part.area, Area::parse_square_feet("1284.5").unwrap());
    assert_eq!(
        (part.finish, part.access, part.how_known),
        (Finish::Finished, Access::Inside, HowKnown::Measured)
    );
    assert_eq!(reread(&good().to_string()).unwrap(), measurement);
}

#[test]
fn everything_wrong_is_reported_at_once_with_its_pointer() {
    let mut document = good();
    document["reference"] = json!(7);
    document["measured_on"] = json!("8 March");
    document["parcle"] = json!("07");
    document["buildings"][0]["kind"] = json!("castle");
    document["buildings"][0]["levels"][0]["parts"][0]["area_sqft"] = json!("1,284");
    document["buildings"][0]["levels"][0]["parts"][0]["sd_sqft"] = json!(-1);
    assert_eq!(
        pointers(&document),
        [
            "",
            "/buildings/0/kind",
            "/buildings/0/levels/0/parts/0/area_sqft",
            "/buildings/0/levels/0/parts/0/sd_sqft",
            "/measured_on",
            "/reference"
        ]
    );
}

#[test]
fn a_fault_within_field_notes_is_told_at_its_own_place() {
    let mut document = good();
    let wall = |toward: &str| json!({ "name": toward, "direction": { "compass": { "toward": toward } } });
    document["field_notes"] = json!({
        "instruments": [{ "name": "laser", "kind": "sonar" }],
        "walls": [wall("east"), wall("up"), { "name": "left", "direction": { "turn": { "side": "left" } } }],
        "outlines": [{ "name": "ground", "sides": [{ "wall": "east", "egde": "open" }, { "wall": "up" }, { "wall": "left" }] }],
    });
    assert_eq!(
        pointers(&document),
        [
            "/field_notes/instruments/0/kind",
            "/field_notes/outlines/0/sides/0",
            "/field_notes/walls/1/direction/compass/toward",
            "/field_notes/walls/2/direction/turn",
        ]
    );
    let problems = DocumentReader::new().unwrap().read(&document).unwrap_err();
    let mends: Vec<&str> = problems.iter().map(|problem| problem.mend.as_str()).collect();
    assert!(mends.contains(&"use one of laser, tape, long_tape"), "{mends:?}");
    assert!(mends.contains(&"add \"degrees\""), "{mends:?}");
}

#[test]
fn a_day_that_does_not_exist_is_told_beside_a_wrong_type() {
    let mut document = good();
    document["measured_on"] = json!("2026-02-30");
    document["year_built"] = json!("old");
    assert_eq!(pointers(&document), ["/measured_on", "/year_built"]);
    document.as_object_mut().unwrap().remove("measured_on");
    assert_eq!(pointers(&document), ["", "/year_built"]);
}

#[test]
fn what_a_schema_cannot_say_is_found_too() {
    let mut document = good();
    document["measured_on"] = json!("2026-02-30");
    document["parcel"] = json!("   ");
    document["buildings"][0]["levels"][0]["parts"][0]["area_m2"] = json!(100.0);
    document["buildings"][0]["levels"][0]["parts"][0]["sd_m2"] = json!(1.0);
    let parts = "/buildings/0/levels/0/parts/0";
    assert_eq!(pointers(&document), [parts, parts, "/measured_on", "/parcel"]);
    let mut none = good();
    none["buildings"][0]["levels"][0]["parts"][0].as_object_mut().unwrap().remove("area_sqft");
    assert_eq!(pointers(&none), [parts]);
}

#[test]
fn a_zero_character_is_told_wherever_it_stands() {
    let text_fields =
        ["reference", "parcel", "address", "jurisdiction", "purpose", "permitted_use", "reason"];
    for field in text_fields {
        let mut document = good();
        document[field] = json!("a\u{0}b");
        let problems = DocumentReader::new().unwrap().read(&document).unwrap_err();
        let [problem] = problems.as_slice() else { panic!("{field}: {problems:?}") };
        assert_eq!((&problem.pointer, problem.mend.as_str()), (&format!("/{field}"), "leave it out"));
    }
    let mut document = good();
    document["address"] = json!("\u{0}");
    document["buildings"][0]["name"] = json!("main\u{0}house");
    document["a~b/c\u{0}"] = json!({"x/y": "\u{0}"});
    // an unknown field is told beside it, at the whole
    assert_eq!(
        pointers(&document),
        ["", "", "/address", "/a~0b~1c\u{0}/x~1y", "/buildings/0/name"].map(str::to_owned)
    );
}

#[test]
fn square_metres_are_taken_as_they_are_stated() {
    let mut document = good();
    let part = &mut document["buildings"][0]["levels"][0]["parts"][0];
    *part = json!({ "use": "living", "area_m2": 185.8, "sd_m2": 0.092_903_04 });
    let read = DocumentReader::new().unwrap().read(&document).unwrap();
    let part = &read.house.buildings[0].levels[0].parts[0];
    // NIST SP 811: the international foot is 0.3048 m, so 185.8 m2 are 1,999.9346 sq ft
    assert_eq!(part.area.to_square_feet(4), "1999.9346");
    assert!((part.sd_sqft.unwrap() - 1.0).abs() < 1e-12);
}

#[test]
fn every_length_of_the_schema_is_read_by_the_notation() {
    fn look(value: &Value, found: &mut Vec<String>) {
        if let Some(properties) = value.get("properties").and_then(Value::as_object) {
            for (name, property) in properties {
                if property.get("format") == Some(&json!("length")) {
                    found.push(name.clone());
                }
            }
        }
        match value {
            Value::Object(object) => object.values().for_each(|item| look(item, found)),
            Value::Array(items) => items.iter().for_each(|item| look(item, found)),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    let mut found = Vec::new();
    look(&schema(), &mut found);
    found.sort();
    found.dedup();
    assert_eq!(found, lengths::FIELDS);
}

//! Houses to begin from: a rectangle of two storeys, as JSON, to be changed by the tests.

use std::sync::OnceLock;

use crossfoot_audit::document::{DocumentReader, Measurement, Problem};
use crossfoot_audit::standard::{AreaStatement, Standard};
use serde_json::{Value, json};

/// A wall read twice.
pub(crate) fn wall(name: &str, toward: &str, length: &str) -> Value {
    let reading = json!({ "pieces": [{ "length": length, "instrument": "laser" }] });
    json!({
        "name": name,
        "direction": { "compass": { "toward": toward } },
        "length": { "readings": [reading.clone(), reading] },
    })
}

/// An outline of outer walls, each walked forwards.
pub(crate) fn outline(name: &str, walls: &[&str]) -> Value {
    let sides: Vec<Value> = walls.iter().map(|wall| json!({ "wall": wall })).collect();
    json!({ "name": name, "sides": sides })
}

/// One level of `width` by `depth` with nothing in it but rooms.
pub(crate) fn rectangle(width: &str, depth: &str) -> Value {
    json!({
        "reference": "A-1", "parcel": "07-0412-003", "measured_on": "2026-03-08",
        "field_notes": {
            "instruments": [{ "name": "laser", "kind": "laser" }],
            "walls": [wall("front", "east", width), wall("right", "north", depth),
                      wall("rear", "west", width), wall("left", "south", depth)],
            "outlines": [outline("ground", &["front", "right", "rear", "left"])],
        },
        "buildings": [{ "name": "main house", "kind": "main", "levels": [
            { "level": 1, "grade": "above", "outline": ["ground"],
              "parts": [{ "name": "rooms", "use": "living", "rest": true }] }] }],
    })
}

/// Adds to a list of the document.
pub(crate) fn push(document: &mut Value, pointer: &str, item: Value) {
    document.pointer_mut(pointer).unwrap().as_array_mut().unwrap().push(item);
}

pub(crate) fn read(document: &Value) -> Result<Measurement, Vec<Problem>> {
    static READER: OnceLock<DocumentReader> = OnceLock::new();
    READER.get_or_init(|| DocumentReader::new().unwrap()).read(document)
}

/// Every definition that comes with the program.
pub(crate) fn standards() -> &'static [Standard] {
    static ALL: OnceLock<Vec<Standard>> = OnceLock::new();
    ALL.get_or_init(|| Standard::built_in().unwrap())
}

pub(crate) fn standard(id: &str) -> Standard {
    standards().iter().find(|standard| standard.id == id).unwrap().clone()
}

/// The areas of a sound document under a standard.
pub(crate) fn stated(document: &Value, id: &str) -> AreaStatement {
    let measurement = read(document).unwrap_or_else(|problems| panic!("{problems:#?}"));
    standard(id).state(&measurement.house)
}

/// The total in square feet.
pub(crate) fn total(document: &Value, id: &str) -> f64 {
    stated(document, id).total.to_square_feet_f64()
}

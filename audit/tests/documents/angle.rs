//! An L of 42 by 28 ft whose every wall is read as often as a test says, and what a person is told about it.

use crossfoot_audit::measure::telling::{ToldKind, tell};
use serde_json::{Value, json};

use super::house::{outline, read};

/// The walls of the L in walking order: name, direction, feet.
pub(crate) const WALLS: [(&str, &str, f64); 6] = [
    ("front", "east", 42.0),
    ("right", "north", 28.0),
    ("rear", "west", 24.5),
    ("jog", "south", 4.0),
    ("back", "west", 17.5),
    ("left", "south", 24.0),
];

/// 42 x 28 less 17.5 x 4, by hand.
pub(crate) const AREA: f64 = 1106.0;

/// In hundredths of a foot where that is exact, otherwise in thousandths of an inch.
pub(crate) fn feet(value: f64) -> String {
    let hundredths = value * 100.0;
    if (hundredths - hundredths.round()).abs() < 1e-6 {
        format!("{value:.2} ft")
    } else {
        format!("{:.3} in", value * 12.0)
    }
}

pub(crate) fn reading(length: &str) -> Value {
    json!({ "pieces": [{ "length": length, "instrument": "tape" }] })
}

/// A wall with these readings.
pub(crate) fn wall_read(name: &str, toward: &str, readings: &[&str]) -> Value {
    let readings: Vec<Value> = readings.iter().map(|length| reading(length)).collect();
    json!({ "name": name, "direction": { "compass": { "toward": toward } }, "length": { "readings": readings } })
}

/// The L; `readings` gives what was read of a wall, from its name and true length.
pub(crate) fn house(readings: impl Fn(&str, f64) -> Vec<f64>) -> Value {
    let walls: Vec<Value> = WALLS
        .iter()
        .map(|(name, toward, length)| {
            let read: Vec<String> = readings(name, *length).into_iter().map(feet).collect();
            wall_read(name, toward, &read.iter().map(String::as_str).collect::<Vec<_>>())
        })
        .collect();
    let names: Vec<&str> = WALLS.iter().map(|(name, _, _)| *name).collect();
    json!({
        "reference": "A-1", "parcel": "07-0412-003", "measured_on": "2026-03-08",
        "field_notes": {
            "instruments": [{ "name": "tape", "kind": "tape" }],
            "walls": walls,
            "outlines": [outline("ground", &names)],
        },
        "buildings": [{ "name": "main house", "kind": "main", "levels": [
            { "level": 1, "grade": "above", "outline": ["ground"],
              "parts": [{ "name": "rooms", "use": "living", "rest": true }] }] }],
    })
}

/// Each wall read `times`; all readings of one wall off by `error`.
pub(crate) fn with_error(times: usize, wall: &str, error: f64) -> Value {
    house(|name, length| vec![if name == wall { length + error } else { length }; times])
}

/// What the notes of a document say, of some kinds.
pub(crate) fn told(document: &Value, kinds: &[ToldKind]) -> Vec<String> {
    let measurement = read(document).unwrap_or_else(|problems| panic!("{problems:#?}"));
    let drawing = measurement.house.drawing.unwrap();
    let all = tell(&drawing.worked, drawing.dimensions);
    all.into_iter().filter(|one| kinds.contains(&one.kind)).map(|one| one.text).collect()
}

/// Everything that is told.
pub(crate) fn all_told(document: &Value) -> Vec<String> {
    use ToldKind::{Advice, Balance, Derived, Disagreement, Hint, Suspicion, Test, Unchecked};
    told(document, &[Balance, Test, Derived, Unchecked, Disagreement, Suspicion, Advice, Hint])
}

//! Field notes for tests, in few words.

use crossfoot_audit::length::Length;
use crossfoot_audit::measure::field_notes::{
    Compass, Corner, Direction, Distance, FieldNotes, Leg, Outline, Tie, TieLine, Walk, Wall,
};
use crossfoot_audit::measure::instrument::{Instrument, InstrumentKind};
use crossfoot_audit::measure::reading::Reading;
use crossfoot_audit::measure::{WorkedUp, work_up};
use serde_json::Value;

use crate::cases::number;

pub(crate) const FOOT: f64 = 1.0;
pub(crate) const INCH: f64 = 1.0 / 12.0;
pub(crate) const METRE: f64 = 1.0 / 0.3048;
/// As good as no error.
pub(crate) const TINY_FT: f64 = 3e-7;

pub(crate) fn feet(value: f64) -> Length {
    Length::from_feet_f64(value).unwrap()
}

/// An instrument without scale error and the notes that use it; directions are held without error.
pub(crate) fn blank_notes() -> FieldNotes {
    let tape = Instrument { scale_sd_ppm: Some(0.0), ..Instrument::assumed("tape", InstrumentKind::Tape) };
    FieldNotes { instruments: vec![tape], direction_sd_degrees: Some(0.0), ..FieldNotes::default() }
}

/// A reading of so many feet with its standard deviation.
pub(crate) fn reading(length_ft: f64, sd_ft: f64) -> Reading {
    Reading { sd: Some(feet(sd_ft)), ..Reading::of(feet(length_ft), "tape") }
}

/// A distance with readings of `(length, sd)` in feet.
pub(crate) fn distance(readings: &[(f64, f64)]) -> Distance {
    Distance { readings: readings.iter().map(|(length, sd)| reading(*length, *sd)).collect(), obstacle: None }
}

pub(crate) fn toward(word: Compass) -> Direction {
    Direction::Compass { toward: word, sd_degrees: None }
}

pub(crate) fn run_and_rise(run: Compass, along: Distance, rise: Compass, up: Distance) -> Direction {
    Direction::RunAndRise {
        run: Leg { toward: run, distance: along },
        rise: Leg { toward: rise, distance: up },
    }
}

/// Adds walls and the outline that they make, in this order.
pub(crate) fn outline(notes: &mut FieldNotes, name: &str, walls: Vec<(Direction, Distance)>) {
    let mut walks = Vec::new();
    for (at, (direction, length)) in walls.into_iter().enumerate() {
        let wall = format!("{name} {at}");
        walks.push(Walk { wall: wall.clone(), backwards: false });
        notes.walls.push(Wall { name: wall, direction, length });
    }
    notes.outlines.push(Outline { name: name.to_owned(), from: None, way: Vec::new(), walls: walks });
}

/// Adds an overall dimension or a diagonal of one outline.
pub(crate) fn tie(
    notes: &mut FieldNotes,
    along: TieLine,
    outline: &str,
    ends: (usize, usize),
    read: Distance,
) {
    let corner = |corner| Corner { outline: outline.to_owned(), corner };
    let name = format!("tie {}", notes.ties.len());
    notes.ties.push(Tie { name, along, from: corner(ends.0), to: corner(ends.1), distance: read });
}

/// Notes of one outline from a list of walls with `dir`, `len_in` and `sd_in` (1/2 in where not given).
pub(crate) fn from_walls(walls: &Value) -> FieldNotes {
    let mut notes = blank_notes();
    let one = |wall: &Value| {
        let word = match wall["dir"].as_str().unwrap() {
            "E" => Compass::East,
            "N" => Compass::North,
            "W" => Compass::West,
            _ => Compass::South,
        };
        let sd = wall.get("sd_in").map_or(0.5, number);
        (toward(word), distance(&[(number(&wall["len_in"]) * INCH, sd * INCH)]))
    };
    let walls = walls.as_array().unwrap().iter().map(one).collect();
    outline(&mut notes, "house", walls);
    notes
}

/// Degrees clockwise from north of a quadrant bearing such as `S36-00-00E`.
fn degrees(bearing: &str) -> f64 {
    let parts: Vec<f64> =
        bearing[1..bearing.len() - 1].split('-').map(|part| part.parse().unwrap()).collect();
    let angle = parts[0] + parts[1] / 60.0 + parts[2] / 3600.0;
    match (&bearing[..1], &bearing[bearing.len() - 1..]) {
        ("N", "E") => angle,
        ("S", "E") => 180.0 - angle,
        ("S", _) => 180.0 + angle,
        _ => 360.0 - angle,
    }
}

/// Notes of a traverse from legs with `bearing` and `length`, read as feet.
pub(crate) fn from_legs(legs: &Value) -> FieldNotes {
    let mut notes = blank_notes();
    let one = |leg: &Value| {
        let bearing = degrees(leg["bearing"].as_str().unwrap());
        let direction = Direction::Bearing { degrees: bearing, sd_degrees: None };
        (direction, distance(&[(number(&leg["length"]), 0.05)]))
    };
    let walls = legs.as_array().unwrap().iter().map(one).collect();
    outline(&mut notes, "traverse", walls);
    notes
}

/// East and north of the legs of a traverse.
pub(crate) fn legs(legs: &Value) -> Vec<(f64, f64)> {
    let one = |leg: &Value| {
        let angle = degrees(leg["bearing"].as_str().unwrap()).to_radians();
        let length = number(&leg["length"]);
        (length * angle.sin(), length * angle.cos())
    };
    legs.as_array().unwrap().iter().map(one).collect()
}

pub(crate) fn worked_up(notes: &FieldNotes) -> WorkedUp {
    work_up(notes).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

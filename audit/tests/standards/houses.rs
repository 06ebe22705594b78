//! Houses for tests, in few words.

use std::sync::OnceLock;

use crossfoot_audit::area::Area;
use crossfoot_audit::ceiling::{Ceiling, Slope};
use crossfoot_audit::house::{Building, BuildingKind, Grade, House, Level, Part, PartUse};
use crossfoot_audit::length::{Length, LengthNotation, parse};
use crossfoot_audit::standard::Standard;

pub(crate) fn standard(id: &str) -> Standard {
    static BUILT_IN: OnceLock<Vec<Standard>> = OnceLock::new();
    let all = BUILT_IN.get_or_init(|| Standard::built_in().unwrap());
    all.iter().find(|standard| standard.id == id).unwrap_or_else(|| panic!("no standard {id}")).clone()
}

pub(crate) fn length(text: &str) -> Length {
    parse(text, LengthNotation::Unstated).unwrap()
}

pub(crate) fn sqft(value: f64) -> Area {
    Area::from_square_feet_f64(value).unwrap()
}

pub(crate) fn part(part_use: PartUse, value: f64) -> Part {
    Part::stated(part_use, sqft(value))
}

pub(crate) fn living(value: f64) -> Part {
    part(PartUse::Living, value)
}

pub(crate) fn named(name: &str, part: Part) -> Part {
    Part { name: Some(name.to_owned()), ..part }
}

pub(crate) fn under(ceiling: Ceiling, part: Part) -> Part {
    Part { ceiling: Some(ceiling), ..part }
}

pub(crate) fn flat(height: &str) -> Ceiling {
    Ceiling::Flat { height: length(height), beams: Vec::new() }
}

/// Two equal slopes.
pub(crate) fn slopes(width: &str, knee: &str, rise: u32, run: u32) -> Ceiling {
    let side = Slope { knee: length(knee), rise, run };
    Ceiling::Sloped { width: length(width), sides: vec![side.clone(), side], flat_at: None, height_sd: None }
}

pub(crate) fn above(number: i32, parts: Vec<Part>) -> Level {
    Level::stated(number, Grade::Above, parts)
}

pub(crate) fn below(number: i32, parts: Vec<Part>) -> Level {
    Level::stated(number, Grade::Below, parts)
}

pub(crate) fn building(kind: BuildingKind, levels: Vec<Level>) -> Building {
    Building { name: format!("{kind:?}"), kind, levels }
}

pub(crate) fn house(levels: Vec<Level>) -> House {
    House { buildings: vec![building(BuildingKind::Main, levels)], ..House::default() }
}

/// The parts of an upper level of `outline` square feet with a stair: what the stair leaves of its opening stays
/// open, and no more of the stair counts than the opening has.
pub(crate) fn around_a_stair(outline: f64, opening: f64, treads: f64) -> Vec<Part> {
    let stair = treads.min(opening);
    let parts =
        [living(outline - opening), part(PartUse::Stair, stair), part(PartUse::Opening, opening - stair)];
    parts.into_iter().filter(|part| part.area > Area::ZERO).collect()
}

//! From the types of a document to a measurement: figures made exact, and everything that a schema cannot say.

use super::drawn::{Drawn, draw};
use super::level::take_level;
use super::shape::{BuildingDocument, LevelDocument, MeasurementDocument, PartDocument};
use super::{Measurement, Problem, calendar_day, remark};
use crate::area::{Area, SQUARE_METRES_PER_SQUARE_FOOT};
use crate::house::{Building, House, PartUse};

pub(super) fn take(
    document: MeasurementDocument,
    mut problems: Vec<Problem>,
) -> Result<Measurement, Vec<Problem>> {
    let measured_on = calendar_day(&document.measured_on, &mut problems);
    for (pointer, text) in [("/reference", &document.reference), ("/parcel", &document.parcel)] {
        if !text.is_empty() && text.trim().is_empty() {
            problems.push(remark(pointer.to_owned(), "only spaces".to_owned(), "give it a value"));
        }
    }
    let levels = || document.buildings.iter().flat_map(|building| &building.levels);
    let openings = levels().flat_map(|level| &level.openings).flat_map(|opening| &opening.outlines);
    let stairs = levels().flat_map(|level| &level.stairs).flat_map(|stair| &stair.outlines);
    let voids: Vec<&str> = openings.chain(stairs).map(String::as_str).collect();
    let courts = courts(&document.buildings, &voids);
    let drawn = document.field_notes.as_ref().map(|notes| draw(notes, (&voids, &courts), &mut problems));
    let mut remarks = Vec::new();
    let floors_twice = floors_twice(&document.buildings);
    // what cannot be drawn cannot be held against anything: its own problems are told first
    let buildings = if matches!(drawn, Some(None)) {
        Vec::new()
    } else {
        let drawn = drawn.as_ref().and_then(Option::as_ref);
        let buildings = document.buildings.into_iter().enumerate();
        buildings
            .map(|(at, building)| {
                take_building(building, &format!("/buildings/{at}"), drawn, &mut problems, &mut remarks)
            })
            .collect()
    };
    remarks.extend(floors_twice);
    match measured_on {
        Some(measured_on) if problems.is_empty() => Ok(Measurement {
            reference: document.reference.trim().to_owned(),
            parcel: document.parcel.trim().to_owned(),
            address: document.address.filter(|a| !a.trim().is_empty()),
            jurisdiction: document.jurisdiction.filter(|j| !j.trim().is_empty()),
            measured_on,
            year_built: document.year_built,
            purpose: document.purpose,
            permitted_use: document.permitted_use,
            reason: document.reason,
            house: House {
                buildings,
                common_relative_sd: document.common_relative_sd,
                drawing: drawn.flatten().map(|drawn| drawn.drawing),
            },
            remarks,
        }),
        _ => Err(problems),
    }
}

/// Outlines that are the floor of two buildings, or of one building twice at one height.
fn floors_twice(buildings: &[BuildingDocument]) -> Vec<Problem> {
    let mut seen: Vec<(usize, &LevelDocument, &str)> = Vec::new();
    let mut found = Vec::new();
    for (at, building) in buildings.iter().enumerate() {
        for (index, level) in building.levels.iter().enumerate() {
            for (place, outline) in level.outline.iter().enumerate() {
                let is_again = |(other, earlier, name): &&(usize, &LevelDocument, &str)| {
                    *name == outline
                        && !core::ptr::eq(*earlier, level)
                        && (*other != at || earlier.level == level.level)
                };
                if let Some((other, earlier, _)) = seen.iter().find(is_again) {
                    let name = buildings.get(*other).map_or("", |building| &building.name);
                    found.push(remark(
                        format!("/buildings/{at}/levels/{index}/outline/{place}"),
                        format!("{outline:?} is the floor of level {} of {name:?} already", earlier.level),
                        "list each floor once, in one building",
                    ));
                }
                seen.push((at, level, outline));
            }
        }
    }
    found
}

/// Outlines cut out of parts that are drawn nowhere as a part, a level or a void.
fn courts<'d>(buildings: &'d [BuildingDocument], voids: &[&str]) -> Vec<&'d str> {
    let levels = || buildings.iter().flat_map(|building| &building.levels);
    let parts = || levels().flat_map(|level| &level.parts);
    let floors: Vec<&String> = levels()
        .flat_map(|level| level.outline.iter().chain(&level.over))
        .chain(parts().flat_map(|part| &part.outlines))
        .collect();
    let cut = parts().flat_map(|part| &part.less);
    cut.filter(|name| !floors.contains(name) && !voids.contains(&name.as_str())).map(String::as_str).collect()
}

fn take_building(
    building: BuildingDocument,
    pointer: &str,
    drawn: Option<&Drawn>,
    problems: &mut Vec<Problem>,
    remarks: &mut Vec<Problem>,
) -> Building {
    let mut stairs: Vec<(&str, i32)> = Vec::new();
    for (at, level) in building.levels.iter().enumerate() {
        for (index, stair) in level.stairs.iter().enumerate() {
            if let Some((name, number)) = stairs.iter().find(|(name, _)| *name == stair.name) {
                problems.push(remark(
                    format!("{pointer}/levels/{at}/stairs/{index}"),
                    format!("the stair {name:?} stands on level {number} already"),
                    "list a stair once, on the level from which it descends; the floor under it counts with the level below; two stairs have two names",
                ));
            }
            stairs.push((&stair.name, level.level));
        }
    }
    remarks.extend(without_a_way_down(&building, pointer));
    let levels = building.levels.iter().enumerate();
    let levels = levels
        .map(|(at, level)| take_level(level, &format!("{pointer}/levels/{at}"), drawn, problems, remarks))
        .collect();
    Building { name: building.name, kind: building.kind, levels }
}

/// Drawn levels over others that list neither stair nor opening: what is open to below was counted, or no stair was.
fn without_a_way_down(building: &BuildingDocument, pointer: &str) -> Vec<Problem> {
    let lowest = building.levels.iter().map(|level| level.level).min();
    let is_silent = |level: &LevelDocument| {
        let is_listed = |part: &PartDocument| matches!(part.part_use, PartUse::Stair | PartUse::Opening);
        !level.outline.is_empty()
            && Some(level.level) != lowest
            && level.openings.is_empty()
            && level.stairs.is_empty()
            && !level.parts.iter().any(is_listed)
    };
    let silent = building.levels.iter().enumerate().filter(|(_, level)| is_silent(level));
    silent
        .map(|(at, level)| {
            remark(
                format!("{pointer}/levels/{at}"),
                format!("level {} lists neither a stair nor an opening", level.level),
                "list the stair that descends from it, and what is open to below; nothing, if it is reached from \
                 outside only",
            )
        })
        .collect()
}

/// An area stated in square feet or in square metres; `None` for neither, with a problem where it cannot be taken.
pub(super) fn stated_area(
    (feet, metres): (Option<f64>, Option<f64>),
    field: &str,
    pointer: &str,
    problems: &mut Vec<Problem>,
) -> Option<Area> {
    let area = match (feet, metres) {
        (Some(feet), None) => Area::from_square_feet_f64(feet),
        (None, Some(metres)) => Area::from_square_metres_f64(metres),
        (None, None) => return None,
        (Some(_), Some(_)) => {
            problems.push(remark(
                pointer.to_owned(),
                format!("{field}_sqft and {field}_m2 are both given"),
                "keep the one that was measured",
            ));
            return Some(Area::ZERO);
        }
    };
    if area.is_none() {
        problems.push(remark(
            pointer.to_owned(),
            "the area cannot be held exactly".to_owned(),
            "give at most six decimals and at most a million square feet",
        ));
    }
    Some(area.unwrap_or(Area::ZERO))
}

/// A standard deviation stated in square feet or in square metres, in square feet.
pub(super) fn stated_sd(
    (feet, metres): (Option<f64>, Option<f64>),
    pointer: &str,
    problems: &mut Vec<Problem>,
) -> Option<f64> {
    match (feet, metres) {
        (Some(feet), None) => Some(feet),
        (None, Some(metres)) => Some(metres / SQUARE_METRES_PER_SQUARE_FOOT),
        (None, None) => None,
        (Some(_), Some(_)) => {
            problems.push(remark(
                pointer.to_owned(),
                "sd_sqft and sd_m2 are both given".to_owned(),
                "keep the one that was stated",
            ));
            None
        }
    }
}

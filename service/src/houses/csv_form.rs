//! Houses as CSV, one part of a house a row; the rows of a house stand together.
//!
//! A row becomes the JSON that its cells say, and a cell that is no number stays text: the schema of the document then
//! finds what is wrong, by the same words as for JSON.

use std::io::Read;

use crossfoot_audit::document::Problem;
use serde_json::Value;

use super::Placed;
use super::rows::{Cells, Columns, Kind, Sheet, problem, value};

/// Columns of the house itself.
const OF_HOUSE: &Columns = &[
    ("reference", Kind::Text),
    ("parcel", Kind::Text),
    ("address", Kind::Text),
    ("jurisdiction", Kind::Text),
    ("measured_on", Kind::Text),
    ("year_built", Kind::Number),
    ("purpose", Kind::Text),
    ("permitted_use", Kind::Text),
    ("common_relative_sd", Kind::Number),
];
/// Columns of a part.
const OF_PART: &Columns = &[
    ("use", Kind::Text),
    ("area_sqft", Kind::Number),
    ("area_m2", Kind::Number),
    ("sd_sqft", Kind::Number),
    ("sd_m2", Kind::Number),
    ("finish", Kind::Text),
    ("heat", Kind::Text),
    ("access", Kind::Text),
    ("enclosure", Kind::Text),
    ("attachment", Kind::Text),
    ("built", Kind::Number),
    ("how_known", Kind::Text),
];
/// Columns that say where a part belongs.
const PLACE: &Columns = &[
    ("building", Kind::Text),
    ("building_kind", Kind::Text),
    ("level", Kind::Number),
    ("grade", Kind::Text),
];

/// The houses of the file.
pub(super) fn houses<'f, R: Read + Send + 'f>(
    mut sheet: Sheet<R>,
) -> impl Iterator<Item = Placed> + Send + 'f {
    let mut refusal = sheet.refusal(&[OF_HOUSE, OF_PART, PLACE], &["reference", "parcel", "measured_on"]);
    std::iter::from_fn(move || refusal.take().or_else(|| next_house(&mut sheet)))
}

/// The rows of one reference as a house. A row that is wrong spoils its house: without it a part would be missing,
/// and the area would be another one.
fn next_house<R: Read>(sheet: &mut Sheet<R>) -> Option<Placed> {
    let first = sheet.next_row()?;
    let cells = sheet.cells(&first);
    let reference = cells.text("reference").map(str::to_owned);
    let mut house = cells.take(OF_HOUSE);
    let place = format!("line {}", first.line);
    let (mut buildings, mut problems, mut raw) = (Vec::new(), Vec::new(), Vec::new());
    let mut next = Some(first);
    while let Some(mut row) = next.take() {
        let cells = sheet.cells(&row);
        if cells.text("reference") != reference.as_deref() {
            sheet.hold(row);
            break;
        }
        raw.push(row.raw());
        if row.problem.is_none() {
            problems.extend(cells.contradiction(OF_HOUSE, &house, "house", row.line));
            problems.extend(put_part(&mut buildings, &cells, row.line));
        }
        problems.extend(row.problem.take());
        next = sheet.next_row();
    }
    if !problems.is_empty() {
        return Some(Placed::new(place, Err((raw.join("\n"), problems))));
    }
    house.insert("buildings".to_owned(), Value::Array(buildings));
    Some(Placed::new(place, Ok(Value::Object(house))))
}

/// Puts the part of a row into its building and level, which begin with the first row that names them.
fn put_part(buildings: &mut Vec<Value>, cells: &Cells<'_>, line: u64) -> Option<Problem> {
    let name = cells.text("building").unwrap_or("main house");
    let at = buildings.iter().position(|b| b.get("name").and_then(Value::as_str) == Some(name));
    let at = at.unwrap_or_else(|| {
        let kind = cells.text("building_kind").unwrap_or("main");
        buildings.push(serde_json::json!({ "name": name, "kind": kind, "levels": [] }));
        buildings.len() - 1
    });
    let building = buildings.get_mut(at)?;
    let kind = building.get("kind").and_then(Value::as_str);
    if let (Some(says), Some(before)) = (cells.text("building_kind"), kind)
        && says != before
    {
        let detail = format!("line {line}: {name} is of kind {says}, its first row has {before}");
        return Some(problem(detail, "give the building one kind, or the other one a name of its own"));
    }
    let level = value(cells.text("level").unwrap_or("1"), Kind::Number);
    let grade = cells.text("grade").unwrap_or("above");
    let levels = building.get_mut("levels").and_then(Value::as_array_mut)?;
    let same =
        |l: &Value| l.get("level") == Some(&level) && l.get("grade").and_then(Value::as_str) == Some(grade);
    let at = levels.iter().position(same).unwrap_or_else(|| {
        levels.push(serde_json::json!({ "level": level, "grade": grade, "parts": [] }));
        levels.len() - 1
    });
    let mut part = cells.take(OF_PART);
    part.entry("use").or_insert_with(|| Value::String("living".to_owned()));
    let parts = levels.get_mut(at).and_then(|l| l.get_mut("parts")).and_then(Value::as_array_mut)?;
    parts.push(Value::Object(part));
    None
}

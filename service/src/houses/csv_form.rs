//! Houses as CSV, one part of a house a row; the rows of a house stand together.
//!
//! A row becomes the JSON that its cells say, and a cell that is no number stays text: the schema of the document then
//! finds what is wrong, by the same words as for JSON.

use std::io::Read;

use crossfoot_audit::document::Problem;
use serde_json::{Map, Value};

use super::Placed;

/// Columns of the house itself.
const OF_HOUSE: [(&str, Kind); 9] = [
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
const OF_PART: [(&str, Kind); 11] = [
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
];
const HOW_KNOWN: &str = "how_known";
/// Columns that say where a part belongs.
const PLACE: [&str; 4] = ["building", "building_kind", "level", "grade"];

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Text,
    Number,
}

/// The houses of the file.
pub(super) fn houses<'f>(file: impl Read + Send + 'f) -> impl Iterator<Item = Placed> + Send + 'f {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(file);
    let heads = reader.headers().cloned().map_err(|e| e.to_string());
    let mut refusal = heads.as_ref().err().cloned().or_else(|| heads.as_ref().ok().and_then(unknown_columns));
    let heads = heads.unwrap_or_default();
    let mut rows = reader.into_byte_records();
    let mut held: Option<Row> = None;
    std::iter::from_fn(move || {
        if let Some(detail) = refusal.take() {
            let problem = Problem { pointer: String::new(), detail, mend: "correct the header".to_owned() };
            // the rows mean nothing without a header
            for _ in rows.by_ref() {}
            return Some(Placed::new("line 1".to_owned(), Err((String::new(), vec![problem]))));
        }
        next_house(&mut rows, &heads, &mut held)
    })
}

fn unknown_columns(heads: &csv::StringRecord) -> Option<String> {
    let known = |head: &str| {
        OF_HOUSE.iter().chain(&OF_PART).any(|(name, _)| *name == head)
            || PLACE.contains(&head)
            || head == HOW_KNOWN
    };
    let unknown: Vec<&str> =
        heads.iter().map(|head| head.trim_start_matches('\u{feff}')).filter(|head| !known(head)).collect();
    if !unknown.is_empty() {
        return Some(format!("unknown columns: {}", unknown.join(", ")));
    }
    let missing: Vec<&str> = ["reference", "parcel", "measured_on"]
        .into_iter()
        .filter(|wanted| !heads.iter().any(|head| head.trim_start_matches('\u{feff}') == *wanted))
        .collect();
    (!missing.is_empty()).then(|| format!("columns missing: {}", missing.join(", ")))
}

type Rows<R> = csv::ByteRecordsIntoIter<R>;

/// A row with its line, and what is wrong with it as a row.
struct Row {
    line: u64,
    cells: csv::StringRecord,
    problem: Option<Problem>,
}

impl Row {
    fn next<R: Read>(rows: &mut Rows<R>, heads: usize) -> Option<Row> {
        let bytes = match rows.next()? {
            Ok(bytes) => bytes,
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                let detail = format!("line {line} cannot be read: {error}");
                let problem = problem(detail, "make the file readable");
                return Some(Row { line, cells: csv::StringRecord::new(), problem: Some(problem) });
            }
        };
        let line = bytes.position().map_or(0, csv::Position::line);
        let problem = if bytes.len() != heads {
            let detail = format!("line {line}: {} fields, the header has {heads}", bytes.len());
            Some(problem(detail, "quote the field that holds a comma"))
        } else if bytes.iter().any(|cell| std::str::from_utf8(cell).is_err()) {
            Some(problem(format!("line {line} is not UTF-8"), "save the file as UTF-8"))
        } else {
            None
        };
        Some(Row { line, cells: csv::StringRecord::from_byte_record_lossy(bytes), problem })
    }
}

fn problem(detail: String, mend: &str) -> Problem {
    Problem { pointer: String::new(), detail, mend: mend.to_owned() }
}

/// The rows of one reference as a house. A row that is wrong spoils its house: without it a part would be missing,
/// and the area would be another one.
fn next_house<R: Read>(
    rows: &mut Rows<R>,
    heads: &csv::StringRecord,
    held: &mut Option<Row>,
) -> Option<Placed> {
    let first = match held.take() {
        Some(row) => row,
        None => Row::next(rows, heads.len())?,
    };
    let cells = Cells { heads, row: &first.cells };
    let reference = cells.text("reference").map(str::to_owned);
    let mut house = cells.take(&OF_HOUSE);
    let place = format!("line {}", first.line);
    let (mut buildings, mut problems, mut raw) = (Vec::new(), Vec::new(), Vec::new());
    let mut next = Some(first);
    while let Some(row) = next.take() {
        let cells = Cells { heads, row: &row.cells };
        if cells.text("reference") != reference.as_deref() {
            *held = Some(row);
            break;
        }
        raw.push(row.cells.iter().collect::<Vec<_>>().join(","));
        match row.problem {
            Some(problem) => problems.push(problem),
            None => {
                problems.extend(cells.contradiction(&house, row.line));
                problems.extend(put_part(&mut buildings, &cells, row.line));
            }
        }
        next = Row::next(rows, heads.len());
    }
    if !problems.is_empty() {
        return Some(Placed::new(place, Err((raw.join("\n"), problems))));
    }
    house.insert("buildings".to_owned(), Value::Array(buildings));
    Some(Placed::new(place, Ok(Value::Object(house))))
}

struct Cells<'a> {
    heads: &'a csv::StringRecord,
    row: &'a csv::StringRecord,
}

impl Cells<'_> {
    fn text(&self, name: &str) -> Option<&str> {
        let at = self.heads.iter().position(|head| head.trim_start_matches('\u{feff}') == name)?;
        self.row.get(at).filter(|cell| !cell.is_empty())
    }

    fn take(&self, columns: &[(&str, Kind)]) -> Map<String, Value> {
        columns
            .iter()
            .filter_map(|(name, kind)| Some(((*name).to_owned(), value(self.text(name)?, *kind))))
            .collect()
    }

    /// A cell of the house that says something else than its first row does; a blank one says nothing.
    fn contradiction(&self, house: &Map<String, Value>, line: u64) -> Option<Problem> {
        let (name, says) = OF_HOUSE.iter().find_map(|(name, kind)| {
            let says = value(self.text(name)?, *kind);
            (house.get(*name) != Some(&says)).then_some((*name, says))
        })?;
        let before = house.get(name).map_or_else(|| "nothing".to_owned(), Value::to_string);
        let detail = format!("line {line}: {name} is {says}, the first row of the house has {before}");
        Some(problem(detail, "give all rows of a house the same, or leave it blank after the first"))
    }
}

fn value(cell: &str, kind: Kind) -> Value {
    let number =
        if kind == Kind::Number { serde_json::from_str::<serde_json::Number>(cell).ok() } else { None };
    number.map_or_else(|| Value::String(cell.to_owned()), Value::Number)
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
    let mut part = cells.take(&OF_PART);
    part.entry("use").or_insert_with(|| Value::String("living".to_owned()));
    if let Some(how) = cells.text(HOW_KNOWN) {
        part.insert(HOW_KNOWN.to_owned(), Value::String(how.to_owned()));
    }
    let parts = levels.get_mut(at).and_then(|l| l.get_mut("parts")).and_then(Value::as_array_mut)?;
    parts.push(Value::Object(part));
    None
}

//! Houses as CSV for spreadsheets, one wall a row; further rows of a wall are further readings of it. The rows of a
//! house stand together, those of an outline in the order in which its walls are walked.
//!
//! Rows become the document that they say, and the reader of documents finds what is wrong with it; only what no
//! document could say, such as a row without a wall, is told here.

mod house;
mod levels;
mod wall;

use std::io::Read;

use super::rows::{Columns, Kind, Sheet, problem};
use super::{Lines, Placed};
use house::Rows;

/// The column by which the form is known.
pub(super) const SIGN: &str = "wall";

/// Rows that a house may have: many more than the walls of a document with their readings. A file of another kind
/// must not fill the memory as one house.
const ROWS_MAX: usize = 5_000;

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
];
/// Columns of the field notes as a whole.
const OF_NOTES: &Columns = &[("notation", Kind::Word), ("wall_thickness", Kind::Text)];
/// Columns of an outline: where it is, and what.
const OF_OUTLINE: &Columns = &[
    ("outline", Kind::Text),
    ("building", Kind::Text),
    ("building_kind", Kind::Word),
    ("level", Kind::Number),
    ("grade", Kind::Word),
    ("use", Kind::Word),
    ("part", Kind::Text),
    ("cut_from", Kind::Text),
    ("finish", Kind::Word),
    ("heat", Kind::Word),
    ("access", Kind::Word),
    ("from_outline", Kind::Text),
    ("from_corner", Kind::Number),
];
/// Columns of a wall, whatever outlines it is a side of.
const OF_WALL: &Columns = &[
    ("run_toward", Kind::Word),
    ("rise_toward", Kind::Word),
    ("obstacle", Kind::Word),
    ("obstacle_amount", Kind::Text),
    ("obstacle_sd", Kind::Text),
];
/// Columns of a wall as a side of an outline.
const OF_SIDE: &Columns = &[("edge", Kind::Word), ("thickness", Kind::Text)];
/// Columns of a reading, and those that are read in a way of their own.
const OTHERS: &Columns = &[
    (SIGN, Kind::Text),
    ("direction", Kind::Text),
    ("length", Kind::Text),
    ("run", Kind::Text),
    ("rise", Kind::Text),
    ("instrument", Kind::Word),
];

/// The houses of the file.
pub(super) fn houses<'f, R: Read + Send + 'f>(
    mut sheet: Sheet<R>,
) -> impl Iterator<Item = Placed> + Send + 'f {
    let mut refusal = sheet.refusal(
        &[OF_HOUSE, OF_NOTES, OF_OUTLINE, OF_WALL, OF_SIDE, OTHERS],
        &["reference", "parcel", "measured_on", "outline", SIGN],
    );
    std::iter::from_fn(move || refusal.take().or_else(|| next_house(&mut sheet)))
}

/// The rows of one reference as a house; a blank reference is that of the row above.
fn next_house<R: Read>(sheet: &mut Sheet<R>) -> Option<Placed> {
    let mut first = sheet.next_row()?;
    while first.is_blank() {
        first = sheet.next_row()?;
    }
    let place = format!("line {}", first.line);
    let reference = sheet.cells(&first).text("reference").map(str::to_owned);
    let mut rows = Rows::default();
    let (mut raw, mut is_too_long) = (Vec::new(), false);
    let mut next = Some(first);
    while let Some(mut row) = next.take() {
        let cells = sheet.cells(&row);
        if cells.text("reference").is_some_and(|says| reference.as_deref() != Some(says)) {
            sheet.hold(row);
            break;
        }
        if raw.len() == ROWS_MAX {
            // told once; what follows is passed over
            if !is_too_long {
                let detail = format!("line {}: the house has more than {ROWS_MAX} rows", row.line);
                rows.problems.push(problem(detail, "give each house a reference of its own"));
            }
            is_too_long = true;
        } else if !row.is_blank() {
            raw.push(row.raw());
            if row.problem.is_none() {
                rows.add(&cells, row.line);
            }
            rows.problems.extend(row.problem.take());
        }
        next = sheet.next_row();
    }
    Some(match rows.document() {
        Ok((document, lines)) => Placed { place, document: Ok(document), lines: Lines(lines) },
        Err(problems) => Placed::new(place, Err((raw.join("\n"), problems))),
    })
}

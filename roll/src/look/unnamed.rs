//! A layout for a file whose columns nobody named: what values show is guessed and said, what they cannot show is asked.

use super::answer::{ColumnKind, EncodingFound, ProposedPart, Rejected, Shape};
use super::column::Column;
use super::draft::{Draft, list, quoted};
use super::fixed::Records;
use crate::layout::BASIS_NOT_PUBLISHED;
use crate::limits::ROW_LINES_MAX_DEFAULT;

/// Figures and codes that are read at the most.
const FIELDS_MAX: usize = 30;
/// Rows that show less than this much of a file are too few to tell numbers of parcels by.
const ROWS_LEAST: u64 = 20;
/// Figures between these may be the area of a house in square feet (common practice, no source).
const AREAS: std::ops::RangeInclusive<f64> = 200.0..=20_000.0;

/// The text of a layout, its parts, and what is left open.
pub(super) struct Unnamed {
    pub(super) draft: Draft,
    pub(super) parts: Vec<ProposedPart>,
}

/// Writes a layout for columns known by their place. `records` are those of a file of fixed width.
///
/// # Errors
/// Why nothing is proposed, as a sentence.
pub(super) fn propose(
    name: &str,
    encoding: &EncodingFound,
    shape: &Shape,
    columns: &[Column],
    records: Option<&Records>,
) -> Result<Unnamed, String> {
    let rows = columns.first().map_or(0, |column| column.tally.rows);
    if rows < ROWS_LEAST {
        return Err(format!(
            "No layout is proposed: nothing names the columns, and {rows} rows are too few to tell them by their values. The \
             publisher's description of the file says what stands where."
        ));
    }
    let (parcel, others) = parcel(columns).ok_or_else(|| {
        "No layout is proposed: nothing names the columns, and no column's values tell the rows apart as numbers of parcels \
         do. The publisher's description of the file says what stands where."
            .to_owned()
    })?;
    let fields: Vec<(&Column, &'static str)> = columns
        .iter()
        .filter(|column| column.place != parcel.place)
        .filter_map(|column| kind_of(column).map(|kind| (column, kind)))
        .take(FIELDS_MAX)
        .collect();
    let mut draft = Draft::begun(name);
    draft.line(&format!("basis = {}", quoted(BASIS_NOT_PUBLISHED)));
    draft.line("");
    let reason = format!("a guess from its values alone, no name says it: {}", parcel.summary());
    draft.comment(&format!("The parcel number: {reason}"));
    draft.not_taken(&others);
    draft.open(
        "To look up: whether this is the number of the parcel, and not of an account, a building or a row.",
    );
    draft.line("[parcel]");
    draft.line(&format!("columns = {}", list(&[&parcel.name])));
    table(&mut draft, encoding, shape, columns, records);
    for (column, kind) in &fields {
        field(&mut draft, column, kind);
    }
    meanings(&mut draft, &fields);
    let mut parts =
        vec![ProposedPart { part: "parcel".to_owned(), columns: vec![parcel.name.clone()], reason, others }];
    parts.extend(fields.iter().map(|(column, _)| ProposedPart {
        part: "keep".to_owned(),
        columns: vec![column.name.clone()],
        reason: format!("what it means is not known; {}", column.summary()),
        others: Vec::new(),
    }));
    Ok(Unnamed { draft, parts })
}

/// The first column whose values tell the rows apart as numbers do, and the others that do.
fn parcel(columns: &[Column]) -> Option<(&Column, Vec<Rejected>)> {
    let mut found = columns.iter().filter(|column| {
        column.personal().is_none()
            && column.kind() == ColumnKind::Identifier
            && column.tally.blank + column.tally.missing_rows() + column.tally.scientific == 0
            && column.tally.uniqueness() > 0.95
    });
    let first = found.next()?;
    let others = found.map(|column| Rejected {
        column: column.name.clone(),
        why_not: "its values tell the rows apart as well, and it stands further back".to_owned(),
    });
    Some((first, others.collect()))
}

/// What is read of a column whose meaning is not known: figures and codes. Texts may name people, and numbers that tell
/// rows apart may reach them.
fn kind_of(column: &Column) -> Option<&'static str> {
    if column.personal().is_some() || column.tally.currency > 0 {
        return None;
    }
    match column.kind() {
        ColumnKind::Whole => Some("whole"),
        ColumnKind::Decimal => Some("decimal"),
        ColumnKind::Year => Some("year"),
        ColumnKind::Code => Some("text"),
        ColumnKind::Empty
        | ColumnKind::Identifier
        | ColumnKind::Money
        | ColumnKind::Area
        | ColumnKind::Date
        | ColumnKind::Text => None,
    }
}

fn table(
    draft: &mut Draft,
    encoding: &EncodingFound,
    shape: &Shape,
    columns: &[Column],
    records: Option<&Records>,
) {
    draft.line("");
    draft.line("[[table]]");
    draft.line("name = \"roll\"");
    draft.line("grain = \"parcel\"");
    draft.line("header_line = 0");
    if let Some(records) = records {
        draft.open(
            "To correct by the publisher's description: the positions are those between which blanks stand in all rows looked at. \
             Fields that touch each other are seen as one, words that stand at one place as two, fields that are always blank \
             not at all.",
        );
        for (column, place) in columns.iter().zip(&records.places).filter(|(_, place)| place.unsure) {
            draft.open(&format!(
                "To look up: where {} begins; the blanks before it, behind position {}, may belong to the field before.",
                column.name,
                place.from - 1
            ));
        }
        if records.titled {
            draft.open(
                "To do before an import: take out the first line, which holds names in place of values, since a file of fixed \
                 places is read from its first line.",
            );
        }
        draft.line(&format!("record_length = {}", records.length));
        draft.line("fixed = [");
        for (column, place) in columns.iter().zip(&records.places) {
            let name = quoted(&column.name);
            draft.line(&format!("    {{ name = {name}, from = {}, to = {} }},", place.from, place.to));
        }
        draft.line("]");
    } else {
        draft.open(
            "To fill in: the names of the columns, in their order, as the publisher's description has them.",
        );
        let names: Vec<&str> = columns.iter().map(|column| column.name.as_str()).collect();
        draft.line(&format!("columns = {}", list(&names)));
    }
    draft.line("");
    draft.line("[table.file]");
    if records.is_none() {
        draft.writing(shape);
        if shape.row_lines > ROW_LINES_MAX_DEFAULT {
            draft.line(&format!("row_lines_max = {}", shape.row_lines));
        }
    }
    draft.encoding(encoding);
}

fn field(draft: &mut Draft, column: &Column, kind: &str) {
    draft.line("");
    draft.comment(&format!("What it means is not known; {}", column.summary()));
    draft.line("[[table.field]]");
    draft.line(&format!("name = {}", quoted(&column.name)));
    draft.line(&format!("from = {}", quoted(&column.name)));
    draft.line(&format!("kind = {}", quoted(kind)));
    match kind {
        "text" => {}
        "year" => draft.figures(column, &["", "0"]),
        _ => draft.figures(column, &[""]),
    }
    draft.line("optional = true");
}

/// What values cannot say.
fn meanings(draft: &mut Draft, fields: &[(&Column, &'static str)]) {
    let named = |fits: &dyn Fn(&Column, &str) -> bool| {
        let names: Vec<&str> = fields
            .iter()
            .filter(|(column, kind)| fits(column, kind))
            .map(|(column, _)| column.name.as_str())
            .collect();
        names.join(", ")
    };
    let areas = named(&|column, kind| {
        matches!(kind, "whole" | "decimal")
            && column.tally.median_nonzero().is_some_and(|median| AREAS.contains(&median))
    });
    let years = named(&|_, kind| kind == "year");
    draft.line("");
    let areas = if areas.is_empty() {
        "no column that is read has figures of that size".to_owned()
    } else {
        format!("figures of that size stand in {areas}, and may as well be land, money or counts")
    };
    draft.open(&format!(
        "To fill in: the area of the house, which values cannot tell: {areas}. Set kind = \"area\" and unit = \"sqft\" in its field, \
         name the field as area under [record], and set the basis."
    ));
    if !years.is_empty() {
        draft.open(&format!(
            "To look up: {years} may be the year built, or that of a sale or a tax: if so, name it as year_built under [record]."
        ));
    }
    draft.comment(
        "Texts are left out, since they may name people: a field reads the address once its column is known.",
    );
    draft.line("[record]");
}

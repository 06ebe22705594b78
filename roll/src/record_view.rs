//! A stored record as named values, each with the building it is of and the column, file and line it comes from.

use crate::entry::Entry;
use crate::layout::{Layout, Unit};
use crate::stored::{Stored, StoredRow, StoredValue};
use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_audit::record::figure::AreaUnit;
use serde::Serialize;

/// A record as it is stored.
#[derive(Debug, Clone, Copy)]
pub struct StoredRecord<'a> {
    /// The parcel number as published.
    pub parcel_raw: &'a str,
    /// The situs address.
    pub situs: &'a str,
    /// The recorded area.
    pub area: Option<Area>,
    /// The recorded value.
    pub value: Option<Money>,
    /// The year built.
    pub year_built: Option<i64>,
    /// The class of use.
    pub class: &'a str,
    /// The further values, in either form.
    pub rest: &'a str,
    /// The record's own row.
    pub row: RowPlace,
}

impl<'a> StoredRecord<'a> {
    /// The record that an entry of a file of the edition becomes.
    #[must_use]
    pub fn of(file: u16, entry: &'a Entry) -> StoredRecord<'a> {
        let Entry { line, byte_start, byte_length, .. } = *entry;
        StoredRecord {
            parcel_raw: &entry.parcel_raw,
            situs: &entry.situs,
            area: entry.area,
            value: entry.value,
            year_built: entry.year_built.map(i64::from),
            class: &entry.class,
            rest: &entry.rest,
            row: RowPlace { file, line, byte_start, byte_length },
        }
    }
}

/// Where a row stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct RowPlace {
    /// The file within the edition that the record came with, from 0.
    pub file: u16,
    /// Its line, from 1.
    pub line: u64,
    /// Its first byte.
    pub byte_start: u64,
    /// Its length in bytes.
    pub byte_length: u32,
}

/// A value of a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NamedValue {
    /// The building it is of; none for values of the parcel.
    pub building: Option<String>,
    /// Its name in the layout.
    pub name: String,
    /// What it is called for people; with its own code where rows have one.
    pub heading: String,
    /// The value: text, or a figure in plain digits.
    pub text: String,
    /// The unit of a figure, as it is written.
    pub unit: Option<&'static str>,
    /// The column or columns it stands in.
    pub column: String,
    /// The layout's table; blank for layouts without tables.
    pub table: String,
    /// The rows it comes from.
    pub rows: Vec<RowPlace>,
    /// Whether rows contradict each other in it.
    pub contradicted: bool,
}

/// All values of a record: those of the parcel, then those of each building, the main one first.
#[must_use]
pub fn record_view(layout: &Layout, record: &StoredRecord<'_>) -> Vec<NamedValue> {
    match Stored::from_json(record.rest) {
        Some(stored) => assembled(layout, record, &stored),
        None => plain(layout, record),
    }
}

/// The rows that a record was put together from, its own first.
#[must_use]
pub fn record_rows(record: &StoredRecord<'_>) -> Vec<RowPlace> {
    match Stored::from_json(record.rest) {
        Some(stored) if !stored.rows.is_empty() => stored.rows.iter().map(row_place).collect(),
        Some(_) | None => vec![record.row],
    }
}

fn row_place(row: &StoredRow) -> RowPlace {
    RowPlace { file: row.0, line: row.1, byte_start: row.2, byte_length: row.3 }
}

fn plain(layout: &Layout, record: &StoredRecord<'_>) -> Vec<NamedValue> {
    let value = |name: &str, text: String, column: String, unit| NamedValue {
        building: None,
        name: name.to_owned(),
        heading: name.replace('_', " "),
        text,
        unit,
        column,
        table: String::new(),
        rows: vec![record.row],
        contradicted: false,
    };
    let mut values =
        vec![value("parcel", record.parcel_raw.to_owned(), layout.parcel.columns.join(", "), None)];
    if let Some(situs) = layout.situs.as_ref().filter(|_| !record.situs.is_empty()) {
        values.push(value("situs", record.situs.to_owned(), situs.columns.join(", "), None));
    }
    if let Some((layout, area)) = layout.area.as_ref().zip(record.area) {
        let text = trimmed(area.to_square_feet(4));
        values.push(value("area", text, layout.column.clone(), Some(Unit::Sqft.written())));
    }
    if let Some((layout, money)) = layout.value.as_ref().zip(record.value) {
        values.push(value("value", money.to_text(), layout.column.clone(), None));
    }
    if let Some((layout, year)) = layout.year_built.as_ref().zip(record.year_built) {
        values.push(value("year_built", year.to_string(), layout.column.clone(), None));
    }
    if let Some(layout) = layout.class.as_ref().filter(|_| !record.class.is_empty()) {
        values.push(value("class", record.class.to_owned(), layout.column.clone(), None));
    }
    let texts: Vec<String> = serde_json::from_str(record.rest).unwrap_or_default();
    for (keep, text) in layout.keep.iter().zip(texts).filter(|(_, text)| !text.is_empty()) {
        let unit = match (keep.kind, keep.unit) {
            (crate::layout::KeepKind::Area, AreaUnit::SquareFeet) => Some(Unit::Sqft.written()),
            (crate::layout::KeepKind::Area, AreaUnit::SquareMetres) => Some(Unit::M2.written()),
            _ => None,
        };
        values.push(value(keep.shown_name(), text, keep.column.clone(), unit));
    }
    values
}

fn trimmed(figure: String) -> String {
    if figure.contains('.') { figure.trim_end_matches('0').trim_end_matches('.').to_owned() } else { figure }
}

fn assembled(layout: &Layout, record: &StoredRecord<'_>, stored: &Stored) -> Vec<NamedValue> {
    let fields: Vec<_> = layout.fields().collect();
    let view = |building: Option<&str>, value: &StoredValue| {
        let (table, field) = fields.get(usize::from(value.0))?;
        let rows: Vec<RowPlace> = value
            .1
            .iter()
            .filter_map(|at| usize::try_from(*at).ok().and_then(|at| stored.rows.get(at)))
            .map(row_place)
            .collect();
        let renamed = |row: &RowPlace| {
            stored.renamed.iter().find(|(field, file, _)| (*field, *file) == (value.0, row.file))
        };
        let column = match rows.first().and_then(renamed) {
            Some((_, _, name)) => name.clone(),
            None => {
                let columns = field.from.0.iter().filter_map(|part| part.column.as_deref());
                columns.collect::<Vec<_>>().join(", ").replace("{n}", building.unwrap_or_default())
            }
        };
        let heading = match value.3.as_str() {
            "" => field.shown().replace('_', " "),
            own => format!("{}: {own}", field.shown().replace('_', " ")),
        };
        let unit = match (field.kind, field.unit) {
            (crate::layout::ValueKind::Area, unit) => Some(unit.unwrap_or(Unit::Sqft).written()),
            (_, unit) => unit.map(Unit::written),
        };
        Some(NamedValue {
            building: building.map(str::to_owned),
            name: field.name.clone(),
            heading,
            text: value.2.clone(),
            unit,
            column,
            table: table.name.clone(),
            rows,
            contradicted: stored.contradicted.contains(&value.0),
        })
    };
    let parcel = NamedValue {
        building: None,
        name: "parcel".to_owned(),
        heading: "parcel".to_owned(),
        text: record.parcel_raw.to_owned(),
        unit: None,
        column: layout.parcel.columns.join(", "),
        table: String::new(),
        rows: vec![record.row],
        contradicted: false,
    };
    let of_parcel = stored.values.iter().filter_map(|value| view(None, value));
    let of_buildings = stored.buildings.iter().flat_map(|building| {
        building.values.iter().filter_map(|value| view(Some(&building.key), value)).collect::<Vec<_>>()
    });
    std::iter::once(parcel).chain(of_parcel).chain(of_buildings).collect()
}

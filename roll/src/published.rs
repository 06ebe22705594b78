//! A row as its publisher wrote it: every column with its value, read again from the bytes of the file.

use std::io::{self, Read};

use thiserror::Error;

use crate::assemble::{self, AssembleError};
use crate::header::HeaderError;
use crate::layout::Layout;
use crate::reader::RollReader;

/// One column of a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublishedField {
    /// The column's name in the header.
    pub header: String,
    /// The value as it stands in the row, blanks around it included.
    pub value: String,
    /// Whether the layout reads the column.
    pub mapped: bool,
}

/// Why a row cannot be read again.
#[derive(Debug, Error)]
pub enum PublishedError {
    /// The bytes before it are no header of the layout.
    #[error(transparent)]
    Header(#[from] HeaderError),
    /// The bytes before it are no header of the layout's table.
    #[error(transparent)]
    Table(#[from] AssembleError),
    /// The bytes are no row under the header.
    #[error("the bytes are no row of the file: {0}")]
    Row(#[from] io::Error),
    /// There are no bytes.
    #[error("the row is empty")]
    Empty,
}

/// How many bytes of a file come before its rows: up to the end of the header line, a byte order mark included.
///
/// # Errors
/// [`PublishedError`] where they are no header of the layout.
pub fn head_length(layout: &Layout, file: &str, source: Box<dyn Read + Send>) -> Result<u64, PublishedError> {
    let header = if layout.assembles() {
        assemble::table_reader(file, source, layout)?.header().clone()
    } else {
        RollReader::new(source, layout)?.header().clone()
    };
    Ok(header.byte_start.saturating_add(header.byte_length))
}

/// The columns of one row of the file of that name, whatever the layout's form; see [`published_row`].
///
/// # Errors
/// As there.
pub fn published_row_of(
    layout: &Layout,
    file: &str,
    head: &[u8],
    row: &[u8],
) -> Result<Vec<PublishedField>, PublishedError> {
    if !layout.assembles() {
        return published_row(layout, head, row);
    }
    if row.is_empty() {
        return Err(PublishedError::Empty);
    }
    let bytes = [head, b"\n", row].concat();
    let mut reader = assemble::table_reader(file, Box::new(io::Cursor::new(bytes)), layout)?;
    let values = reader.all_fields()?.ok_or(PublishedError::Empty)?;
    let places = reader.places();
    let fields = reader.header().names.iter().zip(values).enumerate();
    Ok(fields
        .map(|(place, (header, value))| PublishedField {
            header: header.clone(),
            value,
            mapped: places.contains(&place),
        })
        .collect())
}

/// The columns of one row. `head` is the beginning of its file up to the end of the header line, a byte order mark
/// included; `row` is the row's byte range.
///
/// # Errors
/// [`PublishedError`] where the bytes are not what the reader once took for this row.
pub fn published_row(
    layout: &Layout,
    head: &[u8],
    row: &[u8],
) -> Result<Vec<PublishedField>, PublishedError> {
    let file = [head, b"\n", row].concat();
    let mut reader = RollReader::new(file.as_slice(), layout)?;
    let values = reader.next_fields()?.ok_or(PublishedError::Empty)?;
    let header = reader.header();
    let delimiter = layout.file.delimiter;
    // a column that may be missing is missing
    let mapped: Vec<usize> =
        layout.mapped_columns().iter().filter_map(|column| header.place(column, delimiter).ok()).collect();
    let fields = header.names.iter().zip(values).enumerate();
    Ok(fields
        .map(|(place, (header, value))| PublishedField {
            header: header.clone(),
            value,
            mapped: mapped.contains(&place),
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(file: &str) -> Layout {
        Layout::from_toml(&format!(
            "id = \"basalt-county-roll\"\njurisdiction = \"basalt-county\"\nbasis = \"not-published\"\n[file]\n{file}\n\
             [parcel]\ncolumns = [\"PARCEL\"]\n[area]\ncolumn = \"living_area\"\n"
        ))
        .unwrap()
    }

    fn row(file: &str, head: &[u8], row: &[u8]) -> Result<Vec<(String, String, bool)>, PublishedError> {
        let fields = published_row(&layout(file), head, row)?;
        Ok(fields.into_iter().map(|field| (field.header, field.value, field.mapped)).collect())
    }

    fn field(header: &str, value: &str, mapped: bool) -> (String, String, bool) {
        (header.to_owned(), value.to_owned(), mapped)
    }

    #[test]
    fn every_column_is_there_and_the_unmapped_ones_are_told() {
        let fields = row("", b"\xEF\xBB\xBFPARCEL,OWNER, LIVING_AREA", b"001,\"Doe, J.\n\"\"Jo\"\"\", 1284 ");
        let expected = [
            field("PARCEL", "001", true),
            field("OWNER", "Doe, J.\n\"Jo\"", false),
            field("LIVING_AREA", " 1284 ", true),
        ];
        assert_eq!(fields.unwrap(), expected);
    }

    #[test]
    fn other_encodings_and_delimiters_are_read_as_the_layout_says() {
        let file = "delimiter = \";\"\nencoding = \"windows-1252\"";
        let fields = row(file, b"PARCEL;STRA\xDFE;LIVING_AREA", b"1;Caf\xE9;5").unwrap();
        assert_eq!(fields[1], field("STRA\u{DF}E", "Caf\u{E9}", false));
    }

    #[test]
    fn bytes_that_are_no_row_are_refused() {
        assert!(matches!(row("", b"PARCEL,LIVING_AREA", b""), Err(PublishedError::Empty)));
        assert!(matches!(row("", b"PARCEL,LIVING_AREA", b"1,2,3"), Err(PublishedError::Row(_))));
        assert!(matches!(row("", b"PARCEL,LIVING_AREA", b"\xFF,2"), Err(PublishedError::Row(_))));
        assert!(matches!(row("", b"OWNER", b"1"), Err(PublishedError::Header(_))));
    }
}

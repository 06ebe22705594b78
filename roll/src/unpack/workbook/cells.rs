//! The cells of a sheet as lines of CSV, and what must not have happened to them.

use super::{WorkbookError, damaged};
use crate::layout::Layout;
use crate::limits::{COLUMNS_MAX, SHEET_COLUMNS_MAX, SHEET_ROWS_MAX, WORKBOOK_BYTES_MAX};
use crate::unpack::UnpackError;
use crate::unpack::source::Spool;
use calamine::{DataRef, ExcelDateTime, Xlsx};
use crossfoot_audit::record::parcel_key::{KeyNormaliser, KeyProblem};
use std::fs::File;
use std::io::{BufWriter, Write};

/// How many rows with text are looked at for the header.
const ROWS_LOOKED_AT: usize = 20;
/// From here on a spreadsheet does not keep every whole number.
const WHOLE_MAX: f64 = 1e15;
/// How many zeros may have been lost in front.
const ZEROS_MAX: usize = 12;

/// A cell as text, and whether it was a number.
#[derive(Debug, Clone, Default)]
struct Cell {
    text: String,
    number: bool,
}

/// Writes one sheet. The file stands at its end afterwards.
pub(super) fn write(
    book: &mut Xlsx<Spool>,
    sheet: &str,
    layout: &Layout,
    file: File,
) -> Result<File, UnpackError> {
    let mut reader = book.worksheet_cells_reader(sheet).map_err(|error| damaged(&error))?;
    let mut lines = Lines::new(sheet, layout, file)?;
    let mut row: Vec<Cell> = Vec::new();
    let mut at: Option<(u32, u32)> = None;
    while let Some(found) = reader.next_cell_with_formula_metadata().map_err(|error| damaged(&error))? {
        let (line, column) = found.pos;
        if line >= SHEET_ROWS_MAX || column >= SHEET_COLUMNS_MAX || at.is_some_and(|at| found.pos <= at) {
            let why = format!("cells stand out of order or out of bounds, at {}", place(line, column));
            return Err(WorkbookError::Damaged { why }.into());
        }
        if let Some((before, _)) = at
            && before != line
        {
            lines.row(before, &mut row)?;
        }
        at = Some(found.pos);
        if found.formula.is_some() && found.value == DataRef::Empty {
            lines.not_worked_out(line, column)?;
        }
        let cell = lines.cell(&found.value, column);
        if !cell.text.is_empty() {
            row.resize(column as usize + 1, Cell::default());
            if let Some(room) = row.last_mut() {
                *room = cell;
            }
        }
        if lines.header_too_wide {
            break;
        }
    }
    if let Some((line, _)) = at {
        lines.row(line, &mut row)?;
    }
    lines.end()
}

/// The name of a cell, such as `B7`.
fn place(row: u32, column: u32) -> String {
    let mut letters = Vec::new();
    let mut rest = column;
    loop {
        letters.push(char::from(b'A' + u8::try_from(rest % 26).unwrap_or_default()));
        match (rest / 26).checked_sub(1) {
            Some(next) => rest = next,
            None => break,
        }
    }
    format!("{}{}", letters.iter().rev().collect::<String>(), row.saturating_add(1))
}

struct Lines<'a> {
    sheet: &'a str,
    layout: &'a Layout,
    rule: Option<KeyNormaliser>,
    out: BufWriter<File>,
    written: u64,
    /// The line of the text that is written next, from 0.
    line: u32,
    /// Rows with text so far.
    rows: usize,
    first: Option<(u32, String)>,
    width: usize,
    header_too_wide: bool,
    mapped: Vec<Option<String>>,
    /// Where the columns of the parcel number stand, once the header is known.
    parcel: Option<Vec<usize>>,
    numbers: u64,
    short: u64,
    first_short: Option<(String, String, String)>,
}

impl<'a> Lines<'a> {
    fn new(sheet: &'a str, layout: &'a Layout, file: File) -> Result<Self, UnpackError> {
        Ok(Self {
            sheet,
            layout,
            // a layout whose rule does not compile is refused when it is read
            rule: layout.parcel.key_rule().compile().ok(),
            out: BufWriter::with_capacity(1 << 16, file),
            written: 0,
            line: 0,
            rows: 0,
            first: None,
            width: 0,
            header_too_wide: false,
            mapped: Vec::new(),
            parcel: None,
            numbers: 0,
            short: 0,
            first_short: None,
        })
    }

    /// A value as text, as the spreadsheet shows it to fifteen digits. Dates are ISO 8601; in a parcel number they keep
    /// their time, by which the rule for parcel numbers knows them. Line breaks become blanks: a row is a line.
    fn cell(&self, value: &DataRef<'_>, column: u32) -> Cell {
        let parcel = self.parcel.as_ref().is_some_and(|places| places.contains(&(column as usize)));
        let (text, number) = match value {
            DataRef::Empty => (String::new(), false),
            DataRef::String(text) => (text.replace(['\r', '\n'], " "), false),
            DataRef::SharedString(text) => (text.replace(['\r', '\n'], " "), false),
            DataRef::Int(number) => (number.to_string(), true),
            DataRef::Float(number) => (fifteen_digits(*number), true),
            DataRef::Bool(truth) => (if *truth { "TRUE" } else { "FALSE" }.to_owned(), false),
            DataRef::Error(error) => (error.to_string(), false),
            DataRef::DateTime(at) => (date(at, parcel), false),
            DataRef::DateTimeIso(at) if parcel && !at.contains('T') => (format!("{at} 00:00"), false),
            DataRef::DateTimeIso(text) | DataRef::DurationIso(text) => (text.clone(), false),
        };
        Cell { text, number }
    }

    fn not_worked_out(&self, line: u32, column: u32) -> Result<(), UnpackError> {
        let Some(Some(name)) = self.mapped.get(column as usize) else { return Ok(()) };
        let (sheet, cell) = (self.sheet.to_owned(), place(line, column));
        Err(WorkbookError::NotWorkedOut { sheet, column: name.clone(), cell }.into())
    }

    /// Takes a row, which is empty afterwards.
    fn row(&mut self, line: u32, row: &mut Vec<Cell>) -> Result<(), UnpackError> {
        if row.is_empty() {
            return Ok(());
        }
        self.rows += 1;
        let is_header = self.rows == 1;
        if is_header {
            self.header(line, row);
        } else if self.parcel.is_none() && self.rows <= ROWS_LOOKED_AT && self.parcel_places(row).is_some() {
            let (first, title) = self.first.clone().unwrap_or_default();
            let (sheet, header) = (self.sheet.to_owned(), line + 1);
            return Err(WorkbookError::Title { sheet, header, first, title }.into());
        } else {
            self.judge(line, row)?;
        }
        self.emit(line, row)?;
        row.clear();
        Ok(())
    }

    fn header(&mut self, line: u32, row: &[Cell]) {
        let title = row.iter().find(|cell| !cell.text.is_empty()).map(|cell| cell.text.clone());
        self.first = Some((line + 1, title.unwrap_or_default()));
        self.width = row.len();
        self.header_too_wide = self.width > COLUMNS_MAX;
        let wanted = self.layout.mapped_columns();
        let named =
            |cell: &Cell| wanted.iter().find(|name| same(name, &cell.text)).map(|name| (*name).to_owned());
        self.mapped = row.iter().map(named).collect();
        self.parcel = self.parcel_places(row);
    }

    fn parcel_places(&self, row: &[Cell]) -> Option<Vec<usize>> {
        let place = |column: &String| row.iter().position(|cell| same(column, &cell.text));
        self.layout.parcel.columns.iter().map(place).collect()
    }

    /// Whether the parcel number is what it was before the spreadsheet had it.
    fn judge(&mut self, line: u32, row: &[Cell]) -> Result<(), UnpackError> {
        let Some(places) = &self.parcel else { return Ok(()) };
        let parts: Vec<Cell> = places.iter().map(|at| row.get(*at).cloned().unwrap_or_default()).collect();
        for (at, part) in parts.iter().enumerate().filter(|(_, part)| part.number) {
            self.numbers += 1;
            let column = places.get(at).copied().unwrap_or_default();
            let cell = place(line, u32::try_from(column).unwrap_or(u32::MAX));
            let name = self.layout.parcel.columns.get(at).cloned().unwrap_or_default();
            let shown = part.text.clone();
            let value: f64 = part.text.parse().unwrap_or_default();
            if value.fract() != 0.0 || value.abs() >= WHOLE_MAX {
                let sheet = self.sheet.to_owned();
                return Err(WorkbookError::DigitsLost { sheet, column: name, cell, shown }.into());
            }
            let padded = self.layout.parcel.pad_left.get(at).copied();
            let short = padded.is_some_and(|width| part.text.len() < width) || self.zeros_missing(&parts, at);
            if short {
                self.short += 1;
                self.first_short.get_or_insert((name, cell, shown));
            }
        }
        Ok(())
    }

    /// Whether the key is none of this source's as it stands, and would be one with zeros in front of this part.
    fn zeros_missing(&self, parts: &[Cell], at: usize) -> bool {
        let Some(rule) = &self.rule else { return false };
        let mut texts: Vec<String> = parts.iter().map(|part| part.text.clone()).collect();
        let fits = |texts: &[String]| rule.normalise(&texts.iter().map(String::as_str).collect::<Vec<_>>());
        if !matches!(fits(&texts), Err(KeyProblem::Pattern { .. })) {
            return false;
        }
        (0..ZEROS_MAX).any(|_| {
            if let Some(text) = texts.get_mut(at) {
                text.insert(0, '0');
            }
            matches!(fits(&texts), Ok(Some(_)))
        })
    }

    /// Writes a row on the line of its number. Cells beyond the header are written one behind the other: that there are
    /// too many is all that is to be seen.
    fn emit(&mut self, line: u32, row: &[Cell]) -> Result<(), UnpackError> {
        let mut text = "\n".repeat((line - self.line) as usize);
        for at in 0..self.width {
            if at > 0 {
                text.push(',');
            }
            push(&mut text, row.get(at).map_or("", |cell| &cell.text));
        }
        for cell in row.iter().skip(self.width).filter(|cell| !cell.text.is_empty()) {
            text.push(',');
            push(&mut text, &cell.text);
        }
        text.push('\n');
        self.line = line + 1;
        self.written += text.len() as u64;
        if self.written > WORKBOOK_BYTES_MAX {
            return Err(WorkbookError::TooLarge { what: "more cells" }.into());
        }
        self.out.write_all(text.as_bytes()).map_err(UnpackError::Scratch)
    }

    fn end(mut self) -> Result<File, UnpackError> {
        if let Some((column, cell, shown)) = self.first_short.take() {
            let (sheet, found, numbers) = (self.sheet.to_owned(), self.short, self.numbers);
            return Err(WorkbookError::ZerosLost { sheet, column, found, numbers, cell, shown }.into());
        }
        self.out.into_inner().map_err(|error| UnpackError::Scratch(error.into_error()))
    }
}

fn same(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

fn push(line: &mut String, text: &str) {
    if text.contains([',', '"']) {
        line.push('"');
        line.push_str(&text.replace('"', "\"\""));
        line.push('"');
    } else {
        line.push_str(text);
    }
}

/// A number as a spreadsheet shows it: no exponent, and what lies beyond the fifteenth digit is noise of its binary form.
fn fifteen_digits(number: f64) -> String {
    let rounded: f64 = format!("{number:.14e}").parse().unwrap_or(number);
    if rounded == 0.0 { "0".to_owned() } else { format!("{rounded}") }
}

fn date(at: &ExcelDateTime, with_time: bool) -> String {
    if !at.is_datetime() {
        return fifteen_digits(at.as_f64());
    }
    let (year, month, day, hour, minute, second, _) = at.to_ymd_hms_milli();
    let date = format!("{year:04}-{month:02}-{day:02}");
    if with_time || (hour, minute, second) != (0, 0, 0) {
        format!("{date} {hour:02}:{minute:02}:{second:02}")
    } else {
        date
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_named_as_in_the_sheet() {
        // ECMA-376 Part 1, 18.18.7: columns are A to XFD
        let names = [(0, "A1"), (25, "Z1"), (26, "AA1"), (701, "ZZ1"), (702, "AAA1"), (16_383, "XFD1")];
        for (column, name) in names {
            assert_eq!(place(0, column), name);
        }
    }

    #[test]
    fn numbers_are_as_the_sheet_shows_them() {
        let cases = [
            (1284.0, "1284"),
            (0.1 + 0.2, "0.3"),
            (1234.5, "1234.5"),
            (-0.0, "0"),
            (123_456_789_012_345.0, "123456789012345"),
            (1.23e21, "1230000000000000000000"),
            (1e-7, "0.0000001"),
        ];
        for (number, text) in cases {
            assert_eq!(fifteen_digits(number), text);
        }
    }
}

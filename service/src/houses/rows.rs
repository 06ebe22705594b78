//! Rows of a CSV file of houses, whatever a row stands for.

use std::io::Read;

use crossfoot_audit::document::Problem;
use serde_json::{Map, Value};

use super::Placed;

/// What a cell becomes in JSON.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Number,
    /// One of the words of the document: capitals, spaces and hyphens are written as it writes them.
    Word,
}

/// Columns by name.
pub(super) type Columns = [(&'static str, Kind)];

/// A file with a header.
pub(super) struct Sheet<R> {
    heads: csv::StringRecord,
    fault: Option<String>,
    rows: csv::ByteRecordsIntoIter<R>,
    held: Option<Row>,
}

impl<R: Read> Sheet<R> {
    /// Reads the header.
    pub(super) fn open(file: R) -> Self {
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(file);
        let (heads, fault) = match reader.headers() {
            Ok(heads) => (heads.iter().map(|head| head.trim_start_matches('\u{feff}')).collect(), None),
            Err(error) => (csv::StringRecord::new(), Some(error.to_string())),
        };
        Sheet { heads, fault, rows: reader.into_byte_records(), held: None }
    }

    /// Whether there is such a column.
    pub(super) fn has(&self, column: &str) -> bool {
        self.heads.iter().any(|head| head == column)
    }

    /// Why the rows mean nothing, where the header has columns that are not known or lacks others; then nothing more
    /// comes of the file.
    pub(super) fn refusal(&mut self, known: &[&Columns], required: &[&str]) -> Option<Placed> {
        let fault = self.fault.take().or_else(|| self.header_fault(known, required))?;
        for _ in self.rows.by_ref() {}
        let problem = problem(fault, "correct the header");
        Some(Placed::new("line 1".to_owned(), Err((String::new(), vec![problem]))))
    }

    fn header_fault(&self, known: &[&Columns], required: &[&str]) -> Option<String> {
        let is_known = |head: &&str| known.iter().any(|list| list.iter().any(|(name, _)| name == head));
        let unknown: Vec<&str> = self.heads.iter().filter(|head| !is_known(head)).collect();
        if !unknown.is_empty() {
            return Some(format!("unknown columns: {}", unknown.join(", ")));
        }
        let missing: Vec<&str> = required.iter().copied().filter(|wanted| !self.has(wanted)).collect();
        (!missing.is_empty()).then(|| format!("columns missing: {}", missing.join(", ")))
    }

    /// The next row.
    pub(super) fn next_row(&mut self) -> Option<Row> {
        self.held.take().or_else(|| Row::next(&mut self.rows, self.heads.len()))
    }

    /// Gives a row back, which is then the next one.
    pub(super) fn hold(&mut self, row: Row) {
        self.held = Some(row);
    }

    /// The cells of a row under their heads.
    pub(super) fn cells<'a>(&'a self, row: &'a Row) -> Cells<'a> {
        Cells { heads: &self.heads, row: &row.cells }
    }
}

/// A row with its line, and what is wrong with it as a row.
pub(super) struct Row {
    pub(super) line: u64,
    cells: csv::StringRecord,
    pub(super) problem: Option<Problem>,
}

impl Row {
    fn next<R: Read>(rows: &mut csv::ByteRecordsIntoIter<R>, heads: usize) -> Option<Row> {
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

    /// The row as it stood in the file, more or less.
    pub(super) fn raw(&self) -> String {
        self.cells.iter().collect::<Vec<_>>().join(",")
    }

    /// Whether nothing stands in it, as spreadsheets leave rows behind.
    pub(super) fn is_blank(&self) -> bool {
        self.problem.is_none() && self.cells.iter().all(str::is_empty)
    }
}

pub(super) fn problem(detail: String, mend: &str) -> Problem {
    Problem { pointer: String::new(), detail, mend: mend.to_owned() }
}

pub(super) struct Cells<'a> {
    heads: &'a csv::StringRecord,
    row: &'a csv::StringRecord,
}

impl Cells<'_> {
    /// What stands in a column; a blank cell says nothing.
    pub(super) fn text(&self, name: &str) -> Option<&str> {
        let at = self.heads.iter().position(|head| head == name)?;
        self.row.get(at).filter(|cell| !cell.is_empty())
    }

    /// What stands in these columns, as JSON.
    pub(super) fn take(&self, columns: &Columns) -> Map<String, Value> {
        columns
            .iter()
            .filter_map(|(name, kind)| Some(((*name).to_owned(), value(self.text(name)?, *kind))))
            .collect()
    }

    /// A cell that says something else than the first row of the same thing does; a blank one says nothing.
    pub(super) fn contradiction(
        &self,
        columns: &Columns,
        first: &Map<String, Value>,
        what: &str,
        line: u64,
    ) -> Option<Problem> {
        let (name, says) = columns.iter().find_map(|(name, kind)| {
            let says = value(self.text(name)?, *kind);
            (first.get(*name) != Some(&says)).then_some((*name, says))
        })?;
        let before = first.get(name).map_or_else(|| "nothing".to_owned(), Value::to_string);
        let detail = format!("line {line}: {name} is {says}, the first row of the {what} has {before}");
        let mend = format!("give all rows of a {what} the same, or leave it blank after the first");
        Some(problem(detail, &mend))
    }
}

/// A cell as JSON. What is no number stays text, and the schema of the document finds it.
pub(super) fn value(cell: &str, kind: Kind) -> Value {
    match kind {
        Kind::Text => Value::String(cell.to_owned()),
        Kind::Number => serde_json::from_str::<serde_json::Number>(cell)
            .map_or_else(|_| Value::String(cell.to_owned()), Value::Number),
        Kind::Word => Value::String(word(cell)),
    }
}

/// A word as the document writes it: `North-East` is `north_east`.
pub(super) fn word(cell: &str) -> String {
    cell.to_lowercase().split([' ', '-', '_']).filter(|piece| !piece.is_empty()).collect::<Vec<_>>().join("_")
}

//! All rows of a text, counted column by column.

use super::answer::{Example, Misfit, RowsFound, Sample, SampleRow, Separation, Shape as ShapeFound};
use super::column::{Column, Tally, shortened};
use super::names::Names;
use super::words::Words;
use crate::framing::{Dialect, Framer, Shape, Unclosed};
use std::io::{self, Read};

/// Rows that are shown.
const SAMPLE_ROWS: usize = 20;
/// Columns of a row that are shown.
const SAMPLE_COLUMNS: usize = 200;
/// Wrong rows that are named.
const MISFITS_NAMED: usize = 5;
/// Lines with the header again that are named.
const REPEATS_NAMED: usize = 20;
/// Values beyond ASCII: those that are shown, and those looked at for it.
const BEYOND_ASCII_SHOWN: usize = 3;
const BEYOND_ASCII_KEPT: usize = 60;

/// What the rows come to.
pub(super) struct Counts {
    pub(super) columns: Vec<Column>,
    pub(super) rows: RowsFound,
    pub(super) repeated_on: Vec<u64>,
    pub(super) row_lines: u32,
    /// Bytes of the text.
    pub(super) bytes: u64,
    sample: Vec<(u64, Vec<String>)>,
    beyond_ascii: Vec<(usize, Example)>,
}

impl Counts {
    /// Counts the rows behind the header.
    pub(super) fn of(
        source: impl Read,
        dialect: Dialect,
        names: &Names,
        shape: &ShapeFound,
    ) -> io::Result<Counts> {
        let mut framer = Framer::new(source, dialect)?;
        let mut counts = Counts {
            columns: columns(names, shape),
            rows: RowsFound { counted: 0, misfits: 0, misfit_examples: Vec::new(), rows_over_lines: 0 },
            repeated_on: Vec::new(),
            row_lines: 1,
            bytes: 0,
            sample: Vec::new(),
            beyond_ascii: Vec::new(),
        };
        let mut number = 0;
        while let Some(frame) = framer.next_frame()? {
            let line = frame.line;
            if number >= names.rows_before {
                match frame.shape {
                    Shape::Plain { fields } | Shape::Quoted { fields, fault: None }
                        if fields == shape.fields =>
                    {
                        let fields = framer.fields(&frame);
                        let value = |place: usize| {
                            let bytes = fields.text.get(fields.range(place)).unwrap_or_default();
                            std::str::from_utf8(bytes).unwrap_or("\u{FFFD}")
                        };
                        counts.row(line, value, names.found.present);
                    }
                    Shape::Plain { .. } | Shape::Quoted { .. } | Shape::Unclosed(_) | Shape::TooLong => {
                        counts.misfit(line, frame.shape, shape.fields);
                    }
                }
            }
            framer.advance(&frame);
            if !matches!(frame.shape, Shape::Unclosed(_) | Shape::TooLong) {
                let lines = u32::try_from(framer.lines() + 1 - line).unwrap_or(u32::MAX);
                counts.row_lines = counts.row_lines.max(lines);
                counts.rows.rows_over_lines += u64::from(lines > 1);
            }
            number += 1;
        }
        counts.bytes = framer.bytes();
        Ok(counts)
    }

    fn row<'a>(&mut self, line: u64, value: impl Fn(usize) -> &'a str, header: bool) {
        let again = header
            && self.columns.iter().all(|column| value(column.place).trim() == column.name)
            && self.columns.iter().any(|column| !column.name.is_empty());
        if again {
            if self.repeated_on.len() < REPEATS_NAMED {
                self.repeated_on.push(line);
            }
            return;
        }
        self.rows.counted += 1;
        for column in &mut self.columns {
            let value = value(column.place);
            column.tally.add(value);
            if self.beyond_ascii.len() < BEYOND_ASCII_KEPT && !value.is_ascii() {
                let example = Example { line, column: column.name.clone(), value: shortened(value.trim()) };
                self.beyond_ascii.push((column.place, example));
            }
        }
        if self.sample.len() < SAMPLE_ROWS {
            let shown = self.columns.len().min(SAMPLE_COLUMNS);
            self.sample.push((line, (0..shown).map(|place| shortened(value(place).trim())).collect()));
        }
    }

    fn misfit(&mut self, line: u64, shape: Shape, fields_usual: usize) {
        self.rows.misfits += 1;
        if self.rows.misfit_examples.len() >= MISFITS_NAMED {
            return;
        }
        let detail = match shape {
            Shape::Plain { fields } | Shape::Quoted { fields, fault: None } => {
                format!("{fields} fields, most rows have {fields_usual}")
            }
            Shape::Quoted { fault: Some(_), .. } => "text behind a closing quote".to_owned(),
            Shape::Unclosed(Unclosed::FileEnds) => "a quote that does not close before the end".to_owned(),
            Shape::Unclosed(_) => "a quote that does not close as it should".to_owned(),
            Shape::TooLong => "a line that is too long to be a row".to_owned(),
        };
        self.rows.misfit_examples.push(Misfit { line, detail });
    }

    /// The first rows without columns about people.
    pub(super) fn sample(&self) -> Sample {
        let shown: Vec<&Column> =
            self.columns.iter().take(SAMPLE_COLUMNS).filter(|column| column.personal().is_none()).collect();
        let rows = self.sample.iter().map(|(line, cells)| SampleRow {
            line: *line,
            cells: shown.iter().map(|column| cells.get(column.place).cloned().unwrap_or_default()).collect(),
        });
        Sample { columns: shown.iter().map(|column| column.name.clone()).collect(), rows: rows.collect() }
    }

    /// Some values beyond ASCII, of different columns first.
    pub(super) fn beyond_ascii(&self) -> Vec<Example> {
        let open: Vec<&(usize, Example)> = self
            .beyond_ascii
            .iter()
            .filter(|(place, _)| self.columns.get(*place).is_some_and(|column| column.personal().is_none()))
            .collect();
        let mut shown: Vec<&(usize, Example)> = Vec::new();
        for one in &open {
            if !shown.iter().any(|(place, _)| *place == one.0) {
                shown.push(one);
            }
        }
        for one in open {
            if !shown.iter().any(|(_, example)| example.value == one.1.value) {
                shown.push(one);
            }
        }
        shown.into_iter().take(BEYOND_ASCII_SHOWN).map(|(_, example)| example.clone()).collect()
    }
}

fn columns(names: &Names, shape: &ShapeFound) -> Vec<Column> {
    let records = shape.separation == Separation::FixedWidth;
    (0..shape.fields)
        .map(|place| {
            let name = names.names.get(place).cloned().unwrap_or_default();
            Column {
                place,
                words: if names.found.present { Words::of(&name) } else { Words::default() },
                name,
                named: names.found.present,
                hidden: records.then_some("whole records, which may name people"),
                tally: Tally::one_of(shape.fields),
            }
        })
        .collect()
}

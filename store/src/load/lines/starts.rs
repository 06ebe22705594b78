//! Where the rows of an index begin in their file. Their lengths stand in the index; what lies between two rows is the
//! same for most of a file, so a start is kept only now and then, and where that changes.

use crossfoot_roll::lines::{KnownLine, Line, LineIs};

/// Rows from one kept start to the next at most: so many are read to find a row.
const ROWS_APART: u32 = 512;

/// A row whose start is kept.
#[derive(Debug, Clone, Copy)]
struct Start {
    /// Which row of the index it is, from 0.
    row: u32,
    line: u64,
    byte_start: u64,
    /// Bytes between the end of a row and the start of the next, from here on; none before the next is known.
    between: Option<u64>,
}

/// Where the next row begins if nothing changes.
#[derive(Debug, Clone, Copy)]
struct Expected {
    line: u64,
    byte_end: u64,
}

/// The starts of the rows of an index that grows.
#[derive(Debug, Default)]
pub(super) struct Starts {
    kept: Vec<Start>,
    expected: Option<Expected>,
    /// Rows too long for the index to hold their shape.
    odd: Vec<(u32, Line)>,
}

impl Starts {
    /// Notes a row as the index keeps it; `row` counts from 0.
    pub(super) fn note(&mut self, row: u32, line: &Line, known: &KnownLine) {
        let between = self.expected.map(|expected| line.byte_start.wrapping_sub(expected.byte_end));
        let goes_on = match (self.kept.last_mut(), self.expected) {
            (Some(start), Some(expected)) if row - start.row < ROWS_APART && expected.line == line.line => {
                *start.between.get_or_insert(between.unwrap_or_default()) == between.unwrap_or_default()
            }
            _ => false,
        };
        if !goes_on {
            self.kept.push(Start { row, line: line.line, byte_start: line.byte_start, between: None });
        }
        if (known.byte_length, known.lines) != (line.byte_length, line.lines) {
            self.odd.push((row, *line));
        }
        self.expected = Some(Expected {
            line: line.line + u64::from(known.lines),
            byte_end: line.byte_start + u64::from(known.byte_length),
        });
    }

    /// The row from which on the index must be read to find one.
    pub(super) fn from(&self, row: u32) -> u32 {
        self.start(row).map_or(0, |start| start.row)
    }

    /// A row of the index with its place; `rows` are those from [`Starts::from`] up to it.
    pub(super) fn line(&self, row: u32, rows: impl IntoIterator<Item = KnownLine>) -> Option<Line> {
        if let Ok(at) = self.odd.binary_search_by_key(&row, |(row, _)| *row) {
            return self.odd.get(at).map(|(_, line)| *line);
        }
        let start = self.start(row)?;
        let between = start.between.unwrap_or_default();
        let (mut line, mut byte_start) = (start.line, start.byte_start);
        for (at, known) in (start.row..=row).zip(rows) {
            if at == row {
                return Some(Line {
                    hash: known.hash,
                    byte_start,
                    line,
                    byte_length: known.byte_length,
                    lines: known.lines,
                    what: LineIs::Known(known.number),
                });
            }
            line += u64::from(known.lines);
            byte_start = byte_start.wrapping_add(u64::from(known.byte_length)).wrapping_add(between);
        }
        None
    }

    fn start(&self, row: u32) -> Option<&Start> {
        let behind = self.kept.partition_point(|start| start.row <= row);
        self.kept.get(behind.checked_sub(1)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Rows of any length with anything between them are found where they were.
        #[test]
        fn every_row_is_found_where_it_was(
            rows in proptest::collection::vec((0u32..2_300_000, 1u16..2_300, 0u64..4, 0u64..2), 1..2_000),
        ) {
            let (mut starts, mut lines, mut kept) = (Starts::default(), Vec::new(), Vec::new());
            let (mut byte_start, mut line) = (9u64, 2u64);
            for (number, (byte_length, spans, between, blank)) in (0u32..).zip(rows) {
                // mostly the same, as in a file
                let (between, blank) = if number % 7 == 0 { (between, blank) } else { (1, 0) };
                byte_start += between;
                line += blank;
                let row = Line {
                    hash: u64::from(number), byte_start, line, byte_length, lines: spans, what: LineIs::Known(number),
                };
                let as_kept = KnownLine { hash: row.hash, byte_length, lines: spans, number };
                let as_kept = KnownLine::from_bytes(as_kept.to_bytes());
                starts.note(number, &row, &as_kept);
                kept.push(as_kept);
                lines.push(row);
                byte_start += u64::from(byte_length);
                line += u64::from(spans);
            }
            for (number, row) in (0u32..).zip(&lines) {
                let from = starts.from(number) as usize;
                let found = starts.line(number, kept[from..].iter().copied()).unwrap();
                prop_assert_eq!((found.byte_start, found.line), (row.byte_start, row.line), "row {}", number);
                prop_assert_eq!((found.byte_length, found.lines), (row.byte_length, row.lines), "row {}", number);
                prop_assert!(number as usize - from <= ROWS_APART as usize);
            }
        }
    }

    #[test]
    fn few_starts_are_kept_of_a_plain_file() {
        let mut starts = Starts::default();
        for row in 0..100_000u32 {
            let known = KnownLine { hash: 0, byte_length: 99, lines: 1, number: row };
            let (byte_start, line) = (u64::from(row) * 100, u64::from(row));
            let line =
                Line { hash: 0, byte_start, line, byte_length: 99, lines: 1, what: LineIs::Known(row) };
            starts.note(row, &line, &known);
        }
        assert_eq!(starts.kept.len(), 100_000usize.div_ceil(ROWS_APART as usize));
    }
}

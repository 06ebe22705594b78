//! Bounds: rows at and beyond the limit, and a large file under a fixed ceiling.

use crate::account::{layout, read};
use crossfoot_roll::entry::Reason;
use crossfoot_roll::limits::{BATCH_BYTES_MAX, BUFFER_BYTES_MAX, REJECT_BYTES_KEPT, ROW_BYTES_MAX};
use crossfoot_roll::reader::{Batch, RollReader, Row};
use std::io::{self, Read};

const TABLES: &str = "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n";

#[test]
fn a_row_of_the_greatest_length_is_read_and_one_byte_more_is_not() {
    for line_end in ["\n", "\r\n", "\r"] {
        let row = |length: usize| format!("1,900,{}{line_end}", "x".repeat(length - 6));
        let good = format!("2,900,y{line_end}");
        let file =
            format!("PIN,SQFT,X{line_end}{}{good}{}{good}", row(ROW_BYTES_MAX), row(ROW_BYTES_MAX + 1));
        let layout = layout(TABLES);
        let mut reader = RollReader::new(file.as_bytes(), &layout).unwrap();
        let mut lengths = Vec::new();
        while let Some(row) = reader.next_row().unwrap() {
            lengths.push(match row {
                Row::Entry(entry) => (entry.line, u64::from(entry.byte_length), None),
                Row::Reject(reject) => {
                    assert_eq!(reject.raw.len(), REJECT_BYTES_KEPT);
                    (reject.line, reject.byte_length, Some(reject.reason))
                }
            });
        }
        let most = ROW_BYTES_MAX as u64;
        let expected = [(2, most, None), (3, 7, None), (4, most + 1, Some(Reason::RowTooLong)), (5, 7, None)];
        assert_eq!(lengths, expected);
    }
}

#[test]
fn a_row_without_an_end_is_passed_over_in_bounded_memory() {
    let file = [&b"PIN,SQFT\n1,"[..], &vec![b'9'; 5 << 20]].concat();
    let layout = layout(TABLES);
    let mut reader = RollReader::new(file.as_slice(), &layout).unwrap();
    let Some(Row::Reject(reject)) = reader.next_row().unwrap() else { panic!("the row is too long") };
    assert_eq!((reject.byte_start, reject.byte_length), (9, (5 << 20) + 2));
    assert!(reader.next_row().unwrap().is_none());
    assert!(reader.buffer_capacity() < BUFFER_BYTES_MAX + ROW_BYTES_MAX);
}

#[test]
fn a_quote_that_opens_a_megabyte_costs_one_line() {
    let many = "x,y\n".repeat(3) + &"z".repeat(ROW_BYTES_MAX);
    let file = format!("PIN,SQFT\n\"1,900\n2,900\n{many}\n3,900\n");
    let (_, rows, summary) = read(file.as_bytes(), &layout(TABLES));
    assert_eq!(summary.rejects.get(&Reason::UnclosedQuote), Some(&1));
    assert_eq!(summary.rejects.get(&Reason::TextInNumber), Some(&3));
    assert_eq!(summary.rejects.get(&Reason::WrongColumnCount), Some(&1));
    assert_eq!((rows.len(), summary.entries), (7, 2));
}

/// Rows made as they are asked for: every thousandth opens a quote, every ten-thousandth is long.
struct Endless {
    row: u64,
    rows: u64,
    made: Vec<u8>,
    given: usize,
}

impl Read for Endless {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        if self.given == self.made.len() {
            self.made.clear();
            self.given = 0;
            if self.row < self.rows {
                let filler = match self.row {
                    0 => "PIN,SQFT,X".to_owned(),
                    row if row % 10_000 == 0 => format!("{row},900,{}", "x".repeat(ROW_BYTES_MAX / 2)),
                    row if row % 1_000 == 0 => format!("{row},900,\"open"),
                    row if row % 10 == 0 => format!("{row},\"900\",\"a, \"\"b\"\"\"{}", ""),
                    row => format!("{row},900,{}", "abcdefghij ".repeat(20)),
                };
                self.made.extend_from_slice(filler.as_bytes());
                self.made.push(b'\n');
                self.row += 1;
            }
        }
        let mut rest = &self.made[self.given..];
        let read = rest.read(room)?;
        self.given += read;
        Ok(read)
    }
}

#[test]
fn fifty_megabytes_are_read_under_a_fixed_ceiling() {
    let source = Endless { row: 0, rows: 200_000, made: Vec::new(), given: 0 };
    let layout = layout(TABLES);
    let mut reader = RollReader::new(source, &layout).unwrap();
    let mut batch = Batch::default();
    let mut before = 0;
    while reader.next_batch(&mut batch, 1_000_000).unwrap() {
        assert!(reader.buffer_capacity() <= BUFFER_BYTES_MAX + ROW_BYTES_MAX, "{}", reader.buffer_capacity());
        assert!(batch.bytes_read - before <= BATCH_BYTES_MAX + ROW_BYTES_MAX as u64);
        before = batch.bytes_read;
    }
    let summary = reader.finish().unwrap();
    assert!(summary.bytes > 50_000_000, "{}", summary.bytes);
    // Of the rows 1 to 199,999 every thousandth opens a quote, but the 19 long ones.
    assert_eq!(summary.rejects_total(), 199 - 19);
    assert_eq!(summary.rejects.get(&Reason::UnclosedQuote), Some(&180));
    assert_eq!(summary.entries, 199_999 - 180);
    assert_eq!(summary.lines, 200_000);
}

//! How the tests read a file, and the check that every byte of it is accounted for.

use crossfoot_roll::header::Header;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::limits::REJECT_BYTES_KEPT;
use crossfoot_roll::reader::{RollReader, Row, Summary};
use sha2::{Digest, Sha256};
use std::io::{self, Read};

/// A source that gives a few bytes at a time, so that every boundary falls inside a buffer's end once.
pub(crate) struct Dribble<'a> {
    pub(crate) bytes: &'a [u8],
    pub(crate) at_once: usize,
}

impl Read for Dribble<'_> {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let some = room.len().min(self.at_once);
        self.bytes.read(&mut room[..some])
    }
}

/// A layout with the given tables behind the few lines that every layout has.
pub(crate) fn layout(tables: &str) -> Layout {
    Layout::from_toml(&format!("id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n{tables}"))
        .unwrap()
}

/// Reads a file in two ways, checks that both say the same and that no byte is lost.
pub(crate) fn read(file: &[u8], layout: &Layout) -> (Header, Vec<Row>, Summary) {
    let whole = read_from(file, layout);
    let dribbled = read_from(Dribble { bytes: file, at_once: 1 }, layout);
    assert_eq!(whole, dribbled, "the size of the reads must not matter");
    account(file, &whole.0, &whole.1);
    let summary = &whole.2;
    assert_eq!(summary.bytes, file.len() as u64);
    assert_eq!(summary.sha256, hex::encode(Sha256::digest(file)));
    assert_eq!(summary.rows_total, whole.1.len() as u64);
    assert_eq!(summary.rows_total, summary.entries + summary.rejects_total());
    whole
}

fn read_from(source: impl Read, layout: &Layout) -> (Header, Vec<Row>, Summary) {
    let mut reader = RollReader::new(source, layout).unwrap();
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row().unwrap() {
        rows.push(row);
    }
    (reader.header().clone(), rows, reader.finish().unwrap())
}

/// Each byte belongs to the header, to one row, or to a line end, a byte order mark or a mark of the file's end
/// between them; and the line of a row is one more than the line ends before it.
pub(crate) fn account(file: &[u8], header: &Header, rows: &[Row]) {
    let mut behind = 0;
    let mut check = |line: u64, start: u64, length: u64, raw: Option<&[u8]>| {
        let (start, length) = (start as usize, length as usize);
        let between = &file[behind..start];
        let mark =
            if behind == 0 { between.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(between) } else { between };
        assert!(mark.iter().all(|byte| b"\r\n".contains(byte)), "lost before byte {start}: {between:?}");
        let text = &file[start..start + length];
        if let Some(raw) = raw {
            assert_eq!(raw, &text[..text.len().min(REJECT_BYTES_KEPT)], "the raw row at byte {start}");
        }
        assert_eq!(line, line_ends(&file[..start]) + 1, "the line of the row at byte {start}");
        behind = start + length;
    };
    check(header.line, header.byte_start, header.byte_length, None);
    for row in rows {
        match row {
            Row::Entry(entry) => check(entry.line, entry.byte_start, u64::from(entry.byte_length), None),
            Row::Reject(reject) => {
                check(reject.line, reject.byte_start, reject.byte_length, Some(&reject.raw));
            }
        }
    }
    assert!(file[behind..].iter().all(|byte| b"\r\n\x1A".contains(byte)), "lost at the end");
}

/// CRLF, LF and lone CR, each one.
fn line_ends(bytes: &[u8]) -> u64 {
    let crlf = bytes.windows(2).filter(|pair| pair == b"\r\n").count();
    let single = bytes.iter().filter(|byte| b"\r\n".contains(byte)).count();
    (single - crlf) as u64
}

/// Rows in words: the line, then the row's own bytes, then what became of it.
pub(crate) fn told(file: &[u8], rows: &[Row]) -> Vec<String> {
    let text =
        |start: u64, length: u64| file[start as usize..(start + length) as usize].escape_ascii().to_string();
    rows.iter()
        .map(|row| match row {
            Row::Entry(entry) => {
                let area = entry.area.map_or("none".to_owned(), |area| area.to_square_feet(1));
                let raw = text(entry.byte_start, u64::from(entry.byte_length));
                format!("{} {raw} -> {} area {area} {}", entry.line, entry.parcel_key, entry.rest)
            }
            Row::Reject(reject) => {
                let raw = text(reject.byte_start, reject.byte_length);
                let column = reject.column.as_deref().unwrap_or("-");
                format!("{} {raw} -> {} {column}", reject.line, reject.reason.name())
            }
        })
        .collect()
}

/// Reads a file and compares what became of its rows.
pub(crate) fn check(file: &[u8], layout: &Layout, expected: &[&str]) {
    let (_, rows, _) = read(file, layout);
    assert_eq!(told(file, &rows), expected);
}

/// The details of the rejects of a file.
pub(crate) fn details(file: &[u8], layout: &Layout) -> Vec<String> {
    let rejects = read(file, layout).1.into_iter().filter_map(|row| match row {
        Row::Entry(_) => None,
        Row::Reject(reject) => Some(reject.detail),
    });
    rejects.collect()
}

/// A file that was read from its first byte to its last.
pub(crate) fn check_file(summary: &Summary, file: &[u8], name: &str) {
    assert_eq!(summary.bytes, file.len() as u64, "{name}");
    assert_eq!(summary.sha256, hex::encode(Sha256::digest(file)), "{name}");
    assert_eq!(summary.lines, line_ends(file), "{name}");
}

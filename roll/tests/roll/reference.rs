//! The reader against a plain one that looks at one byte after another, on files made at random.

use crate::account::{Dribble, account, layout, read};
use crossfoot_roll::entry::Reason;
use crossfoot_roll::reader::{RollReader, Row};
use proptest::prelude::*;

const LINES_MAX: usize = 3;
const COLUMNS: usize = 3;
const TABLES: &str = "[file]\nrow_lines_max = 3\n[parcel]\ncolumns = [\"P\"]\nupper = false\n[[keep]]\ncolumn = \"A\"\n\
    [[keep]]\ncolumn = \"B\"\n";

/// A row as the plain reader sees it: line, first byte, end, and its trimmed fields or the reason why not.
type Seen = (u64, usize, usize, Result<Vec<String>, Reason>);

/// Where a row from `start` on ends, where the next begins, on how many lines it is, and its fields; nothing if a
/// quote is still open at the end of the file. `faults` are the fields with text behind their closing quote.
struct Plain {
    end: usize,
    next: usize,
    lines: usize,
    fields: Vec<Vec<u8>>,
    faults: Vec<usize>,
}

fn plain_row(file: &[u8], start: usize, quotes: bool) -> Option<Plain> {
    let (mut at, mut lines, mut fields, mut faults) = (start, 1, vec![Vec::new()], Vec::new());
    let (mut open, mut closed, mut fresh) = (false, false, true);
    loop {
        let line_end = if file[at..].starts_with(b"\r\n") { 2 } else { 1 };
        let byte = file.get(at).copied();
        match byte {
            None if open => return None,
            None => return Some(Plain { end: at, next: at, lines, fields, faults }),
            Some(b'\r' | b'\n') if !open => {
                return Some(Plain { end: at, next: at + line_end, lines, fields, faults });
            }
            Some(b'\r' | b'\n') => {
                lines += 1;
                fields.last_mut().unwrap().extend_from_slice(&file[at..at + line_end]);
                at += line_end - 1;
            }
            Some(b'"') if open && file.get(at + 1) == Some(&b'"') => {
                fields.last_mut().unwrap().push(b'"');
                at += 1;
            }
            Some(b'"') if open => (open, closed) = (false, true),
            Some(b'"') if fresh && quotes => open = true,
            Some(b',') if !open => {
                fields.push(Vec::new());
                (closed, fresh) = (false, true);
                at += 1;
                continue;
            }
            Some(byte) => {
                if closed && !faults.contains(&(fields.len() - 1)) {
                    faults.push(fields.len() - 1);
                }
                fields.last_mut().unwrap().push(byte);
            }
        }
        fresh = false;
        at += 1;
    }
}

/// All rows behind the header, which must be the first line.
fn plain_read(file: &[u8], mut at: usize) -> Vec<Seen> {
    let (mut line, mut seen) = (2, Vec::new());
    while at < file.len() {
        let first = plain_row(file, at, false).unwrap();
        let row = plain_row(file, at, true);
        if first.end == at {
            (at, line) = (first.next, line + 1);
            continue;
        }
        let (step, result) = match row {
            Some(row) if row.lines == 1 => {
                let result = if row.fields.len() != COLUMNS {
                    Err(Reason::WrongColumnCount)
                } else if !row.faults.is_empty() {
                    Err(Reason::UnclosedQuote)
                } else {
                    Ok(row.fields.clone())
                };
                (row, result)
            }
            Some(row) if row.lines <= LINES_MAX && row.fields.len() == COLUMNS && row.faults.is_empty() => {
                let fields = row.fields.clone();
                (row, Ok(fields))
            }
            _ => (first, Err(Reason::UnclosedQuote)),
        };
        let texts = result.and_then(|fields| {
            let texts: Vec<String> = fields
                .iter()
                .map(|field| String::from_utf8(field.clone()).unwrap().trim().to_owned())
                .collect();
            if texts[0].is_empty() { Err(Reason::BlankParcel) } else { Ok(texts) }
        });
        seen.push((line, at, step.end, texts));
        (at, line) = (step.next, line + step.lines as u64);
    }
    seen
}

fn seen(rows: &[Row]) -> Vec<Seen> {
    rows.iter()
        .map(|row| match row {
            Row::Entry(entry) => {
                let mut texts = vec![entry.parcel_raw.clone()];
                texts.extend(serde_json::from_str::<Vec<String>>(&entry.rest).unwrap());
                let start = entry.byte_start as usize;
                (entry.line, start, start + entry.byte_length as usize, Ok(texts))
            }
            Row::Reject(reject) => {
                let start = reject.byte_start as usize;
                (reject.line, start, start + reject.byte_length as usize, Err(reject.reason))
            }
        })
        .collect()
}

/// A piece of a file: mostly what makes a difference.
fn piece() -> impl Strategy<Value = &'static str> {
    prop_oneof![
        4 => Just("a"),
        1 => Just("xyzw mnop"),
        1 => Just(" "),
        1 => Just("é"),
        6 => Just(","),
        3 => Just("\""),
        1 => Just("\"\""),
        1 => Just(",\""),
        1 => Just("\","),
        2 => Just("\n"),
        2 => Just("\r\n"),
        1 => Just("\r"),
        2 => Just("a,\"b\",c\n"),
        1 => Just("a,b,\"c\r\nd\"\r\n"),
    ]
}

fn line_end() -> impl Strategy<Value = &'static str> {
    prop_oneof![Just("\n"), Just("\r\n"), Just("\r")]
}

/// A table of texts, how each is written, and the line end.
fn table() -> impl Strategy<Value = (Vec<Vec<(String, bool)>>, &'static str)> {
    let text = prop_oneof![
        3 => "[a-z0-9]{0,12}",
        1 => "[a-z]( |,|\"|\n|\r\n|[a-z]){0,3}[a-z]",
    ];
    let row = (
        ("[a-z][a-z0-9]{0,7}", any::<bool>()),
        proptest::collection::vec((text, any::<bool>()), COLUMNS - 1),
    );
    let row = row.prop_map(|(first, rest)| std::iter::once(first).chain(rest).collect());
    (proptest::collection::vec(row, 0..20), line_end())
}

fn written(rows: &[Vec<(String, bool)>], line_end: &str) -> String {
    let mut file = format!("P,A,B{line_end}");
    for row in rows {
        let fields: Vec<String> = row
            .iter()
            .map(|(text, quoted)| {
                if *quoted || text.contains([',', '"', '\n', '\r']) {
                    format!("\"{}\"", text.replace('"', "\"\""))
                } else {
                    text.clone()
                }
            })
            .collect();
        file += &(fields.join(",") + line_end);
    }
    file
}

fn config() -> ProptestConfig {
    ProptestConfig { failure_persistence: None, cases: 400, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn any_text_is_cut_as_the_plain_reader_cuts_it(
        mark in any::<bool>(),
        header_end in line_end(),
        pieces in proptest::collection::vec(piece(), 0..60),
    ) {
        let header = format!("{}P,A,B{header_end}", if mark { "\u{feff}" } else { "" });
        let body = pieces.concat();
        // A header that ends in CR before a body that begins with LF has one line end, not two.
        prop_assume!(!(header_end == "\r" && body.starts_with('\n')));
        let file = format!("{header}{body}");
        let (_, rows, _) = read(file.as_bytes(), &layout(TABLES));
        prop_assert_eq!(seen(&rows), plain_read(file.as_bytes(), header.len()));
    }

    #[test]
    fn any_bytes_are_read_without_losing_one(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let file = [&b"P,A,B\n"[..], &bytes].concat();
        read(&file, &layout(TABLES));
    }

    #[test]
    fn a_table_that_is_written_well_comes_back(
        (rows, line_end) in table(),
        at_once in 1_usize..40,
    ) {
        let file = written(&rows, line_end);
        // Two fields with three line breaks each make seven lines.
        let layout = layout(&TABLES.replace("row_lines_max = 3", "row_lines_max = 7"));
        let mut reader = RollReader::new(Dribble { bytes: file.as_bytes(), at_once }, &layout).unwrap();
        let mut read = Vec::new();
        while let Some(row) = reader.next_row().unwrap() {
            read.push(row);
        }
        account(file.as_bytes(), reader.header(), &read);
        let ours: Vec<Vec<String>> = seen(&read).into_iter().map(|(.., fields)| fields.unwrap()).collect();
        let written: Vec<Vec<String>> =
            rows.iter().map(|row| row.iter().map(|(text, _)| text.clone()).collect()).collect();
        prop_assert_eq!(&ours, &written);
        let theirs: Vec<Vec<String>> = csv::Reader::from_reader(file.as_bytes())
            .records()
            .map(|record| record.unwrap().iter().map(str::to_owned).collect())
            .collect();
        prop_assert_eq!(&ours, &theirs);
    }
}

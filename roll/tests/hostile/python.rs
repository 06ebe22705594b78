//! Well-formed files against two readers of other people: Python's csv module and the csv crate.

use crate::account::{account, layout};
use crossfoot_roll::published_row;
use crossfoot_roll::reader::{RollReader, Row};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::{Config, TestRunner};
use serde_json::{Value, json};
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

const FILES: usize = 400;

/// A table and the way in which it is written.
#[derive(Debug, Clone)]
struct Written {
    rows: Vec<Vec<String>>,
    text: String,
    delimiter: char,
    quote: char,
}

/// A field: text of several scripts with everything in it that a file has to quote, blanks at its ends included.
fn field() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        6 => "[ -~]{0,8}",
        2 => prop_oneof![Just(","), Just(";"), Just("|"), Just("\t"), Just("\""), Just("'"), Just("\"\"")].prop_map(str::to_owned),
        1 => prop_oneof![Just("\n"), Just("\r\n"), Just("\r")].prop_map(str::to_owned),
        2 => prop_oneof![Just("Straße"), Just("漢字"), Just("\u{1f3e0}"), Just("\u{2028}"), Just("\u{85}"), Just("\u{feff}"), Just("\u{b}\u{c}")]
            .prop_map(str::to_owned),
    ];
    proptest::collection::vec(piece, 0..4).prop_map(|pieces| pieces.concat())
}

fn written() -> impl Strategy<Value = Written> {
    let dialect = (
        prop_oneof![3 => Just(','), 1 => Just(';'), 1 => Just('|'), 1 => Just('\t')],
        prop_oneof![3 => Just('"'), 1 => Just('\'')],
        prop_oneof![Just("\n"), Just("\r\n"), Just("\r")],
        any::<bool>(),
    );
    (2_usize..6, dialect)
        .prop_flat_map(|(columns, dialect)| {
            let first = ("[G-Z][A-Za-z0-9]{0,8}", any::<bool>());
            let rest = proptest::collection::vec((field(), any::<bool>()), columns - 1);
            let row = (first, rest)
                .prop_map(|(first, rest)| std::iter::once(first).chain(rest).collect::<Vec<_>>());
            (Just(columns), proptest::collection::vec(row, 0..12), Just(dialect))
        })
        .prop_map(|(columns, rows, (delimiter, quote, line_end, last_end))| {
            let mut names: Vec<(String, bool)> = (1..columns).map(|n| (format!("C{n}"), false)).collect();
            names.insert(0, ("PIN".to_owned(), false));
            let lines: Vec<String> =
                std::iter::once(&names).chain(&rows).map(|row| line(row, delimiter, quote)).collect();
            let mut text = lines.join(line_end);
            if last_end {
                text.push_str(line_end);
            }
            let rows = rows.into_iter().map(|row| row.into_iter().map(|(text, _)| text).collect()).collect();
            Written { rows, text, delimiter, quote }
        })
}

fn line(row: &[(String, bool)], delimiter: char, quote: char) -> String {
    let fields: Vec<String> = row
        .iter()
        .map(|(text, quoted)| {
            if *quoted || text.contains([delimiter, quote, '\n', '\r']) {
                format!("{quote}{}{quote}", text.replace(quote, &format!("{quote}{quote}")))
            } else {
                text.clone()
            }
        })
        .collect();
    fields.join(&delimiter.to_string())
}

/// The rows as our reader has them: each found by its byte range, its fields as they stand.
fn ours(file: &Written) -> Vec<Vec<String>> {
    let delimiter = if file.delimiter == '\t' { "\\t".to_owned() } else { file.delimiter.to_string() };
    let quote = if file.quote == '"' { "\\\"".to_owned() } else { file.quote.to_string() };
    let layout = layout(&format!(
        "[file]\ndelimiter = \"{delimiter}\"\nquote = \"{quote}\"\nrow_lines_max = 1000\n[parcel]\ncolumns = [\"PIN\"]\n"
    ));
    let bytes = file.text.as_bytes();
    let mut reader = RollReader::new(bytes, &layout).unwrap();
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row().unwrap() {
        rows.push(row);
    }
    let header = reader.header();
    account(bytes, header, &rows);
    let head = &bytes[..(header.byte_start + header.byte_length) as usize];
    let fields = |row: &Row| {
        let Row::Entry(entry) = row else { panic!("{row:?} of {file:?}") };
        let start = entry.byte_start as usize;
        let fields = published_row(&layout, head, &bytes[start..start + entry.byte_length as usize]).unwrap();
        fields.into_iter().map(|field| field.value).collect()
    };
    rows.iter().map(fields).collect()
}

fn of_the_csv_crate(file: &Written) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(file.delimiter as u8)
        .quote(file.quote as u8)
        .from_reader(file.text.as_bytes());
    reader.records().map(|record| record.unwrap().iter().map(str::to_owned).collect()).collect()
}

/// All files through one process of Python.
fn of_python(files: &[Written]) -> Vec<Vec<Vec<String>>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let mut python = Command::new(crossfoot_testbed::python())
        .arg(root.join("tests/oracle/csv_fields.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = python.stdin.take().unwrap();
    let lines: String = files
        .iter()
        .map(|file| {
            json!({"text": file.text, "delimiter": file.delimiter.to_string(), "quote": file.quote.to_string()}).to_string() + "\n"
        })
        .collect();
    let writer = std::thread::spawn(move || input.write_all(lines.as_bytes()).unwrap());
    let output = python.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap().lines().map(rows_of).collect()
}

/// The rows behind the header.
fn rows_of(line: &str) -> Vec<Vec<String>> {
    let rows: Vec<Value> = serde_json::from_str(line).unwrap();
    rows.into_iter().skip(1).map(|row| serde_json::from_value(row).unwrap()).collect()
}

#[test]
fn well_formed_files_are_read_as_python_and_the_csv_crate_read_them() {
    let mut runner = TestRunner::new(Config::default());
    let strategy = written();
    let files: Vec<Written> = (0..FILES).map(|_| strategy.new_tree(&mut runner).unwrap().current()).collect();
    let pythons = of_python(&files);
    assert_eq!(pythons.len(), files.len());
    let mut rows = 0;
    for (file, python) in files.iter().zip(&pythons) {
        let ours = ours(file);
        assert_eq!(ours, file.rows, "what was written: {file:?}");
        assert_eq!(&ours, python, "Python: {file:?}");
        assert_eq!(ours, of_the_csv_crate(file), "the csv crate: {file:?}");
        rows += ours.len();
    }
    assert!(rows > FILES, "{rows}");
}

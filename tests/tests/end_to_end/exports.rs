//! Exports: the same rows in both forms, and no cell that a spreadsheet would compute.

use std::fs;
use std::process::Stdio;

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::town::{HEADER, house, row};

/// Names that a spreadsheet would take for formulas, or that CSV must quote.
const NAMES: [&str; 9] = [
    "=HYPERLINK(\"http://example.org\")",
    "+1-555-0100",
    "-12 walls",
    "@SUM(A1)",
    "\tindented",
    "a \"quoted\", name",
    "two\nlines",
    "plain",
    "Pe\u{f1}\u{f3}n 7\u{bd}",
];

fn with_names(place: &Installation) {
    let houses: Vec<Value> = (1..)
        .zip(NAMES)
        .map(|(n, name)| {
            let mut house = house(n, 1500.0);
            house["reference"] = json!(name);
            house["address"] = Value::Null;
            house.as_object_mut().unwrap().remove("address");
            house
        })
        .collect();
    place.take_houses(Value::from(houses).to_string()).code(0).says("9 new");
    let rows: Vec<String> = (1..NAMES.len()).map(|n| row(n, "1000")).collect();
    place.take_roll(format!("{HEADER}\n{}\n=1+1,=2,1000,200000,1950,R\n", rows.join("\n"))).code(0);
    place.reconcile().code(0).says("8 findings opened");
}

/// A value as it must stand in a cell of CSV.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => {
            let computed = text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err();
            if computed { format!("'{text}") } else { text.clone() }
        }
        Value::Bool(_) | Value::Number(_) | Value::Array(_) | Value::Object(_) => value.to_string(),
    }
}

/// What NDJSON carries beyond CSV: a list has no place in a flat table.
const NESTED: &str = "recorded";

/// Reads both forms of an export and holds the one against the other; gives the objects.
fn both_forms(place: &Installation, arguments: &[&str]) -> Vec<Value> {
    let run = |form| place.run(&[arguments, &["--format", form]].concat()).code(0);
    let (text, objects) = (run("csv").out, run("ndjson").json_lines());
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let heads: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows: Vec<csv::StringRecord> = reader.into_records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), objects.len());
    for (row, object) in rows.iter().zip(&objects) {
        let mut object = object.as_object().unwrap().clone();
        object.shift_remove(NESTED);
        assert_eq!(object.keys().collect::<Vec<_>>(), heads.iter().collect::<Vec<_>>());
        let expected: Vec<String> = object.values().map(cell).collect();
        assert_eq!(row.iter().collect::<Vec<_>>(), expected);
    }
    assert!(text.ends_with("\r\n"));
    assert_eq!(lone_line_ends(&text), 0, "every row ends with CRLF");
    objects
}

/// Line ends outside quotes that are not CRLF.
fn lone_line_ends(text: &str) -> usize {
    let (mut quoted, mut lone, mut before) = (false, 0, ' ');
    for letter in text.chars() {
        match letter {
            '"' => quoted = !quoted,
            '\n' if !quoted && before != '\r' => lone += 1,
            _ => {}
        }
        before = letter;
    }
    lone
}

fn both_forms_of_an_export_say_the_same(place: &Installation) {
    with_names(place);
    let judged = both_forms(place, &["export", "judgements"]);
    let mut references: Vec<&str> = judged.iter().map(|row| row["reference"].as_str().unwrap()).collect();
    references.sort_unstable();
    // blanks around a reference are no part of it
    let mut names = NAMES.map(str::trim);
    names.sort_unstable();
    assert_eq!(references, names);
    let findings = both_forms(place, &["export", "findings"]);
    assert_eq!(findings.len(), 8);
    assert!(findings.iter().all(|finding| finding[NESTED].as_array().unwrap().len() == 6), "{}", findings[0]);
    // one row a value of the eight pairs that have a record
    assert_eq!(both_forms(place, &["export", "records"]).len(), 8 * 6);
    let rejects = both_forms(place, &["export", "rejects", "--source", "town-roll"]);
    assert_eq!((rejects.len(), &rejects[0]["reason"]), (1, &json!("bad_parcel")));
}

fn cells_that_a_spreadsheet_would_compute_are_marked(place: &Installation) {
    with_names(place);
    let text = place.run(&["export", "findings"]).code(0).out;
    for name in ["'=HYPERLINK(", "'+1-555-0100", "'-12 walls", "'@SUM(A1)"] {
        assert!(text.contains(name), "{name}\n{text}");
    }
    // negative figures and money stay numbers
    let records = csv::Reader::from_reader(text.as_bytes()).into_records();
    let all = records.flat_map(|row| row.unwrap().iter().map(str::to_owned).collect::<Vec<_>>());
    let marked: Vec<String> = all.filter(|cell| cell.starts_with('\'')).collect();
    assert_eq!(marked.len(), 4, "{marked:?}");
    // the table of the queue shows no control characters
    assert!(!place.run(&["queue"]).code(0).out.contains('\t'));
}

fn an_export_goes_to_a_file_and_of_one_source(place: &Installation) {
    place.settled();
    let path = place.folder().join("findings.csv");
    let all = place.run(&["export", "findings"]).code(0).out;
    let to_file = ["export", "findings", "--out", path.to_str().unwrap()];
    assert_eq!(place.run(&to_file).code(0).out, "");
    assert_eq!(fs::read_to_string(path).unwrap(), all);
    assert_eq!(place.run(&["export", "findings", "--source", "town-roll"]).code(0).out, all);
    place.run(&["export", "findings", "--source", "elsewhere"]).code(3).complains("no source elsewhere");
    place.run(&["export", "rejects", "--source", "elsewhere"]).code(3).complains("no source elsewhere");
    place.run(&["export", "everything"]).code(2);
}

fn a_reader_that_goes_away_is_no_failure(place: &Installation) {
    place.settled();
    for arguments in [&["export", "judgements"][..], &["queue", "--json"], &["explain", "T-01"]] {
        let mut command = place.command("crossfoot");
        let mut child =
            command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        let ended = child.wait_with_output().unwrap();
        assert_eq!((ended.status.code(), ended.stderr.as_slice()), (Some(0), &b""[..]), "{arguments:?}");
    }
}

on_both_databases!(
    a_reader_that_goes_away_is_no_failure,
    an_export_goes_to_a_file_and_of_one_source,
    both_forms_of_an_export_say_the_same,
    cells_that_a_spreadsheet_would_compute_are_marked,
);

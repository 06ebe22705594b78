//! A look at files by the built program, against what Python's codecs, csv.Sniffer and pandas say of them
//! (`tests/oracle/look.py`); and that a look leaves nothing behind.

use std::fs;
use std::process::Command;

use crossfoot_testbed::{python, repository};
use serde_json::Value;

use crate::installation::{Ended, Installation};

const DELIMITERS: [(&str, &str); 4] = [("comma", ","), ("tab", "\t"), ("pipe", "|"), ("semicolon", ";")];

fn look(place: &Installation, path: &str) -> Value {
    serde_json::from_str(&place.run(&["import", "look", path, "--json"]).code(0).out).unwrap()
}

#[test]
fn what_is_found_out_is_what_other_code_finds_out() {
    let place = Installation::on_sqlite();
    let script = repository().join("tests/oracle/look.py");
    Ended::of(Command::new(python()).arg(script).arg(place.folder())).code(0);
    let expected: Value =
        serde_json::from_str(&fs::read_to_string(place.folder().join("expected.json")).unwrap()).unwrap();
    let (mut sniffed_otherwise, mut columns) = (Vec::new(), 0);
    for file in expected.as_array().unwrap() {
        let name = file["name"].as_str().unwrap();
        let found = look(&place, place.folder().join(name).to_str().unwrap());
        assert_eq!(found["encoding"]["name"], file["encoding"], "{name}: {}", found["encoding"]);
        let separation = found["shape"]["separation"].as_str().unwrap();
        let delimiter = DELIMITERS.iter().find(|(word, _)| *word == separation).unwrap().1;
        assert_eq!(delimiter, file["delimiter"], "{name}");
        assert_eq!(found["header"]["present"], file["header"], "{name}: {}", found["header"]);
        if file["sniffed_delimiter"] != file["delimiter"] || file["sniffed_header"] != file["header"] {
            sniffed_otherwise.push(name);
        }
        assert_eq!(found["rows"]["counted"], 600, "{name}");
        for column in file["columns"].as_array().into_iter().flatten() {
            let ours = found["columns"]
                .as_array()
                .unwrap()
                .iter()
                .find(|ours| ours["name"] == column["name"])
                .unwrap();
            for figure in column.as_object().unwrap().keys() {
                let (ours, theirs) = (&ours[figure], &column[figure]);
                assert_eq!(ours.as_f64(), theirs.as_f64(), "{name}: {figure} of {}", column["name"]);
            }
            columns += 1;
        }
    }
    assert_eq!(columns, 49);
    // where csv.Sniffer is wrong we are not held to it; nearly everywhere it agrees
    assert!(sniffed_otherwise.len() <= 3, "{sniffed_otherwise:?}");
}

/// `pandas.read_fwf` infers columns from blanks that all rows have, as the draft does; each value must be the same.
#[test]
fn fixed_places_hold_what_pandas_reads_in_them() {
    let place = Installation::on_sqlite();
    let script = repository().join("tests/oracle/look.py");
    Ended::of(Command::new(python()).arg(script).arg(place.folder())).code(0);
    let file = place.folder().join("fixed.txt");
    let found = look(&place, file.to_str().unwrap());
    assert_eq!(found["shape"]["separation"], "fixed_width");
    let layout: toml::Table = found["proposal"]["layout"].as_str().unwrap().parse().unwrap();
    let table = &layout["table"][0];
    let text = fs::read_to_string(&file).unwrap();
    let ours: Vec<Vec<&str>> = table["fixed"]
        .as_array()
        .unwrap()
        .iter()
        .map(|field| {
            let at = |key: &str| usize::try_from(field[key].as_integer().unwrap()).unwrap();
            text.lines().map(|line| line[at("from") - 1..at("to")].trim()).collect()
        })
        .collect();
    let theirs = fs::read_to_string(place.folder().join("fixed.txt.json")).unwrap();
    let theirs: Vec<Vec<String>> = serde_json::from_str(&theirs).unwrap();
    assert_eq!(ours, theirs);
    // the draft imports, and what no name says is not claimed
    let draft = place.file("draft.toml", found["proposal"]["layout"].as_str().unwrap());
    place.run(&["import", "roll", file.to_str().unwrap(), "--layout", &draft]).code(0).says("rows read");
    assert_eq!(found["proposal"]["reading"]["entries"], 600);
    let no_header = look(&place, place.folder().join("no-header.csv").to_str().unwrap());
    assert_eq!(no_header["proposal"]["reading"]["entries"], 600, "{}", no_header["notes"]);
    assert_eq!(no_header["proposal"]["parts"][0]["columns"][0], "column 1");
}

#[test]
fn a_file_never_seen_is_imported_by_what_is_proposed_for_it() {
    let place = Installation::on_sqlite();
    let roll = repository().join("fixtures/demo/treasurer.csv");
    let roll = roll.to_str().unwrap();
    let layout = place.folder().join("new-layout.toml");
    let layout = layout.to_str().unwrap();
    let told = place.run(&["import", "--look", roll, "--propose", layout]).code(0);
    let told = told.says("windows-1252").says("semicolon").says("Living sq ft").says("nothing is stored");
    assert!(!place.folder().join("data").exists(), "a look makes no installation");
    let wide: Vec<&str> = told.out.lines().filter(|line| line.chars().count() > 100).collect();
    assert!(wide.is_empty(), "{wide:?}");
    // what is there is never overwritten
    let before = fs::read(layout).unwrap();
    place.run(&["import", "look", roll, "--propose", layout]).code(3).complains("is left as it is");
    assert_eq!(fs::read(layout).unwrap(), before);
    place.run(&["import", "roll", roll, "--layout", layout]).code(0).says("rows read");
    // now its layout is known
    let again = look(&place, roll);
    assert_eq!(again["layouts"][0]["id"], "treasurer", "{}", again["layouts"]);
    assert_eq!(again["layouts"][0]["columns_present"], again["layouts"][0]["columns"]);
}

#[test]
fn what_cannot_be_looked_at_is_refused_with_the_mend() {
    let place = Installation::on_sqlite();
    place.run(&["import", "look", "nowhere.csv"]).code(3);
    place.run(&["import", "look", &place.file("empty.csv", "")]).code(3).complains("is empty");
    place
        .run(&["import", "look", &place.file("roll.zip", b"PK\x03\x04rest")])
        .code(3)
        .complains("fetch the file again");
    place.run(&["import", "--whole"]).code(2).complains("--look FILE");
    let roll = place.file("roll.csv", "PARCEL,LIVING_AREA\n001,900\n");
    place
        .run(&["import", "look", &roll, "--layout", &place.file("bad.toml", "id = 1")])
        .code(3)
        .complains("layout, line 1");
}

//! Rolls that come packed, in UTF-16 or as a workbook: the same records, findings and rows as published, whatever they
//! came in; the hash stays that of the file received.

use std::path::{Path, PathBuf};
use std::process::Command;

use crossfoot_testbed::{python, repository};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::installation::{Installation, Tables, same};
use crate::town::{HEADER, LAYOUT, houses, roll, row};

/// The roll in every form, in a folder of the installation.
fn packed(place: &Installation) -> PathBuf {
    let plain = place.file("plain.csv", roll(&[Some(1490), Some(1200), Some(900)]));
    let folder = place.folder().join("packed");
    let mut pack = Command::new(python());
    pack.arg(repository().join("tests/oracle/pack.py")).arg(place.folder().join(plain)).arg(&folder);
    assert!(pack.status().unwrap().success());
    folder
}

/// Takes in one form and demands what the plain file would give.
fn comes_to_the_same(place: &Installation, file: &str, within: &str) {
    let folder = packed(place);
    let (path, layout) = (folder.join(file), place.file("layout.toml", LAYOUT));
    let took = place.run(&["import", "roll", path.to_str().unwrap(), "--layout", &layout]).code(0);
    took.says("edition 1, 3 rows read, 3 records").says("0 in quarantine");
    place.take_houses(houses(&[1000.0, 1200.0, 900.0])).code(0);
    place.reconcile().code(0).says("3 pairs judged").says("1 findings opened");
    // again is the same edition, by the bytes received
    place.run(&["import", "roll", path.to_str().unwrap(), "--layout", &layout]).code(0).says("nothing to do");
    std::fs::create_dir(place.folder().join("packets")).unwrap();
    place.run(&["packet", "T-01", "--out", "packets"]).code(0);
    let packet = place.folder().join("packets/packet_t-01_town-roll.zip");
    place.run(&["verify", packet.to_str().unwrap()]).code(0).says("verifies");
    let finding = finding(&packet);
    let file_told = &finding["source"]["file"];
    let hash = hex::encode(Sha256::digest(std::fs::read(&path).unwrap()));
    assert_eq!(file_told["sha256"], Value::from(hash));
    assert_eq!(file_told["name"], Value::from(within));
    assert_eq!(file_told["line"], 2);
    let fields: Vec<(&str, &str)> = finding["record"]["fields"]
        .as_array()
        .unwrap()
        .iter()
        .map(|field| (field["header"].as_str().unwrap(), field["value"].as_str().unwrap()))
        .collect();
    let row = row(1, "1490");
    assert_eq!(fields, HEADER.split(',').zip(row.split(',')).collect::<Vec<_>>());
}

/// `finding.json` of a packet.
pub(crate) fn finding(packet: &Path) -> Value {
    let mut archive = zip::ZipArchive::new(std::fs::File::open(packet).unwrap()).unwrap();
    let at =
        (0..archive.len()).find(|at| archive.name_for_index(*at).unwrap().unwrap().ends_with("finding.json"));
    serde_json::from_reader(archive.by_index(at.unwrap()).unwrap()).unwrap()
}

fn a_gzip_file_is_unpacked(place: &Installation) {
    comes_to_the_same(place, "roll.csv.gz", "roll.csv.gz, lines and bytes as unpacked");
    comes_to_the_same(&place.another(), "members.csv.gz", "members.csv.gz, lines and bytes as unpacked");
}

fn a_zip_archive_is_unpacked(place: &Installation) {
    let name = "2026/roll.csv in roll.zip, lines and bytes as unpacked";
    comes_to_the_same(place, "roll.zip", name);
}

fn text_in_utf_16_is_read(place: &Installation) {
    comes_to_the_same(place, "utf16.csv", "utf16.csv, lines and bytes as unpacked");
    comes_to_the_same(&place.another(), "utf16.zip", "roll.csv in utf16.zip, lines and bytes as unpacked");
}

fn a_sheet_of_a_workbook_is_read(place: &Installation) {
    comes_to_the_same(place, "roll.xlsx", "Roll in roll.xlsx, lines and bytes as unpacked");
}

fn a_workbook_that_lost_zeros_is_refused_and_changes_nothing(place: &Installation) {
    refused(place, "numbers.xlsx", &["3 of 3 parcel numbers", "have lost leading zeros", "A2, holds 1"]);
}

fn a_gzip_file_that_ends_in_the_middle_is_refused_and_changes_nothing(place: &Installation) {
    refused(place, "cut.csv.gz", &["the gzip data end in the middle", "fetch it again"]);
}

fn refused(place: &Installation, file: &str, words: &[&str]) {
    place.settled();
    let path = packed(place).join(file);
    let (reading, tables) = (place.reading(), records(place));
    let mut run = place.run(&["import", "roll", path.to_str().unwrap(), "--layout", "layout.toml"]).code(3);
    for words in words {
        run = run.complains(words);
    }
    same(&records(place), &tables);
    assert_eq!(place.reading(), reading);
    // and the next one is taken
    place.take_roll(roll(&[Some(1490), Some(1200), Some(900)])).code(0).says("3 rows read, 3 records");
}

/// All tables but those in which a refused edition is noted and told.
fn records(place: &Installation) -> Tables {
    let mut tables = place.tables();
    tables.retain(|name, _| !["edition", "edition_file", "notice"].contains(&name.as_str()));
    tables
}

on_both_databases!(
    a_gzip_file_is_unpacked,
    a_gzip_file_that_ends_in_the_middle_is_refused_and_changes_nothing,
    a_sheet_of_a_workbook_is_read,
    a_workbook_that_lost_zeros_is_refused_and_changes_nothing,
    a_zip_archive_is_unpacked,
    text_in_utf_16_is_read,
);

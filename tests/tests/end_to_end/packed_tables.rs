//! Rolls of several tables whose files are packed: the same records, values and rows as from the loose files, and packets
//! that read their rows again.

use std::path::PathBuf;

use crossfoot_testbed::repository;
use serde_json::{Value, json};

use crate::installation::{Installation, script_output};
use crate::town::house;

pub(crate) const LAYOUT: &str = "us-tx-201-harris";

/// Packs the tables of a folder with Python's gzip, zipfile and codecs.
const PACK: &str = r#"
import gzip, pathlib, sys, zipfile
tables, out = sorted(pathlib.Path(sys.argv[1]).iterdir()), pathlib.Path(sys.argv[2])
for table in tables:
    text = table.read_bytes()
    (out / (table.name + ".gz")).write_bytes(gzip.compress(text))
    # named after nothing that the layout knows: the table is found by the name within
    with zipfile.ZipFile(out / ("Part of " + str(tables.index(table)) + ".zip"), "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("2025/Readme.txt", "The tables of the roll.\n")
        archive.writestr("2025/" + table.name, text)
    (out / ("utf16_" + table.name)).write_bytes(b"\xff\xfe" + text.decode("windows-1252").encode("utf-16-le"))
    (out / (table.name + ".cut.gz")).write_bytes(gzip.compress(text)[:-30])
with zipfile.ZipFile(out / "all.zip", "w", zipfile.ZIP_DEFLATED) as archive:
    archive.writestr("Readme.txt", "The tables of the roll.\n")
    for table in tables:
        archive.writestr("2025/" + table.name, table.read_bytes())
"#;

const TABLES: [&str; 3] = ["building_res.txt", "fixtures.txt", "real_acct.txt"];

pub(crate) fn packed(place: &Installation) -> PathBuf {
    let (folder, out) = (repository().join("fixtures/published").join(LAYOUT), place.folder().join("packed"));
    std::fs::create_dir_all(&out).unwrap();
    script_output(PACK, &[folder.into(), out.clone().into()]);
    out
}

/// The layout that ships with a basis, so that its records are judged.
pub(crate) fn judged_layout(place: &Installation) -> String {
    let layout = place.run(&["layouts", LAYOUT]).code(0).out;
    let basis = |line: &str| {
        if line.starts_with("basis = ") {
            "basis = \"finished-above-grade\"".to_owned()
        } else {
            line.to_owned()
        }
    };
    let layout: Vec<String> = layout.lines().map(basis).collect();
    place.file("layout.toml", layout.join("\n"))
}

pub(crate) fn import(place: &Installation, files: &[PathBuf]) -> Vec<String> {
    let mut arguments = vec!["import".to_owned(), "roll".to_owned()];
    arguments.extend(files.iter().map(|file| file.to_str().unwrap().to_owned()));
    arguments.extend(["--layout".to_owned(), judged_layout(place)]);
    arguments
}

/// What the office sees of the records and of the quarantine, without the names of the files.
pub(crate) fn seen(place: &Installation) -> Vec<Value> {
    let rows = ["records", "rejects", "judgements"].map(|what| {
        let mut command = vec!["export", what, "--format", "ndjson"];
        if what == "rejects" {
            command.extend(["--source", LAYOUT]);
        }
        place.run(&command).code(0).json_lines()
    });
    let mut rows: Vec<Value> = rows.into_iter().flatten().collect();
    for row in &mut rows {
        let row = row.as_object_mut().unwrap();
        for word in ["file", "edition", "property", "finding", "judged_at"] {
            row.remove(word);
        }
    }
    rows
}

pub(crate) fn taken(place: &Installation, files: &[PathBuf]) -> Vec<Value> {
    place
        .run(&import(place, files))
        .code(0)
        .says("60 rows read, 16 records")
        .says("1 rows repeated, 4 in quarantine");
    let houses: Vec<Value> = (2..=9)
        .map(|n| {
            let mut house = house(n, 3000.0);
            house["parcel"] = json!(format!("002144000000{n}"));
            house.as_object_mut().unwrap().remove("address");
            house
        })
        .collect();
    place.take_houses(Value::from(houses).to_string()).code(0);
    place.reconcile().code(0);
    seen(place)
}

/// The columns and the file of the packet on a house.
pub(crate) fn quoted(place: &Installation) -> (Value, String) {
    std::fs::create_dir_all(place.folder().join("packets")).unwrap();
    place.run(&["packet", "T-02", "--out", "packets"]).code(0);
    let packet = std::fs::read_dir(place.folder().join("packets"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.extension().is_some_and(|end| end == "zip"))
        .unwrap();
    place.run(&["verify", packet.to_str().unwrap()]).code(0).says("verifies");
    let finding = crate::packed::finding(&packet);
    let fields = finding["record"]["fields"].as_array().unwrap().iter();
    // a further row's columns begin with its file
    let plain = |header: &str| header.rsplit(": ").next().unwrap().to_owned();
    let fields =
        fields.map(|field| json!([plain(field["header"].as_str().unwrap()), field["value"]])).collect();
    let file = finding["source"]["file"]["name"].as_str().unwrap().to_owned();
    (json!([Value::Array(fields), finding["record"]["row_sha256"], finding["source"]["file"]["line"]]), file)
}

fn tables_packed_one_by_one_are_the_same_records(place: &Installation) {
    let fixture = repository().join("fixtures/published").join(LAYOUT);
    let loose = taken(place, &TABLES.map(|name| fixture.join(name)));
    let (row, file) = quoted(place);
    assert_eq!(file, "building_res.txt");
    for (forms, told) in [
        (TABLES.map(|name| format!("{name}.gz")), "building_res.txt.gz, lines and bytes as unpacked"),
        (
            [0, 1, 2].map(|at| format!("Part of {at}.zip")),
            "2025/building_res.txt in Part of 0.zip, lines and bytes as unpacked",
        ),
    ] {
        let place = place.another();
        let folder = packed(&place);
        let files = forms.map(|name| folder.join(name));
        assert_eq!(taken(&place, &files), loose);
        assert_eq!(quoted(&place), (row.clone(), told.to_owned()));
        place.run(&import(&place, &files)).code(0).says("nothing to do");
    }
}

/// One table packed, one in UTF-16 under the encoding of another, one as it is.
fn packed_and_loose_tables_go_together(place: &Installation) {
    let fixture = repository().join("fixtures/published").join(LAYOUT);
    let loose = taken(place, &TABLES.map(|name| fixture.join(name)));
    let other = place.another();
    let folder = packed(&other);
    let utf16 = folder.join("real_acct_utf16.txt");
    std::fs::rename(folder.join("utf16_real_acct.txt"), &utf16).unwrap();
    let files = [folder.join("building_res.txt.gz"), fixture.join("fixtures.txt"), utf16];
    assert_eq!(taken(&other, &files), loose);
}

fn what_cannot_be_unpacked_is_refused_and_nothing_is_written(place: &Installation) {
    let folder = packed(place);
    let with = |name: &str| {
        let files = [folder.join("building_res.txt.gz"), folder.join("fixtures.txt.gz"), folder.join(name)];
        place.run(&import(place, &files)).code(3)
    };
    with("real_acct.txt.cut.gz").complains("real_acct.txt.cut.gz: the gzip data end in the middle");
    with("Part of 1.zip").complains("no file for the table accounts (real_acct*)");
    with("all.zip").complains(
        "building_res.txt.gz and 2025/building_res.txt in all.zip are two texts of one name for the table buildings",
    );
    assert_eq!(place.sql("SELECT count(*) FROM edition WHERE state <> 'refused'"), ["0"]);
}

on_both_databases!(
    packed_and_loose_tables_go_together,
    tables_packed_one_by_one_are_the_same_records,
    what_cannot_be_unpacked_is_refused_and_nothing_is_written,
);

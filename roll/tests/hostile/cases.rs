//! The files of `fixtures/hostile`, one after the other.

use crate::account::layout;
use crate::outcome::outcome;

/// The layouts that the cases are read by.
fn tables(name: &str) -> &'static str {
    match name {
        "" => "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n",
        "note" => "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n[[keep]]\ncolumn = \"NOTE\"\n",
        "padded" => "[parcel]\ncolumns = [\"PIN\"]\npad_left = [7]\n[area]\ncolumn = \"SQFT\"\n",
        "pattern" => "[parcel]\ncolumns = [\"PIN\"]\npattern = \"^[0-9]{7}$\"\n[area]\ncolumn = \"SQFT\"\n",
        "use" => {
            "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\nzero = \"reject\"\nblank = \"reject\"\n[class]\n\
             column = \"USE\"\nvacant = [\"V\"]\n"
        }
        "year" => {
            "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n[year_built]\ncolumn = \"YR\"\nnull = [\"0\", \"9999\"]\n"
        }
        "nulls" => {
            "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\nnull = [\"NULL\", \"N/A\", \"-\", \"\\\\N\"]\n"
        }
        "windows" => {
            "[file]\nencoding = \"windows-1252\"\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n[[keep]]\n\
             column = \"NOTE\"\n"
        }
        "inches" => {
            "[file]\ndelimiter = \"\\t\"\nquote = \"\"\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n\
             [[keep]]\ncolumn = \"NOTE\"\n"
        }
        "within" => "[file]\nwithin = \"*.csv\"\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n",
        "roll" => "[file]\nwithin = \"roll\"\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n",
        other => panic!("no tables {other:?}"),
    }
}

include!("table.rs");

#[test]
fn each_file_comes_to_what_the_table_says() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/hostile/");
    let mut faults = Vec::new();
    for (file, tables_of, expected, words) in CASES {
        let bytes = std::fs::read(format!("{folder}{file}")).unwrap();
        let found = outcome(&bytes, &layout(tables(tables_of)));
        if found.told != *expected || words.iter().any(|word| !found.details.concat().contains(word)) {
            faults.push(format!("({file:?}, {tables_of:?}, &{:?}, &{:?}),", found.told, found.details));
        }
    }
    assert!(faults.is_empty(), "{} of {}:\n{}", faults.len(), CASES.len(), faults.join("\n"));
}

#[test]
fn every_file_has_a_case() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/hostile/");
    let known = |name: &str| {
        CASES.iter().any(|(file, ..)| *file == name) || ["roll.csv", "layout.toml"].contains(&name)
    };
    let mut files = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(known(&name), "{name}: nobody says what becomes of it");
        files += 1;
    }
    assert!(files >= 100, "{files}");
}

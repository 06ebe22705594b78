//! A roll of several files, by a layout that comes with the program: buildings, parts of buildings and fixtures are put
//! together, told apart and judged, on both databases.

use std::fs;

use crossfoot_testbed::repository;
use serde_json::{Value, json};

use crate::installation::{Ended, Installation, script_output};
use crate::town::house;

fn files(id: &str) -> Vec<String> {
    let folder = repository().join("fixtures/published").join(id);
    let mut files: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path().to_str().unwrap().to_owned())
        .collect();
    files.sort();
    files
}

/// What came of the rows is what `tests/oracle/published_read.py` counts, and the same files again change nothing.
fn a_shipped_layout_is_named_by_its_id(place: &Installation) {
    let files = files("us-tx-201-harris");
    let mut arguments: Vec<&str> = vec!["import", "roll"];
    arguments.extend(files.iter().map(String::as_str));
    arguments.extend(["--layout", "us-tx-201-harris"]);
    place
        .run(&arguments)
        .code(0)
        .says("60 rows read, 16 records (16 new, 0 changed, 0 unchanged, 0 gone), 1 rows repeated, 4 in quarantine")
        .says("3 orphan row")
        .says("1 thousands separator");
    place.run(&arguments).code(0).says("nothing to do");
    place.run(&["layouts"]).code(0).says("us-tx-201-harris").says("building_res*");
    place.run(&["layouts", "us-tx-201-harris"]).code(0).says("grain = \"extension\"");
    place.run(&["layouts", "nowhere"]).code(3).complains("crossfoot layouts lists them");
    let alone = ["import", "roll", files[0].as_str(), "--layout", "us-tx-201-harris"];
    place
        .run(&alone)
        .code(3)
        .complains("no file for the table accounts (real_acct*): hand all files of the edition in together");
}

const LAYOUT: &str = "us-tx-201-harris";

/// Takes the files of Harris County in, some of them changed.
fn take(place: &Installation, change: impl Fn(&str, String) -> String) {
    let mut arguments = vec!["import".to_owned(), "roll".to_owned()];
    for path in files(LAYOUT) {
        let name = path.rsplit('/').next().unwrap();
        arguments.push(place.file(name, change(name, fs::read_to_string(&path).unwrap())));
    }
    arguments.extend(["--layout".to_owned(), LAYOUT.to_owned()]);
    place.run(&arguments).code(0);
}

/// Values of buildings and fixtures that a later edition has otherwise are told by building and heading, by command, in
/// the export, and not where only a line moved.
fn the_history_of_a_record_says_which_values_of_its_buildings_changed(place: &Installation) {
    take(place, |_, text| text);
    take(place, |name, text| match name {
        "building_res.txt" => text.replace("\t1425\t1725\t1425\t", "\t1425\t1725\t1500\t"),
        // other lines, and one house has a storey more
        "fixtures.txt" => {
            let other = text.replace(
                "0021440000003\t1\tSTY\tStory Height Index\t1.00",
                "0021440000003\t1\tSTY\tStory Height Index\t2.00",
            );
            let mut lines: Vec<&str> = other.lines().collect();
            lines.reverse();
            lines.join("\n") + "\n"
        }
        _ => text,
    });
    let history = |parcel: &str| place.run(&["edition", "history", LAYOUT, parcel]).code(0);
    let grown = history("0021440000002");
    grown
        .says("area_sqft: 1425.00 \u{2192} 1500.00")
        .says("building 1: heated area: 1425 sq ft \u{2192} 1500 sq ft");
    history("0021440000003").says("building 1: storeys: 1 \u{2192} 2");
    let changes =
        place.run(&["export", "changes", "--source", LAYOUT, "--format", "ndjson"]).code(0).json_lines();
    let told: Vec<String> = changes
        .iter()
        .map(|row| format!("{} {} {} {}", row["parcel_key"], row["field"], row["from"], row["to"]))
        .collect();
    assert_eq!(
        told,
        [
            r#""0021440000002" "area_sqft" "1425.00" "1500.00""#,
            r#""0021440000002" "building 1: heated area" "1425 sq ft" "1500 sq ft""#,
            r#""0021440000003" "building 1: storeys" "1" "2""#,
        ]
    );
    let unchanged = history("0021440000005").out;
    assert_eq!(unchanged.lines().count(), 1, "{unchanged}");
}

/// Reads each exported value again where it says that it stands, with Python's csv module and tomllib (the columns are
/// those of the layout's text), and prints how many were the same; figures by their number.
const READ_AGAIN: &str = r#"
import csv, decimal, json, sys, tomllib
layout = tomllib.loads(open(sys.argv[1]).read())
columns = {table["name"]: table["columns"] for table in layout["table"]}
codes = {
    (table["name"], field["name"]): field["from"]["lookup"]
    for table in layout["table"] for field in table["field"] if "lookup" in field["from"]
}
compared = 0
for text in open(sys.argv[2]):
    row = json.loads(text)
    # a sum or a choice of several rows or columns has no one place
    if not row["table"] or " " in row["lines"] or ", " in row["column"]:
        continue
    with open(sys.argv[3] + "/" + row["file"], encoding="windows-1252", newline="") as file:
        rows = list(csv.reader(file, delimiter="	", quoting=csv.QUOTE_NONE))
    cells = rows[int(row["lines"]) - 1]
    cell = cells[columns[row["table"]].index(row["column"])].strip()
    cell = codes.get((row["table"], row["name"]), {}).get(cell, cell)
    try:
        same = decimal.Decimal(cell) == decimal.Decimal(row["value"])
    except decimal.InvalidOperation:
        same = cell == row["value"] or row["name"] == "reviewed_on"
    assert cells[0].strip() == row["parcel_key"] and same, (row, cell)
    compared += 1
print(compared)
"#;

fn exported_values_stand_in_the_files_where_they_say(place: &Installation) {
    take(place, |_, text| text);
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
    let export = place.run(&["export", "records", "--format", "ndjson"]).code(0);
    let values = export.json_lines();
    assert!(
        values.iter().any(|value| value["building"] == "1" && value["name"] == "heated_area"),
        "{values:?}"
    );
    assert!(values.iter().any(|value| value["table"] == "fixtures"), "{values:?}");
    let layout = place.file("layout.toml", place.run(&["layouts", LAYOUT]).code(0).out);
    let exported = place.file("records.ndjson", &export.out);
    let arguments = [layout, exported, place.folder().to_str().unwrap().to_owned()].map(Into::into);
    let compared: usize = script_output(READ_AGAIN, &arguments).trim().parse().unwrap();
    assert!(compared > 50, "only {compared} values of {} were read again", values.len());
}

/// Counts with pandas the buildings whose parts do not come to the total, and prints their lines.
const FAILING: &str = r#"
import sys, pandas
table = pandas.read_csv(sys.argv[1], dtype=str, encoding="windows-1252")
parts = ["SqFt1stFloor", "SqFtHalfFloor", "SqFt2ndFloor", "SqFtUpperFloor", "SqFtFinBasement"]
figures = table[["SqFtTotLiving", *parts]].apply(pandas.to_numeric, errors="coerce")
wrong = figures["SqFtTotLiving"] != figures[parts].sum(axis=1, skipna=False)
# the layout says that a total of 0 is none
stated = figures.notna().all(axis=1) & (figures["SqFtTotLiving"] > 0)
print(*[row + 2 for row in figures[wrong & stated].index])
"#;

/// A sum that the layout says its records keep is told with the row that pandas finds too, by its file and line.
fn sums_that_do_not_hold_are_told_with_their_rows(place: &Installation) {
    let files = files("us-wa-033-king");
    let buildings = files.iter().find(|file| file.ends_with("EXTR_ResBldg.csv")).unwrap();
    let failing = script_output(FAILING, &[buildings.into()]);
    let mut arguments: Vec<&str> = vec!["import", "roll"];
    arguments.extend(files.iter().map(String::as_str));
    arguments.extend(["--layout", "us-wa-033-king"]);
    place.run(&arguments).code(0);
    let rejects = ["export", "rejects", "--source", "us-wa-033-king", "--format", "ndjson"];
    let rejects = place.run(&rejects).code(0).json_lines();
    let aside = |line: &str| {
        rejects
            .iter()
            .any(|row| row["file"] == "EXTR_ResBldg.csv" && row["line"].as_u64() == line.parse().ok())
    };
    let failing: Vec<&str> = failing.split_whitespace().filter(|line| !aside(line)).collect();
    assert!(!failing.is_empty());
    let told = place.run(&["edition", "show", "us-wa-033-king", "1"]).code(0);
    let told = told.says(&format!("does not hold in {} of", failing.len()));
    let lines = told.out.matches(" of EXTR_ResBldg.csv: parcel ").count();
    assert_eq!(lines, failing.len(), "{}", told.out);
    for line in failing {
        assert!(told.out.contains(&format!("For example line {line} of EXTR_ResBldg.csv")), "{}", told.out);
    }
}

/// Files of three hundred parcels by the layout of Polk County, every tenth with two buildings: what is heated of a main
/// storey and of a garage, by parcel.
fn take_sub_areas(place: &Installation, garage: fn(usize) -> usize, heated: bool) -> Ended {
    let mut buildings = "PARCEL_ID,BLD_NUM,IMPR_TYPE,STYLE,STORIES,YEARBUILT,EFF_YEAR\n".to_owned();
    let mut parts = "PARCEL_ID,BLD_NUM,LN_NUM,SAR_CD,ACT_AR,HEAT_AR\n".to_owned();
    for parcel in 0..300 {
        let id = 232_812_000_000_000_000_usize + parcel;
        for building in 1..=if parcel % 10 == 0 { 2 } else { 1 } {
            let (base, garage) = (1_003 + parcel * 7 % 900, garage(parcel));
            let heated = if heated { garage } else { 0 };
            buildings += &format!("{id},{building},0100,SFR,1 STORY,1970,1990\n");
            parts +=
                &format!("{id},{building},1,BASE,{base},{base}\n{id},{building},2,UGR,{garage},{heated}\n");
        }
    }
    let (buildings, parts) = (place.file("FTP_BLD.txt", buildings), place.file("FTP_BLD_SAR.txt", parts));
    place.run(&["import", "roll", &buildings, &parts, "--layout", "us-fl-105-polk"])
}

/// Thousands of parcels of which the heated area, or the area under another heading, is another one at once are one event
/// for a person, not thousands of findings.
fn a_definition_that_changed_in_a_table_is_one_event(place: &Installation) {
    let usual = |parcel: usize| 300 + parcel * 13 % 200;
    take_sub_areas(place, usual, false).code(0).says("300 new");
    // a few garages were measured anew
    let anew = |parcel: usize| 300 + parcel * 13 % 200 + if parcel % 60 == 7 { parcel } else { 0 };
    take_sub_areas(place, anew, false).code(0).says("5 changed");
    let told = place.run(&["edition", "show", "us-fl-105-polk", "2"]).code(0);
    told.says("No record has another area than in edition 1.");
    let ended = take_sub_areas(place, anew, true).code(5);
    ended.says("300 of 300 records (100.0 %) changed at once, 300 of them by just the figure of garage area");
    place.run(&["edition", "refuse", "us-fl-105-polk", "3"]).code(0);
    let ended = take_sub_areas(place, |n| 344 + n * 13 % 200, false).code(5);
    ended
        .says("the areas under actual area of all sub-areas of 300 of 300 records (100.0 %) changed at once")
        .says("with those under garage area, sub area, 265 of them by +44 sq ft")
        .says("accept this edition where that is no part of the area that is compared");
    assert_eq!(
        place.sql("SELECT number, state FROM edition ORDER BY number"),
        ["1|past", "2|current", "3|refused", "4|held"]
    );
    place.run(&["edition", "accept", "us-fl-105-polk", "4"]).code(0);
    take_sub_areas(place, |n| 345 + n * 13 % 200, false).code(5).says("by +1 sq ft");
    place.run(&["edition", "limits", "us-fl-105-polk", "--alike-records", "301"]).code(0);
    take_sub_areas(place, |n| 346 + n * 13 % 200, false).code(0).says("300 changed");
}

on_both_databases!(
    a_definition_that_changed_in_a_table_is_one_event,
    sums_that_do_not_hold_are_told_with_their_rows,
    a_shipped_layout_is_named_by_its_id,
    exported_values_stand_in_the_files_where_they_say,
    the_history_of_a_record_says_which_values_of_its_buildings_changed,
);

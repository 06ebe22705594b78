//! What is taken from a drop folder, and what never is.

use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::Path;
use std::thread;
use std::time::Duration;

use crossfoot_testbed::repository;
use serde_json::Value;

use crate::installation::{Installation, script_output};
use crate::machine::{Machine, notices, source};
use crate::town::{LAYOUT, RULE, following, roll, row};

on_both_databases!(
    a_drop_folder_takes_whole_files_and_nothing_else,
    a_folder_that_is_gone_is_told_once,
    who_is_stopped_between_two_looks_leaves_the_schedule_due,
    an_archive_of_all_tables_is_taken_every_night,
    a_dropped_file_is_read_by_the_rule_of_its_jurisdiction,
);

/// Due every second.
const ALWAYS: &str = "* * * * * *";

fn drop_folder(place: &Installation) -> std::path::PathBuf {
    let (layout, folder) = (place.file("layout.toml", LAYOUT), place.folder().join("drop"));
    fs::create_dir(&folder).unwrap();
    let path = folder.to_str().unwrap();
    place.schedule(&["drop-folder", "--layout", &layout, "--folder", path, "--cron", ALWAYS]);
    folder
}

fn rows(report: &Value) -> Vec<i64> {
    let editions = source(report, "town-roll")["editions"].as_array().unwrap().iter();
    editions.filter(|e| e["state"] != "staged").map(|e| e["rows"].as_i64().unwrap()).collect()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn a_drop_folder_takes_whole_files_and_nothing_else(place: &Installation) {
    let folder = drop_folder(place);
    let outside = place.file("outside.csv", roll(&[Some(1)]));
    std::os::unix::fs::symlink(outside, folder.join("link.csv")).unwrap();
    fs::create_dir(folder.join("folder.csv")).unwrap();
    fs::write(folder.join(".hidden.csv"), roll(&[Some(2)])).unwrap();
    let whole = roll(&[Some(1100); 11]);
    fs::write(folder.join("renamed.csv.part"), &whole).unwrap();
    let worker = Machine::worker(place, "worker");

    // a file that keeps growing for longer than two looks take
    let mut growing = OpenOptions::new().create(true).append(true).open(folder.join("growing.csv")).unwrap();
    growing.write_all(roll(&[]).as_bytes()).unwrap();
    for n in 1..=12 {
        writeln!(growing, "{}", row(n, "1000")).unwrap();
        thread::sleep(Duration::from_millis(300));
    }
    drop(growing);
    let report = place.report_when(|report| !rows(report).is_empty());
    assert_eq!(rows(&report), [12]);

    fs::rename(folder.join("renamed.csv.part"), folder.join("renamed.csv")).unwrap();
    let report = place.report_when(|report| rows(report).len() == 2);
    assert_eq!(rows(&report), [12, 11]);

    fs::write(folder.join("again.csv"), &whole).unwrap();
    let report = place.report_when(|report| !notices(report, "edition_known").is_empty());
    let known = "again.csv: the same bytes are here already as edition 2 (current): nothing to do";
    assert_eq!((rows(&report), notices(&report, "edition_known")), (vec![12, 11], vec![known.to_owned()]));
    worker.end();

    assert_eq!(names(&folder), [".hidden.csv", "folder.csv", "link.csv", "taken"]);
    let taken = names(&folder.join("taken"));
    let ends: Vec<&str> = taken.iter().map(|name| name.split_once('-').unwrap().1).collect();
    assert_eq!(ends, ["growing.csv", "renamed.csv", "again.csv"]);
}

fn a_folder_that_is_gone_is_told_once(place: &Installation) {
    let folder = drop_folder(place);
    fs::remove_dir(&folder).unwrap();
    let worker = Machine::worker(place, "worker");
    let report = place.report_when(|report| report["schedules"][0]["failed"] == true);
    let first = report["schedules"][0]["last_at"].clone();
    place.report_when(|report| report["schedules"][0]["last_at"] != first);
    worker.end();
    let told = notices(&place.report(), "schedule_failed");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("cannot be read"), "{told:?}");
}

fn who_is_stopped_between_two_looks_leaves_the_schedule_due(place: &Installation) {
    let (layout, folder) = (place.file("layout.toml", LAYOUT), place.folder().join("drop"));
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("roll.csv"), roll(&[Some(1000)])).unwrap();
    let path = folder.to_str().unwrap();
    place.schedule(&["drop-folder", "--layout", &layout, "--folder", path, "--cron", "0 3 1 1 *"]);
    place.all_due();
    let due = place.report()["schedules"][0]["next_at"].clone();
    let worker = Machine::patient_worker(place, "patient");
    place.report_when(|report| report["schedules"][0]["next_at"] != due);
    worker.kill();
    // who dies leaves it due again within minutes, not next year
    let left = "SELECT (next_at - last_at) / 1000000 FROM schedule";
    let seconds: f64 = place.sql(left).concat().trim().parse().unwrap();
    assert!((240.0..=300.0).contains(&seconds), "{seconds}");
    place.all_due();
    let worker = Machine::patient_worker(place, "patient again");
    place.report_when(|report| report["schedules"][0]["next_at"] != due);
    worker.end();
    assert_eq!(place.report()["schedules"][0]["next_at"], due);
    assert!(folder.join("roll.csv").exists());
    let worker = Machine::worker(place, "worker");
    place.report_when(|report| rows(report) == [1]);
    worker.end();
}

/// Without the rule a file stays where it lies, and the report says why; once it is entered, the next look takes the file.
fn a_dropped_file_is_read_by_the_rule_of_its_jurisdiction(place: &Installation) {
    let (layout, folder) = (following("town-roll", "\"MAJOR\", \"MINOR\""), place.folder().join("drop"));
    let layout = place.file("layout.toml", layout);
    fs::create_dir(&folder).unwrap();
    let path = folder.to_str().unwrap();
    place.schedule(&["drop-folder", "--layout", &layout, "--folder", path, "--cron", ALWAYS]);
    let rows_of_two = "001600,0040,1 OAK ST,1000,200000,1950,R\n1600,50,2 OAK ST,1100,200000,1950,R\n";
    let whole = format!("MAJOR,MINOR,SITUS,AREA,VALUE,YEAR,CLASS\n{rows_of_two}");
    fs::write(folder.join("roll.csv"), &whole).unwrap();
    let worker = Machine::worker(place, "worker");
    let report = place.report_when(|report| !notices(report, "schedule_failed").is_empty());
    let told = notices(&report, "schedule_failed");
    assert!(told[0].contains("roll.csv: the layout town-roll follows the rule of XX-TOWN"), "{told:?}");
    assert!(told[0].contains("crossfoot jurisdiction rule FILE"), "{told:?}");
    assert_eq!(names(&folder), ["roll.csv"], "what cannot be read yet stays");
    place.take_rule(RULE).code(0);
    let report = place.report_when(|report| rows(report).len() == 1);
    assert_eq!(rows(&report), [2]);
    worker.end();
    assert_eq!(names(&folder), ["taken"]);
    assert_eq!(place.sql("SELECT number FROM edition WHERE layout LIKE '%jurisdiction@1%'"), ["1"]);
    place
        .run(&["edition", "history", "town-roll", "0016000050"])
        .code(0)
        .says("edition 1: new, 1100.00 sq ft");
}

/// Packs the tables of a folder; with a third argument one figure of the buildings is another one.
const ALL_TABLES: &str = "import pathlib, sys, zipfile\n\
    with zipfile.ZipFile(sys.argv[2], 'w') as archive:\n\
    \x20   for table in sorted(pathlib.Path(sys.argv[1]).iterdir(), reverse=len(sys.argv) > 3):\n\
    \x20       text = table.read_bytes()\n\
    \x20       if len(sys.argv) > 3:\n\
    \x20           text = text.replace(b'\\t1425\\t1725\\t1425\\t', b'\\t1625\\t1925\\t1625\\t')\n\
    \x20       archive.writestr(zipfile.ZipInfo(table.name), text)\n";

/// A roll whose publisher packs all tables into one file: every night one file, one edition; what lacks a table goes to
/// `refused/` with the reason.
fn an_archive_of_all_tables_is_taken_every_night(place: &Installation) {
    const ROLL: &str = "us-tx-201-harris";
    let tables = repository().join("fixtures/published").join(ROLL);
    let (folder, beside) = (place.folder().join("drop"), place.folder().join("beside"));
    fs::create_dir(&folder).unwrap();
    fs::create_dir(&beside).unwrap();
    place.schedule(&[
        "drop-folder",
        "--layout",
        ROLL,
        "--folder",
        folder.to_str().unwrap(),
        "--cron",
        ALWAYS,
    ]);
    let drop = |from: &Path, name: &str, more: &[&str]| {
        let packed = beside.join(name);
        let mut arguments = vec![from.as_os_str().to_owned(), packed.clone().into_os_string()];
        arguments.extend(more.iter().map(Into::into));
        script_output(ALL_TABLES, &arguments);
        fs::rename(packed, folder.join("roll.zip")).unwrap();
    };
    let worker = Machine::worker(place, "worker");
    let editions = |report: &Value, state: &str| {
        let all = source(report, ROLL)["editions"].as_array().cloned().unwrap_or_default();
        all.into_iter().filter(|edition| edition["state"] == state).collect::<Vec<_>>()
    };
    drop(&tables, "first.zip", &[]);
    let report = place.report_when(|report| editions(report, "current").len() == 1);
    let first = &editions(&report, "current")[0];
    assert_eq!((&first["rows"], &first["records"]), (&60.into(), &16.into()));
    drop(&tables, "second.zip", &["changed"]);
    let report = place.report_when(|report| editions(report, "past").len() == 1);
    let second = &editions(&report, "current")[0];
    assert_eq!((&second["records_changed"], &second["records_unchanged"]), (&1.into(), &15.into()));
    assert_eq!(second["files"], serde_json::json!(["roll.zip"]), "{second:#}");
    let some = place.folder().join("some");
    fs::create_dir(&some).unwrap();
    for name in ["building_res.txt", "fixtures.txt"] {
        fs::copy(tables.join(name), some.join(name)).unwrap();
    }
    drop(&some, "third.zip", &[]);
    place.report_when(|report| editions(report, "refused").len() == 1);
    let refused = folder.join("refused");
    let why = || {
        let all = fs::read_dir(&refused).into_iter().flatten().map(|entry| entry.unwrap().path());
        all.into_iter().find(|path| path.to_str().unwrap().ends_with("roll.zip.why.txt"))
    };
    place.report_when(|_| why().is_some());
    worker.end();
    let text = fs::read_to_string(why().unwrap()).unwrap();
    assert!(text.contains("no file for the table accounts (real_acct*)"), "{text}");
}

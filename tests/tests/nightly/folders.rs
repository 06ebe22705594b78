//! What is taken from a drop folder, and what never is.

use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::Path;
use std::thread;
use std::time::Duration;

use serde_json::Value;

use crate::installation::Installation;
use crate::machine::{Machine, notices, source};
use crate::town::{LAYOUT, roll, row};

on_both_databases!(
    a_drop_folder_takes_whole_files_and_nothing_else,
    a_folder_that_is_gone_is_told_once,
    who_is_stopped_between_two_looks_leaves_the_schedule_due,
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

//! Whole nights: who runs what, once, and what the report says of it.

use std::fs;

use serde_json::Value;

use crate::installation::Installation;
use crate::machine::{Machine, notices, runs_done, source};
use crate::town::{LAYOUT, houses, roll};

on_both_databases!(
    a_broken_file_keeps_no_other_source_waiting,
    what_was_missed_is_caught_up_once,
    of_two_workers_one_takes_a_schedule,
    a_run_that_is_held_is_told,
);

/// A time that does not come by itself while the test runs.
const NEW_YEAR: &str = "0 3 1 1 *";

/// Three houses; two sources agree with the first two of them, the third source's file is none of its layout.
fn a_broken_file_keeps_no_other_source_waiting(place: &Installation) {
    place.take_houses(houses(&[1500.0, 1200.0, 900.0])).code(0);
    let layout = place.file("layout.toml", LAYOUT);
    let good = roll(&[Some(1000), Some(1200), Some(900)]);
    let files = [("county", good.clone()), ("schools", "A,B\n1,2\n".to_owned()), ("town", good + "x,,,,,\n")];
    for (name, content) in &files {
        let folder = place.folder().join(name);
        fs::create_dir(&folder).unwrap();
        fs::write(folder.join("roll.csv"), content).unwrap();
        let folder = folder.to_str().unwrap();
        place.schedule(&[
            "drop-folder",
            "--source",
            name,
            "--layout",
            &layout,
            "--folder",
            folder,
            "--cron",
            NEW_YEAR,
        ]);
    }
    place.schedule(&["reconcile", "--cron", NEW_YEAR, "--time-zone", "America/Chicago"]);
    place.all_due();
    let worker = Machine::worker(place, "worker");
    let refused = place.folder().join("schools/refused");
    let report = place.report_when(|report| {
        let through = |id| runs_done(report, id) == 1;
        through("county")
            && through("town")
            && refused.is_dir()
            && report["schedules"]
                .as_array()
                .unwrap()
                .iter()
                .all(|schedule| schedule["last_at"].is_string() && schedule["last_result"] != "")
    });
    for (id, quarantined) in [("county", 0), ("town", 1)] {
        let (edition, run) = (&source(&report, id)["editions"][0], &source(&report, id)["runs"][0]);
        let counts =
            ["rows", "rows_quarantined", "records_new", "records_gone"].map(|name| edition[name].clone());
        assert_eq!(counts, [3 + quarantined, quarantined, 3, 0].map(Value::from), "{edition:#}");
        assert_eq!((&edition["state"], &edition["files"][0]), (&"current".into(), &"roll.csv".into()));
        // the first house has 1500 sq ft and 1000 on record; the two others agree
        assert_eq!((&run["judged"], &run["opened"], &run["held"]), (&3.into(), &1.into(), &false.into()));
        assert_eq!(fs::read_dir(place.folder().join(id).join("taken")).unwrap().count(), 1);
    }
    let broken = &source(&report, "schools")["editions"][0];
    assert_eq!(broken["state"], "refused");
    let why = broken["refusal"].as_str().unwrap();
    assert!(why.contains("PARCEL"), "{why}");
    assert_eq!(notices(&report, "edition").len(), 2);
    assert_eq!(notices(&report, "edition_refused").len(), 1);
    assert!(!place.folder().join("schools/roll.csv").exists());
    worker.end();
    let beside: Vec<_> = fs::read_dir(refused).unwrap().map(|entry| entry.unwrap().path()).collect();
    let text = beside.iter().find(|path| path.to_str().unwrap().ends_with("roll.csv.why.txt")).unwrap();
    assert!(fs::read_to_string(text).unwrap().contains(why));
    assert_eq!(beside.len(), 2, "{beside:?}");
    let last = place.run(&["report", "--last"]).code(0);
    last.says("edition 1 refused: ")
        .says("edition 1 (current): 4 rows, 1 in quarantine")
        .says("3 judged, 1 opened");
}

fn what_was_missed_is_caught_up_once(place: &Installation) {
    place.settled();
    place.schedule(&["reconcile", "--cron", "*/5 * * * *"]);
    place.all_due();
    let service = Machine::service(place, "service");
    // the run that opened the finding, and one of the thousands that were missed
    let report = place.report_when(|report| runs_done(report, "town-roll") == 2);
    let schedule = &report["schedules"][0];
    assert!(schedule["next_at"].as_str().unwrap() > report["until"].as_str().unwrap(), "{schedule:#}");
    assert_eq!(schedule["last_result"], "town-roll: a run is asked for");
    let log = service.end();
    assert_eq!(log.matches("is due").count(), 1, "{log}");
    assert_eq!(runs_done(&place.report(), "town-roll"), 2);
}

fn of_two_workers_one_takes_a_schedule(place: &Installation) {
    const SCHEDULES: usize = 8;
    place.settled();
    for minute in 0..SCHEDULES {
        place.schedule(&["reconcile", "--cron", &format!("{minute} 3 1 1 *")]);
    }
    let workers = [Machine::worker(place, "one"), Machine::worker(place, "two")];
    place.all_due();
    place.report_when(|report| {
        let mut schedules = report["schedules"].as_array().unwrap().iter();
        schedules.all(|schedule| schedule["last_result"] != "") && runs_done(report, "town-roll") > 1
    });
    let logs = workers.map(Machine::end).concat();
    assert_eq!(logs.matches("is due").count(), SCHEDULES, "{logs}");
}

/// Twelve houses as recorded, then a roll on which each of them is a third smaller: more than the brake lets pass.
fn a_run_that_is_held_is_told(place: &Installation) {
    place.take_houses(houses(&[1500.0; 12])).code(0);
    place.take_roll(roll(&[Some(1500); 12])).code(0);
    place.reconcile().code(0);
    place.take_roll(roll(&[Some(1000); 12])).code(0);
    let worker = Machine::worker(place, "worker");
    let report = place.report_when(|report| !notices(report, "run_held").is_empty());
    worker.end();
    let told = notices(&report, "run_held");
    assert!(told[0].contains("12 of 12 pairs"), "{told:?}");
    let runs = source(&report, "town-roll")["runs"].as_array().unwrap().clone();
    let held: Vec<&Value> = runs.iter().filter(|run| run["held"] == true).collect();
    assert_eq!((held.len(), &held[0]["opened"]), (1, &12.into()));
    place.run(&["report"]).code(0).says("held for a person; would be: 12 judged, 12 opened");
}

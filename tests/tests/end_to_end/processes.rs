//! Several processes on one installation: workers beside uploads, each pair judged exactly once.

use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::installation::{Ended, Installation, Tables, by_reference, same};
use crate::town::{LAYOUT, house, houses, roll};

const HOUSES: usize = 120;
const UPLOADS: usize = 4;
const PATIENCE: Duration = Duration::from_secs(60);

/// A worker that ends with the test.
struct Worker(Child);

impl Worker {
    fn start(place: &Installation) -> Self {
        let mut command = place.command("crossfoot-worker");
        Self(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap())
    }

    /// Asks it to end after the job at hand, and waits.
    fn end(mut self) {
        let asked = Command::new("kill").arg(self.0.id().to_string()).status().unwrap();
        assert!(asked.success());
        let ended = self.0.wait().unwrap();
        assert!(ended.success(), "{ended}");
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        // after an orderly end there is nothing left to kill
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The area on the roll of a parcel: every third is wrong by a fifth.
fn recorded(n: usize) -> i64 {
    let area = 1000 + 10 * i64::try_from(n).unwrap();
    if n.is_multiple_of(3) { area * 6 / 5 } else { area }
}

fn measured(n: usize) -> f64 {
    1000.0 + 10.0 * f64::from(u32::try_from(n).unwrap())
}

fn uploads(place: &Installation) -> Vec<String> {
    let all: Vec<Value> = (1..=HOUSES).map(|n| house(n, measured(n))).collect();
    let chunks = all.chunks(HOUSES / UPLOADS).enumerate();
    chunks.map(|(n, chunk)| place.file(&format!("upload-{n}.json"), Value::from(chunk).to_string())).collect()
}

/// Two sources with the same areas, one of which rounds to ten.
fn sources_of(place: &Installation) -> Vec<[String; 2]> {
    let areas: Vec<Option<i64>> = (1..=HOUSES).map(|n| Some(recorded(n))).collect();
    let file = place.file("roll.csv", roll(&areas));
    let treasurer = LAYOUT.replace("town-roll", "treasurer").replace("sqft = 1.0", "sqft = 10.0");
    [("town.toml", LAYOUT.to_owned()), ("treasurer.toml", treasurer)]
        .map(|(name, layout)| [file.clone(), place.file(name, layout)])
        .into()
}

fn import_roll(place: &Installation, [roll, layout]: &[String; 2], more: &[&str]) {
    place.run(&[&["import", "roll", roll, "--layout", layout], more].concat()).code(0);
}

/// Judged pairs by source and reference, without the names of the findings.
fn judged(place: &Installation) -> Vec<Value> {
    let mut all = Vec::new();
    for source in ["town-roll", "treasurer"] {
        let of_source = place
            .run(&["export", "judgements", "--format", "ndjson", "--source", source])
            .code(0)
            .json_lines();
        for (_, mut pair) in by_reference(of_source) {
            pair["finding"] = Value::Bool(pair["finding"].is_string());
            all.push(pair);
        }
    }
    all
}

/// Pairs that the runs say they judged.
fn judged_by_runs(place: &Installation) -> i64 {
    let counts = place.sql("SELECT counts FROM run");
    let of_run = |text: &String| {
        let counts: Value = serde_json::from_str(text).unwrap();
        counts["outcomes"].as_object().unwrap().values().map(|n| n.as_i64().unwrap()).sum::<i64>()
    };
    counts.iter().map(of_run).sum()
}

/// Waits until both editions are in use, every house is there, and nothing is left to be judged.
fn wait(place: &Installation) {
    let begun = Instant::now();
    let state = "SELECT (SELECT count(*) FROM job WHERE state IN ('queued', 'running')), \
                        (SELECT count(*) FROM to_judge), \
                        (SELECT count(*) FROM edition WHERE state = 'current')";
    loop {
        let now = place.sql(state);
        if now == ["0|0|2"] {
            return;
        }
        assert!(begun.elapsed() < PATIENCE, "{now:?}: {:?}", place.sql("SELECT * FROM job"));
        thread::sleep(Duration::from_millis(100));
    }
}

fn two_workers_beside_uploads_judge_every_pair_once(place: &Installation) {
    place.run(&["queue"]).code(0);
    let workers = [Worker::start(place), Worker::start(place)];
    let (files, sources) = (uploads(place), sources_of(place));
    thread::scope(|scope| {
        for file in &files {
            scope.spawn(move || place.run(&["import", "houses", file]).code(0));
        }
        scope.spawn(|| sources.iter().for_each(|source| import_roll(place, source, &["--detach"])));
    });
    wait(place);
    for worker in workers {
        worker.end();
    }
    assert_eq!(place.sql("SELECT count(*) FROM job WHERE state <> 'done'"), ["0"]);
    let pairs = i64::try_from(2 * HOUSES).unwrap();
    assert_eq!(place.sql("SELECT count(*) FROM judgement"), [pairs.to_string()]);
    assert_eq!(judged_by_runs(place), pairs);
    assert_eq!(place.sql("SELECT count(*) FROM finding_event"), [(2 * HOUSES / 3).to_string()]);

    let alone = place.another();
    for file in uploads(&alone) {
        alone.run(&["import", "houses", &file]).code(0);
    }
    for source in sources_of(&alone) {
        import_roll(&alone, &source, &[]);
    }
    alone.reconcile().code(0);
    assert_eq!(judged(place), judged(&alone));
    assert_eq!(judged(place).len(), 2 * HOUSES);
    assert_eq!(place.queue().len(), HOUSES / 3);
}

fn a_worker_that_drains_ends_when_nothing_is_left(place: &Installation) {
    place.take_houses(houses(&[1500.0])).code(0);
    let (file, layout) = (place.file("roll.csv", roll(&[Some(1000)])), place.file("layout.toml", LAYOUT));
    place
        .run(&["import", "roll", &file, "--layout", &layout, "--detach"])
        .code(0)
        .says("edition 1 is staged");
    // until a worker has loaded it, it is not in use
    place.reconcile().code(3).complains("import a roll first");
    let mut drain = place.command("crossfoot-worker");
    drain.arg("--drain");
    Ended::of(&mut drain).code(0);
    assert_eq!(place.queue().len(), 1);
    place.reconcile().code(0).says("nothing to judge");
}

fn an_edition_that_is_loaded_late_does_not_displace_a_later_one(place: &Installation) {
    place.settled();
    let staged = place.file("late.csv", roll(&[Some(1400), Some(1200), Some(900)]));
    let late = ["import", "roll", &staged, "--layout", "layout.toml"];
    place.run(&[&late[..], &["--detach"]].concat()).code(0).says("edition 2 is staged");
    place.take_roll(roll(&[Some(1490), Some(1200), Some(900)])).code(0).says("edition 3");
    place.reconcile().code(0).says("1 closed (corrected)");
    let (reading, tables) = (place.reading(), place.tables());
    let mut drain = place.command("crossfoot-worker");
    drain.arg("--drain");
    Ended::of(&mut drain).code(0);
    assert_eq!(place.reading(), reading);
    let editions = place.sql("SELECT number, state FROM edition ORDER BY number");
    assert_eq!(editions, ["1|past", "2|refused", "3|current"]);
    let but_the_refusal = |mut tables: Tables| {
        // the worker packed the originals of the others too
        tables.retain(|name, _| !["edition", "edition_file", "notice"].contains(&name.as_str()));
        tables
    };
    same(&but_the_refusal(place.tables()), &but_the_refusal(tables));
    // it can be handed in again, and is then the newest
    place.run(&late).code(0).says("edition 4").says("1 changed, 2 unchanged, 0 gone");
}

on_both_databases!(
    a_worker_that_drains_ends_when_nothing_is_left,
    an_edition_that_is_loaded_late_does_not_displace_a_later_one,
    two_workers_beside_uploads_judge_every_pair_once
);

//! The real town of `ames.rs` through the HTTP API of two services, with two workers, on one PostgreSQL: every request
//! goes to the other service than the one before, and what comes out is what DuckDB worked out.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use crate::ames::{Audit, Town, number, references, text};
use crate::installation::{Installation, by_reference};
use crate::server::{Answer, Server, key};

/// Requests in which an office sends its houses.
const BATCHES: usize = 4;

/// Two services that leave the jobs to others; requests take turns.
struct Services {
    both: [Server; 2],
    turn: Cell<usize>,
}

impl Services {
    fn next(&self) -> &Server {
        let turn = self.turn.get();
        self.turn.set(turn + 1);
        &self.both[turn % 2]
    }

    fn get(&self, key: &str, path: &str) -> Answer {
        self.next().get(key, path)
    }

    /// All items of a list, each page from the other service.
    fn all(&self, key: &str, path: &str) -> Vec<Value> {
        let (mut items, mut next) = (Vec::new(), format!("{path}?limit=200"));
        loop {
            let page = self.get(key, &next).is(200).json();
            items.extend(page["items"].as_array().unwrap().iter().cloned());
            match page["next"].as_str() {
                Some(cursor) => next = format!("{path}?limit=200&cursor={cursor}"),
                None => return items,
            }
        }
    }

    fn wait_for_job(&self, key: &str, path: &str) {
        self.both[0].wait_for(path, || {
            let job = self.get(key, path).is(200).json();
            assert_ne!(job["state"], "failed", "{job}");
            (job["state"] == "done").then_some(())
        });
    }
}

/// A worker with its log, ended in order by the test.
struct Worker {
    child: Child,
    log: PathBuf,
}

impl Worker {
    fn start(place: &Installation, name: &str) -> Self {
        let log = place.folder().join(name);
        let mut command = place.command("crossfoot-worker");
        command.args(["--log", "info"]).stdout(Stdio::null()).stderr(File::create(&log).unwrap());
        Self { child: command.spawn().unwrap(), log }
    }

    /// Asks it to end, and gives how many jobs it began.
    fn end(mut self) -> usize {
        assert!(Command::new("kill").arg(self.child.id().to_string()).status().unwrap().success());
        let ended = self.child.wait().unwrap();
        let log = fs::read_to_string(&self.log).unwrap();
        assert!(ended.success(), "{ended}: {log}");
        log.lines().filter(|line| line.contains(" begins")).count()
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        // after an orderly end there is nothing left to kill
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The houses as one JSON object a line, in so many bodies.
fn as_lines(town: &Town) -> Vec<String> {
    let houses: Vec<Value> =
        serde_json::from_str(&fs::read_to_string(town.path("houses.json")).unwrap()).unwrap();
    let lines: Vec<String> = houses.iter().map(Value::to_string).collect();
    lines.chunks(lines.len().div_ceil(BATCHES)).map(|chunk| chunk.join("\n")).collect()
}

/// The houses as CSV with a header each, in so many bodies; no house is cut in two.
fn as_csv(town: &Town) -> Vec<String> {
    let mut reader = csv::Reader::from_path(town.path("houses.csv")).unwrap();
    let header = reader.headers().unwrap().clone();
    let mut houses: Vec<Vec<csv::StringRecord>> = Vec::new();
    for row in reader.records().map(Result::unwrap) {
        match houses.last_mut() {
            Some(house) if house[0][0] == row[0] => house.push(row),
            _ => houses.push(vec![row]),
        }
    }
    let body = |chunk: &[Vec<csv::StringRecord>]| {
        let mut out = csv::Writer::from_writer(Vec::new());
        out.write_record(&header).unwrap();
        chunk.iter().flatten().for_each(|row| out.write_record(row).unwrap());
        String::from_utf8(out.into_inner().unwrap()).unwrap()
    };
    houses.chunks(houses.len().div_ceil(BATCHES)).map(body).collect()
}

/// Sets the policy of an office and sends its houses.
fn send_houses(services: &Services, key: &str, town: &Town, content: &str, bodies: &[String]) {
    let policy: Value = toml::from_str(&fs::read_to_string(town.path("policy.toml")).unwrap()).unwrap();
    services.next().post(key, "/v1/policies", &policy).is(201);
    services.next().post(key, "/v1/policies", &policy).is(200);
    let mut results = 0;
    for body in bodies {
        let lines = services.next().post_as(key, "/v1/measurements/batch", content, body).is(200).lines();
        assert!(lines.iter().all(|line| line["result"] == "new"), "{lines:?}");
        results += lines.len();
    }
    assert_eq!(results, 2930);
}

/// Hands the roll in and waits until it is the current edition.
fn hand_in_roll(services: &Services, operator: &str, town: &Town) {
    let layout = fs::read_to_string(town.path("layout.toml")).unwrap();
    services.next().post_as(operator, "/v1/sources", "application/toml", &layout).is(201);
    let roll = fs::read_to_string(town.path("roll.csv")).unwrap();
    let path = "/v1/sources/quillford-roll/editions?roll_year=2011&name=roll.csv";
    let staged = services.next().post_as(operator, path, "text/csv", &roll).is(202);
    services.wait_for_job(operator, staged.header("location"));
    // the same bytes, at the other service
    services.next().post_as(operator, path, "text/csv", &roll).is(200);
    let edition = services.get(operator, "/v1/sources/quillford-roll/editions/1").is(200).json();
    let edition = &edition["edition"];
    assert_eq!(
        (&edition["state"], &edition["rows_entered"], &edition["rows_rejected"]),
        (&json!("current"), &json!(2930), &json!(0))
    );
}

/// Asks for a run and waits until everything is judged.
fn run(services: &Services, key: &str) {
    let asked = services.next().post(key, "/v1/runs", &json!({"source": "quillford-roll"})).is(202);
    services.wait_for_job(key, asked.header("location"));
    let runs = services.all(key, "/v1/runs");
    assert!(runs.iter().all(|run| run["state"] == "done"), "{runs:?}");
    let judged =
        |run: &Value| run["counts"]["outcomes"].as_object().unwrap().values().map(number).sum::<f64>();
    assert_eq!(runs.iter().map(judged).sum::<f64>(), 2930.0, "each pair once: {runs:?}");
}

/// What an office reads against what the oracle worked out.
fn check(services: &Services, key: &str, town: &Town, audit: &Audit) {
    let expected = town.expected();
    let queued = references(&expected, |row| row["queued"] == true);
    assert!(queued.len() > 500, "{}", queued.len());
    let findings = by_reference(services.get(key, "/v1/findings.ndjson").is(200).lines());
    let found: BTreeSet<String> = findings.keys().cloned().collect();
    let (missed, surplus): (Vec<_>, Vec<_>) =
        (queued.difference(&found).collect(), found.difference(&queued).collect());
    assert!(missed.is_empty() && surplus.is_empty(), "missed {missed:?}, surplus {surplus:?}");
    for row in expected.iter().filter(|row| row["queued"] == true) {
        let pair = &findings[text(&row["reference"])];
        assert_eq!((text(&pair["kind"]), text(&pair["state"])), ("variance", "open"), "{pair}");
        let variance = 100.0 * number(&pair["variance"]);
        assert!((variance - number(&row["variance_percent"])).abs() <= 0.01, "{pair}\n{row}");
        let z = number(&row["z"]);
        // what is printed to three decimals is off by half of the last one
        assert!((number(&pair["z"]) - z).abs() <= 0.01 * z.abs() + 0.0005, "{pair}\n{row}");
    }
    assert_eq!(services.all(key, "/v1/findings").len(), found.len());
    audit.same_queue(&services.all(key, "/v1/queue"));

    let held = services.all(key, "/v1/matches");
    assert!(held.iter().all(|pair| pair["match"] == "to_settle" && pair["finding"].is_null()), "{held:?}");
    assert_eq!(references(&held, |_| true), references(&expected, |row| row["match"] == "neighbour_key"));
    let unmatched = references(&expected, |row| row["match"] == "transposed_key").len();
    let outcomes = services.get(key, "/v1/statistics/outcomes").is(200).json();
    let pairs = |outcome: &str| {
        let of = outcomes.as_array().unwrap().iter().filter(|row| row["outcome"] == outcome);
        of.map(|row| row["pairs"].as_u64().unwrap()).sum::<u64>()
    };
    assert_eq!((pairs("unmatched"), pairs("address_disagrees")), (unmatched as u64, held.len() as u64));
    assert_eq!(audit.counts["held"], pairs("address_disagrees"));
    assert_eq!(audit.counts["unmatched"], pairs("unmatched"));
}

#[test]
fn a_real_town_comes_out_right_through_two_services_and_two_workers() {
    let place = Installation::on_postgresql();
    let both = [1, 2].map(|_| Server::start_with_jobs(&place, "no", &[]));
    let services = Services { both, turn: Cell::new(0) };
    let workers = ["worker-1.log", "worker-2.log"].map(|name| Worker::start(&place, name));
    let town = Town::seed(1);
    let operator = key(&place, "office", "operator");
    let [north, south] = ["north", "south"].map(|office| key(&place, office, "administer"));
    send_houses(&services, &north, &town, "application/x-ndjson", &as_lines(&town));
    send_houses(&services, &south, &town, "text/csv", &as_csv(&town));
    // the edition puts up a run of each office: while one worker judges the first, the other takes the second
    hand_in_roll(&services, &operator, &town);
    run(&services, &north);
    run(&services, &south);
    let audit = Audit::of(&town, &place);
    check(&services, &north, &town, &audit);
    check(&services, &south, &town, &audit);
    let began = workers.map(Worker::end);
    assert!(began.iter().all(|jobs| *jobs > 0), "jobs begun by each worker: {began:?}");
    let jobs = place.sql("SELECT count(*), sum(attempts) FROM job WHERE state = 'done'");
    let all: usize = began.iter().sum();
    assert_eq!(jobs, [format!("{all}|{all}")], "each job once, by one of the two");
}

//! A source fetched from a publisher's server on this machine: on demand, by itself, and when the publisher fails.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpListener;
use std::process::Stdio;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use sha2::{Digest as _, Sha256};

use crate::installation::{Ended, Installation};
use crate::town::{LAYOUT, RULE, following, roll};

on_both_databases! {
    a_source_is_fetched_once_for_each_file_that_is_published,
    a_publisher_that_fails_is_told_and_nothing_is_taken,
    a_source_that_is_due_is_fetched_by_a_worker,
    what_is_fetched_is_read_by_the_rule_of_its_jurisdiction_and_not_asked_for_without,
}

/// What is published: the file, its list of checksums, and how the server answers.
#[derive(Clone, Default)]
struct Published {
    file: Vec<u8>,
    sums: String,
    fails: bool,
}

struct Publisher {
    address: String,
    published: Arc<Mutex<Published>>,
    /// How often it was asked for anything.
    asked: Arc<AtomicUsize>,
}

impl Publisher {
    fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("http://{}", listener.local_addr().unwrap());
        let published: Arc<Mutex<Published>> = Arc::default();
        let asked: Arc<AtomicUsize> = Arc::default();
        let (shelf, count) = (published.clone(), asked.clone());
        thread::spawn(move || {
            for socket in listener.incoming() {
                let mut socket = socket.unwrap();
                count.fetch_add(1, Ordering::Relaxed);
                let mut request = String::new();
                let mut lines = BufReader::new(socket.try_clone().unwrap());
                while lines.read_line(&mut request).unwrap() > 2 {}
                let now = shelf.lock().unwrap().clone();
                let etag = format!("\"{}\"", hash(&now.file));
                let answer = match () {
                    () if now.fails => head("503 Service Unavailable", "", 0),
                    () if request.starts_with("GET /roll.csv.sha256") => {
                        [head("200 OK", "", now.sums.len()), now.sums.into_bytes()].concat()
                    }
                    () if request.contains(&etag) => head("304 Not Modified", "", 0),
                    () => {
                        let head = head("200 OK", &format!("ETag: {etag}\r\n"), now.file.len());
                        [head, now.file].concat()
                    }
                };
                socket.write_all(&answer).unwrap();
            }
        });
        Self { address, published, asked }
    }

    fn publish(&self, file: &str) {
        let sums = format!("{}  roll.csv\n", hash(file.as_bytes()));
        *self.published.lock().unwrap() = Published { file: file.as_bytes().to_vec(), sums, fails: false };
    }

    fn add(&self, place: &Installation, more: &[&str]) -> Ended {
        self.add_by(place, LAYOUT, more)
    }

    fn add_by(&self, place: &Installation, layout: &str, more: &[&str]) -> Ended {
        let (url, sums) = (format!("{}/roll.csv", self.address), format!("{}/roll.csv.sha256", self.address));
        let layout = place.file("layout.toml", layout);
        let add = ["fetch", "add", "--layout", &layout, "--url", &url, "--checksum-url", &sums];
        run(place, &[&add, more].concat())
    }
}

fn hash(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

fn head(status: &str, headers: &str, length: usize) -> Vec<u8> {
    format!("HTTP/1.1 {status}\r\n{headers}Content-Length: {length}\r\nConnection: close\r\n\r\n")
        .into_bytes()
}

fn run(place: &Installation, arguments: &[&str]) -> Ended {
    let mut command = place.command("crossfoot");
    Ended::of(command.env("CROSSFOOT_FETCH_HOSTS", "http://inside:127.0.0.1").args(arguments))
}

fn now(place: &Installation) -> Ended {
    run(place, &["fetch", "now", "town-roll"])
}

fn a_source_is_fetched_once_for_each_file_that_is_published(place: &Installation) {
    let publisher = Publisher::start();
    publisher.publish(&roll(&[Some(1000), Some(1200)]));
    publisher.add(place, &[]).code(0).says("is fetched, on demand");
    now(place).code(0).says("its SHA-256 is the published one: taken as edition 1").says("loaded");
    now(place).code(0).says("nothing new");
    publisher.publish(&roll(&[Some(1000), Some(1300)]));
    now(place).code(0).says("taken as edition 2");
    // said again, what was published before is asked for again, and known by its bytes
    publisher.add(place, &[]).code(0);
    now(place).code(0).says("the same bytes are here already as edition 2");
    let editions = place.sql("SELECT number, state FROM edition ORDER BY number");
    assert_eq!(editions, ["1|past", "2|current"]);
    run(place, &["fetch", "list"]).code(0).says("the same bytes are here already");
    run(place, &["report", "--since", "2000-01-01T00:00:00Z"]).code(0).says("nothing new").says("edition 2");
    run(place, &["fetch", "remove", "town-roll"]).code(0);
    now(place).code(3).complains("crossfoot fetch add");
}

fn a_publisher_that_fails_is_told_and_nothing_is_taken(place: &Installation) {
    let publisher = Publisher::start();
    publisher.publish(&roll(&[Some(1000)]));
    let layout = place.file("layout.toml", LAYOUT);
    for (url, words) in [
        ("http://127.0.0.1:1/roll.csv", "the host 127.0.0.1 is not allowed"),
        ("https://rolls.invalid/roll.csv", "the host rolls.invalid is not allowed"),
        ("roll.csv", "give https://HOST/FILE"),
    ] {
        let add = ["fetch", "add", "--layout", &layout, "--url", url];
        place.run(&add).code(2).complains(words);
    }
    publisher.add(place, &["--cron", "nonsense"]).code(2).complains("cannot be read");
    assert_eq!(place.sql("SELECT count(*) FROM source"), ["0"], "nothing is left behind");
    publisher.add(place, &["--bytes", "10"]).code(0);
    now(place).code(1).complains("larger than the 10 bytes that are agreed");
    publisher.add(place, &[]).code(0);
    publisher.published.lock().unwrap().sums = format!("{}  roll.csv\n", "0".repeat(64));
    now(place).code(1).complains("does not have the checksum that is published for it");
    publisher.published.lock().unwrap().fails = true;
    now(place).code(1).complains("answers 503 Service Unavailable").complains("tried again in");
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["0"]);
    run(place, &["report", "--since", "2000-01-01T00:00:00Z"]).code(0).says("larger than the 10 bytes");
    publisher.publish(&roll(&[Some(1000)]));
    now(place).code(0).says("taken as edition 1");
    // who may not fetch any more is told so, by the operator's word at that moment
    place.run(&["fetch", "now", "town-roll"]).code(1).complains("is not allowed");
}

fn what_is_fetched_is_read_by_the_rule_of_its_jurisdiction_and_not_asked_for_without(place: &Installation) {
    let publisher = Publisher::start();
    let rows = "001600,0040,1 OAK ST,1000,200000,1950,R\n213043,120,2 OAK ST,1100,200000,1950,R\n";
    publisher.publish(&format!("MAJOR,MINOR,SITUS,AREA,VALUE,YEAR,CLASS\n{rows}"));
    publisher.add_by(place, &following("town-roll", "\"MAJOR\", \"MINOR\""), &[]).code(0);
    let refused = now(place).code(1);
    refused.complains("none is kept").complains("crossfoot jurisdiction rule FILE");
    assert_eq!(publisher.asked.load(Ordering::Relaxed), 0, "what cannot be read is not asked for");
    run(place, &["fetch", "list"]).code(0).says("failed: the layout town-roll follows the rule of XX-TOWN");
    // nor one that does not fit the layout
    place.take_rule(&RULE.replace("[6, 4]", "[10]")).code(0);
    now(place).code(1).complains("has 1 widths, and [parcel] of the layout 2 columns");
    assert_eq!(publisher.asked.load(Ordering::Relaxed), 0);
    place.take_rule(RULE).code(0).says("kept as version 2");
    now(place).code(0).says("taken as edition 1").says("loaded");
    assert!(publisher.asked.load(Ordering::Relaxed) > 0);
    let rule = "SELECT number FROM edition WHERE layout LIKE '%jurisdiction@2%' AND state = 'current'";
    assert_eq!(place.sql(rule), ["1"]);
    place
        .run(&["edition", "history", "town-roll", "2130430120"])
        .code(0)
        .says("edition 1: new, 1100.00 sq ft");
}

fn a_source_that_is_due_is_fetched_by_a_worker(place: &Installation) {
    let publisher = Publisher::start();
    publisher.publish(&roll(&[Some(1000)]));
    publisher.add(place, &["--cron", "* * * * * *"]).code(0).says("next at");
    let mut command = place.command("crossfoot-worker");
    command.env("CROSSFOOT_FETCH_HOSTS", "http://inside:127.0.0.1").env("CROSSFOOT_LOOK_SECONDS", "1");
    let mut worker = command.stderr(Stdio::null()).spawn().unwrap();
    let begun = Instant::now();
    while place.sql("SELECT state FROM edition") != ["current"] {
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "{:?}",
            place.sql("SELECT result FROM source_fetch")
        );
        thread::sleep(Duration::from_millis(200));
    }
    worker.kill().unwrap();
    worker.wait().unwrap();
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["1"]);
}

//! Requests that take too long, and a service that is told to stop while one runs.

use std::net::TcpStream;
use std::thread;

use serde_json::{Value, json};

use crate::installation::{Installation, script_output};
use crate::server::{Request, Server, key};

/// Longer than what is waited for while the table is locked.
const LOCKED_SECONDS: u32 = 6;

/// Keeps others from the policies for a while: from writing on SQLite, which has one writer, and from reading too on a
/// server.
fn lock(place: &Installation) {
    let file = place.folder().join("data/crossfoot.db");
    if file.is_file() {
        let script = "import sqlite3, sys, time\n\
                      database = sqlite3.connect(sys.argv[1], timeout=10, isolation_level=None)\n\
                      database.execute('BEGIN IMMEDIATE')\n\
                      time.sleep(float(sys.argv[2]))\n";
        script_output(script, &[file.into_os_string(), LOCKED_SECONDS.to_string().into()]);
    } else {
        let lock = "BEGIN; LOCK TABLE policy IN ACCESS EXCLUSIVE MODE";
        place.sql(&format!("{lock}; SELECT pg_sleep({LOCKED_SECONDS}); COMMIT"));
    }
}

fn policy(name: &str) -> Value {
    json!({"name": name, "rule": [{"percent": 5.0, "square_feet": 100.0}]})
}

fn a_request_that_takes_too_long_is_given_up_and_the_next_one_is_answered(place: &Installation) {
    let server = Server::start_with_jobs(place, "no", &["--answer-seconds", "1"]);
    let admin = key(place, "office", "administer");
    server.post(&admin, "/v1/policies", &policy("first")).is(201);
    thread::scope(|scope| {
        scope.spawn(|| lock(place));
        let late = server.wait_for("a request that takes too long", || {
            let answer = server.post(&admin, "/v1/policies", &policy("first"));
            (answer.status != 200).then_some(answer)
        });
        // RFC 9110, 15.6.5: no answer in time from what it needed to complete the request
        let problem = late.problem(504);
        assert_eq!(problem["type"], "urn:crossfoot:problem:timeout");
        assert!(problem["detail"].as_str().unwrap().contains("within 1 s"), "{problem}");
        server.send(&Request::new("GET", "/healthz")).is(200);
    });
    server.wait_for("an answer", || {
        (server.post(&admin, "/v1/policies", &policy("second")).status <= 201).then_some(())
    });
    assert_eq!(place.sql("SELECT count(*) FROM policy"), ["2"]);
}

fn what_runs_when_the_service_is_told_to_stop_is_answered_and_the_proxy_is_told(place: &Installation) {
    let probe = Server::start_with_jobs(place, "no", &["--answer-seconds", "1"]);
    let server = Server::start_with_jobs(place, "no", &["--leave-seconds", "2"]);
    let admin = key(place, "office", "administer");
    probe.post(&admin, "/v1/policies", &policy("first")).is(201);
    server.get(&admin, "/v1/policies").is(200);
    server.send(&Request::new("GET", "/readyz")).is(200);
    thread::scope(|scope| {
        scope.spawn(|| lock(place));
        probe.wait_for("the lock", || {
            (probe.post(&admin, "/v1/policies", &policy("first")).status == 504).then_some(())
        });
        let running = scope.spawn(|| server.post(&admin, "/v1/policies", &policy("second")));
        server.terminate();
        // RFC 9110, 15.6.4: 503 with Retry-After; the service itself still lives
        let leaving = server.wait_for("not ready", || {
            let answer = server.send(&Request::new("GET", "/readyz"));
            (answer.status != 200).then_some(answer)
        });
        assert!(leaving.header("retry-after").parse::<u32>().is_ok(), "{leaving:?}");
        assert!(leaving.problem(503)["detail"].as_str().unwrap().contains("stopping"));
        running.join().unwrap().is(201);
    });
    let address = server.address.clone();
    assert_eq!(server.ended(), Some(0));
    assert!(TcpStream::connect(&address).is_err(), "nobody listens any more");
    assert_eq!(place.sql("SELECT count(*) FROM policy"), ["2"]);
}

on_both_databases!(
    a_request_that_takes_too_long_is_given_up_and_the_next_one_is_answered,
    what_runs_when_the_service_is_told_to_stop_is_answered_and_the_proxy_is_told,
);

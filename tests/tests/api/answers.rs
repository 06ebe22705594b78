//! What answers promise: problems for every failure, conditions, repetition, pages, and text that stays text.

use serde_json::json;

use crate::installation::Installation;
use crate::server::{Request, Server, key};
use crate::town::{house, roll};

fn every_failure_is_a_problem(place: &Installation) {
    let server = Server::start(place, &[]);
    let admin = key(place, "office", "administer");
    server.get(&admin, "/v1/nothing").problem(404);
    server.send(&Request::new("GET", "/nothing")).problem(404);
    let patch = server.send(&Request { key: Some(&admin), ..Request::new("PATCH", "/v1/keys") });
    assert!(patch.header("allow").contains("GET"), "{patch:?}");
    patch.problem(405);
    server.get(&admin, "/v1/findings?limit=0").problem(400);
    server.get(&admin, "/v1/findings?unknown=1").problem(400);
    server.get(&admin, "/v1/findings?cursor=x").problem(400);
    server.get(&admin, "/v1/measurements/x/one").problem(404);
    server.post_as(&admin, "/v1/keys", "text/plain", "x").problem(415);
    server.post_as(&admin, "/v1/keys", "application/json", "{").problem(400);
    server.post(&admin, "/v1/keys", &json!({"role": "review", "label": "x", "more": 1})).problem(422);
    server.post(&admin, "/v1/keys", &json!({"role": "review", "label": "a\u{0}b"})).problem(422);
    server.post(&admin, "/v1/keys", &json!({"role": "operator", "label": "x"})).problem(422);
    server.post_as(&admin, "/v1/keys", "application/json", &" ".repeat(3_000_000)).problem(413);
    let wrong = server.post(&admin, "/v1/measurements", &json!({"reference": " ", "parcel": 1, "more": 2}));
    let pointers = wrong.problem(422)["errors"].as_array().unwrap().len();
    assert!(pointers >= 3, "all faults at once, not {pointers}");
    server.post(&admin, "/v1/policies", &json!({"name": "x", "rule": []})).problem(422);
    server.post(&admin, "/v1/policies", &json!({"name": "x", "rule": [{"percent": -1.0}]})).problem(422);
    server.get(&admin, "/v1/queue%00").problem(404);
    server.get(&admin, "/v1/findings/%00").problem(404);
    server.get(&admin, "/v1/findings?source=%00").problem(400);
}

/// Every limit of a source is set and read back, what is not said has its usual value, and a wrong one is named.
fn limits_of_a_source_are_set_and_read(place: &Installation) {
    place.take_roll(roll(&[Some(1000), Some(1200)])).code(0);
    let server = Server::start(place, &[]);
    let (operator, reviewer) = (key(place, "office", "operator"), key(place, "office", "review"));
    let path = "/v1/sources/town-roll/limits";
    let usual = server.get(&reviewer, path).is(200).json();
    assert_eq!(
        usual,
        json!({
            "shrink_share": 0.05, "header_columns": 0, "median_share": 0.03, "definition_share": 0.02,
            "definition_records": 200, "every_days": null, "tolerance_days": 7, "compact_share": 0.5,
        })
    );
    let put = |key: &str, body: &serde_json::Value| {
        let body = body.to_string();
        server.send(&Request {
            key: Some(key),
            content: Some("application/json"),
            body: body.as_bytes(),
            ..Request::new("PUT", path)
        })
    };
    put(&reviewer, &json!({"definition_share": 0.1})).problem(403);
    let mut set = usual.clone();
    (set["definition_share"], set["definition_records"], set["every_days"]) =
        (json!(0.1), json!(20), json!(30));
    assert_eq!(put(&operator, &set).is(200).json(), set);
    assert_eq!(server.get(&reviewer, path).is(200).json(), set);
    for (limit, wrong) in [("definition_share", json!(1.5)), ("definition_records", json!(0))] {
        let problem = put(&operator, &json!({limit: wrong})).problem(422);
        assert_eq!(problem["errors"][0]["pointer"], format!("/{limit}"), "{problem}");
    }
    assert_eq!(server.get(&reviewer, path).is(200).json(), set);
    assert_eq!(put(&operator, &json!({})).is(200).json(), usual);
}

fn a_decision_names_what_it_saw(place: &Installation) {
    place.settled();
    let server = Server::start(place, &[]);
    let reviewer = key(place, "office", "review");
    let finding = server.get(&reviewer, "/v1/findings").is(200).json()["items"][0].clone();
    let path = format!("/v1/findings/{}", finding["finding"]["id"].as_str().unwrap());
    let tag = server.get(&reviewer, &path).is(200).header("etag").to_owned();
    let decisions = format!("{path}/decisions");
    let body = json!({"state": "confirmed", "note": "<b>seen</b>"}).to_string();
    let request = Request {
        key: Some(&reviewer),
        content: Some("application/json"),
        body: body.as_bytes(),
        ..Request::new("POST", &decisions)
    };
    server.send(&request).problem(428);
    let matching = |tag| Request { headers: vec![("If-Match", tag)], ..request.clone() };
    server.send(&matching("\"77\"")).problem(412);
    let decided = server.send(&matching(&tag)).is(200);
    assert_ne!(decided.header("etag"), tag);
    server.send(&matching(&tag)).problem(412);
    let history = server.get(&reviewer, &format!("{path}/history")).is(200);
    assert!(history.text.contains("<b>seen</b>"), "{}", history.text);
    assert_eq!(history.header("x-content-type-options"), "nosniff");
}

fn the_same_request_again_gets_the_same_answer(place: &Installation) {
    let server = Server::start(place, &[]);
    let admin = key(place, "office", "administer");
    let send = |path: &str, key: &str, body: &str| {
        server.send(&Request {
            key: Some(&admin),
            content: Some("application/json"),
            headers: vec![("Idempotency-Key", key)],
            body: body.as_bytes(),
            ..Request::new("POST", path)
        })
    };
    let sent = house(1, 1000.0).to_string();
    let first = send("/v1/measurements", "a", &sent).is(201);
    let again = send("/v1/measurements", "a", &sent).is(201);
    assert_eq!((&first.text, first.header("location")), (&again.text, again.header("location")));
    send("/v1/measurements", "a", &house(2, 1000.0).to_string()).problem(422);
    // a refusal is an answer too
    send("/v1/measurements", "b", "{}").problem(422);
    send("/v1/measurements", "b", "{}").problem(422);
    send("/v1/measurements", "", "{}").problem(400);
    // a new key is shown once
    let label = json!({"role": "review", "label": "once"}).to_string();
    let secret = send("/v1/keys", "c", &label).is(201).json()["secret"].as_str().unwrap().to_owned();
    assert!(!send("/v1/keys", "c", &label).problem(409).to_string().contains(&secret));
    assert_eq!(place.sql("SELECT count(*) FROM access_key WHERE label = 'once'"), ["1"]);
    server.get(&secret, "/v1/queue").is(200);
    // many at once: an answer each, one house
    let results = std::thread::scope(|scope| {
        let ask = || send("/v1/measurements", "d", &house(3, 1000.0).to_string()).status;
        let all: Vec<_> = (0..4).map(|_| scope.spawn(ask)).collect();
        all.into_iter().map(|thread| thread.join().unwrap()).collect::<Vec<_>>()
    });
    assert!(results.contains(&201) && results.iter().all(|s| [201, 409].contains(s)), "{results:?}");
}

fn hostile_text_comes_back_as_text(place: &Installation) {
    place.take_roll(roll(&[Some(1000), Some(1000)])).code(0);
    let server = Server::start(place, &[]);
    let admin = key(place, "office", "administer");
    let hostile = ["=HYPERLINK(\"http://x\",\"y\")", "'; DROP TABLE property; --<script>\u{202e}"];
    for (n, text) in (1..).zip(hostile) {
        let mut house = house(n, 1500.0);
        house["reference"] = json!(text);
        server.post(&admin, "/v1/measurements", &house).is(201);
    }
    server.wait_for("both findings", || {
        (server.get(&admin, "/v1/findings").json()["items"].as_array().unwrap().len() == 2).then_some(())
    });
    let listed = server.get(&admin, "/v1/queue").is(200).json()["items"].clone();
    for text in hostile {
        let found = listed.as_array().unwrap().iter().find(|item| item["reference"] == text).unwrap();
        assert_eq!(found["findings"][0]["measured_sqft"], 1500.0);
    }
    let download = server.get(&admin, "/v1/findings.csv").is(200);
    assert_eq!(download.header("content-type"), "text/csv; charset=utf-8");
    let mut csv = csv::Reader::from_reader(download.text.as_bytes());
    let references: Vec<String> = csv.records().map(|row| row.unwrap()[0].to_owned()).collect();
    assert!(references.contains(&format!("'{}", hostile[0])), "{references:?}");
    assert!(references.iter().all(|r| !r.starts_with('=')), "{references:?}");
    let lines = server.get(&admin, "/v1/findings.ndjson").is(200).lines();
    assert!(lines.iter().any(|line| line["reference"] == hostile[0]), "{lines:?}");
}

fn who_sends_too_much_is_told_to_wait(place: &Installation) {
    let server = Server::start(place, &["--requests-a-minute", "5"]);
    let admin = key(place, "office", "administer");
    for _ in 0..5 {
        server.get(&admin, "/v1/queue").is(200);
    }
    let refused = server.get(&admin, "/v1/queue");
    assert!(refused.header("retry-after").parse::<u32>().unwrap() >= 1, "{refused:?}");
    refused.problem(429);
    server.get(&key(place, "office", "review"), "/v1/queue").is(200);
}

on_both_databases!(
    limits_of_a_source_are_set_and_read,
    every_failure_is_a_problem,
    a_decision_names_what_it_saw,
    the_same_request_again_gets_the_same_answer,
    hostile_text_comes_back_as_text,
    who_sends_too_much_is_told_to_wait,
);

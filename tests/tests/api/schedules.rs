//! Schedules of an office: made, changed, carried out and removed over HTTP.

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Answer, Request, Server, key};
use crate::town::{LAYOUT, houses, roll};

const ONE: &str = "/v1/schedules/01900000-0000-7000-8000-000000000001";

fn put(server: &Server, key: &str, path: &str, body: &Value) -> Answer {
    let body = body.to_string();
    server.send(&Request {
        key: Some(key),
        content: Some("application/json"),
        body: body.as_bytes(),
        ..Request::new("PUT", path)
    })
}

fn a_schedule_is_made_changed_and_removed_by_its_office(place: &Installation) {
    let server = Server::start_with_jobs(place, "no", &[]);
    let (batch, theirs) = (key(place, "office", "batch"), key(place, "south", "administer"));
    assert_eq!(server.get(&batch, "/v1/schedules").is(200).json(), json!([]));
    let nightly = json!({"cron": "30 2 * * *", "time_zone": "America/Chicago"});
    let made = put(&server, &batch, ONE, &nightly).is(201).json();
    // IANA: Chicago is five or six hours behind UTC
    let hour = &made["next_at"].as_str().unwrap()[11..];
    assert!(["07:30:00Z", "08:30:00Z"].contains(&hour), "{made}");
    assert_eq!(
        (&made["source"], &made["last_at"], &made["last_result"]),
        (&json!(null), &json!(null), &json!(""))
    );
    put(&server, &batch, ONE, &nightly).is(200);
    let changed = put(&server, &batch, ONE, &json!({"cron": "0 4 * * *"})).is(200).json();
    assert_eq!((&changed["cron"], &changed["time_zone"]), (&json!("0 4 * * *"), &json!("UTC")));
    assert_eq!(server.get(&batch, "/v1/schedules").json(), json!([changed]));

    assert_eq!(server.get(&theirs, "/v1/schedules").is(200).json(), json!([]));
    put(&server, &theirs, ONE, &nightly).problem(404);
    server.send(&Request { key: Some(&theirs), ..Request::new("DELETE", ONE) }).problem(404);
    put(&server, &batch, "/v1/schedules/nightly", &nightly).problem(404);
    assert_eq!(server.get(&batch, "/v1/schedules").json(), json!([changed]));

    server.send(&Request { key: Some(&batch), ..Request::new("DELETE", ONE) }).is(204);
    server.send(&Request { key: Some(&batch), ..Request::new("DELETE", ONE) }).problem(404);
    assert_eq!(place.sql("SELECT count(*) FROM schedule"), ["0"]);
    let log = place.sql("SELECT action FROM audit_log WHERE office = 'office' ORDER BY id");
    assert_eq!(log, ["schedule_saved", "schedule_saved", "schedule_saved", "schedule_removed"]);
}

fn what_is_wrong_with_a_schedule_is_told_at_once_with_the_mend(place: &Installation) {
    let server = Server::start_with_jobs(place, "no", &[]);
    let key = key(place, "office", "administer");
    let wrong = json!({"cron": "61 2 * *", "time_zone": "Middle/Earth", "source": "none"});
    let problem = put(&server, &key, ONE, &wrong).problem(422);
    let told = |problem: &Value, pointer: &str, mend: &str| {
        let errors = problem["errors"].as_array().unwrap();
        let error = errors.iter().find(|error| error["pointer"] == pointer);
        assert!(error.is_some_and(|error| error["mend"].as_str().unwrap().contains(mend)), "{problem}");
    };
    told(&problem, "/source", "GET /v1/sources");
    told(&problem, "/cron", "such as 30 2 * * *");
    let zone =
        put(&server, &key, ONE, &json!({"cron": "0 4 * * *", "time_zone": "Middle/Earth"})).problem(422);
    told(&zone, "/time_zone", "America/Chicago");
    let never = put(&server, &key, ONE, &json!({"cron": "0 0 30 2 *"})).problem(422);
    told(&never, "/cron", "day and the month");
    let long =
        put(&server, &key, ONE, &json!({"cron": "0 4 * * *", "time_zone": "x".repeat(121)})).problem(422);
    told(&long, "/time_zone", "shorten");
    put(&server, &key, ONE, &json!({"cron": "0 4 * * *", "folder": "/etc"})).problem(422);
    put(&server, &key, ONE, &json!({"time_zone": "UTC"})).problem(422);
    put(&server, &key, ONE, &json!({"cron": "0 4 * * *", "time_zone": "UTC\u{0}"})).problem(422);
    assert_eq!(server.get(&key, "/v1/schedules").is(200).json(), json!([]));
}

fn a_schedule_of_one_source_reconciles_that_one_and_says_so(place: &Installation) {
    place.take_houses(houses(&[1500.0])).code(0);
    for name in ["town-roll", "treasurer"] {
        let layout = place.file("layout.toml", LAYOUT.replace("town-roll", name));
        let file = place.file("roll.csv", roll(&[Some(1000)]));
        place.run(&["import", "roll", &file, "--layout", &layout]).code(0);
    }
    place.reconcile().code(0);
    let server = Server::start(place, &[]);
    let key = key(place, "office", "batch");
    let before = server.get(&key, "/v1/runs").json()["items"].as_array().unwrap().len();
    put(&server, &key, ONE, &json!({"cron": "* * * * * *", "source": "treasurer"})).is(201);
    let run = server.wait_for("a run by the schedule", || {
        let runs = server.get(&key, "/v1/runs").is(200).json();
        runs["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|run| run["cause"] == "schedule" && run["state"] == "done")
            .cloned()
    });
    server.send(&Request { key: Some(&key), ..Request::new("DELETE", ONE) }).is(204);
    assert_eq!(run["source"], "treasurer");
    let runs = server.get(&key, "/v1/runs").json();
    let runs = runs["items"].as_array().unwrap();
    let of_town = runs.iter().filter(|run| run["source"] == "town-roll").count();
    assert!(runs.len() > before && of_town == before / 2, "{runs:?}");
}

on_both_databases!(
    a_schedule_is_made_changed_and_removed_by_its_office,
    what_is_wrong_with_a_schedule_is_told_at_once_with_the_mend,
    a_schedule_of_one_source_reconciles_that_one_and_says_so,
);

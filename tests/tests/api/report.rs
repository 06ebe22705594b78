//! What a night came to: the same by command, API and page.

use serde_json::Value;

use crate::installation::Installation;
use crate::server::{Server, key};

const SINCE: &str = "2000-01-01T00:00:00Z";

fn what_happened_is_the_same_by_command_api_and_page(place: &Installation) {
    place.settled();
    let server = Server::start_with_jobs(place, "no", &[]);
    let (reviewer, uploader) = (key(place, "office", "review"), key(place, "office", "upload"));
    let mut by_api = server.get(&reviewer, &format!("/v1/report?since={SINCE}")).is(200).json();
    let mut by_command: Value =
        serde_json::from_str(&place.run(&["report", "--since", SINCE, "--json"]).code(0).out).unwrap();
    let run = &by_api["sources"][0]["runs"][0];
    let opened = run["opened"].as_i64().unwrap();
    assert!(opened > 0 && run["closed"].as_object().unwrap().is_empty(), "{by_api}");
    assert_eq!(by_api["sources"][0]["editions"][0]["state"], "current", "{by_api}");
    let page = server.get(&reviewer, &format!("/report?since={SINCE}")).is(200).text;
    assert!(page.contains(&format!("{opened} opened, 0 reopened")), "{page}");
    for report in [&mut by_api, &mut by_command] {
        report["until"].take();
    }
    assert_eq!(by_api, by_command);
    // a moment after everything: nothing happened
    let later = server.get(&reviewer, "/v1/report?since=2100-01-01T00:00:00Z").is(200).json();
    assert_eq!(later["sources"][0]["runs"], serde_json::json!([]), "{later}");
    server.get(&reviewer, "/v1/report?since=yesterday").problem(400);
    server.get(&uploader, "/v1/report").problem(403);
}

on_both_databases!(what_happened_is_the_same_by_command_api_and_page);

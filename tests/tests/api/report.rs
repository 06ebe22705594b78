//! What a night came to: the same by command, API and page.

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Server, key};
use crate::town::{HEADER, roll, row};

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

fn what_a_file_says_about_itself_is_told_by_report_api_and_page(place: &Installation) {
    let rows: Vec<String> = (1..=300).map(|n| row(n, &(900 + n * 10).to_string())).collect();
    let many = format!("{}\n{}\n", rows.join("\n"), row(301, "1000").replace("000301", "1.3E+05"));
    place.take_roll(format!("{HEADER}\n{many}{}\n", row(7, "2000"))).code(0);
    let server = Server::start_with_jobs(place, "no", &[]);
    let (reviewer, uploader) = (key(place, "office", "review"), key(place, "office", "upload"));
    let report = server.get(&reviewer, &format!("/v1/report?since={SINCE}")).is(200).json();
    let remarks: Vec<&str> = report["sources"][0]["editions"][0]["remarks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|remark| remark.as_str().unwrap())
        .collect();
    let kept = server.get(&reviewer, "/v1/sources/town-roll/editions/1/check").is(200).json();
    assert_eq!(remarks.len(), kept["remarks"].as_array().unwrap().len());
    assert_eq!(remarks.len(), 3, "{remarks:?}");
    let night = server.get(&reviewer, &format!("/report?since={SINCE}")).is(200).text;
    let edition = server.get(&reviewer, "/sources/town-roll/editions/1").is(200).text;
    for remark in &remarks {
        // as HTML writes it
        let written = remark.replace('"', "&quot;");
        assert!(night.contains(&written) && edition.contains(&written), "{remark}");
    }
    assert!(night.contains("href=\"/sources/town-roll/editions/1\""), "{night}");
    for words in
        ["rounded to 10 sq ft", "1 numbers are in scientific notation", "SHA-256", "Scientific parcel: 1"]
    {
        assert!(edition.contains(words), "{words}: {edition}");
    }
    // who reads no records sees the edition, and not what it did to single records
    let seen = server.get(&uploader, "/sources/town-roll/editions/1").is(200).text;
    assert!(seen.contains("rounded to 10 sq ft") && !seen.contains("Changes against"), "{seen}");
    assert!(edition.contains("Changes against"), "{edition}");
    server.get(&reviewer, "/sources/town-roll/editions/2").is(404);
    let moved = server.get(&reviewer, "/editions/1/1").is(308);
    assert_eq!(moved.header("location"), "/sources/town-roll/editions/1");
}

/// Findings as NDJSON carry what their records say, the same by API and command; CSV stays flat.
fn findings_carry_what_their_records_say(place: &Installation) {
    place.settled();
    let server = Server::start_with_jobs(place, "no", &[]);
    let reviewer = key(place, "office", "review");
    let lines = server.get(&reviewer, "/v1/findings.ndjson").is(200).lines();
    assert_eq!(lines, place.export("findings"));
    let recorded = lines[0]["recorded"].as_array().unwrap();
    let area = recorded.iter().find(|value| value["name"] == "area").unwrap();
    assert_eq!(
        (&area["value"], &area["column"], &area["file"]),
        (&json!("1000"), &json!("AREA"), &json!("roll.csv"))
    );
    assert_eq!(area["lines"], json!([2]));
    let flat = server.get(&reviewer, "/v1/findings.csv").is(200).text;
    let heads: Vec<&str> = flat.lines().next().unwrap().split(',').collect();
    assert!(heads.contains(&"recorded_sqft") && !heads.contains(&"recorded"), "{heads:?}");
    // the record as it was judged, although a later edition has another one that was not judged yet
    place.take_roll(roll(&[Some(1010), Some(1200), Some(900)])).code(0);
    assert_eq!(place.export("findings")[0]["recorded"], lines[0]["recorded"]);
    let history = server.get(&reviewer, "/v1/sources/town-roll/records/1").is(200).json();
    assert_eq!(history[0]["fields"], json!([]));
    assert_eq!(history[1]["fields"], json!([{"field": "area_sqft", "from": "1000.00", "to": "1010.00"}]));
}

on_both_databases!(
    findings_carry_what_their_records_say,
    what_a_file_says_about_itself_is_told_by_report_api_and_page,
    what_happened_is_the_same_by_command_api_and_page,
);

//! Field notes over HTTP: previews that keep nothing, checks, plans, and further readings that make a new version.

use std::fs;

use crossfoot_testbed::repository;
use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Server, key};

/// The house of the demonstration that was drawn: 38 x 24 ft with a loft of 15 ft to the railing and a stair of 7 x 4.
fn drawn() -> Value {
    let houses = fs::read_to_string(repository().join("fixtures/demo/houses.json")).unwrap();
    let houses: Value = serde_json::from_str(&houses).unwrap();
    houses.as_array().unwrap().iter().find(|house| house.get("field_notes").is_some()).unwrap().clone()
}

/// The place of a wall in the notes.
fn wall<'a>(house: &'a mut Value, name: &str) -> &'a mut Value {
    house["field_notes"]["walls"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .find(|wall| wall["name"] == name)
        .unwrap()
}

fn sentences(checks: &Value, kind: &str) -> Vec<String> {
    let all = checks["field_notes"]["sentences"].as_array().unwrap();
    all.iter().filter(|one| one["kind"] == kind).map(|one| one["text"].as_str().unwrap().to_owned()).collect()
}

fn a_preview_states_areas_and_checks_and_keeps_nothing(place: &Installation) {
    let server = Server::start(place, &[]);
    let key = key(place, "office", "upload");
    let answer = server.post(&key, "/v1/measurements/preview", &drawn()).is(200).json();
    // 38 x 24 + 15 x 24 + 7 x 4, by hand
    assert_eq!(answer["total_sqft"], 1300.0);
    let origins: Vec<&str> = answer["sigma_by_origin"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["origin"].as_str().unwrap())
        .collect();
    assert!(origins.contains(&"readings") && origins.contains(&"between visits"), "{origins:?}");
    let sum: f64 = answer["sigma_by_origin"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["sigma_sqft"].as_f64().unwrap().powi(2))
        .sum();
    assert!((sum.sqrt() - answer["sigma_sqft"].as_f64().unwrap()).abs() < 0.01, "{answer}");
    assert_eq!(answer["field_notes"]["test"], "accepted");
    let front = answer["field_notes"]["walls"]
        .as_array()
        .unwrap()
        .iter()
        .find(|wall| wall["name"] == "front")
        .unwrap();
    assert_eq!((&front["length"], &front["derived"]), (&json!("38' 0\""), &json!(false)));
    // to inner faces, with walls 6 1/2 in thick, the same house is smaller
    let inside = server.post(&key, "/v1/measurements/preview?standard=uk-gia", &drawn()).is(200).json();
    assert!(
        inside["total_sqft"].as_f64().unwrap() < answer["total_sqft"].as_f64().unwrap() + 620.0,
        "{inside}"
    );
    assert_eq!(server.get(&key, "/v1/measurements").is(200).json()["items"], json!([]));
}

fn a_further_reading_makes_a_version_with_the_old_ones(place: &Installation) {
    let server = Server::start(place, &[]);
    let key = key(place, "office", "upload");
    let mut house = drawn();
    // one reading of one wall is 1 ft wrong
    wall(&mut house, "right")["length"]["readings"][0]["pieces"][0]["length"] = json!("25 ft");
    let saved = server.post(&key, "/v1/measurements", &house).is(201).json();
    let base = format!("/v1/measurements/{}", saved["property"].as_str().unwrap());
    let checks = server.get(&key, &format!("{base}/1/checks")).is(200).json();
    assert_eq!(checks["field_notes"]["test"], "rejected");
    assert_eq!(sentences(&checks, "disagreement").len(), 1, "{checks}");

    let body = json!({
        "reason": "the two readings of the right side differed",
        "walls": [{ "wall": "right", "reading": { "pieces": [{ "length": "24 ft", "instrument": "laser" }], "read_on": "2026-03-12" } }],
        "new_ties": [{ "name": "across", "along": "straight",
            "from": { "outline": "ground", "corner": 0 }, "to": { "outline": "ground", "corner": 2 },
            "distance": { "readings": [{ "pieces": [{ "length": "44 ft 11 3/8 in", "instrument": "laser" }] }] } }],
    });
    let path = format!("{base}/1/readings");
    let next = server.post(&key, &path, &body).is(201);
    assert_eq!(next.header("location"), format!("{base}/2"));
    let document = server.get(&key, &format!("{base}/2")).is(200).json();
    let mut document = document;
    assert_eq!(wall(&mut document, "right")["length"]["readings"].as_array().unwrap().len(), 3);
    assert_eq!(document["reason"], "the two readings of the right side differed");
    let checks = server.get(&key, &format!("{base}/2/checks")).is(200).json();
    let suspected = sentences(&checks, "suspicion");
    assert_eq!(suspected.len(), 1, "{checks}");
    assert!(
        suspected[0]
            .starts_with("Reading 1 of the length of right does not fit: it is about 1' 0\" too long"),
        "{suspected:?}"
    );
    // the base has been followed, and the first version stands as it was
    server.post(&key, &path, &body).problem(409);
    let first = server.get(&key, &format!("{base}/1")).is(200).json();
    assert_eq!(first, house);
}

fn a_reading_that_cannot_be_added_says_why(place: &Installation) {
    let server = Server::start(place, &[]);
    let key = key(place, "office", "upload");
    let saved = server.post(&key, "/v1/measurements", &drawn()).is(201).json();
    let path = format!("/v1/measurements/{}/1/readings", saved["property"].as_str().unwrap());
    let reading = json!({ "pieces": [{ "length": "24 ft", "instrument": "laser" }] });
    let unknown = json!({ "reason": "again", "walls": [{ "wall": "nowhere", "reading": reading }] });
    assert_eq!(server.post(&key, &path, &unknown).problem(422)["errors"][0]["pointer"], "/walls/0");
    let leg =
        json!({ "reason": "again", "walls": [{ "wall": "front", "along": "run", "reading": reading }] });
    assert_eq!(server.post(&key, &path, &leg).problem(422)["errors"][0]["pointer"], "/walls/0");
    server.post(&key, &path, &json!({ "reason": "again" })).problem(422);
    let wrong = json!({ "reason": "again", "walls": [{ "wall": "front", "reading": { "pieces": [{ "length": "24", "instrument": "laser" }] } }] });
    let told = server.post(&key, &path, &wrong).problem(422);
    assert_eq!(
        told["errors"][0]["pointer"], "/field_notes/walls/0/length/readings/2/pieces/0/length",
        "{told}"
    );
    let mut stated = crate::town::house(1, 1000.0);
    stated["reference"] = json!("stated");
    let saved = server.post(&key, "/v1/measurements", &stated).is(201).json();
    let path = format!("/v1/measurements/{}/1/readings", saved["property"].as_str().unwrap());
    let body = json!({ "reason": "again", "walls": [{ "wall": "front", "reading": reading }] });
    server.post(&key, &path, &body).problem(409);
    server.post(&key, "/v1/measurements/none/1/readings", &body).problem(404);
}

fn each_level_that_was_drawn_has_a_plan(place: &Installation) {
    let server = Server::start(place, &[]);
    let key = key(place, "office", "upload");
    let saved = server.post(&key, "/v1/measurements", &drawn()).is(201).json();
    let base = format!("/v1/measurements/{}/1", saved["property"].as_str().unwrap());
    let plans = server.get(&key, &format!("{base}/plans")).is(200).json();
    let levels: Vec<i64> =
        plans.as_array().unwrap().iter().map(|plan| plan["level"].as_i64().unwrap()).collect();
    assert_eq!(levels, [0, 1, 2]);
    for plan in plans.as_array().unwrap() {
        let drawing = server.get(&key, plan["href"].as_str().unwrap()).is(200);
        assert_eq!(drawing.header("content-type"), "image/svg+xml");
        assert!(drawing.text.contains(plan["name"].as_str().unwrap()), "{plan}");
    }
    let first = server.get(&key, &format!("{base}/plan.svg")).is(200);
    let first = first.text;
    assert!(first.contains("main house, level 1") && first.contains("888.0 sq ft"));
    server.get(&key, &format!("{base}/plan.svg?level=7")).problem(404);
    server.get(&key, &format!("{base}/plan.svg?standard=none")).problem(404);
}

on_both_databases!(
    a_preview_states_areas_and_checks_and_keeps_nothing,
    a_further_reading_makes_a_version_with_the_old_ones,
    a_reading_that_cannot_be_added_says_why,
    each_level_that_was_drawn_has_a_plan,
);

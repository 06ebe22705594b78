//! The demonstration on the invented county, against what `tests/oracle/demo.py` worked out.

use std::collections::BTreeMap;
use std::fs;

use crossfoot_testbed::repository;
use serde_json::Value;

use crate::installation::{Ended, Installation, same};

/// Outcome, state of the match and kind of difference for a verdict in the words of `fixtures/demo/expected.json`.
fn in_our_words(verdict: &str) -> (&'static str, &'static str, Option<&'static str>) {
    match verdict {
        "queued" => ("material", "sure", Some("variance")),
        "undecided" => ("undecided", "sure", Some("variance")),
        "not material" => ("not_material", "sure", Some("variance")),
        "within measuring error" => ("within_measuring_error", "sure", Some("variance")),
        "no area on record" => ("material", "sure", Some("no_area")),
        "recorded as vacant" => ("material", "sure", Some("recorded_vacant")),
        "held because the address disagrees" => ("address_disagrees", "to_settle", None),
        "unmatched" => ("unmatched", "unmatched", None),
        other => panic!("no word for {other:?}"),
    }
}

fn demonstrate(place: &Installation) -> Ended {
    place.run(&["demo", "--no-serve"]).code(0)
}

fn export(place: &Installation, what: &str) -> Vec<Value> {
    place.run_for("demonstration", &["export", what, "--format", "ndjson"]).code(0).json_lines()
}

fn every_house_of_the_demonstration_ends_as_its_story_says(place: &Installation) {
    let shown = demonstrate(place)
        .says("Basalt County is an invented place")
        .says("houses.json: 40 measured houses, 40 of them new")
        .says("117 records (117 new, 0 changed, 0 unchanged, 0 gone), 0 rows repeated, 4 in quarantine")
        .says("117 records (117 new, 0 changed, 0 unchanged, 0 gone), 0 rows repeated, 1 in quarantine")
        .says("2 text in number");
    let expected = fs::read_to_string(repository().join("fixtures/demo/expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_str(&expected).unwrap();
    let pair =
        |row: &Value| (row["reference"].as_str().unwrap().to_owned(), row["source"].clone().to_string());
    let judged: BTreeMap<_, _> =
        export(place, "judgements").into_iter().map(|row| (pair(&row), row)).collect();
    assert_eq!((expected.len(), judged.len()), (80, 80));
    let mut queued = 0;
    for row in &expected {
        let (outcome, matched, kind) = in_our_words(row["verdict"].as_str().unwrap());
        let ours = &judged[&pair(row)];
        let found =
            (ours["outcome"].as_str().unwrap(), ours["match"].as_str().unwrap(), ours["kind"].as_str());
        assert_eq!(found, (outcome, matched, kind), "{row}\n{ours}");
        assert_eq!(ours["state"].as_str(), (outcome == "material").then_some("open"), "{ours}");
        match row["variance_percent"].as_f64() {
            Some(percent) => {
                assert_eq!(
                    format!("{:.4}", 100.0 * ours["variance"].as_f64().unwrap()),
                    format!("{percent:.4}")
                );
            }
            None => assert!(ours["variance"].is_null(), "{ours}"),
        }
        queued += usize::from(outcome == "material");
        if matched != "sure" {
            let reference = row["reference"].as_str().unwrap();
            assert!(shown.out.contains(&format!("{reference} against")), "{reference}\n{}", shown.out);
        }
    }
    assert_eq!(export(place, "findings").len(), queued);
    // a property stands in the queue once, whatever the number of sources that are wrong about it
    let properties =
        place.run_for("demonstration", &["queue", "--limit", "0", "--json"]).code(0).json_lines();
    shown.says(&format!("{0} of {0} properties in the queue", properties.len()));
    let findings: usize = properties.iter().map(|item| item["findings"].as_array().unwrap().len()).sum();
    assert_eq!(findings, queued);
}

fn the_demonstration_again_changes_nothing(place: &Installation) {
    demonstrate(place);
    let (tables, findings) = (place.tables(), export(place, "findings"));
    let again = demonstrate(place).says("houses.json: 40 measured houses, 0 of them new");
    assert_eq!(again.out.matches("nothing to do").count(), 2, "{}", again.out);
    assert_eq!(again.out.matches("nothing to judge").count(), 2, "{}", again.out);
    same(&place.tables(), &tables);
    assert_eq!(export(place, "findings"), findings);
}

fn the_demonstration_can_be_explained_house_by_house(place: &Installation) {
    demonstrate(place);
    let explain = |reference| place.run_for("demonstration", &["explain", reference]);
    explain("DAO-001").code(0).says("DAO-001 against basalt-county-roll").says("Not a survey").says("opened");
    explain("DAO-999").code(3).complains("no property DAO-999");
}

on_both_databases!(
    every_house_of_the_demonstration_ends_as_its_story_says,
    the_demonstration_again_changes_nothing,
    the_demonstration_can_be_explained_house_by_house,
);

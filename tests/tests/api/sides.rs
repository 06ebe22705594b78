//! Several sources over HTTP: records of a property side by side, one source against another, years of jurisdictions.

use serde_json::json;

use crate::installation::Installation;
use crate::server::{Request, Server, key};

const OFFICE: &str = "demonstration";
const YEAR: &str = include_str!("../../../fixtures/jurisdictions/basalt-county-2026.toml");

fn county(place: &Installation) -> (Server, String) {
    place.run_for(OFFICE, &["demo", "--no-serve"]).code(0);
    (Server::start(place, &[]), key(place, OFFICE, "review"))
}

fn records_of_a_property_stand_side_by_side_and_say_where_they_disagree(place: &Installation) {
    let (server, key) = county(place);
    let properties = server.get(&key, "/v1/properties?limit=100").is(200).json();
    let find = |reference: &str| {
        let items = properties["items"].as_array().unwrap();
        let id =
            items.iter().find(|p| p["reference"] == reference).unwrap()["id"].as_str().unwrap().to_owned();
        server.get(&key, &format!("/v1/properties/{id}")).is(200).json()
    };
    // 114 Garnet Street: 912 sq ft on the county's roll, 1,300 in the treasurers' file (fixtures/demo/STORIES.md)
    let house = find("DAO-001");
    let records = house["records"].as_array().unwrap();
    let told: Vec<String> = records
        .iter()
        .map(|r| {
            format!(
                "{} {} {} {} {}",
                r["source"], r["roll_year"], r["status"], r["basis"], r["record"]["area_sqft"]
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "\"basalt-county-roll\" 2026 \"certified\" \"finished-above-grade\" 912.0",
            "\"basalt-treasurer\" 2026 \"certified\" \"finished-above-grade\" 1300.0"
        ]
    );
    let area = house["disagreements"].as_array().unwrap().iter().find(|d| d["field"] == "area").unwrap();
    assert_eq!(
        area["sentence"],
        "The areas differ: 912 sq ft in basalt-county-roll, 1300 sq ft in basalt-treasurer; all of them count by \
         finished-above-grade, so at most one of the figures is right."
    );
    assert_eq!(house["copies"], json!([]));
    // a record whose match is not settled says nothing of the others
    let held = find("DAO-029");
    assert!(held["disagreements"].as_array().unwrap().iter().all(|d| d["field"] != "situs"), "{held}");
}

fn one_source_is_held_against_another(place: &Installation) {
    let (server, key) = county(place);
    let ask = "source=basalt-county-roll&with=basalt-treasurer";
    let counts = server.get(&key, &format!("/v1/compare/counts?{ask}")).is(200).json();
    let area = counts["fields"].as_array().unwrap().iter().find(|f| f["field"] == "area").unwrap();
    let sum: i64 = ["equal", "differing", "only_source", "only_other", "neither"]
        .iter()
        .map(|name| area[*name].as_i64().unwrap())
        .sum();
    assert_eq!(counts["both"], sum);
    assert_eq!((&counts["basis"], &counts["copy"]), (&json!("same"), &json!(null)));
    // page by page the same as at once, and as many as are counted
    let (mut seen, mut path) = (Vec::new(), format!("/v1/compare?{ask}&limit=3"));
    loop {
        let page = server.get(&key, &path).is(200).json();
        seen.extend(
            page["items"].as_array().unwrap().iter().map(|i| i["parcel_key"].as_str().unwrap().to_owned()),
        );
        let Some(next) = page["next"].as_str() else { break };
        path = format!("/v1/compare?{ask}&limit=3&cursor={next}");
    }
    assert_eq!(area["differing"], seen.len());
    assert!(seen.contains(&"070412003".to_owned()), "{seen:?}");
    let csv = server.get(&key, &format!("/v1/compare.csv?{ask}")).is(200).text;
    assert_eq!(csv.lines().count(), seen.len() + 1, "{csv}");
    let garnet = csv.lines().find(|line| line.starts_with("070412003,")).unwrap();
    assert!(garnet.starts_with("070412003,388"), "{garnet}");
    // a larger difference lists fewer; parcels of one source alone are a list too
    let large = server.get(&key, &format!("/v1/compare?{ask}&at_least=300")).is(200).json();
    let large = large["items"].as_array().unwrap();
    assert!(!large.is_empty() && large.len() < seen.len());
    assert!(large.iter().all(|item| item["difference"].as_f64().unwrap().abs() >= 300.0));
    let only = server.get(&key, &format!("/v1/compare?{ask}&list=only_in_source&limit=500")).is(200).json();
    assert_eq!(counts["only_in_source"], only["items"].as_array().unwrap().len());
    for (query, status) in [
        ("source=basalt-county-roll&with=none", 404),
        ("source=basalt-county-roll&with=basalt-county-roll", 409),
        ("source=basalt-county-roll", 400),
        ("source=basalt-county-roll&with=basalt-treasurer&at_least=-1", 409),
        ("source=basalt-county-roll&with=basalt-treasurer&field=colour", 400),
    ] {
        server.get(&key, &format!("/v1/compare?{query}")).problem(status);
    }
}

fn a_year_is_entered_superseded_and_shown(place: &Installation) {
    let server = Server::start(place, &[]);
    let (operator, reader) = (key(place, "office", "operator"), key(place, "office", "upload"));
    let path = "/v1/jurisdictions/basalt-county/years/2026";
    let put = |key: &str, path: &str, content: &str, body: &str| {
        server.send(&Request {
            key: Some(key),
            content: Some(content),
            body: body.as_bytes(),
            ..Request::new("PUT", path)
        })
    };
    server.get(&reader, path).problem(404);
    put(&reader, path, "application/toml", YEAR).problem(403);
    let saved = put(&operator, path, "application/toml", YEAR).is(201).json();
    assert_eq!(saved["version"], 1);
    put(&operator, path, "application/toml", YEAR).is(200);
    let mut document = saved["document"].clone();
    document["value"][3]["value"] = json!("22.80");
    put(&operator, path, "application/json", &document.to_string()).is(201);
    let whole = server.get(&reader, path).is(200).json();
    assert_eq!((&whole["newest"]["version"], whole["earlier"].as_array().unwrap().len()), (&json!(2), 1));
    assert_eq!(whole["newest"]["document"]["value"][3]["value"], "22.80");
    assert_eq!(whole["earlier"][0]["document"]["value"][3]["value"], "22.75");
    assert_eq!(server.get(&reader, "/v1/jurisdictions").is(200).json().as_array().unwrap().len(), 1);
    // everything that is wrong is told at its place
    document["value"][0]["value"] = json!("soon");
    document["value"][1]["source"] = json!("");
    let wrong = put(&operator, path, "application/json", &document.to_string()).problem(422);
    let places: Vec<&str> =
        wrong["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(places, ["/value/1/source", "/value/0/value"].iter().rev().copied().collect::<Vec<_>>());
    let wrong =
        put(&operator, path, "application/toml", &YEAR.replace("2026-05-31", "\"31 May\"")).problem(422);
    assert!(wrong["errors"][0]["detail"].as_str().unwrap().starts_with("line "), "{wrong}");
    put(&operator, "/v1/jurisdictions/basalt-county/years/2025", "application/toml", YEAR).problem(422);
    put(&operator, path, "text/html", YEAR).problem(415);
}

fn a_rule_for_parcel_numbers_is_entered_superseded_and_followed(place: &Installation) {
    const RULE: &str =
        "jurisdiction = \"XX-TOWN\"\npad_left = [6]\ncitation = \"Manual of the town, page 2\"\n";
    let server = Server::start(place, &[]);
    let (operator, reader) = (key(place, "office", "operator"), key(place, "office", "upload"));
    let post = |key: &str, path: &str, content: &str, body: &str| {
        server.send(&Request {
            key: Some(key),
            content: Some(content),
            body: body.as_bytes(),
            ..Request::new("POST", path)
        })
    };
    let layout = "id = \"town-roll\"\njurisdiction = \"XX-TOWN\"\nbasis = \"not-published\"\n[parcel]\n\
                  columns = [\"PARCEL\"]\nrule = \"jurisdiction\"\n[area]\ncolumn = \"AREA\"\n";
    post(&operator, "/v1/sources", "application/toml", layout).is(201);
    let hand_in = || post(&operator, "/v1/sources/town-roll/editions", "text/csv", "PARCEL,AREA\n7,1000\n");
    let why = hand_in().problem(409);
    assert!(why["detail"].as_str().unwrap().contains("crossfoot jurisdiction rule FILE"), "{why}");
    let path = "/v1/jurisdictions/XX-TOWN/identifier-rule";
    server.get(&reader, path).problem(404);
    post(&reader, path, "application/toml", RULE).problem(403);
    let saved = post(&operator, path, "application/toml", RULE).is(201).json();
    assert_eq!(saved, json!({ "version": 1, "tried": 0, "untried": 0, "loaded_before": [] }));
    post(&operator, path, "application/toml", RULE).is(200);
    hand_in().is(202);
    let mut document = server.get(&reader, path).is(200).json()["newest"]["document"].clone();
    assert_eq!((&document["pad_left"], &document["strip"]), (&json!([6]), &json!("-. ")));
    document["pad_left"] = json!([8]);
    post(&operator, path, "application/json", &document.to_string()).is(201);
    let whole = server.get(&reader, path).is(200).json();
    assert_eq!(
        (&whole["newest"]["version"], &whole["earlier"][0]["document"]["pad_left"]),
        (&json!(2), &json!([6]))
    );
    let listed = server.get(&reader, "/v1/identifier-rules?jurisdiction=XX-TOWN").is(200).json();
    assert_eq!((listed.as_array().unwrap().len(), &listed[0]["version"]), (1, &json!(2)));
    // everything that is wrong is told at its place
    document["pad_left"] = json!([65]);
    document["citation"] = json!("");
    let wrong = post(&operator, path, "application/json", &document.to_string()).problem(422);
    let places: Vec<&str> =
        wrong["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(places, ["/citation", "/pad_left"]);
    post(&operator, "/v1/jurisdictions/elsewhere/identifier-rule", "application/toml", RULE).problem(422);
    post(&operator, path, "text/html", RULE).problem(415);
}

on_both_databases!(
    records_of_a_property_stand_side_by_side_and_say_where_they_disagree,
    one_source_is_held_against_another,
    a_year_is_entered_superseded_and_shown,
    a_rule_for_parcel_numbers_is_entered_superseded_and_followed,
);

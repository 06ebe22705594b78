//! Definitions of floor area of an office's own, by API and command: kept in versions, judged by, and in the packet.

use std::process::Command;

use serde_json::{Value, json};

use crate::installation::{Ended, Installation};
use crate::server::{Request, Server, key};
use crate::town::{HEADER, LAYOUT, reference, row};

const OWN: &str = "town-living-area";

/// Everything counts, garages at a weight.
fn own(garage: &str) -> String {
    format!(
        "id = \"{OWN}\"\ntitle = \"Living area of the town\"\npublisher = \"the town's assessor\"\nedition = \"2026\"\n\
         source = \"a letter of the office\"\nmeasured_to = \"outside\"\n\
         [[rule]]\nid = \"garage\"\nwhen = {{ use = [\"garage\"] }}\nverdict = \"counted\"\nweight = \"{garage}\"\n\
         because = \"as the letter says\"\n\
         [[rule]]\nid = \"all\"\nverdict = \"counted\"\nbecause = \"as the letter says\"\n"
    )
}

/// 1,000 sq ft to live in and a garage of 400.
fn house() -> Value {
    let part = |part_use: &str, area: f64| json!({ "use": part_use, "area_sqft": area, "sd_sqft": 3.0 });
    json!({
        "reference": reference(1), "parcel": "000001", "address": "1 Oak Street, Town", "measured_on": "2026-03-08",
        "buildings": [{ "name": "main house", "kind": "main", "levels": [
            { "level": 1, "grade": "above", "parts": [part("living", 1000.0), part("garage", 400.0)] }] }]
    })
}

fn a_definition_is_kept_in_versions_and_named_by_them(place: &Installation) {
    let server = Server::start(place, &[]);
    let (administrator, reader) = (key(place, "office", "administer"), key(place, "office", "consult"));
    let other = key(place, "south", "administer");
    let built_in = server.get(&reader, "/v1/standards").is(200).json();
    let built_in = built_in.as_array().unwrap().len();
    let toml = |text: &str| server.post_as(&administrator, "/v1/standards", "application/toml", text);
    let first = toml(&own("1/2")).is(201).json();
    assert_eq!((&first["id"], &first["version"]), (&json!(OWN), &json!(1)));
    toml(&own("1/2")).is(200);
    // JSON of the same shape is the same definition
    let definition = first["definition"].clone();
    server.post(&administrator, "/v1/standards", &definition).is(200);
    assert_eq!(toml(&own("1/4")).is(201).json()["version"], 2);
    let listed = server.get(&reader, "/v1/standards").is(200).json();
    let listed = listed.as_array().unwrap();
    assert_eq!((listed.len(), &listed[built_in]["version"]), (built_in + 1, &json!(2)));
    assert_eq!(server.get(&other, "/v1/standards").json().as_array().unwrap().len(), built_in);

    let total = |key: &str, name: &str| {
        server.post(key, &format!("/v1/measurements/preview?standard={name}"), &house())
    };
    for (name, sqft) in [(OWN.to_owned(), 1100.0), (format!("{OWN}@1"), 1200.0), (format!("{OWN}@2"), 1100.0)]
    {
        assert_eq!(total(&reader, &name).is(200).json()["total_sqft"], sqft, "{name}");
    }
    total(&reader, &format!("{OWN}@3")).problem(404);
    total(&other, OWN).problem(404);
    let log = server.get(&administrator, "/v1/audit-log").is(200).text;
    assert!(log.contains("standard_saved") && log.contains(&format!("standard {OWN}@2")), "{log}");
}

fn what_is_no_definition_is_refused_with_what_mends_it(place: &Installation) {
    let server = Server::start(place, &[]);
    let administrator = key(place, "office", "administer");
    let refused = |content: &str, text: &str, status: u16, told: &str| {
        let answer = server.post_as(&administrator, "/v1/standards", content, text);
        let text = answer.text.clone();
        answer.problem(status);
        assert!(text.contains(told), "{text}");
    };
    let toml = "application/toml";
    refused(toml, &own("3/2"), 422, "from 0 to 1");
    refused(toml, &own("1/2").replace("id = \"all\"", "id = \"garage\""), 422, "a name of its own");
    refused(
        toml,
        &own("1/2").replace("id = \"all\"", "id = \"all\"\nwhen = { use = [\"living\"] }"),
        422,
        "has no rule for",
    );
    refused(toml, &own("1/2").replace(OWN, "woflv"), 422, "comes with the program");
    refused(toml, &own("1/2").replace(OWN, "not-published"), 422, "states no basis");
    refused(toml, &own("1/2").replace("a letter", "a\\u0000letter"), 422, "control characters");
    refused("application/json", "{", 400, "no JSON");
    refused("application/json", "{}", 422, "missing field");
    refused("text/csv", "a,b", 415, "Content-Type");
    let bytes = Request { key: Some(&administrator), ..Request::new("POST", "/v1/standards") };
    server.send(&bytes).problem(415);
}

fn prepare(place: &Installation) {
    let definition = place.file("own.toml", own("1/2"));
    place.run(&["standards", "add", &definition]).code(0).says("version 1");
    let houses = place.file("houses.json", json!([house()]).to_string());
    place.run(&["import", "houses", &houses]).code(0);
    let roll = place.file("roll.csv", format!("{HEADER}\n{}\n", row(1, "800")));
    let layout = place.file("layout.toml", LAYOUT.replace("finished-above-grade", OWN));
    place.run(&["import", "roll", &roll, "--layout", &layout, "--roll-year", "2026"]).code(0);
    place.run(&["reconcile"]).code(0);
}

fn the_pair(place: &Installation) -> Value {
    place.judgements().remove(&reference(1)).unwrap()
}

fn a_house_is_judged_by_it_explained_and_evidenced(place: &Installation) {
    prepare(place);
    let pair = the_pair(place);
    assert_eq!(
        (&pair["standard"], &pair["measured_sqft"]),
        (&json!("town-living-area@1"), &json!(1200.0)),
        "{pair}"
    );
    let server = Server::start(place, &[]);
    let reader = key(place, "office", "consult");
    let finding = server.get(&reader, "/v1/findings").is(200).json()["items"][0]["finding"]["id"].clone();
    let id = finding.as_str().unwrap();
    server.get(&reader, &format!("/v1/findings/{id}/explanation")).is(200);

    // who gets the packet has neither an installation nor the definition; two of the figures are of stating it again
    let packet = server.get(&reader, &format!("/v1/findings/{id}/packet.zip")).is(200).bytes;
    let file = place.file("received.zip", &packet);
    let verified = Ended::of(Command::new(crossfoot_testbed::binary("crossfoot")).args(["verify", &file]));
    verified.code(0).says("13 computed again, all hold");

    // a packet by the version that was judged by stays the same; the new version is judged by after reconciling
    let changed = place.file("own.toml", own("1/4"));
    place.run(&["standards", "add", &changed]).code(0).says("version 2");
    server.wait_for("the new version", || {
        let pair = the_pair(place);
        (pair["standard"] == "town-living-area@2").then_some(pair)
    });
    assert_eq!(the_pair(place)["measured_sqft"], 1100.0);
}

fn the_command_lists_and_shows_and_refuses(place: &Installation) {
    let definition = place.file("own.toml", own("1/2"));
    place.run(&["standards", "add", &definition]).code(0);
    place.run(&["standards"]).code(0).says("woflv").says(OWN).says("outer face");
    let lines = place.run(&["standards", "--json"]).code(0).json_lines();
    assert_eq!((&lines.last().unwrap()["id"], &lines.last().unwrap()["version"]), (&json!(OWN), &json!(1)));
    place
        .run(&["standards", "maryland-living-area"])
        .code(0)
        .says("half-storey")
        .says("Cautions:")
        .says("procedure 270");
    place.run(&["standards", OWN]).code(0).says("as the letter says").says("1/2 of it");
    place.run(&["standards", "none"]).code(3).complains("crossfoot standards lists them");
    place.run_for("south", &["standards", OWN]).code(3);
    let wrong = place.file("wrong.toml", own("2"));
    place.run(&["standards", "add", &wrong]).code(3).complains("from 0 to 1");
    let built_in = place.file("woflv.toml", own("1/2").replace(OWN, "woflv"));
    place.run(&["standards", "add", &built_in]).code(3).complains("comes with the program");
    place.run(&["standards", "add", "no-such-file.toml"]).code(3);
}

on_both_databases!(
    a_definition_is_kept_in_versions_and_named_by_them,
    what_is_no_definition_is_refused_with_what_mends_it,
    a_house_is_judged_by_it_explained_and_evidenced,
    the_command_lists_and_shows_and_refuses,
);

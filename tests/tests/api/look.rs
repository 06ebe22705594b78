//! A file is looked at over HTTP: who may, what comes back, and that nothing of it stays.

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Request, Server, key};
use crate::town::{LAYOUT, roll};

const PATH: &str = "/v1/layouts/look?name=town.csv";

fn a_file_is_looked_at_and_not_kept(place: &Installation) {
    let server = Server::start(place, &[]);
    let (operator, desk) = (key(place, "office", "operator"), key(place, "office", "administer"));
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(201);
    let content = roll(&[Some(1000), Some(1200), Some(1400)]);
    server.post_as(&desk, PATH, "text/csv", &content).problem(403);
    let before = place.tables();
    let found = server.post_as(&operator, PATH, "text/csv", &content).is(200).json();
    assert_eq!(
        (&found["name"], &found["rows"]["counted"], &found["whole"]),
        (&json!("town.csv"), &json!(3), &json!(true))
    );
    assert_eq!(found["layouts"][0]["id"], "town-roll");
    assert_eq!(found["layouts"][0]["reading"]["entries"], 3, "{}", found["layouts"]);
    let proposal = &found["proposal"];
    assert_eq!(proposal["reading"]["entries"], 3, "{proposal}");
    // what is proposed is taken as it stands
    server
        .post_as(&operator, "/v1/sources", "application/toml", proposal["layout"].as_str().unwrap())
        .is(201);
    let whole =
        server.post_as(&operator, "/v1/layouts/look?whole=true", "application/octet-stream", &content);
    assert_eq!(whole.is(200).json()["proposal"]["reading"]["whole"], true);
    let kept = |tables: &crate::installation::Tables| {
        ["edition", "record", "job"].map(|name| tables.get(name).map_or(0, Vec::len))
    };
    assert_eq!(kept(&before), kept(&place.tables()));
}

fn what_is_no_table_is_a_problem(place: &Installation) {
    let server = Server::start(place, &["--upload-bytes", "20000"]);
    let operator = key(place, "office", "operator");
    server.post_as(&operator, PATH, "text/html", "x").problem(415);
    server.post_as(&operator, PATH, "text/csv", "").problem(422);
    server.post_as(&operator, PATH, "text/csv", "PK\u{3}\u{4}rest").problem(422);
    server.post_as(&operator, "/v1/layouts/look?nmae=x", "text/csv", "a,b\n1,2\n").problem(400);
    server.post_as(&operator, PATH, "text/csv", &"1,2\n".repeat(6000)).problem(413);
    let body = [0xFF_u8, 0xFE, 0xD8, 0, 0xDC];
    let request = Request {
        key: Some(&operator),
        content: Some("text/csv"),
        body: &body,
        ..Request::new("POST", PATH)
    };
    let answer = server.send(&request);
    assert!([200, 422].contains(&answer.status), "{answer:?}");
}

/// The layouts of sources and those that come with the program are told apart, and a source that uses a shipped one has
/// its version. `crossfoot layouts` lists the same.
fn layouts_in_use_and_layouts_that_ship_are_said_apart(place: &Installation) {
    let server = Server::start(place, &[]);
    let (operator, uploader) = (key(place, "office", "operator"), key(place, "office", "upload"));
    let of = |origin: &str| -> Vec<Value> {
        let all = server.get(&uploader, "/v1/layouts").is(200).json();
        all.as_array().unwrap().iter().filter(|layout| layout["origin"] == origin).cloned().collect()
    };
    let shipped = of("program");
    let listed = place.run(&["layouts", "--json"]).code(0).json_lines();
    let named = |layouts: &[Value]| -> Vec<(String, String)> {
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        layouts.iter().map(|one| (text(&one["layout"]["id"]), text(&one["version"]))).collect()
    };
    let expected: Vec<(String, String)> = listed
        .iter()
        .map(|one| (one["id"].as_str().unwrap().to_owned(), one["version"].as_str().unwrap().to_owned()))
        .collect();
    assert_eq!(named(&shipped), expected);
    assert!(shipped.len() > 5 && shipped.iter().all(|one| one["source"].is_null()), "{}", shipped[0]);
    assert_eq!(of("source"), Vec::<Value>::new());
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(201);
    let harris = place.run(&["layouts", "us-tx-201-harris"]).code(0).out;
    server.post_as(&operator, "/v1/sources", "application/toml", &harris).is(201);
    let used = of("source");
    assert_eq!(used.iter().map(|one| &one["source"]).collect::<Vec<_>>(), ["town-roll", "us-tx-201-harris"]);
    assert!(named(&shipped).contains(&named(&used)[1]), "{used:?}");
    assert_eq!(of("program"), shipped);
}

on_both_databases!(
    layouts_in_use_and_layouts_that_ship_are_said_apart,
    a_file_is_looked_at_and_not_kept,
    what_is_no_table_is_a_problem,
);

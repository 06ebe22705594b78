//! A file is looked at over HTTP: who may, what comes back, and that nothing of it stays.

use serde_json::json;

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

on_both_databases!(a_file_is_looked_at_and_not_kept, what_is_no_table_is_a_problem,);

//! What stands in the log of the service: the id of each request, and no key, no session, no password of a database.

use std::fs;

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Request, Server, key};

fn the_log_names_requests_and_keeps_secrets_even_when_everything_is_logged(place: &Installation) {
    place.settled();
    let log = place.folder().join("log");
    let server = Server::logging(place, &log);
    let administrator = key(place, "office", "administer");
    let made = server.post(&administrator, "/v1/keys", &json!({"role": "review", "label": "a reviewer"}));
    let secret = made.is(201).json()["secret"].as_str().unwrap().to_owned();
    let form = format!("key={secret}");
    let entered = server.send(&Request {
        content: Some("application/x-www-form-urlencoded"),
        body: form.as_bytes(),
        ..Request::new("POST", "/signin")
    });
    let cookie = entered.is(303).header("set-cookie").split(';').next().unwrap().to_owned();
    let session = cookie.split_once('=').unwrap().1;
    let with_cookie = Request { headers: vec![("Cookie", &cookie)], ..Request::new("GET", "/queue") };
    server.send(&with_cookie).is(200);
    server.get("a wrong key", "/v1/queue").problem(401);
    let headers = vec![("Cookie", &*cookie), ("x-request-id", "request-17")];
    let named = Request { headers, ..with_cookie.clone() };
    assert_eq!(server.send(&named).is(200).header("x-request-id"), "request-17");
    drop(server);

    let text = fs::read_to_string(&log).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(lines.iter().any(|line| line["level"] == "TRACE" || line["level"] == "DEBUG"), "{text}");
    assert!(text.contains("request-17"), "{text}");
    for hidden in [&*administrator, &secret, session, "a wrong key"] {
        assert!(!text.contains(hidden), "{hidden} stands in the log");
    }
}

on_both_databases!(the_log_names_requests_and_keeps_secrets_even_when_everything_is_logged);

//! Who may do what: every operation of the description with every role, with no key, and with a key of another office.

use serde_json::Value;

use crate::installation::Installation;
use crate::server::{Request, Server, key};
use crate::town::{house, roll};

const ROLES: [&str; 6] = ["upload", "review", "consult", "administer", "batch", "operator"];
/// Operations that need no key, for a reason each. The list may only shrink.
const OPEN: [(&str, &str); 3] = [
    ("get", "/healthz"), // asked by the machine's supervisor
    ("get", "/readyz"),  // likewise
    ("get", "/metrics"), // from the machine itself
];
const METHODS: [&str; 5] = ["get", "post", "put", "delete", "patch"];

fn roles_see_what_the_description_says_and_nothing_else(place: &Installation) {
    let server = Server::start(place, &[]);
    let keys: Vec<(&str, String)> = ROLES.iter().map(|role| (*role, key(place, "office", role))).collect();
    let document = server.send(&Request::new("GET", "/openapi.json")).is(200).json();
    let mut operations = 0;
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            assert!(METHODS.contains(&method.as_str()), "{method} {path}");
            operations += 1;
            let open = OPEN.contains(&(method.as_str(), path.as_str()));
            let scopes = scopes(operation);
            assert_eq!(scopes.is_none(), open, "{method} {path} must be in the list of open operations");
            let real = path
                .replace("{id}", "01900000-0000-7000-8000-000000000000")
                .replace("{property}", "01900000-0000-7000-8000-000000000000")
                .replace("{version}", "1")
                .replace("{source}", "none")
                .replace("{parcel}", "1")
                .replace("{name}", "roll.csv")
                .replace("{n}", "1");
            let verb = method.to_uppercase();
            // an empty body of no type: whoever may not must be told so before it is looked at
            let request = Request::new(&verb, &real);
            let anonymous = server.send(&request);
            if let Some(scopes) = &scopes {
                anonymous.problem(401);
                server.send(&Request { key: Some("none"), ..request.clone() }).problem(401);
                for (role, key) in &keys {
                    let answer = server.send(&Request { key: Some(key), ..request.clone() });
                    if scopes.iter().any(|scope| scope == role) {
                        assert!(![401, 403].contains(&answer.status), "{role} {verb} {path}: {answer:?}");
                        assert!(answer.status < 500, "{role} {verb} {path}: {answer:?}");
                    } else {
                        answer.problem(403);
                    }
                }
            } else {
                anonymous.is(200);
            }
        }
    }
    assert!(operations > 35, "{operations}");
}

fn scopes(operation: &Value) -> Option<Vec<String>> {
    let requirements = operation.get("security")?.as_array()?;
    if requirements.iter().any(|r| r.as_object().unwrap().is_empty()) {
        return None;
    }
    let names = requirements.iter().flat_map(|r| r["key"].as_array().unwrap());
    Some(names.map(|name| name.as_str().unwrap().to_owned()).collect())
}

fn a_key_of_another_office_finds_nothing(place: &Installation) {
    place.take_roll(roll(&[Some(1000)])).code(0);
    let server = Server::start(place, &[]);
    let (ours, theirs) = (key(place, "office", "administer"), key(place, "south", "administer"));
    server.post(&ours, "/v1/measurements", &house(1, 1500.0)).is(201);
    let finding =
        server.wait_for("the finding", || server.get(&ours, "/v1/findings").json()["items"].get(0).cloned());
    let (id, property) = (finding["finding"]["id"].as_str().unwrap(), finding["property"].as_str().unwrap());
    let run = server.get(&ours, "/v1/runs").json()["items"][0]["id"].as_str().unwrap().to_owned();
    let job = server.post(&ours, "/v1/runs", &serde_json::json!({})).is(202).json();
    let job = job["jobs"][0]["job"].as_str().unwrap();
    for path in [
        format!("/v1/findings/{id}"),
        format!("/v1/findings/{id}/history"),
        format!("/v1/findings/{id}/explanation"),
        format!("/v1/properties/{property}"),
        format!("/v1/measurements/{property}/1"),
        format!("/v1/measurements/{property}/1/areas"),
        format!("/v1/runs/{run}"),
        format!("/v1/jobs/{job}"),
    ] {
        server.get(&ours, &path).is(200);
        server.get(&theirs, &path).problem(404);
    }
    for list in ["queue", "findings", "measurements", "properties", "runs", "matches", "audit-log"] {
        assert_eq!(
            server.get(&theirs, &format!("/v1/{list}")).is(200).json()["items"],
            serde_json::json!([]),
            "{list}"
        );
    }
    assert_eq!(server.get(&theirs, "/v1/findings.ndjson").is(200).text, "");
    let seen = server.get(&ours, "/v1/keys").json();
    let own = seen[0]["id"].as_str().unwrap();
    let delete = format!("/v1/keys/{own}");
    server.send(&Request { key: Some(&theirs), ..Request::new("DELETE", &delete) }).problem(404);
    server.get(&ours, "/v1/queue").is(200);
}

on_both_databases!(
    roles_see_what_the_description_says_and_nothing_else,
    a_key_of_another_office_finds_nothing,
);

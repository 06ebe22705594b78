//! Checkers that other people wrote: of the description, and of the service against it.

use std::process::Command;

use crossfoot_testbed::{python, repository};

use crate::installation::{Ended, Installation};
use crate::server::{Request, Server, key};

#[test]
fn the_description_is_what_the_code_says_and_is_valid() {
    let place = Installation::on_sqlite();
    let server = Server::start(&place, &[]);
    let served = server.send(&Request::new("GET", "/openapi.json")).is(200).json();
    let file = repository().join("schemas/openapi.json");
    let kept: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
    assert!(served == kept, "run `crossfoot schema` and commit schemas/openapi.json");
    Ended::of(Command::new(python()).args(["-m", "openapi_spec_validator"]).arg(&file)).code(0).says("OK");
}

fn generated_requests_find_no_fault(place: &Installation) {
    let server = Server::start(place, &["--requests-a-minute", "1000000"]);
    for role in ["administer", "operator"] {
        let key = key(place, "office", role);
        let mut command = Command::new(python().with_file_name("st"));
        command
            .arg("--config-file")
            .arg(repository().join("tests/oracle/schemathesis.toml"))
            .args(["run", "--checks", "all", "--max-examples", "20", "--seed", "1", "--no-color"])
            .args(["-H", &format!("Authorization: Bearer {key}")])
            .arg(format!("http://{}/openapi.json", server.address))
            .current_dir(place.folder());
        // the operator's own operations alone: the others refuse the operator
        if role == "operator" {
            command.args(["--include-path", "/v1/sources", "--include-path", "/v1/sources/{id}/editions"]);
        }
        Ended::of(&mut command).code(0);
    }
}

on_both_databases!(generated_requests_find_no_fault);

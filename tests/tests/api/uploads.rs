//! Files over HTTP: houses by the hundred, rolls, and uploads that are too long, broken off or slow.

use std::fs;
use std::io::Write as _;
use std::net::TcpStream;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use crossfoot_testbed::repository;
use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Answer, Request, Server, key};
use crate::town::{LAYOUT, house, reference, roll};

fn a_file_of_houses_gets_a_result_for_each_in_its_order(place: &Installation) {
    let server = Server::start(place, &[]);
    let key = key(place, "office", "upload");
    let mut lines: Vec<String> = (1..=1200).map(|n| house(n, 1000.0).to_string()).collect();
    lines[3] = "{not json".to_owned();
    lines[700] = house(5, 1.0).to_string();
    let answer = server.post_as(&key, "/v1/measurements/batch", "application/x-ndjson", &lines.join("\n"));
    let results = answer.is(200).lines();
    assert_eq!(results.len(), 1200);
    for (n, result) in (1usize..).zip(&results) {
        assert_eq!(result["place"], format!("line {n}"));
        let expected = if [4, 701].contains(&n) { "set_aside" } else { "new" };
        assert_eq!(result["result"], expected, "{result}");
    }
    assert_eq!(results[700]["errors"][0]["pointer"], "/reference");
    // the same again changes nothing; the other forms are told apart by their type
    let again = server.post_as(&key, "/v1/measurements/batch", "application/x-ndjson", &lines[0]);
    assert_eq!(again.lines()[0]["result"], "unchanged");
    let array = json!([house(1300, 900.0), {"reference": "x"}]).to_string();
    let answer = server.post_as(&key, "/v1/measurements/batch", "application/json", &array).is(200).lines();
    assert_eq!((&answer[0]["result"], &answer[1]["result"]), (&json!("new"), &json!("set_aside")));
    let csv = "reference,parcel,measured_on,area_sqft\nC-1,000001,2026-03-08,1000\nC-2,000002,2026-03-08,x\n";
    let answer = server.post_as(&key, "/v1/measurements/batch", "text/csv", csv).is(200).lines();
    assert_eq!(answer[0]["result"], "new");
    assert_eq!(answer[1]["errors"][0]["pointer"], "/buildings/0/levels/0/parts/0/area_sqft", "{}", answer[1]);
    server.post_as(&key, "/v1/measurements/batch", "text/html", "x").problem(415);

    // pages bring every house once
    let (mut seen, mut path) = (Vec::new(), "/v1/properties?limit=500".to_owned());
    loop {
        let page = server.get(&key, &path).is(200).json();
        seen.extend(
            page["items"].as_array().unwrap().iter().map(|p| p["reference"].as_str().unwrap().to_owned()),
        );
        match page["next"].as_str() {
            Some(next) => path = format!("/v1/properties?limit=500&cursor={next}"),
            None => break,
        }
    }
    let count = seen.len();
    seen.sort();
    seen.dedup();
    assert_eq!((count, seen.len()), (1200, 1200));
    assert!(seen.contains(&reference(5)) && !seen.contains(&reference(4)));
}

fn a_roll_is_staged_loaded_and_known_again(place: &Installation) {
    let server = Server::start(place, &[]);
    let (operator, reviewer) = (key(place, "office", "operator"), key(place, "office", "review"));
    let path = "/v1/sources/town-roll/editions?roll_year=2026&status=certified&name=roll.csv";
    server.post_as(&operator, path, "text/csv", "x").problem(404);
    server.post_as(&operator, "/v1/sources", "application/toml", "id = 1").problem(422);
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(201);
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(200);
    let content = roll(&[Some(1000), Some(1200)]) + "secret-owner,=cmd|x,abc,,,\n";
    let staged = server.post_as(&operator, path, "text/csv", &content).is(202);
    let job = staged.header("location").to_owned();
    server.wait_for("the edition", || (server.get(&operator, &job).json()["state"] == "done").then_some(()));
    server.get(&reviewer, &job).problem(404);
    server.post_as(&operator, path, "text/csv", &content).is(200);
    let edition = server.get(&reviewer, "/v1/sources/town-roll/editions/1").is(200).json();
    assert_eq!(edition["edition"]["state"], "current", "{edition}");
    assert_eq!(
        (&edition["edition"]["rows_entered"], &edition["edition"]["rows_rejected"]),
        (&json!(2), &json!(1))
    );
    assert_eq!(edition["job"]["state"], "done");
    let rejects = server.get(&reviewer, "/v1/sources/town-roll/editions/1/rejects.csv").is(200).text;
    assert!(rejects.starts_with("file,line,column,reason,detail\r\nroll.csv,4,"), "{rejects}");
    assert!(!rejects.contains("=cmd"), "{rejects}");

    let later = server.post_as(&operator, path, "text/csv", &roll(&[Some(1000), Some(1300)])).is(202);
    let job = later.header("location").to_owned();
    server.wait_for("the edition", || (server.get(&operator, &job).json()["state"] == "done").then_some(()));
    let changes = server.get(&reviewer, "/v1/sources/town-roll/editions/2/changes").is(200).json();
    assert_eq!(changes["items"][0]["what"], "changed", "{changes}");
    assert_eq!(changes["items"][0]["recorded_sqft"], 1300.0);
    assert_eq!(
        server.get(&reviewer, "/v1/sources/town-roll/editions").json()["items"].as_array().unwrap().len(),
        2
    );
}

/// Files below the data folder whose name is of no database.
fn left_behind(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.display().to_string();
        if path.is_dir() {
            found.extend(left_behind(&path));
        } else if !name.contains("crossfoot.db") && !name.ends_with(".lock") {
            found.push(name);
        }
    }
    found
}

fn uploads_that_fail_leave_nothing_behind(place: &Installation) {
    let server = Server::start(place, &["--upload-bytes", "20000", "--idle-seconds", "1"]);
    let (operator, uploader) = (key(place, "office", "operator"), key(place, "office", "upload"));
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(201);
    let data = place.folder().join("data");
    let before = left_behind(&data);
    let targets = [("/v1/sources/town-roll/editions", &operator), ("/v1/measurements/batch", &uploader)];
    for (path, key) in targets {
        // with a key of its own each the body is taken before the handler sees it
        for headers in [vec![], vec![("Idempotency-Key", "a")]] {
            let plain = Request {
                key: Some(key),
                content: Some("text/csv"),
                headers: headers.clone(),
                ..Request::new("POST", path)
            };
            // RFC 9110, 15.5.14: content too large
            server.send(&Request { body: "x".repeat(20_001).as_bytes(), ..plain }).problem(413);
            // a length that is not said
            let chunked = format!("{:x}\r\n{}\r\n0\r\n\r\n", 20_001, "x".repeat(20_001));
            let with = |more: (&'static str, &'static str)| Request {
                key: Some(key),
                headers: [headers.clone(), vec![more, ("Content-Type", "text/csv")]].concat(),
                ..Request::new("POST", path)
            };
            let mut stream = begun(&server, &with(("Transfer-Encoding", "chunked")));
            stream.write_all(chunked.as_bytes()).unwrap();
            Answer::read(stream).problem(413);
            // one that breaks off, and one that comes too slowly (RFC 9110, 15.5.9)
            let request = with(("Content-Length", "1000"));
            begun(&server, &request).write_all(b"reference,parcel").unwrap();
            let mut slow = begun(&server, &request);
            slow.write_all(b"reference,parcel").unwrap();
            assert!(Answer::read(slow).problem(408)["detail"].as_str().unwrap().contains("1 s"));
        }
    }
    sleep(Duration::from_millis(300));
    assert_eq!(left_behind(&data), before);
    let editions = server.get(&operator, "/v1/sources/town-roll/editions").is(200).json();
    assert_eq!(editions["items"], json!([]));
    assert_eq!(server.get(&uploader, "/v1/measurements").is(200).json()["items"], Value::Array(vec![]));
    server.send(&Request::new("GET", "/healthz")).is(200);
    // a key whose request failed in passing is free for the next attempt
    let body = roll(&[Some(1000)]);
    let again = Request {
        key: Some(&operator),
        content: Some("text/csv"),
        headers: vec![("Idempotency-Key", "a")],
        body: body.as_bytes(),
        ..Request::new("POST", "/v1/sources/town-roll/editions")
    };
    server.send(&again).is(202);
}

/// The cookie of a session.
fn signed_in(server: &Server, key: &str) -> String {
    let answer = server.send(&Request {
        content: Some("application/x-www-form-urlencoded"),
        body: format!("key={key}").as_bytes(),
        ..Request::new("POST", "/signin")
    });
    answer.is(303).header("set-cookie").split(';').next().unwrap().to_owned()
}

const FORM: &str = "multipart/form-data; boundary=X";

/// The beginning of a form with a layout and a roll.
fn begun_form(roll: &str) -> String {
    let part = |name: &str, content: &str| {
        format!(
            "--X\r\nContent-Disposition: form-data; name=\"{name}\"; filename=\"{name}\"\r\n\r\n{content}"
        )
    };
    format!("{}\r\n{}", part("layout", LAYOUT), part("file", roll))
}

fn forms_that_fail_leave_nothing_behind(place: &Installation) {
    let server = Server::start(place, &["--upload-bytes", "20000", "--idle-seconds", "1"]);
    let cookie = signed_in(&server, &key(place, "office", "operator"));
    let data = place.folder().join("data");
    let before = left_behind(&data);
    let send = |body: &str| {
        server.send(&Request {
            content: Some(FORM),
            headers: vec![("Cookie", &cookie)],
            body: body.as_bytes(),
            ..Request::new("POST", "/uploads/roll")
        })
    };
    let begin = |body: &str| {
        let mut stream = TcpStream::connect(&server.address).unwrap();
        let head = format!(
            "POST /uploads/roll HTTP/1.1\r\nHost: x\r\nConnection: close\r\nCookie: {cookie}\r\nContent-Type: {FORM}\r\n"
        );
        stream.write_all(format!("{head}Content-Length: 5000\r\n\r\n{body}").as_bytes()).unwrap();
        stream
    };
    let large = send(&format!("{}\r\n--X--\r\n", begun_form(&"x".repeat(20_001)))).is(413);
    assert!(large.text.contains("larger than allowed"), "{}", large.text);
    // cut off in the layout, and in the roll: broken off by the browser, or not going on
    let (in_layout, in_roll) = (begun_form("")[..200].to_owned(), begun_form("PARCEL,SITUS"));
    for body in [&in_layout, &in_roll] {
        drop(begin(body));
        let slow = Answer::read(begin(body)).is(408);
        assert!(slow.text.contains("nothing came for 1 s"), "{}", slow.text);
    }
    sleep(Duration::from_millis(300));
    assert_eq!(left_behind(&data), before);
    assert_eq!(place.sql("SELECT count(*) FROM source"), ["0"]);
    // the same form whole
    let whole = send(&format!("{}\r\n--X--\r\n", begun_form(&roll(&[Some(1000)])))).is(303);
    assert!(whole.header("location").starts_with("/jobs/"), "{whole:?}");
}

fn an_upload_that_is_repeated_is_carried_out_once(place: &Installation) {
    let server = Server::start_with_jobs(place, "no", &[]);
    let (operator, uploader) = (key(place, "office", "operator"), key(place, "office", "upload"));
    server.post_as(&operator, "/v1/sources", "application/toml", LAYOUT).is(201);
    let send = |key: &str, path: &str, content: &str, body: &str| {
        server.send(&Request {
            key: Some(key),
            content: Some(content),
            headers: vec![("Idempotency-Key", "once")],
            body: body.as_bytes(),
            ..Request::new("POST", path)
        })
    };
    let houses = |area: f64| (1..=600).map(|n| house(n, area).to_string()).collect::<Vec<_>>().join("\n");
    let (path, content) = ("/v1/measurements/batch", "application/x-ndjson");
    let first = send(&uploader, path, content, &houses(1000.0)).is(200);
    assert!(first.lines().iter().all(|line| line["result"] == "new") && first.lines().len() == 600);
    let again = send(&uploader, path, content, &houses(1000.0)).is(200);
    // without the key it would be "unchanged"
    assert_eq!((&again.text, again.header("content-type")), (&first.text, first.header("content-type")));
    send(&uploader, path, content, &houses(1001.0)).problem(422);
    // the same bytes as another type are another request
    send(&uploader, path, "application/jsonl", &houses(1000.0)).problem(422);
    assert_eq!(place.sql("SELECT count(*), max(version) FROM measurement"), ["600|1"]);

    let path = "/v1/sources/town-roll/editions?name=roll.csv";
    let first = send(&operator, path, "text/csv", &roll(&[Some(1000)])).is(202);
    let again = send(&operator, path, "text/csv", &roll(&[Some(1000)])).is(202);
    assert_eq!((&again.text, again.header("location")), (&first.text, first.header("location")));
    send(&operator, path, "text/csv", &roll(&[Some(1001)])).problem(422);
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["1"]);
    assert_eq!(place.sql("SELECT count(*) FROM job WHERE kind = 'import'"), ["1"]);
}

fn begun(server: &Server, request: &Request<'_>) -> TcpStream {
    let mut stream = TcpStream::connect(&server.address).unwrap();
    let mut head = format!("POST {} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n", request.path);
    head.push_str(&format!("Authorization: Bearer {}\r\n", request.key.unwrap()));
    for (name, value) in &request.headers {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    stream.write_all(format!("{head}\r\n").as_bytes()).unwrap();
    stream
}

/// A set cannot ask for two texts of one table under one name; where a name does not tell, the edition is refused.
fn two_files_of_one_name_for_one_table_are_refused(place: &Installation) {
    const ROLL: &str = "us-tx-201-harris";
    let server = Server::start(place, &[]);
    let operator = key(place, "office", "operator");
    let layout = place.run(&["layouts", ROLL]).code(0).out;
    server.post_as(&operator, "/v1/sources", "application/toml", &layout).is(201);
    let sets = format!("/v1/sources/{ROLL}/sets");
    let begin = |more: &str| {
        let files = ["real_acct.txt", "building_res.txt", "fixtures.txt", more];
        server.post(&operator, &sets, &json!({ "files": files }))
    };
    let refused = begin("BUILDING_RES.txt").problem(422);
    let fault = &refused["errors"][0];
    assert_eq!(fault["pointer"], "/files", "{refused}");
    assert_eq!(
        fault["detail"],
        "building_res.txt and BUILDING_RES.txt are two texts of one name for the table buildings"
    );
    let mend = "hand in the newer one alone or, where both are parts of the roll, give them different names";
    assert_eq!(fault["mend"], mend);
    assert_eq!(server.get(&operator, &sets).is(200).json(), json!([]), "nothing gathers");
    // a name may say that its file is packed, and the file is not
    begin("building_res.txt.gz").is(201);
    let folder = repository().join("fixtures/published").join(ROLL);
    for (name, file) in [
        ("real_acct.txt", "real_acct.txt"),
        ("fixtures.txt", "fixtures.txt"),
        ("building_res.txt", "building_res.txt"),
        ("building_res.txt.gz", "building_res.txt"),
    ] {
        let body = fs::read(folder.join(file)).unwrap();
        let put = format!("{sets}/1/files/{name}");
        let request = Request {
            key: Some(&operator),
            content: Some("application/octet-stream"),
            body: &body,
            ..Request::new("PUT", &put)
        };
        server.send(&request).is(200);
    }
    let staged = server.post(&operator, &format!("{sets}/1/complete"), &json!({})).is(202).json();
    let edition = format!("/v1/sources/{ROLL}/editions/{}", staged["edition"]);
    let refusal = server.wait_for("the refusal", || {
        let edition = server.get(&operator, &edition).json();
        (edition["edition"]["state"] == "refused").then(|| edition["edition"]["refusal"].clone())
    });
    let told = "building_res.txt and building_res.txt.gz are two texts of one name for the table buildings";
    assert_eq!(refusal, format!("{told}: {mend}"));
}

on_both_databases!(
    two_files_of_one_name_for_one_table_are_refused,
    a_file_of_houses_gets_a_result_for_each_in_its_order,
    a_roll_is_staged_loaded_and_known_again,
    uploads_that_fail_leave_nothing_behind,
    forms_that_fail_leave_nothing_behind,
    an_upload_that_is_repeated_is_carried_out_once,
);

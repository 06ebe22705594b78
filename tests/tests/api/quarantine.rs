//! The quarantine as work over HTTP: counted, downloaded in the file's own form, mended, handed in again.

use crossfoot_testbed::repository;
use serde_json::json;

use crate::installation::{Installation, script_output};
use crate::server::{Request, Server, key};
use crate::town::{HEADER, LAYOUT, house, parcel, roll};

/// A roll with an owner's column of which three rows cannot be read.
fn owned_roll() -> String {
    let head = HEADER.replace("SITUS,", "OWNER,SITUS,");
    format!(
        "{head}\r\n000001,\"Doe, Jo\",1 OAK ST,1000,200000,1950,R\r\n000002,Roe,2 OAK ST,see card,200000,1950,R\r\n\
         000003,Poe,3 OAK ST,n/a,200000,1950,R\r\n000004,Moe, 4 OAK ST,R\r\n"
    )
}

struct Desk {
    server: Server,
    operator: String,
    reviewer: String,
}

impl Desk {
    fn of(place: &Installation) -> Desk {
        // a document is set while others test
        let server = Server::start(place, &["--answer-seconds", "300"]);
        let desk = Desk {
            operator: key(place, "office", "operator"),
            reviewer: key(place, "office", "review"),
            server,
        };
        desk.server.post_as(&desk.operator, "/v1/sources", "application/toml", LAYOUT).is(201);
        desk.take(
            "/v1/sources/town-roll/editions?roll_year=2026&status=certified&name=roll.csv",
            &owned_roll(),
        );
        desk
    }

    /// Hands a file in and waits for its job.
    fn take(&self, path: &str, content: &str) {
        let staged = self.server.post_as(&self.operator, path, "text/csv", content).is(202);
        let job = staged.header("location").to_owned();
        self.server.wait_for("the edition", || {
            (self.server.get(&self.operator, &job).json()["state"] == "done").then_some(())
        });
    }
}

const EDITION: &str = "/v1/sources/town-roll/editions/1";
const MENDS: &str = "/v1/sources/town-roll/editions/1/mends?by=Ann%20Garnet&reason=read%20off%20the%20card";

fn reasons_are_counted_with_their_first_rows(place: &Installation) {
    let desk = Desk::of(place);
    let found = desk.server.get(&desk.reviewer, &format!("{EDITION}/quarantine")).is(200).json();
    assert_eq!(found["rows"], 3);
    let groups = found["groups"].as_array().unwrap();
    assert_eq!((&groups[0]["reason"], &groups[0]["column"]), (&json!("text_in_number"), &json!("AREA")));
    assert_eq!((&groups[0]["rows"], groups[0]["examples"].as_array().unwrap().len()), (&json!(2), 2));
    assert_eq!(groups[0]["examples"][0]["line"], 3);
    assert_eq!((&groups[1]["reason"], &groups[1]["column"]), (&json!("wrong_column_count"), &json!(null)));
    assert_eq!(found["mended"], json!(null));
    desk.server.get(&desk.reviewer, "/v1/sources/town-roll/editions/9/quarantine").problem(404);
}

fn rows_come_in_the_files_own_form_and_names_are_masked(place: &Installation) {
    let desk = Desk::of(place);
    let masked = desk.server.get(&desk.reviewer, &format!("{EDITION}/to-mend.csv")).is(200);
    assert!(masked.header("content-type").starts_with("text/csv; charset=utf-8"));
    let lines: Vec<&str> = masked.text.split("\r\n").collect();
    assert_eq!(lines[0], "PARCEL,OWNER,SITUS,AREA,VALUE,YEAR,CLASS,crossfoot_reason");
    assert!(lines[1].starts_with("000002,…,2 OAK ST,see card,200000,1950,R,\"line 3: "), "{}", lines[1]);
    // nobody can tell which field of a row with a field too few is the owner's
    assert!(lines[3].starts_with(",,,,,,,") && lines[3].contains("line 5: found 4 fields"), "{}", lines[3]);
    for name in ["Roe", "Poe", "Moe"] {
        assert!(!masked.text.contains(name), "{}", masked.text);
    }
    let whole = format!("{EDITION}/to-mend.csv?whole=true");
    desk.server.get(&desk.reviewer, &whole).problem(403);
    desk.server.get(&key(place, "office", "administer"), &whole).problem(403);
    let whole = desk.server.get(&desk.operator, &whole).is(200).text;
    assert!(whole.contains("000004,Moe, 4 OAK ST,R,\"line 5: "), "{whole}");
    assert!(whole.contains("000002,Roe,2 OAK ST,see card,200000,1950,R,"), "{whole}");
    desk.server.get(&desk.operator, &format!("{EDITION}/to-mend.csv?file=2")).problem(400);
    let log = place.sql("SELECT action FROM audit_log WHERE action = 'rows_taken_whole'");
    assert_eq!(log.len(), 1);
}

fn rows_are_mended_in_place_and_handed_in_again(place: &Installation) {
    let desk = Desk::of(place);
    let server = &desk.server;
    let office = key(place, "office", "administer");
    server.post(&office, "/v1/measurements", &house(2, 1500.0)).is(201);
    // the masked file mended where it stands: one row well, one still wrong, the blank one left as it is
    let rows = server.get(&desk.operator, &format!("{EDITION}/to-mend.csv")).is(200).text;
    let mended = rows.replace("see card", "1000");
    desk.take(MENDS, &mended);
    let made = server.get(&desk.reviewer, "/v1/sources/town-roll/editions/2").is(200).json();
    let edition = &made["edition"];
    assert_eq!((&edition["state"], &edition["records_ended"]), (&json!("current"), &json!(0)));
    assert_eq!((&edition["rows_entered"], &edition["rows_rejected"]), (&json!(1), &json!(2)));
    assert_eq!((&edition["roll_year"], &edition["status"]), (&json!(2026), &json!("certified")));
    assert_eq!(edition["mended"]["mends"], 1);
    assert_eq!(
        (&edition["mended"]["by"], &edition["mended"]["reason"]),
        (&json!("Ann Garnet"), &json!("read off the card"))
    );
    assert_eq!(
        server.get(&desk.reviewer, "/v1/sources/town-roll/editions").json()["items"][0]["mended"],
        json!(null)
    );
    // the house finds its record, and everything says that it was mended
    let finding = server
        .wait_for("the finding", || server.get(&office, "/v1/findings").json()["items"].get(0).cloned());
    assert_eq!(finding["recorded_sqft"], 1000.0);
    let property = finding["property"].as_str().unwrap();
    let property = server.get(&office, &format!("/v1/properties/{property}")).is(200).json();
    assert_eq!(property["records"][0]["mended"]["by"], "Ann Garnet");
    assert_eq!(property["records"][0]["record"]["edition"], 2);
    let id = finding["finding"]["id"].as_str().unwrap();
    let packet = server.get(&office, &format!("/v1/findings/{id}/packet.zip")).is(200);
    assert_eq!(packet.header("content-type"), "application/zip");
    // what is still wrong stands in the quarantine of that edition, with one reason
    let left = server.get(&desk.operator, "/v1/sources/town-roll/editions/2/to-mend.csv").is(200).text;
    assert_eq!(left.lines().next().unwrap().matches("crossfoot_reason").count(), 1);
    assert_eq!(left.matches("line ").count(), 2, "{left}");
    // the same rows again are known
    server.post_as(&desk.operator, MENDS, "text/csv", &mended).is(200);
}

/// The publisher leaves out the owners from now on.
fn other_columns_are_fine(place: &Installation) {
    place.run(&["edition", "limits", "town-roll", "--columns", "9"]).code(0);
}

fn what_cannot_be_taken_is_told_with_its_mend(place: &Installation) {
    let desk = Desk::of(place);
    let server = &desk.server;
    server.post_as(&desk.reviewer, MENDS, "text/csv", "x").problem(403);
    for query in ["", "?by=&reason=x", "?by=x&reason=", "?by=x%0Ay&reason=z", "?by=x"] {
        server.post_as(&desk.operator, &format!("{EDITION}/mends{query}"), "text/csv", "x").problem(400);
    }
    server.post_as(&desk.operator, MENDS, "text/csv", "").problem(422);
    // rows under a header that the layout does not know are refused whole, like any roll
    let staged = server.post_as(&desk.operator, MENDS, "text/csv", "A,B\n1,2\n").is(202).json();
    let number = staged["edition"].as_i64().unwrap();
    let refused = server.wait_for("the refusal", || {
        let edition = server.get(&desk.reviewer, &format!("/v1/sources/town-roll/editions/{number}")).json();
        (edition["edition"]["state"] == "refused").then_some(edition)
    });
    assert!(refused["edition"]["refusal"].as_str().unwrap().contains("PARCEL"), "{refused}");
    other_columns_are_fine(place);
    desk.take("/v1/sources/town-roll/editions", &roll(&[Some(1000), Some(1100)]));
    let late = server.post_as(&desk.operator, MENDS, "text/csv", "x").problem(409);
    assert!(late["detail"].as_str().unwrap().contains("edition 3 of the publisher followed"), "{late}");
    server.get(&desk.reviewer, "/v1/sources/town-roll/editions/8/quarantine").problem(404);
}

fn the_publishers_next_edition_tells_what_it_ended(place: &Installation) {
    let desk = Desk::of(place);
    let row = format!("{HEADER}\n{},2 OAK ST,1000,200000,1950,R\n", parcel(2));
    other_columns_are_fine(place);
    desk.take(MENDS, &row);
    desk.take("/v1/sources/town-roll/editions", &roll(&[Some(1000)]));
    let notices = place.sql("SELECT detail FROM notice WHERE kind = 'mends_ended'");
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert!(
        notices[0]
            .contains("of 1 records with mended rows 0 are as the publisher has them now and 1 are gone"),
        "{notices:?}"
    );
    let report = desk.server.send(&Request {
        key: Some(&key(place, "office", "administer")),
        ..Request::new("GET", "/v1/report")
    });
    assert!(report.is(200).text.contains("mends_ended"));
}

/// An edition of the county's that is held for its columns, with one row in quarantine.
fn the_quarantine_of_a_held_edition_is_opened_and_not_mended(place: &Installation) {
    let desk = Desk::of(place);
    let server = &desk.server;
    desk.take(
        "/v1/sources/town-roll/editions?name=new.csv",
        &format!(
            "{HEADER},NOTE\r\n000001,1 OAK ST,1000,200000,1950,R,Doe\r\n000002,2 OAK ST,see card,1,1950,R,Roe\r\n"
        ),
    );
    let held = "/v1/sources/town-roll/editions/2";
    assert_eq!(server.get(&desk.reviewer, held).json()["edition"]["state"], "held");
    let found = server.get(&desk.reviewer, &format!("{held}/quarantine")).is(200).json();
    assert_eq!((&found["rows"], &found["groups"][0]["rows"]), (&json!(1), &json!(1)));
    assert_eq!(found["groups"][0]["examples"][0]["line"], 3);
    let rows = server.get(&desk.reviewer, &format!("{held}/to-mend.csv")).is(200).text;
    assert!(rows.contains("\r\n000002,2 OAK ST,see card,1,1950,R,…,\"line 3: "), "{rows}");
    let whole = server.get(&desk.operator, &format!("{held}/to-mend.csv?whole=true")).is(200).text;
    assert!(whole.contains("\r\n000002,2 OAK ST,see card,1,1950,R,Roe,"), "{whole}");
    let rejects = server.get(&desk.reviewer, &format!("{held}/rejects.csv")).is(200).text;
    assert!(rejects.contains("\r\nnew.csv,3,AREA,text_in_number,"), "{rejects}");
    // whether its rows are to count, nobody knows yet
    let mends = format!("{held}/mends?by=Ann%20Garnet&reason=read%20off%20the%20card");
    let mended = rows.replace("see card", "1000");
    let refused = server.post_as(&desk.operator, &mends, "text/csv", &mended).problem(409);
    assert_eq!(
        refused["detail"],
        "edition 2 is held for a person: accept it or give it up first, rows are mended of the edition in use"
    );
    assert_eq!(server.get(&desk.reviewer, held).json()["edition"]["state"], "held", "nothing gave it up");
    server.post(&desk.operator, &format!("{held}/accept"), &json!({})).is(204);
    desk.take(&mends, &mended);
    let made = server.get(&desk.reviewer, "/v1/sources/town-roll/editions/3").is(200).json();
    assert_eq!(
        (&made["edition"]["state"], &made["edition"]["mended"]["mends"]),
        (&json!("current"), &json!(2))
    );
    // what was taken out of use is not opened
    server.post(&desk.operator, "/v1/sources/town-roll/editions/3/withdraw", &json!({})).is(204);
    let closed = server.get(&desk.reviewer, "/v1/sources/town-roll/editions/3/quarantine").problem(409);
    assert!(closed["detail"].as_str().unwrap().starts_with("edition 3 is withdrawn: "), "{closed}");
}

/// All tables of a published roll in one archive.
fn rows_of_an_archive_are_told_with_their_table(place: &Installation) {
    const ROLL: &str = "us-tx-201-harris";
    let pack = "import pathlib, sys, zipfile\n\
                with zipfile.ZipFile(sys.argv[2], 'w') as archive:\n\
                \x20   for table in sorted(pathlib.Path(sys.argv[1]).iterdir()):\n\
                \x20       archive.writestr('2025/' + table.name, table.read_bytes())\n\
                \x20   archive.writestr('codes.pdf', '%PDF-1.7')\n";
    let (tables, archive) =
        (repository().join("fixtures/published").join(ROLL), place.folder().join("all.zip"));
    script_output(pack, &[tables.into(), archive.clone().into()]);
    let server = Server::start(place, &[]);
    let (operator, reviewer) = (key(place, "office", "operator"), key(place, "office", "review"));
    let layout = place.run(&["layouts", ROLL]).code(0).out;
    server.post_as(&operator, "/v1/sources", "application/toml", &layout).is(201);
    let bytes = std::fs::read(&archive).unwrap();
    let path = format!("/v1/sources/{ROLL}/editions?name=all.zip");
    let send = || {
        server.send(&Request {
            key: Some(&operator),
            content: Some("application/octet-stream"),
            body: &bytes,
            ..Request::new("POST", &path)
        })
    };
    let job = send().is(202).header("location").to_owned();
    server.wait_for("the edition", || (server.get(&operator, &job).json()["state"] == "done").then_some(()));
    send().is(200);
    let edition = format!("/v1/sources/{ROLL}/editions/1");
    let found = server.get(&reviewer, &format!("{edition}/quarantine")).is(200).json();
    assert_eq!(found["rows"], 4);
    let groups = found["groups"].as_array().unwrap();
    let comma = groups.iter().find(|group| group["column"] == "heat_ar").unwrap();
    assert_eq!(comma["examples"][0]["file"], "2025/building_res.txt in all.zip");
    assert_eq!(comma["examples"][0]["line"], 4);
    let rejects = server.get(&reviewer, &format!("{edition}/rejects.csv")).is(200).text;
    assert!(rejects.contains("\r\n2025/building_res.txt in all.zip,4,heat_ar,"), "{rejects}");
    server.get(&reviewer, &format!("{edition}/to-mend.csv")).problem(409);
    let mends = format!("{edition}/mends?by=Ann&reason=x");
    let refused = server.post_as(&operator, &mends, "text/csv", "acct\n1\n").problem(409);
    assert!(
        refused["detail"].as_str().unwrap().starts_with("the layout puts rows of tables together"),
        "{refused}"
    );
    let check = server.get(&reviewer, &format!("{edition}/check")).is(200).text;
    assert!(
        check.contains("all.zip holds 1 more that the layout does not read: \\\"codes.pdf\\\""),
        "{check}"
    );
}

on_both_databases!(
    the_quarantine_of_a_held_edition_is_opened_and_not_mended,
    rows_of_an_archive_are_told_with_their_table,
    reasons_are_counted_with_their_first_rows,
    rows_come_in_the_files_own_form_and_names_are_masked,
    rows_are_mended_in_place_and_handed_in_again,
    what_cannot_be_taken_is_told_with_its_mend,
    the_publishers_next_edition_tells_what_it_ended,
);

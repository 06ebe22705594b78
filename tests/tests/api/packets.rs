//! Evidence packets from the built program: the same bytes by API, page and command, checked by other people's programs.

use std::fs;
use std::path::Path;
use std::process::Command;

use crossfoot_testbed::python;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use crate::installation::{Ended, Installation};
use crate::server::{Answer, Request, Server, key};
use crate::town::{LAYOUT, house, reference};

/// An owner's name is of no use here, and none of anybody's business.
const OWNER: &str = "M\u{FC}ller, \"Jo\"";
/// A roll in code page 1252 with a column that the layout does not name, before and after those that it does.
const HEADER: &str = "OWNER,PARCEL,SITUS,AREA,VALUE,YEAR,CLASS,REMARKS";

/// Code page 1252 has the same numbers as Unicode for the letters used here.
fn encoded(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect()
}

fn row(parcel: usize, area: &str) -> String {
    format!("\"M\u{FC}ller, \"\"Jo\"\"\",{parcel:06},{parcel} OAK ST,{area},200000,1950,R,=cmd|hidden")
}

fn import_roll(place: &Installation, name: &str, areas: &[&str]) {
    let rows = areas.iter().enumerate().map(|(n, area)| row(n + 1, area) + "\r\n").collect::<String>();
    let roll = place.file(name, encoded(&format!("{HEADER}\r\n{rows}")));
    let layout = LAYOUT.replace("[parcel]", "[file]\nencoding = \"windows-1252\"\n\n[parcel]");
    let layout = place.file("layout.toml", layout);
    place.run(&["import", "roll", &roll, "--layout", &layout, "--roll-year", "2026"]).code(0);
}

fn prepare(place: &Installation) {
    let houses = json!([house(1, 1400.0), house(2, 1000.0)]).to_string();
    let houses = place.file("houses.json", houses);
    place.run(&["import", "houses", &houses]).code(0);
    import_roll(place, "roll.csv", &["1000", "1000"]);
    place.run(&["reconcile"]).code(0);
}

fn verify(place: &Installation, bytes: &[u8]) -> Ended {
    let file = place.file("received.zip", bytes);
    // without settings: who gets a packet has no installation
    Ended::of(Command::new(crossfoot_testbed::binary("crossfoot")).args(["verify", &file]))
}

fn unpacked(place: &Installation, packet: &[u8]) -> std::path::PathBuf {
    let file = place.file("packet.zip", packet);
    let folder = place.folder().join("unpacked");
    let script = "import bagit, sys, zipfile\n\
                  zipfile.ZipFile(sys.argv[1]).extractall(sys.argv[2])\n\
                  import os\n\
                  bag = bagit.Bag(os.path.join(sys.argv[2], *os.listdir(sys.argv[2])))\n\
                  bag.validate()\n\
                  print(bag.path)\n";
    let ended = Ended::of(Command::new(python()).args(["-c", script, &file]).arg(&folder)).code(0);
    Path::new(ended.out.trim()).to_owned()
}

fn the_only_finding(server: &Server, key: &str) -> String {
    let items = server.get(key, "/v1/findings").is(200).json()["items"].clone();
    assert_eq!(items.as_array().unwrap().len(), 1, "{items}");
    items[0]["finding"]["id"].as_str().unwrap().to_owned()
}

/// The hash in RFC 9530, section 3 (`Repr-Digest: sha-256=:…:`) is that of the body.
#[track_caller]
fn digest_holds(answer: &Answer) {
    let script = "import base64, hashlib, sys\n\
                  print(base64.b64encode(bytes.fromhex(sys.argv[1])).decode())\n";
    let hash = hex::encode(Sha256::digest(&answer.bytes));
    let ended = Ended::of(Command::new(python()).args(["-c", script, &hash])).code(0);
    assert_eq!(answer.header("repr-digest"), format!("sha-256=:{}:", ended.out.trim()));
}

fn a_packet_is_the_same_by_api_page_and_command_and_verifies(place: &Installation) {
    prepare(place);
    let server = Server::start(place, &[]);
    let (consultant, uploader) = (key(place, "office", "consult"), key(place, "office", "upload"));
    let id = the_only_finding(&server, &consultant);
    let path = format!("/v1/findings/{id}/packet.zip");
    let by_api = server.get(&consultant, &path).is(200);
    digest_holds(&by_api);
    assert_eq!(by_api.header("content-type"), "application/zip");
    assert_eq!(by_api.header("content-disposition"), "attachment; filename=\"packet_t-01_town-roll.zip\"");
    assert_eq!(server.get(&consultant, &path).is(200).bytes, by_api.bytes, "two exports differ");
    server.get(&uploader, &path).problem(403);
    server.get(&consultant, "/v1/findings/none/packet.zip").problem(404);
    let by_page = server.get(&consultant, &format!("/findings/{id}/packet.zip")).is(200);
    assert_eq!(by_page.bytes, by_api.bytes);
    let out = place.folder().to_str().unwrap().to_owned();
    let said = place.run(&["packet", &reference(1), "--out", &out]).code(0);
    assert_eq!(fs::read(place.folder().join("packet_t-01_town-roll.zip")).unwrap(), by_api.bytes);
    assert!(said.out.starts_with(&hex::encode(Sha256::digest(&by_api.bytes))), "{}", said.out);
    place.run(&["packet", &reference(2), "--out", &out]).code(3).complains("no finding on T-02");
    place.run(&["packet", "T-99", "--out", &out]).code(3).complains("no property T-99");

    verify(place, &by_api.bytes).code(0).says("received.zip: verifies").says("the same to the byte");
    let mut damaged = by_api.bytes.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 1;
    verify(place, &damaged).code(3).complains("does not verify");
    verify(place, b"PK").code(3).complains("does not verify");

    // the document alone is the one in the packet
    let folder = unpacked(place, &by_api.bytes);
    let document = server.get(&consultant, &format!("/v1/findings/{id}/packet.pdf")).is(200);
    digest_holds(&document);
    assert_eq!(document.header("content-type"), "application/pdf");
    assert_eq!(document.bytes, fs::read(folder.join("data/finding.pdf")).unwrap());
    Ended::of(Command::new("qpdf").arg("--check").arg(folder.join("data/finding.pdf"))).code(0);

    // evidence that left the office is on record
    let administrator = key(place, "office", "administer");
    let log = server.get(&administrator, "/v1/audit-log").is(200).text;
    assert_eq!(log.matches("packet taken").count(), 4, "{log}");
}

fn the_row_stands_in_the_packet_as_published_with_its_place_and_without_what_is_not_used(
    place: &Installation,
) {
    prepare(place);
    let out = place.folder().to_str().unwrap().to_owned();
    place.run(&["packet", &reference(1), "--out", &out]).code(0);
    let packet = fs::read(place.folder().join("packet_t-01_town-roll.zip")).unwrap();
    let folder = unpacked(place, &packet);
    let finding: Value =
        serde_json::from_str(&fs::read_to_string(folder.join("data/finding.json")).unwrap()).unwrap();
    let file = &finding["source"]["file"];
    let published = fs::read(place.folder().join("roll.csv")).unwrap();
    assert_eq!(file["sha256"], hex::encode(Sha256::digest(&published)));
    let number = |name: &str| usize::try_from(file[name].as_u64().unwrap()).unwrap();
    let bytes = &published[number("byte_start")..number("byte_start") + number("byte_length")];
    assert_eq!(bytes, encoded(&row(1, "1000")));
    assert_eq!(finding["record"]["row_sha256"], hex::encode(Sha256::digest(bytes)));
    assert_eq!(number("line"), 2);
    let fields = finding["record"]["fields"].as_array().unwrap();
    let values: Vec<_> = fields.iter().map(|f| f["value"].as_str().unwrap()).collect();
    assert_eq!(values, ["…", "000001", "1 OAK ST", "1000", "200000", "1950", "R", "…"]);
    let headers: Vec<_> = fields.iter().map(|f| f["header"].as_str().unwrap()).collect();
    assert_eq!(headers.join(","), HEADER);

    // nowhere: entries of the zip file are stored, the document is taken apart
    let pdf = folder.join("data/finding.pdf");
    let text = Ended::of(Command::new("pdftotext").arg(&pdf).arg("-")).code(0).out;
    assert!(text.contains("SITUS") && text.contains("1 OAK ST"), "{text}");
    for hidden in [OWNER, "M\u{FC}ller", "cmd|hidden"] {
        assert!(!text.contains(hidden), "{hidden} stands in the document");
        for bytes in [hidden.as_bytes().to_vec(), encoded(hidden)] {
            assert!(!packet.windows(bytes.len()).any(|window| window == bytes), "{hidden} is in the packet");
        }
    }
}

fn a_packet_follows_decisions_and_is_refused_when_its_sides_have_changed(place: &Installation) {
    prepare(place);
    let server = Server::start_with_jobs(place, "no", &[]);
    let reviewer = key(place, "office", "review");
    let id = the_only_finding(&server, &reviewer);
    let path = format!("/v1/findings/{id}/packet.zip");
    let before = server.get(&reviewer, &path).is(200).bytes;
    let tag = server.get(&reviewer, &format!("/v1/findings/{id}")).header("etag").to_owned();
    let body = json!({"state": "confirmed", "seen": "<b>the sketch</b> #lacks *the loft*", "note": "call the owner"});
    let body = body.to_string();
    let decisions = format!("/v1/findings/{id}/decisions");
    let decide = Request {
        key: Some(&reviewer),
        content: Some("application/json"),
        headers: vec![("If-Match", &tag)],
        body: body.as_bytes(),
        ..Request::new("POST", &decisions)
    };
    server.send(&decide).is(200);
    let after = server.get(&reviewer, &path).is(200).bytes;
    assert_ne!(before, after);
    verify(place, &after).code(0);
    let folder = unpacked(place, &after);
    let text = Ended::of(Command::new("pdftotext").arg(folder.join("data/finding.pdf")).arg("-")).code(0).out;
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("seen: <b>the sketch</b> #lacks *the loft*"), "{text}");
    assert!(!text.contains("call the owner"), "a note of the office is in the packet");

    // an edition that nobody has judged yet
    import_roll(place, "later.csv", &["1390", "1000"]);
    let overtaken = server.get(&reviewer, &path).problem(409);
    assert!(overtaken["detail"].as_str().unwrap().contains("reconcile first"), "{overtaken}");
    place.run(&["packet", &reference(1)]).code(3).complains("reconcile first");
    place.run(&["reconcile"]).code(0);
    let closed = server.get(&reviewer, &path).is(200).bytes;
    verify(place, &closed).code(0);
    let finding = fs::read_to_string(unpacked(&place.another(), &closed).join("data/finding.json")).unwrap();
    let finding: Value = serde_json::from_str(&finding).unwrap();
    assert_eq!(finding["finding"]["closing"], "corrected", "{finding}");
    assert_eq!(
        (&finding["source"]["edition"], &finding["source"]["file"]["name"]),
        (&json!(2), &json!("later.csv"))
    );
}

on_both_databases!(
    a_packet_is_the_same_by_api_page_and_command_and_verifies,
    the_row_stands_in_the_packet_as_published_with_its_place_and_without_what_is_not_used,
    a_packet_follows_decisions_and_is_refused_when_its_sides_have_changed,
);

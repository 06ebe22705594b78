//! The whole way with the originals in a bucket of an S3-compatible server (moto, in the Python of the oracle).

use std::fs;
use std::process::Command;

use crossfoot_testbed::{BUCKET, s3};

use crate::installation::{Ended, Installation};
use crate::town::{LAYOUT, houses, roll};

on_both_databases! {
    a_roll_is_taken_in_packed_and_quoted_in_packets_over_a_bucket,
    a_bucket_or_key_that_is_wrong_ends_with_the_mend_and_never_shows_the_secret,
}

/// A program whose originals lie in the bucket, under a prefix that nobody else has.
fn command(place: &Installation, program: &str) -> Command {
    let server = s3();
    let prefix = place.folder().file_name().unwrap().to_str().unwrap();
    let mut command = place.command(program);
    command
        .env("CROSSFOOT_OBJECTS", format!("s3://{BUCKET}/{prefix}"))
        .env("CROSSFOOT_OBJECTS_ENDPOINT", &server.endpoint)
        .env("CROSSFOOT_OBJECTS_KEY_ID", &server.key_id)
        .env("CROSSFOOT_OBJECTS_SECRET", &server.secret)
        .env("CROSSFOOT_OBJECTS_PLAIN_HTTP", "true");
    command
}

fn run(place: &Installation, arguments: &[&str]) -> Ended {
    Ended::of(command(place, "crossfoot").args(arguments))
}

fn packet(place: &Installation, folder: &str) -> Vec<u8> {
    fs::create_dir(place.folder().join(folder)).unwrap();
    run(place, &["packet", "T-01", "--out", folder]).code(0);
    let made = fs::read_dir(place.folder().join(folder)).unwrap().next().unwrap().unwrap().path();
    run(place, &["verify", made.to_str().unwrap()]).code(0).says("verifies");
    fs::read(made).unwrap()
}

fn a_roll_is_taken_in_packed_and_quoted_in_packets_over_a_bucket(place: &Installation) {
    let text = roll(&[Some(1000), Some(1200), Some(900)]);
    let (file, layout) = (place.file("roll.csv", &text), place.file("layout.toml", LAYOUT));
    run(place, &["import", "houses", &place.file("houses", houses(&[1500.0, 1200.0, 900.0]))]).code(0);
    let import = ["import", "roll", &file, "--layout", &layout];
    run(place, &import).code(0).says("3 records");
    run(place, &["reconcile"]).code(0).says("1 findings opened");
    let before = packet(place, "as-received");
    run(place, &["originals", "list"]).code(0).says("as received");
    Ended::of(command(place, "crossfoot-worker").arg("--drain")).code(0);
    run(place, &["originals", "list"]).code(0).says("packed");
    run(place, &["originals", "pack"]).code(0).says("nothing to do");
    assert!(packet(place, "packed") == before, "the same finding gives the same bytes");
    run(place, &import).code(0).says("these files are here already");
    let back = place.folder().join("back.csv");
    let get = ["originals", "get", "town-roll", "1", "--out", back.to_str().unwrap()];
    run(place, &get).code(0);
    assert_eq!(fs::read_to_string(&back).unwrap(), text);
    run(place, &get).code(1).complains("exists");
    run(place, &["originals", "get", "town-roll", "7", "--out", "none"]).code(3).complains("originals list");
    assert!(!place.folder().join("data/objects").exists(), "nothing of it is on this disk");
}

fn a_bucket_or_key_that_is_wrong_ends_with_the_mend_and_never_shows_the_secret(place: &Installation) {
    let (file, layout) = (place.file("roll.csv", roll(&[Some(1000)])), place.file("layout.toml", LAYOUT));
    let import = ["--log", "debug", "import", "roll", &file, "--layout", &layout];
    let wrong = |name: &str, value: &str, words: &str| {
        let mut command = command(place, "crossfoot");
        let ended = Ended::of(command.env(name, value).args(import)).code(2).complains(words);
        assert!(!ended.err.contains(&s3().secret) && !ended.err.contains("hush-hush"), "{}", ended.err);
    };
    wrong("CROSSFOOT_OBJECTS", "s3://no-such-rolls", "there is no such bucket: make it");
    wrong("CROSSFOOT_OBJECTS", "/srv/rolls", "neither empty nor s3://BUCKET/PREFIX");
    wrong("CROSSFOOT_OBJECTS_SECRET", "hush-hush", "correct objects_key_id and objects_secret");
    wrong("CROSSFOOT_OBJECTS_KEY_ID", "AKIANOBODY", "correct objects_key_id and objects_secret");
    wrong("CROSSFOOT_OBJECTS_KEY_ID", "", "set CROSSFOOT_OBJECTS_KEY_ID");
    wrong("CROSSFOOT_OBJECTS_PLAIN_HTTP", "false", "say objects_plain_http = true");
    wrong("CROSSFOOT_OBJECTS_PLAIN_HTTP", "perhaps", "say true or false");
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["0"]);
    let shown = run(place, &["config"]).code(0);
    assert!(
        shown.out.contains("objects_secret = \"…\"") && !shown.out.contains(&s3().secret),
        "{}",
        shown.out
    );
    // what does not need the originals works without them
    let mut queue = command(place, "crossfoot");
    Ended::of(queue.env("CROSSFOOT_OBJECTS", "s3://no-such-rolls").arg("queue")).code(0);
}

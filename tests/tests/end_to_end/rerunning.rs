//! Everything again: nothing changes, and it is said.

use std::fs;

use crate::installation::{Installation, same};
use crate::town::{LAYOUT, house, houses, policy, roll};

fn the_same_input_again_changes_nothing(place: &Installation) {
    place.take_policy(&policy(5.0)).code(0).says("policy 1 is in force");
    place.settled();
    let (tables, reading) = (place.tables(), place.reading());
    let unchanged = || {
        same(&place.tables(), &tables);
        assert_eq!(place.reading(), reading);
    };
    let again = place.take_houses(houses(&[1500.0, 1200.0, 900.0])).code(0);
    again.says("3 houses: 0 new, 0 with a new version, 3 unchanged, 0 set aside");
    unchanged();
    let edition = roll(&[Some(1000), Some(1200), Some(900)]);
    place.take_roll(&edition).code(0).says("here already as edition 1 (current): nothing to do");
    unchanged();
    place.take_policy(&policy(5.0)).code(0).says("policy 1 is in force");
    unchanged();
    place.reconcile().code(0).says("nothing to judge");
    place.run(&["reconcile", "--release"]).code(0).says("nothing to judge");
    unchanged();
    // nor does a question change anything
    place.run(&["explain", "T-01"]).code(0);
    place.run(&["key", "list"]).code(0);
    place.run(&["config"]).code(0);
    unchanged();
}

/// Killed after the files were kept and before that was noted, an import leaves a job that nobody waits for.
fn the_same_roll_again_ends_a_job_that_a_killed_import_left(place: &Installation) {
    place.settled();
    let open = "SELECT state FROM job WHERE state IN ('queued', 'running') AND kind = 'import'";
    assert!(place.sql(open).is_empty());
    place.change(
        "UPDATE job SET state = 'running', lease_token = 'of nobody', lease_until = 1, ended_at = NULL
         WHERE dedup_key LIKE 'original%' AND kind = 'import'",
    );
    assert_eq!(place.sql(open), ["running"]);
    let tables = place.tables();
    place.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
    assert!(place.sql(open).is_empty(), "{:?}", place.sql("SELECT kind, state, reason FROM job"));
    same(&place.tables(), &tables);
}

/// Killed after the packed original was noted and before the plain one was removed, packing leaves both, and its job.
fn packing_again_ends_what_a_killed_packing_left(place: &Installation) {
    place.settled();
    let folder = place.folder().join("data/objects/originals");
    let plain = fs::read_dir(&folder).unwrap().next().unwrap().unwrap().path();
    let bytes = fs::read(&plain).unwrap();
    place.run(&["originals", "pack"]).code(0).says("town-roll: edition 1 is packed");
    assert!(!plain.exists());
    fs::write(&plain, bytes).unwrap();
    place.change(
        "UPDATE job SET state = 'running', lease_token = 'of nobody', lease_until = 1, ended_at = NULL
         WHERE kind = 'keep'",
    );
    place.run(&["originals", "pack"]).code(0).says("town-roll: edition 1 is packed");
    assert!(!plain.exists(), "the plain one stays beside the packed one");
    assert!(place.sql("SELECT kind FROM job WHERE state IN ('queued', 'running')").is_empty());
    place.run(&["originals", "pack"]).code(0).says("every original is packed: nothing to do");
}

/// What is not kept yet cannot be packed, and is not said to be.
fn an_original_that_is_kept_later_is_packed_later(place: &Installation) {
    let (file, layout) = (place.file("roll.csv", roll(&[Some(1000)])), place.file("layout.toml", LAYOUT));
    place.run(&["import", "roll", &file, "--layout", &layout, "--keep-later"]).code(0);
    place.run(&["originals", "list"]).code(0).says("not yet, where it lies");
    let said = place.run(&["originals", "pack"]).code(0).says("roll.csv lies where it was handed in");
    assert!(!said.out.contains("is packed"), "{}", said.out);
    // the import it speaks of
    place.run(&["import", "roll", &file, "--layout", &layout]).code(0);
    place.run(&["originals", "list"]).code(0).says("as received");
    place.run(&["originals", "pack"]).code(0).says("town-roll: edition 1 is packed");
}

fn houses_in_another_order_or_form_are_the_same_houses(place: &Installation) {
    place.settled();
    let tables = place.tables();
    let lines: Vec<String> =
        [(3, 900.0), (1, 1500.0), (2, 1200.0)].map(|(n, area)| house(n, area).to_string()).into();
    place.take_houses(lines.join("\n")).code(0).says("3 unchanged");
    place.take_houses(format!("\u{feff}{}\r\n", lines.join("\r\n\r\n"))).code(0).says("3 unchanged");
    let spread = serde_json::to_string_pretty(&[house(2, 1200.0)]).unwrap();
    place.take_houses(spread).code(0).says("1 unchanged");
    same(&place.tables(), &tables);
}

fn an_edition_that_was_there_before_is_not_taken_in_again(place: &Installation) {
    place.settled();
    place.take_roll(roll(&[Some(1490), Some(1200), Some(900)])).code(0).says("edition 2");
    place.reconcile().code(0).says("1 closed (corrected)");
    let tables = place.tables();
    let earlier = place.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
    earlier.says("as edition 1 (past): nothing to do");
    same(&place.tables(), &tables);
}

fn a_second_reconciliation_of_one_source_leaves_the_others_alone(place: &Installation) {
    place.settled();
    let tables = place.tables();
    place.run(&["reconcile", "--source", "town-roll"]).code(0).says("town-roll: nothing to judge");
    place.run(&["reconcile", "--source", "elsewhere"]).code(3).complains("no such source");
    same(&place.tables(), &tables);
}

on_both_databases!(
    a_second_reconciliation_of_one_source_leaves_the_others_alone,
    an_edition_that_was_there_before_is_not_taken_in_again,
    an_original_that_is_kept_later_is_packed_later,
    houses_in_another_order_or_form_are_the_same_houses,
    packing_again_ends_what_a_killed_packing_left,
    the_same_input_again_changes_nothing,
    the_same_roll_again_ends_a_job_that_a_killed_import_left,
);

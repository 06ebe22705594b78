//! Everything again: nothing changes, and it is said.

use crate::installation::{Installation, same};
use crate::town::{house, houses, policy, roll};

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
    houses_in_another_order_or_form_are_the_same_houses,
    the_same_input_again_changes_nothing,
    the_same_roll_again_ends_a_job_that_a_killed_import_left,
);

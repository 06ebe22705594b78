//! Two offices on one installation: the records of a source are common, everything else is one's own.

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::town::{house, policy, roll};

fn two_offices_never_see_each_others_houses(place: &Installation) {
    place.take_roll(roll(&[Some(1000), Some(1200)])).code(0);
    // the same reference in both, on another parcel and of another size
    let mut theirs = house(2, 1800.0);
    theirs["reference"] = json!("T-01");
    let north = place.file("north.json", json!([house(1, 1500.0), house(2, 1200.0)]).to_string());
    let south = place.file("south.json", json!([theirs]).to_string());
    place.run_for("north", &["import", "houses", &north]).code(0).says("2 new");
    let run = |office: &str, arguments: &[&str]| place.run_for(office, arguments).code(0).out;
    let reading = |office: &str| {
        ["judgements", "findings"].map(|what| run(office, &["export", what])).concat()
            + &run(office, &["queue", "--limit", "0", "--json"])
    };
    run("north", &["reconcile"]);
    let before = reading("north");
    assert!(before.contains("1 Oak Street") && before.contains("000002"), "{before}");

    // what the other office does changes nothing here
    place.run_for("south", &["import", "houses", &south]).code(0).says("1 new");
    run("south", &["policy", "set", &place.file("policy.toml", policy(40.0))]);
    place.run_for("south", &["reconcile"]).code(0).says("1 pairs judged");
    assert_eq!(reading("north"), before);
    place.run_for("north", &["reconcile"]).code(0).says("nothing to judge");
    place.run_for("north", &["policy", "show"]).code(0).says("# version 0");
    place.run_for("south", &["policy", "show"]).code(0).says("# version 1");

    let south = place.run_for("south", &["export", "judgements", "--format", "ndjson"]).code(0).json_lines();
    let figures = |pair: &Value| (pair["reference"].clone(), pair["measured_sqft"].clone());
    assert_eq!(south.iter().map(figures).collect::<Vec<_>>(), [(json!("T-01"), json!(1800.0))]);
    place.run_for("south", &["explain", "T-01"]).code(0).says("parcel 000002");
    place.run_for("north", &["explain", "T-01"]).code(0).says("parcel 000001");
    place.run_for("south", &["explain", "T-02"]).code(3).complains("no property T-02");
    assert!(run("third", &["queue"]).contains("0 of 0 properties"));
    assert_eq!(run("third", &["queue", "--json"]), "");
    assert_eq!(run("third", &["export", "judgements", "--format", "ndjson"]), "");

    // a later edition is judged for each of them
    place.take_roll(roll(&[Some(1490), Some(1790)])).code(0);
    place.run_for("north", &["reconcile"]).code(0).says("1 closed (corrected)").says("1 findings opened");
    place.run_for("south", &["reconcile"]).code(0).says("1 closed (corrected)");
    assert!(place.judgements().is_empty());
}

on_both_databases!(two_offices_never_see_each_others_houses);

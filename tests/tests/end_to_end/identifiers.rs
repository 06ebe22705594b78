//! One rule for the parcel numbers of a jurisdiction, which its sources share.

use serde_json::json;

use crate::installation::{Ended, Installation};
use crate::town::{HEADER, RULE, following, house, row};

/// Hands in a roll of numbers in two columns.
fn take(place: &Installation, id: &str, numbers: [&str; 2]) -> Ended {
    let rows = numbers.map(|number| format!("{number},1 OAK ST,1000,200000,1950,R"));
    let content = format!("MAJOR,MINOR,SITUS,AREA,VALUE,YEAR,CLASS\n{}\n", rows.join("\n"));
    let (roll, layout) = (
        place.file(&format!("{id}.csv"), content),
        place.file(&format!("{id}.toml"), following(id, "\"MAJOR\", \"MINOR\"")),
    );
    place.run(&["import", "roll", &roll, "--layout", &layout])
}

fn sources_of_one_county_share_a_rule_and_a_house_is_found_in_both(place: &Installation) {
    place
        .take_rule(RULE)
        .code(0)
        .says("XX-TOWN: the rule for parcel numbers is kept as version 1, tried on 0");
    place.take_rule(RULE).code(0).says("is here already as version 1");
    take(place, "town-roll", ["001600,0040", "213043,0120"]).code(0).says("2 rows read, 2 records");
    take(place, "town-tax", ["1600,40", "213-043,120"]).code(0).says("2 rows read, 2 records");
    let both = place.run(&["compare", "town-roll", "town-tax", "--json"]).code(0).json_lines().remove(0);
    assert_eq!(
        [&both["both"], &both["only_in_source"], &both["only_in_other"]],
        [&json!(2), &json!(0), &json!(0)]
    );
    // the office writes the number in its own way
    let mut measured = house(1, 1500.0);
    measured["parcel"] = json!("1600-40");
    place.take_houses(json!([measured]).to_string()).code(0);
    place.reconcile().code(0);
    let found = place.run(&["export", "findings", "--format", "ndjson"]).code(0).json_lines();
    let mut sources: Vec<&str> = found.iter().map(|finding| finding["source"].as_str().unwrap()).collect();
    sources.sort_unstable();
    assert_eq!(sources, ["town-roll", "town-tax"]);
    let shown = place.run(&["jurisdiction", "rules", "XX-TOWN"]).code(0);
    shown.says("padded with zeros to 6, 4").says("Manual of the town, page 2, read on 2026-05-02");
}

fn another_version_of_the_rule_makes_the_next_edition_one_of_another_layout(place: &Installation) {
    place.take_rule(RULE).code(0);
    let numbers = ["001600,0040", "213043,0120"];
    take(place, "town-roll", numbers).code(0);
    take(place, "town-roll", numbers).code(0).says("here already as edition 1");
    let told = place.take_rule(&format!("{RULE}pattern = \"^[0-9]{{10}}$\"\n")).code(0);
    told.says("kept as version 2, tried on 2 records")
        .says("town-roll: what is loaded stays under the rule it was loaded by")
        .says("crossfoot import again town-roll");
    let editions = "SELECT number, state, CASE WHEN layout LIKE '%jurisdiction@1%' THEN 'first'
                        WHEN layout LIKE '%jurisdiction@2%' THEN 'second' ELSE 'none' END FROM edition ORDER BY number";
    assert_eq!(place.sql(editions), ["1|current|first"]);
    let layout = place.file("again.toml", following("town-roll", "\"MAJOR\", \"MINOR\""));
    place.run(&["import", "again", "town-roll", "--layout", &layout]).code(0).says("2 unchanged");
    assert_eq!(place.sql(editions), ["1|past|first", "2|current|second"]);
    assert_eq!(place.sql("SELECT count(DISTINCT layout_version) FROM edition"), ["2"]);
    take(place, "town-roll", numbers).code(0).says("here already as edition 2");
}

fn a_rule_that_would_merge_parcels_is_refused_with_the_pair(place: &Installation) {
    let rule = |strip: &str| {
        format!("jurisdiction = \"XX-TOWN\"\nstrip = \"{strip}\"\ncitation = \"Manual of the town\"\n")
    };
    place.take_rule(&rule("")).code(0);
    let rows = ["12-3-45", "77", "1-23-45"].map(|number| row(1, "1000").replace("000001", number));
    let roll = place.file("roll.csv", format!("{HEADER}\n{}\n", rows.join("\n")));
    let layout = place.file("layout.toml", following("town-roll", "\"PARCEL\""));
    place.run(&["import", "roll", &roll, "--layout", &layout]).code(0).says("3 records");
    let refused = place.take_rule(&rule("-")).code(3);
    refused
        .complains("town-roll: the parcel numbers \"12-3-45\" (line 2) and \"1-23-45\" (line 4)")
        .complains("would both become \"12345\"");
    let history =
        place.run(&["jurisdiction", "rules", "XX-TOWN", "--history", "--json"]).code(0).json_lines();
    assert_eq!(history.len(), 1);
    assert_eq!(history[0]["document"]["strip"], "");
}

/// What a number was put together from is not kept; the key that was made of it mostly says it, and where it does not
/// the rule is not judged by it.
fn numbers_that_come_apart_in_several_ways_are_told(place: &Installation) {
    let rule = |fields: &str| {
        format!(
            "jurisdiction = \"XX-TOWN\"\n{fields}citation = \"Manual of the town\"\nread_on = 2026-05-02\n"
        )
    };
    place.take_rule(&rule("join = \"-\"\n")).code(0);
    take(place, "town-roll", ["12 A,3", "12 B,7"]).code(0).says("2 records");
    let tried =
        place.take_rule(&rule("pad_left = [4, 1]\n")).code(0).says("kept as version 2, tried on 2 records");
    assert!(!tried.out.contains("could not be tried"), "{}", tried.out);
    // by this one the end of the first column and the second run together
    place.take_rule(&rule("")).code(0).says("tried on 2 records");
    take(place, "town-roll", ["12 A,3", "12 B,7"]).code(0).says("edition 2");
    let told = place.take_rule(&rule("join = \"-\"\n")).code(0);
    told.says("kept as version 4, tried on 0 records").says("it could not be tried on 2 records");
}

fn a_layout_that_follows_a_rule_nobody_entered_is_refused(place: &Installation) {
    let refused = take(place, "town-roll", ["1600,40", "1600,50"]).code(3);
    refused.complains("none is kept").complains("crossfoot jurisdiction rule FILE");
    assert_eq!(place.sql("SELECT count(*) FROM source"), ["0"], "nothing is left behind");
    place
        .run(&["jurisdiction", "rules", "XX-TOWN"])
        .code(3)
        .complains("crossfoot jurisdiction rule FILE enters it");
    // one of the two says it, the layout or the jurisdiction
    let twice = following("town-roll", "\"MAJOR\"").replace("rule =", "strip = \"-\"\nrule =");
    let (roll, layout) = (place.file("town-roll.csv", "MAJOR\n1\n"), place.file("twice.toml", twice));
    let refused = place.run(&["import", "roll", &roll, "--layout", &layout]).code(3);
    refused.complains("line 8, column 9: strip beside rule = \"jurisdiction\"");
    // as many columns as the rule has widths
    place.take_rule(RULE).code(0);
    let layout = place.file("one.toml", following("town-roll", "\"MAJOR\""));
    let refused = place.run(&["import", "roll", &roll, "--layout", &layout]).code(3);
    refused.complains("has 2 widths, and [parcel] of the layout 1 columns");
    place.take_rule(&RULE.replace("[6, 4]", "[65]")).code(3).complains("rule.toml: line 2, column 12:");
}

fn mended_rows_are_read_by_the_rule_of_the_edition_that_they_mend(place: &Installation) {
    place.take_rule(RULE).code(0);
    take(place, "town-roll", ["001600,0040", "213043,"]).code(0).says("2 rows read, 1 records");
    place.take_rule(&format!("{RULE}join = \"-\"\n")).code(0).says("kept as version 2, tried on 1 records");
    let rows = place.run(&["export", "rejects", "--source", "town-roll", "--to-mend"]).code(0).out;
    let mended = place.file("mend.csv", rows.replace("213043,,", "213043,120,"));
    let by = ["--source", "town-roll", "--by", "Ann Garnet", "--reason", "read off the card"];
    place.run(&[&["import", "mend", &mended], &by[..]].concat()).code(0).says("1 records (1 new");
    let rules = "SELECT number, CASE WHEN layout LIKE '%jurisdiction@1%' THEN 'first' ELSE 'other' END FROM edition ORDER BY number";
    assert_eq!(place.sql(rules), ["1|first", "2|first"]);
}

on_both_databases!(
    sources_of_one_county_share_a_rule_and_a_house_is_found_in_both,
    another_version_of_the_rule_makes_the_next_edition_one_of_another_layout,
    a_rule_that_would_merge_parcels_is_refused_with_the_pair,
    numbers_that_come_apart_in_several_ways_are_told,
    a_layout_that_follows_a_rule_nobody_entered_is_refused,
    mended_rows_are_read_by_the_rule_of_the_edition_that_they_mend,
);

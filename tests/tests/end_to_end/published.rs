//! A roll of several files, by a layout that comes with the program: buildings, parts of buildings and fixtures are put
//! together, told apart and judged, on both databases.

use std::fs;

use crossfoot_testbed::repository;

use crate::installation::Installation;

fn files(id: &str) -> Vec<String> {
    let folder = repository().join("fixtures/published").join(id);
    let mut files: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path().to_str().unwrap().to_owned())
        .collect();
    files.sort();
    files
}

/// What came of the rows is what `tests/oracle/published_read.py` counts, and the same files again change nothing.
fn a_shipped_layout_is_named_by_its_id(place: &Installation) {
    let files = files("us-tx-201-harris");
    let mut arguments: Vec<&str> = vec!["import", "roll"];
    arguments.extend(files.iter().map(String::as_str));
    arguments.extend(["--layout", "us-tx-201-harris"]);
    place
        .run(&arguments)
        .code(0)
        .says("60 rows read, 16 records (16 new, 0 changed, 0 unchanged, 0 gone), 1 rows repeated, 4 in quarantine")
        .says("3 orphan row")
        .says("1 thousands separator");
    place.run(&arguments).code(0).says("nothing to do");
    place.run(&["layouts"]).code(0).says("us-tx-201-harris").says("building_res*");
    place.run(&["layouts", "us-tx-201-harris"]).code(0).says("grain = \"extension\"");
    place.run(&["layouts", "nowhere"]).code(3).complains("crossfoot layouts lists them");
    let alone = ["import", "roll", files[0].as_str(), "--layout", "us-tx-201-harris"];
    place
        .run(&alone)
        .code(3)
        .complains("no file for the table accounts (real_acct*): hand all files of the edition in together");
}

on_both_databases!(a_shipped_layout_is_named_by_its_id);

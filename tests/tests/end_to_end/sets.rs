//! Files of one edition that come one by one, by commands.

use std::fs;

use crossfoot_testbed::repository;

use crate::installation::Installation;
use crate::town::roll;

const NAMES: [&str; 3] = ["building_res.txt", "fixtures.txt", "real_acct.txt"];

fn fixture(name: &str) -> String {
    let folder = repository().join("fixtures/published/us-tx-201-harris");
    folder.join(name).to_str().unwrap().to_owned()
}

/// The set comes to the same records as the files handed in together.
fn files_that_come_one_by_one_make_one_edition(place: &Installation) {
    let begin = ["set", "begin", "us-tx-201-harris", NAMES[0], NAMES[1], NAMES[2], "--roll-year", "2026"];
    // of a source that is not here yet nothing says how its files are read
    place.run(&begin).code(3).complains("us-tx-201-harris");
    place.run(&[&begin[..], &["--layout", "us-tx-201-harris"]].concat()).code(0).says("set 1 is gathering");
    let put = |file: &str, more: &[&str]| {
        place.run(&[&["set", "put", "us-tx-201-harris", "1", file][..], more].concat())
    };
    put(&fixture("fixtures.txt"), &[]).code(0).says("here:    fixtures.txt").says("missing: real_acct.txt");
    // under another name on this machine
    let accounts = place.file("download (3).txt", fs::read(fixture("real_acct.txt")).unwrap());
    put(&accounts, &[]).code(3).complains("does not expect download (3).txt").complains("--name");
    put(&accounts, &["--name", "real_acct.txt", "--as-of", "soon"]).code(2).complains("no day");
    let other_day = put(&accounts, &["--name", "real_acct.txt", "--as-of", "2026-02-03"]);
    other_day.code(3).complains("is of another day");
    put(&accounts, &["--name", "real_acct.txt"]).code(0);
    let complete = ["set", "complete", "us-tx-201-harris", "1"];
    place.run(&complete).code(3).complains("building_res.txt is missing");
    put(&place.file("building_res.txt", ""), &[]).code(3).complains("is empty");
    put(place.folder().to_str().unwrap(), &["--name", "building_res.txt"]).code(3).complains("is a folder");
    put(&place.folder().join("gone.txt").display().to_string(), &["--name", "building_res.txt"]).code(3);
    put(&fixture("building_res.txt"), &[]).code(0).says("set complete us-tx-201-harris 1");
    place.run(&["set", "list", "us-tx-201-harris"]).code(0).says("set 1 is gathering");
    place.run(&complete).code(0).says("60 rows read, 16 records (16 new");
    place.run(&complete).code(0).says("nothing to do");
    place.run(&["set", "list", "us-tx-201-harris"]).code(0).says("no set is gathering");
    let together: Vec<String> = NAMES.map(fixture).to_vec();
    let mut import = vec!["import".to_owned(), "roll".to_owned()];
    import.extend(together);
    import.extend(["--layout".to_owned(), "us-tx-201-harris".to_owned()]);
    place.run(&import).code(0).says("here already as edition 1");
    assert_eq!(place.sql("SELECT roll_year FROM edition"), ["2026"]);
}

fn a_set_that_is_given_up_takes_no_more(place: &Installation) {
    place.take_roll(roll(&[Some(1000)])).code(0);
    place.run(&["set", "begin", "town-roll", "a.csv", "a.csv"]).code(2).complains("name each once");
    place.run(&["set", "begin", "town-roll", "a/b.csv"]).code(2).complains("holds a slash");
    place.run(&["set", "begin", "town-roll"]).code(2);
    place.run(&["set", "begin", "town-roll", "a.csv", "--roll-year", "1"]).code(2);
    place.run(&["set", "begin", "town-roll", "a.csv"]).code(0).says("set 1 is gathering");
    place.run(&["set", "give-up", "town-roll", "1"]).code(0).says("set 1 is given up");
    place.run(&["set", "give-up", "town-roll", "1"]).code(3).complains("begin a new one");
    let file = place.file("a.csv", roll(&[Some(1100)]));
    place.run(&["set", "put", "town-roll", "1", &file]).code(3).complains("set 1 is given up");
    place.run(&["set", "put", "town-roll", "2", &file]).code(3).complains("set");
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["1"]);
}

on_both_databases!(a_set_that_is_given_up_takes_no_more, files_that_come_one_by_one_make_one_edition);

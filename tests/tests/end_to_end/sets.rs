//! Files of one edition that come one by one, by commands.

use std::fs;

use crossfoot_testbed::repository;

use crate::installation::{Ended, Installation};
use crate::town::{RULE, following, roll};

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

/// The rule is that of the moment at which the set becomes an edition, for all its files; a set that lacks one waits.
fn a_set_is_read_by_the_rule_of_its_jurisdiction(place: &Installation) {
    const HEAD: &str = "MAJOR,MINOR,SITUS,AREA,VALUE,YEAR,CLASS";
    let layout = place.file("layout.toml", following("town-roll", "\"MAJOR\", \"MINOR\""));
    let begin = ["set", "begin", "town-roll", "north.csv", "south.csv", "--layout", &layout];
    place.run(&begin).code(0).says("set 1 is gathering");
    // one number written in two ways, which is one only by the rule: the later row is set aside
    let north = "001600,0040,1 OAK ST,1000,200000,1950,R";
    let south = "1600,40,1 OAK ST,1000,200000,1950,R\n213-043,120,2 OAK ST,1100,200000,1950,R";
    for (name, rows) in [("north.csv", north), ("south.csv", south)] {
        let file = place.file(name, format!("{HEAD}\n{rows}\n"));
        place.run(&["set", "put", "town-roll", "1", &file]).code(0);
    }
    let complete = ["set", "complete", "town-roll", "1"];
    place.run(&complete).code(3).complains("none is kept").complains("crossfoot jurisdiction rule FILE");
    place.run(&["set", "list", "town-roll"]).code(0).says("set 1 is gathering");
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["0"]);
    place.take_rule(&RULE.replace("[6, 4]", "[7, 5]")).code(0);
    place.take_rule(RULE).code(0).says("kept as version 2");
    let staged = [&complete[..], &["--detach"]].concat();
    place.run(&staged).code(0).says("edition 1 is staged");
    // a later version is none of an edition that is staged
    place.take_rule(&RULE.replace("[6, 4]", "[8, 6]")).code(0).says("kept as version 3");
    let together = ["north.csv", "south.csv"].map(|name| place.folder().join(name).display().to_string());
    let mut worker = place.command("crossfoot-worker");
    let ended = Ended::of(worker.arg("--drain"));
    ended.code(0);
    let told = place.run(&["edition", "show", "town-roll", "1"]).code(0);
    told.says("edition 1 is current").says("3 rows read, 0 repeated, 1 in quarantine; 2 records");
    let rules = "SELECT number FROM edition WHERE layout LIKE '%jurisdiction@2%'";
    assert_eq!(place.sql(rules), ["1"]);
    place
        .run(&["edition", "history", "town-roll", "2130430120"])
        .code(0)
        .says("edition 1: new, 1100.00 sq ft");
    // handed in now, the same files are read by the newest rule
    let import = ["import", "roll", &together[0], &together[1], "--layout", &layout];
    place
        .run(&import)
        .code(0)
        .says("edition 2, 3 rows read, 2 records (2 new, 0 changed, 0 unchanged, 2 gone)");
    place.run(&["edition", "history", "town-roll", "00213043000120"]).code(0).says("edition 2: new");
}

on_both_databases!(
    a_set_is_read_by_the_rule_of_its_jurisdiction,
    a_set_that_is_given_up_takes_no_more,
    files_that_come_one_by_one_make_one_edition,
);

//! Several commands at the same time on one data folder with the embedded database.

use std::fs;

use crate::ground::{Ground, Roll};

const HOUSES: u32 = 4000;
const PARTS: usize = 4;

/// The houses in so many files, each with the header.
fn parts(roll: &Roll) -> Vec<String> {
    let text = fs::read_to_string(roll.path("houses.csv")).unwrap();
    let (header, rows) = text.split_once('\n').unwrap();
    let rows: Vec<&str> = rows.lines().collect();
    let write = |(n, part): (usize, &[&str])| {
        let path = roll.path(&format!("houses-{n}.csv"));
        fs::write(&path, format!("{header}\n{}\n", part.join("\n"))).unwrap();
        path
    };
    rows.chunks(rows.len().div_ceil(PARTS)).enumerate().map(write).collect()
}

#[test]
fn commands_at_the_same_time_on_one_data_folder_wait_for_each_other() {
    let roll = Roll::of(20_000, HOUSES);
    let before = Ground::on_sqlite();
    before.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    let (file, layout) = (roll.path("roll.csv"), roll.path("layout.toml"));
    before.run(&["import", "roll", &file, "--layout", &layout]).code(0);
    let one_by_one = before.copy();
    one_by_one.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    one_by_one.run(&["reconcile"]).code(0);

    let files = parts(&roll);
    assert_eq!(files.len(), PARTS);
    let mut running = Vec::new();
    for file in &files {
        running.push(before.start("crossfoot", &["import", "houses", file]));
    }
    for _ in 0..2 {
        running.push(before.start("crossfoot", &["reconcile"]));
    }
    let ended: Vec<(i32, String)> = running.iter_mut().map(|one| (one.wait(), one.log())).collect();
    assert!(ended.iter().all(|(code, log)| *code == 0 && log.is_empty()), "{ended:?}");
    before.run(&["reconcile"]).code(0);
    before.same_as(&one_by_one.dump());
    assert_eq!(before.judged_by_runs(), i64::from(HOUSES));
}

//! Processes that die: killed at random moments of imports and reconciliations, the same command again leaves what an
//! undisturbed run leaves, table by table. `tests/long/kills.sh` does the same with more kills and more rows.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test stops at the first surprise, and says how often it hit"
)]

#[path = "faults/chance.rs"]
mod chance;
#[path = "faults/ground.rs"]
mod ground;
#[path = "faults/kills.rs"]
mod kills;
#[path = "faults/leases.rs"]
mod leases;
#[path = "faults/server.rs"]
mod server;
#[path = "faults/space.rs"]
mod space;
#[path = "faults/together.rs"]
mod together;
#[path = "faults/volume.rs"]
mod volume;

use std::path::Path;
use std::process::Command;

use crossfoot_testbed::{binary, postgres, python, repository};

/// Trials of each kind of work; the third of three is killed three times.
const TRIALS: &str = "3";

fn roll(folder: &Path) {
    let made = Command::new(binary("make-roll"))
        .args(["--rows", "20000", "--houses", "4000", "--seed", "3", "--out"])
        .arg(folder)
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

fn killed_work_leaves_what_undisturbed_work_leaves(database: &str) {
    let folder = tempfile::tempdir().unwrap();
    roll(folder.path());
    let programs = binary("crossfoot");
    let out = Command::new(python())
        .arg(repository().join("tests/oracle/kills.py"))
        .args(["--kills", TRIALS, "--database", database, "--roll"])
        .arg(folder.path())
        .arg("--programs")
        .arg(programs.parent().unwrap())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout);
    if !out.status.success() {
        panic!("{said}{}", String::from_utf8_lossy(&out.stderr));
    }
    let works: Vec<serde_json::Value> =
        said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(works.len(), 4, "{said}");
    for work in works {
        assert!(work.get("hit_while_running").and_then(serde_json::Value::as_i64) > Some(0), "{work}");
        assert_eq!(work.get("differing"), Some(&serde_json::json!([])), "{work}");
    }
}

#[test]
fn killed_work_leaves_what_undisturbed_work_leaves_on_sqlite() {
    killed_work_leaves_what_undisturbed_work_leaves("");
}

#[test]
fn killed_work_leaves_what_undisturbed_work_leaves_on_postgresql() {
    killed_work_leaves_what_undisturbed_work_leaves(&postgres().fresh_database("faults"));
}

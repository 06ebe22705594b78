//! A full disk under the data folder: a small file system that only the test's own processes see, and that goes with
//! the last of them.

use std::fs;
use std::process::Command;

use crossfoot_testbed::{binary, python};

use crate::ground::{Ended, Ground, Roll};

const SCRIPT: &str = include_str!("space.sh");

/// `key value` lines of the script.
fn said<'s>(out: &'s str, key: &str) -> &'s str {
    let line = out.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(' '));
    line.unwrap_or_else(|| panic!("{key} is not in:\n{out}"))
}

#[test]
fn a_full_disk_fails_clearly_takes_nothing_half_and_works_again_with_space() {
    let roll = Roll::of(20_000, 3000);
    let undisturbed = Ground::on_sqlite();
    undisturbed.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    undisturbed.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    let (file, layout) = (roll.path("roll.csv"), roll.path("layout.toml"));
    undisturbed.run(&["import", "roll", &file, "--layout", &layout]).code(0);
    undisturbed.run(&["reconcile"]).code(0);

    let ground = Ground::on_sqlite();
    fs::create_dir(ground.data()).unwrap();
    let kept = ground.folder().join("kept");
    let root = Ended::of(Command::new("id").arg("-u")).out.trim() == "0";
    let mut command = Command::new("unshare");
    command.arg(if root { "-m" } else { "-rm" }).args(["sh", "-c", SCRIPT, "space"]);
    command.arg(binary("crossfoot")).arg(python()).arg(roll.0.path()).arg(ground.data()).arg(&kept);
    let out = Ended::of(command.env("CROSSFOOT_LEASE_SECONDS", "1")).code(0).out;
    println!("{out}");

    let nothing_in_use = "None 0 0";
    assert_eq!((said(&out, "original"), said(&out, "original-in-use")), ("1", nothing_in_use), "{out}");
    // with room for the records and none for the original the records are in use, and it is said that it is not kept
    assert_eq!((said(&out, "records"), said(&out, "records-in-use")), ("1", "1 3000 1"), "{out}");
    for part in ["original", "records", "reconcile"] {
        let words = said(&out, &format!("{part}-words"));
        assert!(words.contains("crossfoot: "), "{out}");
        assert!(["full", "No space left"].iter().any(|reason| words.contains(reason)), "{out}");
    }
    assert_eq!(said(&out, "import-again"), "0", "{out}");
    assert_eq!(said(&out, "reconcile"), "1", "{out}");
    assert_eq!(said(&out, "reconcile-again"), "0", "{out}");
    fs::remove_dir(ground.data()).unwrap();
    fs::rename(kept, ground.data()).unwrap();
    ground.same_as(&undisturbed.dump());
    assert_eq!(ground.judged_by_runs(), undisturbed.judged_by_runs());
}

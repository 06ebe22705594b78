//! A larger roll: exact counts and sums, and memory that does not grow with the roll.
//!
//! `CROSSFOOT_VOLUME_ROWS`, `CROSSFOOT_VOLUME_HOUSES` and `CROSSFOOT_VOLUME_MIB` make it larger; `tests/long/big-roll.sh`
//! does.

use std::env;
use std::fs;
use std::process::Command;
use std::time::Instant;

use crossfoot_testbed::{python, repository};
use serde_json::Value;

use crate::ground::{Ended, Ground, Roll};

/// Runs a command as its only child and says at the end of standard error how much memory it had at most, in KiB.
const MEASURED: &str = "import resource, subprocess, sys\n\
                        code = subprocess.call(sys.argv[1:])\n\
                        print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)\n\
                        sys.exit(code)\n";

fn setting(name: &str, default: u32) -> u32 {
    env::var(name).map_or(default, |text| text.parse().unwrap())
}

/// Runs a command that must end well; gives its peak resident memory in MiB.
fn measured(ground: &Ground, arguments: &[&str]) -> u64 {
    let begun = Instant::now();
    let program = ground.command("crossfoot");
    let mut command = Command::new(python());
    command.args(["-c", MEASURED]).arg(program.get_program()).args(program.get_args()).args(arguments);
    let ended = Ended::of(command.current_dir(ground.folder())).code(0);
    let kib: u64 = ended.err.lines().last().unwrap().parse().unwrap();
    println!(
        "{}: {:.1} s, {} MiB",
        arguments[..2.min(arguments.len())].join(" "),
        begun.elapsed().as_secs_f64(),
        kib / 1024
    );
    kib / 1024
}

fn a_large_roll_gives_exact_figures_in_bounded_memory(ground: &Ground, url: &str) {
    let (rows, houses) =
        (setting("CROSSFOOT_VOLUME_ROWS", 100_000), setting("CROSSFOOT_VOLUME_HOUSES", 20_000));
    let limit = u64::from(setting("CROSSFOOT_VOLUME_MIB", 192));
    let roll = Roll::of(rows, houses);
    let path = |name: &str| roll.path(name);
    let commands: [&[&str]; 4] = [
        &["policy", "set", &path("policy.toml")],
        &["import", "roll", &path("roll.csv"), "--layout", &path("layout.toml")],
        &["import", "houses", &path("houses.csv")],
        &["reconcile"],
    ];
    for command in commands {
        let peak = measured(ground, command);
        assert!(peak < limit, "{command:?} had {peak} MiB, at most {limit} are wanted");
    }
    let mut figures = Command::new(python());
    figures.arg(repository().join("benches/figures.py")).arg(ground.data()).arg(url);
    let figures: Value = serde_json::from_str(&Ended::of(&mut figures).code(0).out).unwrap();
    let expected: Value = serde_json::from_str(&fs::read_to_string(path("expected.json")).unwrap()).unwrap();
    assert_eq!(figures, expected);
    assert!(ground.left_over().is_empty(), "{:?}", ground.left_over());
}

#[test]
fn a_large_roll_gives_exact_figures_in_bounded_memory_on_sqlite() {
    a_large_roll_gives_exact_figures_in_bounded_memory(&Ground::on_sqlite(), "");
}

#[test]
fn a_large_roll_gives_exact_figures_in_bounded_memory_on_postgresql() {
    let ground = Ground::on_postgresql();
    a_large_roll_gives_exact_figures_in_bounded_memory(&ground, &ground.url());
}

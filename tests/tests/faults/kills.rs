//! SIGKILL at random moments of a job: whatever was killed, and however often, what is done again leaves what an
//! undisturbed run leaves. A kill counts as a hit when the database still says that the job runs.
//!
//! `CROSSFOOT_KILLS` (kills of each work), `CROSSFOOT_KILL_ROWS` and `CROSSFOOT_KILLED` (`worker` or `command`) make it
//! longer; `tests/long/kills.sh` does.

use std::env;
use std::fmt::Debug;
use std::str::FromStr;
use std::thread;
use std::time::{Duration, Instant};

use crate::chance::Chance;
use crate::ground::{Ground, LEASE, Roll, Running};

/// Kills of one job before it is let through; ten attempts are allowed.
const KILLS_A_TRIAL: u32 = 3;
const SEED: u64 = 20_260_131;

pub(crate) fn setting<T: FromStr<Err: Debug>>(name: &str, default: T) -> T {
    env::var(name).map_or(default, |text| text.parse().unwrap())
}

/// A work, the command that asks for it, and the same when a worker is to do it.
struct Work {
    name: &'static str,
    command: Vec<String>,
    /// None: the job is recorded already.
    ask: Option<Vec<String>>,
}

impl Work {
    fn import(name: &'static str, file: &str, roll: &Roll) -> Self {
        let command: Vec<String> =
            ["import", "roll", &roll.path(file), "--layout", &roll.path("layout.toml")]
                .map(str::to_owned)
                .into();
        let ask = Some([&command[..], &["--detach".to_owned()]].concat());
        Self { name, command, ask }
    }
}

/// Who does the work, and is killed.
#[derive(Clone, Copy, PartialEq)]
enum Who {
    Command,
    Worker,
}

impl Who {
    fn start(self, ground: &Ground, work: &Work) -> Running {
        match self {
            Who::Command => ground.start("crossfoot", &strs(&work.command)),
            Who::Worker => ground.worker(),
        }
    }

    /// Lets the work through, and gives how long it took.
    fn let_through(self, ground: &Ground, work: &Work) -> Duration {
        let begun = Instant::now();
        match self {
            Who::Command => {
                ground.run(&strs(&work.command)).code(0);
            }
            Who::Worker => {
                if let Some(ask) = &work.ask {
                    ground.run(&strs(ask)).code(0);
                }
                let worker = ground.worker();
                ground.wait_for_the_end();
                worker.end();
            }
        }
        begun.elapsed()
    }
}

fn strs(arguments: &[String]) -> Vec<&str> {
    arguments.iter().map(String::as_str).collect()
}

/// Kills and lets through, again and again from the same beginning; gives kills and hits.
fn trials(
    before: &Ground,
    undisturbed: &Ground,
    work: &Work,
    who: Who,
    took: Duration,
    kills: u32,
) -> (u32, u32) {
    let (expected, judged) = (undisturbed.dump(), undisturbed.judged_by_runs());
    let mut chance = Chance::of(SEED ^ u64::from(kills));
    let (mut done, mut hits) = (0, 0);
    while done < kills {
        let ground = before.copy();
        if let (Who::Worker, Some(ask)) = (who, &work.ask) {
            ground.run(&strs(ask)).code(0);
        }
        for again in 0..KILLS_A_TRIAL.min(kills - done) {
            let running = who.start(&ground, work);
            // what the one before left must lapse first, or nothing is claimed
            thread::sleep(if again == 0 { Duration::ZERO } else { LEASE } + chance.share_of(took));
            let ended = running.kill();
            let hit = ground.job_runs();
            assert!(
                ended.is_none() || !hit,
                "a process that ended by itself left its job running: {}",
                ended.unwrap_or_default()
            );
            hits += u32::from(ended.is_none() && hit);
            done += 1;
        }
        who.let_through(&ground, work);
        ground.same_as(&expected);
        assert_eq!(ground.judged_by_runs(), judged, "a pair was judged twice, or a count was lost");
    }
    (done, hits)
}

fn killed_work_ends_as_undisturbed_work(bare: &Ground) {
    let kills = setting("CROSSFOOT_KILLS", 3);
    let rows = setting("CROSSFOOT_KILL_ROWS", 20_000);
    let who = if setting("CROSSFOOT_KILLED", "worker".to_owned()) == "command" {
        Who::Command
    } else {
        Who::Worker
    };
    let roll = Roll::of(rows, rows / 5);
    let release = ["reconcile".to_owned(), "--release".to_owned()];
    let works = [
        Work::import("first edition", "roll.csv", &roll),
        Work { name: "reconcile", command: vec!["reconcile".to_owned()], ask: None },
        Work::import("later edition", "roll_nightly.csv", &roll),
        Work { name: "reconcile after", command: release.into(), ask: None },
    ];
    bare.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    bare.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    if who == Who::Worker {
        worker_trials(bare, &works, &roll, kills);
        return;
    }
    let mut before = bare.copy();
    for work in &works {
        let after = before.copy();
        let took = who.let_through(&after, work);
        report(work.name, "command", took, trials(&before, &after, work, who, took, kills));
        before = after;
    }
    assert_eq!(before.count("SELECT count(*) FROM to_judge"), 0);
}

/// A worker goes on with the reconciliation that an import asks for: both are one work.
fn worker_trials(bare: &Ground, works: &[Work], roll: &Roll, kills: u32) {
    let loaded = bare.copy();
    loaded.run(&strs(&works[0].command)).code(0);
    let mut before = bare.copy();
    for work in [&works[0], &works[2]] {
        let after = before.copy();
        let took = Who::Worker.let_through(&after, work);
        report(work.name, "worker", took, trials(&before, &after, work, Who::Worker, took, kills));
        before = after;
    }
    assert_eq!(before.count("SELECT count(*) FROM to_judge"), 0);
    let judged = loaded.copy();
    let took = Who::Worker.let_through(&judged, &works[1]);
    report("reconcile", "worker", took, trials(&loaded, &judged, &works[1], Who::Worker, took, kills));
    assert_eq!(judged.count("SELECT count(*) FROM judgement"), roll.expected("houses"));
}

fn report(work: &str, who: &str, took: Duration, (kills, hits): (u32, u32)) {
    println!(
        "{work}, by {who}: undisturbed {:.2} s, {kills} kills, {hits} hit a running job",
        took.as_secs_f64()
    );
    assert!(hits > 0, "{work}: none of {kills} kills hit a running job");
}

#[test]
fn killed_work_ends_as_undisturbed_work_on_sqlite() {
    killed_work_ends_as_undisturbed_work(&Ground::on_sqlite());
}

#[test]
fn killed_work_ends_as_undisturbed_work_on_postgresql() {
    killed_work_ends_as_undisturbed_work(&Ground::on_postgresql());
}

fn a_job_whose_worker_dies_too_often_is_given_up(ground: &Ground) {
    const ATTEMPTS: usize = 10;
    let roll = Roll::of(80_000, 100);
    let import = Work::import("first edition", "roll.csv", &roll);
    ground.run(&strs(import.ask.as_ref().unwrap())).code(0);
    for attempt in 1..=ATTEMPTS {
        let worker = ground.worker();
        ground.wait(
            "SELECT state || attempts FROM job ORDER BY created_at LIMIT 1",
            &format!("running{attempt}"),
        );
        assert_eq!(worker.kill(), None);
    }
    let worker = ground.worker();
    ground.wait("SELECT state FROM job ORDER BY created_at LIMIT 1", "failed");
    worker.end();
    let reason = ground.sql("SELECT reason FROM job ORDER BY created_at LIMIT 1");
    assert!(reason[0].contains("ended without a word as often as is allowed"), "{reason:?}");
    assert_eq!(ground.sql("SELECT state FROM edition"), ["staged"]);
    assert_eq!(ground.count("SELECT count(*) FROM source WHERE current_edition IS NOT NULL"), 0);

    // the same file again is the same edition, by a new job
    let said = ground.run(&strs(&import.command)).code(0).out;
    assert!(said.contains("edition 1, 80000 rows read"), "{said}");
    assert_eq!(ground.sql("SELECT number, state FROM edition"), ["1|current"]);
    assert_eq!(
        ground.sql("SELECT state FROM job WHERE kind = 'import' ORDER BY created_at"),
        ["failed", "done"]
    );
    assert!(ground.left_over().is_empty(), "{:?}", ground.left_over());
}

#[test]
fn a_job_whose_worker_dies_too_often_is_given_up_on_sqlite() {
    a_job_whose_worker_dies_too_often_is_given_up(&Ground::on_sqlite());
}

#[test]
fn a_job_whose_worker_dies_too_often_is_given_up_on_postgresql() {
    a_job_whose_worker_dies_too_often_is_given_up(&Ground::on_postgresql());
}

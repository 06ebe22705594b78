//! The server goes down in the middle of work and comes back: workers wait for it and finish, commands say what is
//! wrong and end.

use std::time::{Duration, Instant};

use crossfoot_testbed::BreakablePostgres;

use crate::ground::{Ground, Roll};

/// A command looks for the server for ten seconds.
const COMMAND_PATIENCE: Duration = Duration::from_secs(40);
const HOUSES: u32 = 20_000;

/// What an undisturbed run leaves.
fn prepare(ground: &Ground, roll: &Roll) {
    ground.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    ground.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    let (file, layout) = (roll.path("roll.csv"), roll.path("layout.toml"));
    ground.run(&["import", "roll", &file, "--layout", &layout, "--detach"]).code(0);
}

/// While the server is down a command says so and ends.
fn commands_fail_clearly(ground: &Ground) {
    let begun = Instant::now();
    let ended = ground.run(&["queue"]).code(1);
    assert!(ended.err.contains("the database is busy or cannot be reached"), "{}", ended.err);
    assert!(begun.elapsed() < COMMAND_PATIENCE, "it took {} s", begun.elapsed().as_secs());
}

fn work_goes_on_when_the_server_is_back(how: fn(&BreakablePostgres)) {
    let roll = Roll::of(40_000, HOUSES);
    let undisturbed = Ground::on_postgresql();
    prepare(&undisturbed, &roll);
    let alone = undisturbed.worker();
    undisturbed.wait_for_the_end();
    alone.end();

    let ground = Ground::on_a_server_of_its_own();
    prepare(&ground, &roll);
    let worker = ground.worker();
    ground.wait("SELECT progress > 0 AND state = 'running' FROM job WHERE kind = 'import'", "t");
    ground.without_the_server(how, || commands_fail_clearly(&ground));
    // a command that waits for the worker's job loses the server too
    ground.wait("SELECT state FROM job WHERE kind = 'reconcile'", "running");
    let mut waiting = ground.start("crossfoot", &["reconcile"]);
    ground.wait("SELECT count(*) > 1 FROM job WHERE kind = 'reconcile'", "t");
    let before = ground.live("SELECT count(*) FROM to_judge");
    assert_ne!(before, ["0"], "the server is broken off too late to show anything");
    ground.without_the_server(how, || {
        assert_eq!(waiting.wait(), 1);
        assert!(waiting.log().contains("crossfoot: the store failed"), "{}", waiting.log());
    });
    ground.wait_for_the_end();
    worker.end();
    let attempts = ground
        .sql("SELECT kind, max(attempts) > 1 FROM job WHERE kind <> 'keep' GROUP BY kind ORDER BY kind");
    assert_eq!(attempts, ["import|t", "reconcile|t"], "the server was broken off beside the work");
    ground.same_as(&undisturbed.dump());
    assert_eq!(ground.judged_by_runs(), i64::from(HOUSES));
}

#[test]
fn work_goes_on_after_the_server_was_stopped_at_once_and_restarted() {
    work_goes_on_when_the_server_is_back(BreakablePostgres::quit);
}

#[test]
fn work_goes_on_after_the_server_was_killed_and_restarted() {
    work_goes_on_when_the_server_is_back(BreakablePostgres::kill);
}

//! Workers that share, and workers that were stopped for longer than their lease: what they do late is refused.

use std::fmt::Write as _;
use std::fs;
use std::thread;
use std::time::{Duration, Instant};

use crate::ground::{Ground, LEASE, PATIENCE, Roll, Running};

/// Longer than a lease, so that it has lapsed.
const PAUSE: Duration = LEASE.saturating_add(Duration::from_millis(300));
const OFFICES: [&str; 2] = ["north", "south"];
const SOURCES: [&str; 2] = ["assessor", "treasurer"];

/// Two offices with the same houses, two sources with the same records: four reconciliations.
fn two_offices(ground: &Ground, roll: &Roll) {
    for office in OFFICES {
        ground.run(&["--office", office, "policy", "set", &roll.path("policy.toml")]).code(0);
        ground.run(&["--office", office, "import", "houses", &roll.path("houses.csv")]).code(0);
    }
    for source in SOURCES {
        let layout = roll.layout_of(source);
        ground.run(&["import", "roll", &roll.path("roll.csv"), "--layout", &layout, "--detach"]).code(0);
    }
}

/// Whether a line of the log tells that work begins; packing what was kept comes when nothing else is to be done.
fn is_begun(line: &str) -> bool {
    line.contains("begins") && !line.contains("keep")
}

#[test]
fn two_workers_share_the_jobs_and_judge_nothing_twice() {
    const HOUSES: u32 = 3000;
    let roll = Roll::of(15_000, HOUSES);
    let (ground, alone) = (Ground::on_postgresql(), Ground::on_postgresql());
    two_offices(&alone, &roll);
    let worker = alone.worker();
    alone.wait_for_the_end();
    worker.end();

    two_offices(&ground, &roll);
    let workers = [ground.worker(), ground.worker()];
    ground.wait_for_the_end();
    let logs = workers.map(|worker| worker.end());
    let begun = logs.each_ref().map(|log| log.lines().filter(|line| is_begun(line)).count());
    let failed: Vec<&str> =
        logs.iter().flat_map(|log| log.lines()).filter(|line| line.contains("failed")).collect();
    assert!(failed.is_empty(), "{}", failed.join("\n"));
    assert!(begun.iter().all(|jobs| *jobs > 0), "the work was not shared: {begun:?}");
    assert_eq!(begun.iter().sum::<usize>(), 6, "two imports and four reconciliations: {logs:?}");
    assert_eq!(ground.judged_by_runs(), 4 * i64::from(HOUSES));
    let opened =
        ground.sql("SELECT finding FROM finding_event WHERE what = 'opened' ORDER BY office, finding");
    assert_eq!(opened, ground.sql("SELECT id FROM finding ORDER BY office, id"));
    assert_eq!(opened.len(), 4 * usize::try_from(roll.expected("queued")).unwrap());
    ground.same_as(&alone.dump());
}

/// Stops a worker at a moment at which it holds no transaction open: the server would wait for the end of that.
fn stop_between_transactions(ground: &Ground, worker: &Running) {
    let open = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()
                AND pid <> pg_backend_pid() AND (state LIKE 'idle in transaction%' OR state = 'active')";
    let begun = Instant::now();
    loop {
        worker.signal("STOP");
        // what the server was sent before is finished by it
        thread::sleep(Duration::from_millis(30));
        if ground.live(open) == ["0"] {
            return;
        }
        worker.signal("CONT");
        thread::sleep(Duration::from_millis(7));
        assert!(begun.elapsed() < PATIENCE, "the worker is never between two transactions");
    }
}

#[test]
fn a_reconciliation_stopped_for_longer_than_its_lease_is_finished_by_another_worker() {
    let roll = Roll::of(40_000, 20_000);
    let undisturbed = Ground::on_postgresql();
    undisturbed.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    undisturbed.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    undisturbed
        .run(&["import", "roll", &roll.path("roll.csv"), "--layout", &roll.path("layout.toml")])
        .code(0);
    let ground = undisturbed.copy();
    undisturbed.run(&["reconcile"]).code(0);

    let first = ground.worker();
    ground.wait("SELECT progress > 0 FROM job WHERE kind = 'reconcile'", "t");
    stop_between_transactions(&ground, &first);
    let judged = ground.live("SELECT count(*) FROM judgement");
    let all = undisturbed.sql("SELECT count(*) FROM judgement");
    assert_ne!(judged, all, "the worker was stopped too late to show anything");
    thread::sleep(PAUSE);
    let second = ground.worker();
    ground.wait_for_the_end();
    assert_eq!(ground.live("SELECT attempts FROM job WHERE kind = 'reconcile'"), ["2"]);
    let finished = ground.dump();

    first.signal("CONT");
    ended_as_lost(&first);
    first.end();
    second.end();
    assert_eq!(ground.dump(), finished, "the late worker wrote something");
    ground.same_as(&undisturbed.dump());
    assert_eq!(ground.judged_by_runs(), undisturbed.judged_by_runs());
}

#[track_caller]
fn ended_as_lost(worker: &Running) {
    let begun = Instant::now();
    while !worker.log().contains("ended: Lost") {
        assert!(begun.elapsed() < PATIENCE, "it did not notice that it lost its job: {}", worker.log());
        thread::sleep(Duration::from_millis(50));
    }
}

/// Where in an import a worker is stopped.
#[derive(Clone, Copy, PartialEq)]
enum Moment {
    /// It still looks for a row that can be read, and has written nothing.
    Looking,
    /// It writes records.
    Writing,
}

/// A roll that begins with rows that cannot be read: finding the first good one takes a while.
fn unreadable_first(roll: &Roll, file: &str) -> String {
    let text = fs::read_to_string(roll.path(file)).unwrap();
    let (header, rows) = text.split_once('\n').unwrap();
    let mut slow = format!("{header}\n");
    for _ in 0..400_000 {
        slow.write_str("x\n").unwrap();
    }
    let path = roll.path(&format!("slow-{file}"));
    fs::write(&path, slow + rows).unwrap();
    path
}

/// Stops a worker in an import, has another one do it, and lets the first one go on.
fn a_late_import_changes_nothing(ground: &Ground, roll: &Roll, later: bool, moment: Moment) {
    let layout = roll.path("layout.toml");
    ground.run(&["queue"]).code(0);
    if later {
        ground.run(&["import", "roll", &roll.path("roll.csv"), "--layout", &layout]).code(0);
    }
    let name = if later { "roll_nightly.csv" } else { "roll.csv" };
    let file = if moment == Moment::Looking { unreadable_first(roll, name) } else { roll.path(name) };
    let undisturbed = ground.copy();
    undisturbed.run(&["import", "roll", &file, "--layout", &layout]).code(0);

    ground.run(&["import", "roll", &file, "--layout", &layout, "--detach"]).code(0);
    let of_job = "FROM job ORDER BY created_at DESC LIMIT 1";
    let first = ground.worker();
    match moment {
        Moment::Looking => ground.wait(&format!("SELECT state {of_job}"), "running"),
        Moment::Writing => {
            ground.wait(
                &format!("SELECT CASE WHEN progress > 0 THEN 'begun' ELSE state END {of_job}"),
                "begun",
            );
        }
    }
    first.signal("STOP");
    let state = ground.live(&format!("SELECT state {of_job}"));
    assert_eq!(state, ["running"], "the worker was stopped too late to show anything");
    thread::sleep(PAUSE);
    let second = ground.worker();
    ground.wait(&format!("SELECT attempts {of_job}"), "2");
    // a table that a stopped worker is still copying into cannot be swept: there the second waits for the first
    let begun = Instant::now();
    while begun.elapsed() < PATIENCE && ground.live(&format!("SELECT state {of_job}")) != ["done"] {
        if moment == Moment::Writing && begun.elapsed() > PAUSE * 4 {
            break;
        }
        thread::sleep(Duration::from_millis(100));
    }
    first.signal("CONT");
    ended_as_lost(&first);
    ground.wait_for_the_end();
    first.end();
    second.end();
    ground.same_as(&undisturbed.dump());
}

#[test]
fn a_first_edition_stopped_while_it_is_written_is_loaded_by_another_worker_on_sqlite() {
    a_late_import_changes_nothing(&Ground::on_sqlite(), &Roll::of(80_000, 100), false, Moment::Writing);
}

#[test]
fn a_first_edition_stopped_while_it_is_written_is_loaded_by_another_worker_on_postgresql() {
    a_late_import_changes_nothing(&Ground::on_postgresql(), &Roll::of(80_000, 100), false, Moment::Writing);
}

#[test]
fn a_worker_stopped_before_it_writes_sweeps_nothing_away_that_is_in_use_on_sqlite() {
    a_late_import_changes_nothing(&Ground::on_sqlite(), &Roll::of(2_000, 100), false, Moment::Looking);
    a_late_import_changes_nothing(&Ground::on_sqlite(), &Roll::of(2_000, 100), true, Moment::Looking);
}

#[test]
fn a_worker_stopped_before_it_writes_sweeps_nothing_away_that_is_in_use_on_postgresql() {
    a_late_import_changes_nothing(&Ground::on_postgresql(), &Roll::of(2_000, 100), false, Moment::Looking);
    a_late_import_changes_nothing(&Ground::on_postgresql(), &Roll::of(2_000, 100), true, Moment::Looking);
}

//! SIGKILL aimed at the steps around and after the loading of rows, which are so short that random moments of a job seldom
//! hit them: noting the texts of an archive, from the settling of files read in place to the end of their edition, keeping
//! and packing an original, folding changes, deciding on an edition. A watch waits until the step has begun, the kill
//! comes a random moment later, and a kill counts as a hit when the step is not over then. What is done again leaves
//! tables, records and files as an undisturbed run does.
//!
//! `CROSSFOOT_KILLS` (kills of each step) and `CROSSFOOT_KILL_ROWS` make it longer; `tests/long/kills.sh` does.

use std::fmt::Write as _;
use std::fs::{self, File, FileTimes};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use crossfoot_testbed::repository;
use sha2::{Digest as _, Sha256};
use zip::CompressionMethod;
use zip::write::{SimpleFileOptions, ZipWriter};

use crate::chance::Chance;
use crate::ground::{Ground, Roll, Running, same};
use crate::kills::setting;

const SEED: u64 = 20_261_127;
/// Kills of a job before it is let through.
const KILLS_A_TRIAL: u32 = 3;
/// With so many kills of a step some must hit it.
const MANY_KILLS: u32 = 10;
/// The watch may see a step only when it is over.
const SHORTEST: Duration = Duration::from_millis(20);
/// So many rows change that folding them falls due, and takes several transactions; fewer would not do.
const ROWS: u32 = 12_000;
/// Beside the text that is read an archive holds so many bytes for each row that are not read, so that it takes a while to
/// unpack, keep and pack.
const FILLING: u32 = 2048;
/// So many houses are to be judged when an edition comes into use.
const HOUSES: u32 = 1000;
const SOURCE: &str = "benchmark-roll";

/// What the runs of other tests need not leave alike: how originals are kept, what became of editions, and who said so.
const MORE: [&str; 6] = [
    "SELECT 'kept', s.id, f.edition, f.number, f.within, f.object_key, f.form, f.kept_bytes
     FROM edition_file f JOIN source s ON s.number = f.source ORDER BY s.id, f.edition, f.number",
    "SELECT 'folded', id, folded_to, numbers_given FROM source ORDER BY id",
    "SELECT 'weighed', source, number, base, median_um2, held_for, decided_by FROM edition ORDER BY source, number",
    "SELECT 'check', source, edition, areas, counts, doubles, changes, remarks, gates
     FROM edition_check ORDER BY source, edition",
    "SELECT 'decided', action, subject, detail FROM audit_log WHERE action LIKE 'edition%' ORDER BY subject, action",
    "SELECT DISTINCT 'not done', kind, state FROM job WHERE state <> 'done' ORDER BY kind, state",
];

/// Who does a step, and is killed.
#[derive(Clone, Copy, PartialEq)]
enum Who {
    Command,
    /// The job is recorded already.
    Worker,
}

/// When a step is over.
#[derive(Clone, Copy)]
enum Over {
    /// From the moment on at which a query of the main database answers more than 0.
    Main(&'static str),
    /// The same of the records.
    Records(&'static str),
}

/// A step at which kills are aimed.
struct Step {
    name: &'static str,
    who: Who,
    command: Vec<String>,
    /// The query of the main database that answers more than 0 from the moment on at which the step has begun. With
    /// `AGAIN` in it, which stands for the number of earlier kills, the step is killed several times. None: from the
    /// start of the command.
    begun: Option<&'static str>,
    over: Over,
    /// How the command ends undisturbed, and how it may end when it is said again.
    codes: &'static [i32],
    /// Commands after it, which bring about what may differ until then.
    then: Vec<Vec<String>>,
}

fn rows() -> u32 {
    setting("CROSSFOOT_KILL_ROWS", ROWS)
}

fn words(command: &str) -> Vec<String> {
    command.split(' ').map(str::to_owned).collect()
}

fn import(file: &str, layout: &str) -> Vec<String> {
    ["import", "roll", file, "--layout", layout].map(str::to_owned).into()
}

impl Step {
    fn start(&self, ground: &Ground) -> Running {
        match self.who {
            Who::Command => {
                ground.start("crossfoot", &self.command.iter().map(String::as_str).collect::<Vec<_>>())
            }
            Who::Worker => ground.worker(),
        }
    }

    /// Starts the step and waits until it has begun.
    fn begin(&self, ground: &Ground, again: u32) -> Running {
        let watch = self.begun.map(|query| ground.watch(&query.replace("AGAIN", &again.to_string())));
        let running = self.start(ground);
        if let Some(watch) = watch {
            watch.wait();
        }
        running
    }

    fn is_killed_again(&self) -> bool {
        self.begun.is_some_and(|query| query.contains("AGAIN"))
    }

    fn is_over(&self, ground: &Ground) -> bool {
        let answered = match self.over {
            Over::Main(query) => ground.count(query),
            Over::Records(query) => ground.count_records(query),
        };
        answered > 0
    }

    /// Lets the step come to its end after it was killed.
    #[track_caller]
    fn let_through(&self, ground: &Ground) {
        match self.who {
            Who::Command => {
                let command: Vec<&str> = self.command.iter().map(String::as_str).collect();
                let ended = ground.run(&command);
                assert!(self.codes.contains(&ended.code), "{}: {ended:?}", self.name);
            }
            Who::Worker => {
                let worker = ground.worker();
                ground.wait_for_the_end();
                worker.end();
            }
        }
    }

    /// Takes the step undisturbed; gives how long it took from its beginning.
    fn undisturbed(&self, before: &Ground) -> (Ground, Duration) {
        let ground = before.copy();
        let over = match self.over {
            Over::Main(query) => Some(ground.watch(query)),
            Over::Records(_) => None,
        };
        let mut running = self.begin(&ground, 0);
        let begun = Instant::now();
        let mut took = None;
        if let Some(over) = over {
            over.wait();
            took = Some(begun.elapsed());
        }
        match self.who {
            Who::Command => assert_eq!(running.wait(), self.codes[0], "{}: {}", self.name, running.log()),
            Who::Worker => {
                ground.wait_for_the_end();
                running.end();
            }
        }
        let took = took.unwrap_or_else(|| begun.elapsed());
        assert!(self.is_over(&ground), "{}: it is not over at its end", self.name);
        (ground, took.max(SHORTEST))
    }

    /// Kills the step, lets it through and compares, again and again from the same beginning; gives what the step left
    /// undisturbed.
    fn killed(&self, before: &Ground) -> Ground {
        let kills = setting("CROSSFOOT_KILLS", 2);
        let (after, took) = self.undisturbed(before);
        let expected = self.left(&after.copy());
        let mut chance = Chance::of(SEED ^ u64::from(kills));
        let (mut done, mut hits) = (0, 0);
        while done < kills {
            let ground = before.copy();
            for again in 0..KILLS_A_TRIAL.min(kills - done) {
                let running = self.begin(&ground, again);
                // early moments more often: the watch itself is late by a thousandth or two
                let latest = chance.share_of(took);
                thread::sleep(chance.share_of(latest));
                let ended = running.kill();
                let hit = !self.is_over(&ground);
                assert!(
                    ended.is_none() || !hit,
                    "{}: it ended by itself and is not over: {}",
                    self.name,
                    ended.unwrap_or_default()
                );
                done += 1;
                hits += u32::from(hit);
                if !hit || !self.is_killed_again() {
                    break;
                }
            }
            self.let_through(&ground);
            same(&self.left(&ground), &expected);
        }
        println!(
            "{}, {}: undisturbed {:.0} ms, {kills} kills, {hits} hit the step",
            self.name,
            before.backend(),
            took.as_secs_f64() * 1000.0
        );
        // a few may all come too late, many never
        assert!(hits > 0 || kills < MANY_KILLS, "{}: none of {kills} kills hit the step", self.name);
        after
    }

    /// What is left after the step and what comes after it: tables, records, files.
    fn left(&self, ground: &Ground) -> String {
        let mut left = String::new();
        if !self.then.is_empty() {
            let changes = ["export", "changes", "--source", SOURCE, "--edition", "2"];
            let told = ground.run(&changes);
            write!(left, "{} {}", told.code, told.out).unwrap();
        }
        for command in &self.then {
            ground.run(&command.iter().map(String::as_str).collect::<Vec<_>>()).code(0);
        }
        // what was on its way to the originals is removed once it is old enough, by whoever comes then
        let incoming = ground.data().join("objects/incoming");
        let long_ago = SystemTime::now() - Duration::from_secs(2 * 3600);
        for file in files_in(&incoming) {
            File::options()
                .write(true)
                .open(file)
                .unwrap()
                .set_times(FileTimes::new().set_modified(long_ago))
                .unwrap();
        }
        ground.run(&["originals", "list"]).code(0);
        assert_eq!(ground.left_over().into_iter().collect::<Vec<_>>(), Vec::<String>::new(), "{}", self.name);
        left += &ground.dump_with(&MORE);
        for folder in ["objects", "scratch"] {
            for file in files_in(&ground.data().join(folder)) {
                let hash = hex::encode(Sha256::digest(fs::read(&file).unwrap()));
                writeln!(left, "file|{}|{hash}", file.strip_prefix(ground.data()).unwrap().display())
                    .unwrap();
            }
        }
        left
    }
}

/// All files in a folder and those in it, in order.
fn files_in(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(files_in(&path));
        } else {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// An archive of files under a name each, beside much that no layout reads.
fn archive(roll: &Roll, files: &[(PathBuf, &str)]) -> String {
    let path = roll.path("archive.zip");
    let mut archive = ZipWriter::new(File::create(&path).unwrap());
    let plain = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    for (file, name) in files {
        archive.start_file(*name, plain).unwrap();
        archive.write_all(&fs::read(file).unwrap()).unwrap();
    }
    let mut chance = Chance::of(SEED);
    let filling: Vec<u8> = (0..rows() * FILLING / 8).flat_map(|_| chance.next().to_be_bytes()).collect();
    archive.start_file("map.pdf", plain).unwrap();
    archive.write_all(b"%PDF-1.7\n").unwrap();
    archive.write_all(&filling).unwrap();
    archive.finish().unwrap();
    path
}

/// A later edition of a roll: its first `gone` rows left out, all values higher, those of every hundredth row by more.
fn later(roll: &Roll, name: &str, gone: usize, more: (i64, i64)) -> String {
    let path = roll.path(name);
    let mut reader =
        csv::ReaderBuilder::new().flexible(true).has_headers(false).from_path(roll.path("roll.csv")).unwrap();
    let mut writer = csv::WriterBuilder::new().flexible(true).from_path(&path).unwrap();
    let mut column = None;
    for (n, row) in reader.records().map(Result::unwrap).enumerate() {
        let Some(column) = column else {
            column = row.iter().position(|field| field == "total_value");
            writer.write_record(&row).unwrap();
            continue;
        };
        if n <= gone {
            continue;
        }
        let by = if n % 100 == 0 { more.1 } else { more.0 };
        let field = |(place, text): (usize, &str)| match text.parse::<i64>() {
            Ok(value) if place == column => (value + by).to_string(),
            _ => text.to_owned(),
        };
        writer.write_record(row.iter().enumerate().map(field)).unwrap();
    }
    writer.flush().unwrap();
    path
}

const KEEPING: &str = "SELECT count(*) FROM job WHERE dedup_key LIKE 'original%' AND attempts > AGAIN";
const KEPT: &str = "SELECT count(*) FROM job WHERE dedup_key LIKE 'original%' AND state = 'done'";
const PACKING: &str = "SELECT count(*) FROM job WHERE kind = 'keep' AND attempts > AGAIN";
const PACKED: &str = "SELECT count(*) FROM job WHERE kind = 'keep' AND state = 'done'";
const FOLDING: &str = "SELECT count(*) FROM job WHERE kind = 'compact' AND attempts > AGAIN";
const FOLDED: &str = "SELECT count(*) FROM job WHERE kind = 'compact' AND state = 'done'";

fn an_original_that_is_kept_and_packed(bare: &Ground) {
    let roll = Roll::of(500, 50);
    let file = archive(&roll, &[(roll.0.path().join("roll.csv"), "roll.csv")]);
    bare.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    let step = |name, who, command, begun, over| {
        let (begun, over, codes, then) = (Some(begun), Over::Main(over), &[0][..], Vec::new());
        Step { name, who, command, begun, over, codes, then }
    };
    let command = import(&file, &roll.path("layout.toml"));
    let kept = step("keeping an original", Who::Command, command, KEEPING, KEPT).killed(bare);
    step("packing an original, by command", Who::Command, words("originals pack"), PACKING, PACKED)
        .killed(&kept);
    let noted = "SELECT count(*) FROM edition_file WHERE form = 'frames'";
    let command = words("originals pack");
    step("removing the plain original", Who::Command, command, noted, PACKED).killed(&kept);
    step("packing an original, by worker", Who::Worker, Vec::new(), PACKING, PACKED).killed(&kept);
}

#[test]
fn an_original_that_is_kept_and_packed_survives_kills_on_sqlite() {
    an_original_that_is_kept_and_packed(&Ground::on_sqlite());
}

#[test]
fn an_original_that_is_kept_and_packed_survives_kills_on_postgresql() {
    an_original_that_is_kept_and_packed(&Ground::on_postgresql());
}

fn texts_of_an_archive(bare: &Ground) {
    const LAYOUT: &str = "us-tx-201-harris";
    let roll = Roll::of(500, 50);
    let file = |name: &str| repository().join("fixtures/published").join(LAYOUT).join(name);
    let tables = [
        (file("real_acct.txt"), "2025/real_acct.txt"),
        (file("building_res.txt"), "2025/building_res.txt"),
        (file("fixtures.txt"), "2025/fixtures.txt"),
    ];
    let command = import(&archive(&roll, &tables), LAYOUT);
    bare.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    let step = |name, begun, over| {
        let (who, codes, then) = (Who::Command, &[0][..], Vec::new());
        let (begun, over) = (Some(begun), Over::Main(over));
        Step { name, who, command: command.clone(), begun, over, codes, then }
    };
    let noted = "SELECT count(*) FROM edition_file WHERE within IS NOT NULL";
    let begun = "SELECT count(*) FROM job WHERE kind = 'import' AND attempts > AGAIN";
    step("looking for the texts of an archive", begun, noted).killed(bare);
    let loaded = "SELECT count(*) FROM edition WHERE state = 'current'";
    step("loading the noted texts of an archive", noted, loaded).killed(bare);
}

#[test]
fn texts_of_an_archive_survive_kills_on_sqlite() {
    texts_of_an_archive(&Ground::on_sqlite());
}

#[test]
fn texts_of_an_archive_survive_kills_on_postgresql() {
    texts_of_an_archive(&Ground::on_postgresql());
}

/// A source with its first edition, judged and packed.
fn with_a_first_edition(bare: &Ground, roll: &Roll) {
    bare.run(&["policy", "set", &roll.path("policy.toml")]).code(0);
    bare.run(&["import", "houses", &roll.path("houses.csv")]).code(0);
    bare.run(&["import", "roll", &roll.path("roll.csv"), "--layout", &roll.path("layout.toml")]).code(0);
    bare.run(&["reconcile"]).code(0);
    bare.run(&["originals", "pack"]).code(0);
}

fn an_edition_that_ends_its_load_and_is_decided_on(bare: &Ground) {
    let roll = Roll::of(rows(), HOUSES);
    with_a_first_edition(bare, &roll);
    let layout = roll.path("layout.toml");
    let whole = import(&later(&roll, "later.csv", 0, (7, 7)), &layout);
    let short = import(&later(&roll, "short.csv", rows() as usize / 4, (11, 11)), &layout);
    let next = import(&later(&roll, "next.csv", 0, (13, 17)), &layout);
    // what a decision leaves of an edition out of use nobody reads, and the next load removes
    let then = || vec![words("reconcile --release"), next.clone()];
    let settled = "SELECT count(*) FROM edition_file WHERE edition = 2 AND sha256 <> ''";
    let step = |name, command: &[String], begun, over, codes, then| {
        let (who, command) = (Who::Command, command.to_vec());
        Step { name, who, command, begun, over, codes, then }
    };
    let in_use = Over::Main("SELECT count(*) FROM edition WHERE number = 2 AND state = 'current'");
    let used = step("from settled to in use", &whole, Some(settled), in_use, &[0], Vec::new()).killed(bare);
    let is_held = Over::Main("SELECT count(*) FROM edition WHERE number = 2 AND state = 'held'");
    let held = step("from settled to held", &short, Some(settled), is_held, &[5], Vec::new()).killed(bare);

    // a decision is one transaction and shows nothing of itself before it is over: the kill comes from the start of the
    // command on
    let alone = "SELECT count(*) FROM edition WHERE number = 1 AND state = 'withdrawn'";
    let (name, withdraw) = ("withdrawing the only edition", words(&format!("edition withdraw {SOURCE} 1")));
    step(name, &withdraw, None, Over::Main(alone), &[0, 3], then()).killed(bare);
    let swept =
        Over::Records("SELECT CASE WHEN count(*) = 0 THEN 1 ELSE 0 END FROM record_change WHERE edition = 2");
    let accept = words(&format!("edition accept {SOURCE} 2"));
    step("accepting an edition", &accept, None, in_use, &[0, 3], Vec::new()).killed(&held);
    let refuse = words(&format!("edition refuse {SOURCE} 2 --reason short"));
    let refused = "SELECT count(*) FROM edition WHERE number = 2 AND state = 'refused'";
    step("removing what a refused edition changed", &refuse, Some(refused), swept, &[0, 3], then())
        .killed(&held);
    let withdraw = words(&format!("edition withdraw {SOURCE} 2 --reason wrong"));
    let withdrawn = "SELECT count(*) FROM edition WHERE number = 2 AND state = 'withdrawn'";
    let name = "withdrawing an edition";
    step(name, &withdraw, None, Over::Main(withdrawn), &[0, 3], then()).killed(&used);
    step("removing what a withdrawn edition changed", &withdraw, Some(withdrawn), swept, &[0, 3], then())
        .killed(&used);
}

#[test]
fn an_edition_that_ends_its_load_and_is_decided_on_survives_kills_on_sqlite() {
    an_edition_that_ends_its_load_and_is_decided_on(&Ground::on_sqlite());
}

#[test]
fn an_edition_that_ends_its_load_and_is_decided_on_survives_kills_on_postgresql() {
    an_edition_that_ends_its_load_and_is_decided_on(&Ground::on_postgresql());
}

fn changes_that_are_folded(bare: &Ground) {
    let roll = Roll::of(rows(), 200);
    with_a_first_edition(bare, &roll);
    let layout = roll.path("layout.toml");
    for file in [later(&roll, "later.csv", 0, (7, 7)), later(&roll, "next.csv", 0, (7, 9))] {
        bare.run(&import(&file, &layout).iter().map(String::as_str).collect::<Vec<_>>()).code(0);
    }
    bare.run(&["reconcile", "--release"]).code(0);
    bare.run(&["originals", "pack"]).code(0);
    assert_eq!(bare.count("SELECT count(*) FROM job WHERE kind = 'compact' AND state = 'queued'"), 1);
    let step = |name, who, command| {
        let (begun, over, codes, then) = (Some(FOLDING), Over::Main(FOLDED), &[0][..], Vec::new());
        Step { name, who, command, begun, over, codes, then }
    };
    let command = words(&format!("edition compact {SOURCE}"));
    step("folding changes, by command", Who::Command, command).killed(bare);
    step("folding changes, by worker", Who::Worker, Vec::new()).killed(bare);
}

#[test]
fn changes_that_are_folded_survive_kills_on_sqlite() {
    changes_that_are_folded(&Ground::on_sqlite());
}

#[test]
fn changes_that_are_folded_survive_kills_on_postgresql() {
    changes_that_are_folded(&Ground::on_postgresql());
}

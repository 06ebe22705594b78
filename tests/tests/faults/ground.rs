//! An installation under fault: programs that are started, killed and stopped; what lies in the database, in a form
//! that holds no ids and no times.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use crossfoot_testbed::{BreakablePostgres, binary, postgres, python};
use tempfile::TempDir;

/// A worker that is not heard of for so long loses its job.
pub(crate) const LEASE: Duration = Duration::from_secs(1);
/// The machine may be compiling beside the test.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

const SNAPSHOT: &str = include_str!("snapshot.py");

/// Queries of the main tables; a row of a run is left out, runs are counted by [`Ground::judged_by_runs`].
const MAIN: [&str; 13] = [
    "SELECT 'property', office, reference, parcel, address, jurisdiction, year_built, measured_on, measurement_version
     FROM property ORDER BY office, reference",
    "SELECT 'measurement', m.office, p.reference, m.version, m.measured_on, m.sha256, m.reason FROM measurement m
     JOIN property p ON p.office = m.office AND p.id = m.property ORDER BY m.office, p.reference, m.version",
    "SELECT 'policy', office, version, document FROM policy ORDER BY office, version",
    "SELECT 'source', id, jurisdiction, basis, current_edition FROM source ORDER BY id",
    "SELECT 'edition', s.id, e.number, e.state, e.layout_version, e.rows_total, e.rows_entered, e.rows_repeated,
            e.rows_rejected, e.records_new, e.records_changed, e.records_ended, e.records_unchanged, e.refusal
     FROM edition e JOIN source s ON s.number = e.source ORDER BY s.id, e.number",
    "SELECT 'file', s.id, f.edition, f.number, f.name, f.sha256, f.bytes
     FROM edition_file f JOIN source s ON s.number = f.source ORDER BY s.id, f.edition, f.number",
    "SELECT 'match', m.office, s.id, p.reference, m.state, m.how, m.parcel_key, m.record_number, m.conflict
     FROM property_match m JOIN property p ON p.office = m.office AND p.id = m.property
     JOIN source s ON s.number = m.source ORDER BY m.office, s.id, p.reference",
    "SELECT 'judgement', j.office, s.id, p.reference, j.outcome, j.kind, j.measured_um2, j.recorded_um2,
            j.difference_um2, j.variance_ppm, j.sigma_sqft, j.z, j.threshold_um2, j.exceedance_ppm, j.effect_low_cents,
            j.effect_high_cents, j.measurement_version, j.record_number, j.record_edition, j.edition, j.standard,
            j.policy_version, j.policy_rule, j.engine
     FROM judgement j JOIN property p ON p.office = j.office AND p.id = j.property
     JOIN source s ON s.number = j.source ORDER BY j.office, s.id, p.reference",
    "SELECT 'finding', f.office, s.id, p.reference, f.kind, f.state, f.closing, f.bound, f.difference_um2,
            f.variance_ppm, f.effect_high_cents, f.row_version
     FROM finding f JOIN property p ON p.office = f.office AND p.id = f.property
     JOIN source s ON s.number = f.source ORDER BY f.office, s.id, p.reference",
    "SELECT 'event', f.office, s.id, p.reference, e.number, e.what, e.state, e.detail
     FROM finding_event e JOIN finding f ON f.office = e.office AND f.id = e.finding
     JOIN property p ON p.office = f.office AND p.id = f.property
     JOIN source s ON s.number = f.source ORDER BY f.office, s.id, p.reference, e.number",
    "SELECT 'queue', q.office, p.reference, q.tier, q.rank_key, q.open_count
     FROM queue_entry q JOIN property p ON p.office = q.office AND p.id = q.property ORDER BY q.office, p.reference",
    "SELECT 'to judge', t.office, s.id, p.reference FROM to_judge t
     JOIN property p ON p.office = t.office AND p.id = t.property
     JOIN source s ON s.number = t.source ORDER BY t.office, s.id, p.reference",
    "SELECT 'work left', kind, state FROM job WHERE state IN ('queued', 'running') AND kind <> 'keep'
     ORDER BY kind, state",
];

/// Queries of the records of all sources; on SQLite each source has a file of its own.
const RECORDS: [&str; 4] = [
    "SELECT 'record', source, number, since_edition, parcel_key, parcel_raw, situs, area_um2, value_cents, year_built,
            class, rest, content_hash, file, line, byte_start, byte_length, conflict FROM record ORDER BY source, number",
    "SELECT 'change', source, edition, number, what, parcel_key, parcel_raw, situs, area_um2, value_cents, year_built,
            class, rest, content_hash, file, line, byte_start, byte_length, conflict
     FROM record_change ORDER BY source, edition, number",
    "SELECT 'past', source, edition, number, what, parcel_key, parcel_raw, situs, area_um2, value_cents, year_built,
            class, rest, content_hash, file, line, byte_start, byte_length, conflict
     FROM record_past ORDER BY source, edition, number",
    "SELECT 'reject', source, edition, number, file, line, byte_start, byte_length, column_name, reason, detail
     FROM reject ORDER BY source, edition, number",
];

/// Where the main database lies.
#[derive(Clone)]
enum Place {
    /// In the data folder.
    Folder,
    /// A database of the server of all tests.
    Server { url: String },
    /// A database of a server that the test breaks off.
    Breakable { server: Arc<Mutex<BreakablePostgres>>, url: String },
}

/// Files of make-roll, made once for a test.
pub(crate) struct Roll(pub(crate) TempDir);

impl Roll {
    pub(crate) fn of(rows: u32, houses: u32) -> Self {
        let folder = TempDir::new().unwrap();
        let mut command = Command::new(binary("make-roll"));
        command.args(["--rows", &rows.to_string(), "--houses", &houses.to_string(), "--seed", "3", "--out"]);
        let made = command.arg(folder.path()).output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        Self(folder)
    }

    pub(crate) fn path(&self, name: &str) -> String {
        self.0.path().join(name).to_str().unwrap().to_owned()
    }

    /// The same layout as another source.
    pub(crate) fn layout_of(&self, source: &str) -> String {
        let text = fs::read_to_string(self.0.path().join("layout.toml")).unwrap();
        let name = format!("{source}.toml");
        fs::write(self.0.path().join(&name), text.replace("benchmark-roll", source)).unwrap();
        self.path(&name)
    }

    /// A figure of `expected.json`.
    pub(crate) fn expected(&self, name: &str) -> i64 {
        let text = fs::read_to_string(self.0.path().join("expected.json")).unwrap();
        let all: serde_json::Value = serde_json::from_str(&text).unwrap();
        all.get(name).and_then(serde_json::Value::as_i64).unwrap()
    }
}

/// A data folder with its database.
pub(crate) struct Ground {
    folder: TempDir,
    place: Place,
}

impl Ground {
    pub(crate) fn on_sqlite() -> Self {
        Self { folder: TempDir::new().unwrap(), place: Place::Folder }
    }

    pub(crate) fn on_postgresql() -> Self {
        let url = postgres().fresh_database("faults");
        Self { folder: TempDir::new().unwrap(), place: Place::Server { url } }
    }

    /// On a server that can be broken off; it runs as long as the calling thread.
    pub(crate) fn on_a_server_of_its_own() -> Self {
        let server = BreakablePostgres::start();
        let url = server.server().fresh_database("faults");
        let server = Arc::new(Mutex::new(server));
        Self { folder: TempDir::new().unwrap(), place: Place::Breakable { server, url } }
    }

    /// The same content again, apart from this one. Nothing may run on this one meanwhile.
    pub(crate) fn copy(&self) -> Self {
        let place = match &self.place {
            Place::Folder => Place::Folder,
            Place::Server { url } => {
                let copied = postgres().fresh_database("faults");
                let [from, to] = [url, &copied].map(|url| url.rsplit('/').next().unwrap());
                let again = [
                    format!("DROP DATABASE \"{to}\""),
                    format!("CREATE DATABASE \"{to}\" TEMPLATE \"{from}\""),
                ];
                again.iter().for_each(|sql| {
                    postgres().psql(&postgres().url("postgres"), sql);
                });
                Place::Server { url: copied }
            }
            Place::Breakable { .. } => panic!("a server of its own is not copied"),
        };
        let folder = TempDir::new().unwrap();
        let copied = Command::new("cp").arg("-a").arg(self.data()).arg(folder.path()).status().unwrap();
        assert!(copied.success());
        Self { folder, place }
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    /// What the database is, for people.
    pub(crate) fn backend(&self) -> &'static str {
        match &self.place {
            Place::Folder => "SQLite",
            Place::Server { .. } | Place::Breakable { .. } => "PostgreSQL",
        }
    }

    /// The address of the database, or nothing for the one in the data folder.
    pub(crate) fn url(&self) -> String {
        match &self.place {
            Place::Folder => String::new(),
            Place::Server { url } | Place::Breakable { url, .. } => url.clone(),
        }
    }

    /// Breaks the server off and starts it again after a while; gives what `meanwhile` gave.
    pub(crate) fn without_the_server<T>(
        &self,
        how: fn(&BreakablePostgres),
        meanwhile: impl FnOnce() -> T,
    ) -> T {
        let Place::Breakable { server, .. } = &self.place else { panic!("the server is everybody's") };
        let mut server = server.lock().unwrap();
        how(&server);
        let result = meanwhile();
        server.restart();
        result
    }

    /// A program on this installation, clear of other settings.
    pub(crate) fn command(&self, program: &str) -> Command {
        let mut command = Command::new(binary(program));
        for (name, _) in std::env::vars_os() {
            if name.to_string_lossy().starts_with("CROSSFOOT_") {
                command.env_remove(name);
            }
        }
        command.current_dir(self.folder()).stdin(Stdio::null());
        command.env("CROSSFOOT_LEASE_SECONDS", LEASE.as_secs().to_string());
        command.arg("--data").arg(self.data());
        if let Place::Server { url } | Place::Breakable { url, .. } = &self.place {
            command.args(["--database", url]);
        }
        command
    }

    /// Runs `crossfoot` and gives how it ended.
    pub(crate) fn run(&self, arguments: &[&str]) -> Ended {
        Ended::of(self.command("crossfoot").args(arguments))
    }

    /// Starts a program; what it says goes to a file.
    pub(crate) fn start(&self, program: &str, arguments: &[&str]) -> Running {
        let log = self.folder().join(format!("log-{}", fs::read_dir(self.folder()).unwrap().count()));
        let mut command = self.command(program);
        command.args(arguments).stdout(Stdio::null()).stderr(File::create(&log).unwrap());
        Running { child: command.spawn().unwrap(), log }
    }

    /// Starts a worker that waits for jobs.
    pub(crate) fn worker(&self) -> Running {
        self.start("crossfoot-worker", &["--log", "info"])
    }

    /// What a query of the main database answers while no program runs, a row a line.
    pub(crate) fn sql(&self, query: &str) -> Vec<String> {
        self.rows("copy", &[query], &[]).lines().map(str::to_owned).collect()
    }

    /// The same beside running programs.
    pub(crate) fn live(&self, query: &str) -> Vec<String> {
        self.rows("live", &[query], &[]).lines().map(str::to_owned).collect()
    }

    /// The only figure that a query answers.
    pub(crate) fn count(&self, query: &str) -> i64 {
        let rows = self.sql(query);
        assert_eq!(rows.len(), 1, "{query}: {rows:?}");
        rows[0].parse().unwrap()
    }

    /// On SQLite a copy can be read: opening the file itself would mend what the program must mend.
    fn rows(&self, how: &str, main: &[&str], records: &[&str]) -> String {
        match &self.place {
            Place::Server { url } => postgres().psql_all(url, &[main, records].concat()),
            Place::Breakable { server, url } => {
                let server = server.lock().unwrap();
                main.iter().chain(records).map(|q| server.server().psql(url, q)).collect()
            }
            Place::Folder => {
                let mut command = Command::new(python());
                command.args(["-c", SNAPSHOT, how]).arg(self.data());
                command.args(main).arg("records").args(records);
                Ended::of(&mut command).code(0).out
            }
        }
    }

    /// Everything that an undisturbed run leaves too.
    pub(crate) fn dump(&self) -> String {
        self.dump_with(&[])
    }

    /// The same, and what more queries of the main database answer.
    pub(crate) fn dump_with(&self, more: &[&str]) -> String {
        self.rows("copy", &[&MAIN[..], more].concat(), &RECORDS)
    }

    /// The only figure that a query of the records of all sources together answers.
    pub(crate) fn count_records(&self, query: &str) -> i64 {
        let answered = self.rows("copy", &[], &[query]);
        answered.lines().map(|line| line.parse::<i64>().unwrap()).sum()
    }

    /// Watches for the moment from which on a query of the main database answers more than 0, to a thousandth of a
    /// second or two.
    pub(crate) fn watch(&self, query: &str) -> Watch {
        let mut command = match &self.place {
            Place::Server { url } => {
                let wait = format!(
                    "DO $$ BEGIN WHILE NOT ({query}) > 0 LOOP PERFORM pg_sleep(0.0002); END LOOP; END $$"
                );
                postgres().psql_command(url, &[&wait])
            }
            Place::Breakable { .. } => panic!("a server that may be broken off is not watched"),
            Place::Folder => {
                let mut command = Command::new(python());
                command.args(["-c", SNAPSHOT, "watch"]).arg(self.data()).args([query, "records"]);
                command
            }
        };
        Watch { child: command.stdin(Stdio::null()).spawn().unwrap(), query: query.to_owned() }
    }

    /// Pairs that all runs say they judged.
    pub(crate) fn judged_by_runs(&self) -> i64 {
        let of_run = |text: &String| {
            let counts: serde_json::Value = serde_json::from_str(text).unwrap();
            counts["outcomes"].as_object().unwrap().values().map(|n| n.as_i64().unwrap()).sum::<i64>()
        };
        self.sql("SELECT counts FROM run").iter().map(of_run).sum()
    }

    /// Whether a job is recorded as running.
    pub(crate) fn job_runs(&self) -> bool {
        self.count("SELECT count(*) FROM job WHERE state = 'running'") > 0
    }

    /// Waits until a query answers `expected`.
    #[track_caller]
    pub(crate) fn wait(&self, query: &str, expected: &str) {
        let begun = Instant::now();
        loop {
            let now = self.live(query);
            if now == [expected] {
                return;
            }
            assert!(begun.elapsed() < PATIENCE, "{query}: {now:?}: {:?}", self.live("SELECT * FROM job"));
            thread::sleep(Duration::from_millis(30));
        }
    }

    /// Waits until no job is left.
    #[track_caller]
    pub(crate) fn wait_for_the_end(&self) {
        self.wait("SELECT count(*) FROM job WHERE state IN ('queued', 'running')", "0");
        let failed = self.live("SELECT reason FROM job WHERE state = 'failed'");
        assert!(failed.is_empty(), "{failed:?}");
    }

    /// Files or tables of records that no source refers to.
    pub(crate) fn left_over(&self) -> BTreeSet<String> {
        let used: BTreeSet<String> =
            self.sql("SELECT container FROM source WHERE container IS NOT NULL").into_iter().collect();
        // the line index of the edition in use and of one that is held, and of what that in use was loaded against until
        // the next is loaded
        let indexes = self.sql(
            "SELECT container || '.' || CAST(edition.number AS TEXT) || '.lines' FROM source
             JOIN edition ON edition.source = source.number
             WHERE container IS NOT NULL
               AND (edition.number = current_edition OR edition.state = 'held'
                    OR edition.number = (SELECT used.base FROM edition AS used
                                         WHERE used.source = source.number AND used.number = current_edition))",
        );
        let there: Vec<String> = match &self.place {
            Place::Folder => names_in(&self.data().join("sources")),
            Place::Server { .. } | Place::Breakable { .. } => self.sql(
                "SELECT relname FROM pg_class WHERE relkind = 'r' AND relname LIKE 'record\\_s%' ORDER BY relname",
            ),
        };
        let missing = used.iter().filter(|name| !there.contains(name)).map(|name| format!("{name} is gone"));
        // the journal of a file in use is in use
        let stem = |name: &str| name.trim_end_matches("-wal").trim_end_matches("-shm").to_owned();
        let needless = |name: &&String| !used.contains(&stem(name)) && !indexes.contains(name);
        there.iter().filter(needless).cloned().chain(missing).collect()
    }

    /// Demands the state that an undisturbed run left, and that nothing else lies about.
    #[track_caller]
    pub(crate) fn same_as(&self, undisturbed: &str) {
        same(&self.dump(), undisturbed);
        assert_eq!(self.left_over(), BTreeSet::new());
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        if let Place::Server { url } = &self.place {
            let name = url.rsplit('/').next().unwrap();
            let sql = format!("DROP DATABASE IF EXISTS \"{name}\" WITH (FORCE)");
            // a test that fails must say why it fails
            if !thread::panicking() {
                postgres().psql(&postgres().url("postgres"), &sql);
            }
        }
    }
}

fn names_in(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().file_name().to_str().unwrap().to_owned()).collect()
}

/// Demands equal dumps; shows the first rows that only one of them has.
#[track_caller]
pub(crate) fn same(now: &str, undisturbed: &str) {
    if now == undisturbed {
        return;
    }
    let [new, old]: [BTreeSet<&str>; 2] = [now, undisturbed].map(|text| text.lines().collect());
    let first = |only: Vec<&&str>| -> String {
        let shown: Vec<String> = only.iter().take(5).map(|row| row.chars().take(300).collect()).collect();
        format!("{} rows, such as\n  {}", only.len(), shown.join("\n  "))
    };
    let (gone, come) = (old.difference(&new).collect(), new.difference(&old).collect());
    panic!("only undisturbed: {}\nonly here: {}", first(gone), first(come));
}

/// A program that runs, and ends with the test.
pub(crate) struct Running {
    child: Child,
    log: PathBuf,
}

impl Running {
    pub(crate) fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([&format!("-{name}"), &self.child.id().to_string()]).status();
        assert!(sent.unwrap().success());
    }

    /// Kills it with SIGKILL; gives how it ended and its log when it had ended by itself.
    pub(crate) fn kill(mut self) -> Option<String> {
        let ended = self.child.try_wait().unwrap();
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        ended.map(|status| format!("{status}: {}", self.log()))
    }

    /// Asks it to end after the job at hand, and gives its log.
    pub(crate) fn end(mut self) -> String {
        let begun = Instant::now();
        // before it listens, a signal ends it as it ends any process
        while !self.log().contains("the worker starts") {
            assert!(begun.elapsed() < PATIENCE, "it does not start: {}", self.log());
            thread::sleep(Duration::from_millis(10));
        }
        self.signal("TERM");
        let ended = self.child.wait().unwrap();
        assert!(ended.success(), "{ended}: {}", self.log());
        self.log()
    }

    /// Waits until it ends by itself; gives its exit code.
    pub(crate) fn wait(&mut self) -> i32 {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code().unwrap_or(-1);
            }
            assert!(begun.elapsed() < PATIENCE, "it hangs: {}", self.log());
            thread::sleep(Duration::from_millis(2));
        }
    }

    pub(crate) fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // after an orderly end there is nothing left to kill
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What watches for a moment.
pub(crate) struct Watch {
    child: Child,
    query: String,
}

impl Watch {
    /// Waits for the moment.
    #[track_caller]
    pub(crate) fn wait(mut self) {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                assert!(status.success(), "{}: {status}", self.query);
                return;
            }
            assert!(begun.elapsed() < PATIENCE, "it does not come: {}", self.query);
            thread::sleep(Duration::from_micros(200));
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        // it has ended, but where the moment did not come
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How a program ended.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ended {
    pub(crate) fn of(command: &mut Command) -> Self {
        let Output { status, stdout, stderr } = command.output().unwrap();
        let [out, err] = [stdout, stderr].map(|bytes| String::from_utf8(bytes).unwrap());
        Self { code: status.code().unwrap_or(-1), out, err }
    }

    #[track_caller]
    pub(crate) fn code(self, expected: i32) -> Self {
        assert_eq!(self.code, expected, "{}\n{}", self.out, self.err);
        self
    }
}

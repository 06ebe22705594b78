//! An installation of its own for each test, worked by the built programs; and the database seen from beside.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use crossfoot_testbed::{binary, postgres, python};
use serde_json::Value;
use tempfile::TempDir;

/// Tables that every command may add to: who did what when, and what became of it.
const OF_WORK: [&str; 3] = ["_sqlx_migrations", "job", "run"];

/// All rows of a database by table, sorted; each row as text.
pub(crate) type Tables = BTreeMap<String, Vec<String>>;

/// A data folder, a database, and a folder for the files of the test.
pub(crate) struct Installation {
    folder: TempDir,
    /// The address of the PostgreSQL database; none is SQLite in the data folder.
    database: Option<String>,
}

impl Installation {
    pub(crate) fn on_sqlite() -> Self {
        Self { folder: TempDir::new().unwrap(), database: None }
    }

    pub(crate) fn on_postgresql() -> Self {
        let database = Some(postgres().fresh_database("end_to_end"));
        Self { folder: TempDir::new().unwrap(), database }
    }

    /// Another empty installation on the same kind of database.
    pub(crate) fn another(&self) -> Self {
        if self.database.is_some() { Self::on_postgresql() } else { Self::on_sqlite() }
    }

    /// The folder of the test's files, in which the programs run.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Writes a file of the test and gives its path.
    pub(crate) fn file(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        let path = self.folder().join(name);
        fs::write(&path, content).unwrap();
        path.to_str().unwrap().to_owned()
    }

    /// A program of the installation, with the environment clear of settings.
    pub(crate) fn command(&self, program: &str) -> Command {
        let mut command = program_alone(program, self.folder());
        command.arg("--data").arg(self.data());
        if let Some(database) = &self.database {
            command.args(["--database", database]);
        }
        command
    }

    fn data(&self) -> PathBuf {
        self.folder().join("data")
    }

    /// Runs `crossfoot` for the office that is meant when none is named.
    pub(crate) fn run<S: AsRef<str>>(&self, arguments: &[S]) -> Ended {
        let mut command = self.command("crossfoot");
        command.args(arguments.iter().map(AsRef::as_ref));
        Ended::of(&mut command)
    }

    /// Runs `crossfoot` for one office.
    pub(crate) fn run_for(&self, office: &str, arguments: &[&str]) -> Ended {
        let mut command = self.command("crossfoot");
        command.args(["--office", office]).args(arguments);
        Ended::of(&mut command)
    }

    /// The rows of an export, as published.
    pub(crate) fn export(&self, what: &str) -> Vec<Value> {
        self.run(&["export", what, "--format", "ndjson"]).code(0).json_lines()
    }

    /// The judged pairs by reference, of the only source.
    pub(crate) fn judgements(&self) -> BTreeMap<String, Value> {
        by_reference(self.export("judgements"))
    }

    /// The queue, first row first.
    pub(crate) fn queue(&self) -> Vec<Value> {
        self.run(&["queue", "--limit", "0", "--json"]).code(0).json_lines()
    }

    /// Everything that an office reads: queue, judgements and findings, byte for byte.
    pub(crate) fn reading(&self) -> String {
        let commands: [&[&str]; 4] = [
            &["queue", "--limit", "0", "--json"],
            &["export", "judgements"],
            &["export", "findings", "--format", "ndjson"],
            &["policy", "show"],
        ];
        commands.iter().map(|arguments| self.run(arguments).code(0).out).collect()
    }

    /// What a query of the main database answers: a row a line, columns separated by `|`.
    pub(crate) fn sql(&self, query: &str) -> Vec<String> {
        let text = match &self.database {
            Some(url) => postgres().psql(url, query),
            None => {
                let script = "import sqlite3, sys\n\
                              for row in sqlite3.connect(sys.argv[1], timeout=10).execute(sys.argv[2]):\n\
                              \x20   print('|'.join('' if v is None else str(v) for v in row))\n";
                let file = self.data().join("crossfoot.db");
                script_output(script, &[file.into_os_string(), query.into()])
            }
        };
        text.lines().map(str::to_owned).collect()
    }

    /// Changes the database from beside, to what only chance brings about.
    pub(crate) fn change(&self, statement: &str) {
        let file = self.data().join("crossfoot.db");
        if file.is_file() {
            let script = "import sqlite3, sys\n\
                          database = sqlite3.connect(sys.argv[1], timeout=10)\n\
                          database.execute(sys.argv[2])\n\
                          database.commit()\n";
            script_output(script, &[file.into_os_string(), statement.into()]);
        } else {
            self.sql(statement);
        }
    }

    /// The content of all tables but those of the work itself, records of sources included.
    pub(crate) fn tables(&self) -> Tables {
        let mut tables = match &self.database {
            Some(url) => postgres_tables(url),
            None => sqlite_tables(&self.data()),
        };
        for table in OF_WORK {
            tables.remove(table);
        }
        assert!(tables.contains_key("finding"), "{:?}", tables.keys());
        tables
    }
}

/// Demands that two states of a database are the same; names the tables and rows that are not.
#[track_caller]
pub(crate) fn same(now: &Tables, before: &Tables) {
    let mut faults = Vec::new();
    for name in now.keys().chain(before.keys()).collect::<BTreeSet<_>>() {
        let (new, old) = (now.get(name), before.get(name));
        let only = |these: Option<&Vec<String>>, those: Option<&Vec<String>>| -> Vec<String> {
            let those = those.cloned().unwrap_or_default();
            these.into_iter().flatten().filter(|row| !those.contains(row)).cloned().collect()
        };
        if new != old {
            faults.push(format!("{name}: before {:?}, now {:?}", only(old, new), only(new, old)));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// A program without any settings, run in a folder.
pub(crate) fn program_alone(program: &str, folder: &Path) -> Command {
    let mut command = Command::new(binary(program));
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("CROSSFOOT_") {
            command.env_remove(name);
        }
    }
    command.current_dir(folder).stdin(Stdio::null());
    command
}

/// Objects by their reference; each reference must stand once.
pub(crate) fn by_reference(rows: Vec<Value>) -> BTreeMap<String, Value> {
    let count = rows.len();
    let by: BTreeMap<String, Value> =
        rows.into_iter().map(|row| (row["reference"].as_str().unwrap().to_owned(), row)).collect();
    assert_eq!(by.len(), count, "a reference stands twice");
    by
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
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        let code = status.code().unwrap_or_else(|| panic!("{command:?}: {status}"));
        Self { code, out: text(stdout), err: text(stderr) }
    }

    /// Demands an exit code.
    #[track_caller]
    pub(crate) fn code(self, expected: i32) -> Self {
        assert_eq!(self.code, expected, "{}\n{}", self.out, self.err);
        self
    }

    /// Demands words on standard output.
    #[track_caller]
    pub(crate) fn says(self, words: &str) -> Self {
        assert!(self.out.contains(words), "{words:?} is not in:\n{}\n{}", self.out, self.err);
        self
    }

    /// Demands words on standard error.
    #[track_caller]
    pub(crate) fn complains(self, words: &str) -> Self {
        assert!(self.err.contains(words), "{words:?} is not in:\n{}\n{}", self.err, self.out);
        self
    }

    /// Standard output as one JSON object a line.
    #[track_caller]
    pub(crate) fn json_lines(&self) -> Vec<Value> {
        self.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

/// Runs the Python of the oracle on a script and gives what it prints.
pub(crate) fn script_output(script: &str, arguments: &[OsString]) -> String {
    let mut command = Command::new(python());
    command.arg("-c").arg(script).args(arguments);
    Ended::of(&mut command).code(0).out
}

fn postgres_tables(url: &str) -> Tables {
    let names = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'";
    let names = postgres().psql(url, names);
    let selects: Vec<String> = names
        .lines()
        .map(|name| format!("SELECT '{name}', row_to_json(t)::text FROM \"{name}\" t"))
        .collect();
    let rows = postgres().psql(url, &format!("{} ORDER BY 1, 2", selects.join(" UNION ALL ")));
    let mut tables: Tables = names.lines().map(|name| (name.to_owned(), Vec::new())).collect();
    for line in rows.lines() {
        let (name, row) = line.split_once('|').unwrap();
        tables.get_mut(name).unwrap().push(row.to_owned());
    }
    tables
}

/// The main file, and the files of the sources under their names.
fn sqlite_tables(data: &Path) -> Tables {
    let script = "import glob, json, os, sqlite3, sys\n\
                  tables = {}\n\
                  main, *sources = sys.argv[1], *sorted(glob.glob(sys.argv[2]))\n\
                  for file in (main, *sources):\n\
                  \x20   database = sqlite3.connect(file, timeout=10)\n\
                  \x20   names = database.execute(\"select name from sqlite_schema where type = 'table'\").fetchall()\n\
                  \x20   for (name,) in names:\n\
                  \x20       key = name if file == main else os.path.basename(file) + ' ' + name\n\
                  \x20       tables[key] = sorted(map(repr, database.execute(f'select * from {name}')))\n\
                  print(json.dumps(tables))\n";
    let files = [data.join("crossfoot.db"), data.join("sources").join("*.db")];
    serde_json::from_str(&script_output(script, &files.map(PathBuf::into_os_string))).unwrap()
}

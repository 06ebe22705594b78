//! A PostgreSQL server for the time of one test process.
//!
//! It takes half a second to come up, listens on 127.0.0.1 only, and loses its data on purpose: nothing is
//! synced, and it is stopped without writing anything. It ends with the process in three ways: when the
//! process exits, when the process is killed (the kernel tells the server), and, should both fail, when the
//! next test process sweeps what dead ones left behind.

use std::env;
use std::ffi::OsString;
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

use crate::process::{self, Process};

/// Begin of the name of a server's folder; the process it belongs to follows.
const FOLDER_PREFIX: &str = "crossfoot-postgres-";
/// Start-up is half a second; a machine that is also compiling may need much more.
const START_PATIENCE: Duration = Duration::from_secs(60);
/// An immediate shutdown takes milliseconds; the server itself kills its children after five seconds.
const STOP_PATIENCE: Duration = Duration::from_secs(8);
/// A free port can be taken by somebody else between our look and the server's start.
const PORT_TRIES: usize = 10;
/// Tests open a pool each and run in parallel.
const CONNECTIONS_MAX: &str = "200";

static SHARED: OnceLock<Postgres> = OnceLock::new();

/// The server of this test process, started at the first call.
///
/// # Panics
/// When PostgreSQL is not installed, or does not start; with what to do, or with the server's log.
pub fn postgres() -> &'static Postgres {
    SHARED.get_or_init(|| {
        let (send, receive) = mpsc::channel();
        // The kernel stops the server when the thread that started it ends. A test's thread ends with the
        // test, so a thread of its own starts the server and lives on.
        thread::Builder::new()
            .name("postgres-keeper".to_owned())
            .spawn(move || {
                if send.send(Postgres::start(&[])).is_ok() {
                    loop {
                        thread::park();
                    }
                }
            })
            .unwrap_or_else(|e| panic!("no thread to start PostgreSQL from: {e}"));
        let server = match receive.recv() {
            Ok(Ok(server)) => server,
            Ok(Err(message)) => panic!("{message}"),
            Err(_) => panic!("the thread that starts PostgreSQL ended early; its message is above"),
        };
        process::at_exit(stop_shared);
        server
    })
}

extern "C" fn stop_shared() {
    if let Some(server) = SHARED.get() {
        server.stop();
    }
}

/// A running PostgreSQL server on 127.0.0.1, superuser `postgres`, no password, locale C, UTF-8.
#[derive(Debug)]
pub struct Postgres {
    owner: Process,
    pid: i32,
    port: u16,
    folder: PathBuf,
    programs: Programs,
    databases: AtomicU32,
}

impl Postgres {
    /// The address of `database` on this server. Does not create it.
    pub fn url(&self, database: &str) -> String {
        format!("postgres://postgres@127.0.0.1:{}/{database}", self.port)
    }

    /// Creates an empty database whose name begins with `prefix`, and returns its address.
    ///
    /// # Panics
    /// When `prefix` is not made of lower-case letters, digits and underscores, or the server refuses.
    pub fn fresh_database(&self, prefix: &str) -> String {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        assert!(prefix.chars().all(plain), "database prefix {prefix:?}: use a-z, 0-9 and _ only");
        let number = self.databases.fetch_add(1, Ordering::Relaxed);
        let name = format!("{prefix}_{number}");
        self.psql(&self.url("postgres"), &format!("CREATE DATABASE \"{name}\" TEMPLATE template0"));
        self.url(&name)
    }

    /// Runs `sql` through `psql` and returns what it prints: a row per line, columns separated by `|`.
    ///
    /// # Panics
    /// With the server's message, when a statement fails.
    pub fn psql(&self, database_url: &str, sql: &str) -> String {
        self.psql_all(database_url, &[sql])
    }

    /// The same for several statements, each with its own transaction.
    ///
    /// # Panics
    /// As [`Postgres::psql`].
    pub fn psql_all(&self, database_url: &str, statements: &[&str]) -> String {
        let output = self
            .psql_command(database_url, statements)
            .output()
            .unwrap_or_else(|e| panic!("{}: {e}", self.programs.psql.display()));
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(
            output.status.success(),
            "psql on {database_url} failed: {message}\nstatement: {}",
            statements.join("; ")
        );
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// The command that [`Postgres::psql_all`] runs, for who does not wait for it at once.
    pub fn psql_command(&self, database_url: &str, statements: &[&str]) -> Command {
        let mut command = plain_command(&self.programs.psql);
        command.args(["-X", "-A", "-t", "-q", "-v", "ON_ERROR_STOP=1", "-d", database_url]);
        for sql in statements {
            command.args(["-c", sql]);
        }
        command.stdin(Stdio::null());
        command
    }

    /// Must be called from a thread that lives as long as the server is to. Later settings win over earlier ones.
    fn start(settings: &[&str]) -> Result<Self, String> {
        let programs = Programs::find()?;
        sweep(&env::temp_dir());
        let owner = Process::current();
        let folder = new_folder(owner)?;
        initialise(&programs, &folder)?;
        for _ in 0..PORT_TRIES {
            let port = free_port()?;
            let mut child = launch(&programs, &folder, port, settings)?;
            match wait_until_ready(&mut child, &folder) {
                Ready::Yes => {
                    let pid = child_pid(&child)?;
                    let databases = AtomicU32::new(1);
                    return Ok(Self { owner, pid, port, folder, programs, databases });
                }
                Ready::PortTaken => {}
                Ready::No(why) => {
                    process::stop(child_pid(&child)?, STOP_PATIENCE);
                    let log = fs::read_to_string(log_of(&folder)).unwrap_or_default();
                    let _ = fs::remove_dir_all(&folder);
                    return Err(format!("PostgreSQL did not start: {why}\n{log}"));
                }
            }
        }
        let _ = fs::remove_dir_all(&folder);
        Err(format!("PostgreSQL did not start: {PORT_TRIES} ports in turn were taken"))
    }

    fn stop(&self) {
        // A forked copy of this process inherits the action at its end, but not the server.
        if Process::current() == self.owner {
            process::stop(self.pid, STOP_PATIENCE);
            let _ = fs::remove_dir_all(&self.folder);
        }
    }
}

/// A server of one test that is broken off and started again on the same data and port.
///
/// Unlike the server of all tests it keeps what it acknowledged: a commit is in the hands of the kernel, which lives
/// on when the server is killed. It belongs to the thread that started it.
#[derive(Debug)]
pub struct BreakablePostgres {
    server: Postgres,
}

/// The kernel keeps what was written; only the server dies.
const KEEP_COMMITS: [&str; 2] = ["synchronous_commit=on", "full_page_writes=on"];

impl BreakablePostgres {
    /// Starts a server.
    ///
    /// # Panics
    /// When PostgreSQL is not installed, or does not start.
    pub fn start() -> Self {
        Self { server: Postgres::start(&KEEP_COMMITS).unwrap_or_else(|message| panic!("{message}")) }
    }

    /// The server, for its addresses and `psql`.
    pub fn server(&self) -> &Postgres {
        &self.server
    }

    /// Stops it at once with SIGQUIT: every connection is cut, nothing is written out.
    pub fn quit(&self) {
        process::stop(self.server.pid, STOP_PATIENCE);
        process::reap(self.server.pid);
    }

    /// Kills it with SIGKILL. Its connections' processes notice and end by themselves.
    pub fn kill(&self) {
        process::kill(self.server.pid);
        process::reap(self.server.pid);
    }

    /// Starts it again on the same data and port, after whatever is left of the one before has ended.
    ///
    /// # Panics
    /// When it does not come up again.
    pub fn restart(&mut self) {
        let begun = Instant::now();
        loop {
            let server = &self.server;
            let mut child = launch(&server.programs, &server.folder, server.port, &KEEP_COMMITS)
                .unwrap_or_else(|message| panic!("{message}"));
            match wait_until_ready(&mut child, &server.folder) {
                Ready::Yes => {
                    self.server.pid = child_pid(&child).unwrap_or_else(|message| panic!("{message}"));
                    return;
                }
                // processes of the killed one still hold its memory or its port
                Ready::PortTaken | Ready::No(_) if begun.elapsed() < START_PATIENCE => {
                    thread::sleep(Duration::from_millis(50));
                }
                Ready::PortTaken => panic!("PostgreSQL did not start again: its port is taken"),
                Ready::No(why) => {
                    let log = fs::read_to_string(log_of(&server.folder)).unwrap_or_default();
                    panic!("PostgreSQL did not start again: {why}\n{log}");
                }
            }
        }
    }
}

impl Drop for BreakablePostgres {
    fn drop(&mut self) {
        self.server.stop();
    }
}

/// Programs of one PostgreSQL installation.
#[derive(Debug)]
struct Programs {
    initdb: PathBuf,
    postgres: PathBuf,
    psql: PathBuf,
}

impl Programs {
    /// Looks in `PG_BIN`, then along `PATH`, then in Debian's folders, the newest version first.
    fn find() -> Result<Self, String> {
        let mut folders: Vec<PathBuf> = env::var_os("PG_BIN").map(PathBuf::from).into_iter().collect();
        folders.extend(env::split_paths(&env::var_os("PATH").unwrap_or_default()));
        folders.extend(debian_folders(Path::new("/usr/lib/postgresql")));
        Self::among(&folders)
    }

    /// The first installation that is whole.
    fn among(folders: &[PathBuf]) -> Result<Self, String> {
        folders.iter().find_map(|folder| Self::in_folder(folder)).ok_or_else(|| {
            "no PostgreSQL server here: the tests start their own and need its programs (initdb, postgres, \
             psql). On Debian or Ubuntu run `apt-get install postgresql`; elsewhere name their folder in \
             PG_BIN. Or run `tests/run`, which installs what is missing"
                .to_owned()
        })
    }

    fn in_folder(folder: &Path) -> Option<Self> {
        // A link such as /usr/local/bin/initdb leads to the folder that has all of them.
        let initdb = folder.join("initdb").canonicalize().ok()?;
        let home = initdb.parent()?;
        let (postgres, psql) = (home.join("postgres"), home.join("psql"));
        (postgres.is_file() && psql.is_file()).then_some(Self { initdb, postgres, psql })
    }
}

/// `<root>/<version>/bin`, the highest version first.
fn debian_folders(root: &Path) -> Vec<PathBuf> {
    let mut versions: Vec<u32> = fs::read_dir(root)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok())
        .collect();
    versions.sort_unstable_by(|a, b| b.cmp(a));
    versions.into_iter().map(|version| root.join(version.to_string()).join("bin")).collect()
}

/// A command that a developer's own PG* settings do not reach.
fn plain_command(program: &Path) -> Command {
    let mut command = Command::new(program);
    let is_setting = |name: &OsString| name.to_string_lossy().starts_with("PG");
    for name in env::vars_os().map(|(name, _)| name).filter(is_setting) {
        command.env_remove(name);
    }
    command.env("LC_ALL", "C.UTF-8");
    command
}

/// `program`, run as a user whom PostgreSQL accepts: it refuses root.
fn server_command(program: &Path) -> Command {
    if !process::is_root() {
        return plain_command(program);
    }
    let mut command = plain_command(Path::new("setpriv"));
    command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups"]).arg(program);
    command
}

fn new_folder(owner: Process) -> Result<PathBuf, String> {
    let folder = tempfile::Builder::new()
        .prefix(&format!("{FOLDER_PREFIX}{}-{}-", owner.pid, owner.started))
        .tempdir()
        .map_err(|e| format!("no temporary folder for PostgreSQL: {e}"))?
        .keep();
    if process::is_root() {
        run(Command::new("chown").arg("postgres:postgres").arg(&folder)).map_err(|e| {
            format!(
                "{e}\nThe tests run as root, PostgreSQL must not: it runs as the user `postgres`, which \
                 Debian's package brings (`apt-get install postgresql`)"
            )
        })?;
    }
    Ok(folder)
}

fn initialise(programs: &Programs, folder: &Path) -> Result<(), String> {
    let mut command = server_command(&programs.initdb);
    command.args(["--no-sync", "--locale=C", "--encoding=UTF8", "-A", "trust", "-U", "postgres", "-D"]);
    command.arg(data_of(folder)).current_dir(folder);
    run(&mut command)
}

fn launch(programs: &Programs, folder: &Path, port: u16, settings: &[&str]) -> Result<Child, String> {
    let log = fs::File::create(log_of(folder)).map_err(|e| format!("log of PostgreSQL: {e}"))?;
    let log_too = log.try_clone().map_err(|e| format!("log of PostgreSQL: {e}"))?;
    // The change of user clears the wish to be told of the parent's death, so it is made after it.
    let mut command = server_command(Path::new("setpriv"));
    command.arg("--pdeathsig=QUIT").arg(&programs.postgres).arg("-D").arg(data_of(folder));
    let port = format!("port={port}");
    let connections = format!("max_connections={CONNECTIONS_MAX}");
    for setting in [
        port.as_str(),
        connections.as_str(),
        "listen_addresses=127.0.0.1",
        "unix_socket_directories=",
        "fsync=off",
        "full_page_writes=off",
        "synchronous_commit=off",
    ]
    .iter()
    .chain(settings)
    {
        command.args(["-c", setting]);
    }
    command.current_dir(folder).stdin(Stdio::null()).stdout(log).stderr(log_too);
    command.spawn().map_err(|e| format!("setpriv (Debian's package util-linux): {e}"))
}

enum Ready {
    Yes,
    PortTaken,
    No(String),
}

fn wait_until_ready(child: &mut Child, folder: &Path) -> Ready {
    // The server writes its state as the eighth line of its pid file.
    let state = data_of(folder).join("postmaster.pid");
    let begun = Instant::now();
    while begun.elapsed() < START_PATIENCE {
        match child.try_wait() {
            Err(e) => return Ready::No(e.to_string()),
            Ok(Some(status)) => {
                let log = fs::read_to_string(log_of(folder)).unwrap_or_default();
                let taken = log.contains("Address already in use");
                return if taken { Ready::PortTaken } else { Ready::No(status.to_string()) };
            }
            Ok(None) => {}
        }
        let text = fs::read_to_string(&state).unwrap_or_default();
        // a server that was killed leaves its pid file behind
        let own = text.lines().next().is_some_and(|line| line.trim() == child.id().to_string());
        if own && text.lines().nth(7).is_some_and(|line| line.trim() == "ready") {
            return Ready::Yes;
        }
        thread::sleep(Duration::from_millis(10));
    }
    Ready::No(format!("not ready after {} seconds", START_PATIENCE.as_secs()))
}

fn free_port() -> Result<u16, String> {
    let listener = TcpListener::bind(("127.0.0.1", 0)).map_err(|e| format!("no free port: {e}"))?;
    Ok(listener.local_addr().map_err(|e| format!("no free port: {e}"))?.port())
}

fn child_pid(child: &Child) -> Result<i32, String> {
    i32::try_from(child.id()).map_err(|e| format!("process number: {e}"))
}

fn run(command: &mut Command) -> Result<(), String> {
    let output = command.stdin(Stdio::null()).output().map_err(|e| format!("{command:?}: {e}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!("{command:?}: {}\n{}", output.status, String::from_utf8_lossy(&output.stderr)))
}

fn data_of(folder: &Path) -> PathBuf {
    folder.join("data")
}

fn log_of(folder: &Path) -> PathBuf {
    folder.join("log")
}

/// Stops the servers and removes the folders in `temporary` whose process is dead.
fn sweep(temporary: &Path) {
    for entry in fs::read_dir(temporary).into_iter().flatten().flatten() {
        let dead = entry.file_name().to_str().and_then(owner_of).is_some_and(|owner| !owner.is_alive());
        if dead {
            let folder = entry.path();
            if let Some(pid) = server_in(&folder) {
                process::stop(pid, STOP_PATIENCE);
            }
            // Another test process may be sweeping too; whoever comes second finds nothing.
            let _ = fs::remove_dir_all(&folder);
        }
    }
}

/// The process that a folder belongs to, read from the folder's name.
fn owner_of(folder_name: &str) -> Option<Process> {
    let mut parts = folder_name.strip_prefix(FOLDER_PREFIX)?.split('-');
    Some(Process { pid: parts.next()?.parse().ok()?, started: parts.next()?.parse().ok()? })
}

/// The server that runs on this folder: its pid file names a process that works in its data folder.
fn server_in(folder: &Path) -> Option<i32> {
    let data = data_of(folder);
    let pid = fs::read_to_string(data.join("postmaster.pid")).ok()?.lines().next()?.trim().parse().ok()?;
    let works_in = fs::read_link(format!("/proc/{pid}/cwd")).ok()?;
    (works_in == data.canonicalize().ok()?).then_some(pid)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_names_its_process_and_other_folders_name_none() {
        let owner = Process { pid: 12, started: 3456 };
        assert_eq!(owner_of("crossfoot-postgres-12-3456-x9Yz"), Some(owner));
        assert_eq!(owner_of("crossfoot-postgres-twelve"), None);
        assert_eq!(owner_of("somebody-else-12-3456-x9Yz"), None);
    }

    #[test]
    fn the_newest_installed_version_comes_first() {
        let root = tempfile::tempdir().unwrap();
        for version in ["9", "15", "common", "17"] {
            fs::create_dir(root.path().join(version)).unwrap();
        }
        let expected = ["17/bin", "15/bin", "9/bin"].map(|v| root.path().join(v));
        assert_eq!(debian_folders(root.path()), expected);
    }

    #[test]
    fn without_a_whole_installation_the_message_says_what_to_install() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("initdb"), "").unwrap();
        let message = Programs::among(&[folder.path().to_owned()]).unwrap_err();
        assert!(message.contains("apt-get install postgresql"), "{message}");
    }

    #[test]
    fn sweeping_removes_the_folders_of_dead_processes_only() {
        let temporary = tempfile::tempdir().unwrap();
        let me = Process::current();
        let mine = temporary.path().join(format!("{FOLDER_PREFIX}{}-{}-a", me.pid, me.started));
        let dead = temporary.path().join(format!("{FOLDER_PREFIX}{}-{}-b", me.pid, me.started + 1));
        let other = temporary.path().join("other");
        for folder in [&mine, &dead, &other] {
            fs::create_dir(folder).unwrap();
        }
        sweep(temporary.path());
        assert!(mine.exists() && other.exists());
        assert!(!dead.exists());
    }
}

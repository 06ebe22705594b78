//! The server really starts, keeps databases apart, and leaves nothing behind.

#![expect(clippy::unwrap_used, reason = "a test stops at the first thing that is not as it should be")]

use std::io::{BufRead, BufReader};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use crossfoot_testbed::{BreakablePostgres, postgres};

#[test]
fn a_fresh_database_answers() {
    let server = postgres();
    let url = server.fresh_database("answers");
    assert_eq!(server.psql(&url, "SELECT 1, 'two'"), "1|two\n");
}

#[test]
fn two_databases_do_not_see_each_other() {
    let server = postgres();
    let (first, second) = (server.fresh_database("apart"), server.fresh_database("apart"));
    assert_ne!(first, second);
    server.psql(&first, "CREATE TABLE house (id text); INSERT INTO house VALUES ('a')");
    assert_eq!(server.psql(&first, "SELECT count(*) FROM house"), "1\n");
    assert_eq!(server.psql(&second, "SELECT to_regclass('house') IS NULL"), "t\n");
}

#[test]
fn text_is_utf8_and_sorts_by_code_point() {
    let server = postgres();
    let url = server.fresh_database("locale");
    let sql = "SELECT string_agg(x, '' ORDER BY x) FROM unnest(array['ä', 'a', 'Z']) AS x";
    assert_eq!(server.psql(&url, sql), "Zaä\n");
}

#[test]
fn threads_share_one_server_that_outlives_the_thread_that_asked_first() {
    let addresses: Vec<usize> = (0..4)
        .map(|_| thread::spawn(|| std::ptr::from_ref(postgres()).addr()))
        .map(|thread| thread.join().unwrap())
        .collect();
    assert!(addresses.iter().all(|address| *address == addresses[0]));
    assert_eq!(postgres().psql(&postgres().url("postgres"), "SELECT 1"), "1\n");
}

#[test]
#[should_panic(expected = "no_such_table")]
fn a_failing_statement_panics_with_the_message_of_the_server() {
    let server = postgres();
    server.psql(&server.url("postgres"), "SELECT * FROM no_such_table");
}

#[test]
fn a_server_that_is_broken_off_has_what_it_acknowledged_when_it_is_back() {
    let mut server = BreakablePostgres::start();
    let url = server.server().fresh_database("broken");
    server.server().psql(&url, "CREATE TABLE house (id text)");
    for (id, how) in
        [("a", BreakablePostgres::quit as fn(&BreakablePostgres)), ("b", BreakablePostgres::kill)]
    {
        server.server().psql(&url, &format!("INSERT INTO house VALUES ('{id}')"));
        how(&server);
        server.restart();
    }
    assert_eq!(server.server().psql(&url, "SELECT string_agg(id, '' ORDER BY id) FROM house"), "ab\n");
}

#[test]
fn the_server_ends_with_the_process_and_its_folder_goes() {
    let mut process = start();
    assert!(process.listens());
    drop(process.child.stdin.take());
    assert!(process.child.wait().unwrap().success());
    assert!(!process.listens());
    assert!(!Path::new(&process.folder).exists());
}

#[test]
fn the_server_of_a_killed_process_ends_and_the_next_start_removes_its_folder() {
    let mut killed = start();
    killed.child.kill().unwrap();
    killed.child.wait().unwrap();
    let begun = Instant::now();
    while killed.listens() {
        assert!(begun.elapsed() < Duration::from_secs(20), "the server outlives its process");
        thread::sleep(Duration::from_millis(20));
    }
    let mut next = start();
    assert!(!Path::new(&killed.folder).exists());
    drop(next.child.stdin.take());
    next.child.wait().unwrap();
}

struct Process {
    child: Child,
    address: String,
    folder: String,
}

impl Process {
    fn listens(&self) -> bool {
        let mut addresses = self.address.to_socket_addrs().unwrap();
        TcpStream::connect(addresses.next().unwrap()).is_ok()
    }
}

/// The program of this crate, in a process of its own with a server of its own.
fn start() -> Process {
    let mut command = Command::new(env!("CARGO_BIN_EXE_crossfoot-testbed"));
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut url = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut url).unwrap();
    let url = url.trim();
    let (_, rest) = url.split_once('@').unwrap();
    let address = rest.split('/').next().unwrap().to_owned();
    let data = postgres().psql(url, "SHOW data_directory");
    let folder = data.trim().strip_suffix("/data").unwrap().to_owned();
    Process { child, address, folder }
}

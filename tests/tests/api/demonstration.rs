//! The demonstration serves its pages: address and key as printed open the queue.

use std::io::{BufRead as _, BufReader, Read as _};
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, PoisonError};

use crate::installation::Installation;
use crate::server::{Request, Server};

/// Held by the test that keeps the port busy.
static WANTED_PORT: Mutex<()> = Mutex::new(());

/// Ends with the test.
struct Demonstration(Child);

impl Drop for Demonstration {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn said<'s>(lines: &'s [String], words: &str) -> &'s str {
    let found = lines.iter().find_map(|line| line.strip_prefix(words));
    found.unwrap_or_else(|| panic!("{words:?} is not in {lines:?}"))
}

fn the_demonstration_serves_its_pages_on_the_next_free_port_until_it_is_stopped(place: &Installation) {
    // the wanted port is taken, by this test or by somebody else
    let _one_at_a_time = WANTED_PORT.lock().unwrap_or_else(PoisonError::into_inner);
    let taken = TcpListener::bind("127.0.0.1:8080");
    let mut command = place.command("crossfoot");
    let child = command.arg("demo").stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut running = Demonstration(child);
    let mut out = BufReader::new(running.0.stdout.take().unwrap());
    let mut lines = Vec::new();
    while !lines.last().is_some_and(|line: &String| line.contains("Ctrl-C")) {
        let mut line = String::new();
        assert_ne!(out.read_line(&mut line).unwrap(), 0, "it ended: {lines:?}");
        lines.push(line.trim_end().to_owned());
    }
    let address = said(&lines, "The pages: http://").trim_end_matches('/').to_owned();
    assert!(address.starts_with("127.0.0.1:") && !address.ends_with(":8080"), "{address}");
    let server = Server::at(&address);
    let key = said(&lines, "Sign in with the key ");
    let form = format!("key={key}");
    let entered = server.send(&Request {
        content: Some("application/x-www-form-urlencoded"),
        body: form.as_bytes(),
        ..Request::new("POST", "/signin")
    });
    let entered = entered.is(303);
    let cookie = entered.header("set-cookie").split(';').next().unwrap().to_owned();
    assert!(!entered.header("set-cookie").contains("Secure"), "a browser would not send it over http");
    let queue = server.send(&Request { headers: vec![("Cookie", &cookie)], ..Request::new("GET", "/queue") });
    let queue = queue.is(200);
    for words in ["DAO-028", "Demonstration Appraisal Office"] {
        assert!(queue.text.contains(words), "{words} is not on the page: {}", queue.text);
    }
    let stopped = Command::new("kill").args(["-TERM", &running.0.id().to_string()]).status().unwrap();
    assert!(stopped.success());
    assert!(running.0.wait().unwrap().success(), "it does not end well when it is stopped");
    let mut rest = String::new();
    out.read_to_string(&mut rest).unwrap();
    assert_eq!(rest, "");
    drop(taken);
}

on_both_databases!(the_demonstration_serves_its_pages_on_the_next_free_port_until_it_is_stopped);

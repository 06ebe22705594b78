//! The service of an installation, and requests to it over a plain connection.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::installation::Installation;

/// A running service that ends with the test.
pub(crate) struct Server {
    child: Option<Child>,
    /// `127.0.0.1:PORT`.
    pub(crate) address: String,
}

impl Server {
    /// A service that runs jobs too.
    pub(crate) fn start(place: &Installation, more: &[&str]) -> Self {
        Self::start_with_jobs(place, "yes", more)
    }

    /// A service that runs jobs (`yes`) or leaves them to workers (`no`).
    pub(crate) fn start_with_jobs(place: &Installation, jobs: &str, more: &[&str]) -> Self {
        let mut command = place.command("crossfoot");
        command.args(["serve", "--port", "0", "--plain-http", "--jobs", jobs]).args(more);
        Self::run(command, Stdio::null())
    }

    /// A service that logs all that it can into a file.
    pub(crate) fn logging(place: &Installation, log: &Path) -> Self {
        let mut command = place.command("crossfoot");
        command.args(["serve", "--port", "0", "--plain-http", "--jobs", "yes"]).env("CROSSFOOT_LOG", "trace");
        Self::run(command, File::create(log).unwrap().into())
    }

    fn run(mut command: Command, log: Stdio) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim().rsplit_once("//").unwrap().1.to_owned();
        Self { child: Some(child), address }
    }

    /// A service that was started elsewhere, and ends elsewhere.
    pub(crate) fn at(address: &str) -> Self {
        Self { child: None, address: address.to_owned() }
    }

    /// Sends a request; `key` is none for a visitor without one.
    pub(crate) fn send(&self, request: &Request<'_>) -> Answer {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        let mut head =
            format!("{} {} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n", request.method, request.path);
        if let Some(key) = request.key {
            head.push_str(&format!("Authorization: Bearer {key}\r\n"));
        }
        for (name, value) in &request.headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        if let Some(content) = request.content {
            head.push_str(&format!("Content-Type: {content}\r\nContent-Length: {}\r\n", request.body.len()));
        }
        head.push_str("\r\n");
        stream.write_all(head.as_bytes()).unwrap();
        // the service may answer and close before everything was sent
        let _ = stream.write_all(request.body);
        Answer::read(stream)
    }

    pub(crate) fn get(&self, key: &str, path: &str) -> Answer {
        self.send(&Request { key: Some(key), ..Request::new("GET", path) })
    }

    pub(crate) fn post(&self, key: &str, path: &str, body: &Value) -> Answer {
        let body = body.to_string();
        self.send(&Request {
            key: Some(key),
            content: Some("application/json"),
            body: body.as_bytes(),
            ..Request::new("POST", path)
        })
    }

    pub(crate) fn post_as(&self, key: &str, path: &str, content: &str, body: &str) -> Answer {
        self.send(&Request {
            key: Some(key),
            content: Some(content),
            body: body.as_bytes(),
            ..Request::new("POST", path)
        })
    }

    /// Tells it to stop, as a supervisor does.
    pub(crate) fn terminate(&self) {
        let pid = self.child.as_ref().unwrap().id().to_string();
        assert!(Command::new("kill").arg(pid).status().unwrap().success());
    }

    /// Waits until it has ended, well or not.
    pub(crate) fn ended(mut self) -> Option<i32> {
        self.child.take().unwrap().wait().unwrap().code()
    }

    /// Looks until something is there.
    #[track_caller]
    pub(crate) fn wait_for<T>(&self, what: &str, look: impl Fn() -> Option<T>) -> T {
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            if let Some(found) = look() {
                return found;
            }
            assert!(Instant::now() < until, "{what} did not come");
            sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// A request.
#[derive(Clone)]
pub(crate) struct Request<'a> {
    pub(crate) method: &'a str,
    pub(crate) path: &'a str,
    pub(crate) key: Option<&'a str>,
    pub(crate) content: Option<&'a str>,
    pub(crate) headers: Vec<(&'a str, &'a str)>,
    pub(crate) body: &'a [u8],
}

impl<'a> Request<'a> {
    pub(crate) fn new(method: &'a str, path: &'a str) -> Self {
        Self { method, path, key: None, content: None, headers: Vec::new(), body: b"" }
    }
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) headers: BTreeMap<String, String>,
    pub(crate) text: String,
    pub(crate) bytes: Vec<u8>,
}

impl Answer {
    pub(crate) fn read(mut stream: TcpStream) -> Self {
        let mut bytes = Vec::new();
        let ended = stream.read_to_end(&mut bytes);
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n");
        let end = end.unwrap_or_else(|| panic!("no answer: {ended:?}"));
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
        let mut lines = head.split("\r\n");
        let status = lines.next().unwrap().split(' ').nth(1).unwrap().parse().unwrap();
        let headers: BTreeMap<String, String> = lines
            .filter_map(|line| line.split_once(':'))
            .map(|(name, value)| (name.to_ascii_lowercase(), value.trim().to_owned()))
            .collect();
        let body = &bytes[end + 4..];
        let chunked = headers.get("transfer-encoding").is_some_and(|v| v == "chunked");
        let body = if chunked { dechunked(body) } else { body.to_vec() };
        Self { status, headers, text: String::from_utf8_lossy(&body).into_owned(), bytes: body }
    }

    #[track_caller]
    pub(crate) fn is(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{self:?}");
        self
    }

    /// Demands a problem of a status.
    #[track_caller]
    pub(crate) fn problem(self, status: u16) -> Value {
        assert_eq!(self.status, status, "{self:?}");
        assert_eq!(self.header("content-type"), "application/problem+json", "{self:?}");
        let problem = self.json();
        assert_eq!(problem["status"], status);
        assert!(problem["type"].as_str().unwrap().starts_with("urn:crossfoot:problem:"), "{problem}");
        assert!(!problem["detail"].as_str().unwrap().is_empty(), "{problem}");
        problem
    }

    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }

    pub(crate) fn lines(&self) -> Vec<Value> {
        self.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }
}

fn dechunked(mut bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    while let Some(at) = bytes.windows(2).position(|w| w == b"\r\n") {
        let length = usize::from_str_radix(std::str::from_utf8(&bytes[..at]).unwrap(), 16).unwrap();
        if length == 0 {
            break;
        }
        out.extend_from_slice(&bytes[at + 2..at + 2 + length]);
        bytes = &bytes[at + 2 + length + 2..];
    }
    out
}

/// Makes a key of an office, or of the operator.
pub(crate) fn key(place: &Installation, office: &str, role: &str) -> String {
    let made = place.run_for(office, &["key", "create", "--role", role, "--label", role]);
    made.code(0).out.trim().to_owned()
}

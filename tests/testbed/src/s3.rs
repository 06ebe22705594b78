//! An S3-compatible server for the tests of a program: moto, other people's, in the Python of the oracle.

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;

use crate::place::{python, repository};

/// A running server with one bucket, `rolls`, and one key that may use it.
#[derive(Debug)]
pub struct S3Server {
    /// Its address, plain HTTP on this machine.
    pub endpoint: String,
    /// The name of the key.
    pub key_id: String,
    /// Its secret.
    pub secret: String,
    /// Ends with its standard input, so with this process, however that ends.
    _child: Child,
}

/// The bucket that is there.
pub const BUCKET: &str = "rolls";

/// The server that all tests of this process share; each takes a prefix of its own.
///
/// # Panics
/// When it does not come up.
pub fn s3() -> &'static S3Server {
    static SERVER: OnceLock<S3Server> = OnceLock::new();
    SERVER.get_or_init(start)
}

fn start() -> S3Server {
    let script = repository().join("tests/oracle/s3_server.py");
    let mut command = Command::new(python());
    command.arg(&script).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
    let mut child = command.spawn().unwrap_or_else(|e| panic!("{}: {e}", script.display()));
    let mut line = String::new();
    if let Some(out) = child.stdout.take() {
        let read = BufReader::new(out).read_line(&mut line);
        read.unwrap_or_else(|e| panic!("{}: {e}", script.display()));
    }
    let words: Vec<&str> = line.split_whitespace().collect();
    let [port, key_id, secret] = words[..] else {
        panic!("{} did not come up ({line:?}): run it by hand to see why", script.display());
    };
    S3Server {
        endpoint: format!("http://127.0.0.1:{port}"),
        key_id: key_id.to_owned(),
        secret: secret.to_owned(),
        _child: child,
    }
}

//! Houses as a JSON array, or as NDJSON.

use std::io::{BufRead, Read};

use crossfoot_audit::document::Problem;
use serde_json::Value;

use super::Placed;

/// A line longer than this is no house.
const LINE_BYTES_MAX: u64 = 16 * 1024 * 1024;

/// The elements of one array. The array is read whole: for very many houses NDJSON is the form.
pub(super) fn array(mut file: impl BufRead) -> impl Iterator<Item = Placed> {
    let mut bytes = Vec::new();
    let read = file.read_to_end(&mut bytes);
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let houses = match read {
        Err(error) => vec![Err(unreadable(&error))],
        Ok(_) => match serde_json::from_slice::<Vec<Value>>(text) {
            Ok(houses) => houses.into_iter().map(Ok).collect(),
            Err(error) => vec![Err(not_json(&error, String::new()))],
        },
    };
    (1..).zip(houses).map(|(n, document): (usize, Result<Value, _>)| {
        let place = if document.is_ok() { format!("house {n}") } else { "the file".to_owned() };
        Placed::new(place, document)
    })
}

/// One object a line; blank lines are passed over.
pub(super) fn lines(mut file: impl BufRead) -> impl Iterator<Item = Placed> {
    let mut number = 0usize;
    std::iter::from_fn(move || {
        loop {
            number += 1;
            let mut line = Vec::new();
            match (&mut file).take(LINE_BYTES_MAX).read_until(b'\n', &mut line) {
                Ok(0) => return None,
                Err(error) => {
                    return Some(Placed::new(format!("line {number}"), Err(unreadable(&error))));
                }
                Ok(_) if line.iter().all(u8::is_ascii_whitespace) => {}
                Ok(_) => {
                    let text = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&line);
                    let document = serde_json::from_slice(text).map_err(|error| {
                        not_json(&error, String::from_utf8_lossy(text).trim_end().to_owned())
                    });
                    return Some(Placed::new(format!("line {number}"), document));
                }
            }
        }
    })
}

fn unreadable(error: &std::io::Error) -> (String, Vec<Problem>) {
    let problem = Problem {
        pointer: String::new(),
        detail: format!("the file cannot be read: {error}"),
        mend: "make it readable".to_owned(),
    };
    (String::new(), vec![problem])
}

fn not_json(error: &serde_json::Error, raw: String) -> (String, Vec<Problem>) {
    let problem = Problem {
        pointer: String::new(),
        detail: format!("not JSON at line {}, column {}", error.line(), error.column()),
        mend: "an array of houses in one file, or one house a line; look at the comma, quote or brace before that place"
            .to_owned(),
    };
    (raw, vec![problem])
}

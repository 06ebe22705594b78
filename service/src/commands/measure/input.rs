//! The one house of a file, or of standard input.

use std::io::Read as _;
use std::path::Path;

use crossfoot_audit::document::Problem;
use serde_json::Value;

use crate::houses::{self, Lines, Placed};

/// A file of houses that is larger than this is for `import houses`.
const BYTES_MAX: u64 = 64 * 1024 * 1024;
/// References that are named where a file holds several houses.
const NAMED_MAX: usize = 5;

/// The document of the house, or what is wrong with its place in the file.
pub(super) struct Found {
    pub(super) document: Result<Value, Vec<Problem>>,
    pub(super) lines: Lines,
}

/// Finds the house, or says why there is none or which one is meant cannot be told.
pub(super) fn find(file: &Path, reference: Option<&str>) -> Result<Found, String> {
    let bytes = bytes(file).map_err(|error| error.to_string())?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > BYTES_MAX {
        return Err("this is more than one house: crossfoot import houses takes it in".to_owned());
    }
    one_of(all(&bytes)?, reference)
}

fn bytes(file: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    // one byte more than is allowed tells that there is more
    if file.as_os_str() == "-" {
        std::io::stdin().lock().take(BYTES_MAX + 1).read_to_end(&mut bytes)?;
    } else {
        std::fs::File::open(file)?.take(BYTES_MAX + 1).read_to_end(&mut bytes)?;
    }
    Ok(bytes)
}

/// All houses of the text. An object may be written over several lines, unlike in a file for import.
fn all(bytes: &[u8]) -> Result<Vec<Found>, String> {
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let first = text.iter().find(|byte| !byte.is_ascii_whitespace());
    if first == Some(&b'{') {
        let mut found = Vec::new();
        for document in serde_json::Deserializer::from_slice(text).into_iter::<Value>() {
            let document = document.map_err(|error| {
                format!(
                    "not JSON at line {}, column {}; look at the comma, quote or brace before that place",
                    error.line(),
                    error.column()
                )
            })?;
            found.push(Found { document: Ok(document), lines: Lines::default() });
        }
        return Ok(found);
    }
    let found = |placed: Placed| Found {
        document: placed.document.map_err(|(_, problems)| problems),
        lines: placed.lines,
    };
    Ok(houses::documents(text).map(found).collect())
}

fn one_of(mut all: Vec<Found>, reference: Option<&str>) -> Result<Found, String> {
    let name = |found: &Found| -> Option<String> {
        let document = found.document.as_ref().ok()?;
        document.get("reference").and_then(Value::as_str).map(str::to_owned)
    };
    if let Some(wanted) = reference {
        // what could not be read at all is told where it is all there is
        let is_lone = all.len() == 1 && all.first().is_some_and(|found| found.document.is_err());
        let mut chosen: Vec<Found> =
            all.into_iter().filter(|found| is_lone || name(found).as_deref() == Some(wanted)).collect();
        return match (chosen.pop(), chosen.len()) {
            (None, _) => Err(format!("there is no house {wanted}")),
            (Some(only), 0) => Ok(only),
            (Some(_), more) => Err(format!("{} houses are called {wanted}: keep one of them", more + 1)),
        };
    }
    match (all.len(), all.pop()) {
        (1, Some(only)) => Ok(only),
        (_, None) => {
            Err("there is no house in it: expected a JSON document, or CSV with one wall a row".to_owned())
        }
        (count, Some(last)) => {
            all.push(last);
            let names: Vec<String> = all.iter().filter_map(name).take(NAMED_MAX).collect();
            let dots = if count > names.len() { ", …" } else { "" };
            let example = names.first().map_or("NAME", String::as_str);
            Err(format!(
                "there are {count} houses in it ({}{dots}): pick one, for example with --reference {example}",
                names.join(", ")
            ))
        }
    }
}

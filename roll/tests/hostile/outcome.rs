//! What becomes of a file as received, in words.

use crate::account;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::original::{OriginalReader, text};
use crossfoot_roll::reader::{Batch, RollReader, Row};
use crossfoot_roll::unpack::UnpackError;
use sha2::{Digest, Sha256};
use std::io::{Cursor, Read};

/// What came of a file: its rows in words, or why it was refused; and the details of the quarantined rows.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Outcome {
    pub(crate) told: Vec<String>,
    pub(crate) details: Vec<String>,
}

fn source(file: &[u8]) -> Box<dyn Read + Send> {
    Box::new(Cursor::new(file.to_vec()))
}

/// The text of a file and the layout as it is written; or the refusal.
fn unpacked(file: &[u8], layout: &Layout) -> Result<(Vec<u8>, Layout), String> {
    let scratch = tempfile::tempdir().unwrap();
    let (mut found, _) = text(source(file), "the file", layout, scratch.path()).map_err(|e| e.to_string())?;
    let layout = found.layout(layout);
    let mut bytes = Vec::new();
    found.source.read_to_end(&mut bytes).map_err(|e| UnpackError::within(&e).unwrap().to_string())?;
    assert_eq!(
        std::fs::read_dir(scratch.path()).unwrap().count(),
        0,
        "something is left in the scratch folder"
    );
    Ok((bytes, layout))
}

/// Reads a file as received, holds every byte of its text to account, and tells what came of it.
pub(crate) fn outcome(file: &[u8], layout: &Layout) -> Outcome {
    told(file, layout, |text, written| account::read(text, written).1)
}

/// The same of a file that is too long to be read byte by byte as well.
pub(crate) fn outcome_of_long(file: &[u8], layout: &Layout) -> Outcome {
    told(file, layout, |text, written| {
        let mut reader = RollReader::new(text, written).unwrap();
        std::iter::from_fn(|| reader.next_row().unwrap()).collect()
    })
}

fn told(file: &[u8], layout: &Layout, read: impl Fn(&[u8], &Layout) -> Vec<Row>) -> Outcome {
    let refused = |why: String| Outcome { told: vec![format!("refused: {why}")], details: Vec::new() };
    let (text, written) = match unpacked(file, layout) {
        Ok(unpacked) => unpacked,
        Err(why) => return refused(why),
    };
    if let Err(error) = RollReader::new(text.as_slice(), &written) {
        return refused(error.to_string());
    }
    let rows = read(&text, &written);
    as_received(file, layout, rows.len() as u64);
    let (mut told, mut details) = (Vec::new(), Vec::new());
    for row in &rows {
        match row {
            Row::Entry(entry) => {
                let area = entry.area.map_or("none".to_owned(), |area| area.to_square_feet(2));
                let kept = if entry.rest == "[]" { String::new() } else { format!(" {}", entry.rest) };
                told.push(format!("{}: {} {area}{kept}", entry.line, entry.parcel_key));
            }
            Row::Reject(reject) => {
                let column = reject.column.as_ref().map(|column| format!(" in {column}")).unwrap_or_default();
                told.push(format!("{}: {}{column}", reject.line, reject.reason.name()));
                details.push(reject.detail.clone());
            }
        }
    }
    Outcome { told, details }
}

/// The reader of files as received counts the same rows, and its hash and length are those of the file.
fn as_received(file: &[u8], layout: &Layout, rows: u64) {
    let scratch = tempfile::tempdir().unwrap();
    let mut reader = OriginalReader::open(source(file), "the file", layout, scratch.path()).unwrap();
    let mut batch = Batch::default();
    while reader.next_batch(&mut batch, 7).unwrap() {
        assert!(batch.bytes_read <= file.len() as u64);
    }
    let summary = reader.finish().unwrap();
    assert_eq!((summary.rows_total, summary.bytes), (rows, file.len() as u64));
    assert_eq!(summary.sha256, hex::encode(Sha256::digest(file)));
}

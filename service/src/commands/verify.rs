//! `crossfoot verify`: whether evidence packets are what they were when they were made.

use std::path::Path;

use crossfoot_packet::{DocumentCheck, FigureCheck, Verified, verify};

use crate::arguments::Verify;
use crate::outcome::{Outcome, complain, say};

/// A packet of one finding has some hundred kilobytes.
const PACKET_BYTES_MAX: u64 = 64 * 1024 * 1024;

/// Runs the command.
pub(crate) fn run(arguments: &Verify) -> anyhow::Result<Outcome> {
    let mut outcome = Outcome::Done;
    for path in &arguments.files {
        outcome = outcome.and(one(path)?);
    }
    Ok(outcome)
}

fn one(path: &Path) -> anyhow::Result<Outcome> {
    let refused = |why: &str| {
        complain(&format!("{}: {why}", path.display()));
        Ok(Outcome::Refused)
    };
    let length = match std::fs::metadata(path) {
        Ok(found) => found.len(),
        Err(error) => return refused(&error.to_string()),
    };
    if length > PACKET_BYTES_MAX {
        return refused(&format!("{length} bytes are no packet of one finding"));
    }
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) => return refused(&error.to_string()),
    };
    match verify(&bytes) {
        Ok(verified) => {
            say(&text(path, &verified))?;
            Ok(Outcome::Done)
        }
        Err(faults) => {
            for fault in faults {
                complain(&format!("{}: {fault}", path.display()));
            }
            complain(&format!("{}: does not verify; ask the office for it again", path.display()));
            Ok(Outcome::Refused)
        }
    }
}

fn text(path: &Path, verified: &Verified) -> String {
    let document = match &verified.document {
        DocumentCheck::MadeAgain => "made again from the data, the same to the byte".to_owned(),
        DocumentCheck::HashOnly { made_by, here } => {
            format!("its hash holds; made by {made_by}, not made again by {here}")
        }
    };
    let figures = match &verified.figures {
        FigureCheck::Computed(figures) => format!("{} computed again, all hold", figures.len()),
        FigureCheck::OtherEngine { engine } => {
            format!("not computed again: they follow version {engine} of the rules")
        }
    };
    format!(
        "{}: verifies\n  finding    {}\n  files      {}, each as its hash says\n  document   {document}\n  figures    {figures}\n  \
         SHA-256    {}\n  Compare the last line with what the office tells you by another way.\n",
        path.display(),
        verified.data,
        verified.files.len(),
        verified.sha256
    )
}

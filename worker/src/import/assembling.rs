//! Files of which the rows have to be put together.

use std::collections::BTreeMap;
use std::path::Path;

use crossfoot_roll::assemble::{AssembleError, Assembled, AssembledBatch, Looked, look};
use crossfoot_roll::check::RollChecker;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::original::OriginalError;
use crossfoot_roll::record_view::StoredRecord;
use crossfoot_store::load::{LoadBatch, RollBatch};
use tokio::sync::mpsc;

use super::parsing::{
    Check, Originals, ParseStop, Parsed, ROWS_A_BATCH, Reading, nothing_readable, opening_stop, reading_stop,
};
use crate::gates::AreaTally;
use crate::runner::with_causes;

/// Looks whether the files are what the layout says and any row of a parcel or building can be read; gives what they hold.
pub(super) fn look_into(files: Originals, layout: &Layout, scratch: &Path) -> Result<Looked, ParseStop> {
    let looked = look(files, layout, scratch).map_err(stop)?;
    match &looked.nothing_readable {
        None => Ok(looked),
        Some((rows, first_reject)) => {
            let rows = usize::try_from(*rows).unwrap_or(usize::MAX);
            Err(ParseStop::Refused(nothing_readable(rows, first_reject.as_ref())))
        }
    }
}

/// Reads the files, puts rows together, and hands records and rows in quarantine on, file by file.
pub(super) fn parse(
    files: Originals,
    reading: &Reading,
    sender: &mpsc::Sender<RollBatch>,
) -> Result<Parsed, ParseStop> {
    let mut assembled = Assembled::open(files, &reading.layout, &reading.scratch).map_err(stop)?;
    let mut batch = AssembledBatch::default();
    let mut areas = AreaTally::default();
    let mut checker = RollChecker::new(&reading.layout);
    while assembled.next_batch(&mut batch, ROWS_A_BATCH).map_err(|e| reading_stop("a packed file", e))? {
        reading.progress.set_done(0i64.saturating_add_unsigned(batch.bytes_read));
        let mut by_file: BTreeMap<u16, LoadBatch> = BTreeMap::new();
        let of = |file| LoadBatch { file: i64::from(file), ..LoadBatch::default() };
        for (file, entry) in batch.entries.drain(..) {
            entry.area.into_iter().for_each(|area| areas.add(area));
            checker.record(&reading.layout, &StoredRecord::of(file, &entry), 1);
            by_file.entry(file).or_insert_with(|| of(file)).entries.push(entry);
        }
        for (file, reject) in batch.rejects.drain(..) {
            checker.reject(reject.reason, 1);
            by_file.entry(file).or_insert_with(|| of(file)).rejects.push(reject);
        }
        for rows in by_file.into_values() {
            let batch = RollBatch { rows, lines: Vec::new() };
            sender.blocking_send(batch).map_err(|_| ParseStop::NobodyListens)?;
        }
    }
    let (summaries, totals) = assembled.finish().map_err(|e| reading_stop("a packed file", e))?;
    let rows = |rows: u64| 0i64.saturating_add_unsigned(rows);
    Ok(Parsed {
        rows_total: summaries.iter().map(|file| rows(file.summary.rows_total)).sum(),
        rows_repeated: rows(totals.repeated),
        summaries: summaries.into_iter().map(|file| file.summary).collect(),
        headers: Vec::new(),
        areas,
        check: Check::Whole(checker.finish()),
    })
}

fn stop(error: AssembleError) -> ParseStop {
    match error {
        AssembleError::Io(cause) | AssembleError::Header { error: HeaderError::Read(cause), .. } => {
            ParseStop::Unreadable(cause)
        }
        AssembleError::Header { file, error } => {
            ParseStop::Refused(format!("{file}: {}", with_causes(&error)))
        }
        AssembleError::Unpack { file, error } => opening_stop(&file, OriginalError::Unpack(*error)),
        AssembleError::NoTable { .. }
        | AssembleError::NoFile { .. }
        | AssembleError::Several { .. }
        | AssembleError::NotWithin { .. }
        | AssembleError::Twice { .. }
        | AssembleError::TooManyTexts { .. }
        | AssembleError::TooManyFiles(_) => ParseStop::Refused(error.to_string()),
    }
}

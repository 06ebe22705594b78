//! The parsing side of an import: files of an edition to batches, on a thread of its own.

use std::io::Read;
use std::sync::mpsc as threads;

use crossfoot_roll::entry::Reject;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::reader::{Batch, RollReader, Summary};
use crossfoot_store::load::LoadBatch;
use tokio::sync::mpsc;

use crate::progress::Progress;
use crate::runner::with_causes;

/// Rows handed over at once, and how many such batches may wait: together they bound the memory.
const ROWS_A_BATCH: usize = 512;
pub(super) const BATCHES_IN_FLIGHT: usize = 8;

/// The original of an edition, to be read from the start.
pub(super) type Original = Box<dyn Read + Send>;

/// The originals of an edition with their names.
pub(super) type Originals = Vec<(String, Original)>;

/// What parsing came to.
#[derive(Default)]
pub(super) struct Parsed {
    pub(super) rows_total: i64,
    pub(super) summaries: Vec<Summary>,
}

/// Why parsing stopped.
pub(super) enum ParseStop {
    /// The file is not what the layout says.
    Refused(String),
    /// The original could not be read.
    Unreadable(std::io::Error),
    /// The other side stopped writing: it knows why.
    NobodyListens,
}

/// The files of an edition, looked into and ready to be read on: of nearly all files nothing is read twice.
pub(super) struct Opened {
    files: Vec<(String, RollReader<Original>)>,
    /// What was read of the first file to see whether it can be read.
    first: Batch,
}

/// What a look into the files says.
pub(super) enum Look {
    /// A row can be read, near the beginning of the first file.
    Begun(Opened),
    /// A row can be read, behind rows that cannot: the files have to be opened again.
    Again,
}

/// Looks whether every file has the header that the layout wants and any has a row that can be read.
pub(super) fn look(files: Originals, layout: &Layout) -> Result<Look, ParseStop> {
    let mut opened = Vec::with_capacity(files.len());
    for (name, source) in files {
        let reader = RollReader::new(source, layout).map_err(|error| header_stop(&name, error))?;
        opened.push((name, reader));
    }
    let (mut rows, mut first_reject) = (0usize, None);
    let mut batch = Batch::default();
    for at in 0..opened.len() {
        let Some((_, reader)) = opened.get_mut(at) else { break };
        let mut begun = at == 0;
        while reader.next_batch(&mut batch, ROWS_A_BATCH).map_err(ParseStop::Unreadable)? {
            if !batch.entries.is_empty() {
                return Ok(if begun {
                    Look::Begun(Opened { files: opened, first: batch })
                } else {
                    Look::Again
                });
            }
            begun = false;
            rows += batch.rows();
            first_reject = first_reject.or_else(|| batch.rejects.first().cloned());
        }
    }
    Err(ParseStop::Refused(nothing_readable(rows, first_reject.as_ref())))
}

/// Opens the files without looking into them.
pub(super) fn open(files: Originals, layout: &Layout) -> Result<Opened, ParseStop> {
    let open = |(name, source): (String, Original)| match RollReader::new(source, layout) {
        Ok(reader) => Ok((name, reader)),
        Err(error) => Err(header_stop(&name, error)),
    };
    Ok(Opened { files: files.into_iter().map(open).collect::<Result<_, _>>()?, first: Batch::default() })
}

/// Batches to whoever writes them, and back.
pub(super) struct Sending {
    pub(super) batches: mpsc::Sender<LoadBatch>,
    pub(super) spent: threads::Receiver<LoadBatch>,
}

impl Sending {
    /// Hands a batch over and takes an empty one for it.
    fn send(&self, file: i64, batch: &mut Batch) -> Result<(), ParseStop> {
        let mut empty = self.spent.try_recv().unwrap_or_default();
        empty.entries.clear();
        empty.rejects.clear();
        std::mem::swap(&mut empty.entries, &mut batch.entries);
        std::mem::swap(&mut empty.rejects, &mut batch.rejects);
        empty.file = file;
        self.batches.blocking_send(empty).map_err(|_| ParseStop::NobodyListens)
    }
}

/// Reads all files to their end.
pub(super) fn parse(opened: Opened, sending: &Sending, progress: &Progress) -> Result<Parsed, ParseStop> {
    let mut parsed = Parsed::default();
    let mut bytes_before = 0i64;
    let mut batch = opened.first;
    for (number, (_, mut reader)) in (0i64..).zip(opened.files) {
        if batch.rows() > 0 {
            sending.send(number, &mut batch)?;
        }
        while reader.next_batch(&mut batch, ROWS_A_BATCH).map_err(ParseStop::Unreadable)? {
            progress.set_done(bytes_before.saturating_add_unsigned(batch.bytes_read));
            sending.send(number, &mut batch)?;
        }
        let summary = reader.finish().map_err(ParseStop::Unreadable)?;
        bytes_before = bytes_before.saturating_add_unsigned(summary.bytes);
        parsed.rows_total = parsed.rows_total.saturating_add_unsigned(summary.rows_total);
        parsed.summaries.push(summary);
    }
    Ok(parsed)
}

fn header_stop(file: &str, error: HeaderError) -> ParseStop {
    if let HeaderError::Read(cause) = error {
        return ParseStop::Unreadable(cause);
    }
    ParseStop::Refused(format!("{file}: {}", with_causes(&error)))
}

fn nothing_readable(rows: usize, first_reject: Option<&Reject>) -> String {
    match first_reject {
        None => "the file has a header and no rows: nothing to take in".to_owned(),
        Some(reject) => format!(
            "none of {rows} rows could be read, so the layout does not fit the file; the first, line {}: {}",
            reject.line, reject.detail
        ),
    }
}

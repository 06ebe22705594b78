//! The parsing side of an import: files of an edition to batches, on a thread of its own.

use std::io::Read;
use std::sync::mpsc as threads;

use crossfoot_roll::entry::Reject;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::lines::{KnownLines, Line, LineIs};
use crossfoot_roll::reader::{Batch, RollReader, Summary};
use crossfoot_store::load::RollBatch;
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

/// The files of an edition, opened: their headers are what the layout wants.
pub(super) struct Opened {
    files: Vec<(String, RollReader<Original>)>,
    layout_version: String,
    known: Option<KnownLines>,
    /// What was read of the first file to see whether it can be read.
    first: Batch,
    first_lines: Vec<Line>,
}

/// What a look into the files says.
pub(super) enum Look {
    /// A row can be read, near the beginning of the first file: nothing is read twice.
    Begun(Box<Opened>),
    /// A row can be read, behind rows that cannot: the files have to be opened again.
    Again,
}

/// Opens the files and reads their headers.
pub(super) fn open(files: Originals, layout: &Layout) -> Result<Opened, ParseStop> {
    let open = |(name, source): (String, Original)| match RollReader::new(source, layout) {
        Ok(reader) => Ok((name, reader)),
        Err(error) => Err(header_stop(&name, error)),
    };
    Ok(Opened {
        files: files.into_iter().map(open).collect::<Result<_, _>>()?,
        layout_version: layout.version(),
        known: None,
        first: Batch::default(),
        first_lines: Vec::new(),
    })
}

impl Opened {
    /// What a line index of the files is good for: files with these columns, read by this layout and this program. None
    /// for an edition of several files, which has no index.
    pub(super) fn good_for(&self) -> Option<String> {
        let [(_, reader)] = self.files.as_slice() else { return None };
        let program = env!("CARGO_PKG_VERSION");
        Some(format!("{program} {} {:016x}", self.layout_version, reader.header_mark()))
    }

    /// Reads the file against the rows of the one before.
    pub(super) fn against(mut self, known: Option<KnownLines>) -> Opened {
        self.known = known;
        self
    }
}

/// Looks whether any file has a row that can be read.
pub(super) fn look(mut opened: Opened) -> Result<Look, ParseStop> {
    let (mut rows, mut first_reject) = (0usize, None);
    let (mut batch, mut lines) = (Batch::default(), Vec::new());
    let mut begun = true;
    for (_, reader) in &mut opened.files {
        loop {
            let known = opened.known.as_mut();
            if !reader
                .next_lines(&mut batch, &mut lines, ROWS_A_BATCH, known)
                .map_err(ParseStop::Unreadable)?
            {
                break;
            }
            if lines.iter().any(|line| line.what != LineIs::Reject) {
                (opened.first, opened.first_lines) = (batch, lines);
                return Ok(if begun { Look::Begun(Box::new(opened)) } else { Look::Again });
            }
            begun = false;
            rows += lines.len();
            first_reject = first_reject.or_else(|| batch.rejects.first().cloned());
        }
        begun = false;
    }
    Err(ParseStop::Refused(nothing_readable(rows, first_reject.as_ref())))
}

/// Batches to whoever writes them, and back.
pub(super) struct Sending {
    pub(super) batches: mpsc::Sender<RollBatch>,
    pub(super) spent: threads::Receiver<RollBatch>,
}

impl Sending {
    /// Hands a batch over and takes an empty one for it.
    fn send(&self, file: i64, batch: &mut Batch, lines: &mut Vec<Line>) -> Result<(), ParseStop> {
        let mut full = self.spent.try_recv().unwrap_or_default();
        full.rows.entries.clear();
        full.rows.rejects.clear();
        full.lines.clear();
        std::mem::swap(&mut full.rows.entries, &mut batch.entries);
        std::mem::swap(&mut full.rows.rejects, &mut batch.rejects);
        std::mem::swap(&mut full.lines, lines);
        full.rows.file = file;
        self.batches.blocking_send(full).map_err(|_| ParseStop::NobodyListens)
    }
}

/// Reads all files to their end.
pub(super) fn parse(opened: Opened, sending: &Sending, progress: &Progress) -> Result<Parsed, ParseStop> {
    let mut parsed = Parsed::default();
    let mut bytes_before = 0i64;
    let (mut batch, mut lines, mut known) = (opened.first, opened.first_lines, opened.known);
    for (number, (_, mut reader)) in (0i64..).zip(opened.files) {
        if !lines.is_empty() {
            sending.send(number, &mut batch, &mut lines)?;
        }
        while reader
            .next_lines(&mut batch, &mut lines, ROWS_A_BATCH, known.as_mut())
            .map_err(ParseStop::Unreadable)?
        {
            progress.set_done(bytes_before.saturating_add_unsigned(batch.bytes_read));
            sending.send(number, &mut batch, &mut lines)?;
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

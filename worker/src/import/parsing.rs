//! The parsing side of an import: files of an edition to batches, on a thread of its own.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::mpsc as threads;

use crossfoot_roll::check::{Remark, RollCheck, RollChecker, passed_over};
use crossfoot_roll::entry::Reject;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::lines::{KnownLines, Line, LineIs};
use crossfoot_roll::original::{OriginalError, OriginalReader};
use crossfoot_roll::reader::{Batch, Summary};
use crossfoot_roll::record_view::StoredRecord;
use crossfoot_roll::unpack::UnpackError;
use crossfoot_store::load::RollBatch;
use tokio::sync::mpsc;

use crate::gates::AreaTally;
use crate::progress::Progress;
use crate::runner::with_causes;

/// Rows handed over at once, and how many such batches may wait: together they bound the memory.
pub(super) const ROWS_A_BATCH: usize = 512;
/// The same among rows that are known, of which nothing but the line is handed over: whoever writes asks the database a
/// few times for each batch, whatever is in it.
const ROWS_AMONG_KNOWN: usize = 1_024;
pub(super) const BATCHES_IN_FLIGHT: usize = 8;

/// The original of an edition, to be read from the start.
pub(super) type Original = Box<dyn Read + Send>;

/// The originals of an edition with their names.
pub(super) type Originals = Vec<(String, Original)>;

/// What parsing came to.
#[derive(Default)]
pub(super) struct Parsed {
    pub(super) rows_total: i64,
    /// Rows that putting together found to say the same as an earlier one.
    pub(super) rows_repeated: i64,
    pub(super) summaries: Vec<Summary>,
    /// The columns of each file.
    pub(super) headers: Vec<Vec<String>>,
    pub(super) areas: AreaTally,
    /// What the file says about itself.
    pub(super) check: Check,
}

/// What was counted while rows were read.
pub(super) enum Check {
    /// Every row was read.
    Whole(RollCheck),
    /// Rows that are known were passed over; those that cannot be read never are.
    Changes { rejects: BTreeMap<String, i64> },
}

impl Default for Check {
    fn default() -> Check {
        Check::Whole(RollCheck::default())
    }
}

impl Parsed {
    fn tally(&mut self, file: i64, batch: &Batch, (layout, checker): (&Layout, &mut RollChecker)) {
        let file = u16::try_from(file).unwrap_or(u16::MAX);
        batch.entries.iter().for_each(|entry| checker.record(layout, &StoredRecord::of(file, entry), 1));
        batch.rejects.iter().for_each(|reject| checker.reject(reject.reason, 1));
        batch.entries.iter().filter_map(|entry| entry.area).for_each(|area| self.areas.add(area));
    }
}

/// How the files of an edition are read.
pub(super) struct Reading {
    pub(super) layout: Layout,
    /// A folder for what has to be spooled or sorted.
    pub(super) scratch: PathBuf,
    pub(super) progress: Progress,
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
    files: Vec<(String, OriginalReader)>,
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
pub(super) fn open(files: Originals, layout: &Layout, scratch: &Path) -> Result<Opened, ParseStop> {
    let open = |(name, source): (String, Original)| match OriginalReader::open(source, &name, layout, scratch)
    {
        Ok(reader) => Ok((name, reader)),
        Err(error) => Err(opening_stop(&name, error)),
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
    /// Remarks on what archives and workbooks hold besides the texts that are read.
    pub(super) fn passed_over(&self) -> Vec<Remark> {
        self.files.iter().filter_map(|(name, reader)| passed_over(name, reader.passed_over())).collect()
    }

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
    for (name, reader) in &mut opened.files {
        loop {
            let known = opened.known.as_mut();
            if !reader
                .next_lines(&mut batch, &mut lines, ROWS_A_BATCH, known)
                .map_err(|e| reading_stop(name, e))?
            {
                break;
            }
            if lines.iter().any(|line| line.what != LineIs::Reject) {
                (opened.first, opened.first_lines) = (batch, lines);
                return believed(opened, begun);
            }
            begun = false;
            rows += lines.len();
            first_reject = first_reject.or_else(|| batch.rejects.first().cloned());
        }
        begun = false;
    }
    Err(ParseStop::Refused(nothing_readable(rows, first_reject.as_ref())))
}

/// An edition that lacks its end would close findings: a packed file is unpacked whole before it is believed.
fn believed(opened: Opened, begun: bool) -> Result<Look, ParseStop> {
    if !opened.files.iter().any(|(_, reader)| reader.is_packed()) {
        return Ok(if begun { Look::Begun(Box::new(opened)) } else { Look::Again });
    }
    for (name, reader) in opened.files {
        reader.check_whole().map_err(|e| reading_stop(&name, e))?;
    }
    Ok(Look::Again)
}

/// Batches to whoever writes them, and back.
pub(super) struct Sending {
    pub(super) batches: mpsc::Sender<RollBatch>,
    pub(super) spent: threads::Receiver<RollBatch>,
}

impl Sending {
    /// Hands a batch over and takes one that was written for it, whose texts the reader uses again.
    fn send(&self, file: i64, batch: &mut Batch, lines: &mut Vec<Line>) -> Result<(), ParseStop> {
        let mut full = self.spent.try_recv().unwrap_or_default();
        full.lines.clear();
        std::mem::swap(&mut full.rows.entries, &mut batch.entries);
        std::mem::swap(&mut full.rows.rejects, &mut batch.rejects);
        std::mem::swap(&mut full.lines, lines);
        full.rows.file = file;
        self.batches.blocking_send(full).map_err(|_| ParseStop::NobodyListens)
    }
}

/// Reads all files to their end.
pub(super) fn parse(opened: Opened, sending: &Sending, reading: &Reading) -> Result<Parsed, ParseStop> {
    let (mut parsed, mut checker) = (Parsed::default(), RollChecker::new(&reading.layout));
    let mut bytes_before = 0i64;
    let (mut batch, mut lines, mut known) = (opened.first, opened.first_lines, opened.known);
    let rows_max = if known.is_some() { ROWS_AMONG_KNOWN } else { ROWS_A_BATCH };
    let mut passed_over = 0usize;
    for (number, (name, mut reader)) in (0i64..).zip(opened.files) {
        parsed.headers.push(reader.header().names.clone());
        if !lines.is_empty() {
            passed_over += known_rows(&lines);
            parsed.tally(number, &batch, (&reading.layout, &mut checker));
            sending.send(number, &mut batch, &mut lines)?;
        }
        while reader
            .next_lines(&mut batch, &mut lines, rows_max, known.as_mut())
            .map_err(|e| reading_stop(&name, e))?
        {
            passed_over += known_rows(&lines);
            parsed.tally(number, &batch, (&reading.layout, &mut checker));
            reading.progress.set_done(bytes_before.saturating_add_unsigned(batch.bytes_read));
            sending.send(number, &mut batch, &mut lines)?;
        }
        let summary = reader.finish().map_err(|e| reading_stop(&name, e))?;
        bytes_before = bytes_before.saturating_add_unsigned(summary.bytes);
        parsed.rows_total = parsed.rows_total.saturating_add_unsigned(summary.rows_total);
        parsed.summaries.push(summary);
    }
    if passed_over > 0 {
        // rows that are known were not read: the median of the others would be that of the changes
        parsed.areas = AreaTally::default();
        parsed.check = Check::Changes { rejects: checker.finish().rejects };
    } else {
        parsed.check = Check::Whole(checker.finish());
    }
    Ok(parsed)
}

/// Rows of a batch that stand in the edition before and were not read.
fn known_rows(lines: &[Line]) -> usize {
    lines.iter().filter(|line| matches!(line.what, LineIs::Known(_))).count()
}

pub(super) fn opening_stop(file: &str, error: OriginalError) -> ParseStop {
    match error {
        OriginalError::Header(HeaderError::Read(cause)) | OriginalError::Unpack(UnpackError::Read(cause)) => {
            ParseStop::Unreadable(cause)
        }
        OriginalError::Unpack(error) if error.of_the_machine() => {
            ParseStop::Unreadable(std::io::Error::other(with_causes(&error)))
        }
        error @ (OriginalError::Header(_) | OriginalError::Unpack(_) | OriginalError::Table(_)) => {
            ParseStop::Refused(format!("{file}: {}", with_causes(&error)))
        }
    }
}

/// Bytes that cannot be had are the machine's fault, bytes that cannot be unpacked are the file's.
pub(super) fn reading_stop(file: &str, error: std::io::Error) -> ParseStop {
    match UnpackError::within(&error) {
        Some(cause) if !cause.of_the_machine() => {
            ParseStop::Refused(format!("{file}: {}", with_causes(cause)))
        }
        _ => ParseStop::Unreadable(error),
    }
}

pub(super) fn nothing_readable(rows: usize, first_reject: Option<&Reject>) -> String {
    match first_reject {
        None => "the file has a header and no rows: nothing to take in".to_owned(),
        Some(reject) => format!(
            "none of {rows} rows could be read, so the layout does not fit the file; the first, line {}: {}",
            reject.line, reject.detail
        ),
    }
}

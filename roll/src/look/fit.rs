//! How a file's rows are read by a layout: what would come in, and what would be quarantined.

use super::answer::{LayoutFit, Misfit, Reading, ReasonFound};
use crate::assemble::{AssembleError, Assembled, AssembledBatch};
use crate::entry::{Entry, Reason, Reject};
use crate::header::HeaderError;
use crate::layout::Layout;
use crate::reader::{RollReader, Row};
use std::collections::{BTreeMap, HashSet};
use std::io::{self, Cursor, Read};
use std::path::Path;
use xxhash_rust::xxh3::xxh3_64;

/// Rows shown for each reason.
const EXAMPLES: usize = 3;
/// Rows that are looked at before something is counted, where rows are put together.
const ROWS_A_BATCH: usize = 1_000;
/// Without a header the first row is data, which a list of the columns would show.
const NO_NAMES: &str = "it finds its columns by their names, and the file has no header";
/// Parcel numbers that are told apart.
const PARCELS_MAX: usize = 1 << 20;

/// Why a file is not read by a layout.
pub(super) enum NotRead {
    /// The source failed.
    Source(io::Error),
    /// The file is not what the layout says.
    Refused(Refusal),
}

/// A refusal in words, and whether it lists what the first row holds, which without a header is data.
pub(super) struct Refusal {
    pub(super) words: String,
    lists_names: bool,
}

impl From<HeaderError> for NotRead {
    fn from(error: HeaderError) -> Self {
        if let HeaderError::Read(error) = error {
            return Self::Source(error);
        }
        let lists_names = matches!(error, HeaderError::MissingColumn { .. });
        Self::Refused(Refusal { words: error.to_string(), lists_names })
    }
}

/// A file whose rows are read: its name, which tables are chosen by, and a folder for what is sorted beyond memory.
#[derive(Clone, Copy)]
pub(super) struct File<'a> {
    pub(super) name: &'a str,
    pub(super) scratch: &'a Path,
}

/// Reads all rows of a source by a layout.
pub(super) fn reading(
    source: impl Read + Send + 'static,
    layout: &Layout,
    file: File<'_>,
    whole: bool,
) -> Result<Reading, NotRead> {
    if layout.assembles() {
        assembled(Box::new(source), layout, file, whole)
    } else {
        plain(source, layout, whole)
    }
}

/// Reads the beginning of a file by a layout. It is sorted in memory.
pub(super) fn reading_of(head: &[u8], layout: &Layout, name: &str, whole: bool) -> Result<Reading, NotRead> {
    if !layout.assembles() {
        return plain(head, layout, whole);
    }
    let scratch = std::env::temp_dir();
    assembled(Box::new(Cursor::new(head.to_vec())), layout, File { name, scratch: &scratch }, whole)
}

fn plain(source: impl Read, layout: &Layout, whole: bool) -> Result<Reading, NotRead> {
    let mut reader = RollReader::new(source, layout)?;
    let mut count = Count::default();
    while let Some(row) = reader.next_row().map_err(NotRead::Source)? {
        match row {
            Row::Entry(entry) => count.entry(&entry),
            Row::Reject(reject) => count.reject(&reject),
        }
    }
    Ok(count.reading(whole))
}

/// Reads a file by a layout of one table, which says where fields stand or what columns are called.
fn assembled(
    source: Box<dyn Read + Send>,
    layout: &Layout,
    file: File<'_>,
    whole: bool,
) -> Result<Reading, NotRead> {
    let of_the_file = |error: AssembleError| match error {
        AssembleError::Io(error) => NotRead::Source(error),
        AssembleError::Header { error, .. } => error.into(),
        AssembleError::NoTable { .. }
        | AssembleError::NoFile { .. }
        | AssembleError::Unpack { .. }
        | AssembleError::Several { .. }
        | AssembleError::NotWithin { .. }
        | AssembleError::Twice { .. }
        | AssembleError::TooManyTexts { .. }
        | AssembleError::TooManyFiles(_) => {
            NotRead::Refused(Refusal { words: error.to_string(), lists_names: false })
        }
    };
    let files = vec![(file.name.to_owned(), source)];
    let mut assembled = Assembled::open(files, layout, file.scratch).map_err(of_the_file)?;
    let (mut batch, mut count) = (AssembledBatch::default(), Count::default());
    while assembled.next_batch(&mut batch, ROWS_A_BATCH).map_err(NotRead::Source)? {
        batch.entries.iter().for_each(|(_, entry)| count.entry(entry));
        batch.rejects.iter().for_each(|(_, reject)| count.reject(reject));
    }
    let (summaries, totals) = assembled.finish().map_err(NotRead::Source)?;
    let mut reading = count.reading(whole);
    reading.rows = summaries.iter().map(|file| file.summary.rows_total).sum();
    reading.repeated_parcels += totals.repeated;
    Ok(reading)
}

/// The file that layouts are held against.
pub(super) struct Against<'a> {
    pub(super) head: &'a [u8],
    pub(super) whole: bool,
    pub(super) name: &'a str,
    /// The file's own names of its columns, if it has a header.
    pub(super) names: Option<&'a [String]>,
    /// Whether fields stand at fixed places: then no value is shown.
    pub(super) fixed: bool,
}

/// How the known layouts fit, the best first.
pub(super) fn fits(file: &Against<'_>, known: &[Layout]) -> Vec<LayoutFit> {
    let mut fits: Vec<LayoutFit> = known.iter().map(|layout| fit(file, layout)).collect();
    fits.sort_by(|one, other| {
        let weight = |fit: &LayoutFit| {
            (entered(fit), super::column::ratio(fit.columns_present as u64, fit.columns as u64))
        };
        let (one_weight, other_weight) = (weight(one), weight(other));
        other_weight
            .0
            .total_cmp(&one_weight.0)
            .then(other_weight.1.total_cmp(&one_weight.1))
            .then(one.id.cmp(&other.id))
    });
    fits
}

/// Share of the rows that would come in.
fn entered(fit: &LayoutFit) -> f64 {
    fit.reading.as_ref().map_or(-1.0, |reading| super::column::ratio(reading.entries, reading.rows))
}

fn fit(file: &Against<'_>, layout: &Layout) -> LayoutFit {
    let columns = layout.mapped_columns();
    // a table that says where its columns stand does not need their names
    let by_place = layout.table.len() == 1
        && layout.table.iter().any(|table| !table.columns.is_empty() || !table.fixed.is_empty());
    let has = |column: &str| {
        by_place
            || file.names.unwrap_or_default().iter().any(|name| name.to_lowercase() == column.to_lowercase())
    };
    let missing: Vec<String> =
        columns.iter().filter(|column| !has(column)).map(|column| (*column).to_owned()).collect();
    let read = (layout.table.len() <= 1).then(|| reading_of(file.head, layout, file.name, file.whole));
    let (refusal, reading) = match read {
        None => (Some("it puts files together: how they read shows when they are imported".to_owned()), None),
        Some(Ok(mut reading)) => {
            if file.fixed {
                reading.hide_values();
            }
            (None, Some(reading))
        }
        Some(Err(NotRead::Refused(refusal))) if file.names.is_none() && refusal.lists_names => {
            (Some(NO_NAMES.to_owned()), None)
        }
        Some(Err(NotRead::Refused(refusal))) => (Some(refusal.words), None),
        Some(Err(NotRead::Source(error))) => {
            (Some(format!("the file could not be read by it: {error}")), None)
        }
    };
    LayoutFit {
        id: layout.id.clone(),
        title: layout.title.clone(),
        columns: columns.len(),
        columns_present: columns.len() - missing.len(),
        missing,
        refusal,
        reading,
    }
}

impl Reading {
    /// Leaves out what may show a part of a record: all details but those about its length.
    pub(super) fn hide_values(&mut self) {
        for found in &mut self.quarantined {
            if found.reason != Reason::WrongColumnCount.name() {
                let hidden = || "the value is not shown, since it may be a part of a name".to_owned();
                found.examples.iter_mut().for_each(|example| example.detail = hidden());
            }
        }
    }
}

#[derive(Default)]
struct Count {
    entries: u64,
    with_area: u64,
    parcels: HashSet<u64>,
    repeated: u64,
    rejects: BTreeMap<Reason, (u64, Vec<Misfit>)>,
}

impl Count {
    fn entry(&mut self, entry: &Entry) {
        self.entries += 1;
        self.with_area += u64::from(entry.area.is_some());
        let hash = xxh3_64(entry.parcel_key.as_bytes());
        if self.parcels.len() < PARCELS_MAX {
            self.repeated += u64::from(!self.parcels.insert(hash));
        } else {
            self.repeated += u64::from(self.parcels.contains(&hash));
        }
    }

    fn reject(&mut self, reject: &Reject) {
        let (rows, examples) = self.rejects.entry(reject.reason).or_default();
        *rows += 1;
        if examples.len() < EXAMPLES {
            examples.push(Misfit { line: reject.line, detail: reject.detail.clone() });
        }
    }

    fn reading(self, whole: bool) -> Reading {
        let rejected: u64 = self.rejects.values().map(|(rows, _)| rows).sum();
        let mut quarantined: Vec<ReasonFound> = self
            .rejects
            .into_iter()
            .map(|(reason, (rows, examples))| ReasonFound {
                reason: reason.name().to_owned(),
                rows,
                examples,
            })
            .collect();
        quarantined.sort_by(|one, other| other.rows.cmp(&one.rows).then(one.reason.cmp(&other.reason)));
        Reading {
            rows: self.entries + rejected,
            whole,
            entries: self.entries,
            with_area: self.with_area,
            repeated_parcels: self.repeated,
            quarantined,
        }
    }
}

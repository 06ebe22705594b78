//! Rows of several files, years, buildings and parts of buildings to one record a parcel, in bounded memory.
//!
//! The files are read one after the other; what each row gives is sorted by parcel, in memory up to
//! [`crate::limits::SORT_BYTES_MAX`] and beyond it in temporary files, and the rows of a parcel are put together.

mod group;
mod piece;
mod plan;
mod rows;
mod slots;
mod sorter;
pub(crate) mod text;
mod value;

pub(crate) use value::area_unit;

use crate::entry::{Entry, Reason, Reject};
use crate::header::{Header, HeaderError};
use crate::layout::{Grain, Layout};
use crate::limits::{PARCEL_ROWS_MAX, RUNS_MERGED_MAX, SORT_BYTES_MAX, TEXTS_MAX};
use crate::reader::Summary;
use crate::unpack::{Received, UnpackError};
use piece::Piece;
use plan::Plan;
use rows::{Place, TableReader, Told};
use sorter::{Bounds, Merged, Sorter};
use std::collections::BTreeMap;
use std::fmt;
use std::io::{self, Read};
use std::path::Path;
use text::{FileTexts, TableText};
use thiserror::Error;

/// A file of an edition: its name, and its bytes from the start.
pub type NamedFile = (String, Box<dyn Read + Send>);

/// What mends two texts of one name.
pub const TWICE_MEND: &str =
    "hand in the newer one alone or, where both are parts of the roll, give them different names";

/// Two texts of one name in words, each with its file.
fn two_of_one_name(table: &str, first: &str, second: &str) -> String {
    if first == second {
        return format!("two files of the table {table} are named {first}");
    }
    format!("{first} and {second} are two texts of one name for the table {table}")
}

/// Why the files of an edition are refused.
#[derive(Debug, Error)]
pub enum AssembleError {
    /// A file belongs to no table.
    #[error(
        "{file}: no table of the layout has files of this name; the tables are {tables}: rename the file, or correct pattern in the layout"
    )]
    NoTable {
        /// Its name.
        file: String,
        /// The layout's tables with their patterns.
        tables: String,
    },
    /// A table has no file.
    #[error("no file for the table {table} ({pattern}): hand all files of the edition in together")]
    NoFile {
        /// The table.
        table: String,
        /// Its pattern.
        pattern: String,
    },
    /// A file is not what the layout says.
    #[error("{file}: {error}")]
    Header {
        /// Its name.
        file: String,
        /// Why.
        error: HeaderError,
    },
    /// A file cannot be unpacked, or the text in it cannot be told.
    #[error("{file}: {error}")]
    Unpack {
        /// Its name.
        file: String,
        /// Why.
        error: Box<UnpackError>,
    },
    /// One text of a file is asked for without its name, and several belong to tables.
    #[error("{file} holds several texts of tables ({names}), and nothing says which of them is meant")]
    Several {
        /// Its name.
        file: String,
        /// The names within that fit a table.
        names: String,
    },
    /// A file does not hold the text that is asked for, or it belongs to no table.
    #[error("{file} holds no text {name} of a table of the layout: it is not the file that was read")]
    NotWithin {
        /// Its name.
        file: String,
        /// The name within it.
        name: String,
    },
    /// Two texts of one table have one name.
    #[error("{}: {TWICE_MEND}", two_of_one_name(table, first, second))]
    Twice {
        /// The table.
        table: String,
        /// The one, with its file.
        first: String,
        /// The other, with its file.
        second: String,
    },
    /// A file holds too many tables.
    #[error("{file} holds {found} texts of tables, the most is {TEXTS_MAX}: pack them into several archives")]
    TooManyTexts {
        /// Its name.
        file: String,
        /// How many it holds.
        found: usize,
    },
    /// There are too many.
    #[error("{0} files: an edition has {max} at the most", max = u16::MAX)]
    TooManyFiles(usize),
    /// A file or a temporary file could not be read or written.
    #[error("the files could not be put together")]
    Io(#[from] io::Error),
}

/// Rows put together, and rows set aside, each with the number of its text: that of its file, where no file holds several.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AssembledBatch {
    /// Records, by their number within the batch; the file is that of the row that states the area.
    pub entries: Vec<(u16, Entry)>,
    /// Rows in quarantine.
    pub rejects: Vec<(u16, Reject)>,
    /// Bytes of all files gone past so far: what progress is measured by.
    pub bytes_read: u64,
}

/// What was read from one text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileSummary {
    /// The layout's table.
    pub table: String,
    /// As of any file, length and hash those of the file as received. Its rejects are those of the reading; what putting together set aside is in [`Totals`].
    pub summary: Summary,
    /// Rows that do not meet the table's conditions.
    pub left_out: u64,
    /// Headers in the middle of the file, which are passed over.
    pub headers_repeated: u64,
}

/// What putting together came to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Totals {
    /// Records.
    pub records: u64,
    /// Rows that say the same as an earlier one.
    pub repeated: u64,
    /// Rows of other years.
    pub other_years: u64,
    /// Rows of properties that are in no other table, where the layout leaves these out.
    pub orphans_left_out: u64,
    /// Rows set aside because of other rows, by reason.
    pub rejects: BTreeMap<Reason, u64>,
}

/// Reads a file of whatever kind.
type AnyReader = TableReader<Box<dyn Read + Send>>;

/// A text that waits to be read.
struct Waiting {
    table: u16,
    reader: AnyReader,
    received: Option<Received>,
    is_last: bool,
}

/// The text that is being read, with what it came to so far.
struct Reading {
    file: u16,
    reader: AnyReader,
    received: Option<Received>,
    is_last: bool,
    summary: FileSummary,
}

/// A text of an edition's files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextFound {
    /// The place of its file among those that were handed in.
    pub file: usize,
    /// Its name in its file, where that holds several texts that are read.
    pub within: Option<String>,
}

/// What a look into the files of an edition found.
#[derive(Debug, Default)]
pub struct Looked {
    /// The texts, in the order in which [`Assembled`] numbers them.
    pub texts: Vec<TextFound>,
    /// Files with the names of what they hold besides, which is not read.
    pub passed_over: PassedOver,
    /// Where no row of a parcel or building can be read: how many were looked at, and the first of them.
    pub nothing_readable: Option<(u64, Option<Reject>)>,
}

/// Reads the files of an edition and gives its records.
pub struct Assembled {
    plan: Plan,
    layout: Layout,
    waiting: std::vec::IntoIter<Waiting>,
    reading: Option<Reading>,
    sorter: Option<Sorter>,
    merged: Option<Merged>,
    ahead: Option<Piece>,
    newest: Vec<Option<i32>>,
    summaries: Vec<FileSummary>,
    bytes_read: u64,
    totals: Totals,
}

impl fmt::Debug for Assembled {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Assembled")
            .field("layout", &self.layout.id)
            .field("bytes_read", &self.bytes_so_far())
            .finish_non_exhaustive()
    }
}

impl Assembled {
    /// Opens the files of an edition, unpacking those that are packed; headers are read and held against the layout.
    /// Lines and bytes of a row count in the unpacked text, length and hash are those of the file. Temporary files go to
    /// `temp`.
    ///
    /// # Errors
    /// [`AssembleError`]: nothing of the edition could be read as the layout means it.
    pub fn open(files: Vec<NamedFile>, layout: &Layout, temp: &Path) -> Result<Self, AssembleError> {
        Self::open_within(files, layout, temp, SORT_BYTES_MAX)
    }

    /// [`Assembled::open`] with so many bytes to sort in.
    ///
    /// # Errors
    /// As there.
    pub fn open_within(
        files: Vec<NamedFile>,
        layout: &Layout,
        temp: &Path,
        sort_bytes: usize,
    ) -> Result<Self, AssembleError> {
        let (texts, _) = texts_of(files, layout, temp)?;
        let mut plan = Plan::new(layout, texts.iter().map(|(_, name, text)| text.told(name)).collect());
        let mut waiting = Vec::new();
        for (file, (_, name, text)) in (0u16..).zip(texts) {
            let (table, received, is_last) = (text.table, text.received.clone(), text.is_last);
            let name = text.told(&name);
            let reader = reader_of(text, file).map_err(|error| header_error(name, error))?;
            for (field, column) in &reader.renamed {
                plan.renamed.insert((*field, file), column.clone());
            }
            waiting.push(Waiting { table, reader, received, is_last });
        }
        Ok(Self {
            plan,
            layout: layout.clone(),
            waiting: waiting.into_iter(),
            reading: None,
            sorter: Some(Sorter::new(temp, Bounds { buffer: sort_bytes, runs: RUNS_MERGED_MAX })),
            merged: None,
            ahead: None,
            newest: vec![None; layout.table.len()],
            summaries: Vec::new(),
            bytes_read: 0,
            totals: Totals::default(),
        })
    }

    /// Fills the batch with what the next rows came to, after looking at `rows_max` of them or more. While the files are
    /// read it holds rows in quarantine only, often none. False at the end, when there was nothing more to look at.
    ///
    /// # Errors
    /// Of the files and of temporary files.
    pub fn next_batch(&mut self, batch: &mut AssembledBatch, rows_max: usize) -> io::Result<bool> {
        batch.entries.clear();
        batch.rejects.clear();
        let more = if self.sorter.is_some() {
            self.read_on(batch, rows_max)?;
            true
        } else {
            self.put_together(batch, rows_max)?
        };
        batch.bytes_read = self.bytes_so_far();
        Ok(more)
    }

    /// What each file came to, in their order, and what all came to together. Rows that were not asked for are read and
    /// counted too.
    ///
    /// # Errors
    /// As [`Assembled::next_batch`].
    pub fn finish(mut self) -> io::Result<(Vec<FileSummary>, Totals)> {
        let mut batch = AssembledBatch::default();
        while self.next_batch(&mut batch, 1024)? {}
        Ok((self.summaries, self.totals))
    }

    /// Bytes that buffers hold, whatever is in them.
    #[must_use]
    pub fn buffer_capacity(&self) -> usize {
        let reading = self.reading.as_ref().map_or(0, |reading| reading.reader.capacity());
        reading + self.sorter.as_ref().map_or(0, Sorter::capacity)
    }

    fn bytes_so_far(&self) -> u64 {
        let reading = self.reading.as_ref().map_or(0, |reading| match &reading.received {
            Some(received) => received.bytes(),
            None => reading.reader.bytes_read(),
        });
        self.bytes_read + reading
    }

    fn read_on(&mut self, batch: &mut AssembledBatch, rows_max: usize) -> io::Result<()> {
        let mut looked_at = 0;
        while looked_at < rows_max {
            let Some(Reading { file, reader, summary, .. }) = &mut self.reading else {
                match self.waiting.next() {
                    Some(next) => self.begin(next),
                    None => return self.sort(),
                }
                continue;
            };
            looked_at += 1;
            let mut broken = None;
            match reader.next(&mut broken)? {
                Some(Ok(Told::Pieces(pieces))) => {
                    for piece in pieces {
                        if let Some(newest) = self.newest.get_mut(usize::from(piece.table)) {
                            *newest = piece.year.max(*newest);
                        }
                        if let Some(sorter) = &mut self.sorter {
                            sorter.push(|out| piece.write(out))?;
                        }
                    }
                }
                Some(Ok(Told::LeftOut)) => summary.left_out += 1,
                Some(Ok(Told::HeaderAgain)) => summary.headers_repeated += 1,
                Some(Err(reject)) => {
                    if let Some((sorter, piece)) = self.sorter.as_mut().zip(broken) {
                        sorter.push(|out| piece.write(out))?;
                    }
                    batch.rejects.push((*file, reject));
                }
                None => self.end()?,
            }
        }
        Ok(())
    }

    fn begin(&mut self, Waiting { table, reader, received, is_last }: Waiting) {
        let file = u16::try_from(self.summaries.len()).unwrap_or(u16::MAX);
        let table = self.layout.table.get(usize::from(table)).map(|table| table.name.clone());
        let summary = FileSummary {
            table: table.unwrap_or_default(),
            summary: Summary {
                rows_total: 0,
                entries: 0,
                rejects: BTreeMap::new(),
                bytes: 0,
                lines: 0,
                sha256: String::new(),
            },
            left_out: 0,
            headers_repeated: 0,
        };
        self.reading = Some(Reading { file, reader, received, is_last, summary });
    }

    fn end(&mut self) -> io::Result<()> {
        let Some(Reading { reader, received, is_last, mut summary, .. }) = self.reading.take() else {
            return Ok(());
        };
        summary.summary = reader.finish()?;
        if let Some(received) = received {
            summary.summary.bytes = received.bytes();
            summary.summary.sha256 = received.sha256();
        }
        summary.summary.rows_total = summary.summary.rows_total.saturating_sub(summary.headers_repeated);
        summary.summary.entries =
            summary.summary.entries.saturating_sub(summary.headers_repeated + summary.left_out);
        // texts of one file share its bytes
        self.bytes_read += if is_last { summary.summary.bytes } else { 0 };
        self.summaries.push(summary);
        Ok(())
    }

    fn sort(&mut self) -> io::Result<()> {
        if let Some(sorter) = self.sorter.take() {
            let mut merged = sorter.finish()?;
            self.ahead = next_piece(&mut merged)?;
            self.merged = Some(merged);
        }
        Ok(())
    }

    fn put_together(&mut self, batch: &mut AssembledBatch, rows_max: usize) -> io::Result<bool> {
        let mut looked_at = 0;
        while looked_at < rows_max {
            let Some(first) = self.ahead.take() else { break };
            let mut pieces = vec![first];
            while let Some(next) = self.next()? {
                if pieces.first().is_some_and(|first| first.key != next.key) {
                    self.ahead = Some(next);
                    break;
                }
                if pieces.len() < PARCEL_ROWS_MAX {
                    pieces.push(next);
                } else {
                    let detail = format!(
                        "parcel {} has more than {PARCEL_ROWS_MAX} rows: this column is no parcel number, or the table \
                         is something else than the layout says",
                        next.raw
                    );
                    batch.rejects.push((next.file, group::reject(&next, Reason::TooManyRows, detail)));
                    *self.totals.rejects.entry(Reason::TooManyRows).or_default() += 1;
                    looked_at += 1;
                }
            }
            looked_at += pieces.len();
            let grouped = group::together(&self.plan, &self.newest, pieces);
            self.totals.records += u64::from(grouped.entry.is_some());
            self.totals.repeated += grouped.repeated;
            self.totals.other_years += grouped.other_years;
            self.totals.orphans_left_out += grouped.left_out;
            for (_, reject) in &grouped.rejects {
                *self.totals.rejects.entry(reject.reason).or_default() += 1;
            }
            batch.entries.extend(grouped.entry);
            batch.rejects.extend(grouped.rejects);
        }
        Ok(looked_at > 0)
    }

    fn next(&mut self) -> io::Result<Option<Piece>> {
        match &mut self.merged {
            Some(merged) => next_piece(merged),
            None => Ok(None),
        }
    }
}

fn next_piece(merged: &mut Merged) -> io::Result<Option<Piece>> {
    merged.next()?.map(|bytes| Piece::read(&bytes)).transpose()
}

/// Looks whether the files are what the layout says and any row of a parcel or building can be read. Most files answer
/// with their first rows; packed ones are unpacked to their end, since whether they are whole shows only there. `scratch`
/// is a folder for archives.
///
/// # Errors
/// [`AssembleError`].
pub fn look(files: Vec<NamedFile>, layout: &Layout, scratch: &Path) -> Result<Looked, AssembleError> {
    let (texts, passed_over) = texts_of(files, layout, scratch)?;
    let mut looked = Looked { passed_over, ..Looked::default() };
    let (mut rows, mut first, mut found) = (0, None, false);
    for (file, (place, name, text)) in (0u16..).zip(texts) {
        let within = text.within.clone().filter(|_| text.of_several);
        looked.texts.push(TextFound { file: place, within });
        let name = text.told(&name);
        let (table, packed) = (text.table, text.received.is_some());
        let mut reader = reader_of(text, file).map_err(|error| header_error(name.clone(), error))?;
        let anchor =
            layout.table.get(usize::from(table)).is_some_and(|table| table.grain != Grain::Extension);
        while anchor && !found {
            match reader.next(&mut None).map_err(|error| read_error(&name, error))? {
                None => break,
                Some(Ok(Told::Pieces(_))) => found = true,
                Some(Ok(Told::LeftOut | Told::HeaderAgain)) => rows += 1,
                Some(Err(reject)) => {
                    rows += 1;
                    first = first.or(Some(reject));
                }
            }
        }
        if packed {
            io::copy(&mut reader.into_source(), &mut io::sink()).map_err(|e| read_error(&name, e))?;
        }
    }
    looked.nothing_readable = (!found).then_some((rows, first));
    Ok(looked)
}

/// The header of a text of a table, from its beginning.
pub(crate) fn table_header(head: &[u8], layout: &Layout, table: u16) -> Result<Header, HeaderError> {
    Ok(TableReader::new(head, layout, place_of(layout, table, 0))?.header().clone())
}

/// A file of an edition, with its header read.
///
/// # Errors
/// [`AssembleError`].
pub(crate) fn table_reader(
    name: &str,
    source: Box<dyn Read + Send>,
    layout: &Layout,
) -> Result<AnyReader, AssembleError> {
    let table = table_of(name, layout)?;
    TableReader::new(source, layout, place_of(layout, table, 0))
        .map_err(|error| AssembleError::Header { file: name.to_owned(), error })
}

fn table_of(name: &str, layout: &Layout) -> Result<u16, AssembleError> {
    let number = layout.table_of(name).and_then(|table| u16::try_from(table).ok());
    number.ok_or_else(|| AssembleError::NoTable { file: name.to_owned(), tables: listed(layout) })
}

/// A text with the place of its file among those handed in, and the name of that.
type Placed = (usize, String, TableText);

/// Files with the names of what they hold besides, which is not read.
type PassedOver = Vec<(String, Vec<String>)>;

/// The texts of an edition's files, and the files with the names of what they hold besides. No table that has to be there
/// lacks one, and none is there in two versions.
fn texts_of(
    files: Vec<NamedFile>,
    layout: &Layout,
    scratch: &Path,
) -> Result<(Vec<Placed>, PassedOver), AssembleError> {
    let (mut texts, mut passed_over): (Vec<Placed>, PassedOver) = (Vec::new(), Vec::new());
    for (place, file) in files.into_iter().enumerate() {
        let name = file.0.clone();
        let found = FileTexts::open(file, layout, scratch)?;
        texts.extend(found.texts.into_iter().map(|text| (place, name.clone(), text)));
        if !found.passed_over.is_empty() {
            passed_over.push((name, found.passed_over));
        }
        if texts.len() > usize::from(u16::MAX) {
            return Err(AssembleError::TooManyFiles(texts.len()));
        }
    }
    let has = |at| texts.iter().any(|(_, _, text)| text.table == at);
    let lacking = (0u16..).zip(&layout.table).find(|(at, table)| !table.optional && !has(*at));
    if let Some((_, table)) = lacking {
        return Err(AssembleError::NoFile {
            table: table.name.clone(),
            pattern: table.pattern.clone().unwrap_or_else(|| "*".to_owned()),
        });
    }
    each_once(&texts, layout)?;
    Ok((texts, passed_over))
}

/// A table twice under one name is a copy of it or another year: rows of an extension would count twice.
fn each_once(texts: &[Placed], layout: &Layout) -> Result<(), AssembleError> {
    let mut seen: BTreeMap<(u16, String), &Placed> = BTreeMap::new();
    for text in texts {
        let Some(first) = seen.insert((text.2.table, text.2.plain_name()), text) else { continue };
        let table = layout.table.get(usize::from(text.2.table));
        return Err(AssembleError::Twice {
            table: table.map_or_else(String::new, |table| table.name.clone()),
            first: first.2.told(&first.1),
            second: text.2.told(&text.1),
        });
    }
    Ok(())
}

/// Two files of one name for one table in words, where the names alone tell that they are two texts of it: for refusing
/// them before they are read. What is packed may hold other tables, which shows when it is opened.
#[must_use]
pub fn named_twice<'n>(layout: &Layout, files: impl IntoIterator<Item = &'n str>) -> Option<String> {
    let mut seen: BTreeMap<(usize, String), &str> = BTreeMap::new();
    files.into_iter().filter(|file| !text::may_be_packed(file)).find_map(|file| {
        let at = layout.table_of(file).filter(|_| layout.assembles())?;
        let first = seen.insert((at, file.to_lowercase()), file)?;
        layout.table.get(at).map(|table| two_of_one_name(&table.name, first, file))
    })
}

fn reader_of(text: TableText, file: u16) -> Result<AnyReader, HeaderError> {
    let place = place_of(&text.layout, text.table, file);
    TableReader::new(text.source, &text.layout, place)
}

fn header_error(file: String, error: HeaderError) -> AssembleError {
    let HeaderError::Read(cause) = error else { return AssembleError::Header { file, error } };
    if UnpackError::within(&cause).is_some() {
        return read_error(&file, cause);
    }
    AssembleError::Header { file, error: HeaderError::Read(cause) }
}

/// Bytes that cannot be had, or that cannot be unpacked.
fn read_error(file: &str, error: io::Error) -> AssembleError {
    if UnpackError::within(&error).is_some() {
        return AssembleError::Unpack { file: file.to_owned(), error: Box::new(UnpackError::from_io(error)) };
    }
    AssembleError::Io(error)
}

fn listed(layout: &Layout) -> String {
    let one = |table: &crate::layout::TableLayout| {
        format!("{} ({})", table.name, table.pattern.as_deref().unwrap_or("*"))
    };
    layout.table.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn place_of(layout: &Layout, table: u16, file: u16) -> Place {
    let before = layout.table.iter().take(usize::from(table)).map(|table| table.field.len()).sum::<usize>();
    Place { table, file, first_field: u16::try_from(before).unwrap_or(u16::MAX) }
}

//! The line index of an edition of one file: sixteen bytes a row, in the file's order, in blocks of a mebibyte, written
//! while the edition is loaded and streamed beside the next file. It lies in a file beside the records of the embedded
//! database, and in a table of a server, which several machines may use.
//!
//! Only an index that is whole has block 0, and it is used only for the edition in use, by a file with the same columns,
//! a layout of the same version and a program of the same version. Compaction may move records as long as their numbers
//! stay; whoever gives records other numbers deletes the index.

mod file;
mod starts;

use std::path::{Path, PathBuf};

use crossfoot_roll::lines::{KnownLine, KnownLines, LINE_BYTES, Line, LineIs};
use tokio::sync::mpsc;

use self::file::{Reading, Writing};
use self::starts::Starts;

use super::RollBatch;
use crate::database::{Database, Tx, values};
use crate::source::Source;
use crate::{Store, StoreError};

/// Bytes of a block.
const BLOCK_BYTES: usize = 1 << 20;
/// Block that says what the index is good for.
pub(super) const GOOD_FOR: i64 = 0;
/// Block of the records that have to be read again: rows of theirs disagree.
pub(super) const READ_AGAIN: i64 = -1;
/// Block of the numbers that became no records: later rows of a parcel.
pub(super) const NO_RECORD: i64 = -2;

pub(super) const INSERT: &str =
    "INSERT INTO line_block (source, edition, file, number, content) VALUES ($1, $2, 0, $3, $4)";

/// Where the line indexes of records lie.
#[derive(Debug, Clone, Copy)]
pub(super) enum Shelf<'a> {
    /// In files of this folder.
    Folder(&'a Path),
    /// In the table.
    Table,
}

impl<'a> Shelf<'a> {
    /// For records in a database; `folder` is the one of files of records.
    pub(super) fn of(database: &Database, folder: &'a Path) -> Shelf<'a> {
        match database {
            Database::Sqlite { .. } => Shelf::Folder(folder),
            Database::Postgres(_) => Shelf::Table,
        }
    }

    /// Removes the indexes of a source but that of an edition. Blocks in a file of records are of an earlier version of
    /// this program.
    pub(super) async fn clear(
        self,
        tx: &mut Tx,
        (source, container): (i64, &str),
        but: Option<i64>,
    ) -> Result<(), StoreError> {
        match self {
            Shelf::Folder(folder) => {
                tx.execute("DROP TABLE IF EXISTS line_block", values![]).await?;
                file::remove_others(folder, container, but).map_err(of_file(folder))
            }
            Shelf::Table => {
                let sql = "DELETE FROM line_block WHERE source = $1 AND edition <> $2";
                tx.execute(sql, values![source, but.unwrap_or(0)]).await.map(drop)
            }
        }
    }
}

/// Says of which file an error is.
pub(super) fn of_file(path: &Path) -> impl FnOnce(std::io::Error) -> StoreError {
    |cause| StoreError::File { path: path.display().to_string(), cause }
}

/// The index of an edition while it is loaded.
pub(super) struct Growing {
    good_for: Option<String>,
    block: Vec<u8>,
    blocks: i64,
    read_again: Vec<u32>,
    no_record: Vec<u32>,
    file: Option<InFile>,
}

/// An index that is written to a file, which can be read again.
struct InFile {
    writing: Writing,
    path: PathBuf,
    starts: Starts,
}

/// A block to be written, with its number.
pub(super) type Block = (i64, Vec<u8>);

impl Growing {
    /// One that is kept nowhere.
    pub(super) fn none() -> Growing {
        Growing {
            good_for: None,
            block: Vec::new(),
            blocks: 0,
            read_again: Vec::new(),
            no_record: Vec::new(),
            file: None,
        }
    }

    /// One for a container and an edition, where it is known what it will be good for.
    pub(super) fn new(
        shelf: Shelf<'_>,
        (container, edition): (&str, i64),
        good_for: Option<String>,
    ) -> Result<Growing, StoreError> {
        let good_for = good_for.map(|good_for| good_for_in(container, &good_for));
        let file = match shelf {
            Shelf::Folder(folder) if good_for.is_some() => {
                let path = file::path(folder, container, edition);
                let writing = Writing::begin(path.clone()).map_err(of_file(&path))?;
                Some(InFile { writing, path, starts: Starts::default() })
            }
            Shelf::Folder(_) | Shelf::Table => None,
        };
        Ok(Growing { good_for, file, ..Growing::none() })
    }

    /// Whether an index is still being kept: an edition of several files, or one given without lines, has none.
    pub(super) fn goes_on(&mut self, batch: &RollBatch) -> Result<bool, StoreError> {
        let rows = batch.rows.entries.len() + batch.rows.rejects.len();
        if batch.rows.file > 0 || (batch.lines.is_empty() && rows > 0) {
            self.good_for = None;
            if self.file.is_some() {
                let why = "rows came without their lines, or of a second file".to_owned();
                return Err(StoreError::Damaged { what: "line index", why });
            }
        }
        Ok(self.good_for.is_some() || self.file.is_some())
    }

    /// Whether the place of a row can be asked for.
    pub(super) fn tells_places(&self) -> bool {
        self.file.is_some()
    }

    /// Rows pushed so far.
    pub(super) fn rows(&self) -> u32 {
        let written = self.file.as_ref().map_or(0, |file| file.writing.bytes());
        u32::try_from((written + self.block.len() as u64) / LINE_BYTES as u64).unwrap_or(u32::MAX)
    }

    /// Notes a row; `number` is 0 for one that is no record.
    pub(super) fn push(&mut self, line: &Line, number: i64) -> Result<Option<Block>, StoreError> {
        let number = u32::try_from(number).unwrap_or_else(|_| {
            self.good_for = None;
            0
        });
        let known = KnownLine { hash: line.hash, byte_length: line.byte_length, lines: line.lines, number };
        let bytes = known.to_bytes();
        let row = self.rows();
        if let Some(file) = &mut self.file {
            file.starts.note(row, line, &KnownLine::from_bytes(bytes));
        }
        self.block.extend_from_slice(&bytes);
        if self.block.len() < BLOCK_BYTES {
            return Ok(None);
        }
        self.cut()
    }

    /// Notes the rows of a batch of a first edition, whose entries are the records from `first` on.
    pub(super) fn push_first(
        &mut self,
        batch: &RollBatch,
        first: i64,
        blocks: &mut Vec<Block>,
    ) -> Result<(), StoreError> {
        if !self.goes_on(batch)? {
            return Ok(());
        }
        let mut next = first;
        for line in &batch.lines {
            let entry = line.what == LineIs::Entry;
            blocks.extend(self.push(line, if entry { next } else { 0 })?);
            next += i64::from(entry);
        }
        Ok(())
    }

    /// Ends a block: gives it, or writes it to the file.
    fn cut(&mut self) -> Result<Option<Block>, StoreError> {
        if let Some(file) = &mut self.file {
            file.writing.block(&self.block).map_err(of_file(&file.path))?;
            self.block.clear();
            return Ok(None);
        }
        self.blocks += 1;
        Ok(Some((self.blocks, std::mem::replace(&mut self.block, Vec::with_capacity(BLOCK_BYTES)))))
    }

    /// A row that was pushed, from 0, with its place in the file.
    pub(super) fn place(&self, row: u32) -> Result<Line, StoreError> {
        let damaged = || StoreError::Damaged { what: "line index", why: format!("no row {row}") };
        let file = self.file.as_ref().ok_or_else(damaged)?;
        let at = |row: u32| u64::from(row) * LINE_BYTES as u64;
        let (from, to, written) =
            (at(file.starts.from(row)), at(row.saturating_add(1)), file.writing.bytes());
        let mut bytes =
            vec![0; usize::try_from(to.min(written).saturating_sub(from)).map_err(|_| damaged())?];
        file.writing.read(from, &mut bytes).map_err(of_file(&file.path))?;
        if to > written {
            let range = [from.max(written) - written, to - written]
                .map(|at| usize::try_from(at).unwrap_or(usize::MAX));
            bytes.extend_from_slice(self.block.get(range[0]..range[1]).ok_or_else(damaged)?);
        }
        let rows = bytes.as_chunks::<LINE_BYTES>().0.iter().map(|bytes| KnownLine::from_bytes(*bytes));
        file.starts.line(row, rows).ok_or_else(damaged)
    }

    /// A record whose rows disagree has to be read again.
    pub(super) fn read_again(&mut self, number: i64) {
        self.read_again.extend(u32::try_from(number));
    }

    /// A number that was given to a row and became no record.
    pub(super) fn no_record(&mut self, number: i64) {
        self.no_record.extend(u32::try_from(number));
    }

    /// The last blocks; none where no index is kept, or where it is in a file, which is whole then.
    pub(super) fn finish(mut self) -> Result<Vec<Block>, StoreError> {
        let Some(good_for) = self.good_for.take() else { return Ok(Vec::new()) };
        let last = self.cut()?;
        let [read_again, no_record] = [&self.read_again, &self.no_record]
            .map(|numbers| numbers.iter().flat_map(|number| number.to_le_bytes()).collect::<Vec<u8>>());
        if let Some(file) = self.file.take() {
            file.writing.finish(&read_again, &no_record, good_for.as_bytes()).map_err(of_file(&file.path))?;
            return Ok(Vec::new());
        }
        let mut blocks: Vec<Block> = last.into_iter().collect();
        blocks.extend([(READ_AGAIN, read_again), (NO_RECORD, no_record), (GOOD_FOR, good_for.into_bytes())]);
        Ok(blocks)
    }
}

/// Numbers of records, a bit each: every row of an edition is looked up here.
#[derive(Default)]
struct Numbers(Vec<u64>);

impl Numbers {
    fn insert(&mut self, number: u32) {
        let at = (number / u64::BITS) as usize;
        if at >= self.0.len() {
            self.0.resize(at + 1, 0);
        }
        if let Some(bits) = self.0.get_mut(at) {
            *bits |= 1 << (number % u64::BITS);
        }
    }

    fn contains(&self, number: u32) -> bool {
        self.0.get((number / u64::BITS) as usize).is_some_and(|bits| bits >> (number % u64::BITS) & 1 == 1)
    }

    fn of(bytes: &[u8]) -> Numbers {
        let mut numbers = Numbers::default();
        bytes.as_chunks::<4>().0.iter().for_each(|bytes| numbers.insert(u32::from_le_bytes(*bytes)));
        numbers
    }
}

/// The rows of a block.
fn rows_of(block: &[u8]) -> impl Iterator<Item = KnownLine> + '_ {
    block.as_chunks::<LINE_BYTES>().0.iter().map(|bytes| KnownLine::from_bytes(*bytes))
}

/// The index of the edition in use.
pub(super) enum Kept<'a> {
    File(Reading),
    Table { database: &'a Database, source: i64, edition: i64 },
}

impl<'a> Kept<'a> {
    /// The index of the source's edition in use, if it has one, with what it is good for.
    pub(super) async fn of(
        (database, shelf): (&'a Database, Shelf<'_>),
        source: &Source,
    ) -> Result<Option<(Kept<'a>, String)>, StoreError> {
        let (Some(edition), Some(container)) = (source.current_edition, source.container.as_deref()) else {
            return Ok(None);
        };
        let kept = match shelf {
            Shelf::Folder(folder) => {
                let path = file::path(folder, container, edition);
                match Reading::open(&path).map_err(of_file(&path))? {
                    Some(reading) => Kept::File(reading),
                    None => return Ok(None),
                }
            }
            Shelf::Table => Kept::Table { database, source: source.number, edition },
        };
        let good_for = kept.part(GOOD_FOR).await?;
        Ok(good_for.map(|text| (kept, String::from_utf8_lossy(&text).into_owned())))
    }

    /// A block by its number, of rows from 1.
    async fn part(&self, number: i64) -> Result<Option<Vec<u8>>, StoreError> {
        match self {
            Kept::File(reading) => Ok(match number {
                GOOD_FOR => Some(reading.good_for.clone()),
                READ_AGAIN => Some(reading.read_again.clone()),
                NO_RECORD => Some(reading.no_record.clone()),
                block => reading.block(block.unsigned_abs()).map_err(damaged)?,
            }),
            Kept::Table { database, source, edition } => {
                let sql = "SELECT content FROM line_block
                           WHERE source = $1 AND edition = $2 AND file = 0 AND number = $3";
                let row = database.fetch_one(sql, values![*source, *edition, number]).await?;
                row.map(|row| row.get(0)).transpose()
            }
        }
    }

    async fn numbers(&self, part: i64) -> Result<Numbers, StoreError> {
        Ok(Numbers::of(&self.part(part).await?.unwrap_or_default()))
    }

    /// Calls with the number of every record of the edition. Other tasks have their turn between blocks: an index in a
    /// file is read without waiting for anything, and a lease has to be renewed meanwhile.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] where the index is not what was written.
    pub(super) async fn each_record(&self, mut on: impl FnMut(i64)) -> Result<(), StoreError> {
        let no_record = self.numbers(NO_RECORD).await?;
        let mut number = 1;
        while let Some(block) = self.part(number).await? {
            for row in rows_of(&block).filter(|row| row.number != 0 && !no_record.contains(row.number)) {
                on(i64::from(row.number));
            }
            number += 1;
            tokio::task::yield_now().await;
        }
        // a record of which the index has no row is one whose first row was read again: see `Growing::push`
        Ok(())
    }

    /// Numbers of rows that have to be read again, though the index has one for them.
    async fn again(&self) -> Result<Numbers, StoreError> {
        let mut again = self.part(READ_AGAIN).await?.unwrap_or_default();
        again.extend(self.part(NO_RECORD).await?.unwrap_or_default());
        Ok(Numbers::of(&again))
    }

    /// Sends the blocks one after the other, without the numbers of rows that have to be read again.
    async fn stream(&self, to: mpsc::Sender<Vec<KnownLine>>) -> Result<(), StoreError> {
        let again = self.again().await?;
        let mut number = 1;
        while let Some(block) = self.part(number).await? {
            if to.send(known_of(&block, &again)).await.is_err() {
                return Ok(());
            }
            number += 1;
        }
        Ok(())
    }
}

/// The rows of a block, those that have to be read again without their number.
fn known_of(block: &[u8], again: &Numbers) -> Vec<KnownLine> {
    let without =
        |row: KnownLine| if again.contains(row.number) { KnownLine { number: 0, ..row } } else { row };
    rows_of(block).map(without).collect()
}

fn damaged(error: std::io::Error) -> StoreError {
    StoreError::Damaged { what: "line index", why: error.to_string() }
}

impl Store {
    /// The rows of the file of the source's edition in use, for a file that an index of this kind is good for. None
    /// where there is no such index. To be called on by a thread that may wait.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_lines(
        &self,
        source: &Source,
        good_for: &str,
    ) -> Result<Option<KnownLines>, StoreError> {
        let Some(container) = source.container.as_deref() else { return Ok(None) };
        let (database, folder) = (self.records(container).await?, self.source_folder());
        let kept = match Kept::of((&database, Shelf::of(&database, &folder)), source).await? {
            Some((kept, written_for)) if written_for == good_for_in(container, good_for) => kept,
            Some(_) | None => return Ok(None),
        };
        match kept {
            Kept::File(reading) => Ok(Some(lines_of_file(reading, source.id.clone()))),
            Kept::Table { source: number, edition, .. } => {
                let (to, mut from) = mpsc::channel(1);
                let (database, id) = (database.clone(), source.id.clone());
                tokio::spawn(async move {
                    let kept = Kept::Table { database: &database, source: number, edition };
                    if let Err(error) = kept.stream(to).await {
                        tracing::warn!("the line index of {id} cannot be read: {error}");
                    }
                });
                Ok(Some(KnownLines::new(Box::new(move || from.blocking_recv()))))
            }
        }
    }
}

/// The rows of an index in a file. A block that is damaged ends them: what is behind it is read as new rows are.
fn lines_of_file(reading: Reading, source: String) -> KnownLines {
    let again = Numbers::of(&[reading.read_again.as_slice(), &reading.no_record].concat());
    let (mut reading, mut number) = (Some(reading), 0);
    KnownLines::new(Box::new(move || {
        number += 1;
        match reading.as_ref()?.block(number) {
            Ok(block) => block.map(|block| known_of(&block, &again)),
            Err(error) => {
                tracing::warn!("the line index of {source} cannot be read: {error}");
                reading = None;
                None
            }
        }
    }))
}

/// What an index says it is good for: records in another container may have other numbers.
pub(super) fn good_for_in(container: &str, good_for: &str) -> String {
    format!("{container}\n{good_for}")
}

/// What every row of a batch is, also of one that was given without lines: entries first, then rejects.
pub(super) fn kinds(batch: &RollBatch) -> impl Iterator<Item = (LineIs, Option<&Line>)> {
    let rows = &batch.rows;
    let (entries, rejects) =
        if batch.lines.is_empty() { (rows.entries.len(), rows.rejects.len()) } else { (0, 0) };
    let entries = std::iter::repeat_n((LineIs::Entry, None), entries);
    let rejects = std::iter::repeat_n((LineIs::Reject, None), rejects);
    batch.lines.iter().map(|line| (line.what, Some(line))).chain(entries).chain(rejects)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An index of three blocks in a file, in which every row is a record.
    fn kept(folder: &Path) -> Kept<'static> {
        let path = file::path(folder, "source-1-a.db", 1);
        let mut growing =
            Growing::new(Shelf::Folder(folder), ("source-1-a.db", 1), Some("this kind".to_owned())).unwrap();
        for number in 1..=3 * (BLOCK_BYTES / LINE_BYTES) as i64 {
            let line =
                Line { hash: 7, byte_start: 0, byte_length: 9, line: 1, lines: 1, what: LineIs::Entry };
            assert!(growing.push(&line, number).unwrap().is_none());
        }
        assert!(growing.finish().unwrap().is_empty());
        Kept::File(Reading::open(&path).unwrap().unwrap())
    }

    #[tokio::test]
    async fn another_task_has_its_turn_while_an_index_in_a_file_is_gone_through() {
        let folder = tempfile::tempdir().unwrap();
        let kept = kept(folder.path());
        let turn = std::sync::Arc::new(std::sync::atomic::AtomicI64::new(0));
        let told = std::sync::Arc::clone(&turn);
        // on the one thread of this test: it runs when the reading lets it
        let other = tokio::spawn(async move { told.store(1, std::sync::atomic::Ordering::SeqCst) });
        let (mut records, mut before) = (0, 0);
        let reading = kept.each_record(|_| {
            records += 1;
            before += 1 - turn.load(std::sync::atomic::Ordering::SeqCst);
        });
        reading.await.unwrap();
        other.await.unwrap();
        let block = (BLOCK_BYTES / LINE_BYTES) as i64;
        assert_eq!((records, before), (3 * block, block));
    }
}

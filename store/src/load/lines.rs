//! The line index of an edition of one file: sixteen bytes a row, in the file's order, in blocks of a mebibyte, written
//! while the edition is loaded and streamed beside the next file.
//!
//! Only an index that is whole has block 0, and it is used only for the edition in use, by a file with the same columns,
//! a layout of the same version and a program of the same version. Compaction may move records as long as their numbers
//! stay; whoever gives records other numbers deletes the index.

use crossfoot_roll::lines::{KnownLine, KnownLines, LINE_BYTES, Line, LineIs};
use tokio::sync::mpsc;

use super::RollBatch;
use crate::database::{Database, Row, values};
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

/// The index of an edition while it is loaded.
pub(super) struct Growing {
    good_for: Option<String>,
    block: Vec<u8>,
    blocks: i64,
    read_again: Vec<u32>,
    no_record: Vec<u32>,
}

/// A block to be written, with its number.
pub(super) type Block = (i64, Vec<u8>);

impl Growing {
    pub(super) fn new(good_for: Option<String>) -> Growing {
        Growing { good_for, block: Vec::new(), blocks: 0, read_again: Vec::new(), no_record: Vec::new() }
    }

    /// Whether an index is still being kept: an edition of several files, or one given without lines, has none.
    pub(super) fn goes_on(&mut self, batch: &RollBatch) -> bool {
        let rows = batch.rows.entries.len() + batch.rows.rejects.len();
        if batch.rows.file > 0 || (batch.lines.is_empty() && rows > 0) {
            self.good_for = None;
        }
        self.good_for.is_some()
    }

    /// Notes a row; `number` is 0 for one that is no record.
    pub(super) fn push(&mut self, line: &Line, number: i64) -> Option<Block> {
        let Ok(number) = u32::try_from(number) else {
            self.good_for = None;
            return None;
        };
        let known = KnownLine { hash: line.hash, byte_length: line.byte_length, lines: line.lines, number };
        self.block.extend_from_slice(&known.to_bytes());
        (self.block.len() >= BLOCK_BYTES).then(|| self.cut())
    }

    /// Notes the rows of a batch of a first edition, whose entries are the records from `first` on.
    pub(super) fn push_first(&mut self, batch: &RollBatch, first: i64, blocks: &mut Vec<Block>) {
        if !self.goes_on(batch) {
            return;
        }
        let mut next = first;
        for line in &batch.lines {
            let entry = line.what == LineIs::Entry;
            blocks.extend(self.push(line, if entry { next } else { 0 }));
            next += i64::from(entry);
        }
    }

    fn cut(&mut self) -> Block {
        self.blocks += 1;
        (self.blocks, std::mem::replace(&mut self.block, Vec::with_capacity(BLOCK_BYTES)))
    }

    /// A record whose rows disagree has to be read again.
    pub(super) fn read_again(&mut self, number: i64) {
        self.read_again.extend(u32::try_from(number));
    }

    /// A number that was given to a row and became no record.
    pub(super) fn no_record(&mut self, number: i64) {
        self.no_record.extend(u32::try_from(number));
    }

    /// The last blocks; none where no index is kept.
    pub(super) fn finish(mut self) -> Vec<Block> {
        let Some(good_for) = self.good_for.take() else { return Vec::new() };
        let mut blocks = vec![self.cut()];
        let bytes = |numbers: &[u32]| numbers.iter().flat_map(|number| number.to_le_bytes()).collect();
        blocks.push((READ_AGAIN, bytes(&self.read_again)));
        blocks.push((NO_RECORD, bytes(&self.no_record)));
        blocks.push((GOOD_FOR, good_for.into_bytes()));
        blocks
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
}

/// The index of the edition in use.
pub(super) struct Kept<'a> {
    database: &'a Database,
    source: i64,
    edition: i64,
}

impl<'a> Kept<'a> {
    /// The index of the source's edition in use, if it has one.
    pub(super) async fn of(
        database: &'a Database,
        source: &Source,
    ) -> Result<Option<(Kept<'a>, String)>, StoreError> {
        let Some(edition) = source.current_edition else { return Ok(None) };
        let kept = Kept { database, source: source.number, edition };
        let good_for = kept.block(GOOD_FOR).await?;
        Ok(good_for.map(|text| (kept, String::from_utf8_lossy(&text).into_owned())))
    }

    async fn block(&self, number: i64) -> Result<Option<Vec<u8>>, StoreError> {
        let sql = "SELECT content FROM line_block
                   WHERE source = $1 AND edition = $2 AND file = 0 AND number = $3";
        let row = self.database.fetch_one(sql, values![self.source, self.edition, number]).await?;
        row.map(|row| row.get(0)).transpose()
    }

    async fn numbers(&self, block: i64, into: &mut Numbers) -> Result<(), StoreError> {
        let bytes = self.block(block).await?.unwrap_or_default();
        bytes.as_chunks::<4>().0.iter().for_each(|bytes| into.insert(u32::from_le_bytes(*bytes)));
        Ok(())
    }

    async fn rows(&self, number: i64) -> Result<Option<Vec<KnownLine>>, StoreError> {
        let Some(bytes) = self.block(number).await? else { return Ok(None) };
        let rows = bytes.as_chunks::<LINE_BYTES>().0.iter().map(|bytes| KnownLine::from_bytes(*bytes));
        Ok(Some(rows.collect()))
    }

    /// Calls with the number of every record of the edition.
    pub(super) async fn each_record(&self, mut on: impl FnMut(i64)) -> Result<(), StoreError> {
        let mut no_record = Numbers::default();
        self.numbers(NO_RECORD, &mut no_record).await?;
        let mut number = 1;
        while let Some(rows) = self.rows(number).await? {
            for row in rows.iter().filter(|row| row.number != 0 && !no_record.contains(row.number)) {
                on(i64::from(row.number));
            }
            number += 1;
        }
        // a record of which the index has no row is one whose first row was read again: see `Growing::push`
        Ok(())
    }

    /// Sends the blocks one after the other, without the numbers of rows that have to be read again.
    async fn stream(&self, to: mpsc::Sender<Vec<KnownLine>>) -> Result<(), StoreError> {
        let mut again = Numbers::default();
        self.numbers(READ_AGAIN, &mut again).await?;
        self.numbers(NO_RECORD, &mut again).await?;
        let mut number = 1;
        while let Some(mut rows) = self.rows(number).await? {
            for row in rows.iter_mut().filter(|row| again.contains(row.number)) {
                row.number = 0;
            }
            if to.send(rows).await.is_err() {
                return Ok(());
            }
            number += 1;
        }
        Ok(())
    }
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
        let database = self.records(container).await?;
        ensure_table(&database).await?;
        match Kept::of(&database, source).await? {
            Some((_, kept)) if kept == good_for_in(container, good_for) => {}
            Some(_) | None => return Ok(None),
        }
        let (to, mut from) = mpsc::channel(1);
        let source = source.clone();
        tokio::spawn(async move {
            let kept = Kept {
                database: &database,
                source: source.number,
                edition: source.current_edition.unwrap_or_default(),
            };
            if let Err(error) = kept.stream(to).await {
                tracing::warn!("the line index of {} cannot be read: {error}", source.id);
            }
        });
        Ok(Some(KnownLines::new(Box::new(move || from.blocking_recv()))))
    }
}

/// What an index says it is good for: records in another container may have other numbers.
pub(super) fn good_for_in(container: &str, good_for: &str) -> String {
    format!("{container}\n{good_for}")
}

/// Files of sources made before there was an index get its table. A server has it by migration.
pub(super) async fn ensure_table(database: &Database) -> Result<(), StoreError> {
    let Database::Sqlite { .. } = database else { return Ok(()) };
    let sql = "SELECT count(*) FROM sqlite_schema WHERE name = 'line_block'";
    let there: Option<Row> = database.fetch_one(sql, values![]).await?;
    if there.map_or(Ok(0), |row| row.get::<i64>(0))? == 0 {
        let mut tx = database.begin().await?;
        tx.execute(TABLE, values![]).await?;
        tx.commit().await?;
    }
    Ok(())
}

/// The table in the file of a source.
pub(super) const TABLE: &str = include_str!("../../../migrations/sqlite-records/0003_line_block.sql");

/// What every row of a batch is, also of one that was given without lines: entries first, then rejects.
pub(super) fn kinds(batch: &RollBatch) -> impl Iterator<Item = (LineIs, Option<&Line>)> {
    let rows = &batch.rows;
    let (entries, rejects) =
        if batch.lines.is_empty() { (rows.entries.len(), rows.rejects.len()) } else { (0, 0) };
    let entries = std::iter::repeat_n((LineIs::Entry, None), entries);
    let rejects = std::iter::repeat_n((LineIs::Reject, None), rejects);
    batch.lines.iter().map(|line| (line.what, Some(line))).chain(entries).chain(rejects)
}

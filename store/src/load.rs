//! Loading an edition: batches of entries and rejects from a parser, written in bulk, made current by one row.
//!
//! A first edition goes into a container of its own (a file on SQLite, a partition on PostgreSQL), unindexed; the key
//! is added after. Until the last transaction nothing refers to the container, so a crash leaves something to throw
//! away and nothing to mend. A later edition appends only what changed, under its own number, which nobody reads
//! before the same last transaction.

mod append;
mod duplicates;
mod feed;
mod lines;
pub(crate) mod pen;
mod places;
mod postgres;
mod sqlite;

use crossfoot_roll::check::{ChangeCheck, ChangeChecker, DoublesSeen, RollCheck};
use crossfoot_roll::entry::{Entry, Reject};
pub use feed::{Feed, RollBatch};

use self::append::{Appended, Moving, Watch};
use self::duplicates::LaterRows;
use self::lines::Shelf;
use self::pen::Pen;
use crate::database::{Database, Lock, Tx, Value, values};
use crate::job::{Claim, enqueue, finish_held, hold};
use crate::object::keeping::keep_job;
use crate::run::{Cause, to_judge_by_keys, to_judge_of_source};
use crate::source::{EditionCounts, Source};
use crate::{Store, StoreError};

/// What was added to the file of a source since its first form; for a server it is among the migrations.
pub(crate) const ADDED: &str = include_str!("../../migrations/sqlite-records/0002_past.sql");

/// Rows of one file of an edition, as the parser hands them over.
#[derive(Debug, Default)]
pub struct LoadBatch {
    /// The file within the edition, from 0.
    pub file: i64,
    /// Rows that could be read.
    pub entries: Vec<Entry>,
    /// Rows that could not.
    pub rejects: Vec<Reject>,
}

/// An edition that was loaded and is not yet in use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loaded {
    /// Where its records lie.
    pub(crate) container: String,
    /// What came of the rows; `rows_total` is the parser's to say.
    pub counts: EditionCounts,
    /// The median of the areas, square micrometres; the parser's to say.
    pub median_um2: Option<i64>,
    /// The names of each file's columns; the parser's to say.
    pub headers: Vec<Vec<String>>,
    /// Rows with the parcel number of an earlier one.
    pub doubles: DoublesSeen,
    /// What those rows are among the counts of the edition.
    pub later: RollCheck,
    /// Areas that changed against the edition before.
    pub changes: ChangeCheck,
    /// The counts of the edition before, less its later rows of parcels and the versions that this one replaces or ends,
    /// plus those that it brings: the counts of this one where rows that are known were passed over. Rows that could not be
    /// read are the caller's to count: they are read every time. None where the edition before has no counts or another
    /// layout.
    pub moved: Option<RollCheck>,
}

impl Loaded {
    fn new(
        container: String,
        (counts, (doubles, later)): (EditionCounts, (DoublesSeen, RollCheck)),
    ) -> Loaded {
        let (changes, moved) = (ChangeCheck::default(), None);
        Loaded { container, counts, median_um2: None, headers: Vec::new(), doubles, later, changes, moved }
    }
}

impl Store {
    /// Loads an edition from a parser. Ends when the sender is dropped; the caller then looks whether the parser
    /// ended well before it makes the edition current. An edition that is held takes its place no more: the one that
    /// loads now was handed in later, and what it changes is counted against what is in use.
    ///
    /// # Errors
    /// [`StoreError`]; nothing of the edition is in use then, and loading it again starts afresh.
    /// [`StoreError::LeaseLost`] when the job was taken over, [`StoreError::MovedOn`] when the edition in use changed,
    /// [`StoreError::Settings`] when a later edition is in use already.
    pub async fn edition_load(
        &self,
        claim: &Claim,
        source: &Source,
        edition: i64,
        batches: impl Into<Feed>,
    ) -> Result<Loaded, StoreError> {
        let batches = batches.into();
        if let Some(current) = source.current_edition.filter(|current| *current >= edition) {
            return Err(StoreError::Settings(format!(
                "edition {edition} is older than edition {current}, which is in use: hand it in again if it is to follow it"
            )));
        }
        self.edition_supersede_held(claim, source, edition).await?;
        let pen = Pen { main: &self.main, claim, source: source.number };
        let layout = self.edition(source.number, edition).await?.layout;
        let later = LaterRows::of(&layout);
        match (&self.main, source.container.clone()) {
            (_, Some(container)) => {
                let (database, folder) = (self.records(&container).await?, self.source_folder());
                // rows that an office mended say nothing of the others
                let whole = self.mend(source.number, edition).await?.is_none();
                let moving = Moving::from(&layout, self.counts_before(source, &layout).await?);
                let watch = Watch { later, changes: ChangeChecker::new(&layout), moving };
                let Appended { counts, later, changes, moved } = append::load(
                    (&database, Shelf::of(&database, &folder)),
                    pen,
                    source,
                    (edition, whole),
                    batches,
                    watch,
                )
                .await?;
                Ok(Loaded { changes, moved, ..Loaded::new(container, (counts, later)) })
            }
            (Database::Sqlite { .. }, None) => {
                self.sweep_files(&pen).await?;
                let container = format!("source-{}-{}.db", source.number, uuid::Uuid::now_v7().simple());
                let path = self.source_file(&container);
                let number = source.number;
                let loading = move || sqlite::load(&path, (number, edition), batches, later);
                let seen = tokio::task::spawn_blocking(loading).await.map_err(StoreError::Task)??;
                Ok(Loaded::new(container, seen))
            }
            (Database::Postgres(pool), None) => {
                postgres::load((&self.main, pool), &pen, (source.number, edition), batches, later).await
            }
        }
    }

    /// Puts a loaded edition in use, with everything that must then be judged, and ends the job: one transaction.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over, [`StoreError::MovedOn`] when another edition came into or
    /// out of use since this one was loaded: it is not in use then.
    pub async fn edition_make_current(
        &self,
        claim: &Claim,
        source: &Source,
        edition: i64,
        loaded: &Loaded,
    ) -> Result<(), StoreError> {
        let changed = self.changed_keys(source, edition).await?;
        let (mut tx, records) = self.begin_to_end_load(claim, source).await?;
        if source.container.is_none() {
            postgres::attach(&mut tx, source.number, &loaded.container).await?;
        }
        note_loaded(&mut tx, source, edition, loaded).await?;
        put_in_use(&mut tx, source, edition, &loaded.container, changed, Cause::Edition).await?;
        enqueue(&mut tx, keep_job(source.number, edition)).await?;
        finish_held(&mut tx, claim).await?;
        tx.commit().await?;
        drop(records);
        Ok(())
    }

    /// Begins the transaction that says what becomes of a loaded edition: under the lease, with the source locked and
    /// the same edition in use as when it was loaded. The other transaction keeps others from the records until then.
    pub(crate) async fn begin_to_end_load(
        &self,
        claim: &Claim,
        source: &Source,
    ) -> Result<(Tx, Option<Tx>), StoreError> {
        let pen = Pen { main: &self.main, claim, source: source.number };
        let records = match (&self.main, source.container.as_deref()) {
            (Database::Sqlite { .. }, Some(container)) => {
                Some(pen.begin(&self.records(container).await?).await?)
            }
            _ => None,
        };
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        still_in_use(&mut tx, source).await?;
        if let (Tx::Postgres(_), Some(_)) = (&tx, &source.container) {
            pen.check(&mut tx).await?;
        }
        Ok((tx, records))
    }

    /// The keys that an edition changed against the one in use; none where all may have: a first edition, or one that
    /// is read by another layout.
    pub(crate) async fn changed_keys(
        &self,
        source: &Source,
        edition: i64,
    ) -> Result<Option<Vec<String>>, StoreError> {
        match source.container.as_deref() {
            Some(container) if self.same_layout(source, edition).await? => {
                let database = self.records(container).await?;
                Ok(Some(append::changed_keys(&database, source.number, edition).await?))
            }
            _ => Ok(None),
        }
    }

    /// Whether an edition is read by the layout of the current one: else keys and figures may all mean something else.
    async fn same_layout(&self, source: &Source, edition: i64) -> Result<bool, StoreError> {
        let sql =
            "SELECT count(DISTINCT layout_version) FROM edition WHERE source = $1 AND number IN ($2, $3)";
        let values = values![source.number, edition, source.current_edition.unwrap_or(edition)];
        match self.main.fetch_one(sql, values).await? {
            Some(row) => Ok(row.get::<i64>(0)? == 1),
            None => Ok(false),
        }
    }

    /// Refuses an edition with its reason and ends the job.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn edition_refuse(
        &self,
        claim: &Claim,
        source: i64,
        edition: i64,
        reason: &str,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.execute(
            "UPDATE edition SET state = 'refused', refusal = $1 WHERE source = $2 AND number = $3",
            values![reason, source, edition],
        )
        .await?;
        enqueue(&mut tx, keep_job(source, edition)).await?;
        finish_held(&mut tx, claim).await?;
        tx.commit().await
    }

    /// Removes what an earlier attempt to load a first edition left behind. The lease is looked at between listing and
    /// removing: what was there while it held is nobody else's.
    async fn sweep_files(&self, pen: &Pen<'_>) -> Result<(), StoreError> {
        let folder = self.source_folder();
        let prefix = format!("source-{}-", pen.source);
        let failed = |cause| StoreError::File { path: folder.display().to_string(), cause };
        let mut entries = tokio::fs::read_dir(&folder).await.map_err(failed)?;
        let mut left = Vec::new();
        while let Some(entry) = entries.next_entry().await.map_err(failed)? {
            if entry.file_name().to_string_lossy().starts_with(&prefix) {
                left.push(entry.path());
            }
        }
        pen.hold().await?;
        for path in left {
            tokio::fs::remove_file(path).await.map_err(failed)?;
        }
        Ok(())
    }
}

/// Locks a source, and fails when another edition than the one that was read is in use.
pub(crate) async fn still_in_use(tx: &mut Tx, source: &Source) -> Result<(), StoreError> {
    tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source.number]).await?;
    let sql = "SELECT current_edition FROM source WHERE number = $1";
    let row = tx.fetch_one(sql, values![source.number]).await?;
    let current: Option<i64> = row.map_or(Ok(None), |row| row.get(0))?;
    if current == source.current_edition { Ok(()) } else { Err(StoreError::MovedOn) }
}

/// Makes an edition the one in use and puts up what must then be judged: the houses of the keys, or all.
pub(crate) async fn put_in_use(
    tx: &mut Tx,
    source: &Source,
    edition: i64,
    container: &str,
    changed: Option<Vec<String>>,
    cause: Cause,
) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE edition SET state = 'past' WHERE source = $1 AND state = 'current'",
        values![source.number],
    )
    .await?;
    tx.execute(
        "UPDATE edition SET state = 'current', refusal = '' WHERE source = $1 AND number = $2",
        values![source.number, edition],
    )
    .await?;
    tx.execute(
        "UPDATE source SET current_edition = $1, container = $2 WHERE number = $3",
        values![edition, container, source.number],
    )
    .await?;
    match changed {
        None => to_judge_of_source(tx, source, cause, false).await,
        Some(keys) => to_judge_by_keys(tx, source, &keys, cause, false).await,
    }
}

/// Notes what came of loading an edition: counts, median, the columns of its files, and what it was loaded against.
pub(crate) async fn note_loaded(
    tx: &mut Tx,
    source: &Source,
    edition: i64,
    loaded: &Loaded,
) -> Result<(), StoreError> {
    let counts = &loaded.counts;
    tx.execute(
        "UPDATE edition SET rows_total = $1, rows_entered = $2, rows_repeated = $3, rows_rejected = $4,
                            records_new = $5, records_changed = $6, records_ended = $7, records_unchanged = $8,
                            base = $9, median_um2 = $10
         WHERE source = $11 AND number = $12",
        values![
            counts.rows_total,
            counts.rows_entered,
            counts.rows_repeated,
            counts.rows_rejected,
            counts.records_new,
            counts.records_changed,
            counts.records_ended,
            counts.records_unchanged,
            source.current_edition,
            loaded.median_um2,
            source.number,
            edition
        ],
    )
    .await?;
    for (file, header) in (0i64..).zip(&loaded.headers) {
        let names = serde_json::Value::from(header.as_slice()).to_string();
        let sql = "UPDATE edition_file SET header = $1 WHERE source = $2 AND edition = $3 AND number = $4";
        tx.execute(sql, values![names, source.number, edition, file]).await?;
    }
    Ok(())
}

/// The table of the quarantine with its columns, as [`reject_row`] fills them.
const REJECTS: &str =
    "reject (source, edition, number, file, line, byte_start, byte_length, column_name, reason, detail, raw)";

/// A row of the quarantine; `place` is source, edition and number.
fn reject_row(place: (i64, i64, i64), file: i64, reject: &Reject) -> Vec<Value> {
    values![
        place.0,
        place.1,
        place.2,
        file,
        counted(reject.line),
        counted(reject.byte_start),
        counted(reject.byte_length),
        reject.column.clone(),
        reject.reason.name(),
        &reject.detail,
        kept(&reject.raw)
    ]
}

/// The bytes of a quarantined row, where any were kept.
fn kept(raw: &[u8]) -> Option<Vec<u8>> {
    (!raw.is_empty()).then(|| raw.to_vec())
}

/// A database holds 64-bit numbers with a sign; the bits of the hash are kept.
fn hash_bits(hash: u64) -> i64 {
    i64::from_ne_bytes(hash.to_ne_bytes())
}

/// Line numbers and offsets of real files fit; a larger one is cut off rather than wrapped.
fn counted(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

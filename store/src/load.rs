//! Loading an edition: batches of entries and rejects from a parser, written in bulk, made current by one row.
//!
//! A first edition goes into a container of its own (a file on SQLite, a partition on PostgreSQL), unindexed; the key
//! is added after. Until the last transaction nothing refers to the container, so a crash leaves something to throw
//! away and nothing to mend. A later edition appends only what changed, under its own number, which nobody reads
//! before the same last transaction.

mod append;
mod duplicates;
mod postgres;
mod sqlite;

use crossfoot_roll::check::{ChangeCheck, ChangeChecker, Doubles, DoublesSeen};
use crossfoot_roll::entry::{Entry, Reject};
use tokio::sync::mpsc;

use crate::database::{Database, Tx, Value, values};
use crate::job::{Claim, finish, hold};
use crate::run::{Cause, to_judge_by_keys, to_judge_of_source};
use crate::source::{EditionCounts, Source};
use crate::{Store, StoreError};

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
    container: String,
    /// What came of the rows; `rows_total` is the parser's to say.
    pub counts: EditionCounts,
    /// Rows with the parcel number of an earlier one.
    pub doubles: DoublesSeen,
    /// Areas that changed against the edition before.
    pub changes: ChangeCheck,
}

impl Store {
    /// Loads an edition from a parser. Ends when the sender is dropped; the caller then looks whether the parser
    /// ended well before it makes the edition current.
    ///
    /// # Errors
    /// [`StoreError`]; nothing of the edition is in use then, and loading it again starts afresh.
    /// [`StoreError::Settings`] when a later edition is in use already.
    pub async fn edition_load(
        &self,
        source: &Source,
        edition: i64,
        batches: mpsc::Receiver<LoadBatch>,
    ) -> Result<Loaded, StoreError> {
        if let Some(current) = source.current_edition.filter(|current| *current >= edition) {
            return Err(StoreError::Settings(format!(
                "edition {edition} is older than edition {current}, which is in use: hand it in again if it is to follow it"
            )));
        }
        let layout = self.edition(source.number, edition).await?.layout;
        let doubles = Doubles::new(&layout);
        match (&self.main, source.container.clone()) {
            (_, Some(container)) => {
                let database = self.records(&container).await?;
                let watch = (doubles, ChangeChecker::new(&layout));
                let (counts, doubles, changes) =
                    append::load(&database, source, edition, batches, watch).await?;
                Ok(Loaded { container, counts, doubles, changes })
            }
            (Database::Sqlite { .. }, None) => {
                self.sweep_files(source).await?;
                let container = format!("source-{}-{}.db", source.number, uuid::Uuid::now_v7().simple());
                let path = self.source_file(&container);
                let number = source.number;
                let loading = move || sqlite::load(&path, (number, edition), batches, doubles);
                let (counts, doubles) =
                    tokio::task::spawn_blocking(loading).await.map_err(StoreError::Task)??;
                Ok(Loaded { container, counts, doubles, changes: ChangeCheck::default() })
            }
            (Database::Postgres(pool), None) => {
                postgres::load((&self.main, pool), source.number, edition, batches, doubles).await
            }
        }
    }

    /// Puts a loaded edition in use, with everything that must then be judged, and ends the job: one transaction.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over: the edition is not in use then.
    pub async fn edition_make_current(
        &self,
        claim: &Claim,
        source: &Source,
        edition: i64,
        loaded: &Loaded,
    ) -> Result<(), StoreError> {
        let changed_keys = match source.container.as_deref() {
            Some(container) if self.same_layout(source, edition).await? => {
                Some(append::changed_keys(&self.records(container).await?, source.number, edition).await?)
            }
            _ => None,
        };
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        if source.container.is_none() {
            postgres::attach(&mut tx, source.number, &loaded.container).await?;
        }
        note_counts(&mut tx, source.number, edition, &loaded.counts).await?;
        tx.execute(
            "UPDATE edition SET state = 'past' WHERE source = $1 AND state = 'current'",
            values![source.number],
        )
        .await?;
        tx.execute(
            "UPDATE edition SET state = 'current' WHERE source = $1 AND number = $2",
            values![source.number, edition],
        )
        .await?;
        tx.execute(
            "UPDATE source SET current_edition = $1, container = $2 WHERE number = $3",
            values![edition, &loaded.container, source.number],
        )
        .await?;
        match changed_keys {
            None => to_judge_of_source(&mut tx, source, Cause::Edition).await?,
            Some(keys) => to_judge_by_keys(&mut tx, source, &keys, Cause::Edition).await?,
        }
        finish(&mut tx, claim).await?;
        tx.commit().await
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
        finish(&mut tx, claim).await?;
        tx.commit().await
    }

    /// Removes what an earlier attempt to load a first edition left behind.
    async fn sweep_files(&self, source: &Source) -> Result<(), StoreError> {
        let folder = self.data.join("sources");
        let prefix = format!("source-{}-", source.number);
        let failed = |cause| StoreError::File { path: folder.display().to_string(), cause };
        let mut entries = tokio::fs::read_dir(&folder).await.map_err(failed)?;
        while let Some(entry) = entries.next_entry().await.map_err(failed)? {
            if entry.file_name().to_string_lossy().starts_with(&prefix) {
                tokio::fs::remove_file(entry.path()).await.map_err(failed)?;
            }
        }
        Ok(())
    }
}

async fn note_counts(
    tx: &mut Tx,
    source: i64,
    edition: i64,
    counts: &EditionCounts,
) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE edition SET rows_total = $1, rows_entered = $2, rows_repeated = $3, rows_rejected = $4,
                            records_new = $5, records_changed = $6, records_ended = $7, records_unchanged = $8
         WHERE source = $9 AND number = $10",
        values![
            counts.rows_total,
            counts.rows_entered,
            counts.rows_repeated,
            counts.rows_rejected,
            counts.records_new,
            counts.records_changed,
            counts.records_ended,
            counts.records_unchanged,
            source,
            edition
        ],
    )
    .await?;
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

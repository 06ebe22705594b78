//! Rows in quarantine as work for people: grouped and counted, and mended rows as an edition of the office's own.
//!
//! Editions are facts, so mended rows become an edition on top of the one that they belong to. It ends nothing: what it
//! does not name stays as it is. Who mended, when and why is kept beside it.

use std::collections::BTreeMap;

use crate::access::Visitor;
use crate::audit_log;
use crate::database::{Lock, Row, Tx, numbers, values};
use crate::job::{enqueue, running};
use crate::object::KeptFile;
use crate::record::{RejectView, reject_of};
use crate::source::{EditionArrival, EditionNotes, RollStatus, Source, identity, import_job, insert_edition};
use crate::{Store, StoreError};

/// Who mended rows of an edition, when and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mend {
    /// The edition of the publisher whose rows were mended.
    pub mends: i64,
    /// Who mended them, as that person wants to be named.
    pub mended_by: String,
    /// Why they read as they do.
    pub reason: String,
    /// The key that handed them in.
    pub actor: String,
    /// When, microseconds UTC.
    pub mended_at: i64,
}

/// What is said about mended rows that are handed in.
#[derive(Debug, Clone, Copy)]
pub struct MendNote<'a> {
    /// Who mended them.
    pub mended_by: &'a str,
    /// Why they read as they do.
    pub reason: &'a str,
}

/// What became of mended rows that were handed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MendArrival {
    /// As of any edition.
    Taken(EditionArrival),
    /// The edition is not the one in use, nor the one that the edition in use mends: its rows count no more.
    Overtaken {
        /// The publisher's edition that is in use.
        current: i64,
    },
    /// The edition is held: nobody knows yet whether its rows are to count.
    Held,
}

/// Rows in quarantine for one reason, in one column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RejectGroup {
    /// The reason.
    pub reason: String,
    /// The column, where one is at fault.
    pub column: Option<String>,
    /// How many.
    pub rows: i64,
    /// The first of them.
    pub examples: Vec<RejectView>,
}

/// What a publisher's edition made of the records that were mended before it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct MendsAfter {
    /// Records that had been mended.
    pub mended: i64,
    /// Of them those that the edition no longer has: their rows are in quarantine again, or gone.
    pub ended: i64,
    /// Of them those that the edition has with other figures.
    pub changed: i64,
}

/// Rows shown of each group.
const EXAMPLES: i64 = 3;
/// Records looked at by one statement.
const NUMBERS_A_STATEMENT: usize = 500;

impl Store {
    /// Takes a file of mended rows as an edition on top of the one in use, read by the layout of the edition whose rows
    /// they are.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the source has no such edition.
    pub async fn mend_stage(
        &self,
        source: &Source,
        edition: i64,
        file: &KeptFile,
        note: MendNote<'_>,
        by: &Visitor,
    ) -> Result<MendArrival, StoreError> {
        let mends = self.mend_root(source.number, edition).await?;
        let published = self.edition(source.number, mends).await?;
        let notes = EditionNotes {
            roll_year: published.roll_year.and_then(|year| i32::try_from(year).ok()),
            status: RollStatus::from_name(&published.status).unwrap_or_default(),
            as_of: published.as_of.clone(),
        };
        let files = std::slice::from_ref(file);
        // the same rows may be handed in again for a later edition that has them in quarantine again
        let identity = identity(
            files.iter().map(|file| file.sha256.as_str()),
            &format!("{} mends {mends}", published.layout.version()),
        );
        let mut tx = self.main.begin().await?;
        tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source.number]).await?;
        if let Some((edition, state)) = known(&mut tx, source.number, &identity).await? {
            if state != "staged" {
                return Ok(MendArrival::Taken(EditionArrival::Known { edition, state }));
            }
            // whoever was to load it may have died
            let job = import_job(source.number, edition, false, false);
            let job = match running(&mut tx, &job).await? {
                Some(id) => id,
                None => enqueue(&mut tx, job).await?,
            };
            tx.commit().await?;
            return Ok(MendArrival::Taken(EditionArrival::Staged { edition, job }));
        }
        if is_held(&mut tx, source.number, edition).await? {
            return Ok(MendArrival::Held);
        }
        let current = root_in_use(&mut tx, source.number).await?;
        if current != Some(mends) {
            return Ok(MendArrival::Overtaken { current: current.unwrap_or(0) });
        }
        let number =
            insert_edition(&mut tx, source.number, &published.layout, &identity, files, &notes).await?;
        tx.execute(
            "INSERT INTO edition_mend (source, edition, mends, mended_by, reason, actor, mended_at)
             VALUES ($1, $2, $3, $4, $5, $6, now_us())",
            values![source.number, number, mends, note.mended_by, note.reason, &by.key],
        )
        .await?;
        let subject = format!("source {} edition {number}", source.id);
        let detail = format!("mends edition {mends}, by {}: {}", note.mended_by, note.reason);
        let entry =
            audit_log::Entry { office: None, by, action: "rows_mended", subject: &subject, detail: &detail };
        audit_log::note(&mut tx, entry).await?;
        let job = enqueue(&mut tx, import_job(source.number, number, false, false)).await?;
        tx.commit().await?;
        Ok(MendArrival::Taken(EditionArrival::Staged { edition: number, job }))
    }

    /// Who mended the rows of an edition; `None` for one that was published.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn mend(&self, source: i64, edition: i64) -> Result<Option<Mend>, StoreError> {
        let sql = "SELECT mends, mended_by, reason, actor, mended_at FROM edition_mend
                   WHERE source = $1 AND edition = $2";
        let row = self.main.fetch_one(sql, values![source, edition]).await?;
        row.as_ref().map(mend_of).transpose()
    }

    /// The mends of a source by the edition that they are.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn mends(&self, source: i64) -> Result<BTreeMap<i64, Mend>, StoreError> {
        let sql =
            "SELECT mends, mended_by, reason, actor, mended_at, edition FROM edition_mend WHERE source = $1";
        let rows = self.main.fetch(sql, values![source]).await?;
        rows.iter().map(|row| Ok((row.get(5)?, mend_of(row)?))).collect()
    }

    /// The publisher's edition that an edition mends; the edition itself where it was published.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn mend_root(&self, source: i64, edition: i64) -> Result<i64, StoreError> {
        Ok(self.mend(source, edition).await?.map_or(edition, |mend| mend.mends))
    }

    /// Rows in quarantine of an edition by reason and column, the most frequent first, each with its first rows.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the source has no edition in use.
    pub async fn reject_groups(&self, source: &Source, edition: i64) -> Result<Vec<RejectGroup>, StoreError> {
        let database = self.records_in_use(source).await?;
        let sql = "SELECT number, file, line, column_name, reason, detail, raw, byte_start, byte_length, rows FROM (
                       SELECT number, file, line, column_name, reason, detail, raw, byte_start, byte_length,
                              row_number() OVER (PARTITION BY reason, column_name ORDER BY number) AS place,
                              count(*) OVER (PARTITION BY reason, column_name) AS rows
                       FROM reject WHERE source = $1 AND edition = $2) AS grouped
                   WHERE place <= $3 ORDER BY rows DESC, reason, column_name, number";
        let mut groups: Vec<RejectGroup> = Vec::new();
        for row in database.fetch(sql, values![source.number, edition, EXAMPLES]).await? {
            let reject = reject_of(&row)?;
            match groups.last_mut().filter(|g| g.reason == reject.reason && g.column == reject.column) {
                Some(group) => group.examples.push(reject),
                None => groups.push(RejectGroup {
                    reason: reject.reason.clone(),
                    column: reject.column.clone(),
                    rows: row.get(9)?,
                    examples: vec![reject],
                }),
            }
        }
        Ok(groups)
    }

    /// What a publisher's edition made of the records that were mended between it and the publisher's one before.
    ///
    /// # Errors
    /// As [`Store::reject_groups`].
    pub async fn mends_after(&self, source: &Source, edition: i64) -> Result<MendsAfter, StoreError> {
        let sql = "SELECT edition FROM edition_mend m WHERE source = $1 AND edition < $2 AND edition > (
                       SELECT coalesce(max(e.number), 0) FROM edition e
                       WHERE e.source = $1 AND e.number < $2 AND e.state IN ('current', 'past')
                         AND NOT EXISTS (SELECT 1 FROM edition_mend x WHERE x.source = e.source AND x.edition = e.number))";
        let rows = self.main.fetch(sql, values![source.number, edition]).await?;
        let editions = rows.iter().map(|row| row.get(0)).collect::<Result<Vec<i64>, _>>()?;
        let mut after = MendsAfter::default();
        if editions.is_empty() {
            return Ok(after);
        }
        let database = self.records_in_use(source).await?;
        let sql = "SELECT DISTINCT number FROM record_change
                   WHERE source = $1 AND edition = ANY (numbers($2)) AND what <> 'ended'";
        let rows = database.fetch(sql, vec![source.number.into(), numbers(&editions)]).await?;
        let records = rows.iter().map(|row| row.get(0)).collect::<Result<Vec<i64>, _>>()?;
        after.mended = i64::try_from(records.len()).unwrap_or(i64::MAX);
        for chunk in records.chunks(NUMBERS_A_STATEMENT) {
            let sql = "SELECT what, count(*) FROM record_change
                       WHERE source = $1 AND edition = $2 AND number = ANY (numbers($3)) GROUP BY what";
            let values = vec![source.number.into(), edition.into(), numbers(chunk)];
            for row in database.fetch(sql, values).await? {
                let rows: i64 = row.get(1)?;
                match row.get::<String>(0)?.as_str() {
                    "ended" => after.ended += rows,
                    _ => after.changed += rows,
                }
            }
        }
        Ok(after)
    }
}

/// Mended rows that are here already.
async fn known(tx: &mut Tx, source: i64, identity: &str) -> Result<Option<(i64, String)>, StoreError> {
    let sql = "SELECT number, state FROM edition WHERE source = $1 AND identity = $2 AND state <> 'refused'";
    let row = tx.fetch_one(sql, values![source, identity]).await?;
    row.map(|row| Ok((row.get(0)?, row.get(1)?))).transpose()
}

async fn is_held(tx: &mut Tx, source: i64, edition: i64) -> Result<bool, StoreError> {
    let sql = "SELECT 1 FROM edition WHERE source = $1 AND number = $2 AND state = 'held'";
    Ok(tx.fetch_one(sql, values![source, edition]).await?.is_some())
}

/// The publisher's edition that is in use, with or without mends on top.
async fn root_in_use(tx: &mut Tx, source: i64) -> Result<Option<i64>, StoreError> {
    let sql = "SELECT coalesce((SELECT m.mends FROM edition_mend m
                                WHERE m.source = s.number AND m.edition = s.current_edition), s.current_edition)
               FROM source s WHERE s.number = $1";
    match tx.fetch_one(sql, values![source]).await? {
        Some(row) => row.get(0),
        None => Ok(None),
    }
}

fn mend_of(row: &Row) -> Result<Mend, StoreError> {
    Ok(Mend {
        mends: row.get(0)?,
        mended_by: row.get(1)?,
        reason: row.get(2)?,
        actor: row.get(3)?,
        mended_at: row.get(4)?,
    })
}

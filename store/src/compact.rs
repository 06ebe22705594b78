//! Folding changes into the base: the newest version of each record up to the last edition that cannot be withdrawn
//! any more becomes its row of the base, and what it replaces goes to the past, which is read for history only. No
//! version is lost, and a reader of an edition in use sees the same before, between and after: each batch is one
//! transaction on the records.

use serde_json::json;

use crate::database::{Database, Tx, Value, numbers, values};
use crate::job::{Claim, JobKind, NewJob, commit_held, enqueue, hold};
use crate::load::pen::Pen;
use crate::load::still_in_use;
use crate::record::CONTENT;
use crate::source::Source;
use crate::{Store, StoreError};

/// Records folded in one transaction.
const RECORDS_A_BATCH: i64 = 2000;

/// Fewer changes cost no reader anything, whatever their share.
const CHANGES_MIN: i64 = 10_000;

/// How far a folding goes, and where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folding {
    /// Up to this edition.
    to: i64,
    /// Records up to this number are done.
    after: i64,
    begun: bool,
}

impl Store {
    /// Asks for the changes of a source to be folded into the base, if they are more than its limit of the records.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn compaction_ask_when_due(&self, source: &Source) -> Result<Option<String>, StoreError> {
        let share = self.limits(source.number).await?.compact_share;
        let sql = "SELECT coalesce(sum(CASE WHEN e.state = 'past' AND e.number > s.folded_to AND e.base IS NOT NULL
                                        THEN e.records_new + e.records_changed + e.records_ended ELSE 0 END), 0),
                          coalesce(max(CASE WHEN e.state = 'current' THEN e.rows_entered ELSE 0 END), 0)
                   FROM edition e JOIN source s ON s.number = e.source WHERE e.source = $1";
        let sql = match self.main {
            Database::Sqlite { .. } => sql.to_owned(),
            Database::Postgres(_) => sql.replace("END), 0)", "END), 0)::bigint"),
        };
        let Some(row) = self.main.fetch_one(&sql, values![source.number]).await? else { return Ok(None) };
        let (changes, records): (i64, i64) = (row.get(0)?, row.get(1)?);
        if changes < CHANGES_MIN || changes as f64 <= share * records as f64 {
            return Ok(None);
        }
        self.compaction_ask(source).await.map(Some)
    }

    /// Asks for the changes of a source to be folded into the base; gives the job.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn compaction_ask(&self, source: &Source) -> Result<String, StoreError> {
        let mut tx = self.main.begin().await?;
        let job = NewJob {
            office: None,
            kind: JobKind::Compact,
            payload: json!({ "source": source.number }),
            dedup_key: format!("compact:{}", source.number),
            // it writes where an import writes
            exclusive_key: format!("import:{}", source.number),
        };
        let id = enqueue(&mut tx, job).await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Begins to fold up to the edition before the one in use: from now on the one in use can be withdrawn, and no
    /// edition before it. Nothing where there is no such edition.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn compaction_begin(
        &self,
        claim: &Claim,
        source: &Source,
    ) -> Result<Option<Folding>, StoreError> {
        let given = self.highest_number(source).await?;
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        still_in_use(&mut tx, source).await?;
        let sql = "SELECT max(number) FROM edition WHERE source = $1 AND state = 'past' AND number < $2";
        let row = tx.fetch_one(sql, values![source.number, source.current_edition.unwrap_or(0)]).await?;
        let before: Option<i64> = row.map_or(Ok(None), |row| row.get(0))?;
        let Some(to) = before.max((source.folded_to > 0).then_some(source.folded_to)) else {
            return Ok(None);
        };
        tx.execute("UPDATE source SET folded_to = $1 WHERE number = $2", values![to, source.number]).await?;
        // the highest number may belong to a record that is gone, and is not given again
        let sql = "UPDATE source SET numbers_given = $1 WHERE number = $2 AND numbers_given < $1";
        tx.execute(sql, values![given, source.number]).await?;
        commit_held(tx, claim).await?;
        Ok(Some(Folding { to, after: 0, begun: false }))
    }

    /// Folds the next records; false when there are none left.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn compaction_step(
        &self,
        claim: &Claim,
        source: &Source,
        folding: &mut Folding,
    ) -> Result<bool, StoreError> {
        let Some(container) = source.container.as_deref() else { return Ok(false) };
        let records = self.records(container).await?;
        let pen = Pen { main: &self.main, claim, source: source.number };
        let mut tx = if folding.begun { pen.begin(&records).await? } else { pen.take(&records).await? };
        folding.begun = true;
        let sql = "SELECT DISTINCT number FROM record_change
                   WHERE source = $1 AND edition <= $2 AND number > $3 ORDER BY number LIMIT $4";
        let values = values![source.number, folding.to, folding.after, RECORDS_A_BATCH];
        let rows = tx.fetch(sql, values).await?;
        let list = rows.iter().map(|row| row.get(0)).collect::<Result<Vec<i64>, _>>()?;
        if let Some(last) = list.last() {
            fold(&mut tx, source.number, folding.to, &list).await?;
            folding.after = *last;
        }
        pen.commit(tx).await?;
        if list.is_empty() {
            records.analyze("record_change").await?;
        }
        Ok(!list.is_empty())
    }
}

/// Folds the changes of some records up to an edition.
async fn fold(tx: &mut Tx, source: i64, to: i64, list: &[i64]) -> Result<(), StoreError> {
    let values = || -> Vec<Value> { vec![source.into(), to.into(), numbers(list)] };
    let newest = "c.edition = (SELECT max(n.edition) FROM record_change n
                               WHERE n.source = $1 AND n.number = c.number AND n.edition <= $2)";
    let mine = "c.source = $1 AND c.edition <= $2 AND c.number = ANY (numbers($3))";
    // the base as it was, then what came between, and the ends, to the past
    let was = format!(
        "INSERT INTO record_past (source, edition, number, what, {CONTENT})
         SELECT b.source, b.since_edition, b.number,
                CASE WHEN EXISTS (SELECT 1 FROM record_past p WHERE p.source = $1 AND p.number = b.number)
                     THEN 'changed' ELSE 'new' END, {}
         FROM record b WHERE b.source = $1 AND 0 < $2 AND b.number = ANY (numbers($3))",
        of("b")
    );
    let between = format!(
        "INSERT INTO record_past (source, edition, number, what, {CONTENT})
         SELECT c.source, c.edition, c.number, c.what, {} FROM record_change c
         WHERE {mine} AND (c.what = 'ended' OR NOT {newest})",
        of("c")
    );
    let off = "DELETE FROM record WHERE source = $1 AND 0 < $2 AND number = ANY (numbers($3))";
    let into = format!(
        "INSERT INTO record (source, number, since_edition, {CONTENT})
         SELECT c.source, c.number, c.edition, {} FROM record_change c
         WHERE {mine} AND c.what <> 'ended' AND {newest}",
        of("c")
    );
    let done = "DELETE FROM record_change WHERE source = $1 AND edition <= $2 AND number = ANY (numbers($3))";
    for sql in [was.as_str(), between.as_str(), off, into.as_str(), done] {
        tx.execute(sql, values()).await?;
    }
    Ok(())
}

/// The columns of a version, each of a table.
fn of(table: &str) -> String {
    CONTENT.split(", ").map(|column| format!("{table}.{}", column.trim())).collect::<Vec<_>>().join(", ")
}

//! What happened since a moment: editions that came, runs, jobs that failed, notices. The report of a night is made
//! of these, and of the schedules.

use crate::database::{Row, values};
use crate::run::RunCounts;
use crate::source::EditionCounts;
use crate::{Store, StoreError};

/// An edition that was received, or that is still loading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EditionNews {
    /// The source's name.
    pub source: String,
    /// Its number within the source.
    pub number: i64,
    /// `staged`, `current`, `past` or `refused`.
    pub state: String,
    /// Names of its files, as received.
    pub files: Vec<String>,
    /// When it was received, microseconds UTC.
    pub received_at: i64,
    /// What came of loading it.
    pub counts: EditionCounts,
    /// Why it was refused, or empty.
    pub refusal: String,
}

/// A run that began, or ended.
#[derive(Debug, Clone, PartialEq)]
pub struct RunNews {
    /// Its id.
    pub id: String,
    /// The source's name.
    pub source: String,
    /// Why it ran.
    pub cause: String,
    /// `counting`, `applying`, `held` or `done`.
    pub state: String,
    /// The edition that it read.
    pub edition: i64,
    /// What it did, or would have done where it is held.
    pub counts: RunCounts,
    /// When it began, microseconds UTC.
    pub started_at: i64,
    /// When it ended.
    pub ended_at: Option<i64>,
}

/// A job that was given up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FailedJob {
    /// Its id.
    pub id: String,
    /// `import` or `reconcile`.
    pub kind: String,
    /// The source's name, where it is about one.
    pub source: Option<String>,
    /// Why.
    pub reason: String,
    /// When, microseconds UTC.
    pub ended_at: i64,
}

impl Store {
    /// The database's clock, microseconds UTC: the only one that machines agree on.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn clock_us(&self) -> Result<i64, StoreError> {
        let row = self.main.fetch_one("SELECT now_us()", values![]).await?;
        row.ok_or_else(|| StoreError::Missing { what: "clock", id: "now_us".to_owned() })?.get(0)
    }

    /// Editions received since a moment, by source and number.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn report_editions(&self, since: i64) -> Result<Vec<EditionNews>, StoreError> {
        let sql = "SELECT s.id, e.number, e.state, e.received_at, e.refusal, e.rows_total, e.rows_entered, e.rows_repeated,
                          e.rows_rejected, e.records_new, e.records_changed, e.records_ended, e.records_unchanged, f.name,
                          f.within
                   FROM edition e JOIN source s ON s.number = e.source
                   LEFT JOIN edition_file f ON f.source = e.source AND f.edition = e.number
                   WHERE e.received_at >= $1 ORDER BY s.id, e.number, f.number";
        let mut editions: Vec<EditionNews> = Vec::new();
        for row in self.main.fetch(sql, values![since]).await? {
            let (file, within): (Option<String>, Option<String>) = (row.get(13)?, row.get(14)?);
            let (source, number): (String, i64) = (row.get(0)?, row.get(1)?);
            match editions.last_mut() {
                Some(last) if last.source == source && last.number == number => {
                    // the texts of a file stand beside each other
                    let again = within.is_some() && last.files.last() == file.as_ref();
                    last.files.extend(file.filter(|_| !again));
                }
                Some(_) | None => editions.push(edition_of(&row, source, number, file)?),
            }
        }
        Ok(editions)
    }

    /// Runs of an office that ended since a moment or have not ended, by source and time.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn report_runs(&self, office: &str, since: i64) -> Result<Vec<RunNews>, StoreError> {
        let sql = "SELECT r.id, s.id, r.cause, r.state, r.edition, r.counts, r.started_at, r.ended_at
                   FROM run r JOIN source s ON s.number = r.source
                   WHERE r.office = $1 AND (r.started_at >= $2 OR r.ended_at >= $2) ORDER BY s.id, r.started_at, r.id";
        self.main.fetch(sql, values![office, since]).await?.iter().map(run_of).collect()
    }

    /// Jobs of an office or of the installation that were given up since a moment, the oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn report_failures(&self, office: &str, since: i64) -> Result<Vec<FailedJob>, StoreError> {
        let sql = "SELECT id, kind, payload, reason, ended_at FROM job
                   WHERE state = 'failed' AND ended_at >= $1 AND (office IS NULL OR office = $2) ORDER BY ended_at, id";
        let sources = self.source_list().await?;
        let rows = self.main.fetch(sql, values![since, office]).await?;
        rows.iter()
            .map(|row| {
                let payload: serde_json::Value = serde_json::from_str(&row.get::<String>(2)?)
                    .map_err(|e| StoreError::Damaged { what: "payload of a job", why: e.to_string() })?;
                let number = payload.get("source").and_then(serde_json::Value::as_i64);
                let source = sources.iter().find(|source| Some(source.number) == number);
                Ok(FailedJob {
                    id: row.get(0)?,
                    kind: row.get(1)?,
                    source: source.map(|source| source.id.clone()),
                    reason: row.get(3)?,
                    ended_at: row.get(4)?,
                })
            })
            .collect()
    }
}

fn edition_of(
    row: &Row,
    source: String,
    number: i64,
    file: Option<String>,
) -> Result<EditionNews, StoreError> {
    Ok(EditionNews {
        source,
        number,
        state: row.get(2)?,
        files: file.into_iter().collect(),
        received_at: row.get(3)?,
        refusal: row.get(4)?,
        counts: EditionCounts {
            rows_total: row.get(5)?,
            rows_entered: row.get(6)?,
            rows_repeated: row.get(7)?,
            rows_rejected: row.get(8)?,
            records_new: row.get(9)?,
            records_changed: row.get(10)?,
            records_ended: row.get(11)?,
            records_unchanged: row.get(12)?,
        },
    })
}

fn run_of(row: &Row) -> Result<RunNews, StoreError> {
    Ok(RunNews {
        id: row.get(0)?,
        source: row.get(1)?,
        cause: row.get(2)?,
        state: row.get(3)?,
        edition: row.get(4)?,
        counts: serde_json::from_str(&row.get::<String>(5)?)
            .map_err(|e| StoreError::Damaged { what: "counts of a run", why: e.to_string() })?,
        started_at: row.get(6)?,
        ended_at: row.get(7)?,
    })
}

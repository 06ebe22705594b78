//! Where a source is fetched from, when, and what last came of it.

use serde_json::json;

use crate::database::{Row, values};
use crate::job::{JobKind, NewJob, enqueue};
use crate::{Store, StoreError};

/// How a source is fetched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFetch {
    /// The source, by number.
    pub source: i64,
    /// Where its file is published.
    pub url: String,
    /// Where the publisher keeps its checksum, or empty.
    pub checksum_url: String,
    /// The layout by which it is read, as TOML.
    pub layout: String,
    /// Bytes that it may have at the most.
    pub bytes_max: i64,
    /// When: a cron expression; empty when it is fetched on demand only.
    pub cron: String,
    /// In which time zone.
    pub time_zone: String,
    /// When it is next due, microseconds UTC.
    pub next_at: Option<i64>,
    /// `ETag` of the file that was last taken, or empty.
    pub etag: String,
    /// `Last-Modified` of it, or empty.
    pub last_modified: String,
    /// When it was last tried.
    pub tried_at: Option<i64>,
    /// What came of it, or empty.
    pub result: String,
}

const FETCH: &str = "source, url, checksum_url, layout, bytes_max, cron, time_zone, next_at, etag, last_modified, tried_at, \
                     result";

impl Store {
    /// Says how a source is fetched. What is known of the file published before is forgotten, so that it is fetched
    /// whatever the publisher says has changed.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_put(&self, fetch: &SourceFetch) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute(
            "INSERT INTO source_fetch (source, url, checksum_url, layout, bytes_max, cron, time_zone, next_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
             ON CONFLICT (source) DO UPDATE SET url = excluded.url, checksum_url = excluded.checksum_url,
                 layout = excluded.layout, bytes_max = excluded.bytes_max, cron = excluded.cron,
                 time_zone = excluded.time_zone, next_at = excluded.next_at, etag = '', last_modified = ''",
            values![
                fetch.source,
                &fetch.url,
                &fetch.checksum_url,
                &fetch.layout,
                fetch.bytes_max,
                &fetch.cron,
                &fetch.time_zone,
                fetch.next_at
            ],
        )
        .await?;
        tx.commit().await
    }

    /// Fetches a source no more; false when it was not.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_remove(&self, source: i64) -> Result<bool, StoreError> {
        let mut tx = self.main.begin().await?;
        let removed = tx.execute("DELETE FROM source_fetch WHERE source = $1", values![source]).await?;
        tx.commit().await?;
        Ok(removed == 1)
    }

    /// How a source is fetched, if it is.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_of(&self, source: i64) -> Result<Option<SourceFetch>, StoreError> {
        let sql = format!("SELECT {FETCH} FROM source_fetch WHERE source = $1");
        self.main.fetch_one(&sql, values![source]).await?.as_ref().map(fetch_of).transpose()
    }

    /// Every source that is fetched.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_list(&self) -> Result<Vec<SourceFetch>, StoreError> {
        let sql = format!("SELECT {FETCH} FROM source_fetch ORDER BY source");
        self.main.fetch(&sql, values![]).await?.iter().map(fetch_of).collect()
    }

    /// Sources that are due to be fetched.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_due(&self) -> Result<Vec<SourceFetch>, StoreError> {
        let sql =
            format!("SELECT {FETCH} FROM source_fetch WHERE next_at <= now_us() ORDER BY next_at, source");
        self.main.fetch(&sql, values![]).await?.iter().map(fetch_of).collect()
    }

    /// Takes a fetch that is due: its next time and its job are written together, by one process. None when another one
    /// was first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_take(&self, fetch: &SourceFetch, next_at: i64) -> Result<Option<String>, StoreError> {
        let mut tx = self.main.begin().await?;
        let sql = "UPDATE source_fetch SET next_at = $1 WHERE source = $2 AND next_at = $3";
        if tx.execute(sql, values![next_at, fetch.source, fetch.next_at]).await? == 0 {
            return Ok(None);
        }
        let job = enqueue(&mut tx, fetch_job(fetch.source)).await?;
        tx.commit().await?;
        Ok(Some(job))
    }

    /// Asks for a source to be fetched now; gives the job.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_request(&self, source: i64) -> Result<String, StoreError> {
        let mut tx = self.main.begin().await?;
        let job = enqueue(&mut tx, fetch_job(source)).await?;
        // one that waits after a failure waits no longer
        tx.execute("UPDATE job SET not_before = 0 WHERE id = $1 AND state = 'queued'", values![&job]).await?;
        tx.commit().await?;
        Ok(job)
    }

    /// Jobs that load editions of a source and have not ended, the oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn import_jobs(&self, source: i64) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT id FROM job WHERE kind = 'import' AND exclusive_key = $1 AND state IN ('queued', 'running')
                   ORDER BY created_at, id";
        let rows = self.main.fetch(sql, values![format!("import:{source}")]).await?;
        rows.iter().map(|row| row.get(0)).collect()
    }

    /// Notes what came of fetching from an address; `validators` are `ETag` and `Last-Modified` of a file that was taken.
    /// An address that was changed meanwhile has a beginning of its own.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn fetch_noted(
        &self,
        fetch: &SourceFetch,
        result: &str,
        validators: Option<(&str, &str)>,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        let sql = "UPDATE source_fetch SET result = $1, tried_at = now_us() WHERE source = $2 AND url = $3";
        tx.execute(sql, values![result, fetch.source, &fetch.url]).await?;
        if let Some((etag, last_modified)) = validators {
            let sql = "UPDATE source_fetch SET etag = $1, last_modified = $2
                       WHERE source = $3 AND url = $4 AND layout = $5";
            tx.execute(sql, values![etag, last_modified, fetch.source, &fetch.url, &fetch.layout]).await?;
        }
        tx.commit().await
    }
}

fn fetch_job(source: i64) -> NewJob {
    NewJob {
        office: None,
        kind: JobKind::Fetch,
        payload: json!({ "source": source }),
        dedup_key: format!("fetch:{source}"),
        exclusive_key: format!("fetch:{source}"),
    }
}

fn fetch_of(row: &Row) -> Result<SourceFetch, StoreError> {
    Ok(SourceFetch {
        source: row.get(0)?,
        url: row.get(1)?,
        checksum_url: row.get(2)?,
        layout: row.get(3)?,
        bytes_max: row.get(4)?,
        cron: row.get(5)?,
        time_zone: row.get(6)?,
        next_at: row.get(7)?,
        etag: row.get(8)?,
        last_modified: row.get(9)?,
        tried_at: row.get(10)?,
        result: row.get(11)?,
    })
}

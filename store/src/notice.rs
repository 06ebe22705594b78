//! Notices: events of a source or an edition, not of a house.

use crate::database::values;
use crate::{Store, StoreError};

/// A notice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// Its id, in the order of time.
    pub id: String,
    /// The office it is for; none for all.
    pub office: Option<String>,
    /// The source it is about, by name.
    pub source: Option<String>,
    /// What kind of event: `edition`, `edition_refused`, `run_held`, `schedule_failed` and the like.
    pub kind: String,
    /// The event as a sentence.
    pub detail: String,
    /// When, microseconds UTC.
    pub at: i64,
}

impl Store {
    /// Writes a notice.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn notice_write(
        &self,
        office: Option<&str>,
        source: Option<i64>,
        kind: &str,
        detail: &str,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute(
            "INSERT INTO notice (id, office, source, kind, detail, at) VALUES ($1, $2, $3, $4, $5, now_us())",
            values![uuid::Uuid::now_v7().to_string(), office, source, kind, detail],
        )
        .await?;
        tx.commit().await
    }

    /// Notices that concern an office before one of them, newest first; begin with an empty text.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn notice_page(
        &self,
        office: &str,
        before: &str,
        limit: i64,
    ) -> Result<Vec<Notice>, StoreError> {
        let sql = "SELECT n.id, n.office, s.id, n.kind, n.detail, n.at FROM notice n LEFT JOIN source s ON s.number = n.source
                   WHERE (n.office IS NULL OR n.office = $1) AND ($2 = '' OR n.id < $2) ORDER BY n.id DESC LIMIT $3";
        let rows = self.main.fetch(sql, values![office, before, limit]).await?;
        rows.iter()
            .map(|row| {
                Ok(Notice {
                    id: row.get(0)?,
                    office: row.get(1)?,
                    source: row.get(2)?,
                    kind: row.get(3)?,
                    detail: row.get(4)?,
                    at: row.get(5)?,
                })
            })
            .collect()
    }
}

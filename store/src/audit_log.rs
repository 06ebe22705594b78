//! Who did what: appended with the change itself, never altered.

use crate::access::Visitor;
use crate::database::{Row, Tx, texts, values};
use crate::{Store, StoreError};

/// An entry as it is listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogEntry {
    /// Its id, in the order of time.
    pub id: String,
    /// When, microseconds UTC.
    pub at: i64,
    /// The key that did it.
    pub actor: String,
    /// What was done.
    pub action: String,
    /// To what.
    pub subject: String,
    /// Further words.
    pub detail: String,
}

/// An entry to be written.
pub(crate) struct Entry<'a> {
    pub(crate) office: Option<&'a str>,
    pub(crate) by: &'a Visitor,
    pub(crate) action: &'a str,
    pub(crate) subject: &'a str,
    pub(crate) detail: &'a str,
}

/// Writes an entry within the transaction of the change.
pub(crate) async fn note(tx: &mut Tx, entry: Entry<'_>) -> Result<(), StoreError> {
    tx.execute(
        "INSERT INTO audit_log (id, at, office, actor, action, subject, detail) VALUES ($1, now_us(), $2, $3, $4, $5, $6)",
        values![
            uuid::Uuid::now_v7().to_string(),
            entry.office,
            &entry.by.key,
            entry.action,
            entry.subject,
            entry.detail
        ],
    )
    .await?;
    Ok(())
}

impl Store {
    /// Writes an entry for something that was done elsewhere.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn log_note(
        &self,
        office: Option<&str>,
        by: &Visitor,
        action: &str,
        subject: &str,
        detail: &str,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        note(&mut tx, Entry { office, by, action, subject, detail }).await?;
        tx.commit().await
    }

    /// The log of an office before an entry, newest first; begin with an empty text.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn log_page(
        &self,
        office: &str,
        before: &str,
        limit: i64,
    ) -> Result<Vec<LogEntry>, StoreError> {
        let sql = "SELECT id, at, actor, action, subject, detail FROM audit_log
                   WHERE office = $1 AND ($2 = '' OR id < $2) ORDER BY id DESC LIMIT $3";
        let rows = self.main.fetch(sql, values![office, before, limit]).await?;
        rows.iter().map(entry_of).collect()
    }

    /// The installation's own entries about a subject with one of these actions, oldest first.
    pub(crate) async fn log_of(&self, subject: &str, actions: &[&str]) -> Result<Vec<LogEntry>, StoreError> {
        let sql = "SELECT id, at, actor, action, subject, detail FROM audit_log
                   WHERE office IS NULL AND subject = $1 AND action = ANY (texts($2)) ORDER BY id";
        let rows = self.main.fetch(sql, vec![subject.into(), texts(actions.iter().copied())]).await?;
        rows.iter().map(entry_of).collect()
    }
}

fn entry_of(row: &Row) -> Result<LogEntry, StoreError> {
    Ok(LogEntry {
        id: row.get(0)?,
        at: row.get(1)?,
        actor: row.get(2)?,
        action: row.get(3)?,
        subject: row.get(4)?,
        detail: row.get(5)?,
    })
}

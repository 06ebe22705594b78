//! What jurisdictions say about a year, in versions: a later document supersedes, the earlier ones stay.

use crossfoot_audit::jurisdiction::JurisdictionYear;

use crate::access::Visitor;
use crate::audit_log;
use crate::database::{Row, values};
use crate::{Backend, Store, StoreError};

/// A version of what is known of a jurisdiction's year.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptYear {
    /// The version, from 1.
    pub version: i64,
    /// The values with their sources.
    pub year: JurisdictionYear,
    /// The key that entered it.
    pub actor: String,
    /// What that key is for, in its office's words.
    pub label: String,
    /// When, microseconds UTC.
    pub saved_at: i64,
}

const NEWEST: &str = "SELECT y.version, y.document, y.actor, y.label, y.saved_at FROM jurisdiction_year y
    WHERE y.version = (SELECT max(n.version) FROM jurisdiction_year n
                       WHERE n.jurisdiction = y.jurisdiction AND n.year = y.year)";

impl Store {
    /// Saves what is known of a jurisdiction's year as its next version. The same document as the newest is not saved
    /// again.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn jurisdiction_year_save(
        &self,
        year: &JurisdictionYear,
        by: &Visitor,
    ) -> Result<i64, StoreError> {
        let document = serde_json::to_string(year).map_err(|e| damaged(&e))?;
        let mut tx = self.main.begin().await?;
        if self.backend() == Backend::Postgres {
            // two new versions at the same moment would take the same number
            tx.execute("LOCK TABLE jurisdiction_year IN SHARE ROW EXCLUSIVE MODE", values![]).await?;
        }
        let sql = format!("{NEWEST} AND y.jurisdiction = $1 AND y.year = $2");
        let newest = tx.fetch_one(&sql, values![&year.jurisdiction, i64::from(year.year)]).await?;
        let newest = newest.as_ref().map(read).transpose()?;
        if let Some(newest) = newest.as_ref().filter(|newest| newest.year == *year) {
            return Ok(newest.version);
        }
        let version = newest.map_or(0, |newest| newest.version) + 1;
        tx.execute(
            "INSERT INTO jurisdiction_year (jurisdiction, year, version, document, actor, label, saved_at)
             VALUES ($1, $2, $3, $4, $5, $6, now_us())",
            values![&year.jurisdiction, i64::from(year.year), version, document, &by.key, &by.label],
        )
        .await?;
        let subject = format!("jurisdiction {} {}", year.jurisdiction, year.year);
        let detail = format!("version {version}");
        let entry = audit_log::Entry {
            office: None,
            by,
            action: "jurisdiction_year_saved",
            subject: &subject,
            detail: &detail,
        };
        audit_log::note(&mut tx, entry).await?;
        tx.commit().await?;
        Ok(version)
    }

    /// The newest version of each year of a jurisdiction, the latest year first; of all jurisdictions for an empty name.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when one cannot be read back.
    pub async fn jurisdiction_years(&self, jurisdiction: &str) -> Result<Vec<KeptYear>, StoreError> {
        let sql =
            format!("{NEWEST} AND ($1 = '' OR y.jurisdiction = $1) ORDER BY y.jurisdiction, y.year DESC");
        self.main.fetch(&sql, values![jurisdiction]).await?.iter().map(read).collect()
    }

    /// Every version of a jurisdiction's year, the newest first.
    ///
    /// # Errors
    /// As [`Store::jurisdiction_years`].
    pub async fn jurisdiction_year_versions(
        &self,
        jurisdiction: &str,
        year: i64,
    ) -> Result<Vec<KeptYear>, StoreError> {
        let sql = "SELECT version, document, actor, label, saved_at FROM jurisdiction_year
                   WHERE jurisdiction = $1 AND year = $2 ORDER BY version DESC";
        self.main.fetch(sql, values![jurisdiction, year]).await?.iter().map(read).collect()
    }
}

fn read(row: &Row) -> Result<KeptYear, StoreError> {
    Ok(KeptYear {
        version: row.get(0)?,
        year: serde_json::from_str(&row.get::<String>(1)?).map_err(|e| damaged(&e))?,
        actor: row.get(2)?,
        label: row.get(3)?,
        saved_at: row.get(4)?,
    })
}

fn damaged(error: &serde_json::Error) -> StoreError {
    StoreError::Damaged { what: "year of a jurisdiction", why: error.to_string() }
}

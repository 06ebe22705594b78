//! Definitions of floor area that an office added, in versions. Those that come with the program are not kept here.

use crossfoot_audit::standard::Standard;

use crate::database::{Lock, Row, Tx, values};
use crate::run::{Cause, hold_sources, to_judge_of_basis};
use crate::{Store, StoreError};

/// A definition of an office's own, with its version from 1 on.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnStandard {
    /// The version.
    pub version: i64,
    /// The definition; its id without the version.
    pub standard: Standard,
    /// When it was saved, in microseconds since 1970.
    pub saved_at: i64,
}

/// The name that a judgement keeps of an own definition: `id@version`. A built-in one is named by its id alone.
#[must_use]
pub fn versioned_name(id: &str, version: i64) -> String {
    format!("{id}@{version}")
}

/// The id and the version in a name that a judgement keeps; version 0 for a name without one.
#[must_use]
pub fn parse_versioned_name(name: &str) -> (&str, i64) {
    name.split_once('@').and_then(|(id, version)| Some((id, version.parse().ok()?))).unwrap_or((name, 0))
}

const NEWEST: &str =
    "SELECT s.version, s.document, s.saved_at FROM standard s WHERE s.office = $1 AND s.version =
    (SELECT max(n.version) FROM standard n WHERE n.office = s.office AND n.id = s.id)";

impl Store {
    /// Saves a definition as the next version of its id, beside the earlier ones, and puts up what is judged by that
    /// id. The same definition as the newest is not saved again.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn standard_save(&self, office: &str, standard: &Standard) -> Result<i64, StoreError> {
        let document = serde_json::to_string(standard)
            .map_err(|e| StoreError::Damaged { what: "standard", why: e.to_string() })?;
        let mut tx = self.main.begin().await?;
        hold_sources(&mut tx).await?;
        // a batch holds this row shared while it looks whether the version that it judged by is the newest
        tx.lock(Lock::Alone, "SELECT id FROM office WHERE id = $1", values![office]).await?;
        let newest = newest(&mut tx, office, &standard.id).await?;
        if let Some(newest) = newest.as_ref().filter(|newest| newest.standard == *standard) {
            return Ok(newest.version);
        }
        let version = newest.map_or(0, |newest| newest.version) + 1;
        tx.execute(
            "INSERT INTO standard (office, id, version, document, saved_at) VALUES ($1, $2, $3, $4, now_us())",
            values![office, &standard.id, version, document],
        )
        .await?;
        to_judge_of_basis(&mut tx, office, &standard.id, Cause::Policy).await?;
        tx.commit().await?;
        Ok(version)
    }

    /// The newest version of each definition of an office, by id.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when one cannot be read back.
    pub async fn standard_list(&self, office: &str) -> Result<Vec<OwnStandard>, StoreError> {
        let sql = format!("{NEWEST} ORDER BY s.id");
        self.main.fetch(&sql, values![office]).await?.iter().map(read).collect()
    }

    /// The newest version of one definition of an office.
    ///
    /// # Errors
    /// As [`Store::standard_list`].
    pub async fn standard_in_force(&self, office: &str, id: &str) -> Result<Option<OwnStandard>, StoreError> {
        let sql = format!("{NEWEST} AND s.id = $2");
        self.main.fetch_one(&sql, values![office, id]).await?.as_ref().map(read).transpose()
    }

    /// One version of a definition of an office.
    ///
    /// # Errors
    /// As [`Store::standard_list`].
    pub async fn standard_of_version(
        &self,
        office: &str,
        id: &str,
        version: i64,
    ) -> Result<Option<OwnStandard>, StoreError> {
        let sql =
            "SELECT version, document, saved_at FROM standard WHERE office = $1 AND id = $2 AND version = $3";
        self.main.fetch_one(sql, values![office, id, version]).await?.as_ref().map(read).transpose()
    }
}

async fn newest(tx: &mut Tx, office: &str, id: &str) -> Result<Option<OwnStandard>, StoreError> {
    let sql = format!("{NEWEST} AND s.id = $2");
    tx.fetch_one(&sql, values![office, id]).await?.as_ref().map(read).transpose()
}

fn read(row: &Row) -> Result<OwnStandard, StoreError> {
    let standard = serde_json::from_str(&row.get::<String>(1)?)
        .map_err(|e| StoreError::Damaged { what: "standard", why: e.to_string() })?;
    Ok(OwnStandard { version: row.get(0)?, standard, saved_at: row.get(2)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_taken_apart_as_it_was_put_together() {
        assert_eq!(parse_versioned_name(&versioned_name("town-area", 12)), ("town-area", 12));
        assert_eq!(parse_versioned_name("woflv"), ("woflv", 0));
        assert_eq!(parse_versioned_name("odd@"), ("odd@", 0));
    }
}

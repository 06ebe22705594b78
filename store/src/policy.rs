//! Policies of an office, in versions.

use crossfoot_audit::judge::policy::Policy;

use crate::database::{Lock, Tx, values};
use crate::run::{Cause, hold_sources, to_judge_everything};
use crate::{Store, StoreError};

/// A policy with its version. Version 0 is the default that every office has before it saves one.
#[derive(Debug, Clone, PartialEq)]
pub struct VersionedPolicy {
    /// The version.
    pub version: i64,
    /// The policy.
    pub policy: Policy,
}

impl Store {
    /// Saves a policy as the office's next version and puts everything up to be judged again. The same policy as
    /// the one in force is not saved again.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn policy_save(&self, office: &str, policy: &Policy) -> Result<i64, StoreError> {
        let document = serde_json::to_string(policy)
            .map_err(|e| StoreError::Damaged { what: "policy", why: e.to_string() })?;
        let mut tx = self.main.begin().await?;
        hold_sources(&mut tx).await?;
        tx.lock(Lock::Alone, "SELECT id FROM office WHERE id = $1", values![office]).await?;
        let in_force = newest(&mut tx, office).await?;
        if in_force.policy == *policy {
            return Ok(in_force.version);
        }
        let version = in_force.version + 1;
        tx.execute(
            "INSERT INTO policy (office, version, document, saved_at) VALUES ($1, $2, $3, now_us())",
            values![office, version, document],
        )
        .await?;
        to_judge_everything(&mut tx, office, Cause::Policy).await?;
        tx.commit().await?;
        Ok(version)
    }

    /// The policy in force.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when it cannot be read back.
    pub async fn policy_in_force(&self, office: &str) -> Result<VersionedPolicy, StoreError> {
        self.policy_of_version(office, i64::MAX).await
    }

    /// The policy of a version, or the newest before it.
    ///
    /// # Errors
    /// As [`Store::policy_in_force`].
    pub async fn policy_of_version(&self, office: &str, version: i64) -> Result<VersionedPolicy, StoreError> {
        let sql = "SELECT version, document FROM policy WHERE office = $1 AND version <= $2 ORDER BY version DESC LIMIT 1";
        let row = self.main.fetch_one(sql, values![office, version]).await?;
        row.map_or_else(|| Ok(before_any()), |row| read(row.get(0)?, &row.get::<String>(1)?))
    }
}

async fn newest(tx: &mut Tx, office: &str) -> Result<VersionedPolicy, StoreError> {
    let sql = "SELECT version, document FROM policy WHERE office = $1 ORDER BY version DESC LIMIT 1";
    let row = tx.fetch_one(sql, values![office]).await?;
    row.map_or_else(|| Ok(before_any()), |row| read(row.get(0)?, &row.get::<String>(1)?))
}

fn before_any() -> VersionedPolicy {
    VersionedPolicy { version: 0, policy: Policy::default() }
}

fn read(version: i64, document: &str) -> Result<VersionedPolicy, StoreError> {
    let policy = serde_json::from_str(document)
        .map_err(|e| StoreError::Damaged { what: "policy", why: e.to_string() })?;
    Ok(VersionedPolicy { version, policy })
}

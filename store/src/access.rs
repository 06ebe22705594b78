//! Who comes in: keys, and the browsers that signed in with one.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use sha2::{Digest as _, Sha256};

use crate::database::{Row, values};
use crate::office::Role;
use crate::{Store, StoreError};

/// Somebody who came in with a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visitor {
    /// The key's id: the name of the visitor in logs and histories.
    pub key: String,
    /// What the key is for, in the office's words.
    pub label: String,
    /// The office; none for an operator.
    pub office: Option<String>,
    /// What the key allows.
    pub role: Role,
}

/// The last use of a key is noted at most once in so many microseconds.
const USED_EVERY_US: i64 = 60_000_000;

/// A key that was looked up is trusted for so long without asking again: a program that reads page after page would else
/// pay a second statement for each. A key that another process ends lets its holder in for so long at the most.
const TRUSTED_FOR: Duration = Duration::from_secs(1);
/// Keys that are trusted at the same time, at the most.
const TRUSTED_MAX: usize = 1000;

/// The keys that were looked up lately, by the hash of their secret.
#[derive(Debug, Default)]
pub(crate) struct Trusted {
    by_digest: Mutex<HashMap<Vec<u8>, (Instant, Visitor)>>,
}

impl Trusted {
    fn get(&self, digest: &[u8], now: Instant) -> Option<Visitor> {
        let known = self.by_digest.lock().unwrap_or_else(PoisonError::into_inner);
        let (since, visitor) = known.get(digest)?;
        (now.saturating_duration_since(*since) < TRUSTED_FOR).then(|| visitor.clone())
    }

    fn put(&self, digest: Vec<u8>, visitor: &Visitor, asked: Instant) {
        let mut known = self.by_digest.lock().unwrap_or_else(PoisonError::into_inner);
        if known.len() >= TRUSTED_MAX {
            known.retain(|_, (since, _)| asked.saturating_duration_since(*since) < TRUSTED_FOR);
        }
        if known.len() < TRUSTED_MAX {
            known.insert(digest, (asked, visitor.clone()));
        }
    }

    fn forget(&self, key: &str) {
        let mut known = self.by_digest.lock().unwrap_or_else(PoisonError::into_inner);
        known.retain(|_, (_, visitor)| visitor.key != key);
    }
}

const VISITOR: &str = "k.id, k.label, k.office, k.role, k.used_at";
const VALID: &str = "(k.expires_at IS NULL OR k.expires_at > now_us())";

impl Store {
    /// The visitor of a key's secret, if the key is known and has not expired. What another process did to the key is
    /// seen within a second.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn visitor_by_secret(&self, secret: &str) -> Result<Option<Visitor>, StoreError> {
        let sql = format!("SELECT {VISITOR}, now_us() FROM access_key k WHERE k.key_sha256 = $1 AND {VALID}");
        let (digest, asked) = (digest(secret), Instant::now());
        if let Some(visitor) = self.trusted.get(&digest, asked) {
            return Ok(Some(visitor));
        }
        let row = self.main.fetch_one(&sql, values![digest.clone()]).await?;
        let visitor = self.visitor(row).await?;
        if let Some(visitor) = &visitor {
            self.trusted.put(digest, visitor, asked);
        }
        Ok(visitor)
    }

    /// The visitor of a session, if it has not expired.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn visitor_by_session(&self, session: &str) -> Result<Option<Visitor>, StoreError> {
        let sql = format!(
            "SELECT {VISITOR}, now_us() FROM session s JOIN access_key k ON k.id = s.access_key
             WHERE s.id_sha256 = $1 AND s.expires_at > now_us() AND {VALID}"
        );
        let row = self.main.fetch_one(&sql, values![digest(session)]).await?;
        self.visitor(row).await
    }

    async fn visitor(&self, row: Option<Row>) -> Result<Option<Visitor>, StoreError> {
        let Some(row) = row else { return Ok(None) };
        let role: String = row.get(3)?;
        let visitor = Visitor {
            key: row.get(0)?,
            label: row.get(1)?,
            office: row.get(2)?,
            role: Role::from_name(&role).ok_or(StoreError::Damaged { what: "role of a key", why: role })?,
        };
        let (used, now): (Option<i64>, i64) = (row.get(4)?, row.get(5)?);
        if used.is_none_or(|used| now - used > USED_EVERY_US) {
            let mut tx = self.main.begin().await?;
            tx.execute("UPDATE access_key SET used_at = now_us() WHERE id = $1", values![&visitor.key])
                .await?;
            tx.commit().await?;
        }
        Ok(Some(visitor))
    }

    /// Begins a session for a key and gives its secret, which is not kept. Sessions that have expired are removed.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Settings`] when the machine gives no random numbers.
    pub async fn session_begin(&self, key: &str, seconds: i64) -> Result<String, StoreError> {
        let secret = random_secret()?;
        let mut tx = self.main.begin().await?;
        tx.execute("DELETE FROM session WHERE expires_at <= now_us()", values![]).await?;
        tx.execute(
            "INSERT INTO session (id_sha256, access_key, created_at, expires_at)
             VALUES ($1, $2, now_us(), now_us() + $3 * 1000000)",
            values![digest(&secret), key, seconds],
        )
        .await?;
        tx.commit().await?;
        Ok(secret)
    }

    /// Ends a session.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn session_end(&self, session: &str) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute("DELETE FROM session WHERE id_sha256 = $1", values![digest(session)]).await?;
        tx.commit().await
    }

    /// Ends a key at once, with its sessions. False when the office has no such key.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn key_end(&self, office: &str, id: &str) -> Result<bool, StoreError> {
        let mut tx = self.main.begin().await?;
        let ended = tx
            .execute(
                "UPDATE access_key SET expires_at = now_us() WHERE office = $1 AND id = $2 AND (expires_at IS NULL OR expires_at > now_us())",
                values![office, id],
            )
            .await?;
        tx.execute(
            "DELETE FROM session WHERE access_key IN (SELECT id FROM access_key WHERE office = $1 AND id = $2)",
            values![office, id],
        )
        .await?;
        tx.commit().await?;
        self.trusted.forget(id);
        Ok(ended == 1)
    }
}

pub(crate) fn digest(secret: &str) -> Vec<u8> {
    Sha256::digest(secret.as_bytes()).to_vec()
}

/// 256 random bits in hexadecimal.
pub(crate) fn random_secret() -> Result<String, StoreError> {
    let mut bits = [0u8; 32];
    getrandom::fill(&mut bits)
        .map_err(|e| StoreError::Settings(format!("this machine gives no random numbers: {e}")))?;
    Ok(hex::encode(bits))
}

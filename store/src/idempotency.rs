//! Answers of requests that carried an idempotency key: the same request again gets the same answer.

use crate::database::values;
use crate::{Store, StoreError};

/// What is known about a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Known {
    /// It is new: the request may run, and its answer is to be kept or the key given up.
    Fresh,
    /// The same request was answered.
    Answered {
        /// The status of the answer.
        status: i64,
        /// Its body.
        answer: String,
    },
    /// The same request is still running.
    Running,
    /// The key was used for another request.
    OtherRequest,
}

/// How long an answer is kept, microseconds: a day.
pub const KEPT_US: i64 = 86_400_000_000;
/// How long a request counts as running after its process was last heard of, microseconds: a process that died must
/// not keep the key from its owner for a day.
pub const RUNNING_US: i64 = 60_000_000;

impl Store {
    /// Looks a key up, and takes it when it is new. `scope` is the office or key that it belongs to. Who takes it says
    /// by [`Store::idempotency_renew`] that the request is still running, more often than every [`RUNNING_US`].
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn idempotency_take(
        &self,
        scope: &str,
        route: &str,
        key: &str,
        request_sha256: &str,
    ) -> Result<Known, StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute("DELETE FROM idempotency WHERE expires_at <= now_us()", values![]).await?;
        let taken = tx
            .execute(
                "INSERT INTO idempotency (scope, route, key, request_sha256, expires_at)
                 VALUES ($1, $2, $3, $4, now_us() + $5) ON CONFLICT (scope, route, key) DO NOTHING",
                values![scope, route, key, request_sha256, RUNNING_US],
            )
            .await?;
        let known = if taken == 1 {
            Known::Fresh
        } else {
            let sql = "SELECT request_sha256, status, answer FROM idempotency WHERE scope = $1 AND route = $2 AND key = $3";
            match tx.fetch_one(sql, values![scope, route, key]).await? {
                None => Known::Running,
                Some(row) if row.get::<String>(0)? != request_sha256 => Known::OtherRequest,
                Some(row) => match row.get::<Option<i64>>(1)? {
                    None => Known::Running,
                    Some(status) => Known::Answered { status, answer: row.get(2)? },
                },
            }
        };
        tx.commit().await?;
        Ok(known)
    }

    /// Says that a request is still running.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn idempotency_renew(&self, scope: &str, route: &str, key: &str) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute(
            "UPDATE idempotency SET expires_at = now_us() + $1
             WHERE scope = $2 AND route = $3 AND key = $4 AND status IS NULL",
            values![RUNNING_US, scope, route, key],
        )
        .await?;
        tx.commit().await
    }

    /// Keeps the answer of a request, for [`KEPT_US`]. Of two that were carried out, because the first was taken for
    /// dead, the answer that comes first is kept.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn idempotency_keep(
        &self,
        scope: &str,
        route: &str,
        key: &str,
        status: i64,
        answer: &str,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute(
            "UPDATE idempotency SET status = $1, answer = $2, expires_at = now_us() + $3
             WHERE scope = $4 AND route = $5 AND key = $6 AND status IS NULL",
            values![status, answer, KEPT_US, scope, route, key],
        )
        .await?;
        tx.commit().await
    }

    /// Gives a key up, because its request failed in a way that another attempt may not.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn idempotency_give_up(&self, scope: &str, route: &str, key: &str) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute(
            "DELETE FROM idempotency WHERE scope = $1 AND route = $2 AND key = $3 AND status IS NULL",
            values![scope, route, key],
        )
        .await?;
        tx.commit().await
    }
}

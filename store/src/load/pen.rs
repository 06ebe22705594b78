//! Who writes the records of a source. The lease of a job lies in the main database, the records of a source in a file
//! of their own on SQLite: no transaction spans the two. So whoever begins to write leaves a token beside the records,
//! and every transaction looks for it; a worker that was stopped for too long finds another one and writes no more.

use crate::StoreError;
use crate::database::{Database, Lock, Tx, values};
use crate::job::{Claim, commit_held, hold};

/// The right of a claimed job to write the records of one source.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen<'a> {
    pub(crate) main: &'a Database,
    pub(crate) claim: &'a Claim,
    pub(crate) source: i64,
}

impl Pen<'_> {
    /// Renews the lease.
    pub(crate) async fn hold(&self) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, self.claim).await?;
        tx.commit().await
    }

    /// Begins the first transaction on the records, which leaves the token. The lease is looked at while the records
    /// are locked: nobody who has it later can have come in between.
    pub(crate) async fn take(&self, records: &Database) -> Result<Tx, StoreError> {
        let mut tx = records.begin().await?;
        match &mut tx {
            // one file has one writer: the transaction is the lock
            Tx::Sqlite(_) => self.hold().await?,
            Tx::Postgres(_) => hold(&mut tx, self.claim).await?,
        }
        tx.execute(
            "INSERT INTO record_writer (source, token) VALUES ($1, $2)
             ON CONFLICT (source) DO UPDATE SET token = excluded.token",
            values![self.source, &self.claim.token],
        )
        .await?;
        Ok(tx)
    }

    /// Commits a transaction on the records. Where it may have locked the job, the lease counts from here; a file of
    /// records does not keep the timer from renewing it.
    pub(crate) async fn commit(&self, tx: Tx) -> Result<(), StoreError> {
        match &tx {
            Tx::Sqlite(_) => tx.commit().await,
            Tx::Postgres(_) => commit_held(tx, self.claim).await,
        }
    }

    /// Begins a later transaction on the records.
    pub(crate) async fn begin(&self, records: &Database) -> Result<Tx, StoreError> {
        let mut tx = records.begin().await?;
        self.check(&mut tx).await?;
        Ok(tx)
    }

    /// Whether the token still lies beside the records; keeps it there until the transaction ends.
    pub(crate) async fn check(&self, tx: &mut Tx) -> Result<(), StoreError> {
        let token = "SELECT token FROM record_writer WHERE source = $1";
        tx.lock(Lock::Shared, token, values![self.source]).await?;
        match tx.fetch_one(token, values![self.source]).await? {
            Some(row) if row.get::<String>(0)? == self.claim.token => Ok(()),
            Some(_) | None => Err(StoreError::LeaseLost),
        }
    }
}

//! Durable work: jobs are recorded in the transaction that causes them, claimed with a lease, and renewed while
//! they run. Everything a job writes goes through a transaction that first checks the lease, so that a worker that
//! lost it writes nothing.

use serde_json::Value as Json;

use crate::database::{Row, Tx, values};
use crate::in_place::HERE;
use crate::{Backend, Store, StoreError};

/// A job whose worker died or failed this often is given up, with its reason.
pub const ATTEMPTS_MAX: i64 = 10;

/// What a job does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JobKind {
    /// Loads a staged edition.
    Import,
    /// Judges what stands to be judged for an office and a source.
    Reconcile,
    /// Packs the kept originals of an edition.
    Keep,
    /// Folds the changes of editions that can no longer be withdrawn into the base of a source.
    Compact,
    /// Fetches the file of a source.
    Fetch,
}

impl JobKind {
    /// Every kind.
    pub const ALL: [JobKind; 5] =
        [JobKind::Import, JobKind::Reconcile, JobKind::Keep, JobKind::Compact, JobKind::Fetch];

    /// The name kept in databases.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            JobKind::Import => "import",
            JobKind::Reconcile => "reconcile",
            JobKind::Keep => "keep",
            JobKind::Compact => "compact",
            JobKind::Fetch => "fetch",
        }
    }

    fn from_name(name: &str) -> Result<JobKind, StoreError> {
        JobKind::ALL
            .into_iter()
            .find(|kind| kind.name() == name)
            .ok_or_else(|| StoreError::Damaged { what: "kind of job", why: name.to_owned() })
    }
}

/// A job to be recorded.
#[derive(Debug, Clone)]
pub(crate) struct NewJob {
    pub(crate) office: Option<String>,
    pub(crate) kind: JobKind,
    pub(crate) payload: Json,
    /// Not recorded when a queued job has the same key. A running one does not count: it may have read already.
    pub(crate) dedup_key: String,
    /// Of the jobs with the same key one runs at a time.
    pub(crate) exclusive_key: String,
}

/// A job held by a worker, until the lease ends.
#[derive(Debug, Clone)]
pub struct Claim {
    /// The job's id.
    pub id: String,
    /// What it does.
    pub kind: JobKind,
    /// The office it is for, if one.
    pub office: Option<String>,
    /// What it works on.
    pub payload: Json,
    /// How often it was claimed, this time included.
    pub attempts: i64,
    /// Where an earlier attempt got to, as its kind wrote it, or empty.
    pub resume: String,
    pub(crate) token: String,
    pub(crate) lease_seconds: i64,
}

/// A job as it is shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobView {
    /// Its id.
    pub id: String,
    /// What it does.
    pub kind: JobKind,
    /// `queued`, `running`, `done` or `failed`.
    pub state: String,
    /// How often it was claimed.
    pub attempts: i64,
    /// Done so far, in units of its kind.
    pub progress: i64,
    /// Of so many, where known.
    pub progress_total: Option<i64>,
    /// Why it failed, or empty.
    pub reason: String,
}

/// A claim that loses a race looks again so often; each loss means that another worker got a job.
const CLAIM_TRIES: usize = 8;

const CLAIMED: &str = "id, kind, office, payload, attempts, resume";

impl Store {
    /// Claims the oldest job that may run, for so many seconds, one that packs originals only when there is no other; `only` restricts it to one job, and to a lapsed
    /// one that stands in its way: a worker that died with the same exclusive key is taken up first.
    ///
    /// A job that reads a file in place is claimed by name only, by the command that has the file.
    ///
    /// A job whose lease lapsed is claimed like a queued one; one that was claimed too often is ended as failed.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn job_claim(
        &self,
        lease_seconds: i64,
        only: Option<&str>,
    ) -> Result<Option<Claim>, StoreError> {
        self.job_give_up().await?;
        let token = uuid::Uuid::now_v7().to_string();
        let skip = match self.backend() {
            Backend::Sqlite => "",
            Backend::Postgres => "FOR UPDATE SKIP LOCKED",
        };
        let sql = format!(
            "UPDATE job SET state = 'running', lease_token = $1, lease_until = now_us() + $2 * 1000000,
                            attempts = attempts + 1
             WHERE id = (
                 SELECT id FROM job AS candidate
                 WHERE ((state = 'queued' AND not_before <= now_us() AND ($4 <> '' OR dedup_key NOT LIKE '%{HERE}%'))
                        OR (state = 'running' AND lease_until < now_us()))
                   AND attempts < $3
                   AND ($4 = '' OR id = $4 OR (state = 'running' AND exclusive_key =
                        (SELECT wanted.exclusive_key FROM job AS wanted WHERE wanted.id = $4)))
                   AND NOT EXISTS (SELECT 1 FROM job AS other WHERE other.state = 'running'
                                   AND other.exclusive_key = candidate.exclusive_key AND other.id <> candidate.id)
                 ORDER BY CASE kind WHEN 'keep' THEN 1 ELSE 0 END, created_at, id LIMIT 1 {skip})
             RETURNING {CLAIMED}"
        );
        for _ in 0..CLAIM_TRIES {
            let mut tx = self.main.begin().await?;
            let values = values![token.clone(), lease_seconds, ATTEMPTS_MAX, only.unwrap_or("")];
            match tx.fetch_one(&sql, values).await {
                // two workers took jobs of one exclusive key at the same moment: the other has it, look for the next
                Err(error) if error.duplicate() => {}
                Err(error) => return Err(error),
                Ok(None) => return Ok(None),
                Ok(Some(row)) => {
                    let claim = claim_of(&row, token, lease_seconds)?;
                    tx.commit().await?;
                    return Ok(Some(claim));
                }
            }
        }
        Ok(None)
    }

    async fn job_give_up(&self) -> Result<(), StoreError> {
        let lapsed =
            "SELECT 1 FROM job WHERE state = 'running' AND lease_until < now_us() AND attempts >= $1";
        if self.main.fetch_one(lapsed, values![ATTEMPTS_MAX]).await?.is_none() {
            return Ok(());
        }
        let mut tx = self.main.begin().await?;
        tx.execute(
            "UPDATE job SET state = 'failed', lease_token = NULL, lease_until = NULL, ended_at = now_us(),
                            reason = 'its worker ended without a word as often as is allowed'
             WHERE state = 'running' AND lease_until < now_us() AND attempts >= $1",
            values![ATTEMPTS_MAX],
        )
        .await?;
        tx.commit().await
    }

    /// Renews a lease and notes the progress.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when it lapsed or was taken over.
    pub async fn job_renew(
        &self,
        claim: &Claim,
        progress: i64,
        total: Option<i64>,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        let sql = "UPDATE job SET progress = $1, progress_total = $2 WHERE id = $3";
        tx.execute(sql, values![progress, total, &claim.id]).await?;
        tx.commit().await
    }

    /// Ends a job well.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the lease lapsed.
    pub async fn job_finish(&self, claim: &Claim) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        finish(&mut tx, claim).await?;
        tx.commit().await
    }

    /// Ends a job badly; `retry_seconds` puts it back for a later attempt instead, unless the same is queued already.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the lease lapsed.
    pub async fn job_fail(
        &self,
        claim: &Claim,
        reason: &str,
        retry_seconds: Option<i64>,
    ) -> Result<(), StoreError> {
        if let Some(seconds) = retry_seconds.filter(|_| claim.attempts < ATTEMPTS_MAX) {
            let mut tx = self.main.begin().await?;
            hold(&mut tx, claim).await?;
            let put_back = tx
                .execute(
                    "UPDATE job SET state = 'queued', lease_token = NULL, lease_until = NULL, reason = $1,
                                    not_before = now_us() + $2 * 1000000 WHERE id = $3",
                    values![reason, seconds, &claim.id],
                )
                .await;
            match put_back {
                Ok(_) => return tx.commit().await,
                Err(error) if error.duplicate() => {}
                Err(error) => return Err(error),
            }
        }
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.execute(
            "UPDATE job SET state = 'failed', lease_token = NULL, lease_until = NULL, reason = $1, ended_at = now_us()
             WHERE id = $2",
            values![reason, &claim.id],
        )
        .await?;
        tx.commit().await
    }

    /// Notes where a job would be taken up again.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the lease lapsed.
    pub async fn job_resume_point(&self, claim: &Claim, resume: &str) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.execute("UPDATE job SET resume = $1 WHERE id = $2", values![resume, &claim.id]).await?;
        tx.commit().await
    }

    /// One job.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none of that id.
    pub async fn job_view(&self, id: &str) -> Result<JobView, StoreError> {
        let sql = "SELECT id, kind, state, attempts, progress, progress_total, reason FROM job WHERE id = $1";
        let row = self.main.fetch_one(sql, values![id]).await?;
        view_of(&row.ok_or_else(|| StoreError::Missing { what: "job", id: id.to_owned() })?)
    }

    /// Jobs that are queued or running, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn job_list_live(&self) -> Result<Vec<JobView>, StoreError> {
        let sql = "SELECT id, kind, state, attempts, progress, progress_total, reason FROM job
                   WHERE state IN ('queued', 'running') ORDER BY created_at, id";
        self.main.fetch(sql, values![]).await?.iter().map(view_of).collect()
    }
}

/// Records a job with the change that causes it. Gives its id, or that of the same job already queued.
///
/// A job that is queued already is touched, so that nobody claims it before this transaction ends: a worker that
/// began it earlier would not see the change.
pub(crate) async fn enqueue(tx: &mut Tx, job: NewJob) -> Result<String, StoreError> {
    let row = tx
        .fetch_one(
            "INSERT INTO job (id, office, kind, payload, state, dedup_key, exclusive_key, created_at)
             VALUES ($1, $2, $3, $4, 'queued', $5, $6, now_us())
             ON CONFLICT (dedup_key) WHERE state = 'queued' DO UPDATE SET dedup_key = excluded.dedup_key
             RETURNING id",
            values![
                uuid::Uuid::now_v7().to_string(),
                job.office,
                job.kind.name(),
                job.payload.to_string(),
                &job.dedup_key,
                job.exclusive_key
            ],
        )
        .await?;
    row.ok_or_else(|| StoreError::Missing { what: "job", id: job.dedup_key })?.get(0)
}

/// The job of the same name that is running, whether its worker lives or not.
pub(crate) async fn running(tx: &mut Tx, job: &NewJob) -> Result<Option<String>, StoreError> {
    let sql = "SELECT id FROM job WHERE state = 'running' AND dedup_key = $1 ORDER BY created_at LIMIT 1";
    let row = tx.fetch_one(sql, values![&job.dedup_key]).await?;
    row.map(|row| row.get(0)).transpose()
}

/// Checks that the lease still holds, renews it, and keeps others from taking it until the transaction ends.
pub(crate) async fn hold(tx: &mut Tx, claim: &Claim) -> Result<(), StoreError> {
    let held = tx
        .execute(
            "UPDATE job SET lease_until = now_us() + $1 * 1000000
             WHERE id = $2 AND lease_token = $3 AND lease_until > now_us()",
            values![claim.lease_seconds, &claim.id, &claim.token],
        )
        .await?;
    if held == 1 { Ok(()) } else { Err(StoreError::LeaseLost) }
}

/// Commits a transaction that began by [`hold`] with a lease that counts from here, however long it took: its row was
/// locked, so nobody can have taken the job. A timer cannot renew it meanwhile, since it would wait for that lock.
pub(crate) async fn commit_held(mut tx: Tx, claim: &Claim) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE job SET lease_until = now_us() + $1 * 1000000 WHERE id = $2 AND lease_token = $3",
        values![claim.lease_seconds, &claim.id, &claim.token],
    )
    .await?;
    tx.commit().await
}

/// Ends a job well within a transaction that also writes its result.
pub(crate) async fn finish(tx: &mut Tx, claim: &Claim) -> Result<(), StoreError> {
    hold(tx, claim).await?;
    finish_held(tx, claim).await
}

/// The same in a transaction that began by [`hold`]: what was written since then may have taken longer than the lease.
pub(crate) async fn finish_held(tx: &mut Tx, claim: &Claim) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE job SET state = 'done', progress = coalesce(progress_total, progress), lease_token = NULL,
                        lease_until = NULL, reason = '', ended_at = now_us()
         WHERE id = $1",
        values![&claim.id],
    )
    .await?;
    Ok(())
}

fn claim_of(row: &Row, token: String, lease_seconds: i64) -> Result<Claim, StoreError> {
    let payload: String = row.get(3)?;
    Ok(Claim {
        id: row.get(0)?,
        kind: JobKind::from_name(&row.get::<String>(1)?)?,
        office: row.get(2)?,
        payload: serde_json::from_str(&payload)
            .map_err(|e| StoreError::Damaged { what: "payload of a job", why: e.to_string() })?,
        attempts: row.get(4)?,
        resume: row.get(5)?,
        token,
        lease_seconds,
    })
}

fn view_of(row: &Row) -> Result<JobView, StoreError> {
    Ok(JobView {
        id: row.get(0)?,
        kind: JobKind::from_name(&row.get::<String>(1)?)?,
        state: row.get(2)?,
        attempts: row.get(3)?,
        progress: row.get(4)?,
        progress_total: row.get(5)?,
        reason: row.get(6)?,
    })
}

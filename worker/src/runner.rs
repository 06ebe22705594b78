//! Claiming jobs, keeping their lease while they run, and ending them with a reason.

use std::time::Duration;

use crossfoot_store::job::{Claim, JobKind};
use crossfoot_store::{Store, StoreError};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::progress::Progress;
use crate::standards::Standards;
use crate::{compact, fetch, import, keep, reconcile};

/// A worker over one store.
#[derive(Debug, Clone)]
pub struct Worker {
    store: Store,
    standards: Standards,
    lease_seconds: i64,
    rules: fetch::Rules,
}

/// How a job ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum JobEnd {
    /// It did what it was for.
    Done,
    /// It was held for a person, with the reason.
    Held(String),
    /// Its subject was refused, with the reason.
    Refused(String),
    /// It failed, with the reason; `retry` says whether it will be tried again.
    Failed {
        /// Why.
        reason: String,
        /// Whether it was put back.
        retry: bool,
    },
    /// Another worker took it over; this one wrote nothing more.
    Lost,
}

/// Why a worker cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum WorkerError {
    /// The definitions that come with the program cannot be read.
    #[error(transparent)]
    Standard(#[from] crossfoot_audit::standard::StandardError),
    /// The store fails where no job is to blame.
    #[error("the store failed while jobs were claimed or ended")]
    Store(#[from] StoreError),
}

/// Why a job did not end by itself.
#[derive(Debug, thiserror::Error)]
pub(crate) enum JobError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Something elsewhere that may go better later.
    #[error("{0}")]
    Passing(String),
    /// Something that a later attempt will meet again.
    #[error("{0}")]
    Lasting(String),
}

/// How long an idle worker waits before it looks again.
const IDLE: Duration = Duration::from_millis(500);
/// A job that met a passing failure is tried again after so long, times its attempts.
const RETRY_SECONDS: i64 = 2;

impl Worker {
    /// A worker with the standards that come with the program, and those of each office.
    ///
    /// # Errors
    /// [`WorkerError::Standard`] when one cannot be read.
    pub fn new(store: Store, lease_seconds: i64) -> Result<Worker, WorkerError> {
        let rules = fetch::Rules::default();
        Ok(Worker { standards: Standards::new(store.clone())?, store, lease_seconds, rules })
    }

    /// The worker, and from where it may fetch; without this from nowhere.
    #[must_use]
    pub fn fetching_from(self, rules: fetch::Rules) -> Worker {
        Worker { rules, ..self }
    }

    /// The store that this worker works on.
    #[must_use]
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The standards that it states houses under.
    #[must_use]
    pub fn standards(&self) -> &Standards {
        &self.standards
    }

    /// Claims one job and runs it to its end; none when there is none to claim. `only` restricts it to one job.
    ///
    /// # Errors
    /// [`WorkerError::Store`] when claiming or ending fails.
    pub async fn run_next(
        &self,
        only: Option<&str>,
        progress: &Progress,
    ) -> Result<Option<(Claim, JobEnd)>, WorkerError> {
        let Some(claim) = self.store.job_claim(self.lease_seconds, only).await? else { return Ok(None) };
        info!(job.id = %claim.id, job.kind = claim.kind.name(), job.attempt = claim.attempts, "job {} begins", claim.id);
        let done = CancellationToken::new();
        let heart = tokio::spawn(heartbeat(
            self.store.clone(),
            claim.clone(),
            self.lease_seconds,
            progress.clone(),
            done.clone(),
        ));
        let result = self.run(&claim, progress).await;
        done.cancel();
        let _ended = heart.await;
        let end = self.end(&claim, result).await?;
        crate::nightly::tell(&self.store, &claim, &end).await;
        info!(job.id = %claim.id, "job {} ended: {end:?}", claim.id);
        Ok(Some((claim, end)))
    }

    async fn run(&self, claim: &Claim, progress: &Progress) -> Result<JobEnd, JobError> {
        match claim.kind {
            JobKind::Import => import::run(&self.store, claim, progress).await,
            JobKind::Reconcile => reconcile::run(&self.store, &self.standards, claim, progress).await,
            JobKind::Keep => keep::run(&self.store, claim, progress).await,
            JobKind::Compact => compact::run(&self.store, claim, progress).await,
            JobKind::Fetch => fetch::job::run(&self.store, &self.rules, claim).await,
        }
    }

    async fn end(&self, claim: &Claim, result: Result<JobEnd, JobError>) -> Result<JobEnd, WorkerError> {
        let (reason, passing) = match result {
            Ok(end) => return Ok(end),
            Err(JobError::Store(StoreError::LeaseLost)) => return Ok(JobEnd::Lost),
            Err(JobError::Store(error)) => (with_causes(&error), error.passes()),
            Err(JobError::Passing(reason)) => (reason, true),
            Err(JobError::Lasting(reason)) => (reason, false),
        };
        warn!(job.id = %claim.id, "job {} failed: {reason}", claim.id);
        let again = match claim.kind {
            JobKind::Fetch => fetch::job::again_in(claim.attempts),
            JobKind::Import | JobKind::Reconcile | JobKind::Keep | JobKind::Compact => {
                RETRY_SECONDS.saturating_mul(claim.attempts)
            }
        };
        let retry = passing.then_some(again);
        match self.store.job_fail(claim, &reason, retry).await {
            Ok(()) => Ok(JobEnd::Failed { reason, retry: passing }),
            Err(StoreError::LeaseLost) => Ok(JobEnd::Lost),
            Err(error) => Err(error.into()),
        }
    }

    /// Runs jobs until there is none to claim; gives how each ended.
    ///
    /// # Errors
    /// As [`Worker::run_next`].
    pub async fn drain(&self, progress: &Progress) -> Result<Vec<(Claim, JobEnd)>, WorkerError> {
        let mut ended = Vec::new();
        while let Some(end) = self.run_next(None, progress).await? {
            ended.push(end);
        }
        Ok(ended)
    }

    /// Runs jobs as they come until told to stop. A store that fails for a while is waited for.
    pub async fn run_until(&self, stop: CancellationToken) {
        while !stop.is_cancelled() {
            let wait = match self.run_next(None, &Progress::default()).await {
                Ok(Some(_)) => continue,
                Ok(None) => IDLE,
                Err(error) => {
                    warn!("the worker waits: {}", with_causes(&error));
                    IDLE * 4
                }
            };
            tokio::select! {
                () = stop.cancelled() => {}
                () = tokio::time::sleep(wait) => {}
            }
        }
    }
}

/// Renews the lease three times within its length, until told that the job is over or the lease is lost.
async fn heartbeat(
    store: Store,
    claim: Claim,
    lease_seconds: i64,
    progress: Progress,
    done: CancellationToken,
) {
    let beat = Duration::from_millis(u64::try_from(lease_seconds.saturating_mul(333)).unwrap_or(333));
    loop {
        tokio::select! {
            () = done.cancelled() => return,
            () = tokio::time::sleep(beat) => {}
        }
        let (so_far, total) = progress.get();
        match store.job_renew(&claim, so_far, (total > 0).then_some(total)).await {
            Ok(()) => {}
            Err(StoreError::LeaseLost) => return,
            Err(error) => {
                warn!(job.id = %claim.id, "the lease of job {} was not renewed: {}", claim.id, with_causes(&error))
            }
        }
    }
}

/// An error with its causes in one line.
pub(crate) fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(next) = cause {
        text.push_str(": ");
        text.push_str(&next.to_string());
        cause = next.source();
    }
    text
}

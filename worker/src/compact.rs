//! Folding the changes of a source into its base, batch by batch: see the store. Broken off, it goes on where it was,
//! since what is folded is no change any more.

use crossfoot_store::Store;
use crossfoot_store::job::Claim;

use crate::progress::Progress;
use crate::runner::{JobEnd, JobError};

/// Runs a compaction job.
pub(crate) async fn run(store: &Store, claim: &Claim, progress: &Progress) -> Result<JobEnd, JobError> {
    let number = claim.payload.get("source").and_then(serde_json::Value::as_i64).ok_or_else(|| {
        JobError::Lasting(
            "the job names no source: it was written by another version of this program".to_owned(),
        )
    })?;
    let source = store.source_by_number(number).await?;
    if let Some(mut folding) = store.compaction_begin(claim, &source).await? {
        let mut batches = 0;
        while store.compaction_step(claim, &source, &mut folding).await? {
            batches += 1;
            progress.set_done(batches);
        }
    }
    store.job_finish(claim).await?;
    Ok(JobEnd::Done)
}

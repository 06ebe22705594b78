//! Packing the kept originals of an edition, once it is loaded or refused.

use crossfoot_store::Store;
use crossfoot_store::edition_text::as_received;
use crossfoot_store::job::Claim;

use crate::progress::Progress;
use crate::runner::{JobEnd, JobError};

/// Runs a job that packs originals.
pub(crate) async fn run(store: &Store, claim: &Claim, progress: &Progress) -> Result<JobEnd, JobError> {
    let number = |name: &str| {
        claim.payload.get(name).and_then(serde_json::Value::as_i64).ok_or_else(|| {
            JobError::Lasting(format!(
                "the job names no {name}: it was written by another version of this program"
            ))
        })
    };
    let edition = store.edition(number("source")?, number("edition")?).await?;
    let files = as_received(&edition.files);
    progress.set_total(files.iter().map(|file| file.bytes).sum());
    let mut before = 0i64;
    for file in &files {
        let progress = progress.clone();
        let done = move |bytes: u64| progress.set_done(before.saturating_add_unsigned(bytes));
        store.original_keep(claim, file, done).await?;
        before = before.saturating_add(file.bytes);
    }
    store.job_finish(claim).await?;
    Ok(JobEnd::Done)
}

//! Notices about how jobs ended.

use crossfoot_store::job::{Claim, JobKind};
use crossfoot_store::{Store, StoreError};
use tracing::warn;

use crate::runner::{JobEnd, with_causes};

/// Writes the notice of a job that ended, where there is something to tell. A notice that cannot be written is logged:
/// what it tells stands in the edition, the run or the job too.
pub(crate) async fn tell(store: &Store, claim: &Claim, end: &JobEnd) {
    if let Err(error) = write(store, claim, end).await {
        warn!(job.id = %claim.id, "the notice of job {} was not written: {}", claim.id, with_causes(&error));
    }
}

async fn write(store: &Store, claim: &Claim, end: &JobEnd) -> Result<(), StoreError> {
    let number = |name: &str| claim.payload.get(name).and_then(serde_json::Value::as_i64);
    let (source, office) = (number("source"), claim.office.as_deref());
    match (end, claim.kind) {
        // keeping the files of an edition is no event
        (JobEnd::Done, JobKind::Import) if claim.payload.get("keep").is_some() => Ok(()),
        (JobEnd::Done, JobKind::Import) => {
            let (Some(source), Some(edition)) = (source, number("edition")) else { return Ok(()) };
            let edition = store.edition(source, edition).await?;
            let c = &edition.counts;
            let detail = format!(
                "edition {} is in use: {} rows, {} in quarantine; {} records new, {} changed, {} gone",
                edition.number,
                c.rows_total,
                c.rows_rejected,
                c.records_new,
                c.records_changed,
                c.records_ended
            );
            store.notice_write(office, Some(source), "edition", &detail).await
        }
        (JobEnd::Refused(reason), _) => {
            let detail = format!("edition {} is refused: {reason}", number("edition").unwrap_or_default());
            store.notice_write(office, source, "edition_refused", &detail).await
        }
        (JobEnd::Held(reason), JobKind::Import) => {
            let edition = number("edition").unwrap_or_default();
            let detail = format!("edition {edition} is held for a person: {reason}; accept it or give it up");
            store.notice_write(office, source, "edition_held", &detail).await
        }
        (JobEnd::Held(reason), _) => store.notice_write(office, source, "run_held", reason).await,
        (JobEnd::Failed { reason, retry: false }, kind) => {
            let detail = format!("{} job {} failed: {reason}", kind.name(), claim.id);
            store.notice_write(office, source, "job_failed", &detail).await
        }
        (JobEnd::Done, JobKind::Reconcile | JobKind::Keep | JobKind::Compact | JobKind::Fetch)
        | (JobEnd::Failed { .. } | JobEnd::Lost, _) => Ok(()),
    }
}

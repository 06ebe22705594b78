//! Keeping the originals of an edition that was read in place.

use crossfoot_store::edition_text::as_received;
use crossfoot_store::job::Claim;
use crossfoot_store::{Store, StoreError};

use crate::runner::{JobEnd, JobError, with_causes};

/// Takes every file of the edition that still lies where it was handed in into the object store.
pub(super) async fn run(
    store: &Store,
    claim: &Claim,
    (source, edition): (i64, i64),
) -> Result<JobEnd, JobError> {
    let files = as_received(&store.edition(source, edition).await?.files);
    for file in &files {
        match store.edition_file_keep(claim, (source, edition), file).await {
            Ok(()) => {}
            Err(error @ StoreError::File { .. }) => {
                return Err(JobError::Lasting(format!(
                    "edition {edition} is in use, but {} is not kept, and its rows cannot be shown as published: {}",
                    file.name,
                    with_causes(&error)
                )));
            }
            Err(error) => return Err(error.into()),
        }
    }
    // the packing that was asked for with the edition found nothing to pack yet
    store.original_keep_request(source, edition).await?;
    store.job_finish(claim).await?;
    Ok(JobEnd::Done)
}

//! The job that fetches a source: file and checksum come, and are handed in like an upload.

use std::path::Path;

use crossfoot_roll::layout::Layout;
use crossfoot_store::fetch::SourceFetch;
use crossfoot_store::job::Claim;
use crossfoot_store::source::{EditionArrival, EditionNotes, Source};
use crossfoot_store::{Store, StoreError};
use url::Url;

use super::checksum::Checksum;
use super::{FetchError, Fetched, Patience, Rules, Validators, Wanted, fetch, shown};
use crate::runner::{JobEnd, JobError, with_causes};

/// A list of checksums is no larger.
const CHECKSUMS_BYTES: u64 = 1024 * 1024;
/// After a passing failure it is tried again in so many seconds, twice as many after each further one.
const AGAIN_SECONDS: i64 = 30;
const AGAIN_SECONDS_MAX: i64 = 3600;

/// When a fetch is tried again after so many attempts.
pub(crate) fn again_in(attempts: i64) -> i64 {
    let doubled = u32::try_from(attempts.saturating_sub(1)).unwrap_or(u32::MAX).min(16);
    AGAIN_SECONDS.saturating_mul(1 << doubled).min(AGAIN_SECONDS_MAX)
}

/// Runs a job that fetches.
pub(crate) async fn run(store: &Store, rules: &Rules, claim: &Claim) -> Result<JobEnd, JobError> {
    let number = claim.payload.get("source").and_then(serde_json::Value::as_i64).ok_or_else(|| {
        JobError::Lasting(
            "the job names no source: it was written by another version of this program".to_owned(),
        )
    })?;
    let source = store.source_by_number(number).await?;
    let Some(wanted) = store.fetch_of(number).await? else {
        // it was removed since it was asked for
        store.job_finish(claim).await?;
        return Ok(JobEnd::Done);
    };
    let folder = store.data_folder().join("fetching").join(number.to_string());
    match taken(store, rules, &source, &wanted, &folder).await {
        Ok(result) => {
            store.notice_write(None, Some(number), "fetched", &result).await?;
            store.job_finish(claim).await?;
            Ok(JobEnd::Done)
        }
        Err(JobError::Passing(why)) => {
            let seconds = again_in(claim.attempts);
            let result = format!("failed: {why}; tried again in {seconds} s");
            store.fetch_noted(&wanted, &result, None).await?;
            if claim.attempts == 1 {
                store.notice_write(None, Some(number), "fetch_failed", &result).await?;
            }
            Err(JobError::Passing(why))
        }
        Err(JobError::Lasting(why)) => {
            store.fetch_noted(&wanted, &format!("failed: {why}"), None).await?;
            Err(JobError::Lasting(why))
        }
        Err(error @ JobError::Store(_)) => Err(error),
    }
}

/// Fetches and hands in; gives what came of it as a sentence.
async fn taken(
    store: &Store,
    rules: &Rules,
    source: &Source,
    wanted: &SourceFetch,
    folder: &Path,
) -> Result<String, JobError> {
    let lasting = |why: String| JobError::Lasting(why);
    let layout = Layout::from_toml(&wanted.layout).map_err(|error| lasting(error.to_string()))?;
    // what cannot be read is not asked for: a layout may lack the rule of its jurisdiction
    store.layout_resolved(&layout).await.map_err(refused)?;
    let url =
        Url::parse(&wanted.url).map_err(|error| lasting(format!("the address cannot be read: {error}")))?;
    let known = Validators { etag: wanted.etag.clone(), last_modified: wanted.last_modified.clone() };
    let bytes_max = u64::try_from(wanted.bytes_max).unwrap_or_default();
    let asked = Wanted { url: url.clone(), bytes_max, known };
    let fetched = fetch(rules, Patience::default(), &asked, &folder.join("file")).await.map_err(failed)?;
    let Fetched::Whole { path, bytes, validators } = fetched else {
        let result = format!("nothing new: {} is as it was when it was last taken", shown(&url));
        store.fetch_noted(wanted, &result, None).await?;
        return Ok(result);
    };
    let name = url.path_segments().and_then(|mut segments| segments.next_back()).unwrap_or_default();
    let name = if name.is_empty() { source.id.as_str() } else { name };
    let checked = checked(rules, wanted, name, &path, folder).await;
    let handed = match checked {
        Ok(checked) => hand_in(store, source, &layout, name, &path).await.map(|arrival| (arrival, checked)),
        Err(error) => Err(error),
    };
    remove(&path).await;
    let (arrival, checked) = handed?;
    let result = match arrival {
        EditionArrival::Known { edition, state } => {
            format!(
                "{name}, {bytes} bytes{checked}: the same bytes are here already as edition {edition} ({state})"
            )
        }
        EditionArrival::Staged { edition, .. } => {
            format!("{name}, {bytes} bytes{checked}: taken as edition {edition}")
        }
    };
    store.fetch_noted(wanted, &result, Some((&validators.etag, &validators.last_modified))).await?;
    Ok(result)
}

/// Keeps the file and stages it, exactly like an upload.
async fn hand_in(
    store: &Store,
    source: &Source,
    layout: &Layout,
    name: &str,
    path: &Path,
) -> Result<EditionArrival, JobError> {
    let unreadable = |cause| StoreError::File { path: path.display().to_string(), cause };
    let file = tokio::fs::File::open(path).await.map_err(unreadable)?;
    let kept = store.object_keep_file(Path::new(name), file).await?;
    store.edition_stage(source, layout, &[kept], &EditionNotes::default()).await.map_err(refused)
}

/// A layout that cannot be read by as things are here: a later attempt meets it again, unless a person mends it.
fn refused(error: StoreError) -> JobError {
    if let StoreError::Conflict(why) = error {
        return JobError::Lasting(why);
    }
    JobError::Store(error)
}

/// Holds the file against the publisher's checksum, where there is one; gives what to say of it.
async fn checked(
    rules: &Rules,
    wanted: &SourceFetch,
    name: &str,
    path: &Path,
    folder: &Path,
) -> Result<String, JobError> {
    if wanted.checksum_url.is_empty() {
        return Ok(String::new());
    }
    let url = Url::parse(&wanted.checksum_url)
        .map_err(|error| JobError::Lasting(format!("the address of the checksum cannot be read: {error}")))?;
    let asked = Wanted { url, bytes_max: CHECKSUMS_BYTES, known: Validators::default() };
    let fetched =
        fetch(rules, Patience::default(), &asked, &folder.join("checksum")).await.map_err(failed)?;
    let Fetched::Whole { path: list, .. } = fetched else {
        return Err(JobError::Passing("the checksum was not sent".to_owned()));
    };
    let read = tokio::fs::read(&list).await;
    remove(&list).await;
    let text = read.map_err(|cause| StoreError::File { path: list.display().to_string(), cause })?;
    let checksum = Checksum::find(&String::from_utf8_lossy(&text), name).map_err(JobError::Lasting)?;
    let (file, told) = (path.to_owned(), checksum.told());
    let checking =
        tokio::task::spawn_blocking(move || checksum.check(&file)).await.map_err(StoreError::Task)?;
    match checking.map_err(|cause| StoreError::File { path: path.display().to_string(), cause })? {
        true => Ok(format!(", {told}")),
        // the publisher may be in the middle of putting up both
        false => {
            Err(JobError::Passing(format!("{name} does not have the checksum that is published for it")))
        }
    }
}

async fn remove(path: &Path) {
    if let Err(error) = tokio::fs::remove_file(path).await {
        tracing::warn!("{} stays until the next time: {error}", path.display());
    }
}

fn failed(error: FetchError) -> JobError {
    match error {
        FetchError::Refused(why) => JobError::Lasting(why),
        FetchError::Passing(why) => JobError::Passing(why),
        FetchError::File { .. } => JobError::Lasting(with_causes(&error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_tried_again_later_and_later_up_to_an_hour() {
        assert_eq!([1, 2, 3, 7, 8, 100].map(again_in), [30, 60, 120, 1920, 3600, 3600]);
    }
}

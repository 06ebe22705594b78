//! Loading a staged edition: one thread parses, the store writes, and one transaction puts the result in use.
//!
//! A load that is broken off starts afresh: it costs a microsecond a row, and a file without a journal that was half
//! written is not to be trusted.

use std::io::Read;

use crossfoot_audit::area::Area;
use crossfoot_roll::entry::Reject;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::reader::{Batch, RollReader, Summary};
use crossfoot_store::edition::{HoldReason, sentences};
use crossfoot_store::job::Claim;
use crossfoot_store::load::{LoadBatch, Loaded};
use crossfoot_store::source::{Edition, Source};
use crossfoot_store::{Store, StoreError};
use tokio::sync::mpsc;
use tracing::warn;

use crate::gates::{self, AreaTally, Facts};
use crate::progress::Progress;
use crate::runner::{JobEnd, JobError, with_causes};

/// Rows handed over at once, and how many such batches may wait: together they bound the memory.
const ROWS_A_BATCH: usize = 512;
const BATCHES_IN_FLIGHT: usize = 8;

/// What parsing came to.
#[derive(Default)]
struct Parsed {
    rows_total: i64,
    summaries: Vec<Summary>,
    headers: Vec<Vec<String>>,
    areas: AreaTally,
}

/// The kept originals of an edition with their names, to be read from the start.
type Originals = Vec<(String, Box<dyn Read + Send>)>;

/// Why parsing stopped.
enum ParseStop {
    /// The file is not what the layout says.
    Refused(String),
    /// The original could not be read.
    Unreadable(std::io::Error),
    /// The other side stopped writing: it knows why.
    NobodyListens,
}

/// Runs an import job.
pub(crate) async fn run(store: &Store, claim: &Claim, progress: &Progress) -> Result<JobEnd, JobError> {
    let number = |name: &str| {
        claim.payload.get(name).and_then(serde_json::Value::as_i64).ok_or_else(|| {
            JobError::Lasting(format!(
                "the job names no {name}: it was written by another version of this program"
            ))
        })
    };
    let source = store.source_by_number(number("source")?).await?;
    let edition = store.edition(source.number, number("edition")?).await?;
    if edition.state != "staged" {
        store.job_finish(claim).await?;
        return Ok(JobEnd::Done);
    }
    if let Some(later) = source.current_edition.filter(|current| *current > edition.number) {
        // changes are kept by edition: an earlier one in use after a later one would take the later one's place
        let reason = format!(
            "edition {later}, which was handed in later, is in use already: hand these files in again if they are the newer ones"
        );
        return refuse(store, claim, &source, &edition, reason).await;
    }
    progress.set_total(edition.files.iter().map(|file| file.bytes).sum());
    // what is refused is refused before anything of it is written
    match look(store, &edition).await? {
        Ok(()) => {}
        Err(ParseStop::Refused(reason)) => return refuse(store, claim, &source, &edition, reason).await,
        Err(stop) => return Err(broken_off(stop, None)),
    }
    // loading begins by sweeping away what an earlier attempt left: after a pause that would be what is in use
    store.job_renew(claim, 0, Some(progress.get().1)).await?;
    let (parsed, loaded) = parse_and_load(store, claim, &source, &edition, progress).await?;
    let parsed = match parsed {
        Ok(parsed) => parsed,
        Err(stop) => return Err(broken_off(stop, loaded.err())),
    };
    let mut loaded = loaded?;
    if let Some(reason) = not_as_received(&parsed, &edition) {
        return Err(JobError::Lasting(reason));
    }
    loaded.counts.rows_total = parsed.rows_total;
    loaded.median_um2 = parsed.areas.median().map(Area::square_micrometres);
    loaded.headers = parsed.headers;
    let reasons = reasons_to_hold(store, &source, &edition, &loaded).await?;
    if !reasons.is_empty() {
        store.edition_hold(claim, &source, edition.number, &loaded, &reasons).await?;
        return Ok(JobEnd::Held(sentences(&reasons)));
    }
    store.edition_make_current(claim, &source, edition.number, &loaded).await?;
    // the job is over: what cannot be asked for now is asked for after the next edition
    if let Err(error) = store.compaction_ask_when_due(&source).await {
        warn!("folding the changes of {} was not asked for: {}", source.id, with_causes(&error));
    }
    Ok(JobEnd::Done)
}

/// Why a loaded edition is held for a person instead of being put in use; nothing for a first one.
async fn reasons_to_hold(
    store: &Store,
    source: &Source,
    edition: &Edition,
    loaded: &Loaded,
) -> Result<Vec<HoldReason>, StoreError> {
    let Some(current) = source.current_edition else { return Ok(Vec::new()) };
    let before = store.edition(source.number, current).await?;
    let limits = store.limits(source.number).await?;
    let before = Facts::of(before.counts, before.median_um2, &before.headers, &before.layout);
    let after = Facts::of(loaded.counts, loaded.median_um2, &loaded.headers, &edition.layout);
    Ok(gates::reasons(&before, &after, &limits))
}

/// Why a load that begun did not come to its end.
fn broken_off(stop: ParseStop, loading: Option<StoreError>) -> JobError {
    match (stop, loading) {
        (ParseStop::Refused(reason), _) => JobError::Lasting(reason),
        (ParseStop::Unreadable(error), _) => {
            JobError::Lasting(format!("the kept original cannot be read: {error}"))
        }
        (ParseStop::NobodyListens, Some(error)) => JobError::Store(error),
        (ParseStop::NobodyListens, None) => {
            JobError::Lasting("loading ended early without a reason".to_owned())
        }
    }
}

async fn refuse(
    store: &Store,
    claim: &Claim,
    source: &Source,
    edition: &Edition,
    reason: String,
) -> Result<JobEnd, JobError> {
    store.edition_refuse(claim, source.number, edition.number, &reason).await?;
    Ok(JobEnd::Refused(reason))
}

type LoadedOrNot = Result<Loaded, StoreError>;

async fn originals(store: &Store, edition: &Edition) -> Result<Originals, JobError> {
    let mut files: Originals = Vec::with_capacity(edition.files.len());
    for file in &edition.files {
        files.push((file.name.clone(), Box::new(store.object_open(&file.object_key).await?)));
    }
    Ok(files)
}

/// Looks whether every file has the header that the layout wants and any has a row that can be read. Most files answer
/// with their first rows.
async fn look(store: &Store, edition: &Edition) -> Result<Result<(), ParseStop>, JobError> {
    let (files, layout) = (originals(store, edition).await?, edition.layout.clone());
    let looking = tokio::task::spawn_blocking(move || has_an_entry(files, &layout));
    looking.await.map_err(|e| JobError::Lasting(format!("the parser ended early: {e}")))
}

fn has_an_entry(files: Originals, layout: &Layout) -> Result<(), ParseStop> {
    let (mut found, mut rows, mut first_reject) = (false, 0usize, None);
    for (name, source) in files {
        let mut reader = RollReader::new(source, layout).map_err(|error| header_stop(&name, error))?;
        let mut batch = Batch::default();
        while !found && reader.next_batch(&mut batch, ROWS_A_BATCH).map_err(ParseStop::Unreadable)? {
            found = !batch.entries.is_empty();
            rows += batch.rows();
            first_reject = first_reject.or_else(|| batch.rejects.first().cloned());
        }
    }
    if found { Ok(()) } else { Err(ParseStop::Refused(nothing_readable(rows, first_reject.as_ref()))) }
}

async fn parse_and_load(
    store: &Store,
    claim: &Claim,
    source: &Source,
    edition: &Edition,
    progress: &Progress,
) -> Result<(Result<Parsed, ParseStop>, LoadedOrNot), JobError> {
    let files = originals(store, edition).await?;
    let (sender, receiver) = mpsc::channel(BATCHES_IN_FLIGHT);
    let (layout, progress) = (edition.layout.clone(), progress.clone());
    let parsing = tokio::task::spawn_blocking(move || parse(files, &layout, &sender, &progress));
    let loaded = store.edition_load(claim, source, edition.number, receiver).await;
    let parsed = parsing.await.map_err(|e| JobError::Lasting(format!("the parser ended early: {e}")))?;
    Ok((parsed, loaded))
}

fn parse(
    files: Originals,
    layout: &Layout,
    sender: &mpsc::Sender<LoadBatch>,
    progress: &Progress,
) -> Result<Parsed, ParseStop> {
    let mut parsed = Parsed::default();
    let mut bytes_before = 0i64;
    for (number, (name, source)) in (0i64..).zip(files) {
        let mut reader = RollReader::new(source, layout).map_err(|error| header_stop(&name, error))?;
        parsed.headers.push(reader.header().names.clone());
        let mut batch = Batch::default();
        while reader.next_batch(&mut batch, ROWS_A_BATCH).map_err(ParseStop::Unreadable)? {
            batch.entries.iter().filter_map(|entry| entry.area).for_each(|area| parsed.areas.add(area));
            progress.set_done(bytes_before.saturating_add_unsigned(batch.bytes_read));
            let entries = std::mem::take(&mut batch.entries);
            let rejects = std::mem::take(&mut batch.rejects);
            sender
                .blocking_send(LoadBatch { file: number, entries, rejects })
                .map_err(|_| ParseStop::NobodyListens)?;
        }
        let summary = reader.finish().map_err(ParseStop::Unreadable)?;
        bytes_before = bytes_before.saturating_add_unsigned(summary.bytes);
        parsed.rows_total = parsed.rows_total.saturating_add_unsigned(summary.rows_total);
        parsed.summaries.push(summary);
    }
    Ok(parsed)
}

fn header_stop(file: &str, error: HeaderError) -> ParseStop {
    if let HeaderError::Read(cause) = error {
        return ParseStop::Unreadable(cause);
    }
    ParseStop::Refused(format!("{file}: {}", with_causes(&error)))
}

/// The bytes that were parsed are the bytes that were received.
fn not_as_received(parsed: &Parsed, edition: &Edition) -> Option<String> {
    edition.files.iter().zip(&parsed.summaries).find(|(file, summary)| file.sha256 != summary.sha256).map(
        |(file, summary)| {
            format!(
                "the kept original of {} has changed since it was received (SHA-256 {} then, {} now): hand it in again",
                file.name, file.sha256, summary.sha256
            )
        },
    )
}

fn nothing_readable(rows: usize, first_reject: Option<&Reject>) -> String {
    match first_reject {
        None => "the file has a header and no rows: nothing to take in".to_owned(),
        Some(reject) => format!(
            "none of {rows} rows could be read, so the layout does not fit the file; the first, line {}: {}",
            reject.line, reject.detail
        ),
    }
}

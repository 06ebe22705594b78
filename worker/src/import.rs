//! Loading a staged edition: one thread parses, the store writes, and one transaction puts the result in use.
//!
//! A load that is broken off starts afresh: it costs a microsecond a row, and a file without a journal that was half
//! written is not to be trusted.

use std::io::Read;

use crossfoot_roll::entry::Reject;
use crossfoot_roll::header::HeaderError;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::reader::{Batch, RollReader, Summary};
use crossfoot_store::Store;
use crossfoot_store::job::Claim;
use crossfoot_store::load::{LoadBatch, Loaded};
use crossfoot_store::source::{Edition, Source};
use tokio::sync::mpsc;

use crate::progress::Progress;
use crate::runner::{JobEnd, JobError, with_causes};

/// Rows handed over at once, and how many such batches may wait: together they bound the memory.
const ROWS_A_BATCH: usize = 512;
const BATCHES_IN_FLIGHT: usize = 8;

/// What parsing came to.
struct Parsed {
    rows_total: i64,
    entries: u64,
    first_reject: Option<Reject>,
    summaries: Vec<Summary>,
}

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
    progress.set_total(edition.files.iter().map(|file| file.bytes).sum());
    let (parsed, loaded) = parse_and_load(store, &source, &edition, progress).await?;
    let parsed = match parsed {
        Ok(parsed) => parsed,
        Err(ParseStop::Refused(reason)) => return refuse(store, claim, &source, &edition, reason).await,
        Err(ParseStop::Unreadable(error)) => {
            return Err(JobError::Lasting(format!("the kept original cannot be read: {error}")));
        }
        Err(ParseStop::NobodyListens) => return Err(loaded.err().map_or_else(ended_early, JobError::Store)),
    };
    let mut loaded = loaded?;
    if let Some(reason) = not_as_received(&parsed, &edition) {
        return Err(JobError::Lasting(reason));
    }
    if parsed.entries == 0 {
        return refuse(store, claim, &source, &edition, nothing_readable(&parsed)).await;
    }
    loaded.counts.rows_total = parsed.rows_total;
    store.edition_make_current(claim, &source, edition.number, &loaded).await?;
    Ok(JobEnd::Done)
}

fn ended_early() -> JobError {
    JobError::Lasting("loading ended early without a reason".to_owned())
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

type LoadedOrNot = Result<Loaded, crossfoot_store::StoreError>;

async fn parse_and_load(
    store: &Store,
    source: &Source,
    edition: &Edition,
    progress: &Progress,
) -> Result<(Result<Parsed, ParseStop>, LoadedOrNot), JobError> {
    let mut files: Vec<(String, Box<dyn Read + Send>)> = Vec::with_capacity(edition.files.len());
    for file in &edition.files {
        files.push((file.name.clone(), Box::new(store.object_open(&file.object_key).await?)));
    }
    let (sender, receiver) = mpsc::channel(BATCHES_IN_FLIGHT);
    let (layout, progress) = (edition.layout.clone(), progress.clone());
    let parsing = tokio::task::spawn_blocking(move || parse(files, &layout, &sender, &progress));
    let loaded = store.edition_load(source, edition.number, receiver).await;
    let parsed = parsing.await.map_err(|e| JobError::Lasting(format!("the parser ended early: {e}")))?;
    Ok((parsed, loaded))
}

fn parse(
    files: Vec<(String, Box<dyn Read + Send>)>,
    layout: &Layout,
    sender: &mpsc::Sender<LoadBatch>,
    progress: &Progress,
) -> Result<Parsed, ParseStop> {
    let mut parsed = Parsed { rows_total: 0, entries: 0, first_reject: None, summaries: Vec::new() };
    let mut bytes_before = 0i64;
    for (number, (name, source)) in (0i64..).zip(files) {
        let mut reader = RollReader::new(source, layout).map_err(|error| header_stop(&name, error))?;
        let mut batch = Batch::default();
        while reader.next_batch(&mut batch, ROWS_A_BATCH).map_err(ParseStop::Unreadable)? {
            if parsed.first_reject.is_none() {
                parsed.first_reject = batch.rejects.first().cloned();
            }
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
        parsed.entries += summary.entries;
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

fn nothing_readable(parsed: &Parsed) -> String {
    match &parsed.first_reject {
        None => "the file has a header and no rows: nothing to take in".to_owned(),
        Some(reject) => format!(
            "none of {} rows could be read, so the layout does not fit the file; the first, line {}: {}",
            parsed.rows_total, reject.line, reject.detail
        ),
    }
}

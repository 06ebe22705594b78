//! Loading a staged edition: one thread parses, the store writes, and one transaction puts the result in use.
//!
//! A load that is broken off starts afresh: it costs a microsecond a row, and a file without a journal that was half
//! written is not to be trusted.

mod assembling;
mod checking;
mod keeping;
mod parsing;

use std::sync::mpsc as threads;

use crossfoot_audit::area::Area;
use crossfoot_roll::check::{Remark, RollCheck, passed_over};
use crossfoot_roll::reader::Summary;
use crossfoot_store::edition::{HoldReason, sentences};
use crossfoot_store::edition_text::as_received;
use crossfoot_store::in_place::{FileInPlace, Settled};
use crossfoot_store::job::Claim;
use crossfoot_store::load::{Feed, Loaded};
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{Edition, Source};
use crossfoot_store::{Store, StoreError};
use tokio::sync::mpsc;
use tracing::warn;

use crate::gates::{self, Facts};
use crate::import::parsing::{BATCHES_IN_FLIGHT, Look, Originals, ParseStop, Parsed, Reading, Sending};
use crate::progress::Progress;
use crate::runner::{JobEnd, JobError, with_causes};

/// Runs an import job.
pub(crate) async fn run(store: &Store, claim: &Claim, progress: &Progress) -> Result<JobEnd, JobError> {
    let number = |name: &str| {
        claim.payload.get(name).and_then(serde_json::Value::as_i64).ok_or_else(|| {
            JobError::Lasting(format!(
                "the job names no {name}: it was written by another version of this program"
            ))
        })
    };
    let place = (number("source")?, number("edition")?);
    if claim.payload.get("keep").is_some() {
        return keeping::run(store, claim, place).await;
    }
    let source = store.source_by_number(place.0).await?;
    let mut edition = store.edition(source.number, place.1).await?;
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
    progress.set_total(as_received(&edition.files).iter().map(|file| file.bytes).sum());
    // what is refused is refused before anything of it is written
    let Looked { look, good_for, texts, told } = match look_into(store, &source, &edition).await? {
        Ok(looked) => looked,
        Err(ParseStop::Refused(reason)) => return refuse(store, claim, &source, &edition, reason).await,
        Err(stop) => return Err(broken_off(stop, None)),
    };
    if let Some(texts) = texts {
        edition.files = store.edition_texts(claim, place, &edition.files, &texts).await?;
    }
    // loading begins by sweeping away what an earlier attempt left: after a pause that would be what is in use
    store.job_renew(claim, 0, Some(progress.get().1)).await?;
    let (parsed, loaded) =
        parse_and_load(store, claim, &source, &edition, (look, good_for), progress).await?;
    let parsed = match parsed {
        Ok(parsed) => parsed,
        Err(stop) => return Err(broken_off(stop, loaded.err())),
    };
    let mut loaded = loaded?;
    if let Some(reason) = not_as_received(&parsed, &edition) {
        return Err(JobError::Lasting(reason));
    }
    if let Some(reason) = here_already(store, claim, &edition, &parsed).await? {
        return refuse(store, claim, &source, &edition, reason).await;
    }
    let counts = complete(&edition, parsed, &mut loaded);
    let gates = checking::conclude(store, claim, &source, &edition, (counts, told), &loaded).await?;
    if gates.iter().any(|gate| gate.refuse) {
        let reasons: Vec<String> = gates.into_iter().map(|gate| gate.sentence).collect();
        return refuse(store, claim, &source, &edition, reasons.join("; ")).await;
    }
    let mut reasons = reasons_to_hold(store, &source, &edition, &loaded).await?;
    reasons.extend(gates.into_iter().map(|gate| HoldReason {
        kind: gate.kind,
        sentence: gate.sentence,
        figures: gate.figures,
    }));
    if !reasons.is_empty() {
        store.edition_hold(claim, &source, edition.number, &loaded, &reasons).await?;
        return Ok(JobEnd::Held(sentences(&reasons)));
    }
    store.edition_make_current(claim, &source, edition.number, &loaded).await?;
    tell_of_mends(store, &source, edition.number).await;
    // the job is over: what cannot be asked for now is asked for after the next edition
    if let Err(error) = store.compaction_ask_when_due(&source).await {
        warn!("folding the changes of {} was not asked for: {}", source.id, with_causes(&error));
    }
    Ok(JobEnd::Done)
}

/// Adds what only the parser knows to what came of the rows; gives the counts of the whole edition.
fn complete(edition: &Edition, parsed: Parsed, loaded: &mut Loaded) -> Option<RollCheck> {
    let counts = checking::counts(parsed.check, loaded);
    let median = parsed.areas.median().or_else(|| checking::median(counts.as_ref()?, edition));
    loaded.counts.rows_total = parsed.rows_total;
    loaded.counts.rows_repeated = loaded.counts.rows_repeated.saturating_add(parsed.rows_repeated);
    loaded.median_um2 = median.map(Area::square_micrometres);
    loaded.headers = parsed.headers;
    counts
}

/// Settles what files that were read in place are; why they are refused where they turn out to be here already.
async fn here_already(
    store: &Store,
    claim: &Claim,
    edition: &Edition,
    parsed: &Parsed,
) -> Result<Option<String>, JobError> {
    if !edition.files.iter().any(|file| FileInPlace::of_key(&file.object_key).is_some()) {
        return Ok(None);
    }
    still_in_place(store, edition).await?;
    let read =
        |(file, summary): (&KeptFile, &Summary)| KeptFile { sha256: summary.sha256.clone(), ..file.clone() };
    let files: Vec<KeptFile> = edition.files.iter().zip(&parsed.summaries).map(read).collect();
    let settled = store.edition_settle(claim, (edition.source, edition.number), &files).await?;
    let Settled::Known(known) = settled else { return Ok(None) };
    Ok(Some(format!("these files are here already as edition {known}: nothing to do")))
}

/// Why a loaded edition is held for a person instead of being put in use; nothing for a first one.
async fn reasons_to_hold(
    store: &Store,
    source: &Source,
    edition: &Edition,
    loaded: &Loaded,
) -> Result<Vec<HoldReason>, StoreError> {
    let Some(current) = source.current_edition else { return Ok(Vec::new()) };
    // rows that an office mended are no roll: they are not held against one, nor a roll against them
    if store.mend(source.number, edition.number).await?.is_some() {
        return Ok(Vec::new());
    }
    let before = store.edition(source.number, store.mend_root(source.number, current).await?).await?;
    let limits = store.limits(source.number).await?;
    let before = Facts::of(before.counts, before.median_um2, &before.headers, &before.layout);
    let after = Facts::of(loaded.counts, loaded.median_um2, &loaded.headers, &edition.layout);
    Ok(gates::reasons(&before, &after, &limits))
}

/// Says what a publisher's edition made of the rows that the office had mended: they are not carried over. The edition is
/// in use by now, and a notice that is not written must not undo that.
async fn tell_of_mends(store: &Store, source: &Source, edition: i64) {
    let telling = async {
        if store.mend(source.number, edition).await?.is_some() {
            return Ok(());
        }
        let source = store.source_by_number(source.number).await?;
        let after = store.mends_after(&source, edition).await?;
        if after.ended + after.changed == 0 {
            return Ok(());
        }
        let detail = format!(
            "edition {edition}: of {} records with mended rows {} are as the publisher has them now and {} are gone; \
             mend those rows again if they are in quarantine again",
            after.mended, after.changed, after.ended
        );
        store.notice_write(None, Some(source.number), "mends_ended", &detail).await
    };
    let told: Result<(), StoreError> = telling.await;
    if let Err(error) = told {
        tracing::warn!("what became of mended rows was not told: {}", with_causes(&error));
    }
}

/// Why a load that begun did not come to its end.
fn broken_off(stop: ParseStop, loading: Option<StoreError>) -> JobError {
    match (stop, loading) {
        (ParseStop::Refused(reason), _) => JobError::Lasting(reason),
        (ParseStop::Unreadable(error), _) => {
            JobError::Lasting(format!("the original cannot be read: {error}"))
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

/// The files of an edition as received: the texts in one are found in it again.
async fn originals(store: &Store, edition: &Edition) -> Result<Originals, StoreError> {
    let received = as_received(&edition.files);
    let mut files: Originals = Vec::with_capacity(received.len());
    for file in received {
        files.push((file.name, store.object_open(&file.object_key).await?));
    }
    Ok(files)
}

/// What a look into the files of an edition found.
struct Looked {
    look: Look,
    /// What a line index of the files is good for.
    good_for: Option<String>,
    /// Under a layout with tables the texts that are read: of each the place of its file and, where that holds several,
    /// its name.
    texts: Option<Vec<(usize, Option<String>)>>,
    /// What there is to tell of the files.
    told: Vec<Remark>,
}

/// Looks into the files before anything is written.
async fn look_into(
    store: &Store,
    source: &Source,
    edition: &Edition,
) -> Result<Result<Looked, ParseStop>, JobError> {
    let files = match originals(store, edition).await {
        Ok(files) => files,
        // gone, or another file by now
        Err(StoreError::File { cause, .. }) => return Ok(Err(ParseStop::Unreadable(cause))),
        Err(error) => return Err(error.into()),
    };
    let (layout, scratch) = (edition.layout.clone(), store.scratch());
    if layout.assembles() {
        let looking = tokio::task::spawn_blocking(move || assembling::look_into(files, &layout, &scratch));
        return Ok(looking.await.map_err(parser_ended)?.map(|found| Looked {
            look: Look::Again,
            good_for: None,
            texts: Some(found.texts.into_iter().map(|text| (text.file, text.within)).collect()),
            told: found.passed_over.iter().filter_map(|(name, all)| passed_over(name, all)).collect(),
        }));
    }
    let opening = tokio::task::spawn_blocking(move || parsing::open(files, &layout, &scratch));
    let opened = match opening.await.map_err(parser_ended)? {
        Ok(opened) => opened,
        Err(stop) => return Ok(Err(stop)),
    };
    let told = opened.passed_over();
    // what an office mended is no file of the publisher's: the next one is not read against it
    let mended = store.mend(source.number, edition.number).await?.is_some();
    let good_for = opened.good_for().filter(|_| !mended);
    let known = match &good_for {
        Some(good_for) => store.edition_lines(source, good_for).await?,
        None => None,
    };
    let looking = tokio::task::spawn_blocking(move || parsing::look(opened.against(known)));
    Ok(looking.await.map_err(parser_ended)?.map(|look| Looked { look, good_for, texts: None, told }))
}

fn parser_ended(error: tokio::task::JoinError) -> JobError {
    JobError::Lasting(format!("the parser ended early: {error}"))
}

async fn parse_and_load(
    store: &Store,
    claim: &Claim,
    source: &Source,
    edition: &Edition,
    (look, good_for): (Look, Option<String>),
    progress: &Progress,
) -> Result<(Result<Parsed, ParseStop>, LoadedOrNot), JobError> {
    let files = match look {
        Look::Begun(_) => Originals::new(),
        Look::Again => originals(store, edition).await?,
    };
    let (batches, receiver) = mpsc::channel(BATCHES_IN_FLIGHT);
    let (give_back, spent) = threads::channel();
    let reading =
        Reading { layout: edition.layout.clone(), scratch: store.scratch(), progress: progress.clone() };
    let parsing = tokio::task::spawn_blocking(move || {
        if reading.layout.assembles() {
            return assembling::parse(files, &reading, &batches);
        }
        let opened = match look {
            Look::Begun(opened) => *opened,
            Look::Again => parsing::open(files, &reading.layout, &reading.scratch)?,
        };
        parsing::parse(opened, &Sending { batches, spent }, &reading)
    });
    let loaded = store
        .edition_load(claim, source, edition.number, Feed::of_lines(receiver, give_back, good_for))
        .await;
    Ok((parsing.await.map_err(parser_ended)?, loaded))
}

/// Every file that was read in place is still the one that was handed in.
async fn still_in_place(store: &Store, edition: &Edition) -> Result<(), JobError> {
    originals(store, edition).await.map(|_| ()).map_err(|error| JobError::Lasting(with_causes(&error)))
}

/// The bytes that were parsed are the bytes that were received.
fn not_as_received(parsed: &Parsed, edition: &Edition) -> Option<String> {
    if parsed.summaries.len() != edition.files.len() {
        return Some(
            "the files hold other texts than when they were looked at: hand them in again".to_owned(),
        );
    }
    let mut read = edition.files.iter().zip(&parsed.summaries);
    read.find(|(file, summary)| !file.sha256.is_empty() && file.sha256 != summary.sha256).map(
        |(file, summary)| {
            format!(
                "the kept original of {} has changed since it was received (SHA-256 {} then, {} now): hand it in again",
                file.name, file.sha256, summary.sha256
            )
        },
    )
}

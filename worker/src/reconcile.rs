//! Reconciling an office's houses with a source: count, brake, apply in batches, report.

use std::collections::HashMap;
use std::sync::Arc;

use crossfoot_audit::judge::transition::Move;
use crossfoot_audit::record::parcel_key::KeyNormaliser;
use crossfoot_audit::standard::Standard;
use crossfoot_roll::layout::Layout;
use crossfoot_store::job::Claim;
use crossfoot_store::policy::VersionedPolicy;
use crossfoot_store::record::Record;
use crossfoot_store::run::{Applied, JudgedPair, Pending, Run, RunCounts, RunEnd};
use crossfoot_store::source::Source;
use crossfoot_store::{Store, StoreError};

use tokio::sync::mpsc;

use crate::judging::Judging;
use crate::progress::Progress;
use crate::runner::{JobEnd, JobError};
use crate::standards::Standards;

/// Pairs judged and applied at once: one short transaction.
const PAIRS_A_BATCH: i64 = 2_000;
/// Pages that wait, judged, while one is written.
const PAGES_AHEAD: usize = 1;
/// The brake is for floods: fewer changes than this never hold a run.
const BRAKE_CHANGES_MIN: i64 = 10;
/// Rounds over pairs that people changed meanwhile; what is left then waits for the next run.
const ROUNDS_MAX: usize = 3;

/// Everything that a run reads besides the pairs: pinned together, read again together when it moved on.
struct Pinned {
    source: Source,
    layout: Layout,
    normaliser: KeyNormaliser,
    /// The standard that the layout names as its basis, where the office has one of that name.
    standard: Option<Standard>,
    policy: VersionedPolicy,
}

impl Pinned {
    fn judging(&self) -> Judging<'_> {
        Judging {
            source_id: &self.source.id,
            edition: self.source.current_edition.unwrap_or(0),
            layout: &self.layout,
            normaliser: &self.normaliser,
            standard: self.standard.as_ref(),
            policy: &self.policy,
        }
    }
}

/// Runs a reconcile job.
pub(crate) async fn run(
    store: &Store,
    standards: &Standards,
    claim: &Claim,
    progress: &Progress,
) -> Result<JobEnd, JobError> {
    let office =
        claim.office.clone().ok_or_else(|| JobError::Lasting("the job names no office".to_owned()))?;
    let number = claim
        .payload
        .get("source")
        .and_then(serde_json::Value::as_i64)
        .ok_or_else(|| JobError::Lasting("the job names no source".to_owned()))?;
    let release = claim.payload.get("release").and_then(serde_json::Value::as_bool).unwrap_or(false);
    let mut claim = claim.clone();
    loop {
        let Some(pinned) = pin(store, standards, &office, number).await? else {
            store.job_finish(&claim).await?;
            return Ok(JobEnd::Done);
        };
        let pinned = Arc::new(pinned);
        let basis = pinned.standard.as_ref().map_or(&pinned.layout.basis, |standard| &standard.id);
        let mut run = store.run_begin(&claim, &office, &pinned.source, pinned.policy.version, basis).await?;
        claim.resume.clone_from(&run.id);
        if !run.applying {
            if let Some(held) = brake(store, &pinned, &run, release).await? {
                store.run_end(&claim, &run, &held.counts, RunEnd::Held).await?;
                return Ok(JobEnd::Held(held.reason));
            }
            store.run_pass_brake(&claim, &mut run).await?;
        }
        if apply_all(store, &pinned, &claim, &mut run, progress).await? {
            store.run_end(&claim, &run, &run.counts, RunEnd::Done).await?;
            return Ok(JobEnd::Done);
        }
        // the edition, the policy or the standard moved on: what was applied stands, the rest is judged by the new ones
    }
}

async fn pin(
    store: &Store,
    standards: &Standards,
    office: &str,
    number: i64,
) -> Result<Option<Pinned>, JobError> {
    // the policy before the source: a change of any after this is seen when a batch is applied
    let policy = store.policy_in_force(office).await?;
    let source = store.source_by_number(number).await?;
    // where the first edition was withdrawn, no house has a record any more, by the rules of that edition
    let read_by = match source.current_edition {
        Some(current) => Some(current),
        None if store.pending_count(office, number).await? > 0 => {
            store.edition_withdrawn_last(number).await?
        }
        None => None,
    };
    let Some(read_by) = read_by else { return Ok(None) };
    let layout = store.edition(source.number, read_by).await?.layout;
    let normaliser = layout
        .parcel
        .key_rule()
        .compile()
        .map_err(|e| JobError::Lasting(format!("the layout of {}: {e}", source.id)))?;
    let standard = standards.named(office, &layout.basis).await?;
    Ok(Some(Pinned { source, layout, normaliser, standard, policy }))
}

/// Judges a page: looks up the records of all its keys at once. Judging goes to a thread of its own: it would keep this
/// one from what other tasks wait for, a lease to be renewed among them. Gives the page back.
async fn judge_page(
    store: &Store,
    pinned: &Arc<Pinned>,
    page: Vec<Pending>,
) -> Result<(Vec<Pending>, Vec<JudgedPair>), StoreError> {
    let judging = pinned.judging();
    let mut keys: Vec<String> = page.iter().filter_map(|pending| judging.key(pending).ok()).collect();
    keys.sort_unstable();
    keys.dedup();
    let records = match pinned.source.current_edition {
        Some(_) => store.record_by_keys(&pinned.source, &keys).await?,
        None => Vec::new(),
    };
    let pinned = Arc::clone(pinned);
    let judging = move || {
        let by_key: HashMap<&str, &Record> = records.iter().map(|r| (r.parcel_key.as_str(), r)).collect();
        let judging = pinned.judging();
        let judged = page.iter().map(|pending| judging.judge(pending, &by_key)).collect();
        (page, judged)
    };
    tokio::task::spawn_blocking(judging).await.map_err(StoreError::Task)
}

struct Brake {
    reason: String,
    counts: RunCounts,
}

/// Counts what the run would open or close among the pairs that were judged before, and holds it when that is more
/// than the policy's share: a town does not change overnight, a definition does. A first run is exempt.
async fn brake(
    store: &Store,
    pinned: &Arc<Pinned>,
    run: &Run,
    release: bool,
) -> Result<Option<Brake>, JobError> {
    if release {
        return Ok(None);
    }
    let judged_before = store.judged_count(&run.office, run.source).await?;
    if judged_before == 0 {
        return Ok(None);
    }
    let (mut counts, mut changes) = (RunCounts::default(), 0i64);
    let mut after = String::new();
    loop {
        let page = store.pending_page(&run.office, run.source, &after, PAIRS_A_BATCH).await?;
        let Some(last) = page.last() else { break };
        after.clone_from(&last.property);
        let (page, judged) = judge_page(store, pinned, page).await?;
        for (pending, pair) in page.iter().zip(&judged) {
            let what = pair.change.as_ref().map(|change| change.what);
            counts.add(&pair.outcome, what);
            let flips = matches!(what, Some(Move::Open | Move::Reopen | Move::Close(_)));
            changes += i64::from(flips && pending.judged_before);
        }
    }
    let share = changes as f64 / judged_before as f64;
    let limit = pinned.policy.policy.brake_share;
    if changes < BRAKE_CHANGES_MIN || share <= limit {
        return Ok(None);
    }
    let reason = format!(
        "{changes} of {judged_before} pairs judged before would open or close ({:.1} %, the policy holds beyond {:.1} %): \
         look whether the source changed its definition, then release the run or leave it",
        share * 100.0,
        limit * 100.0
    );
    Ok(Some(Brake { reason, counts }))
}

/// Judges and applies everything that stands to be judged; false when the edition, the policy or the standard
/// moved on.
async fn apply_all(
    store: &Store,
    pinned: &Arc<Pinned>,
    claim: &Claim,
    run: &mut Run,
    progress: &Progress,
) -> Result<bool, JobError> {
    let waiting = store.pending_count(&run.office, run.source).await?;
    let total = run.counts.judged().saturating_add(waiting);
    progress.set_total(total);
    for _round in 0..ROUNDS_MAX {
        let (mut left_over, mut batches) = (0, 0u32);
        let mut pages = Pages::read(store.clone(), Arc::clone(pinned), run);
        while let Some(judged) = pages.next().await? {
            let so_far = run.counts.judged().saturating_add(i64::try_from(judged.len()).unwrap_or(0));
            match store.run_apply(claim, run, judged, (so_far, total)).await? {
                Applied::MovedOn => return Ok(false),
                Applied::Written { left } => left_over += left,
            }
            progress.set_done(run.counts.judged());
            batches += 1;
            if waiting > PAIRS_A_BATCH && Store::statistics_due(batches) {
                store.statistics_refresh().await?;
            }
        }
        if left_over == 0 {
            break;
        }
    }
    Ok(true)
}

/// Pages of judged pairs, read and judged beside the writing of those before them. A page does not depend on what was
/// written of an earlier one: each pair stands on one page, and what people change meanwhile is seen when it is applied.
struct Pages {
    judged: mpsc::Receiver<Result<Vec<JudgedPair>, StoreError>>,
    reading: tokio::task::JoinHandle<()>,
}

impl Pages {
    fn read(store: Store, pinned: Arc<Pinned>, run: &Run) -> Pages {
        let (sender, judged) = mpsc::channel(PAGES_AHEAD);
        let (office, source) = (run.office.clone(), run.source);
        let reading = tokio::spawn(async move {
            // the next page is read while one is judged
            let read_after = |after: String| {
                let (store, office) = (store.clone(), office.clone());
                tokio::spawn(async move { store.pending_page(&office, source, &after, PAIRS_A_BATCH).await })
            };
            let mut next = read_after(String::new());
            loop {
                let page = match next.await.map_err(StoreError::Task).flatten() {
                    Ok(page) => page,
                    Err(error) => return drop(sender.send(Err(error)).await),
                };
                let Some(last) = page.last() else { return };
                next = read_after(last.property.clone());
                let judged = judge_page(&store, &pinned, page).await;
                if sender.send(judged.map(|(_, judged)| judged)).await.is_err() {
                    return;
                }
            }
        });
        Pages { judged, reading }
    }

    /// The next page, none after the last.
    async fn next(&mut self) -> Result<Option<Vec<JudgedPair>>, JobError> {
        match self.judged.recv().await {
            Some(page) => Ok(Some(page?)),
            // what has panicked has told no end: the pairs behind it would be taken for judged
            None => match (&mut self.reading).await {
                Ok(()) => Ok(None),
                Err(error) => Err(JobError::Lasting(format!("judging ended early: {error}"))),
            },
        }
    }
}

impl Drop for Pages {
    fn drop(&mut self) {
        self.reading.abort();
    }
}

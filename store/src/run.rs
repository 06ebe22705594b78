//! Runs: what stands to be judged, and the batches in which judgements are applied.
//!
//! `to_judge` is filled in the transaction that changes something and emptied in the batch that judges it. Each row
//! has a stamp that a later cause renews; a batch deletes only the rows whose stamp it has read.

mod apply;

pub use apply::Applied;
pub(crate) use apply::{count_queue, follow_judgements};

use crossfoot_audit::judge::Judgement;
use crossfoot_audit::judge::transition::{Bound, Closing, Move, Standing, State};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;

use crate::database::{Lock, Row, Tx, texts, values};
use crate::job::{Claim, JobKind, NewJob, commit_held, enqueue, finish, hold};
use crate::settle::Verdict;
use crate::source::Source;
use crate::{Store, StoreError};

/// What puts a pair up to be judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// A measurement arrived.
    Upload,
    /// An edition became current.
    Edition,
    /// The policy, or a definition of floor area of the office, changed.
    Policy,
    /// A person asked.
    Person,
    /// A schedule was due. It asks for a run and puts nothing up by itself.
    Schedule,
}

impl Cause {
    /// The name kept in databases.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Cause::Upload => "upload",
            Cause::Edition => "edition",
            Cause::Policy => "policy",
            Cause::Person => "person",
            Cause::Schedule => "schedule",
        }
    }
}

/// A property that stands to be judged against a source, with what the judgement needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Pending {
    /// The property.
    pub property: String,
    /// The stamp of its row in `to_judge`.
    pub stamp: i64,
    /// The parcel number as the office writes it.
    pub parcel: String,
    /// The situs address as the office writes it, or empty.
    pub address: String,
    /// The jurisdiction, or empty.
    pub jurisdiction: String,
    /// The version of the newest measurement.
    pub measurement_version: i64,
    /// Its document as received.
    pub document: String,
    /// Whether the pair was judged before.
    pub judged_before: bool,
    /// The finding, where there is one.
    pub finding: Option<PendingFinding>,
    /// What a person last settled about the pair, and about which record.
    pub settled: Option<(Verdict, i64)>,
}

/// The finding of a pending pair.
#[derive(Debug, Clone, PartialEq)]
pub struct PendingFinding {
    /// Its id.
    pub id: String,
    /// Its row version as read.
    pub row_version: i64,
    /// Its state, and what the last opening or decision saw.
    pub standing: Standing,
}

/// How a property was matched with a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MatchOutcome {
    /// Its state.
    pub state: MatchState,
    /// The parcel number normalised by the source's rule, or as the office writes it where it cannot be.
    pub parcel_key: String,
    /// The record, where there is a candidate.
    pub record_number: Option<i64>,
    /// What speaks against the match, or why there is none.
    pub conflict: String,
}

/// The state of a match.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MatchState {
    /// Sure.
    Sure,
    /// A person settled that they are the same.
    Settled,
    /// A person must settle it.
    ToSettle,
    /// No record has the parcel number.
    Unmatched,
    /// The parcel number cannot be read by the source's rule.
    Unreadable,
}

impl MatchState {
    /// The name kept in databases.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            MatchState::Sure => "sure",
            MatchState::Settled => "settled",
            MatchState::ToSettle => "to_settle",
            MatchState::Unmatched => "unmatched",
            MatchState::Unreadable => "unreadable",
        }
    }
}

/// What judging a pair came to.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedPair {
    /// The property.
    pub property: String,
    /// The stamp that was read.
    pub stamp: i64,
    /// The match.
    pub matched: MatchOutcome,
    /// One word for the outcome: a verdict, a state of the match, or why the pair was not judged.
    pub outcome: String,
    /// The judgement, where there is one.
    pub judgement: Option<Judgement>,
    /// The version of the measurement that was judged.
    pub measurement_version: i64,
    /// The edition that the record's version came with.
    pub record_edition: Option<i64>,
    /// What becomes of the finding.
    pub change: Option<FindingChange>,
}

/// A change of a finding.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingChange {
    /// The finding.
    pub id: String,
    /// The row version that was read; 0 for a new finding.
    pub row_version: i64,
    /// What happens.
    pub what: Move,
    /// The state before, for the history.
    pub state_before: Option<State>,
    /// What the finding is then bound to.
    pub bound: Bound,
}

/// What a run has done so far.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunCounts {
    /// Pairs judged, by outcome.
    pub outcomes: BTreeMap<String, i64>,
    /// Findings opened for the first time.
    pub opened: i64,
    /// Findings opened again.
    pub reopened: i64,
    /// Open findings whose figures moved.
    pub revised: i64,
    /// Findings closed, by reason.
    pub closed: BTreeMap<String, i64>,
}

impl RunCounts {
    /// Adds a judged pair.
    pub fn add(&mut self, outcome: &str, what: Option<Move>) {
        *self.outcomes.entry(outcome.to_owned()).or_default() += 1;
        match what {
            Some(Move::Open) => self.opened += 1,
            Some(Move::Reopen) => self.reopened += 1,
            Some(Move::Revise) => self.revised += 1,
            Some(Move::Close(reason)) => *self.closed.entry(reason.name().to_owned()).or_default() += 1,
            Some(Move::Stay) | None => {}
        }
    }

    /// Pairs judged.
    #[must_use]
    pub fn judged(&self) -> i64 {
        self.outcomes.values().sum()
    }
}

/// A run in progress, with the versions that it is pinned to.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Its id.
    pub id: String,
    /// The office.
    pub office: String,
    /// The source's number.
    pub source: i64,
    /// The edition that it reads.
    pub edition: i64,
    /// The policy that it judges by.
    pub policy_version: i64,
    /// The standard under which houses are stated: its id, and its version where it is the office's own.
    pub standard: String,
    /// Whether it has passed the brake.
    pub applying: bool,
    /// What it has done.
    pub counts: RunCounts,
}

/// A run as it is shown.
#[derive(Debug, Clone, PartialEq)]
pub struct RunView {
    /// Its id.
    pub id: String,
    /// The source's name.
    pub source: String,
    /// Why it ran.
    pub cause: String,
    /// `counting`, `applying`, `held` or `done`.
    pub state: String,
    /// The edition that it read.
    pub edition: i64,
    /// The policy that it judged by.
    pub policy_version: i64,
    /// What it did, or would have done where it is held.
    pub counts: RunCounts,
}

/// How a run ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunEnd {
    /// Everything was applied.
    Done,
    /// Held for a person; nothing was applied.
    Held,
}

pub(crate) struct SourceScope {
    pub(crate) number: i64,
    pub(crate) jurisdiction: String,
}

impl Store {
    /// Asks for a run of an office over a source, because a person or a program of theirs asked. `release` lets it
    /// pass the brake. A run that is queued already is this one, and keeps its cause.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn run_request(
        &self,
        office: &str,
        source: &Source,
        release: bool,
    ) -> Result<String, StoreError> {
        self.ask(office, source, Cause::Person, release).await
    }

    /// As [`Store::run_request`], because a schedule is due; nobody is there to let it pass the brake.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn run_request_scheduled(&self, office: &str, source: &Source) -> Result<String, StoreError> {
        self.ask(office, source, Cause::Schedule, false).await
    }

    async fn ask(
        &self,
        office: &str,
        source: &Source,
        cause: Cause,
        release: bool,
    ) -> Result<String, StoreError> {
        let mut tx = self.main.begin().await?;
        let mut job = reconcile_job(office, source.number, cause);
        if release {
            job = released(job, cause);
        }
        let id = enqueue(&mut tx, job).await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Begins the run of a claimed job, or takes up the one that an earlier attempt began.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn run_begin(
        &self,
        claim: &Claim,
        office: &str,
        source: &Source,
        policy_version: i64,
        standard: &str,
    ) -> Result<Run, StoreError> {
        let edition = source.current_edition.unwrap_or(0);
        let cause = claim.payload.get("cause").and_then(|c| c.as_str()).unwrap_or("person").to_owned();
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        let taken_up = "SELECT state, counts FROM run WHERE office = $1 AND id = $2 AND state IN ('counting', 'applying')";
        let before = tx.fetch_one(taken_up, values![office, &claim.resume]).await?;
        let (id, applying, counts) = match before {
            Some(row) => {
                tx.execute(
                    "UPDATE run SET edition = $1, policy_version = $2 WHERE office = $3 AND id = $4",
                    values![edition, policy_version, office, &claim.resume],
                )
                .await?;
                (
                    claim.resume.clone(),
                    row.get::<String>(0)? == "applying",
                    counts_of(&row.get::<String>(1)?)?,
                )
            }
            None => {
                let id = uuid::Uuid::now_v7().to_string();
                tx.execute(
                    "INSERT INTO run (office, id, source, cause, state, edition, policy_version, counts, started_at)
                     VALUES ($1, $2, $3, $4, 'counting', $5, $6, $7, now_us())",
                    values![office, &id, source.number, cause, edition, policy_version, counts_text(&RunCounts::default())?],
                )
                .await?;
                tx.execute("UPDATE job SET resume = $1 WHERE id = $2", values![&id, &claim.id]).await?;
                (id, false, RunCounts::default())
            }
        };
        commit_held(tx, claim).await?;
        Ok(Run {
            id,
            office: office.to_owned(),
            source: source.number,
            edition,
            policy_version,
            standard: standard.to_owned(),
            applying,
            counts,
        })
    }

    /// A run passed the brake: from now on it applies.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn run_pass_brake(&self, claim: &Claim, run: &mut Run) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.execute(
            "UPDATE run SET state = 'applying' WHERE office = $1 AND id = $2",
            values![&run.office, &run.id],
        )
        .await?;
        tx.commit().await?;
        run.applying = true;
        Ok(())
    }

    /// Ends a run and its job.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn run_end(
        &self,
        claim: &Claim,
        run: &Run,
        counts: &RunCounts,
        end: RunEnd,
    ) -> Result<(), StoreError> {
        let state = match end {
            RunEnd::Done => "done",
            RunEnd::Held => "held",
        };
        let mut tx = self.main.begin().await?;
        finish(&mut tx, claim).await?;
        tx.execute(
            "UPDATE run SET state = $1, counts = $2, ended_at = now_us() WHERE office = $3 AND id = $4",
            values![state, counts_text(counts)?, &run.office, &run.id],
        )
        .await?;
        tx.commit().await
    }

    /// The newest runs of an office.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn run_list(&self, office: &str, limit: i64) -> Result<Vec<RunView>, StoreError> {
        let sql = "SELECT r.id, s.id, r.cause, r.state, r.edition, r.policy_version, r.counts
                   FROM run r JOIN source s ON s.number = r.source
                   WHERE r.office = $1 ORDER BY r.started_at DESC, r.id DESC LIMIT $2";
        let rows = self.main.fetch(sql, values![office, limit]).await?;
        rows.iter()
            .map(|row| {
                Ok(RunView {
                    id: row.get(0)?,
                    source: row.get(1)?,
                    cause: row.get(2)?,
                    state: row.get(3)?,
                    edition: row.get(4)?,
                    policy_version: row.get(5)?,
                    counts: counts_of(&row.get::<String>(6)?)?,
                })
            })
            .collect()
    }

    /// Pairs of an office and a source that stand to be judged, after a property, in the order of properties.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn pending_page(
        &self,
        office: &str,
        source: i64,
        after: &str,
        limit: i64,
    ) -> Result<Vec<Pending>, StoreError> {
        // the page first, then the joins: a planner without statistics would join everything and then cut
        let sql = "SELECT t.property, t.stamp, p.parcel, p.address, p.jurisdiction, p.measurement_version, m.document,
                          j.outcome IS NOT NULL, f.id, f.row_version, f.state, f.bound, d.verdict, d.record_number
                   FROM (SELECT office, source, property, stamp FROM to_judge
                         WHERE office = $1 AND source = $2 AND property > $3 ORDER BY property LIMIT $4) t
                   JOIN property p ON p.office = t.office AND p.id = t.property
                   JOIN measurement m ON m.office = t.office AND m.property = t.property AND m.version = p.measurement_version
                   LEFT JOIN judgement j ON j.office = t.office AND j.property = t.property AND j.source = t.source
                   LEFT JOIN finding f ON f.office = t.office AND f.property = t.property AND f.source = t.source
                   LEFT JOIN match_decision d ON d.office = t.office AND d.property = t.property AND d.source = t.source
                        AND d.number = (SELECT max(number) FROM match_decision
                                        WHERE office = t.office AND property = t.property AND source = t.source)
                   ORDER BY t.property";
        self.main
            .fetch_bulk(sql, values![office, source, after, limit])
            .await?
            .iter()
            .map(pending_of)
            .collect()
    }

    /// How many pairs stand to be judged for an office and a source.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn pending_count(&self, office: &str, source: i64) -> Result<i64, StoreError> {
        self.count_of("SELECT count(*) FROM to_judge WHERE office = $1 AND source = $2", office, source).await
    }

    /// How many pairs were ever judged for an office and a source: all of them are gone through.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn judged_count(&self, office: &str, source: i64) -> Result<i64, StoreError> {
        self.count_of("SELECT count(*) FROM judgement WHERE office = $1 AND source = $2", office, source)
            .await
    }

    async fn count_of(&self, sql: &str, office: &str, source: i64) -> Result<i64, StoreError> {
        let row = self.main.fetch_one(sql, values![office, source]).await?;
        row.map_or(Ok(0), |row| row.get(0))
    }
}

fn pending_of(row: &Row) -> Result<Pending, StoreError> {
    let finding = match row.get::<Option<String>>(8)? {
        None => None,
        Some(id) => {
            let state: String = row.get(10)?;
            let bound: String = row.get(11)?;
            Some(PendingFinding {
                id,
                row_version: row.get(9)?,
                standing: Standing {
                    state: State::from_name(&state).ok_or_else(|| StoreError::Damaged {
                        what: "state of a finding",
                        why: state.clone(),
                    })?,
                    bound: serde_json::from_str(&bound)
                        .map_err(|e| StoreError::Damaged { what: "finding", why: e.to_string() })?,
                },
            })
        }
    };
    Ok(Pending {
        property: row.get(0)?,
        stamp: row.get(1)?,
        parcel: row.get(2)?,
        address: row.get(3)?,
        jurisdiction: row.get(4)?,
        measurement_version: row.get(5)?,
        document: row.get(6)?,
        judged_before: row.get(7)?,
        finding,
        settled: row.get::<Option<String>>(12)?.as_deref().and_then(Verdict::from_name).zip(row.get(13)?),
    })
}

pub(crate) fn counts_text(counts: &RunCounts) -> Result<String, StoreError> {
    serde_json::to_string(counts)
        .map_err(|e| StoreError::Damaged { what: "counts of a run", why: e.to_string() })
}

fn counts_of(text: &str) -> Result<RunCounts, StoreError> {
    serde_json::from_str(text)
        .map_err(|e| StoreError::Damaged { what: "counts of a run", why: e.to_string() })
}

fn reconcile_job(office: &str, source: i64, cause: Cause) -> NewJob {
    NewJob {
        office: Some(office.to_owned()),
        kind: JobKind::Reconcile,
        payload: json!({ "source": source, "cause": cause.name() }),
        dedup_key: format!("reconcile:{office}:{source}"),
        exclusive_key: format!("reconcile:{office}:{source}"),
    }
}

/// The same job, let past the brake.
fn released(mut job: NewJob, cause: Cause) -> NewJob {
    let source = job.payload.get("source").cloned().unwrap_or_default();
    job.payload = json!({ "source": source, "cause": cause.name(), "release": true });
    job.dedup_key = format!("{}:release", job.dedup_key);
    job
}

/// A stamp that no earlier row of `to_judge` had.
fn fresh_stamp() -> i64 {
    let bits = uuid::Uuid::now_v7().as_u128() ^ (uuid::Uuid::now_v7().as_u128() >> 64);
    i64::try_from(bits & 0x7fff_ffff_ffff_ffff).unwrap_or(0)
}

const TO_JUDGE: &str = "to_judge (office, source, property, stamp, cause)";
const RENEWED: &str =
    "ON CONFLICT (office, source, property) DO UPDATE SET stamp = excluded.stamp, cause = excluded.cause";

pub(crate) async fn sources_with_records(tx: &mut Tx) -> Result<Vec<SourceScope>, StoreError> {
    let sql = "SELECT number, jurisdiction FROM source WHERE current_edition IS NOT NULL ORDER BY number";
    let rows = tx.fetch(sql, values![]).await?;
    rows.iter().map(|row| Ok(SourceScope { number: row.get(0)?, jurisdiction: row.get(1)? })).collect()
}

/// Keeps the current editions of all sources from moving until the transaction ends: a house that arrives while a
/// source gets its first edition would else be seen by neither side.
pub(crate) async fn hold_sources(tx: &mut Tx) -> Result<(), StoreError> {
    tx.lock(Lock::Shared, "SELECT number FROM source ORDER BY number", values![]).await
}

/// Puts pairs up to be judged, with the jobs that judge them.
pub(crate) async fn to_judge_rows(
    tx: &mut Tx,
    office: &str,
    pairs: &[(i64, String)],
    cause: Cause,
) -> Result<(), StoreError> {
    let stamp = fresh_stamp();
    let rows = pairs
        .iter()
        .map(|(source, property)| values![office, *source, property, stamp, cause.name()])
        .collect();
    tx.insert_many(TO_JUDGE, rows, RENEWED).await?;
    let mut sources: Vec<i64> = pairs.iter().map(|(source, _)| *source).collect();
    sources.sort_unstable();
    sources.dedup();
    for source in sources {
        enqueue(tx, reconcile_job(office, source, cause)).await?;
    }
    Ok(())
}

/// A property lies in the source's jurisdiction, or one of the two states none.
const CONCERNS: &str = "(p.jurisdiction = '' OR $3 = '' OR p.jurisdiction = $3
                         OR substr(p.jurisdiction, 1, length($3) + 1) = $3 || '-')";

/// Puts every property of an office up against every source that concerns it.
pub(crate) async fn to_judge_everything(tx: &mut Tx, office: &str, cause: Cause) -> Result<(), StoreError> {
    let sources = sources_with_records(tx).await?;
    to_judge_of_scopes(tx, office, sources, cause).await
}

/// Puts every property of an office up against the sources whose current edition names a definition of floor area
/// as its basis.
pub(crate) async fn to_judge_of_basis(
    tx: &mut Tx,
    office: &str,
    basis: &str,
    cause: Cause,
) -> Result<(), StoreError> {
    let sql = "SELECT s.number, s.jurisdiction, e.layout FROM source s
               JOIN edition e ON e.source = s.number AND e.number = s.current_edition ORDER BY s.number";
    let mut sources = Vec::new();
    for row in tx.fetch(sql, values![]).await? {
        let layout: serde_json::Value = serde_json::from_str(&row.get::<String>(2)?)
            .map_err(|e| StoreError::Damaged { what: "layout", why: e.to_string() })?;
        if layout.get("basis").and_then(serde_json::Value::as_str) == Some(basis) {
            sources.push(SourceScope { number: row.get(0)?, jurisdiction: row.get(1)? });
        }
    }
    to_judge_of_scopes(tx, office, sources, cause).await
}

async fn to_judge_of_scopes(
    tx: &mut Tx,
    office: &str,
    sources: Vec<SourceScope>,
    cause: Cause,
) -> Result<(), StoreError> {
    for source in sources {
        let sql = format!(
            "INSERT INTO {TO_JUDGE} SELECT p.office, $1, p.id, $2, '{}' FROM property p
             WHERE p.office = $4 AND {CONCERNS} {RENEWED}",
            cause.name()
        );
        let added =
            tx.execute(&sql, values![source.number, fresh_stamp(), source.jurisdiction, office]).await?;
        if added > 0 {
            enqueue(tx, reconcile_job(office, source.number, cause)).await?;
        }
    }
    Ok(())
}

/// Puts the properties of all offices up against a source; `release` lets the runs pass the brake.
pub(crate) async fn to_judge_of_source(
    tx: &mut Tx,
    source: &Source,
    cause: Cause,
    release: bool,
) -> Result<(), StoreError> {
    let sql = format!(
        "INSERT INTO {TO_JUDGE} SELECT p.office, $1, p.id, $2, '{}' FROM property p WHERE {CONCERNS} {RENEWED}",
        cause.name()
    );
    tx.execute(&sql, values![source.number, fresh_stamp(), &source.jurisdiction]).await?;
    enqueue_for_offices(tx, source.number, cause, release).await
}

/// Statements name so many keys at once.
const KEYS_A_STATEMENT: usize = 500;

/// Puts the properties up whose parcel number under the source's rule is among the keys.
pub(crate) async fn to_judge_by_keys(
    tx: &mut Tx,
    source: &Source,
    keys: &[String],
    cause: Cause,
    release: bool,
) -> Result<(), StoreError> {
    let stamp = fresh_stamp();
    for keys in keys.chunks(KEYS_A_STATEMENT) {
        let sql = format!(
            "INSERT INTO {TO_JUDGE} SELECT m.office, m.source, m.property, $2, '{}' FROM property_match m
             WHERE m.source = $1 AND m.parcel_key = ANY (texts($3)) {RENEWED}",
            cause.name()
        );
        let keys = texts(keys.iter().map(String::as_str));
        tx.execute(&sql, vec![source.number.into(), stamp.into(), keys]).await?;
    }
    enqueue_for_offices(tx, source.number, cause, release).await
}

async fn enqueue_for_offices(
    tx: &mut Tx,
    source: i64,
    cause: Cause,
    release: bool,
) -> Result<(), StoreError> {
    let offices = tx
        .fetch("SELECT DISTINCT office FROM to_judge WHERE source = $1 ORDER BY office", values![source])
        .await?;
    for office in offices {
        let mut job = reconcile_job(&office.get::<String>(0)?, source, cause);
        if release {
            job = released(job, cause);
        }
        enqueue(tx, job).await?;
    }
    Ok(())
}

pub(crate) fn state_after(what: Move, before: Option<State>) -> (State, Option<Closing>) {
    match what {
        Move::Open | Move::Reopen | Move::Revise => (State::Open, None),
        Move::Close(reason) => (State::Closed, Some(reason)),
        Move::Stay => (before.unwrap_or(State::Open), None),
    }
}

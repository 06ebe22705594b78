//! One batch of a run, as one transaction: matches, judgements, findings with their history, the queue, the rows of
//! `to_judge` that were judged, and the progress.
//!
//! Cost of a batch of 1,000 pairs: some ten multi-row statements, well under a second.

use std::collections::{HashMap, HashSet};

use crossfoot_audit::judge::transition::Move;
use crossfoot_audit::judge::{ENGINE_VERSION, Kind};
use serde_json::json;

use super::{FindingChange, JudgedPair, MatchState, Run, RunCounts, counts_text, state_after};
use crate::database::{Lock, Tx, Value, texts, values};
use crate::job::{Claim, commit_held, hold};
use crate::standard::parse_versioned_name;
use crate::{Store, StoreError};

/// What became of a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Applied {
    /// It was written; pairs whose finding a person changed meanwhile were left for another round.
    Written {
        /// The pairs left.
        left: usize,
    },
    /// The edition, the policy or the office's own standard moved on: nothing was written, the run must begin again with the new ones.
    MovedOn,
}

impl Store {
    /// Applies a batch of judged pairs. `counts` are the run's before the batch; they are moved along.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over: nothing was written.
    pub async fn run_apply(
        &self,
        claim: &Claim,
        run: &mut Run,
        pairs: Vec<JudgedPair>,
        progress: (i64, i64),
    ) -> Result<Applied, StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        if !still_pinned(&mut tx, run).await? {
            return Ok(Applied::MovedOn);
        }
        let before = pairs.len();
        let (pairs, known) = without_overtaken(&mut tx, run, pairs).await?;
        let mut counts: RunCounts = run.counts.clone();
        for pair in &pairs {
            counts.add(&pair.outcome, pair.change.as_ref().map(|change| change.what));
        }
        write_matches(&mut tx, run, &pairs).await?;
        write_judgements(&mut tx, run, &pairs).await?;
        let mut changed = write_findings(&mut tx, run, &pairs).await?;
        let stay = pairs.iter().filter(|pair| pair.change.is_none() && known.contains_key(&pair.property));
        let stay: Vec<String> = stay.map(|pair| pair.property.clone()).collect();
        changed.extend(follow_judgements(&mut tx, &run.office, &stay).await?);
        count_queue(&mut tx, &run.office, &changed).await?;
        forget_judged(&mut tx, run, &pairs).await?;
        tx.execute(
            "UPDATE run SET counts = $1 WHERE office = $2 AND id = $3",
            values![counts_text(&counts)?, &run.office, &run.id],
        )
        .await?;
        let sql = "UPDATE job SET progress = $1, progress_total = $2 WHERE id = $3";
        tx.execute(sql, values![progress.0, progress.1, &claim.id]).await?;
        commit_held(tx, claim).await?;
        run.counts = counts;
        Ok(Applied::Written { left: before - pairs.len() })
    }
}

/// Whether the edition, the policy and the standard that the run read are still the ones in force; keeps them from
/// moving until the transaction ends.
async fn still_pinned(tx: &mut Tx, run: &Run) -> Result<bool, StoreError> {
    tx.lock(Lock::Shared, "SELECT number FROM source WHERE number = $1", values![run.source]).await?;
    tx.lock(Lock::Shared, "SELECT id FROM office WHERE id = $1", values![&run.office]).await?;
    let sql = "SELECT coalesce((SELECT current_edition FROM source WHERE number = $1), 0),
                      coalesce((SELECT max(version) FROM policy WHERE office = $2), 0),
                      coalesce((SELECT max(version) FROM standard WHERE office = $2 AND id = $3), 0)";
    let (id, version) = parse_versioned_name(&run.standard);
    match tx.fetch_one(sql, values![run.source, &run.office, id]).await? {
        Some(row) => Ok(row.get::<i64>(0)? == run.edition
            && row.get::<i64>(1)? == run.policy_version
            && row.get::<i64>(2)? == version),
        None => Ok(false),
    }
}

/// Statements name so many ids at once.
const IDS_A_STATEMENT: usize = 500;

/// Leaves out the pairs whose finding moved since it was read, and locks the properties of all, in their order, so
/// that two sources of one office never count the same queue entry at the same time nor wait for each other in turn.
/// Gives beside them the row versions of the findings that are there, by property.
async fn without_overtaken(
    tx: &mut Tx,
    run: &Run,
    mut pairs: Vec<JudgedPair>,
) -> Result<(Vec<JudgedPair>, HashMap<String, i64>), StoreError> {
    pairs.sort_by(|a, b| a.property.cmp(&b.property));
    let mut versions: HashMap<String, i64> = HashMap::new();
    for chunk in pairs.chunks(IDS_A_STATEMENT) {
        let list = texts(chunk.iter().map(|pair| pair.property.as_str()));
        let properties = "SELECT id FROM property WHERE office = $1 AND id = ANY (texts($2)) ORDER BY id";
        tx.lock(Lock::Alone, properties, vec![(&run.office).into(), list.clone()]).await?;
        let sql = "SELECT property, row_version FROM finding
                   WHERE office = $1 AND source = $2 AND property = ANY (texts($3))";
        for row in tx.fetch(sql, vec![(&run.office).into(), run.source.into(), list]).await? {
            versions.insert(row.get(0)?, row.get(1)?);
        }
    }
    let stands = |pair: &JudgedPair| {
        let version = versions.get(&pair.property).copied().unwrap_or(0);
        pair.change.as_ref().is_none_or(|change| change.row_version == version)
    };
    pairs.retain(stands);
    Ok((pairs, versions))
}

async fn write_matches(tx: &mut Tx, run: &Run, pairs: &[JudgedPair]) -> Result<(), StoreError> {
    let rows = pairs
        .iter()
        .map(|pair| {
            let m = &pair.matched;
            let how = match (m.state, m.record_number) {
                (MatchState::Settled, _) => "person",
                (_, Some(_)) => "key",
                (_, None) => "none",
            };
            let source = run.source;
            let state = m.state.name();
            values![
                &run.office,
                &pair.property,
                source,
                state,
                how,
                &m.parcel_key,
                m.record_number,
                &m.conflict
            ]
        })
        .collect();
    tx.insert_many(
        "property_match (office, property, source, state, how, parcel_key, record_number, conflict)",
        rows,
        "ON CONFLICT (office, property, source) DO UPDATE SET state = excluded.state, how = excluded.how,
             parcel_key = excluded.parcel_key, record_number = excluded.record_number, conflict = excluded.conflict",
    )
    .await?;
    Ok(())
}

const JUDGEMENT: &str = "judgement (office, property, source, outcome, kind, measured_um2, recorded_um2, difference_um2,
    variance_ppm, sigma_sqft, z, threshold_um2, exceedance_ppm, effect_low_cents, effect_high_cents,
    measurement_version, record_number, record_edition, edition, standard, policy_version, policy_rule, engine)";

const JUDGEMENT_RENEWED: &str = "ON CONFLICT (office, property, source) DO UPDATE SET
    outcome = excluded.outcome, kind = excluded.kind, measured_um2 = excluded.measured_um2,
    recorded_um2 = excluded.recorded_um2, difference_um2 = excluded.difference_um2,
    variance_ppm = excluded.variance_ppm, sigma_sqft = excluded.sigma_sqft, z = excluded.z,
    threshold_um2 = excluded.threshold_um2, exceedance_ppm = excluded.exceedance_ppm,
    effect_low_cents = excluded.effect_low_cents, effect_high_cents = excluded.effect_high_cents,
    measurement_version = excluded.measurement_version, record_number = excluded.record_number,
    record_edition = excluded.record_edition, edition = excluded.edition, standard = excluded.standard,
    policy_version = excluded.policy_version, policy_rule = excluded.policy_rule, engine = excluded.engine";

async fn write_judgements(tx: &mut Tx, run: &Run, pairs: &[JudgedPair]) -> Result<(), StoreError> {
    let rows = pairs.iter().map(|pair| judgement_row(run, pair)).collect();
    tx.insert_many(JUDGEMENT, rows, JUDGEMENT_RENEWED).await?;
    Ok(())
}

/// Stored figures have stated decimals, so that two processors store the same: standard deviations and z four.
fn rounded(figure: f64) -> f64 {
    (figure * 1e4).round() / 1e4
}

fn judgement_row(run: &Run, pair: &JudgedPair) -> Vec<Value> {
    let j = pair.judgement.as_ref();
    let c = j.map(|j| &j.comparison);
    values![
        &run.office,
        &pair.property,
        run.source,
        &pair.outcome,
        j.map(|j| kind_name(j.kind)),
        c.map(|c| c.measured.square_micrometres()),
        c.and_then(|c| c.recorded).map(|area| area.square_micrometres()),
        c.map(|c| c.difference.square_micrometres()),
        c.and_then(|c| c.variance_ppm),
        c.map(|c| rounded(c.sigma)),
        c.map(|c| rounded(c.z)),
        j.map(|j| j.threshold.square_micrometres()),
        j.map(|j| j.exceedance_ppm),
        j.and_then(|j| j.effect).map(|e| e.low.cents()),
        j.and_then(|j| j.effect).map(|e| e.high.cents()),
        pair.measurement_version,
        pair.matched.record_number,
        pair.record_edition,
        run.edition,
        &run.standard,
        run.policy_version,
        j.and_then(|j| i64::try_from(j.rule).ok()),
        ENGINE_VERSION
    ]
}

pub(crate) fn kind_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Variance => "variance",
        Kind::NoArea => "no_area",
        Kind::RecordedVacant => "recorded_vacant",
    }
}

fn event_name(what: Move) -> &'static str {
    match what {
        Move::Open => "opened",
        Move::Reopen => "reopened",
        Move::Revise | Move::Stay => "revised",
        Move::Close(_) => "closed",
    }
}

const FINDING: &str =
    "finding (office, id, property, source, kind, state, closing, bound, difference_um2, variance_ppm,
    effect_high_cents, row_version, opened_at, changed_at)";

const FINDING_RENEWED: &str = "ON CONFLICT (office, id) DO UPDATE SET
    kind = excluded.kind, state = excluded.state, closing = excluded.closing, bound = excluded.bound,
    difference_um2 = excluded.difference_um2, variance_ppm = excluded.variance_ppm,
    effect_high_cents = excluded.effect_high_cents, row_version = excluded.row_version,
    changed_at = excluded.changed_at";

const EVENT: &str = "finding_event (office, finding, number, at, what, state, run, detail)";

/// Writes findings and their history; gives the properties whose findings changed.
async fn write_findings(tx: &mut Tx, run: &Run, pairs: &[JudgedPair]) -> Result<Vec<String>, StoreError> {
    let now: i64 = match tx.fetch_one("SELECT now_us()", values![]).await? {
        Some(row) => row.get(0)?,
        None => 0,
    };
    let (mut findings, mut events, mut changed) = (vec![], vec![], vec![]);
    for pair in pairs {
        let Some(change) = pair.change.as_ref().filter(|change| change.what != Move::Stay) else { continue };
        findings.push(finding_row(run, pair, change, now)?);
        events.push(event_row(run, pair, change, now));
        changed.push(pair.property.clone());
    }
    tx.insert_many(FINDING, findings, FINDING_RENEWED).await?;
    tx.insert_many(EVENT, events, "").await?;
    Ok(changed)
}

fn finding_row(
    run: &Run,
    pair: &JudgedPair,
    change: &FindingChange,
    now: i64,
) -> Result<Vec<Value>, StoreError> {
    let (state, closing) = state_after(change.what, change.state_before);
    let (difference, variance, effect) = figures_of(pair, change);
    let bound = serde_json::to_string(&change.bound)
        .map_err(|e| StoreError::Damaged { what: "finding", why: e.to_string() })?;
    Ok(values![
        &run.office,
        &change.id,
        &pair.property,
        run.source,
        kind_name(change.bound.kind),
        state.name(),
        closing.map(|c| c.name()),
        bound,
        difference,
        variance,
        effect,
        change.row_version + 1,
        now,
        now
    ])
}

fn event_row(run: &Run, pair: &JudgedPair, change: &FindingChange, now: i64) -> Vec<Value> {
    let (state, closing) = state_after(change.what, change.state_before);
    let detail = json!({
        "from": change.state_before.map(|s| s.name()),
        "why": closing.map(|c| c.name()),
        "difference_um2": figures_of(pair, change).0,
        "bound": change.bound,
    });
    let (what, version) = (event_name(change.what), change.row_version + 1);
    values![&run.office, &change.id, version, now, what, state.name(), &run.id, detail.to_string()]
}

/// Difference, variance and effect that a finding shows; those of its binding where the pair cannot be judged.
fn figures_of(pair: &JudgedPair, change: &FindingChange) -> (i64, Option<i64>, Option<i64>) {
    match &pair.judgement {
        Some(j) => (
            j.comparison.difference.square_micrometres(),
            j.comparison.variance_ppm,
            j.effect.map(|effect| effect.high.cents()),
        ),
        None => (change.bound.measured_um2 - change.bound.recorded_um2.unwrap_or(0), None, None),
    }
}

/// Lets the figures by which open findings are ordered and filtered follow the newest judgement, which may have changed
/// by less than opens or revises a finding: the value of the record alone, say. What a finding was opened with stands in
/// its history; one that a person decided keeps what it was decided on. Gives the properties whose figures changed.
pub(crate) async fn follow_judgements(
    tx: &mut Tx,
    office: &str,
    properties: &[String],
) -> Result<Vec<String>, StoreError> {
    let mut changed = Vec::new();
    for chunk in properties.chunks(IDS_A_STATEMENT) {
        let list = texts(chunk.iter().map(String::as_str));
        let sql = "UPDATE finding SET difference_um2 = j.difference_um2, variance_ppm = j.variance_ppm,
                          effect_high_cents = j.effect_high_cents
                   FROM judgement AS j
                   WHERE finding.office = $1 AND finding.property = ANY (texts($2)) AND finding.state = 'open'
                     AND j.office = finding.office AND j.property = finding.property AND j.source = finding.source
                     AND j.difference_um2 IS NOT NULL
                     AND (finding.difference_um2 <> j.difference_um2
                          OR finding.variance_ppm IS DISTINCT FROM j.variance_ppm
                          OR finding.effect_high_cents IS DISTINCT FROM j.effect_high_cents)
                   RETURNING finding.property";
        for row in tx.fetch(sql, vec![office.into(), list]).await? {
            changed.push(row.get(0)?);
        }
    }
    Ok(changed)
}

/// Counts the queue entries of properties again: by effect where one is known, else by square feet.
pub(crate) async fn count_queue(tx: &mut Tx, office: &str, properties: &[String]) -> Result<(), StoreError> {
    for chunk in properties.chunks(IDS_A_STATEMENT) {
        let list = texts(chunk.iter().map(String::as_str));
        let sql =
            "SELECT property, max(abs(effect_high_cents)), max(abs(difference_um2)), count(*) FROM finding
                   WHERE office = $1 AND state = 'open' AND property = ANY (texts($2)) GROUP BY property";
        let (mut entries, mut queued) = (vec![], HashSet::new());
        for row in tx.fetch(sql, vec![office.into(), list]).await? {
            let property: String = row.get(0)?;
            let effect: Option<i64> = row.get(1)?;
            let (tier, key) = match effect {
                Some(effect) => (0i64, effect),
                None => (1i64, row.get(2)?),
            };
            entries.push(values![office, &property, tier, key, row.get::<i64>(3)?]);
            queued.insert(property);
        }
        tx.insert_many(
            "queue_entry (office, property, tier, rank_key, open_count)",
            entries,
            "ON CONFLICT (office, property) DO UPDATE SET tier = excluded.tier, rank_key = excluded.rank_key,
                 open_count = excluded.open_count",
        )
        .await?;
        let gone: Vec<&str> = chunk.iter().filter(|p| !queued.contains(*p)).map(String::as_str).collect();
        if !gone.is_empty() {
            let sql = "DELETE FROM queue_entry WHERE office = $1 AND property = ANY (texts($2))";
            tx.execute(sql, vec![office.into(), texts(gone)]).await?;
        }
    }
    Ok(())
}

/// Takes the judged rows out of `to_judge`, but not those that something put up again meanwhile.
async fn forget_judged(tx: &mut Tx, run: &Run, pairs: &[JudgedPair]) -> Result<(), StoreError> {
    for chunk in pairs.chunks(IDS_A_STATEMENT) {
        let mut by_stamp: HashMap<i64, Vec<&str>> = HashMap::new();
        for pair in chunk {
            by_stamp.entry(pair.stamp).or_default().push(&pair.property);
        }
        for (stamp, properties) in by_stamp {
            let sql = "DELETE FROM to_judge
                       WHERE office = $1 AND source = $2 AND stamp = $3 AND property = ANY (texts($4))";
            let mut values = values![&run.office, run.source, stamp];
            values.push(texts(properties));
            tx.execute(sql, values).await?;
        }
    }
    Ok(())
}

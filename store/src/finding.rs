//! Findings for people: lists with filters, one finding, and what people decide.

use crossfoot_audit::judge::transition::{Bound, State};
use serde::{Deserialize, Serialize};

use crate::access::Visitor;
use crate::audit_log::{Entry, note};
use crate::database::{Lock, Tx, Value, values};
use crate::queue::{PAIR, PairView, pair_of, pairs_of_findings};
use crate::{Store, StoreError};

/// Which findings are asked for. What is not said does not matter.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FindingFilter {
    /// Of this state.
    pub state: Option<State>,
    /// Of this kind.
    pub kind: Option<String>,
    /// Of this source, by number.
    pub source: Option<i64>,
    /// Of houses that are larger (true) or smaller (false) than recorded.
    pub larger: Option<bool>,
    /// With at least this variance either way, parts per million.
    pub variance_ppm_min: Option<i64>,
    /// With at least this estimated effect either way, cents.
    pub effect_cents_min: Option<i64>,
}

/// What a person decides about a finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decision {
    /// The state that it goes to: open, confirmed, cleared or referred.
    pub state: State,
    /// What was seen: the publisher's sketch, an aerial picture, a visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<String>,
    /// A note.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// For a referred finding: the day it was filed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filed_on: Option<String>,
    /// For a referred finding: the case number of the record holder.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub case_number: Option<String>,
    /// For a referred finding: the day of the hearing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hearing_on: Option<String>,
    /// For a referred finding: what came of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<String>,
}

/// What became of a decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decided {
    /// It was taken; the finding has this row version now.
    Taken(i64),
    /// The finding has moved on to this row version since it was read.
    Overtaken(i64),
    /// The finding is closed; nothing is to be decided.
    Closed,
    /// A person cannot bring a finding into that state.
    NotForPeople,
}

impl Store {
    /// Findings of an office after one of them, in the order in which they were opened.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn finding_page(
        &self,
        office: &str,
        filter: &FindingFilter,
        after: &str,
        limit: i64,
    ) -> Result<Vec<PairView>, StoreError> {
        let (mut values, mut tests) = (values![office, after], String::new());
        let mut test = |sql: &str, value: Value| {
            values.push(value);
            tests.push_str(" AND ");
            tests.push_str(&sql.replace('?', &format!("${}", values.len())));
        };
        if let Some(state) = filter.state {
            test("f.state = ?", state.name().into());
        }
        if let Some(kind) = &filter.kind {
            test("f.kind = ?", kind.into());
        }
        if let Some(source) = filter.source {
            test("f.source = ?", source.into());
        }
        if let Some(larger) = filter.larger {
            test("(f.difference_um2 > 0) = (? = 1)", i64::from(larger).into());
        }
        if let Some(least) = filter.variance_ppm_min {
            test("abs(f.variance_ppm) >= ?", least.into());
        }
        if let Some(least) = filter.effect_cents_min {
            test("abs(f.effect_high_cents) >= ?", least.into());
        }
        values.push(limit.into());
        let page = format!("WHERE f.office = $1 AND f.id > $2{tests} ORDER BY f.id LIMIT ${}", values.len());
        let sql = pairs_of_findings(&page, "x.finding");
        self.main.fetch(&sql, values).await?.iter().map(pair_of).collect()
    }

    /// One finding with its pair; none when the office has no such finding.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn finding_pair(&self, office: &str, id: &str) -> Result<Option<PairView>, StoreError> {
        let sql = format!("SELECT {PAIR} WHERE f.office = $1 AND f.id = $2");
        self.main.fetch_one(&sql, values![office, id]).await?.as_ref().map(pair_of).transpose()
    }

    /// Takes a person's decision, if the finding still has the row version that the person saw.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the office has no such finding.
    pub async fn finding_decide(
        &self,
        office: &str,
        id: &str,
        row_version: i64,
        decision: &Decision,
        by: &Visitor,
    ) -> Result<Decided, StoreError> {
        if decision.state == State::Closed {
            return Ok(Decided::NotForPeople);
        }
        let mut tx = self.main.begin().await?;
        let property = "SELECT id FROM property WHERE office = $1
                        AND id IN (SELECT property FROM finding WHERE office = $1 AND id = $2)";
        tx.lock(Lock::Alone, property, values![office, id]).await?;
        let sql = "SELECT f.property, f.state, f.row_version, f.bound FROM finding f WHERE f.office = $1 AND f.id = $2";
        let row = tx
            .fetch_one(sql, values![office, id])
            .await?
            .ok_or_else(|| StoreError::Missing { what: "finding", id: id.to_owned() })?;
        let (found, current): (String, i64) = (row.get(1)?, row.get(2)?);
        if current != row_version {
            return Ok(Decided::Overtaken(current));
        }
        if found == State::Closed.name() {
            return Ok(Decided::Closed);
        }
        let bound = bound_now(&mut tx, office, id, &row.get::<String>(3)?).await?;
        write_decision(&mut tx, office, id, current + 1, &found, decision, &bound, by).await?;
        let property = [row.get(0)?];
        crate::run::follow_judgements(&mut tx, office, &property).await?;
        crate::run::count_queue(&mut tx, office, &property).await?;
        let subject = format!("finding {id}");
        note(
            &mut tx,
            Entry {
                office: Some(office),
                by,
                action: "decided",
                subject: &subject,
                detail: decision.state.name(),
            },
        )
        .await?;
        tx.commit().await?;
        Ok(Decided::Taken(current + 1))
    }
}

/// What a decision is bound to: the judgement as it stands, which the person has seen.
async fn bound_now(tx: &mut Tx, office: &str, id: &str, before: &str) -> Result<Bound, StoreError> {
    let mut bound: Bound = serde_json::from_str(before)
        .map_err(|e| StoreError::Damaged { what: "finding", why: e.to_string() })?;
    let sql = "SELECT j.measured_um2, j.recorded_um2, j.measurement_version, j.record_number, j.record_edition, j.policy_version
               FROM judgement j JOIN finding f ON f.office = j.office AND f.property = j.property AND f.source = j.source
               WHERE f.office = $1 AND f.id = $2 AND j.measured_um2 IS NOT NULL AND j.record_number IS NOT NULL
                 AND j.record_edition IS NOT NULL";
    if let Some(row) = tx.fetch_one(sql, values![office, id]).await? {
        bound.measured_um2 = row.get(0)?;
        bound.recorded_um2 = row.get(1)?;
        bound.measurement_version = row.get(2)?;
        bound.record_number = row.get(3)?;
        bound.record_edition = row.get(4)?;
        bound.policy_version = row.get(5)?;
    }
    Ok(bound)
}

#[expect(clippy::too_many_arguments, reason = "one row of the history, written in one place")]
async fn write_decision(
    tx: &mut Tx,
    office: &str,
    id: &str,
    version: i64,
    from: &str,
    decision: &Decision,
    bound: &Bound,
    by: &Visitor,
) -> Result<(), StoreError> {
    let damaged = |e: serde_json::Error| StoreError::Damaged { what: "decision", why: e.to_string() };
    let bound = serde_json::to_value(bound).map_err(damaged)?;
    let detail = serde_json::json!({ "from": from, "decision": decision, "by": by.key, "label": by.label, "bound": bound });
    tx.execute(
        "UPDATE finding SET state = $1, bound = $2, row_version = $3, changed_at = now_us() WHERE office = $4 AND id = $5",
        values![decision.state.name(), bound.to_string(), version, office, id],
    )
    .await?;
    tx.execute(
        "INSERT INTO finding_event (office, finding, number, at, what, state, run, detail)
         VALUES ($1, $2, $3, now_us(), 'decided', $4, '', $5)",
        values![office, id, version, decision.state.name(), detail.to_string()],
    )
    .await?;
    Ok(())
}

//! What becomes of an edition after it was loaded: held for a person, accepted, given up, withdrawn.
//!
//! What an edition changed lies under its number, and readers go up to the number of the edition in use. So holding,
//! accepting and withdrawing move one row, whatever the size of the roll; rows that nobody can come to read any more
//! are removed after, and by the next load where that was broken off.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::access::Visitor;
use crate::audit_log::{Entry, LogEntry, note};
use crate::database::{Lock, Tx, values};
use crate::job::{Claim, commit_held, finish_held, hold};
use crate::load::{Loaded, note_loaded, put_in_use, still_in_use};
use crate::run::{Cause, to_judge_by_keys, to_judge_of_source};
use crate::source::Source;
use crate::{Store, StoreError};

/// Why an edition is held for a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldReason {
    /// A word for the kind of reason.
    pub kind: String,
    /// The reason as a sentence, with what to look at.
    pub sentence: String,
    /// The figures behind it, by name.
    pub figures: BTreeMap<String, f64>,
}

/// The sentences of some reasons.
#[must_use]
pub fn sentences(reasons: &[HoldReason]) -> String {
    reasons.iter().map(|reason| reason.sentence.as_str()).collect::<Vec<_>>().join("; ")
}

impl Store {
    /// Keeps a loaded edition beside the one in use, unread, until a person decides, and ends the job.
    ///
    /// # Errors
    /// As [`Store::edition_make_current`]; [`StoreError::Settings`] for a first edition, which stands beside nothing.
    pub async fn edition_hold(
        &self,
        claim: &Claim,
        source: &Source,
        edition: i64,
        loaded: &Loaded,
        reasons: &[HoldReason],
    ) -> Result<(), StoreError> {
        if source.current_edition.is_none() {
            return Err(StoreError::Settings("a first edition is not held".to_owned()));
        }
        let held_for = serde_json::to_string(reasons)
            .map_err(|e| StoreError::Damaged { what: "reason of a hold", why: e.to_string() })?;
        let (mut tx, records) = self.begin_to_end_load(claim, source).await?;
        note_loaded(&mut tx, source, edition, loaded).await?;
        tx.execute(
            "UPDATE edition SET state = 'held', held_for = $1, refusal = $2 WHERE source = $3 AND number = $4",
            values![held_for, sentences(reasons), source.number, edition],
        )
        .await?;
        finish_held(&mut tx, claim).await?;
        tx.commit().await?;
        drop(records);
        Ok(())
    }

    /// Puts a held edition in use, with everything that must then be judged.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when it is not held, [`StoreError::MovedOn`] when another edition came into or out of
    /// use at this moment.
    pub async fn edition_accept(
        &self,
        source: &Source,
        edition: i64,
        by: &Visitor,
    ) -> Result<(), StoreError> {
        let container = source.container.clone().unwrap_or_default();
        let changed = self.changed_keys(source, edition).await?;
        let mut tx = self.main.begin().await?;
        still_in_use(&mut tx, source).await?;
        demand_state(&mut tx, source, edition, "held").await?;
        let sql = "SELECT base FROM edition WHERE source = $1 AND number = $2";
        let base = match tx.fetch_one(sql, values![source.number, edition]).await? {
            Some(row) => row.get::<Option<i64>>(0)?,
            None => None,
        };
        if base != source.current_edition {
            return Err(StoreError::Conflict(format!(
                "edition {edition} was compared with another edition than the one in use now: hand it in again"
            )));
        }
        put_in_use(&mut tx, source, edition, &container, changed, Cause::Edition).await?;
        self.decide(&mut tx, source, edition, by, ("edition_accepted", "")).await?;
        tx.commit().await
    }

    /// Gives a held edition up: it is refused, and what it would have changed is removed.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when it is not held.
    pub async fn edition_reject(
        &self,
        source: &Source,
        edition: i64,
        by: &Visitor,
        reason: &str,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source.number]).await?;
        demand_state(&mut tx, source, edition, "held").await?;
        let given = if reason.is_empty() { "given up by a person" } else { reason };
        tx.execute(
            "UPDATE edition SET state = 'refused', refusal = $1 WHERE source = $2 AND number = $3",
            values![given, source.number, edition],
        )
        .await?;
        self.decide(&mut tx, source, edition, by, ("edition_given_up", given)).await?;
        tx.commit().await?;
        self.sweep_changes(source, edition).await;
        Ok(())
    }

    /// Takes the newest edition out of use and restores the one before it, or none where it was the first; everything
    /// that it changed is judged again, past the brake, since a person asked. Held editions, which were compared with
    /// it, are refused.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when it is not the one in use, or the one before it is folded into the base already.
    pub async fn edition_withdraw(
        &self,
        source: &Source,
        edition: i64,
        by: &Visitor,
        reason: &str,
    ) -> Result<(), StoreError> {
        let first = self.first_in_use(source).await?;
        let changed = if first { None } else { self.changed_keys_of_withdrawn(source, edition).await? };
        let given = self.highest_number(source).await?;
        let mut tx = self.main.begin().await?;
        still_in_use(&mut tx, source).await?;
        demand_state(&mut tx, source, edition, "current").await?;
        let before = before(&mut tx, source.number, edition).await?;
        if before.unwrap_or(0) < source.folded_to {
            return Err(StoreError::Conflict(format!(
                "what came before edition {edition} is folded into the base: hand the files of the edition wanted in again"
            )));
        }
        if before.is_none() != first {
            return Err(StoreError::MovedOn);
        }
        take_out_of_use(&mut tx, source, edition, before, reason).await?;
        let sql = "UPDATE source SET numbers_given = $1 WHERE number = $2 AND numbers_given < $1";
        tx.execute(sql, values![given, source.number]).await?;
        match changed {
            Some(keys) => to_judge_by_keys(&mut tx, source, &keys, Cause::Person, true).await?,
            None => to_judge_of_source(&mut tx, source, Cause::Person, true).await?,
        }
        self.decide(&mut tx, source, edition, by, ("edition_withdrawn", reason)).await?;
        tx.commit().await?;
        self.sweep_changes(source, edition).await;
        Ok(())
    }

    /// The edition of a source that was withdrawn last, if any was.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_withdrawn_last(&self, source: i64) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT number FROM edition WHERE source = $1 AND state = 'withdrawn'
                   ORDER BY decided_at DESC, number DESC LIMIT 1";
        self.main.fetch_one(sql, values![source]).await?.map(|row| row.get(0)).transpose()
    }

    /// Before an edition is loaded: nobody else has the job, the edition in use is the one that was read, and a held
    /// one that came before it gives way.
    pub(crate) async fn edition_supersede_held(
        &self,
        claim: &Claim,
        source: &Source,
        edition: i64,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        still_in_use(&mut tx, source).await?;
        let reason =
            format!("edition {edition}, which was handed in later, took its place while it was held");
        refuse_held(&mut tx, source.number, &reason).await?;
        commit_held(tx, claim).await
    }

    /// Whether the edition in use is the only one of its source that ever was and still counts.
    async fn first_in_use(&self, source: &Source) -> Result<bool, StoreError> {
        let numbers = self.edition_numbers(source.number).await?;
        Ok(numbers.len() < 2)
    }

    /// The keys that the edition in use changed; none where the one before it was read by another layout.
    async fn changed_keys_of_withdrawn(
        &self,
        source: &Source,
        edition: i64,
    ) -> Result<Option<Vec<String>>, StoreError> {
        let numbers = self.edition_numbers(source.number).await?;
        let before = numbers.iter().rev().find(|number| **number < edition).copied();
        let as_before = Source { current_edition: before, ..source.clone() };
        self.changed_keys(&as_before, edition).await
    }

    /// The highest number of a record of a source, whatever its edition.
    pub(crate) async fn highest_number(&self, source: &Source) -> Result<i64, StoreError> {
        let Some(container) = source.container.as_deref() else { return Ok(0) };
        let sql = "SELECT coalesce(max(n), 0) FROM (
                       SELECT max(number) AS n FROM record WHERE source = $1
                       UNION ALL SELECT max(number) FROM record_change WHERE source = $1) AS numbers";
        let row = self.records(container).await?.fetch_one(sql, values![source.number]).await?;
        row.map_or(Ok(0), |row| row.get(0))
    }

    /// Removes what an edition out of use changed. What is left, should this fail, nobody reads, and the next load
    /// removes it.
    async fn sweep_changes(&self, source: &Source, edition: i64) {
        let Some(container) = source.container.as_deref() else { return };
        let sweep = async {
            let mut tx = self.records(container).await?.begin().await?;
            let sql = "DELETE FROM record_change WHERE source = $1 AND edition = $2";
            tx.execute(sql, values![source.number, edition]).await?;
            tx.commit().await
        };
        if let Err(error) = sweep.await {
            tracing::warn!("changes of edition {edition} of {} are removed later: {error}", source.id);
        }
    }

    /// What persons decided about an edition, the oldest first: accepted, given up, withdrawn, each with its reason.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_decisions(
        &self,
        source: &Source,
        edition: i64,
    ) -> Result<Vec<LogEntry>, StoreError> {
        let decisions = ["edition_accepted", "edition_given_up", "edition_withdrawn"];
        self.log_of(&format!("edition {edition} of {}", source.id), &decisions).await
    }

    async fn decide(
        &self,
        tx: &mut Tx,
        source: &Source,
        edition: i64,
        by: &Visitor,
        (action, detail): (&str, &str),
    ) -> Result<(), StoreError> {
        let sql =
            "UPDATE edition SET decided_by = $1, decided_at = now_us() WHERE source = $2 AND number = $3";
        tx.execute(sql, values![&by.key, source.number, edition]).await?;
        let subject = format!("edition {edition} of {}", source.id);
        note(tx, Entry { office: None, by, action, subject: &subject, detail }).await
    }
}

/// Fails unless an edition is in a state.
async fn demand_state(tx: &mut Tx, source: &Source, edition: i64, wanted: &str) -> Result<(), StoreError> {
    let sql = "SELECT state FROM edition WHERE source = $1 AND number = $2";
    let row = tx.fetch_one(sql, values![source.number, edition]).await?;
    let missing = || StoreError::Missing { what: "edition", id: format!("{edition} of {}", source.id) };
    let state: String = row.ok_or_else(missing)?.get(0)?;
    if state == wanted {
        return Ok(());
    }
    let asked = match wanted {
        "held" => "only an edition that is held can be accepted or given up",
        _ => "only the newest edition, which is in use, can be withdrawn",
    };
    Err(StoreError::Conflict(format!("edition {edition} is {state}: {asked}")))
}

/// The edition that was in use before another one.
async fn before(tx: &mut Tx, source: i64, edition: i64) -> Result<Option<i64>, StoreError> {
    let sql = "SELECT max(number) FROM edition WHERE source = $1 AND number < $2 AND state = 'past'";
    tx.fetch_one(sql, values![source, edition]).await?.map_or(Ok(None), |row| row.get(0))
}

async fn refuse_held(tx: &mut Tx, source: i64, reason: &str) -> Result<(), StoreError> {
    let sql = "UPDATE edition SET state = 'refused', refusal = $1 WHERE source = $2 AND state = 'held'";
    tx.execute(sql, values![reason, source]).await?;
    Ok(())
}

async fn take_out_of_use(
    tx: &mut Tx,
    source: &Source,
    edition: i64,
    before: Option<i64>,
    reason: &str,
) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE edition SET state = 'withdrawn', refusal = $1 WHERE source = $2 AND number = $3",
        values![reason, source.number, edition],
    )
    .await?;
    let gone = format!("edition {edition}, with which it was compared, was withdrawn: hand it in again");
    refuse_held(tx, source.number, &gone).await?;
    if let Some(before) = before {
        let sql = "UPDATE edition SET state = 'current' WHERE source = $1 AND number = $2";
        tx.execute(sql, values![source.number, before]).await?;
        let sql = "UPDATE source SET current_edition = $1 WHERE number = $2";
        tx.execute(sql, values![before, source.number]).await?;
        return Ok(());
    }
    let sql = "UPDATE source SET current_edition = NULL, container = NULL WHERE number = $1";
    tx.execute(sql, values![source.number]).await?;
    if let (Tx::Postgres(_), Some(container)) = (&*tx, source.container.as_deref()) {
        // the table itself is dropped by the next load: others may be reading it
        tx.execute(&format!("ALTER TABLE record DETACH PARTITION {container}"), values![]).await?;
        for table in ["record_change", "record_past"] {
            tx.execute(&format!("DELETE FROM {table} WHERE source = $1"), values![source.number]).await?;
        }
    }
    Ok(())
}

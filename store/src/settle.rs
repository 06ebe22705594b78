//! Matches that a person must settle, and what people settled. An answer is kept and applies to later editions.

use crate::access::Visitor;
use crate::audit_log::{Entry, note};
use crate::database::{Lock, values};
use crate::queue::{PAIR, PairView, pair_of};
use crate::run::{Cause, to_judge_rows};
use crate::{Store, StoreError};

/// What a person says about a property and a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// They are the same.
    Same,
    /// They are not.
    Other,
    /// What was said before is taken back.
    Undone,
}

impl Verdict {
    /// Every verdict.
    pub const ALL: [Verdict; 3] = [Verdict::Same, Verdict::Other, Verdict::Undone];

    /// The name kept in databases and sent by programs.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Same => "same",
            Verdict::Other => "other",
            Verdict::Undone => "undone",
        }
    }

    /// The verdict of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Verdict> {
        Verdict::ALL.into_iter().find(|verdict| verdict.name() == name)
    }
}

impl Store {
    /// Pairs whose match a person must settle, after a place, ordered by property and source.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn held_page(
        &self,
        office: &str,
        after: (&str, i64),
        limit: i64,
    ) -> Result<Vec<PairView>, StoreError> {
        let sql = format!(
            "SELECT {PAIR} WHERE j.office = $1 AND m.state = 'to_settle' AND (j.property, j.source) > ($2, $3)
             ORDER BY j.property, j.source LIMIT $4"
        );
        self.main.fetch(&sql, values![office, after.0, after.1, limit]).await?.iter().map(pair_of).collect()
    }

    /// Settles whether a property is the record that its parcel number leads to; the pair is then judged again.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the pair has no candidate record.
    pub async fn match_settle(
        &self,
        office: &str,
        property: &str,
        source: i64,
        verdict: Verdict,
        remark: &str,
        by: &Visitor,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.lock(Lock::Shared, "SELECT number FROM source WHERE number = $1", values![source]).await?;
        tx.lock(
            Lock::Alone,
            "SELECT id FROM property WHERE office = $1 AND id = $2",
            values![office, property],
        )
        .await?;
        // a match that was settled as another property has no candidate any more: the decision still names it
        let sql = "SELECT coalesce(m.record_number, (SELECT d.record_number FROM match_decision d
                       WHERE d.office = $1 AND d.property = $2 AND d.source = $3 ORDER BY d.number DESC LIMIT 1))
                   FROM property_match m WHERE m.office = $1 AND m.property = $2 AND m.source = $3";
        let row = tx.fetch_one(sql, values![office, property, source]).await?;
        let record: Option<i64> = row.map_or(Ok(None), |row| row.get(0))?;
        let record = record
            .ok_or_else(|| StoreError::Missing { what: "candidate record for", id: property.to_owned() })?;
        tx.execute(
            "INSERT INTO match_decision (office, property, source, number, at, actor, verdict, record_number, note)
             VALUES ($1, $2, $3, (SELECT coalesce(max(number), 0) + 1 FROM match_decision
                                  WHERE office = $1 AND property = $2 AND source = $3),
                     now_us(), $4, $5, $6, $7)",
            values![office, property, source, &by.key, verdict.name(), record, remark],
        )
        .await?;
        to_judge_rows(&mut tx, office, &[(source, property.to_owned())], Cause::Person).await?;
        let subject = format!("match of {property} with source {source}");
        note(
            &mut tx,
            Entry { office: Some(office), by, action: "settled", subject: &subject, detail: verdict.name() },
        )
        .await?;
        tx.commit().await
    }
}

//! What people read: the queue by property, and every pair with its match, judgement and finding.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use serde::{Deserialize, Serialize};

use crate::database::{Row, texts, values};
use crate::{Store, StoreError};

/// A property compared with a source: match, judgement and finding side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct PairView {
    /// The property.
    pub property: String,
    /// The office's reference.
    pub reference: String,
    /// The parcel number as the office writes it.
    pub parcel: String,
    /// The situs address as the office writes it.
    pub address: String,
    /// The source's name.
    pub source: String,
    /// The source's number.
    pub source_number: i64,
    /// State of the match.
    pub match_state: String,
    /// The parcel number under the source's rule.
    pub parcel_key: String,
    /// The record's number, where there is a candidate.
    pub record_number: Option<i64>,
    /// What speaks against the match.
    pub conflict: String,
    /// One word for the outcome.
    pub outcome: String,
    /// The kind of difference, where judged.
    pub kind: Option<String>,
    /// Measured area under the source's basis.
    pub measured: Option<Area>,
    /// Recorded area.
    pub recorded: Option<Area>,
    /// Measured less recorded.
    pub difference: Option<Area>,
    /// Parts per million of the policy's denominator.
    pub variance_ppm: Option<i64>,
    /// Standard deviation of the difference, square feet.
    pub sigma_sqft: Option<f64>,
    /// Difference in standard deviations.
    pub z: Option<f64>,
    /// The policy's threshold for this house.
    pub threshold: Option<Area>,
    /// Probability that the true difference is beyond it, parts per million.
    pub exceedance_ppm: Option<i64>,
    /// Estimated change of value at the lower elasticity.
    pub effect_low: Option<Money>,
    /// Estimated change of value at the upper elasticity.
    pub effect_high: Option<Money>,
    /// The version of the measurement.
    pub measurement_version: i64,
    /// The edition that the record's version came with.
    pub record_edition: Option<i64>,
    /// The edition that was read.
    pub edition: i64,
    /// The standard: its id, and `@` with its version where it is the office's own.
    pub standard: String,
    /// The version of the policy.
    pub policy_version: i64,
    /// The finding, where there is one.
    pub finding: Option<FindingView>,
}

/// A finding in short.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindingView {
    /// Its id.
    pub id: String,
    /// Its state.
    pub state: String,
    /// Why it closed, where it did.
    pub closing: Option<String>,
    /// Moves with every decision, state and material change.
    pub row_version: i64,
    /// When it opened, microseconds UTC.
    pub opened_at: i64,
}

/// One event in the history of a finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindingEvent {
    /// Its place in the history, from 1.
    pub number: i64,
    /// When, microseconds UTC.
    pub at: i64,
    /// `opened`, `reopened`, `revised`, `closed` or `decided`.
    pub what: String,
    /// The state after it.
    pub state: String,
    /// The run that made it.
    pub run: String,
    /// Its figures, JSON.
    pub detail: String,
}

/// A property in the queue.
#[derive(Debug, Clone, PartialEq)]
pub struct QueueItem {
    /// Where the next page begins.
    pub cursor: QueueCursor,
    /// Its open findings, largest difference first.
    pub pairs: Vec<PairView>,
}

/// A place in the queue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QueueCursor {
    tier: i64,
    rank_key: i64,
    property: String,
}

pub(crate) const PAIR: &str = "p.id, p.reference, p.parcel, p.address, s.id, s.number, m.state, m.parcel_key, m.record_number, m.conflict,
    j.outcome, j.kind, j.measured_um2, j.recorded_um2, j.difference_um2, j.variance_ppm, j.sigma_sqft, j.z,
    j.threshold_um2, j.exceedance_ppm, j.effect_low_cents, j.effect_high_cents, j.measurement_version,
    j.record_edition, j.edition, j.standard, j.policy_version,
    f.id, f.state, f.closing, f.row_version, f.opened_at
    FROM judgement j
    JOIN property p ON p.office = j.office AND p.id = j.property
    JOIN source s ON s.number = j.source
    JOIN property_match m ON m.office = j.office AND m.property = j.property AND m.source = j.source
    LEFT JOIN finding f ON f.office = j.office AND f.property = j.property AND f.source = j.source";

/// Pairs of the findings that `page` selects as `f.*` of `finding f`, in an order that names them `x`: the columns of
/// [`PAIR`]. The page is cut before it is joined, and the fences keep a server from weighing all orders of five tables
/// for each page (measured: three and a half times the pages).
pub(crate) fn pairs_of_findings(page: &str, order: &str) -> String {
    format!(
        "WITH page AS MATERIALIZED (SELECT f.office, f.property, f.source, f.id AS finding, f.state, f.closing, f.row_version,
             f.opened_at, f.difference_um2 AS opened_with_um2 FROM finding f {page}),
         x AS MATERIALIZED (SELECT page.*, m.state AS match_state, m.parcel_key, m.record_number, m.conflict,
             j.outcome, j.kind, j.measured_um2, j.recorded_um2, j.difference_um2, j.variance_ppm, j.sigma_sqft, j.z,
             j.threshold_um2, j.exceedance_ppm, j.effect_low_cents, j.effect_high_cents, j.measurement_version,
             j.record_edition, j.edition, j.standard, j.policy_version FROM page
             JOIN judgement j ON j.office = page.office AND j.property = page.property AND j.source = page.source
             JOIN property_match m ON m.office = page.office AND m.property = page.property AND m.source = page.source)
         SELECT p.id, p.reference, p.parcel, p.address, s.id, s.number, x.match_state, x.parcel_key, x.record_number,
             x.conflict, x.outcome, x.kind, x.measured_um2, x.recorded_um2, x.difference_um2, x.variance_ppm,
             x.sigma_sqft, x.z, x.threshold_um2, x.exceedance_ppm, x.effect_low_cents, x.effect_high_cents,
             x.measurement_version, x.record_edition, x.edition, x.standard, x.policy_version, x.finding, x.state,
             x.closing, x.row_version, x.opened_at
         FROM x JOIN property p ON p.office = x.office AND p.id = x.property JOIN source s ON s.number = x.source
         ORDER BY {order}"
    )
}

impl Store {
    /// The queue of an office after a place in it: properties with open findings, the largest estimated effect first,
    /// then those without a value by difference in area.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn queue_page(
        &self,
        office: &str,
        after: Option<&QueueCursor>,
        limit: i64,
    ) -> Result<Vec<QueueItem>, StoreError> {
        let (tier, key, property) = after.map_or((-1, 0, ""), |c| (c.tier, c.rank_key, c.property.as_str()));
        let entries = self
            .main
            .fetch(
                // two ranges of the index: one condition with OR reads the queue from its beginning (300 ms at 600,000)
                "SELECT tier, rank_key, property FROM (
                     SELECT tier, rank_key, property FROM queue_entry
                     WHERE office = $1 AND tier = $2 AND rank_key <= $3 AND (rank_key < $3 OR property > $4)
                     ORDER BY rank_key DESC, property LIMIT $5) AS same_tier
                 UNION ALL SELECT tier, rank_key, property FROM (
                     SELECT tier, rank_key, property FROM queue_entry WHERE office = $1 AND tier > $2
                     ORDER BY tier, rank_key DESC, property LIMIT $5) AS later_tiers
                 ORDER BY 1, 2 DESC, 3 LIMIT $5",
                values![office, tier, key, property, limit],
            )
            .await?;
        let cursors = entries
            .iter()
            .map(|row| Ok(QueueCursor { tier: row.get(0)?, rank_key: row.get(1)?, property: row.get(2)? }))
            .collect::<Result<Vec<_>, StoreError>>()?;
        let mut items = Vec::with_capacity(cursors.len());
        for cursors in cursors.chunks(PROPERTIES_A_STATEMENT) {
            items.extend(self.queue_items(office, cursors).await?);
        }
        Ok(items)
    }

    async fn queue_items(&self, office: &str, cursors: &[QueueCursor]) -> Result<Vec<QueueItem>, StoreError> {
        // an index of all that is open is of no use beside names, and SQLite would take it
        let sql = pairs_of_findings(
            "WHERE f.office = $1 AND coalesce(f.state, '') = 'open' AND f.property = ANY (texts($2))",
            "abs(x.opened_with_um2) DESC, s.id",
        );
        let values = vec![office.into(), texts(cursors.iter().map(|cursor| cursor.property.as_str()))];
        let pairs =
            self.main.fetch(&sql, values).await?.iter().map(pair_of).collect::<Result<Vec<_>, _>>()?;
        Ok(cursors
            .iter()
            .map(|cursor| QueueItem {
                cursor: cursor.clone(),
                pairs: pairs.iter().filter(|pair| pair.property == cursor.property).cloned().collect(),
            })
            .collect())
    }

    /// Number of properties in the queue.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn queue_count(&self, office: &str) -> Result<i64, StoreError> {
        let row = self
            .main
            .fetch_one("SELECT count(*) FROM queue_entry WHERE office = $1", values![office])
            .await?;
        row.map_or(Ok(0), |row| row.get(0))
    }

    /// Every pair of an office after a place, ordered by property and source.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn pair_page(
        &self,
        office: &str,
        after: (&str, i64),
        limit: i64,
    ) -> Result<Vec<PairView>, StoreError> {
        let sql = format!(
            "SELECT {PAIR} WHERE j.office = $1 AND (j.property, j.source) > ($2, $3) ORDER BY j.property, j.source LIMIT $4"
        );
        self.main.fetch(&sql, values![office, after.0, after.1, limit]).await?.iter().map(pair_of).collect()
    }

    /// Every pair of one property.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn pairs_of_property(&self, office: &str, property: &str) -> Result<Vec<PairView>, StoreError> {
        let sql = format!("SELECT {PAIR} WHERE j.office = $1 AND j.property = $2 ORDER BY s.id");
        self.main.fetch(&sql, values![office, property]).await?.iter().map(pair_of).collect()
    }

    /// How many pairs an office has by source and outcome.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn outcome_counts(&self, office: &str) -> Result<Vec<(String, String, i64)>, StoreError> {
        let sql = "SELECT s.id, j.outcome, count(*) FROM judgement j JOIN source s ON s.number = j.source
                   WHERE j.office = $1 GROUP BY s.id, j.outcome ORDER BY s.id, j.outcome";
        let rows = self.main.fetch(sql, values![office]).await?;
        rows.iter().map(|row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).collect()
    }

    /// The history of a finding, oldest event first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn finding_history(
        &self,
        office: &str,
        finding: &str,
    ) -> Result<Vec<FindingEvent>, StoreError> {
        let sql = "SELECT number, at, what, state, run, detail FROM finding_event
                   WHERE office = $1 AND finding = $2 ORDER BY number";
        let rows = self.main.fetch(sql, values![office, finding]).await?;
        rows.iter()
            .map(|row| {
                Ok(FindingEvent {
                    number: row.get(0)?,
                    at: row.get(1)?,
                    what: row.get(2)?,
                    state: row.get(3)?,
                    run: row.get(4)?,
                    detail: row.get(5)?,
                })
            })
            .collect()
    }
}

/// Statements name so many properties at once.
const PROPERTIES_A_STATEMENT: usize = 500;

pub(crate) fn pair_of(row: &Row) -> Result<PairView, StoreError> {
    let area =
        |at: usize| Ok::<_, StoreError>(row.get::<Option<i64>>(at)?.map(Area::from_square_micrometres));
    let money = |at: usize| Ok::<_, StoreError>(row.get::<Option<i64>>(at)?.map(Money::from_cents));
    let finding = match row.get::<Option<String>>(27)? {
        None => None,
        Some(id) => Some(FindingView {
            id,
            state: row.get(28)?,
            closing: row.get(29)?,
            row_version: row.get(30)?,
            opened_at: row.get(31)?,
        }),
    };
    Ok(PairView {
        property: row.get(0)?,
        reference: row.get(1)?,
        parcel: row.get(2)?,
        address: row.get(3)?,
        source: row.get(4)?,
        source_number: row.get(5)?,
        match_state: row.get(6)?,
        parcel_key: row.get(7)?,
        record_number: row.get(8)?,
        conflict: row.get(9)?,
        outcome: row.get(10)?,
        kind: row.get(11)?,
        measured: area(12)?,
        recorded: area(13)?,
        difference: area(14)?,
        variance_ppm: row.get(15)?,
        sigma_sqft: row.get(16)?,
        z: row.get(17)?,
        threshold: area(18)?,
        exceedance_ppm: row.get(19)?,
        effect_low: money(20)?,
        effect_high: money(21)?,
        measurement_version: row.get(22)?,
        record_edition: row.get(23)?,
        edition: row.get(24)?,
        standard: row.get(25)?,
        policy_version: row.get(26)?,
        finding,
    })
}

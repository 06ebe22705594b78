//! What the API answers with: the store's views in public names, units in the names, money as text.

use crossfoot_audit::area::Area;
use crossfoot_store::queue::{FindingEvent, PairView};
use serde::Serialize;
use utoipa::ToSchema;

/// A property compared with a source.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Pair {
    /// The property's id.
    pub(crate) property: String,
    /// The office's reference.
    pub(crate) reference: String,
    /// The parcel number as the office writes it.
    pub(crate) parcel: String,
    /// The situs address as the office writes it.
    pub(crate) address: String,
    /// The source's name.
    pub(crate) source: String,
    /// The edition that was read.
    pub(crate) edition: i64,
    /// State of the match: sure, settled, to_settle, unmatched, unreadable.
    #[serde(rename = "match")]
    pub(crate) match_state: String,
    /// The parcel number under the source's rule.
    pub(crate) parcel_key: String,
    /// What speaks against the match, or why there is none.
    pub(crate) conflict: String,
    /// One word for the outcome.
    pub(crate) outcome: String,
    /// variance, no_area or recorded_vacant, where judged.
    pub(crate) kind: Option<String>,
    /// Measured area under the source's basis.
    pub(crate) measured_sqft: Option<f64>,
    /// Recorded area.
    pub(crate) recorded_sqft: Option<f64>,
    /// Measured less recorded; positive when the house is larger.
    pub(crate) difference_sqft: Option<f64>,
    /// Difference over the policy's denominator.
    pub(crate) variance: Option<f64>,
    /// Standard deviation of the difference.
    pub(crate) sigma_sqft: Option<f64>,
    /// Difference in standard deviations.
    pub(crate) z: Option<f64>,
    /// The policy's threshold for this house.
    pub(crate) threshold_sqft: Option<f64>,
    /// Probability that the true difference is beyond the threshold.
    pub(crate) exceedance: Option<f64>,
    /// Estimated change of value at the policy's lower elasticity.
    pub(crate) effect_low: Option<String>,
    /// Estimated change of value at the policy's upper elasticity.
    pub(crate) effect_high: Option<String>,
    /// The standard under which the house is stated.
    pub(crate) standard: String,
    /// The version of the policy.
    pub(crate) policy_version: i64,
    /// The version of the measurement.
    pub(crate) measurement_version: i64,
    /// The edition that the record's version came with.
    pub(crate) record_edition: Option<i64>,
    /// The finding, where there is one.
    pub(crate) finding: Option<FindingShort>,
}

/// A finding in short.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct FindingShort {
    /// Its id.
    pub(crate) id: String,
    /// open, confirmed, cleared, referred or closed.
    pub(crate) state: String,
    /// Why it closed, where it did.
    pub(crate) closing: Option<String>,
    /// Moves with every decision, state and material change; the ETag of the finding.
    pub(crate) row_version: i64,
    /// When it opened.
    pub(crate) opened_at: String,
}

/// An event in the history of a finding.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Event {
    /// Its place in the history.
    pub(crate) number: i64,
    /// When.
    pub(crate) at: String,
    /// opened, reopened, revised, closed or decided.
    pub(crate) what: String,
    /// The state after it.
    pub(crate) state: String,
    /// The run that made it, or empty.
    pub(crate) run: String,
    /// Its figures; for a decision, what was decided and by which key.
    pub(crate) detail: serde_json::Value,
}

/// Microseconds UTC as RFC 3339.
pub(crate) fn time(at_us: i64) -> String {
    jiff::Timestamp::from_microsecond(at_us).map(|t| t.to_string()).unwrap_or_default()
}

/// Square feet to two decimals.
pub(crate) fn square_feet(area: Option<Area>) -> Option<f64> {
    area.and_then(|area| area.to_square_feet(2).parse().ok())
}

fn share(ppm: Option<i64>) -> Option<f64> {
    ppm.map(|ppm| ppm as f64 / 1e6)
}

impl From<PairView> for Pair {
    fn from(pair: PairView) -> Pair {
        Pair {
            property: pair.property,
            reference: pair.reference,
            parcel: pair.parcel,
            address: pair.address,
            source: pair.source,
            edition: pair.edition,
            match_state: pair.match_state,
            parcel_key: pair.parcel_key,
            conflict: pair.conflict,
            outcome: pair.outcome,
            kind: pair.kind,
            measured_sqft: square_feet(pair.measured),
            recorded_sqft: square_feet(pair.recorded),
            difference_sqft: square_feet(pair.difference),
            variance: share(pair.variance_ppm),
            sigma_sqft: pair.sigma_sqft,
            z: pair.z,
            threshold_sqft: square_feet(pair.threshold),
            exceedance: share(pair.exceedance_ppm),
            effect_low: pair.effect_low.map(|m| m.to_text()),
            effect_high: pair.effect_high.map(|m| m.to_text()),
            standard: pair.standard,
            policy_version: pair.policy_version,
            measurement_version: pair.measurement_version,
            record_edition: pair.record_edition,
            finding: pair.finding.map(|f| FindingShort {
                id: f.id,
                state: f.state,
                closing: f.closing,
                row_version: f.row_version,
                opened_at: time(f.opened_at),
            }),
        }
    }
}

impl From<FindingEvent> for Event {
    fn from(event: FindingEvent) -> Event {
        Event {
            number: event.number,
            at: time(event.at),
            what: event.what,
            state: event.state,
            run: event.run,
            detail: serde_json::from_str(&event.detail).unwrap_or_default(),
        }
    }
}

//! From a pending pair and the records of its source to a judged pair: match, state the house under the record's
//! basis, judge, and say what becomes of the finding.

use std::collections::HashMap;

use crossfoot_audit::document;
use crossfoot_audit::judge::policy::{Rule, Scope};
use crossfoot_audit::judge::transition::{Bound, Move, transition, transition_without_judgement};
use crossfoot_audit::judge::{Judgement, Measured, NotJudged, Recorded, judge};
use crossfoot_audit::record::address::{Agreement, StreetAddress, agreement};
use crossfoot_audit::record::parcel_key::KeyNormaliser;
use crossfoot_audit::standard::Standard;
use crossfoot_roll::layout::Layout;
use crossfoot_store::policy::VersionedPolicy;
use crossfoot_store::queue::PairView;
use crossfoot_store::record::Record;
use crossfoot_store::run::{FindingChange, JudgedPair, MatchOutcome, MatchState, Pending};
use crossfoot_store::settle::Verdict;
use crossfoot_store::{Store, StoreError};

use crate::standards::Standards;

/// What all pairs of a run have in common.
pub(crate) struct Judging<'a> {
    pub(crate) source_id: &'a str,
    /// The edition whose records are judged; 0 when none is in use.
    pub(crate) edition: i64,
    pub(crate) layout: &'a Layout,
    pub(crate) normaliser: &'a KeyNormaliser,
    pub(crate) standard: Option<&'a Standard>,
    pub(crate) policy: &'a VersionedPolicy,
}

/// Rounding of a figure in whole square feet, for a layout that does not say (see [`Layout::rounding_sqft`]).
const ROUNDING_SQFT_DEFAULT: f64 = 1.0;

impl Judging<'_> {
    /// The parcel number under the source's rule.
    pub(crate) fn key(&self, pending: &Pending) -> Result<String, String> {
        match self.normaliser.normalise_joined(&pending.parcel) {
            Ok(Some(key)) => Ok(key.as_str().to_owned()),
            Ok(None) => Err(format!("the parcel number {} is empty under the source's rule", pending.parcel)),
            Err(problem) => Err(format!("the parcel number {}: {problem}", pending.parcel)),
        }
    }

    /// Judges a pair; `records` are those of the source with the keys of the page.
    pub(crate) fn judge(&self, pending: &Pending, records: &HashMap<&str, &Record>) -> JudgedPair {
        let (matched, record) = self.find(pending, records);
        let judged = match record {
            Some(record) if is_match(matched.state) => self.compare(pending, record),
            _ => Err(unmatched_word(matched.state)),
        };
        let change = self.change(pending, &matched, record, judged.as_ref().ok());
        let (outcome, judgement) = match judged {
            Ok(judgement) => (judgement.verdict.name(), Some(judgement)),
            Err(word) => (word, None),
        };
        JudgedPair {
            property: pending.property.clone(),
            stamp: pending.stamp,
            matched,
            outcome: outcome.to_owned(),
            judgement,
            measurement_version: pending.measurement_version,
            record_edition: record.map(|record| record.edition),
            change,
        }
    }

    fn find<'r>(
        &self,
        pending: &Pending,
        records: &HashMap<&str, &'r Record>,
    ) -> (MatchOutcome, Option<&'r Record>) {
        let outcome = |state, parcel_key: String, record: Option<&Record>, conflict: String| MatchOutcome {
            state,
            parcel_key,
            record_number: record.map(|record| record.number),
            conflict,
        };
        let key = match self.key(pending) {
            Ok(key) => key,
            Err(why) => return (outcome(MatchState::Unreadable, pending.parcel.clone(), None, why), None),
        };
        let Some(record) = records.get(key.as_str()).copied() else {
            let why = format!("no record of {} has the parcel number {key}", self.source_id);
            return (outcome(MatchState::Unmatched, key, None, why), None);
        };
        let (house, published) =
            (StreetAddress::parse(&pending.address), StreetAddress::parse(&record.situs));
        let settled =
            pending.settled.filter(|(_, about)| *about == record.number).map(|(verdict, _)| verdict);
        match (settled, agreement(&house, &published)) {
            (Some(Verdict::Other), _) => {
                let why =
                    format!("a person settled that record {key} of {} is another property", self.source_id);
                (outcome(MatchState::Unmatched, key, None, why), None)
            }
            (Some(Verdict::Same), _) => {
                (outcome(MatchState::Settled, key, Some(record), String::new()), Some(record))
            }
            (_, Agreement::Agree | Agreement::Unknown) => {
                (outcome(MatchState::Sure, key, Some(record), String::new()), Some(record))
            }
            (_, Agreement::Disagree(why)) => {
                let both = format!("measured at {}, recorded at {}: {why}", pending.address, record.situs);
                (outcome(MatchState::ToSettle, key, Some(record), both), Some(record))
            }
        }
    }

    fn compare(&self, pending: &Pending, record: &Record) -> Result<Judgement, &'static str> {
        self.compared(pending, record).map(|(judgement, ..)| judgement).map_err(NotJudged::name)
    }

    /// A judgement together with both sides, for explaining it.
    pub(crate) fn compared(
        &self,
        pending: &Pending,
        record: &Record,
    ) -> Result<(Judgement, Measured, Recorded), NotJudged> {
        if !self.layout.states_area() {
            return Err(NotJudged::SourceWithoutArea);
        }
        if record.conflict {
            return Err(NotJudged::RecordInConflict);
        }
        let standard = self.standard.ok_or(NotJudged::BasisUnknown)?;
        // a document that was taken in is readable; one of another version of the program may not be
        let measurement = document::reread(&pending.document).map_err(|_| NotJudged::NothingMeasured)?;
        let statement = standard.state(&measurement.house);
        let measured = Measured { area: statement.total, spread: statement.spread };
        let recorded = Recorded {
            area: record.area,
            rounding_sqft: self.layout.rounding_sqft.unwrap_or(ROUNDING_SQFT_DEFAULT),
            value: record.value,
            class: record.class.clone(),
            vacant: self.layout.class_vacant(&record.class),
        };
        let scope =
            Scope { jurisdiction: &pending.jurisdiction, class: &record.class, source: self.source_id };
        let judgement = judge(&measured, &recorded, &self.policy.policy, &scope)?;
        Ok((judgement, measured, recorded))
    }

    fn change(
        &self,
        pending: &Pending,
        matched: &MatchOutcome,
        record: Option<&Record>,
        judgement: Option<&Judgement>,
    ) -> Option<FindingChange> {
        let finding = pending.finding.as_ref();
        let standing = finding.map(|f| &f.standing);
        let withdrawn = standing.is_some_and(|s| self.went_back(&s.bound, record));
        let (what, bound) = match (judgement, record) {
            (Some(judgement), Some(record)) => {
                let bound = self.bound(pending, record, judgement);
                (transition(standing, judgement, &bound, withdrawn), bound)
            }
            _ => {
                let lost = !is_match(matched.state);
                (transition_without_judgement(standing, lost, withdrawn), standing?.bound.clone())
            }
        };
        (what != Move::Stay).then(|| FindingChange {
            id: finding.map_or_else(|| uuid::Uuid::now_v7().to_string(), |f| f.id.clone()),
            row_version: finding.map_or(0, |f| f.row_version),
            what,
            state_before: standing.map(|s| s.state),
            bound,
        })
    }

    /// Whether the version of the record that a finding is bound to was taken out of use: only the withdrawal of an
    /// edition brings an earlier version back.
    fn went_back(&self, bound: &Bound, record: Option<&Record>) -> bool {
        match record {
            Some(record) => record.number == bound.record_number && record.edition < bound.record_edition,
            None => self.edition < bound.record_edition,
        }
    }

    fn bound(&self, pending: &Pending, record: &Record, judgement: &Judgement) -> Bound {
        Bound {
            kind: judgement.kind,
            measured_um2: judgement.comparison.measured.square_micrometres(),
            recorded_um2: judgement.comparison.recorded.map(|area| area.square_micrometres()),
            measurement_version: pending.measurement_version,
            record_number: record.number,
            record_edition: record.edition,
            standard: self.standard.map_or(&self.layout.basis, |standard| &standard.id).clone(),
            policy_version: self.policy.version,
        }
    }
}

fn is_match(state: MatchState) -> bool {
    matches!(state, MatchState::Sure | MatchState::Settled)
}

fn unmatched_word(state: MatchState) -> &'static str {
    match state {
        MatchState::Sure | MatchState::Settled | MatchState::ToSettle => "address_disagrees",
        MatchState::Unmatched => "unmatched",
        MatchState::Unreadable => "parcel_unreadable",
    }
}

/// Judges a pair again from what the store holds, with both sides, so that the judgement can be explained.
///
/// # Errors
/// [`RejudgeError`] when the pair cannot be judged or the store fails.
pub async fn rejudge(
    store: &Store,
    standards: &Standards,
    office: &str,
    pair: &PairView,
) -> Result<Rejudged, RejudgeError> {
    let source = store.source_by_number(pair.source_number).await?;
    let layout = store.edition(source.number, pair.edition).await?.layout;
    let policy = store.policy_of_version(office, pair.policy_version).await?;
    let normaliser = layout.parcel.key_rule().compile().map_err(|e| RejudgeError::Layout(e.to_string()))?;
    // by the version that it was judged by, as with the policy
    let standard = standards.named(office, &pair.standard).await?;
    let judging = Judging {
        source_id: &source.id,
        edition: pair.edition,
        layout: &layout,
        normaliser: &normaliser,
        standard: standard.as_ref(),
        policy: &policy,
    };
    let records = store.record_by_keys(&source, std::slice::from_ref(&pair.parcel_key)).await?;
    let record = records.into_iter().next().ok_or(RejudgeError::NoRecord)?;
    let document = store.measurement_document(office, &pair.property, pair.measurement_version).await?;
    let jurisdiction = document::reread(&document).ok().and_then(|m| m.jurisdiction).unwrap_or_default();
    let pending = Pending {
        property: pair.property.clone(),
        stamp: 0,
        parcel: pair.parcel.clone(),
        address: pair.address.clone(),
        jurisdiction,
        measurement_version: pair.measurement_version,
        document,
        judged_before: true,
        finding: None,
        settled: None,
    };
    let (judgement, measured, recorded) = judging.compared(&pending, &record)?;
    let rule = policy.policy.rule.get(judgement.rule).cloned().ok_or(NotJudged::NoRule)?;
    Ok(Rejudged { judgement, measured, recorded, rule, record })
}

/// A judgement with everything that it was made from.
#[derive(Debug, Clone, PartialEq)]
pub struct Rejudged {
    /// The judgement.
    pub judgement: Judgement,
    /// The measured side.
    pub measured: Measured,
    /// The record's side.
    pub recorded: Recorded,
    /// The rule of the policy.
    pub rule: Rule,
    /// The record.
    pub record: Record,
}

/// Why a pair cannot be judged again.
#[derive(Debug, thiserror::Error)]
pub enum RejudgeError {
    /// The store fails.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The pair is not one that can be judged.
    #[error(transparent)]
    NotJudged(#[from] NotJudged),
    /// The record is gone from the current edition.
    #[error("the record is not in the current edition any more: reconcile first")]
    NoRecord,
    /// The layout cannot be used.
    #[error("the layout cannot be used: {0}")]
    Layout(String),
}

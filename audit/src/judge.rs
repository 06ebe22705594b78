//! Judging a measured house against one source's record: comparison, significance, materiality, effect.
//!
//! [`judge`] is the whole of it; [`transition`] says what a judgement does to a finding, and [`explain`] states a
//! judgement in numbers.

pub mod compare;
pub mod effect;
pub mod explain;
pub mod policy;
pub mod transition;

use serde::{Deserialize, Serialize};

use crate::area::Area;
use crate::money::Money;
use crate::standard::Spread;
use compare::Comparison;
use effect::Effect;
use policy::{Direction, Policy, Rule, Scope};

/// Version of the judging rules in this module; stored with every judgement.
pub const ENGINE_VERSION: &str = "1";

/// What is judged: the measured side, stated under the basis of the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The area under the record's basis.
    pub area: Area,
    /// Its variance.
    pub spread: Spread,
}

/// What it is judged against: the record's side.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// The area on record, if there is one.
    pub area: Option<Area>,
    /// The figure is rounded to this many square feet (0: exact).
    pub rounding_sqft: f64,
    /// The value on record.
    pub value: Option<Money>,
    /// The class of use as published.
    pub class: String,
    /// The class means that there is no building.
    pub vacant: bool,
}

/// What kind of difference a judgement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Measured and recorded area differ.
    Variance,
    /// The record has no area.
    NoArea,
    /// The record says that there is no building.
    RecordedVacant,
}

/// What a judgement comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The difference matters: it belongs in the queue.
    Material,
    /// The difference is below the policy's threshold.
    NotMaterial,
    /// Measuring error and rounding can explain the difference.
    WithinMeasuringError,
    /// Beyond the threshold as measured, but not surely enough.
    Undecided,
    /// The policy does not ask for differences in this direction.
    OtherDirection,
}

impl Verdict {
    /// The word kept in databases and shown in exports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Material => "material",
            Verdict::NotMaterial => "not_material",
            Verdict::WithinMeasuringError => "within_measuring_error",
            Verdict::Undecided => "undecided",
            Verdict::OtherDirection => "other_direction",
        }
    }
}

/// The judged difference between a house and a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The kind of difference.
    pub kind: Kind,
    /// What it comes to.
    pub verdict: Verdict,
    /// The comparison in numbers.
    pub comparison: Comparison,
    /// The threshold in area that the policy's rule comes to for this house.
    pub threshold: Area,
    /// Probability that the true difference is beyond the threshold, in parts per million.
    pub exceedance_ppm: i64,
    /// What the difference may mean in value, where the record has a value and an area.
    pub effect: Option<Effect>,
    /// Position of the policy's rule that decided, from 0.
    pub rule: usize,
}

/// Why a pair is not judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NotJudged {
    /// No rule of the policy covers the pair.
    #[error("no rule of the policy covers this source and class")]
    NoRule,
    /// The source's basis is not one of the known standards.
    #[error("the basis of the source's area is not published, so like cannot be compared with like")]
    BasisUnknown,
    /// The record has two rows with different areas.
    #[error("the roll has two rows for this parcel that disagree; settle which is right first")]
    RecordInConflict,
    /// The source publishes no area at all.
    #[error("the source publishes no area")]
    SourceWithoutArea,
    /// The measured house has no area under the basis.
    #[error("nothing of the house was measured that the record's basis counts")]
    NothingMeasured,
}

impl NotJudged {
    /// The word kept in databases and shown in exports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            NotJudged::NoRule => "no_rule",
            NotJudged::BasisUnknown => "basis_unknown",
            NotJudged::RecordInConflict => "record_in_conflict",
            NotJudged::SourceWithoutArea => "source_without_area",
            NotJudged::NothingMeasured => "nothing_measured",
        }
    }
}

/// Judges a house against a record under a policy.
///
/// # Errors
/// [`NotJudged`] when the pair cannot be compared.
pub fn judge(
    measured: &Measured,
    recorded: &Recorded,
    policy: &Policy,
    scope: &Scope<'_>,
) -> Result<Judgement, NotJudged> {
    let (index, rule) = policy.rule_for(scope).ok_or(NotJudged::NoRule)?;
    if measured.area == Area::ZERO {
        return Err(NotJudged::NothingMeasured);
    }
    let kind = kind_of(recorded);
    let against = if kind == Kind::Variance { recorded.area } else { None };
    let comparison = compare::compare(measured, against, recorded.rounding_sqft, rule.denominator);
    let effect = against.and_then(|area| effect::effect(recorded.value, comparison.difference, area, rule));
    let threshold = rule.threshold(&comparison, recorded.value);
    let exceedance = compare::exceedance(&comparison, threshold);
    let verdict = verdict_of(kind, rule, &comparison, threshold, exceedance);
    Ok(Judgement {
        kind,
        verdict,
        comparison,
        threshold,
        exceedance_ppm: ppm(exceedance),
        effect,
        rule: index,
    })
}

fn kind_of(recorded: &Recorded) -> Kind {
    match recorded.area {
        _ if recorded.vacant => Kind::RecordedVacant,
        Some(area) if area != Area::ZERO => Kind::Variance,
        Some(_) | None => Kind::NoArea,
    }
}

fn verdict_of(kind: Kind, rule: &Rule, comparison: &Comparison, threshold: Area, exceedance: f64) -> Verdict {
    let wanted = match (kind, rule.direction) {
        (Kind::NoArea | Kind::RecordedVacant, _) | (Kind::Variance, Direction::Both) => true,
        (Kind::Variance, Direction::Larger) => comparison.difference > Area::ZERO,
        (Kind::Variance, Direction::Smaller) => comparison.difference < Area::ZERO,
    };
    if comparison.z.abs() < rule.z_min {
        Verdict::WithinMeasuringError
    } else if comparison.difference.abs() < threshold {
        Verdict::NotMaterial
    } else if exceedance < rule.exceedance_min {
        Verdict::Undecided
    } else if wanted {
        Verdict::Material
    } else {
        Verdict::OtherDirection
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a probability times a million fits")]
fn ppm(share: f64) -> i64 {
    (share * 1e6).round() as i64
}

//! Materiality: what an office holds to matter, as data with a version.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compare::{Comparison, Denominator};
use crate::area::{Area, SQUARE_MICROMETRES_PER_SQUARE_FOOT};
use crate::money::Money;

/// A policy: rules in order, the first whose scope covers the pair decides.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Policy {
    /// Its name for people.
    pub name: String,
    /// Its rules.
    pub rule: Vec<Rule>,
    /// A run is held for a person when it would open or close more than this share of the judged pairs.
    #[serde(default = "default_brake")]
    pub brake_share: f64,
}

/// One rule of a policy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Rule {
    /// Only houses of this jurisdiction or one within it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub jurisdiction: Option<String>,
    /// Only records of this class.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Only records of this source.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Whether all limits must be reached, or any.
    pub need: Need,
    /// Limit in per cent of the denominator.
    #[serde(with = "rust_decimal::serde::float_option", skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<f64>")]
    pub percent: Option<Decimal>,
    /// Limit in square feet.
    #[serde(with = "rust_decimal::serde::float_option", skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<f64>")]
    pub square_feet: Option<Decimal>,
    /// Limit in value, at the record's value per square foot times the upper elasticity.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>")]
    pub value: Option<Money>,
    /// What the percentage is of.
    pub denominator: Denominator,
    /// Least number of standard deviations; below it measuring error explains the difference.
    pub z_min: f64,
    /// Least probability that the true difference is beyond the limits; 0 switches it off.
    pub exceedance_min: f64,
    /// Which direction matters.
    pub direction: Direction,
    /// Lower assumption of how value follows area: V' = V (A'/A)^e.
    pub elasticity_low: f64,
    /// Upper assumption of how value follows area.
    pub elasticity_high: f64,
}

/// Whether all limits of a rule must be reached, or any.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Need {
    /// All: the largest in square feet decides.
    #[default]
    All,
    /// Any: the smallest in square feet decides.
    Any,
}

/// Which direction of a difference matters.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Both.
    #[default]
    Both,
    /// Only houses larger than recorded.
    Larger,
    /// Only houses smaller than recorded.
    Smaller,
}

/// What a rule's scope is compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Scope<'a> {
    /// The property's jurisdiction, or empty.
    pub jurisdiction: &'a str,
    /// The record's class, or empty.
    pub class: &'a str,
    /// The source's id.
    pub source: &'a str,
}

/// Why a file is no policy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PolicyError {
    /// It cannot be read as TOML of this shape.
    #[error("the policy cannot be read: {0}")]
    Unreadable(String),
    /// It has no rule.
    #[error("the policy has no rule: add [[rule]] with at least one of percent, square_feet, value")]
    NoRule,
    /// The share of the brake is no share.
    #[error("brake_share is a share of the judged pairs: 0 to 1, where 1 switches the brake off")]
    Brake,
    /// A rule has no limit at all.
    #[error("rule {0} of the policy has no limit: add percent, square_feet or value")]
    NoLimit(usize),
    /// A figure is out of its bounds.
    #[error("rule {rule} of the policy: {what}")]
    OutOfBounds {
        /// The rule, from 1.
        rule: usize,
        /// What is wrong and what would mend it.
        what: &'static str,
    },
}

/// Runs are held beyond this share of pairs that would open or close (common practice, no source): a whole town
/// does not change overnight, a definition does.
const BRAKE_SHARE_DEFAULT: f64 = 0.2;

fn default_brake() -> f64 {
    BRAKE_SHARE_DEFAULT
}

impl Default for Rule {
    /// 5 % and 100 sq ft of the recorded area, probability 0.9, two standard deviations; value follows area with
    /// an elasticity between 0.4 and 1. The 5 % has the shape of the mass-appraisal standard's tolerance for area
    /// data (IAAO, Standard on Mass Appraisal of Real Property; from memory), which is of the true area; ours is of
    /// the recorded one.
    fn default() -> Rule {
        Rule {
            jurisdiction: None,
            class: None,
            source: None,
            need: Need::All,
            percent: None,
            square_feet: None,
            value: None,
            denominator: Denominator::Recorded,
            z_min: 2.0,
            exceedance_min: 0.9,
            direction: Direction::Both,
            elasticity_low: 0.4,
            elasticity_high: 1.0,
        }
    }
}

impl Default for Policy {
    fn default() -> Policy {
        let rule = Rule {
            percent: Some(Decimal::from(5)),
            square_feet: Some(Decimal::from(100)),
            ..Rule::default()
        };
        Policy {
            name: "five per cent and a hundred square feet".to_owned(),
            rule: vec![rule],
            brake_share: BRAKE_SHARE_DEFAULT,
        }
    }
}

impl Policy {
    /// Reads a policy.
    ///
    /// # Errors
    /// [`PolicyError`] with what would mend the file.
    pub fn from_toml(text: &str) -> Result<Policy, PolicyError> {
        let policy: Policy =
            toml::from_str(text).map_err(|e| PolicyError::Unreadable(e.to_string().trim().to_owned()))?;
        policy.check()?;
        Ok(policy)
    }

    fn check(&self) -> Result<(), PolicyError> {
        if self.rule.is_empty() {
            return Err(PolicyError::NoRule);
        }
        if !(0.0..=1.0).contains(&self.brake_share) {
            return Err(PolicyError::Brake);
        }
        for (number, rule) in (1usize..).zip(&self.rule) {
            let wrong = |what| Err(PolicyError::OutOfBounds { rule: number, what });
            if rule.percent.is_none() && rule.square_feet.is_none() && rule.value.is_none() {
                return Err(PolicyError::NoLimit(number));
            }
            let negative =
                |limit: Option<Decimal>| limit.is_some_and(|l| l.is_sign_negative() && !l.is_zero());
            if negative(rule.percent)
                || negative(rule.square_feet)
                || rule.value.is_some_and(|v| v.cents() < 0)
            {
                return wrong("a limit is negative: limits are sizes, use direction for the sign");
            }
            if !(0.0..=100.0).contains(&rule.z_min) {
                return wrong("z_min must be between 0 and 100 standard deviations");
            }
            if !(0.0..1.0).contains(&rule.exceedance_min) {
                return wrong("exceedance_min is a probability: 0 up to but not 1");
            }
            if !(0.0..=3.0).contains(&rule.elasticity_low)
                || !(rule.elasticity_low..=3.0).contains(&rule.elasticity_high)
            {
                return wrong("elasticities must be between 0 and 3, the lower not above the upper");
            }
        }
        Ok(())
    }

    /// The first rule whose scope covers the pair, with its position.
    #[must_use]
    pub fn rule_for(&self, scope: &Scope<'_>) -> Option<(usize, &Rule)> {
        self.rule.iter().enumerate().find(|(_, rule)| rule.covers(scope))
    }
}

impl Rule {
    fn covers(&self, scope: &Scope<'_>) -> bool {
        let jurisdiction =
            self.jurisdiction.as_deref().is_none_or(|within| lies_within(scope.jurisdiction, within));
        let class = self.class.as_deref().is_none_or(|class| class == scope.class);
        let source = self.source.as_deref().is_none_or(|source| source == scope.source);
        jurisdiction && class && source
    }

    /// The difference in area from which on the rule holds a pair material.
    ///
    /// Limits that cannot be expressed for the pair (a percentage of nothing, a value without a value) are left
    /// out; if none is left, any difference is material.
    #[must_use]
    pub fn threshold(&self, comparison: &Comparison, value: Option<Money>) -> Area {
        let base = match (comparison.recorded, self.denominator) {
            (None, _) => None,
            (Some(recorded), Denominator::Recorded) => Some(recorded),
            (Some(_), Denominator::Measured) => Some(comparison.measured),
        };
        let by_percent = base.zip(self.percent).and_then(|(base, percent)| percent_of(base, percent));
        let by_area = self.square_feet.and_then(area_of_square_feet);
        let by_value = self.value.zip(value).and_then(|(limit, value)| {
            let per_area =
                value.cents() as f64 * self.elasticity_high / comparison.recorded?.to_square_feet_f64();
            (per_area > 0.0).then(|| Area::from_square_feet_f64(limit.cents() as f64 / per_area)).flatten()
        });
        let limits = [by_percent, by_area, by_value].into_iter().flatten();
        match self.need {
            Need::All => limits.max(),
            Need::Any => limits.min(),
        }
        .unwrap_or(Area::ZERO)
    }
}

/// `US-IA-169` lies within `US-IA` and within itself, not within `US-IA-16`.
#[must_use]
pub fn lies_within(jurisdiction: &str, within: &str) -> bool {
    within.is_empty()
        || jurisdiction.strip_prefix(within).is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
}

/// The least area that is at least `percent` of `base`: `|d| >= this` is then the same as `|d| / base >= percent / 100`.
fn percent_of(base: Area, percent: Decimal) -> Option<Area> {
    let exact =
        Decimal::from(base.square_micrometres()).checked_mul(percent)?.checked_div(Decimal::ONE_HUNDRED)?;
    exact.ceil().to_i64().map(Area::from_square_micrometres)
}

fn area_of_square_feet(square_feet: Decimal) -> Option<Area> {
    let exact = Decimal::from(SQUARE_MICROMETRES_PER_SQUARE_FOOT).checked_mul(square_feet)?;
    exact.ceil().to_i64().map(Area::from_square_micrometres)
}

/// The JSON Schema (2020-12) of a policy.
#[must_use]
pub fn schema() -> serde_json::Value {
    schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<Policy>()
        .to_value()
}

//! What a jurisdiction says about one year: dates, ratios, rates, caps, exemptions and the window of appeals.
//!
//! A document is a list of values of a closed set of kinds. Every value stands with its own source and the day on which
//! that was read, since two of them seldom come from one page. Nothing is worked out from them here: an office that
//! estimates a tax must say what it assumes about the rest.

use std::collections::BTreeSet;
use std::fmt;

use jiff::civil::Date;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub mod identifier;
mod read;

pub use read::{Draft, DraftValue, YearError};

/// What is known of one year of a jurisdiction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JurisdictionYear {
    /// The jurisdiction, as layouts name it.
    #[schemars(length(min = 1, max = 200))]
    pub jurisdiction: String,
    /// The year of the roll.
    #[schemars(range(min = 1500, max = 2200))]
    pub year: i32,
    /// What the jurisdiction is called in print.
    #[serde(default)]
    pub title: String,
    /// The values, each of its kind and name once.
    #[schemars(length(min = 1))]
    pub value: Vec<YearValue>,
}

/// One value with where it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct YearValue {
    /// What it is.
    pub kind: ValueKind,
    /// Of which class, district or property, where the kind has several: a tax rate, a cap and an exemption need it.
    #[serde(default)]
    pub name: String,
    /// A day (`2026-01-01`), a decimal number, or for a rule a sentence.
    pub value: String,
    /// What the number counts, for rates, caps and exemptions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<ValueUnit>,
    /// Where it is published: the law, the notice or the page.
    #[schemars(length(min = 1))]
    pub source: String,
    /// The address of the source on the web, where it has one.
    #[serde(default)]
    pub address: String,
    /// The day on which it was read there.
    #[schemars(extend("format" = "date"))]
    pub read_on: String,
    /// What else has to be known.
    #[serde(default)]
    pub note: String,
}

/// What a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ValueKind {
    /// The day whose condition of the property the roll describes.
    PhysicalStatusDate,
    /// The day whose market the values follow.
    ValuationDate,
    /// Assessed over market value.
    AssessmentRatio,
    /// The tax on a value, in a district.
    TaxRate,
    /// A bound on what a value or a tax may rise by.
    Cap,
    /// What is taken off before the tax is worked out.
    Exemption,
    /// The first day for appeals.
    AppealOpens,
    /// The last day for appeals.
    AppealDeadline,
    /// When and where appeals are made, in words.
    AppealRule,
}

impl ValueKind {
    /// Every kind, in the order in which they are shown.
    pub const ALL: [ValueKind; 9] = [
        ValueKind::PhysicalStatusDate,
        ValueKind::ValuationDate,
        ValueKind::AssessmentRatio,
        ValueKind::TaxRate,
        ValueKind::Cap,
        ValueKind::Exemption,
        ValueKind::AppealOpens,
        ValueKind::AppealDeadline,
        ValueKind::AppealRule,
    ];

    /// Its name in documents.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ValueKind::PhysicalStatusDate => "physical_status_date",
            ValueKind::ValuationDate => "valuation_date",
            ValueKind::AssessmentRatio => "assessment_ratio",
            ValueKind::TaxRate => "tax_rate",
            ValueKind::Cap => "cap",
            ValueKind::Exemption => "exemption",
            ValueKind::AppealOpens => "appeal_opens",
            ValueKind::AppealDeadline => "appeal_deadline",
            ValueKind::AppealRule => "appeal_rule",
        }
    }

    fn from_name(name: &str) -> Option<ValueKind> {
        ValueKind::ALL.into_iter().find(|kind| kind.name() == name)
    }

    fn needs_name(self) -> bool {
        matches!(self, ValueKind::TaxRate | ValueKind::Cap | ValueKind::Exemption)
    }

    /// The units that a value of this kind may have; none for those that have none.
    fn units(self) -> &'static [ValueUnit] {
        match self {
            ValueKind::TaxRate => &[ValueUnit::Per1, ValueUnit::Per100, ValueUnit::Per1000],
            ValueKind::Cap | ValueKind::Exemption => &[ValueUnit::Percent, ValueUnit::Money],
            ValueKind::PhysicalStatusDate
            | ValueKind::ValuationDate
            | ValueKind::AssessmentRatio
            | ValueKind::AppealOpens
            | ValueKind::AppealDeadline
            | ValueKind::AppealRule => &[],
        }
    }

    /// What is wrong with a value of this kind, if anything.
    fn fault(self, value: &str) -> Option<String> {
        match self {
            ValueKind::PhysicalStatusDate
            | ValueKind::ValuationDate
            | ValueKind::AppealOpens
            | ValueKind::AppealDeadline => day(value).is_none().then(|| no_day(value)),
            ValueKind::AssessmentRatio => match number(value) {
                Some(ratio) if ratio > Decimal::ZERO && ratio <= Decimal::ONE => None,
                _ => Some(format!("{value:?} is no ratio: write a number above 0 and up to 1, such as 0.40")),
            },
            ValueKind::TaxRate | ValueKind::Cap | ValueKind::Exemption => match number(value) {
                Some(number) if number >= Decimal::ZERO => None,
                _ => Some(format!(
                    "{value:?} is no number from 0 up: write digits with a decimal point, without separators"
                )),
            },
            ValueKind::AppealRule => {
                value.trim().is_empty().then(|| "the rule is blank: write it as a sentence".to_owned())
            }
        }
    }
}

/// What a number counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ValueUnit {
    /// Of each unit of money of value.
    #[serde(rename = "per_1")]
    Per1,
    /// Of each hundred.
    #[serde(rename = "per_100")]
    Per100,
    /// Of each thousand: mills.
    #[serde(rename = "per_1000")]
    Per1000,
    /// Percent.
    Percent,
    /// An amount of money.
    Money,
}

impl ValueUnit {
    /// Every unit.
    pub const ALL: [ValueUnit; 5] =
        [ValueUnit::Per1, ValueUnit::Per100, ValueUnit::Per1000, ValueUnit::Percent, ValueUnit::Money];

    /// Its name in documents.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ValueUnit::Per1 => "per_1",
            ValueUnit::Per100 => "per_100",
            ValueUnit::Per1000 => "per_1000",
            ValueUnit::Percent => "percent",
            ValueUnit::Money => "money",
        }
    }

    fn from_name(name: &str) -> Option<ValueUnit> {
        ValueUnit::ALL.into_iter().find(|unit| unit.name() == name)
    }
}

impl fmt::Display for YearValue {
    /// The value with its unit, as people read it.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = &self.value;
        match self.unit {
            None | Some(ValueUnit::Money) => write!(out, "{value}"),
            Some(ValueUnit::Percent) => write!(out, "{value} %"),
            Some(ValueUnit::Per1) => write!(out, "{value} of each 1 of value"),
            Some(ValueUnit::Per100) => write!(out, "{value} of each 100 of value"),
            Some(ValueUnit::Per1000) => write!(out, "{value} of each 1,000 of value"),
        }
    }
}

/// The JSON Schema (2020-12) of a year, in JSON or TOML.
#[must_use]
pub fn schema() -> serde_json::Value {
    schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<JurisdictionYear>()
        .to_value()
}

fn day(text: &str) -> Option<Date> {
    // the parser takes times and short forms too
    (text.len() == 10).then(|| text.parse().ok()).flatten()
}

fn no_day(text: &str) -> String {
    format!("{text:?} is no day: write year, month and day, such as 2026-01-31")
}

fn number(text: &str) -> Option<Decimal> {
    let plain = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.');
    plain.then(|| Decimal::from_str_exact(text).ok()).flatten()
}

/// Kind and name of the values seen: each stands once.
type Named = BTreeSet<(ValueKind, String)>;

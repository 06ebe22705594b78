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
pub const ENGINE_VERSION: &str = "2";

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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rust_decimal::Decimal;

    use super::policy::Need;
    use super::*;

    fn area(sqft: i64) -> Area {
        Area::from_whole_square_feet(sqft).unwrap()
    }

    fn judged(measured_sqft: i64, sd: f64, recorded: Option<i64>, rule: Rule) -> Judgement {
        let measured =
            Measured { area: area(measured_sqft), spread: Spread { stated: sd * sd, ..Spread::default() } };
        let recorded = Recorded {
            area: recorded.map(area),
            rounding_sqft: 0.0,
            value: Some(Money::from_cents(20_000_000)),
            class: "110".to_owned(),
            vacant: false,
        };
        let policy = Policy { rule: vec![rule], ..Policy::default() };
        judge(&measured, &recorded, &policy, &Scope { jurisdiction: "", class: "110", source: "s" }).unwrap()
    }

    fn rule(percent: i64, square_feet: i64) -> Rule {
        Rule {
            percent: Some(Decimal::from(percent)),
            square_feet: Some(Decimal::from(square_feet)),
            exceedance_min: 0.0,
            ..Rule::default()
        }
    }

    #[test]
    fn a_limit_that_is_reached_exactly_is_reached() {
        assert_eq!(judged(2100, 1.0, Some(2000), rule(5, 100)).verdict, Verdict::Material);
        assert_eq!(judged(2099, 1.0, Some(2000), rule(5, 100)).verdict, Verdict::NotMaterial);
        assert_eq!(judged(1900, 1.0, Some(2000), rule(5, 100)).verdict, Verdict::Material);
    }

    #[test]
    fn all_takes_the_largest_limit_in_square_feet_and_any_the_smallest() {
        let any = Rule { need: Need::Any, ..rule(5, 100) };
        assert_eq!(judged(3120, 1.0, Some(3000), rule(5, 100)).threshold, area(150));
        assert_eq!(judged(3120, 1.0, Some(3000), any).threshold, area(100));
    }

    #[test]
    fn measuring_error_is_never_queued_whatever_the_percentage() {
        assert_eq!(judged(1200, 150.0, Some(1000), rule(5, 100)).verdict, Verdict::WithinMeasuringError);
    }

    #[test]
    fn beyond_the_threshold_but_not_surely_is_undecided() {
        // d = 110, T = 100, s = 25: probability 0.655 (1 - [Phi((T-d)/s) - Phi((-T-d)/s)], scipy.stats.norm)
        let asked = Rule { exceedance_min: 0.9, ..rule(5, 100) };
        assert_eq!(judged(2110, 25.0, Some(2000), asked.clone()).verdict, Verdict::Undecided);
        assert_eq!(judged(2160, 25.0, Some(2000), asked).verdict, Verdict::Material);
    }

    #[test]
    fn a_direction_that_is_not_asked_for_is_told_apart() {
        let larger = Rule { direction: Direction::Larger, ..rule(5, 100) };
        assert_eq!(judged(1700, 1.0, Some(2000), larger.clone()).verdict, Verdict::OtherDirection);
        assert_eq!(judged(2300, 1.0, Some(2000), larger).verdict, Verdict::Material);
    }

    #[test]
    fn a_record_without_area_has_no_percentage_and_is_weighed_by_square_feet() {
        for recorded in [None, Some(0)] {
            let judgement = judged(1500, 15.0, recorded, rule(5, 100));
            assert_eq!((judgement.kind, judgement.verdict), (Kind::NoArea, Verdict::Material));
            assert_eq!((judgement.comparison.variance_ppm, judgement.effect), (None, None));
        }
    }

    #[test]
    fn a_limit_in_value_is_turned_into_square_feet() {
        // 200,000.00 on 2,000 sq ft is 100 a square foot: 15,000 are 150 sq ft
        let value = Rule {
            value: Some(Money::from_cents(1_500_000)),
            percent: None,
            square_feet: None,
            ..rule(0, 0)
        };
        assert_eq!(judged(2150, 1.0, Some(2000), value.clone()).verdict, Verdict::Material);
        assert_eq!(judged(2149, 1.0, Some(2000), value).verdict, Verdict::NotMaterial);
    }

    #[test]
    fn the_first_rule_whose_scope_covers_decides() {
        let policy = Policy::from_toml(
            "name = \"n\"\n[[rule]]\nclass = \"550\"\nsquare_feet = 10\n[[rule]]\njurisdiction = \"US-IA\"\npercent = 3.5\n",
        )
        .unwrap();
        let of = |jurisdiction, class| {
            policy.rule_for(&Scope { jurisdiction, class, source: "s" }).map(|(n, _)| n)
        };
        assert_eq!(of("US-IA-169", "550"), Some(0));
        assert_eq!(of("US-IA-169", "110"), Some(1));
        assert_eq!(of("US-IAX", "110"), None);
    }

    #[test]
    fn a_policy_that_cannot_be_meant_is_refused_with_its_mend() {
        for (text, expected) in [
            ("name = \"n\"\nrule = []\n", "no rule"),
            ("name = \"n\"\n[[rule]]\nz_min = 2\n", "no limit"),
            ("name = \"n\"\n[[rule]]\npercent = -5\n", "negative"),
            ("name = \"n\"\n[[rule]]\npercent = 5\nexceedance_min = 1.5\n", "probability"),
            ("name = \"n\"\n[[rule]]\npercent = 5\nelasticity_low = 2.0\n", "elasticities"),
            ("name = \"n\"\n[[rule]]\npercnt = 5\n", "percnt"),
            ("name = \"n\"\nbrake_share = nan\n[[rule]]\npercent = 5\n", "brake_share"),
            ("name = \"n\"\nbrake_share = -1.0\n[[rule]]\npercent = 5\n", "brake_share"),
            ("name = \"n\"\n[[rule]]\npercent = 5\nz_min = nan\n", "z_min"),
            ("name = \"n\"\n[[rule]]\npercent = 5\nelasticity_high = inf\n", "elasticities"),
        ] {
            let error = Policy::from_toml(text).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
        }
    }

    #[test]
    fn a_policy_reads_back_as_it_was_written() {
        let policy = Policy { rule: vec![rule(5, 100)], ..Policy::default() };
        assert_eq!(Policy::from_toml(&toml::to_string(&policy).unwrap()).unwrap(), policy);
        assert_eq!(serde_json::from_str::<Policy>(&serde_json::to_string(&policy).unwrap()).unwrap(), policy);
    }

    #[test]
    fn an_explanation_states_every_figure_of_the_verdict() {
        let measured = Measured { area: area(2148), spread: Spread { stated: 100.0, ..Spread::default() } };
        let recorded = Recorded {
            area: Some(area(2400)),
            rounding_sqft: 1.0,
            value: Some(Money::from_cents(24_000_000)),
            class: String::new(),
            vacant: false,
        };
        let policy = Policy::default();
        let scope = Scope { jurisdiction: "", class: "", source: "s" };
        let judgement = judge(&measured, &recorded, &policy, &scope).unwrap();
        let steps = explain::explain(&judgement, &measured, &recorded, &policy.rule[0]);
        let text = steps
            .iter()
            .map(|s| format!("{}: {} = {}", s.what, s.how, s.result))
            .collect::<Vec<_>>()
            .join("\n");
        for figure in [
            "2148.0",
            "2400.0",
            "-252.0 sq ft",
            "-10.50 %",
            "10.004 sq ft",
            "-25.19",
            "120.0 sq ft",
            "-25200.00",
        ] {
            assert!(text.contains(figure), "{figure} is missing:\n{text}");
        }
    }

    proptest! {
        #[test]
        fn equal_areas_give_no_variance(sqft in 1i64..100_000, sd in 0.0..500.0f64) {
            let judgement = judged(sqft, sd, Some(sqft), rule(0, 0));
            prop_assert_eq!(judgement.comparison.variance_ppm, Some(0));
            prop_assert!(judgement.verdict != Verdict::Material);
        }

        #[test]
        fn a_higher_threshold_or_more_uncertainty_never_adds_a_finding(
            measured in 300i64..6000, recorded in 300i64..6000, sd in 0.0..200.0f64, more in 0.0..200.0f64,
            percent in 0i64..30, higher in 0i64..30, exceedance in 0.0..0.99f64,
        ) {
            let asked = |percent| Rule { exceedance_min: exceedance, ..rule(percent, 10) };
            let material = |sd, percent| judged(measured, sd, Some(recorded), asked(percent)).verdict == Verdict::Material;
            if !material(sd, percent) {
                prop_assert!(!material(sd, percent + higher));
                // more spread may push the probability up only while it is below a half: then it was not material
                prop_assert!(exceedance < 0.5 || !material(sd + more, percent));
            }
        }
    }
}

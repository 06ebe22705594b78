//! A judgement in numbers: each step with its formula, its inputs and its result, in an order that can be followed
//! with a pocket calculator.

use serde::Serialize;

use super::compare::Denominator;
use super::policy::{Need, Rule};
use super::{Judgement, Kind, Measured, Recorded, Verdict};
use crate::standard::{ASSUMED, ASSUMED_RELATIVE_SD};

/// One step of an explanation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Step {
    /// What is computed.
    pub what: String,
    /// The formula with its inputs.
    pub how: String,
    /// The result with its unit.
    pub result: String,
}

/// What a reader must know before acting on a finding.
pub const CAUTION: &str = "Not a survey, an appraisal, or tax or legal advice: local law and licensed practice come first. \
The record may be right on its own basis. A corrected record can raise value and tax as well as lower them, also for past years.";

/// Explains a judgement.
#[must_use]
pub fn explain(judgement: &Judgement, measured: &Measured, recorded: &Recorded, rule: &Rule) -> Vec<Step> {
    let mut steps =
        vec![difference(judgement), spread(judgement, measured, recorded), significance(judgement, rule)];
    steps.extend(variance(judgement));
    steps.push(threshold(judgement, rule));
    if rule.exceedance_min > 0.0 {
        steps.push(step(
            "probability that the true difference is beyond the threshold",
            "1 - [Phi((T - d) / s) - Phi((-T - d) / s)]".to_owned(),
            format!("{} (at least {} asked)", probability(judgement.exceedance_ppm), rule.exceedance_min),
        ));
    }
    if let Some(effect) = judgement.effect {
        let value = recorded.value.map(|v| v.to_text()).unwrap_or_default();
        steps.push(step(
            "estimated change of the recorded value",
            format!(
                "V ((A + d) / A)^e - V with V = {value}, e from {} to {} as the policy assumes",
                rule.elasticity_low, rule.elasticity_high
            ),
            format!("{} to {} (estimate)", effect.low.to_text(), effect.high.to_text()),
        ));
    }
    steps.push(step(
        "verdict",
        format!("rule {} of the policy", judgement.rule.saturating_add(1)),
        verdict(judgement),
    ));
    steps
}

fn step(what: &str, how: String, result: String) -> Step {
    Step { what: what.to_owned(), how, result }
}

/// A probability in parts per million as a decimal; the ends are open, nothing is that sure.
#[must_use]
pub fn probability(ppm: i64) -> String {
    match ppm {
        ..100 => "below 0.0001".to_owned(),
        999_901.. => "above 0.9999".to_owned(),
        _ => format!("{:.4}", ppm as f64 / 1e6),
    }
}

fn difference(judgement: &Judgement) -> Step {
    let c = &judgement.comparison;
    let measured = c.measured.to_square_feet(1);
    let how = match (judgement.kind, c.recorded) {
        (Kind::Variance, Some(recorded)) => {
            format!("measured {measured} - recorded {}", recorded.to_square_feet(1))
        }
        (Kind::RecordedVacant, _) => {
            format!("measured {measured}; the record says that there is no building")
        }
        (Kind::NoArea | Kind::Variance, _) => format!("measured {measured}; the record has no area"),
    };
    step("difference", how, format!("{} sq ft", c.difference.to_square_feet(1)))
}

fn spread(judgement: &Judgement, measured: &Measured, recorded: &Recorded) -> Step {
    let mut origins: Vec<String> = measured.spread.by_origin().into_iter().map(origin).collect();
    origins.push(format!("{}^2 / 12 rounding of the record", recorded.rounding_sqft));
    step(
        "standard deviation of the difference",
        format!("sqrt({})", origins.join(" + ")),
        format!("{:.3} sq ft", judgement.comparison.sigma),
    )
}

fn origin((origin, variance): (&str, f64)) -> String {
    let assumed = if origin == ASSUMED {
        format!("assumed ({ASSUMED_RELATIVE_SD} of the area, none was stated)")
    } else {
        origin.to_owned()
    };
    format!("{:.3}^2 {assumed}", variance.sqrt())
}

fn significance(judgement: &Judgement, rule: &Rule) -> Step {
    let c = &judgement.comparison;
    step(
        "difference in standard deviations",
        format!("{} / {:.3}", c.difference.to_square_feet(1), c.sigma),
        format!("{:.2} (at least {} asked)", c.z, rule.z_min),
    )
}

fn variance(judgement: &Judgement) -> Option<Step> {
    let c = &judgement.comparison;
    let of = match c.denominator {
        Denominator::Recorded => c.recorded?,
        Denominator::Measured => c.measured,
    };
    let word = match c.denominator {
        Denominator::Recorded => "recorded",
        Denominator::Measured => "measured",
    };
    Some(step(
        "variance",
        format!("{} / {word} {}", c.difference.to_square_feet(1), of.to_square_feet(1)),
        format!("{:.2} % of the {word} area", c.variance_ppm? as f64 / 1e4),
    ))
}

fn threshold(judgement: &Judgement, rule: &Rule) -> Step {
    let mut limits = Vec::new();
    limits.extend(rule.percent.map(|p| format!("{p} %")));
    limits.extend(rule.square_feet.map(|s| format!("{s} sq ft")));
    limits.extend(rule.value.map(|v| format!("{} in value", v.to_text())));
    let of = match rule.need {
        Need::All => "the largest of",
        Need::Any => "the smallest of",
    };
    step(
        "threshold",
        format!("{of} {}", limits.join(", ")),
        format!("{} sq ft", judgement.threshold.to_square_feet(1)),
    )
}

fn verdict(judgement: &Judgement) -> String {
    match judgement.verdict {
        Verdict::Material => "material: for the queue",
        Verdict::NotMaterial => "not material",
        Verdict::WithinMeasuringError => "measuring error and rounding can explain it",
        Verdict::Undecided => "undecided: beyond the threshold, but not surely enough",
        Verdict::OtherDirection => "not asked for: the policy looks the other way",
    }
    .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_probability_is_shown_as_certain() {
        assert_eq!(probability(1_000_000), "above 0.9999");
        assert_eq!(probability(0), "below 0.0001");
        assert_eq!(probability(655_422), "0.6554");
    }
}

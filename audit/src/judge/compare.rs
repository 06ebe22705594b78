//! Like with like: the difference between a measured and a recorded area, its spread and its significance.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Measured;
use crate::area::Area;

/// Which figure a percentage is of. Always stated with it: the same 252 sq ft is -10.5 % of 2,400 and -11.7 % of 2,148.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Denominator {
    /// Of the recorded area.
    #[default]
    Recorded,
    /// Of the measured area.
    Measured,
}

/// A measured and a recorded area side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// The measured area under the record's basis.
    pub measured: Area,
    /// The recorded area, where there is one.
    pub recorded: Option<Area>,
    /// Measured less recorded; all of the measured area where none is recorded. Positive: the house is larger.
    pub difference: Area,
    /// Difference over the denominator in parts per million, rounded half away from zero; none without a record.
    pub variance_ppm: Option<i64>,
    /// What the variance is of.
    pub denominator: Denominator,
    /// Standard deviation of the measured area, square feet.
    pub sigma_measured: f64,
    /// Standard deviation of the recorded area from its own rounding, square feet.
    pub sigma_recorded: f64,
    /// Standard deviation of the difference, square feet.
    pub sigma: f64,
    /// Difference over its standard deviation. Huge where nothing spreads.
    pub z: f64,
}

/// `z` where neither side has a spread and they differ.
pub const Z_WITHOUT_SPREAD: f64 = 1e9;

/// Compares a measured with a recorded area.
///
/// The spread of the record is that of its rounding, `q / sqrt(12)` for a figure rounded to `q`
/// (JCGM 100, rectangular distribution; from memory).
#[must_use]
pub fn compare(
    measured: &Measured,
    recorded: Option<Area>,
    rounding_sqft: f64,
    denominator: Denominator,
) -> Comparison {
    let against = recorded.unwrap_or(Area::ZERO);
    let difference = measured.area.checked_sub(against).unwrap_or(measured.area);
    let of = match (recorded, denominator) {
        (None, _) => None,
        (Some(area), Denominator::Recorded) => Some(area),
        (Some(_), Denominator::Measured) => Some(measured.area),
    };
    let recorded_variance = if recorded.is_some() { rounding_sqft * rounding_sqft / 12.0 } else { 0.0 };
    let sigma = (measured.spread.variance() + recorded_variance).sqrt();
    let z = match (difference == Area::ZERO, sigma > 0.0) {
        (true, _) => 0.0,
        (false, true) => difference.to_square_feet_f64() / sigma,
        (false, false) => Z_WITHOUT_SPREAD.copysign(difference.to_square_feet_f64()),
    };
    Comparison {
        measured: measured.area,
        recorded,
        difference,
        variance_ppm: of.and_then(|of| share_ppm(difference, of)),
        denominator,
        sigma_measured: measured.spread.variance().sqrt(),
        sigma_recorded: recorded_variance.sqrt(),
        sigma,
        z,
    }
}

/// `part / whole` in parts per million, rounded half away from zero.
fn share_ppm(part: Area, whole: Area) -> Option<i64> {
    let (part, whole) = (i128::from(part.square_micrometres()), i128::from(whole.square_micrometres()));
    let doubled = part.checked_mul(2_000_000)?.checked_div(whole)?;
    let rounded = doubled.checked_add(doubled.signum())?.checked_div(2)?;
    i64::try_from(rounded).ok()
}

/// Probability that the true difference is beyond the threshold, for a normal error and a flat prior:
/// `1 - [Phi((T - d) / s) - Phi((-T - d) / s)]` (the guard-band idea of JCGM 106:2012).
#[must_use]
pub fn exceedance(comparison: &Comparison, threshold: Area) -> f64 {
    let (d, t, s) =
        (comparison.difference.to_square_feet_f64(), threshold.to_square_feet_f64(), comparison.sigma);
    if s > 0.0 {
        (1.0 - (phi((t - d) / s) - phi((-t - d) / s))).clamp(0.0, 1.0)
    } else if d.abs() >= t {
        1.0
    } else {
        0.0
    }
}

/// The standard normal distribution function.
fn phi(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::standard::Spread;

    fn measured(sqft: &str, sd: f64) -> Measured {
        Measured {
            area: Area::parse_square_feet(sqft).unwrap(),
            spread: Spread { stated: sd * sd, ..Spread::default() },
        }
    }
    fn area(sqft: &str) -> Area {
        Area::parse_square_feet(sqft).unwrap()
    }

    #[test]
    fn the_denominator_is_stated_and_changes_the_figure() {
        // definition of the variance, (measured - recorded) / recorded; arithmetic by hand
        let of_record = compare(&measured("2148", 10.0), Some(area("2400")), 0.0, Denominator::Recorded);
        assert_eq!(of_record.variance_ppm, Some(-105_000));
        let of_house = compare(&measured("2148", 10.0), Some(area("2400")), 0.0, Denominator::Measured);
        assert_eq!(of_house.variance_ppm, Some(-117_318));
    }

    #[test]
    fn a_published_county_example_is_one_percent() {
        // San Bernardino County Assessor, FAQ (sbcountyarc.org/faq): 2,543 recorded, 2,516 by the builder
        let c = compare(&measured("2516", 0.0), Some(area("2543")), 1.0, Denominator::Recorded);
        assert_eq!(c.variance_ppm, Some(-10_617));
        assert_eq!(c.difference, area("-27"));
    }

    #[test]
    fn standard_deviations_combine_in_quadrature() {
        // z = d / sqrt(18^2 + 16.83^2), computed by hand: 24.6424, -3.6522
        let c =
            compare(&measured("910", 18.0), Some(area("1000")), 16.83 * 12f64.sqrt(), Denominator::Recorded);
        assert!((c.sigma - 24.6424).abs() < 1e-3, "{}", c.sigma);
        assert!((c.z + 3.6522).abs() < 1e-3, "{}", c.z);
    }

    #[test]
    fn exceedance_agrees_with_the_normal_distribution() {
        // 1 - [Phi((T-d)/s) - Phi((-T-d)/s)] with T = 100, s = 25; values recomputed with scipy.stats.norm
        for (d, expected) in [("2110", 0.655_422), ("2160", 0.991_802), ("2060", 0.054_799)] {
            let c = compare(&measured(d, 25.0), Some(area("2000")), 0.0, Denominator::Recorded);
            assert!((exceedance(&c, area("100")) - expected).abs() < 1e-5);
        }
    }

    #[test]
    fn without_a_record_there_is_no_percentage() {
        let c = compare(&measured("1500", 15.0), None, 1.0, Denominator::Recorded);
        assert_eq!(c.variance_ppm, None);
        assert_eq!(c.difference, area("1500"));
        assert!((c.z - 100.0).abs() < 1e-9);
    }
}

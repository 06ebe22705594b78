//! What a difference in area may mean in value: an interval under stated assumptions, never a finding.

use serde::{Deserialize, Serialize};

use super::policy::Rule;
use crate::area::Area;
use crate::money::Money;

/// Estimated change of value if the record were corrected, at the policy's lower and upper elasticity.
/// Positive: the value would rise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Effect {
    /// At the lower elasticity.
    pub low: Money,
    /// At the upper elasticity.
    pub high: Money,
}

/// The effect on value of correcting the record by `difference`, where the record has a value.
///
/// `V ((A + d) / A)^e - V`, truncated toward zero to the cent. With `e` = 1 it is `V d / A` in whole numbers.
#[must_use]
pub fn effect(value: Option<Money>, difference: Area, recorded: Area, rule: &Rule) -> Option<Effect> {
    let value = value.filter(|value| value.cents() > 0)?;
    let at = |elasticity| change(value, difference, recorded, elasticity);
    Some(Effect { low: at(rule.elasticity_low)?, high: at(rule.elasticity_high)? })
}

fn change(value: Money, difference: Area, recorded: Area, elasticity: f64) -> Option<Money> {
    let (d, a) = (difference.square_micrometres(), recorded.square_micrometres());
    #[expect(clippy::float_cmp, reason = "exactly one is the linear case, which whole numbers decide")]
    if elasticity == 1.0 {
        let exact = i128::from(value.cents()).checked_mul(i128::from(d))?.checked_div(i128::from(a))?;
        return i64::try_from(exact).ok().map(Money::from_cents);
    }
    let ratio = 1.0 + difference.to_square_feet_f64() / recorded.to_square_feet_f64();
    let changed = (value.cents() as f64 * (libm::pow(ratio.max(0.0), elasticity) - 1.0)).trunc();
    #[expect(clippy::cast_possible_truncation, reason = "bounded on the line before")]
    (changed.abs() < 9e15).then(|| Money::from_cents(changed as i64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn value_follows_area_with_the_stated_elasticity() {
        // V' = V (A'/A)^e: -10.5 % of area at e = 0.6 is -6.4 % of value (arithmetic by hand: 0.895^0.6 = 0.93561)
        let rule = Rule { elasticity_low: 0.6, elasticity_high: 1.0, ..Rule::default() };
        let sqft = |n| Area::from_whole_square_feet(n).unwrap();
        let effect = effect(Some(Money::from_cents(10_000_000)), sqft(-252), sqft(2400), &rule).unwrap();
        assert!((effect.low.cents() as f64 / 10_000_000.0 + 0.06439).abs() < 1e-4, "{effect:?}");
        assert_eq!(effect.high, Money::from_cents(-1_050_000));
    }

    #[test]
    fn a_record_without_value_has_no_effect() {
        let sqft = |n| Area::from_whole_square_feet(n).unwrap();
        assert_eq!(super::effect(None, sqft(1), sqft(2), &Rule::default()), None);
        assert_eq!(super::effect(Some(Money::from_cents(0)), sqft(1), sqft(2), &Rule::default()), None);
    }
}

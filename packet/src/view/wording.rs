//! Words for figures.

use crossfoot_audit::area::Area;
use crossfoot_audit::judge::Kind;
use crossfoot_audit::judge::compare::Denominator;

use super::mark::{self, percent};
use crate::data::{Mended, PacketData};

/// The finding in one sentence without its full stop: which way, how much, how sure.
pub(crate) fn result(data: &PacketData) -> String {
    let measured = || whole(&data.comparison.measured_sqft);
    match (data.finding.kind, data.comparison.variance_ppm) {
        (Kind::RecordedVacant, _) => {
            format!(
                "recorded as without a building; {} sq ft were measured, 95 % interval {}",
                measured(),
                mark::interval(data)
            )
        }
        (Kind::NoArea, _) | (Kind::Variance, None) => {
            format!(
                "no area on record; {} sq ft were measured, 95 % interval {}",
                measured(),
                mark::interval(data)
            )
        }
        (Kind::Variance, Some(0)) => {
            format!("house as large as recorded, 95 % interval {}", mark::interval(data))
        }
        (Kind::Variance, Some(ppm)) => {
            let way = if ppm > 0 { "larger" } else { "smaller" };
            let of = match data.comparison.denominator {
                Denominator::Recorded => "recorded",
                Denominator::Measured => "measured",
            };
            let size = percent(ppm.saturating_abs());
            format!(
                "house {way} than recorded by {size} % of the {of} area, 95 % interval {}",
                mark::interval(data)
            )
        }
    }
}

/// Under what the measured area was stated.
pub(super) fn measured_words(data: &PacketData) -> String {
    format!("{}, measured on {}", data.standard.title, data.measurement.measured_on)
}

/// Whole square feet, thousands apart.
pub(super) fn whole(text: &str) -> String {
    Area::parse_square_feet(text).map_or_else(|_| text.to_owned(), |area| grouped(&area.to_square_feet(0)))
}

/// Decimal text with its thousands apart.
pub(crate) fn grouped(text: &str) -> String {
    let (sign, unsigned) = text.strip_prefix('-').map_or(("", text), |rest| ("-", rest));
    let (whole, fraction) = unsigned.split_once('.').unwrap_or((unsigned, ""));
    if !whole.bytes().all(|byte| byte.is_ascii_digit()) {
        return text.to_owned();
    }
    let mut digits = String::with_capacity(text.len().saturating_mul(2));
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && whole.len().saturating_sub(at) % 3 == 0 {
            digits.push(',');
        }
        digits.push(digit);
    }
    if fraction.is_empty() { format!("{sign}{digits}") } else { format!("{sign}{digits}.{fraction}") }
}

/// A word of the data as a person writes it.
pub(super) fn spaced(word: &str) -> String {
    word.replace('_', " ")
}

/// What a limit or assumption of a policy's rule is; others by their own name.
pub(super) fn rule_words(key: &str) -> String {
    match key {
        "jurisdiction" => "Only in jurisdiction",
        "class" => "Only class",
        "source" => "Only source",
        "need" => "Limits that must be reached",
        "percent" => "Limit, %",
        "square_feet" => "Limit, sq ft",
        "value" => "Limit in value",
        "denominator" => "Percentages are of",
        "z_min" => "Least standard deviations",
        "exceedance_min" => "Least probability",
        "direction" => "Directions that matter",
        "elasticity_low" => "Elasticity of value, lower",
        "elasticity_high" => "Elasticity of value, upper",
        other => return spaced(other),
    }
    .to_owned()
}

/// What a reader must know of a row that is not as published.
pub(crate) fn mended_words(mended: &Mended) -> String {
    format!(
        "This row is not as published. As it stands in edition {} of the publisher it could not be read, and {} mended \
         it on {}: {}. The file, the place and the hashes that are stated are those of the mended row.",
        mended.edition,
        mended.by,
        mended.at.get(..10).unwrap_or(&mended.at),
        mended.why.trim_end_matches('.')
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_stand_apart() {
        for (text, expected) in [
            ("0", "0"),
            ("912", "912"),
            ("1297.8", "1,297.8"),
            ("-32736.15", "-32,736.15"),
            ("1234567", "1,234,567"),
            ("SEE CARD", "SEE CARD"),
        ] {
            assert_eq!(grouped(text), expected);
        }
    }
}

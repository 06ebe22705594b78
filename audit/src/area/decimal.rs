//! Plain decimal text, read and printed exactly: the one way digits become integers and integers digits.

use std::cmp::Ordering;

/// Decimals beyond this many are not read: `10^27` times the units in a square foot still fits 128 bits.
pub(crate) const DECIMALS_MAX: usize = 27;

/// A plain decimal found in a text: optional sign, digits, optional point and digits. No exponent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Plain<'a> {
    pub(crate) negative: bool,
    /// Digits before the point, thousands separators still inside.
    whole: &'a str,
    /// Digits after the point without trailing zeros.
    fraction: &'a str,
}

/// Why a plain decimal has no value in the unit asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Misfit {
    TooFine,
    TooLarge,
}

impl<'a> Plain<'a> {
    /// Reads a text that must be nothing but a number; `thousands` may stand between groups of three.
    pub(crate) fn read(text: &'a str, thousands: Option<char>) -> Option<Self> {
        let (negative, unsigned) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text.strip_prefix('+').unwrap_or(text)),
        };
        let (whole, fraction) = match thousands {
            Some('.') => (unsigned, ""),
            Some(_) | None => unsigned.split_once('.').unwrap_or((unsigned, "")),
        };
        let digits_only = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
        let whole_fits =
            digits_only(whole) || thousands.is_some_and(|separator| grouped_in_threes(whole, separator));
        if (whole.is_empty() && fraction.is_empty()) || !whole_fits || !digits_only(fraction) {
            return None;
        }
        Some(Self { negative, whole, fraction: fraction.trim_end_matches('0') })
    }

    /// How many digits after the point count, trailing zeros left out.
    pub(crate) fn decimals(&self) -> usize {
        self.fraction.len()
    }

    /// The value times `factor` (not negative, below 10^11), rounded once, half away from zero, and whether
    /// the rounding changed nothing.
    pub(crate) fn times(&self, factor: i128) -> Result<(i128, bool), Misfit> {
        if self.fraction.len() > DECIMALS_MAX {
            return Err(Misfit::TooFine);
        }
        let value = digits(self.whole).ok_or(Misfit::TooLarge)?;
        let scale = self.fraction.bytes().fold(1_i128, |scale, _| scale.saturating_mul(10));
        let parts =
            digits(self.fraction).ok_or(Misfit::TooFine)?.checked_mul(factor).ok_or(Misfit::TooFine)?;
        let size = value
            .checked_mul(factor)
            .and_then(|whole| whole.checked_add(div_round(parts, scale)))
            .ok_or(Misfit::TooLarge)?;
        Ok((if self.negative { -size } else { size }, parts % scale == 0))
    }
}

/// Whether a text is digits with a separator before every group of three.
pub(crate) fn grouped_in_threes(text: &str, separator: char) -> bool {
    let mut groups = text.split(separator);
    let first_fits = groups
        .next()
        .is_some_and(|group| (1..=3).contains(&group.len()) && group.bytes().all(|b| b.is_ascii_digit()));
    first_fits && groups.all(|group| group.len() == 3 && group.bytes().all(|byte| byte.is_ascii_digit()))
}

/// The quotient rounded to the nearest whole number, half away from zero. The divisor is above zero.
pub(crate) fn div_round(dividend: i128, divisor: i128) -> i128 {
    let quotient = dividend / divisor;
    let remainder = (dividend % divisor).unsigned_abs();
    // the remainder is below the divisor, so the difference cannot wrap
    match remainder.cmp(&(divisor.unsigned_abs() - remainder)) {
        Ordering::Less => quotient,
        Ordering::Equal | Ordering::Greater => quotient + dividend.signum(),
    }
}

/// The quotient as text with a fixed number of decimals (at most 18), rounded once, half away from zero.
pub(crate) fn print(dividend: i128, divisor: i128, decimals: u32) -> String {
    let decimals = decimals.min(18);
    let scale = 10_i128.pow(decimals);
    let scaled = div_round(dividend.saturating_mul(scale), divisor);
    let sign = if scaled < 0 { "-" } else { "" };
    let size = scaled.unsigned_abs();
    let whole = size / scale.unsigned_abs();
    if decimals == 0 {
        return format!("{sign}{whole}");
    }
    let width = usize::try_from(decimals).unwrap_or(18);
    format!("{sign}{whole}.{:0width$}", size % scale.unsigned_abs())
}

/// The quotient as a float: the whole part stays exact, so a whole figure never gains stray digits.
#[expect(clippy::cast_precision_loss, reason = "the nearest float is what the caller asks for")]
pub(crate) fn quotient_f64(dividend: i128, divisor: i128) -> f64 {
    (dividend / divisor) as f64 + (dividend % divisor) as f64 / divisor as f64
}

fn digits(text: &str) -> Option<i128> {
    text.bytes().filter(u8::is_ascii_digit).try_fold(0_i128, |value, byte| {
        value.checked_mul(10).and_then(|value| value.checked_add(i128::from(byte - b'0')))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounds_half_away_from_zero() {
        for (dividend, divisor, expected) in
            [(5, 2, 3), (-5, 2, -3), (4, 3, 1), (5, 3, 2), (-4, 3, -1), (0, 7, 0), (1, 2, 1), (7, 1, 7)]
        {
            assert_eq!(div_round(dividend, divisor), expected, "{dividend}/{divisor}");
        }
    }

    #[test]
    fn prints_fixed_decimals_without_a_negative_zero() {
        for (dividend, divisor, decimals, expected) in [
            (1, 3, 4, "0.3333"),
            (-1, 3, 0, "0"),
            (-2, 3, 0, "-1"),
            (5, 100, 2, "0.05"),
            (1995, 1000, 2, "2.00"),
        ] {
            assert_eq!(print(dividend, divisor, decimals), expected);
        }
    }

    #[test]
    fn only_plain_decimals_are_numbers() {
        for text in ["", "-", ".", "1e3", "1 2", "0x1", "1.2.3", "--1", "1,2", "inf", "NaN", "٣"] {
            assert_eq!(Plain::read(text, None), None, "{text}");
        }
        for (text, expected) in [("1", 100), ("-1.005", -101), (".5", 50), ("5.", 500), ("+007.10", 710)] {
            assert_eq!(Plain::read(text, None).unwrap().times(100).unwrap().0, expected, "{text}");
        }
    }

    #[test]
    fn groups_of_three_are_checked() {
        for (text, fits) in
            [("1,284", true), ("12,84", false), (",284", false), ("1,284,000", true), ("1,2840", false)]
        {
            assert_eq!(Plain::read(text, Some(',')).is_some(), fits, "{text}");
        }
        assert_eq!(Plain::read("1.284", Some('.')).unwrap().times(1), Ok((1284, true)));
    }
}

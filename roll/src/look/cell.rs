//! What a single value is: a number in one of the ways publishers write it, a date, a word for "missing", or text.

/// What a value is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    Blank,
    /// A word that stands for a missing value.
    Missing,
    Number(Number),
    /// A number in scientific notation: its digits are lost.
    Scientific,
    Date,
    Text,
}

/// A number and how it is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    pub(super) value: f64,
    /// Digits after the point, trailing zeros left out.
    pub(super) decimals: u32,
    /// With commas between groups of three.
    pub(super) grouped: bool,
    /// With a sign of currency.
    pub(super) currency: bool,
    /// Nothing but digits.
    pub(super) digits_only: bool,
    /// Nothing but digits, and the first of several is zero.
    pub(super) leading_zero: bool,
}

/// Words that publishers write where a value is missing (common practice, no source).
const MISSING: [&str; 13] =
    ["NULL", "N/A", "NA", "#N/A", "NAN", "NONE", "UNKNOWN", "UNK", "-", "--", ".", "?", "\\N"];

const MONTHS: [&str; 12] =
    ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"];

/// What a trimmed value is.
pub(super) fn read(value: &str) -> Cell {
    let bytes = value.as_bytes();
    match bytes {
        [] => return Cell::Blank,
        [b'0'..=b'9', ..] if bytes.len() <= 15 && bytes.iter().all(u8::is_ascii_digit) => {
            return whole(bytes);
        }
        _ => {}
    }
    if bytes.len() <= 7 && MISSING.iter().any(|word| word.eq_ignore_ascii_case(value)) {
        return Cell::Missing;
    }
    // the longest number that a publisher means as one is shorter by far
    if bytes.len() > 40 || !bytes.iter().any(u8::is_ascii_digit) {
        return Cell::Text;
    }
    if let Some(number) = number(value) {
        return Cell::Number(number);
    }
    if scientific(bytes) {
        return Cell::Scientific;
    }
    if date(value) { Cell::Date } else { Cell::Text }
}

/// The usual case, without looking twice.
fn whole(digits: &[u8]) -> Cell {
    let value = digits.iter().fold(0_i64, |value, digit| 10 * value + i64::from(digit - b'0'));
    Cell::Number(Number {
        value: value as f64,
        decimals: 0,
        grouped: false,
        currency: false,
        digits_only: true,
        leading_zero: matches!(digits, [b'0', _, ..]),
    })
}

fn number(value: &str) -> Option<Number> {
    let (negative, rest) = match value.strip_prefix('(').and_then(|rest| rest.strip_suffix(')')) {
        Some(inside) => (true, inside),
        None => (false, value),
    };
    let (minus, rest) = match rest.strip_prefix('-').or_else(|| rest.strip_suffix('-')) {
        Some(rest) => (true, rest.trim()),
        None => (false, rest.strip_prefix('+').unwrap_or(rest)),
    };
    let (currency, rest) = match rest.strip_prefix('$') {
        Some(rest) => (true, rest.trim_start()),
        None => (false, rest),
    };
    let (minus, rest) = match rest.strip_prefix('-') {
        Some(rest) if currency && !minus => (true, rest),
        Some(_) | None => (minus, rest),
    };
    let (whole, fraction) = rest.split_once('.').unwrap_or((rest, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let grouped = whole.contains(',');
    let whole_fits = if grouped { groups_of_three(whole) } else { digits(whole) };
    if (whole.is_empty() && fraction.is_empty()) || !whole_fits || !digits(fraction) {
        return None;
    }
    let plain: String = whole.chars().filter(|letter| *letter != ',').collect();
    let size: f64 = format!("0{plain}.{fraction}0").parse().ok()?;
    let decimals = u32::try_from(fraction.trim_end_matches('0').len()).ok()?;
    let digits_only = digits(value);
    Some(Number {
        value: if negative || minus { -size } else { size },
        decimals,
        grouped,
        currency,
        digits_only,
        leading_zero: digits_only && value.len() > 1 && value.starts_with('0'),
    })
}

fn groups_of_three(text: &str) -> bool {
    let mut groups = text.split(',');
    let digits = |group: &str| group.bytes().all(|byte| byte.is_ascii_digit());
    groups.next().is_some_and(|first| (1..=3).contains(&first.len()) && digits(first))
        && groups.all(|group| group.len() == 3 && digits(group))
}

/// `1.23E+13`: digits, perhaps a point, E, a sign and digits.
fn scientific(bytes: &[u8]) -> bool {
    let Some(at) = bytes.iter().position(|byte| matches!(byte, b'e' | b'E')) else { return false };
    let (mantissa, exponent) = bytes.split_at(at);
    let digits = |text: &[u8]| !text.is_empty() && text.iter().all(u8::is_ascii_digit);
    let mantissa_fits = mantissa.first().is_some_and(u8::is_ascii_digit)
        && mantissa.iter().all(|byte| byte.is_ascii_digit() || *byte == b'.')
        && mantissa.iter().filter(|byte| **byte == b'.').count() <= 1;
    match exponent {
        [_, b'+' | b'-', rest @ ..] => mantissa_fits && digits(rest),
        // `12E5` may as well be a number of a lot
        [_, rest @ ..] => mantissa_fits && mantissa.contains(&b'.') && digits(rest),
        [] => false,
    }
}

/// `3/12/1987`, `1987-03-12`, `12-Mar-87`, each with or without a time behind it.
fn date(value: &str) -> bool {
    let day = value.split(['T', ' ']).next().unwrap_or_default();
    let mut parts = day.split(['/', '-']);
    let (Some(one), Some(two), Some(three), None) = (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return false;
    };
    let number = |text: &str| (text.len() <= 4).then(|| text.parse::<u32>().ok()).flatten();
    let month_named = MONTHS.iter().any(|month| two.len() >= 3 && two.to_uppercase().starts_with(month));
    let within = |number: Option<u32>, most: u32| number.is_some_and(|number| (1..=most).contains(&number));
    if month_named {
        return within(number(one), 31) && number(three).is_some();
    }
    let year_first = one.len() == 4 && within(number(two), 12) && within(number(three), 31);
    let (month, other) = (within(number(one), 12), within(number(two), 31));
    let other_order = within(number(one), 31) && within(number(two), 12);
    let year_last = matches!(three.len(), 2 | 4) && number(three).is_some();
    // `07-0412-003` is a number of a parcel: two digits of a year stand behind slashes only
    let slashes = day.contains('/') || three.len() == 4;
    (year_first && number(one).is_some()) || (year_last && slashes && ((month && other) || other_order))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number_of(value: &str) -> (f64, u32, bool, bool) {
        let Cell::Number(number) = read(value) else { panic!("{value:?} is {:?}", read(value)) };
        (number.value, number.decimals, number.grouped, number.currency)
    }

    #[test]
    fn numbers_are_read_as_publishers_write_them() {
        assert_eq!(number_of("0"), (0.0, 0, false, false));
        assert_eq!(number_of("007"), (7.0, 0, false, false));
        assert_eq!(number_of("1284.50"), (1284.5, 1, false, false));
        assert_eq!(number_of(".5"), (0.5, 1, false, false));
        assert_eq!(number_of("1,284"), (1284.0, 0, true, false));
        assert_eq!(number_of("$350,000.00"), (350_000.0, 0, true, true));
        assert_eq!(number_of("$-5"), (-5.0, 0, false, true));
        assert_eq!(number_of("1284-"), (-1284.0, 0, false, false));
        assert_eq!(number_of("(1,284)"), (-1284.0, 0, true, false));
        assert_eq!(number_of("10123456789012345678"), (10_123_456_789_012_345_678.0, 0, false, false));
    }

    #[test]
    fn what_is_no_number_is_told_apart() {
        for text in
            ["12,84", "1,284,5", "1.2.3", "12 MAIN ST", "0023S00162000000", "$", "-5-", "07-0412-003", "12E5"]
        {
            assert_eq!(read(text), Cell::Text, "{text}");
        }
        for missing in ["null", "N/A", "-", "\\N", "Unknown", "?"] {
            assert_eq!(read(missing), Cell::Missing, "{missing}");
        }
        for lost in ["1.23E+13", "1E+13", "1.5e12", "9.1E-5"] {
            assert_eq!(read(lost), Cell::Scientific, "{lost}");
        }
        for date in
            ["3/12/1987", "1987-03-12", "1987-03-12T00:00:00", "12-Mar-87", "31/12/99", "03-12-1987 00:00"]
        {
            assert_eq!(read(date), Cell::Date, "{date}");
        }
        assert_eq!(read(""), Cell::Blank);
    }
}

//! Figures in sentences.

/// A number with commas between thousands and at most two decimals.
pub(super) fn grouped(value: f64) -> String {
    let plain = figure(value);
    let (sign, rest) = plain.strip_prefix('-').map_or(("", plain.as_str()), |rest| ("-", rest));
    let (whole, fraction) =
        rest.split_once('.').map_or((rest, None), |(whole, fraction)| (whole, Some(fraction)));
    let mut out = sign.to_owned();
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    if let Some(fraction) = fraction {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

/// How many of a thing, such as `1 row` or `2,040 rows`.
pub(super) fn counted(count: u64, one: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{} {one}{ending}", grouped(count as f64))
}

/// A number with at most two decimals.
pub(super) fn figure(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A share of rows in percent: none and all are said as they are, and little is never said to be nothing.
pub(super) fn share_text(part: u64, whole: u64) -> String {
    let percent = 100.0 * super::column::ratio(part, whole);
    match part {
        0 => "0 %".to_owned(),
        part if part == whole => "100 %".to_owned(),
        _ if percent < 0.1 => "under 0.1 %".to_owned(),
        _ if percent > 99.9 => "over 99.9 %".to_owned(),
        _ => format!("{percent:.1} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_as_people_write_them() {
        assert_eq!(grouped(6210.0), "6,210");
        assert_eq!(grouped(-1_234_567.5), "-1,234,567.5");
        assert_eq!(grouped(0.0), "0");
        assert_eq!((counted(1, "row"), counted(2_040, "row")), ("1 row".to_owned(), "2,040 rows".to_owned()));
        assert_eq!(figure(1987.0), "1987");
        assert_eq!(share_text(4, 1000), "0.4 %");
        assert_eq!(share_text(1, 100_000), "under 0.1 %");
        assert_eq!(share_text(99_999, 100_000), "over 99.9 %");
        assert_eq!(share_text(0, 0), "0 %");
    }
}

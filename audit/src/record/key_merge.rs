//! Which step of a rule for keys makes two different parcel numbers of one roll the same: such a step merges two parcels.

use serde::{Deserialize, Serialize};
use unicode_normalization::UnicodeNormalization;

use super::parcel_key::KeyRule;

/// A step of a [`KeyRule`] that can merge two numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MergeStep {
    /// Letters in upper case.
    UpperCase,
    /// Separators removed.
    Strip,
    /// Parts put together.
    Join,
    /// A constant end dropped.
    DropTail,
}

impl MergeStep {
    /// The step in words that follow "by".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            MergeStep::UpperCase => "taking letters in upper case",
            MergeStep::Strip => "removing separators",
            MergeStep::Join => "putting the parts together",
            MergeStep::DropTail => "dropping the end",
        }
    }
}

/// The first step by which two spellings with one key come to be the same; none where they are one number written in two
/// ways that mean nothing: blanks around and between, compatibility forms of Unicode, and zeros on the left of a part
/// that the rule pads, which is what padding is for. `columns` is the number of columns that the spellings were joined
/// from, by one space.
///
/// Zeros are looked at with the separators still in place: `0012-3` and `12-3` are one number under padding, `01-23-45`
/// and `12-3-45` are two.
#[must_use]
pub fn merged_by(rule: &KeyRule, columns: usize, first: &str, second: &str) -> Option<MergeStep> {
    if first == second {
        return None;
    }
    let pads = !rule.pad_left.is_empty();
    let parts = |text: &str| -> Vec<String> {
        let text: String = text.nfkc().collect();
        text.splitn(columns.max(1), ' ').map(blanks_as_one).collect()
    };
    let zeros_off = |part: &String| if pads { part.trim_start_matches('0').to_owned() } else { part.clone() };
    let plain = |parts: &[String]| parts.iter().map(zeros_off).collect::<Vec<_>>();
    let (mut a, mut b) = (parts(first), parts(second));
    if plain(&a) == plain(&b) {
        return None;
    }
    if rule.upper {
        for part in a.iter_mut().chain(b.iter_mut()) {
            *part = part.to_uppercase();
        }
        if plain(&a) == plain(&b) {
            return Some(MergeStep::UpperCase);
        }
    }
    for part in a.iter_mut().chain(b.iter_mut()) {
        part.retain(|character| !rule.strip.contains(character));
    }
    if plain(&a) == plain(&b) {
        return Some(MergeStep::Strip);
    }
    let joined = |parts: &[String]| {
        let widths = rule.pad_left.iter().copied().chain(std::iter::repeat(0));
        let padded: Vec<String> =
            parts.iter().zip(widths).map(|(part, width)| format!("{part:0>width$}")).collect();
        padded.join(&rule.join)
    };
    if joined(&a) == joined(&b) {
        return Some(MergeStep::Join);
    }
    // the keys are the same, so what is left is the end
    Some(MergeStep::DropTail)
}

/// Without blanks around, and with one for each run of them.
fn blanks_as_one(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(rule: &str, columns: usize, first: &str, second: &str) -> Option<MergeStep> {
        let rule: KeyRule = toml::from_str(rule).unwrap();
        // the question is only asked of spellings with one key
        let normaliser = rule.compile().unwrap();
        let key = |text: &str| normaliser.normalise(&text.splitn(columns, ' ').collect::<Vec<_>>()).unwrap();
        assert_eq!(key(first), key(second), "{first} {second}");
        let (there, back) =
            (merged_by(&rule, columns, first, second), merged_by(&rule, columns, second, first));
        assert_eq!(there, back);
        there
    }

    #[test]
    fn separators_that_tell_parcels_apart_are_named() {
        for (first, second) in
            [("12-3-45", "1-23-45"), ("123-45", "12345"), ("12-3-45", "123-45"), ("12 345", "12345")]
        {
            assert_eq!(step("", 1, first, second), Some(MergeStep::Strip), "{first} {second}");
        }
        assert_eq!(step("pad_left = [6]", 1, "01-23-45", "12-3-45"), Some(MergeStep::Strip));
    }

    #[test]
    fn padding_and_blanks_are_what_they_are_for() {
        for (rule, columns, first, second) in [
            ("pad_left = [6]", 1, "0012-3", "12-3"),
            ("pad_left = [6, 4]", 2, "92503 9001", "092503 9001"),
            ("pad_left = [6, 4]", 2, "92503 10", "092503 0010"),
            ("", 1, "07-0412-003", " 07-0412-003 "),
            ("", 1, "0123  0045", "0123 0045"),
            ("", 1, "１２-3", "12-3"),
        ] {
            assert_eq!(step(rule, columns, first, second), None, "{first} {second}");
        }
    }

    #[test]
    fn letters_parts_and_ends_are_named() {
        assert_eq!(step("", 1, "23s01", "23S01"), Some(MergeStep::UpperCase));
        assert_eq!(step("", 2, "12 345", "123 45"), Some(MergeStep::Join));
        assert_eq!(step("drop_tail = \"0000\"", 1, "12340000", "1234"), Some(MergeStep::DropTail));
        assert_eq!(step("drop_tail = \"0000\"", 1, "1234-0000", "1234"), Some(MergeStep::DropTail));
    }
}

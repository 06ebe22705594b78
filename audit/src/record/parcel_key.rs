//! The key two spellings of one parcel number share, by the declared rule of the source.
//!
//! The raw number is kept beside the key, zeros and dashes included; the key only answers "the same parcel?".
//! A number whose digits are lost is refused, never repaired.

use regex::Regex;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::fmt;
use thiserror::Error;
use unicode_normalization::UnicodeNormalization;

/// No parcel number is longer; a wider padding is a mistake in the layout.
pub const PART_WIDTH_MAX: usize = 64;

/// The normalised number of a parcel within one source. Made by a [`KeyNormaliser`] only.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct ParcelKey(String);

impl ParcelKey {
    /// A key that was normalised before and comes back from where it was stored.
    #[must_use]
    pub const fn from_stored(key: String) -> Self {
        Self(key)
    }

    /// The key as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for ParcelKey {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(&self.0)
    }
}

/// How the parcel numbers of one source become keys. The steps run in this order: trim and compatibility
/// normalisation, upper case, strip, pad, join, drop the tail, match the pattern.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct KeyRule {
    /// The width each part is padded to with zeros on the left, one per part; empty pads nothing.
    pub pad_left: Vec<usize>,
    /// The characters that only separate and are removed.
    pub strip: String,
    /// Whether letters are compared in upper case.
    pub upper: bool,
    /// What stands between the parts of the key.
    pub join: String,
    /// A constant end that every number of the source carries, such as the unit `0000`.
    pub drop_tail: Option<String>,
    /// A regular expression every key must match.
    pub pattern: Option<String>,
}

impl Default for KeyRule {
    fn default() -> Self {
        Self {
            pad_left: Vec::new(),
            strip: "-. ".to_owned(),
            upper: true,
            join: String::new(),
            drop_tail: None,
            pattern: None,
        }
    }
}

/// What is wrong with a rule itself.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum KeyRuleError {
    /// The pattern is no regular expression.
    #[error("parcel key pattern {pattern:?} is no regular expression: correct it in the layout")]
    Pattern {
        /// The pattern as given.
        pattern: String,
        /// Why it does not compile.
        #[source]
        source: regex::Error,
    },
    /// A part padded beyond any parcel number.
    #[error("parcel key part padded to {width} characters: the most is {PART_WIDTH_MAX}")]
    Width {
        /// The width as given.
        width: usize,
    },
}

/// Why a parcel number has no key: a reason to quarantine the row.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Error)]
pub enum KeyProblem {
    /// A spreadsheet turned the number into a float.
    #[error("parcel number {found:?} is in scientific notation: digits are lost, take the column as text")]
    ScientificNotation {
        /// The part as given.
        found: String,
    },
    /// A spreadsheet turned the number into a date.
    #[error("parcel number {found:?} is date-like: take the column as text")]
    DateLike {
        /// The part as given.
        found: String,
    },
    /// A spreadsheet put an error in place of the number.
    #[error(
        "parcel number {found:?} is what a spreadsheet shows for an error: correct the cell at the source"
    )]
    SpreadsheetError {
        /// The part as given.
        found: String,
    },
    /// A spreadsheet's formula in place of the number.
    #[error("parcel number {found:?} is a formula of a spreadsheet: take the column as text")]
    Formula {
        /// The part as given.
        found: String,
    },
    /// More characters than the declared width.
    #[error("parcel number {found:?} is longer than {width}: check the column and its declared width")]
    TooLong {
        /// The part as given.
        found: String,
        /// The declared width.
        width: usize,
    },
    /// One part of several is blank, and padding it would invent a number.
    #[error("part {part} of the parcel number is blank: a key needs all its declared parts")]
    PartBlank {
        /// Which part, counted from one.
        part: usize,
    },
    /// Not as many parts as the rule declares widths.
    #[error(
        "parcel number has {found} parts where the layout declares {declared} widths: correct the layout"
    )]
    PartCount {
        /// How many parts came.
        found: usize,
        /// How many widths the rule declares.
        declared: usize,
    },
    /// The key does not look like a key of this source.
    #[error("parcel key {key:?} does not match the pattern of the source: correct the number or the pattern")]
    Pattern {
        /// The key before it was refused.
        key: String,
    },
}

impl KeyRule {
    /// Checks the rule and compiles its pattern, once for all rows.
    pub fn compile(&self) -> Result<KeyNormaliser, KeyRuleError> {
        if let Some(&width) = self.pad_left.iter().find(|&&width| width > PART_WIDTH_MAX) {
            return Err(KeyRuleError::Width { width });
        }
        let pattern = self.pattern.as_deref().map(compile).transpose()?;
        let dates = DATES.iter().map(|date| compile(date)).collect::<Result<_, _>>()?;
        let plain_separator = |byte: u8| self.strip.as_bytes().contains(&byte) && !b"/:=#".contains(&byte);
        let separates =
            (0..128u8).map(|byte| plain_separator(byte) && !byte.is_ascii_alphanumeric()).collect();
        let keeps_digits = !self.strip.bytes().any(|byte| byte.is_ascii_digit());
        Ok(KeyNormaliser { rule: self.clone(), pattern, dates, separates, keeps_digits })
    }
}

/// What a spreadsheet shows in place of a value that it cannot work out (ECMA-376 Part 1, 18.17.3), or of one that is
/// too wide for its column when it is copied as shown.
const ERRORS: [&str; 8] = ["#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "####"];

/// What a spreadsheet makes of `3-12`: a day and a month name, or a full date. Matched in upper case.
const DATES: [&str; 4] = [
    "^[0-9]{1,4}[-/ ](JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)([-/ ][0-9]{2,4})?$",
    "^(JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)[-/ ][0-9]{1,4}([-/, ]+[0-9]{2,4})?$",
    "^[0-9]{1,2}/[0-9]{1,2}/(19|20)[0-9]{2}( .*)?$",
    "^(19|20)[0-9]{2}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}.*$",
];

fn compile(pattern: &str) -> Result<Regex, KeyRuleError> {
    Regex::new(pattern).map_err(|source| KeyRuleError::Pattern { pattern: pattern.to_owned(), source })
}

/// A checked rule, ready for any number of rows.
#[derive(Clone, Debug)]
pub struct KeyNormaliser {
    rule: KeyRule,
    pattern: Option<Regex>,
    dates: Vec<Regex>,
    /// By byte: one that is taken out and gives no reason to look closer.
    separates: Vec<bool>,
    keeps_digits: bool,
}

impl KeyNormaliser {
    /// The key of a number that comes in parts, one per column. `None` is a missing number: blank or nothing
    /// but zeros.
    pub fn normalise(&self, parts: &[&str]) -> Result<Option<ParcelKey>, KeyProblem> {
        let mut key = String::new();
        Ok(self.normalise_into(parts, &mut key)?.then_some(ParcelKey(key)))
    }

    /// As [`KeyNormaliser::normalise`], into a text that is used again; false for a missing number.
    ///
    /// # Errors
    /// [`KeyProblem`] of a number that has no key.
    pub fn normalise_into(&self, parts: &[&str], key: &mut String) -> Result<bool, KeyProblem> {
        if self.digits_only(parts, key) {
            return self.finished(key);
        }
        match self.with_care(parts)? {
            Some(found) => *key = found.0,
            None => return Ok(false),
        }
        Ok(true)
    }

    /// Puts a number together that is nothing but digits and separators, as nearly all are. False for what has to be
    /// looked at closer: everything else, and numbers that are missing, too long or lack a part.
    fn digits_only(&self, parts: &[&str], key: &mut String) -> bool {
        let widths = &self.rule.pad_left;
        if !self.keeps_digits || (!widths.is_empty() && widths.len() != parts.len()) {
            return false;
        }
        key.clear();
        let mut missing = true;
        for (at, part) in parts.iter().enumerate() {
            let part = part.trim_ascii();
            let separates = |byte: u8| self.separates.get(usize::from(byte)).copied().unwrap_or(false);
            let digits = part.bytes().filter(u8::is_ascii_digit).count();
            if part.bytes().any(|byte| !byte.is_ascii_digit() && !separates(byte)) {
                return false;
            }
            if at > 0 {
                key.push_str(&self.rule.join);
            }
            if let Some(&width) = widths.get(at) {
                if digits > width || (digits == 0 && width > 0) {
                    return false;
                }
                (digits..width).for_each(|_| key.push('0'));
            }
            for digit in part.bytes().filter(u8::is_ascii_digit) {
                missing &= digit == b'0';
                key.push(char::from(digit));
            }
        }
        !missing
    }

    fn with_care(&self, parts: &[&str]) -> Result<Option<ParcelKey>, KeyProblem> {
        let mut stripped = Vec::with_capacity(parts.len());
        for part in parts {
            stripped.push(self.strip(part)?);
        }
        self.key(&stripped)
    }

    /// The key of a number written as one text, as on a measured house, whatever the parts of the source.
    ///
    /// Where the rule has several padded parts, a text that splits at dashes, blanks or points into as many
    /// pieces is padded piece by piece; any other text is taken as the parts run together.
    pub fn normalise_joined(&self, text: &str) -> Result<Option<ParcelKey>, KeyProblem> {
        let text = clean(text);
        if self.rule.pad_left.len() < 2 {
            let separated = self.rule.pad_left.is_empty() && !self.rule.join.is_empty();
            if separated && text.contains(&self.rule.join) {
                return self.normalise(&text.split(&self.rule.join).collect::<Vec<_>>());
            }
            let whole = self.strip(&text)?;
            return self.key(&[self.restore_tail(whole)]);
        }
        let pieces: Vec<&str> = text.split(['-', ' ', '.']).filter(|piece| !piece.is_empty()).collect();
        if pieces.len() == self.rule.pad_left.len() {
            return self.normalise(&pieces);
        }
        let whole = self.restore_tail(self.strip(&text)?);
        if missing(std::slice::from_ref(&whole)) {
            return Ok(None);
        }
        let mut rest = pad(&whole, self.rule.pad_left.iter().sum())?;
        let mut parts = Vec::with_capacity(self.rule.pad_left.len());
        for &width in &self.rule.pad_left {
            let end = rest.char_indices().nth(width).map_or(rest.len(), |(at, _)| at);
            let after = rest.split_off(end);
            parts.push(rest);
            rest = after;
        }
        self.finish(parts)
    }

    /// One part without its separators, refused if a spreadsheet damaged it.
    fn strip(&self, part: &str) -> Result<String, KeyProblem> {
        let clean = clean(part);
        if clean.starts_with('=') {
            return Err(KeyProblem::Formula { found: clean.into_owned() });
        }
        if clean.starts_with('#') && ERRORS.iter().any(|error| clean.starts_with(error)) {
            return Err(KeyProblem::SpreadsheetError { found: clean.into_owned() });
        }
        if clean.bytes().any(|byte| byte.is_ascii_alphabetic() || byte == b'/' || byte == b':') {
            let upper = clean.to_uppercase();
            if scientific(&upper) {
                return Err(KeyProblem::ScientificNotation { found: clean.into_owned() });
            }
            if self.dates.iter().any(|date| date.is_match(&upper)) {
                return Err(KeyProblem::DateLike { found: clean.into_owned() });
            }
        }
        let kept = clean.chars().filter(|&character| !self.rule.strip.contains(character));
        Ok(if self.rule.upper { kept.flat_map(char::to_uppercase).collect() } else { kept.collect() })
    }

    fn key(&self, parts: &[String]) -> Result<Option<ParcelKey>, KeyProblem> {
        if missing(parts) {
            return Ok(None);
        }
        if self.rule.pad_left.is_empty() {
            return self.finish(parts.to_vec());
        }
        if parts.len() != self.rule.pad_left.len() {
            return Err(KeyProblem::PartCount { found: parts.len(), declared: self.rule.pad_left.len() });
        }
        let mut padded = Vec::with_capacity(parts.len());
        for (at, (part, &width)) in parts.iter().zip(&self.rule.pad_left).enumerate() {
            if part.is_empty() && width > 0 {
                return Err(KeyProblem::PartBlank { part: at.saturating_add(1) });
            }
            padded.push(pad(part, width)?);
        }
        self.finish(padded)
    }

    fn finish(&self, parts: Vec<String>) -> Result<Option<ParcelKey>, KeyProblem> {
        let mut key = parts.join(&self.rule.join);
        self.finished(&mut key)?;
        Ok(Some(ParcelKey(key)))
    }

    /// Drops the tail and matches the pattern; true, since there is a key then.
    fn finished(&self, key: &mut String) -> Result<bool, KeyProblem> {
        if let Some(tail) = self.rule.drop_tail.as_deref()
            && key.len() > tail.len()
            && key.ends_with(tail)
        {
            key.truncate(key.len().saturating_sub(tail.len()));
        }
        match &self.pattern {
            Some(pattern) if !pattern.is_match(key) => Err(KeyProblem::Pattern { key: std::mem::take(key) }),
            Some(_) | None => Ok(true),
        }
    }

    /// A key copied from a list has lost its constant tail already; padded without it, it would name another
    /// parcel.
    fn restore_tail(&self, mut whole: String) -> String {
        let full: usize = self.rule.pad_left.iter().sum();
        if let Some(tail) = self.rule.drop_tail.as_deref()
            && !whole.is_empty()
            && whole.chars().count().saturating_add(tail.chars().count()) == full
            && !whole.ends_with(tail)
        {
            whole.push_str(tail);
        }
        whole
    }
}

/// Two spellings of a source that a rule makes one key.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Collision {
    /// The spelling that had the key first.
    pub first: String,
    /// A later, different spelling with the same key.
    pub second: String,
    /// The key both have.
    pub key: ParcelKey,
}

/// The collision test over all numbers of an edition: one entry for each distinct spelling whose key an earlier
/// distinct spelling had, so that the length is the distinct spellings minus the distinct keys. Anything but
/// nothing means that the rule merges parcels, or that the source itself spells one parcel in two ways.
///
/// Missing and refused numbers have no key and cannot collide. It holds every distinct spelling in memory, some
/// 100 bytes each.
pub fn collisions<'a>(raw: impl IntoIterator<Item = &'a str>, normaliser: &KeyNormaliser) -> Vec<Collision> {
    let mut spellings = HashSet::new();
    let mut first_by_key: HashMap<ParcelKey, &'a str> = HashMap::new();
    let mut found = Vec::new();
    for spelling in raw {
        if !spellings.insert(spelling) {
            continue;
        }
        let Ok(Some(key)) = normaliser.normalise_joined(spelling) else { continue };
        match first_by_key.get(&key) {
            Some(&first) => {
                found.push(Collision { first: first.to_owned(), second: spelling.to_owned(), key });
            }
            None => {
                first_by_key.insert(key, spelling);
            }
        }
    }
    found
}

fn clean(text: &str) -> Cow<'_, str> {
    let trimmed = text.trim();
    if trimmed.is_ascii() {
        return Cow::Borrowed(trimmed);
    }
    let normalised: String = trimmed.nfkc().collect();
    Cow::Owned(normalised.trim().to_owned())
}

fn missing(parts: &[String]) -> bool {
    parts.iter().all(|part| part.bytes().all(|byte| byte == b'0'))
}

fn pad(part: &str, width: usize) -> Result<String, KeyProblem> {
    let length = part.chars().count();
    if length > width {
        return Err(KeyProblem::TooLong { found: part.to_owned(), width });
    }
    Ok(format!("{part:0>width$}"))
}

/// `1.23457E+12`, and `1E+12`; but not `0023E00162`, which some counties issue.
fn scientific(upper: &str) -> bool {
    let Some((mantissa, exponent)) = upper.split_once('E') else { return false };
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let signed = exponent.strip_prefix('+');
    digits(whole)
        && (fraction.is_empty() || digits(fraction))
        && digits(signed.unwrap_or(exponent))
        && (signed.is_some() || (!fraction.is_empty() && whole.len() == 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rules() -> impl Strategy<Value = KeyRule> {
        let widths = prop_oneof![Just(vec![]), Just(vec![10]), Just(vec![4, 3]), Just(vec![3, 0, 5])];
        let strip = prop_oneof![Just("-. "), Just(""), Just("-/:"), Just("7-"), Just("=#-")];
        let join = prop_oneof![Just(""), Just("-")];
        let tail = proptest::option::of(Just("00"));
        let pattern = proptest::option::of(Just("^[0-9-]{3,12}$"));
        (widths, strip, any::<bool>(), join, tail, pattern).prop_map(
            |(pad_left, strip, upper, join, drop_tail, pattern)| KeyRule {
                pad_left,
                strip: strip.to_owned(),
                upper,
                join: join.to_owned(),
                drop_tail: drop_tail.map(str::to_owned),
                pattern: pattern.map(str::to_owned),
            },
        )
    }

    proptest! {
        #[test]
        fn numbers_of_digits_come_to_what_a_closer_look_gives(
            rule in rules(),
            parts in proptest::collection::vec("[ 0-9.\\-]{0,9}|[0-9]{1,6}|[=#/:0-9A-Fe+²]{0,8}", 1..4),
        ) {
            let normaliser = rule.compile().unwrap();
            let parts: Vec<&str> = parts.iter().map(String::as_str).collect();
            prop_assert_eq!(normaliser.normalise(&parts), normaliser.with_care(&parts));
        }
    }
}

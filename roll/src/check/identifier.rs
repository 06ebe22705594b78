//! Lengths of parcel numbers as published: leading zeros get lost where a program takes the column for a number.

use serde::{Deserialize, Serialize};

use super::tally::{Tally, whole};
use crate::layout::ParcelLayout;

/// One part (column) of the parcel numbers, separators left out.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct IdPart {
    /// How many have each length in characters; longer ones count as 64.
    pub lengths: Tally,
    /// How many of each length begin with a zero.
    pub leading_zeros: Tally,
    /// How many are not digits throughout.
    pub not_digits: i64,
}

/// No parcel number is longer.
const LENGTH_MAX: usize = 64;

/// Numbers that lost their leading zeros.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LostZeros {
    /// The part of the number, from 1.
    pub part: usize,
    /// The length that they should have.
    pub length: usize,
    /// Whether the layout declares that length; else it is that of most numbers, many of which begin with a zero.
    pub declared: bool,
    /// Numbers that are shorter.
    pub short: i64,
    /// Their share of all.
    pub share: f64,
}

/// Fewer numbers than this say nothing about the others.
const NUMBERS_MIN: i64 = 20;
/// A share of usual numbers with a leading zero from which on zeros belong to the numbers of a source.
const ZEROS_BELONG: f64 = 0.001;
/// The share of numbers that must have the usual length.
const USUAL: f64 = 0.5;

impl IdPart {
    /// Whether numbers lost their leading zeros: shorter than the width that the layout pads to, or, where it pads to
    /// none, shorter than most of the others while zeros begin some of those. A running number has no width, and its
    /// numbers of fewer digits lost nothing; they begin with no zero.
    #[must_use]
    pub fn lost_zeros(&self, part: usize, declared: Option<usize>) -> Option<LostZeros> {
        let all = self.lengths.total();
        if all < NUMBERS_MIN {
            return None;
        }
        let length = match declared.filter(|width| *width > 0) {
            Some(width) => width,
            None => {
                let usual = self.lengths.commonest()?;
                let (of_length, zeros) = (self.lengths.of(usual), self.leading_zeros.of(usual));
                let fixed = whole(of_length) >= USUAL * whole(all);
                if !fixed || whole(zeros) < ZEROS_BELONG * whole(of_length) || zeros == 0 {
                    return None;
                }
                usual
            }
        };
        let short = self.lengths.iter().filter(|(of, _)| *of < length).map(|(_, n)| n).sum::<i64>();
        (short > 0).then(|| LostZeros {
            part,
            length,
            declared: declared.is_some_and(|width| width > 0),
            short,
            share: whole(short) / whole(all),
        })
    }

    fn merge(&mut self, other: &IdPart, by: i64) {
        self.lengths.merge(&other.lengths, by);
        self.leading_zeros.merge(&other.leading_zeros, by);
        self.not_digits += by * other.not_digits;
    }
}

pub(super) fn merge(parts: &mut Vec<IdPart>, others: &[IdPart], by: i64) {
    if parts.len() < others.len() {
        parts.resize(others.len(), IdPart::default());
    }
    for (part, other) in parts.iter_mut().zip(others) {
        part.merge(other, by);
    }
}

/// How the numbers of a layout come apart.
#[derive(Debug, Clone)]
pub(super) struct IdReading {
    columns: usize,
    separators: [bool; 128],
}

impl IdReading {
    pub(super) fn new(parcel: &ParcelLayout) -> IdReading {
        let mut separators = [false; 128];
        for separator in parcel.strip.bytes() {
            if let Some(known) = separators.get_mut(usize::from(separator)) {
                *known = true;
            }
        }
        IdReading { columns: parcel.columns.len(), separators }
    }

    pub(super) fn count(&self, parts: &mut Vec<IdPart>, raw: &str, by: i64) {
        if parts.len() < self.columns {
            parts.resize(self.columns, IdPart::default());
        }
        match parts.as_mut_slice() {
            [only] => self.part(only, raw, by),
            // the columns are joined by one space; the last part keeps what spaces are left
            several => {
                for (part, text) in several.iter_mut().zip(raw.splitn(self.columns, ' ')) {
                    self.part(part, text, by);
                }
            }
        }
    }

    fn part(&self, part: &mut IdPart, text: &str, by: i64) {
        let (mut length, mut first, mut digits) = (0usize, 0u8, true);
        for byte in text.bytes() {
            let separator = self.separators.get(usize::from(byte)).copied().unwrap_or(false);
            // a byte within a character is not counted again
            if separator || byte & 0xC0 == 0x80 {
                continue;
            }
            if length == 0 {
                first = byte;
            }
            length += 1;
            digits &= byte.is_ascii_digit();
        }
        let length = length.min(LENGTH_MAX);
        part.lengths.count(length, by);
        if first == b'0' {
            part.leading_zeros.count(length, by);
        }
        if !digits {
            part.not_digits += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(counts: &[(usize, i64, i64)]) -> IdPart {
        let mut part = IdPart::default();
        for (length, all, zeros) in counts {
            part.lengths.count(*length, *all);
            part.leading_zeros.count(*length, *zeros);
        }
        part
    }

    // The share of short numbers in the PropertyID column of house_sales.csv (github.com/gedeck/
    // practical-statistics-for-data-scientists, King County sales, ids of 10 digits taken as numbers): lengths counted
    // with pandas.
    #[test]
    fn a_published_file_that_was_taken_for_numbers_is_told() {
        let lost =
            part(&[(10, 20_647, 0), (9, 1_860, 0), (8, 163, 0), (7, 17, 0)]).lost_zeros(1, Some(10)).unwrap();
        assert_eq!((lost.length, lost.short, lost.declared), (10, 2_040, true));
        assert!((lost.share - 0.089_919).abs() < 1e-5, "{}", lost.share);
    }

    #[test]
    fn short_numbers_beside_usual_ones_that_begin_with_zeros_lost_theirs() {
        let lost = part(&[(14, 900, 300), (13, 90, 0), (12, 10, 0)]).lost_zeros(1, None).unwrap();
        assert_eq!((lost.length, lost.short, lost.declared, lost.share), (14, 100, false, 0.1));
    }

    #[test]
    fn a_running_number_lost_nothing() {
        // 1 to 99,999
        let running = part(&[(1, 9, 0), (2, 90, 0), (3, 900, 0), (4, 9_000, 0), (5, 90_000, 0)]);
        assert_eq!(running.lost_zeros(1, None), None);
    }

    #[test]
    fn a_few_numbers_say_nothing() {
        assert_eq!(part(&[(4, 10, 5), (3, 2, 0)]).lost_zeros(1, None), None);
        assert_eq!(part(&[(4, 10, 5), (3, 2, 0)]).lost_zeros(1, Some(4)), None);
    }
}

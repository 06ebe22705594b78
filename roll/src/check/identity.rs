//! Sums that must hold in each row: a recorded total against its components.

use std::collections::BTreeSet;

use crossfoot_audit::area::Area;
use serde::{Deserialize, Serialize};

/// How often a sum was looked at and did not hold.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct IdentityCheck {
    /// Rows in which all its figures are there.
    pub checked: i64,
    /// Rows in which it does not hold.
    pub failed: i64,
    /// The first of them in the order of the files. After rows were taken off there may be fewer than there could be.
    pub examples: BTreeSet<IdentityFailure>,
}

/// One row's total against its components.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct IdentityFailure {
    /// The file of the edition, from 0.
    pub file: i64,
    /// The line of the row.
    pub line: u64,
    /// The parcel number as published.
    pub parcel: String,
    /// The recorded total, square micrometres.
    pub total_um2: i64,
    /// The sum of the components, square micrometres.
    pub sum_um2: i64,
}

/// Examples that are kept.
const EXAMPLES_MAX: usize = 5;

impl IdentityCheck {
    pub(super) fn count(&mut self, row: &IdentityFailure, tolerance: Area, by: i64) {
        self.checked += by;
        let beyond = row.total_um2.abs_diff(row.sum_um2) > tolerance.square_micrometres().unsigned_abs();
        if !beyond {
            return;
        }
        self.failed += by;
        if by > 0 {
            self.keep(row);
        } else {
            self.examples.remove(row);
        }
    }

    fn keep(&mut self, row: &IdentityFailure) {
        if self.examples.len() < EXAMPLES_MAX || self.examples.last().is_some_and(|last| row < last) {
            self.examples.insert(row.clone());
            if self.examples.len() > EXAMPLES_MAX {
                self.examples.pop_last();
            }
        }
    }

    pub(super) fn merge(&mut self, other: &IdentityCheck) {
        self.checked += other.checked;
        self.failed += other.failed;
        for row in &other.examples {
            self.keep(row);
        }
    }
}

/// The place, from the left and from 1, of the one digit in which two whole numbers of the same length differ: a total
/// that is one digit off was mistyped rather than measured.
#[must_use]
pub fn digit_off(total: i64, sum: i64) -> Option<usize> {
    let (total, sum) = (total.to_string(), sum.to_string());
    if total.len() != sum.len() {
        return None;
    }
    let mut differing = total.bytes().zip(sum.bytes()).enumerate().filter(|(_, (a, b))| a != b);
    let place = differing.next()?.0;
    differing.next().is_none().then_some(place + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(line: u64, total: i64, sum: i64) -> IdentityFailure {
        let um2 = |sqft| Area::from_whole_square_feet(sqft).unwrap().square_micrometres();
        IdentityFailure { file: 0, line, parcel: "1".to_owned(), total_um2: um2(total), sum_um2: um2(sum) }
    }

    // A record as published by "Your assessor may be overtaxing you on bad data" (reot.com): above grade 1,693,
    // basement 592, recorded total 2,685, where the sum is 2,285.
    #[test]
    fn a_published_total_that_is_one_digit_off_is_seen() {
        let mut check = IdentityCheck::default();
        check.count(&row(2, 2_685, 1_693 + 592), Area::ZERO, 1);
        assert_eq!((check.checked, check.failed), (1, 1));
        assert_eq!(digit_off(2_685, 2_285), Some(2));
        assert_eq!(
            (digit_off(2_685, 2_586), digit_off(2_685, 2_685), digit_off(2_685, 985)),
            (None, None, None)
        );
    }

    #[test]
    fn a_difference_within_the_tolerance_holds() {
        let mut check = IdentityCheck::default();
        let two = Area::from_whole_square_feet(2).unwrap();
        check.count(&row(2, 1_000, 1_002), two, 1);
        check.count(&row(3, 1_000, 1_003), two, 1);
        assert_eq!((check.checked, check.failed, check.examples.len()), (2, 1, 1));
    }

    #[test]
    fn the_first_five_stay_whatever_the_order() {
        let (mut up, mut down) = (IdentityCheck::default(), IdentityCheck::default());
        for line in 2..20 {
            up.count(&row(line, 10, 11), Area::ZERO, 1);
            down.count(&row(21 - line, 10, 11), Area::ZERO, 1);
        }
        assert_eq!(up, down);
        assert_eq!(up.examples.iter().map(|row| row.line).collect::<Vec<_>>(), [2, 3, 4, 5, 6]);
    }
}

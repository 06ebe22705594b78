//! Sums that must hold in each row: a recorded total against its components.

use std::collections::BTreeSet;

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
    /// The recorded total, as written.
    pub total: String,
    /// What the components come to.
    pub sum: String,
}

/// Examples that are kept.
const EXAMPLES_MAX: usize = 5;

impl IdentityCheck {
    pub(super) fn count(&mut self, failure: Option<&IdentityFailure>, by: i64) {
        self.checked += by;
        let Some(row) = failure else { return };
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

    /// Adds the counts of another check, each `by` times: 1, or -1 to take them off.
    pub(super) fn merge(&mut self, other: &IdentityCheck, by: i64) {
        self.checked += by * other.checked;
        self.failed += by * other.failed;
        for row in &other.examples {
            if by > 0 {
                self.keep(row);
            } else {
                self.examples.remove(row);
            }
        }
    }
}

/// The place, from the left and from 1, of the one digit in which two numbers of the same length differ: a total that is
/// one digit off was mistyped rather than measured.
#[must_use]
pub fn digit_off(total: &str, sum: &str) -> Option<usize> {
    if total.len() != sum.len() {
        return None;
    }
    let mut differing = total.bytes().zip(sum.bytes()).enumerate().filter(|(_, (a, b))| a != b);
    let (place, (a, b)) = differing.next()?;
    let digits = a.is_ascii_digit() && b.is_ascii_digit();
    (digits && differing.next().is_none()).then_some(place + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(line: u64, total: &str, sum: &str) -> IdentityFailure {
        IdentityFailure {
            file: 0,
            line,
            parcel: "1".to_owned(),
            total: total.to_owned(),
            sum: sum.to_owned(),
        }
    }

    // A record as published by "Your assessor may be overtaxing you on bad data" (reot.com): above grade 1,693,
    // basement 592, recorded total 2,685, where the sum is 2,285.
    #[test]
    fn a_published_total_that_is_one_digit_off_is_seen() {
        let sum = (1_693 + 592).to_string();
        assert_eq!(digit_off("2685", &sum), Some(2));
        for (total, sum) in [("2685", "2586"), ("2685", "2685"), ("2685", "985"), ("26.5", "2685")] {
            assert_eq!(digit_off(total, sum), None, "{total} {sum}");
        }
    }

    #[test]
    fn what_holds_is_checked_and_what_does_not_is_counted_and_shown() {
        let mut check = IdentityCheck::default();
        check.count(None, 1);
        check.count(Some(&row(3, "1000", "1003")), 1);
        assert_eq!((check.checked, check.failed, check.examples.len()), (2, 1, 1));
        check.count(Some(&row(3, "1000", "1003")), -1);
        check.count(None, -1);
        assert_eq!(check, IdentityCheck::default());
    }

    #[test]
    fn rows_that_are_taken_off_together_are_no_examples_any_more() {
        let check = |lines: std::ops::Range<u64>| {
            let mut check = IdentityCheck::default();
            lines.for_each(|line| check.count(Some(&row(line, "10", "11")), 1));
            check
        };
        let mut left = check(2..5);
        left.merge(&check(3..5), -1);
        assert_eq!(left, check(2..3));
        left.merge(&check(3..5), 1);
        assert_eq!(left, check(2..5));
    }

    #[test]
    fn the_first_five_stay_whatever_the_order() {
        let (mut up, mut down) = (IdentityCheck::default(), IdentityCheck::default());
        for line in 2..20 {
            up.count(Some(&row(line, "10", "11")), 1);
            down.count(Some(&row(21 - line, "10", "11")), 1);
        }
        assert_eq!(up, down);
        assert_eq!(up.examples.iter().map(|row| row.line).collect::<Vec<_>>(), [2, 3, 4, 5, 6]);
    }
}

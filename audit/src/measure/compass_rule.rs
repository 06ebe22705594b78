//! The compass rule of traverses (Bowditch), for comparison.
//!
//! The gap is spread over all legs in proportion to their length. It suits legs with observed bearings; on a
//! right-angled house it tilts walls that are square, which is why areas never come from it.

/// Legs corrected so that they sum to zero; east and north in any one unit, in the order given.
///
/// Source: the rule as published in open surveying courses; correction of a leg = −gap × leg / perimeter.
#[must_use]
pub fn compass_rule(legs: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let perimeter: f64 = legs.iter().map(|(east, north)| libm::hypot(*east, *north)).sum();
    let gap = legs.iter().fold((0.0, 0.0), |sum, leg| (sum.0 + leg.0, sum.1 + leg.1));
    let correct = |&(east, north): &(f64, f64)| {
        let share = libm::hypot(east, north) / perimeter;
        (east - gap.0 * share, north - gap.1 * share)
    };
    if perimeter > 0.0 { legs.iter().map(correct).collect() } else { legs.to_vec() }
}

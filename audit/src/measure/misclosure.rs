//! By how much an outline misses its first corner, before anything is adjusted.

#![expect(clippy::indexing_slicing, reason = "indices were given out by the resolution of the same notes")]

use nalgebra::DVector;

use super::network::{Network, ResolvedOutline, Step, slopes_along};
use crate::length::Length;

/// A misclosure beyond so many standard deviations is no reading error (common practice, no source).
const MISCLOSURE_TOLERANCE: f64 = 3.0;
/// Outlines that close worse than one in so many of their perimeter are not good (common practice, no source).
const RATIO_MIN: f64 = 500.0;

/// The walk along the walls as read, from corner 0 back to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Misclosure {
    /// East less west; `None` where a wall of this axis was not read, which leaves nothing to check.
    pub east: Option<Length>,
    /// North less south; `None` likewise.
    pub north: Option<Length>,
    /// Standard deviation of the east misclosure in feet.
    pub east_sd_ft: f64,
    /// Standard deviation of the north misclosure in feet.
    pub north_sd_ft: f64,
    /// Lengths of all walls; derived ones as adjusted.
    pub perimeter: Length,
}

impl Misclosure {
    /// Length of the gap in feet, over the axes that can be checked.
    #[must_use]
    pub fn linear_ft(&self) -> f64 {
        let feet = |axis: Option<Length>| axis.map_or(0.0, Length::to_feet_f64);
        libm::hypot(feet(self.east), feet(self.north))
    }

    /// Perimeter over gap: 500 means one in 500. `None` where the gap is zero or neither axis can be checked.
    #[must_use]
    pub fn ratio(&self) -> Option<f64> {
        let gap = self.linear_ft();
        (gap > 0.0).then(|| self.perimeter.to_feet_f64() / gap)
    }

    /// Whether an axis misses by more than its readings allow, or the gap is worse than 1:500 of the perimeter.
    #[must_use]
    pub fn is_poor(&self) -> bool {
        let beyond = |axis: Option<Length>, sd: f64| {
            axis.is_some_and(|gap| gap.to_feet_f64().abs() > MISCLOSURE_TOLERANCE * sd)
        };
        beyond(self.east, self.east_sd_ft)
            || beyond(self.north, self.north_sd_ft)
            || self.ratio().is_some_and(|ratio| ratio < RATIO_MIN)
    }
}

impl Network {
    /// Every wall's step as read; `adjusted` supplies what nobody observed.
    pub(super) fn steps_as_read(&self, adjusted: &DVector<f64>) -> Vec<Step> {
        let mut observed = self.observed();
        for (at, quantity) in self.quantities.iter().enumerate() {
            if quantity.variance.is_none() {
                observed[at] = adjusted[at];
            }
        }
        self.steps(&observed)
    }

    /// The misclosure of an outline from the steps as read.
    pub(super) fn misclosure(&self, outline: &ResolvedOutline, steps: &[Step]) -> Misclosure {
        let mut gap = [Some(0_i64), Some(0_i64)];
        let mut perimeter = 0.0;
        for &(wall, sign) in &outline.walls {
            let step = &steps[wall];
            perimeter += libm::hypot(step.east, step.north);
            let parts = [sign * step.east, sign * step.north];
            for (axis, part) in parts.into_iter().enumerate() {
                let unread = step.slopes.iter().any(|&(quantity, by_east, by_north)| {
                    let by = if axis == 0 { by_east } else { by_north };
                    self.quantities[quantity].variance.is_none() && by.abs() > 1e-9
                });
                let whole = Length::from_feet_f64(part).filter(|_| !unread).map(Length::nanometres);
                gap[axis] = gap[axis].zip(whole).and_then(|(sum, one)| sum.checked_add(one));
            }
        }
        // An outline passes each wall once, and walls share no quantity: errors add in squares.
        let (mut east_variance, mut north_variance) = (0.0, 0.0);
        for (quantity, by_east, by_north) in slopes_along(&outline.walls, steps) {
            let variance = self.quantities[quantity].variance.unwrap_or(0.0);
            east_variance += by_east * by_east * variance;
            north_variance += by_north * by_north * variance;
        }
        Misclosure {
            east: gap[0].map(Length::from_nanometres),
            north: gap[1].map(Length::from_nanometres),
            east_sd_ft: libm::sqrt(east_variance),
            north_sd_ft: libm::sqrt(north_variance),
            perimeter: Length::from_feet_f64(perimeter).unwrap_or(Length::ZERO),
        }
    }
}

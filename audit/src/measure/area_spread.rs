//! Areas of adjusted outlines with their standard deviation, each cause on its own line.
//!
//! Gradients are added before they are propagated, so that outlines which share walls share their errors.

#![expect(clippy::indexing_slicing, reason = "indices run over the quantities of one network")]

use nalgebra::DVector;

use super::WorkedUp;
use crate::area::Area;

/// What another visit would find different beyond its readings, relative to the area (common practice, no source).
pub const BETWEEN_VISITS_RELATIVE_SD: f64 = 0.007;

/// A sum of outlines, for example a level less its openings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// The outline, by its place in the notes.
    pub outline: usize,
    /// How often it counts: 1 for a level, −1 for a hole, a fraction for a weighted part.
    pub weight: f64,
}

/// An area and how far it can be off.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaSpread {
    /// The sum of the outlines' areas, each without its sign, times their weights. Exact for whole weights.
    pub area: Area,
    /// Standard deviation from the readings and held directions, in square feet.
    pub readings_sd_sqft: f64,
    /// Standard deviation from the scale errors of the instruments, in square feet. No closure shows them.
    pub scale_sd_sqft: f64,
    /// Both together.
    pub sd_sqft: f64,
    /// Standard deviation of what another visit would find different, in square feet; not part of `sd_sqft`.
    pub between_visits_sd_sqft: f64,
    /// The largest change of the area by an error in one reading that the test just finds, in square feet;
    /// `None` where a reading is not checked at all, which allows any change.
    pub undetected_sqft: Option<f64>,
}

impl WorkedUp {
    /// The area of a sum of outlines. `None` where an outline is not there or the sum does not fit.
    ///
    /// First-order propagation with the covariance of the adjusted quantities. The scale error of an instrument
    /// moves all its readings together: for one instrument it is twice the area times its relative standard
    /// deviation.
    #[must_use]
    pub fn area(&self, shares: &[Share]) -> Option<AreaSpread> {
        let slope = self.slope(shares)?;
        let mut doubled: i128 = 0;
        for share in shares {
            doubled = doubled
                .checked_add(weighted(self.outlines.get(share.outline)?.polygon.doubled_area(), share)?)?;
        }
        self.spread(&slope, doubled)
    }

    /// The area that twice so many square nanometres are, and how far it can be off with these derivatives.
    pub(super) fn spread(&self, slope: &DVector<f64>, doubled: i128) -> Option<AreaSpread> {
        let area = Area::from_doubled_square_nanometres(doubled)?;
        let propagated = self.adjusted.propagate(slope);
        let readings = propagated.covariance(&propagated).max(0.0);
        let scale: f64 = self.by_instrument(&propagated.followed).iter().map(|effect| effect * effect).sum();
        Some(AreaSpread {
            area,
            readings_sd_sqft: libm::sqrt(readings),
            scale_sd_sqft: libm::sqrt(scale),
            sd_sqft: libm::sqrt(readings + scale),
            between_visits_sd_sqft: BETWEEN_VISITS_RELATIVE_SD * area.to_square_feet_f64().abs(),
            undetected_sqft: self.undetected(&propagated.followed),
        })
    }

    /// Covariance of two sums of outlines in square feet squared, scale errors included.
    #[must_use]
    pub fn area_covariance(&self, one: &[Share], other: &[Share]) -> Option<f64> {
        let (one, other) = (self.slope(one)?, self.slope(other)?);
        let (one, other) = (self.adjusted.propagate(&one), self.adjusted.propagate(&other));
        let readings = one.covariance(&other);
        let (own, others) = (self.by_instrument(&one.followed), self.by_instrument(&other.followed));
        let scale: f64 = own.iter().zip(others).map(|(a, b)| a * b).sum();
        Some(readings + scale)
    }

    /// Derivatives of the sum by quantity.
    pub(super) fn slope(&self, shares: &[Share]) -> Option<DVector<f64>> {
        let mut slope = DVector::zeros(self.adjusted.values.len());
        for share in shares {
            let resolved = self.network.outlines.get(share.outline)?;
            let clockwise = self.outlines.get(share.outline)?.polygon.is_clockwise();
            let weight = if clockwise { -share.weight } else { share.weight };
            self.network.add_area_slope(resolved, &self.steps, weight, &mut slope);
        }
        Some(slope)
    }

    /// Change of the sum by one standard deviation of each instrument's scale; `followed` are the derivatives by
    /// observed value.
    fn by_instrument(&self, followed: &DVector<f64>) -> Vec<f64> {
        let mut effects = vec![0.0; self.network.scales.len()];
        for (readings, by) in self.network.readings.iter().zip(followed.iter()) {
            let Some(readings) = readings else { continue };
            for &(instrument, feet) in &readings.by_instrument {
                effects[instrument] += by * feet * self.network.scales[instrument];
            }
        }
        effects
    }

    fn undetected(&self, followed: &DVector<f64>) -> Option<f64> {
        let mut largest: f64 = 0.0;
        for observation in &self.observations {
            let Some(reading) = observation.reading else { continue };
            let weight = self.network.readings[observation.quantity].as_ref()?.weights[reading];
            let effect = (followed[observation.quantity] * weight).abs();
            if effect > 1e-9 {
                largest = largest.max(effect * observation.smallest_blunder?);
            }
        }
        Some(largest)
    }
}

/// Twice the area in square nanometres times the weight.
pub(super) fn weighted(doubled: i128, share: &Share) -> Option<i128> {
    let size = doubled.abs();
    if !share.weight.is_finite() || share.weight.abs() > 1e6 {
        return None;
    }
    if libm::trunc(share.weight) == share.weight {
        return size.checked_mul(i128::from(share.weight as i64));
    }
    Some((size as f64 * share.weight) as i128)
}

//! Each observation after the adjustment: how far it was moved, how well it is checked, and the global test.

#![expect(clippy::indexing_slicing, reason = "indices run over the quantities of one network")]

use core::f64::consts::PI;

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};

use super::adjust::Adjusted;
use super::network::{Network, Source};

/// A standardised residual beyond this makes a reading suspect: two-sided level 0.001.
pub const SUSPECT: f64 = 3.29;
/// Levels of the global test: note, and alarm (common practice, no source).
pub const LEVELS: (f64, f64) = (0.05, 0.001);
/// Of its error, an observation whose residual shows less than this is not checked: a blunder of 4,000 standard
/// deviations would pass.
const UNCHECKED: f64 = 1e-6;
/// A redundancy number below this is the rounding of a difference.
const NO_DIGITS: f64 = 1e-9;
/// Level and power for the smallest error that the test finds (data snooping after Baarda: 0.001 and 0.80).
const BLUNDER_LEVEL: f64 = 0.001;
const BLUNDER_POWER: f64 = 0.80;

/// One reading, or one held direction, after the adjustment. Feet, or degrees for a direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// What was observed.
    pub source: Source,
    /// Which reading of it, counted from 0; `None` for a direction.
    pub reading: Option<usize>,
    /// As observed, corrections applied; the deviation from the stated one for a direction.
    pub observed: f64,
    /// Adjusted less observed.
    pub residual: f64,
    /// Residual over its standard deviation; `None` where nothing checks the observation.
    pub standardised: Option<f64>,
    /// Share of an error that shows in its own residual, 0 to 1; 0 means that nothing checks it. May leave these
    /// bounds where readings share rounding.
    pub redundancy: f64,
    /// The smallest error that the test at level 0.001 finds with a probability of 0.80.
    pub smallest_blunder: Option<f64>,
    /// The quantity that it is an observation of.
    pub(super) quantity: usize,
}

/// Whether the observations contradict each other as a whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalTest {
    /// Weighted sum of squares of the residuals.
    pub chi2: f64,
    /// Independent checks.
    pub degrees_of_freedom: usize,
    /// Probability of at least this much by reading errors alone; 1 without a check.
    pub probability: f64,
    /// The answer.
    pub verdict: Verdict,
}

/// The answer of the global test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing checks anything: no contradiction is no proof.
    Unchecked,
    /// Reading errors explain it.
    Accepted,
    /// Beyond the level 0.05: look again.
    Noted,
    /// Beyond the level 0.001: something is wrong.
    Rejected,
}

/// Judges a weighted sum of squares by the chi-square distribution.
#[must_use]
pub fn global_test(chi2: f64, degrees_of_freedom: usize) -> GlobalTest {
    let distribution = ChiSquared::new(degrees_of_freedom as f64);
    let probability = distribution.map_or(1.0, |of| of.sf(chi2));
    let verdict = if degrees_of_freedom == 0 {
        Verdict::Unchecked
    } else if probability < LEVELS.1 {
        Verdict::Rejected
    } else if probability < LEVELS.0 {
        Verdict::Noted
    } else {
        Verdict::Accepted
    };
    GlobalTest { chi2, degrees_of_freedom, probability, verdict }
}

/// Shift of the standardised residual that a test of two-sided `level` finds with probability `power`: 4.13 for
/// 0.001 and 0.80. `None` where a probability is not between 0 and 1.
#[must_use]
pub fn detectable_shift(level: f64, power: f64) -> Option<f64> {
    let normal = Normal::standard();
    let inside = |probability: f64| probability > 0.0 && probability < 1.0;
    (inside(level) && inside(power))
        .then(|| normal.inverse_cdf(1.0 - level / 2.0) + normal.inverse_cdf(power))
}

/// Smallest error that the test at 0.001 finds with power 0.80, for an observation of standard deviation `sd` with
/// the redundancy number given; `None` where nothing checks it.
#[must_use]
pub fn smallest_blunder(sd: f64, redundancy: f64) -> Option<f64> {
    let shift = detectable_shift(BLUNDER_LEVEL, BLUNDER_POWER)?;
    (redundancy > 0.0).then(|| shift * sd / libm::sqrt(redundancy))
}

/// What the whole adjustment says about an error in one observation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sensitivity {
    /// Weighted contradiction, positive where the observation is too large.
    pub(super) score: f64,
    /// Its variance.
    pub(super) information: f64,
}

impl Sensitivity {
    /// The score over its standard deviation, with the sign of the residual.
    fn standardised(self) -> Option<f64> {
        (self.information > 0.0).then(|| -self.score / libm::sqrt(self.information))
    }
}

impl Network {
    /// The contradiction among readings of one distance, and between distances, as one test.
    pub(super) fn global_test(&self, adjusted: &Adjusted) -> GlobalTest {
        let combined = || self.readings.iter().flatten();
        let chi2 = adjusted.chi2 + combined().map(|one| one.chi2).sum::<f64>();
        let repeated: usize = combined().map(|one| one.weights.len() - 1).sum();
        global_test(chi2, adjusted.degrees_of_freedom + repeated)
    }

    /// A reading is seen by the other readings of its distance and by the conditions, which do not depend on each
    /// other: scores and their variances add.
    pub(super) fn sensitivity(
        &self,
        adjusted: &Adjusted,
        quantity: usize,
        reading: Option<usize>,
    ) -> Sensitivity {
        let (score, information) = (adjusted.score(quantity), adjusted.own_information(quantity));
        match (&self.readings[quantity], reading) {
            (Some(of), Some(at)) => Sensitivity {
                score: of.score(at) + of.weights[at] * score,
                information: of.information(at, at) + of.weights[at] * of.weights[at] * information,
            },
            (Some(_) | None, _) => Sensitivity { score, information },
        }
    }

    pub(super) fn observations(&self, adjusted: &Adjusted) -> Vec<Observation> {
        let shift = detectable_shift(BLUNDER_LEVEL, BLUNDER_POWER);
        let mut observations = Vec::new();
        for (at, quantity) in self.quantities.iter().enumerate() {
            let Some(variance) = quantity.variance else { continue };
            let source = self.sources[at];
            let is_direction = matches!(source, Source::Direction(_));
            if is_direction && variance == 0.0 {
                continue;
            }
            let unit = if is_direction { 180.0 / PI } else { 1.0 };
            let readings = self.readings[at].as_ref().map_or(1, |of| of.weights.len());
            let kept = adjusted.variance_of_observed(at) / variance;
            for index in 0..readings {
                let (observed, weight) = match &self.readings[at] {
                    Some(of) => (of.observed[index], of.weights[index]),
                    None => (quantity.value, 1.0),
                };
                let reading = (!is_direction).then_some(index);
                let redundancy = 1.0 - kept * weight;
                let is_checked = redundancy.abs() > UNCHECKED;
                let seen = self.sensitivity(adjusted, at, reading);
                observations.push(Observation {
                    source,
                    quantity: at,
                    reading,
                    observed: observed * unit,
                    residual: (adjusted.values[at] - observed) * unit,
                    standardised: seen.standardised().filter(|_| is_checked),
                    redundancy: if redundancy.abs() < NO_DIGITS { 0.0 } else { redundancy },
                    smallest_blunder: shift
                        .filter(|_| is_checked && seen.information > 0.0)
                        .map(|shift| unit * shift / libm::sqrt(seen.information)),
                });
            }
        }
        observations
    }
}

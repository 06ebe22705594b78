//! Several readings of one distance made one, and whether they agree.

use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::reading::ReadingValue;
use crate::length::Length;

/// Two readings of one distance may differ by so many standard deviations of their difference (common practice,
/// no source).
pub const PAIR_TOLERANCE: f64 = 3.0;

/// What an obstacle in front of the wall (a gutter, a downspout, a shrub) does to every reading of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ObstacleSense {
    /// The tape cannot reach the corner: the distance is longer than what was read.
    CornerNotReached,
    /// The tape runs over the obstacle: the distance is shorter than what was read.
    ReadOver,
}

/// A correction for an obstacle, shared by all readings of the distance: a second reading does not remove it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Obstacle {
    /// Which way it goes.
    pub sense: ObstacleSense,
    /// Its size; 1 in is usual (common practice, no source), 0 where only the doubt is stated.
    pub amount: Length,
    /// Its standard deviation; 1/2 in is usual (common practice, no source).
    pub sd: Length,
}

impl Obstacle {
    fn feet(&self) -> f64 {
        match self.sense {
            ObstacleSense::CornerNotReached => self.amount.to_feet_f64(),
            ObstacleSense::ReadOver => -self.amount.to_feet_f64(),
        }
    }
}

/// Two readings that differ by more than their errors allow.
#[derive(Debug, Clone, PartialEq)]
pub struct Disagreement {
    /// The two readings, counted from 0.
    pub readings: (usize, usize),
    /// First less second, in feet.
    pub difference_ft: f64,
    /// What would still have been accepted, in feet.
    pub tolerance_ft: f64,
}

/// The readings of one distance as one figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Combined {
    /// Best value in feet, the obstacle's correction applied.
    pub value_ft: f64,
    /// Its variance in square feet, scale left out.
    pub variance: f64,
    /// How much of each reading is in the value; they sum to one.
    pub weights: Vec<f64>,
    /// Pairs that disagree.
    pub disagreements: Vec<Disagreement>,
    /// Sum of squares of the readings' contradictions among themselves, chi-square with one degree of freedom
    /// less than there are readings.
    pub chi2: f64,
    /// The distance that each reading states, the obstacle's correction applied, in feet.
    pub(super) observed: Vec<f64>,
    /// Feet of the value by instrument; an instrument may come more than once.
    pub(super) by_instrument: Vec<(usize, f64)>,
    /// Weighted contradiction of each reading to the value; empty for a single reading, which contradicts nothing.
    score: Vec<f64>,
    /// Covariance of `score`.
    information: DMatrix<f64>,
}

impl Combined {
    /// Weighted contradiction of a reading to the value, in one over feet.
    pub(super) fn score(&self, reading: usize) -> f64 {
        self.score.get(reading).copied().unwrap_or(0.0)
    }

    /// Covariance of the contradictions of two readings.
    pub(super) fn information(&self, one: usize, other: usize) -> f64 {
        self.information.get((one, other)).copied().unwrap_or(0.0)
    }
}

/// Combines the readings of one distance by least squares. `None` without a reading, or where a variance is zero.
///
/// Variances of reading and mark are averaged down; rounding is not, as far as readings were rounded to the same
/// steps; the obstacle's is not at all.
#[must_use]
pub fn combine(readings: &[ReadingValue], obstacle: Option<&Obstacle>) -> Option<Combined> {
    let shift = obstacle.map_or(0.0, Obstacle::feet);
    let obstacle_sd = obstacle.map_or(0.0, |found| found.sd.to_feet_f64());
    let observed: Vec<f64> = readings.iter().map(|reading| reading.length.to_feet_f64() + shift).collect();
    let first = *observed.first()?;
    if let [only] = readings {
        // Most distances are read once, and then there is nothing to weigh.
        let own = shared(readings, 0, 0);
        return (own > 0.0).then(|| Combined {
            value_ft: first,
            variance: own + obstacle_sd * obstacle_sd,
            weights: vec![1.0],
            disagreements: Vec::new(),
            chi2: 0.0,
            observed,
            by_instrument: only.by_instrument.clone(),
            score: Vec::new(),
            information: DMatrix::zeros(0, 0),
        });
    }
    let mut information = inverse(readings)?;
    let mut weights: Vec<f64> = information.row_iter().map(|row| row.sum()).collect();
    let total: f64 = weights.iter().sum();
    for weight in &mut weights {
        *weight /= total;
    }
    // Differences from the first reading keep the digits that a sum of large products would lose.
    let value = first + observed.iter().zip(&weights).map(|(one, share)| (one - first) * share).sum::<f64>();
    let misfits = || observed.iter().map(|one| one - value);
    let score = information.row_iter().map(|row| row.iter().zip(misfits()).map(|(by, one)| by * one).sum());
    let score: Vec<f64> = score.collect();
    for (column, other) in information.column_iter_mut().zip(&weights) {
        for (of, one) in column.into_iter().zip(&weights) {
            *of -= one * other * total;
        }
    }
    let by_instrument = readings.iter().zip(&weights).flat_map(|(reading, weight)| {
        reading.by_instrument.iter().map(move |(instrument, feet)| (*instrument, weight * feet))
    });
    Some(Combined {
        value_ft: value,
        variance: 1.0 / total + obstacle_sd * obstacle_sd,
        disagreements: disagreements(readings, &observed),
        chi2: misfits().zip(&score).map(|(one, by)| one * by).sum(),
        by_instrument: by_instrument.collect(),
        weights,
        observed,
        score,
        information,
    })
}

/// The inverse of the readings' covariance; `None` where a variance is zero.
fn inverse(readings: &[ReadingValue]) -> Option<DMatrix<f64>> {
    let count = readings.len();
    if count > 2 {
        return Some(DMatrix::from_fn(count, count, |i, j| shared(readings, i, j)).cholesky()?.inverse());
    }
    // Pairs are what is usual.
    let (one, both, other) = (shared(readings, 0, 0), shared(readings, 0, 1), shared(readings, 1, 1));
    let square = one * other - both * both;
    (one > 0.0 && square > 0.0)
        .then(|| DMatrix::from_vec(2, 2, vec![other / square, -both / square, -both / square, one / square]))
}

/// Covariance of two readings of one distance.
fn shared(readings: &[ReadingValue], i: usize, j: usize) -> f64 {
    let (Some(one), Some(other)) = (readings.get(i), readings.get(j)) else { return 0.0 };
    let rounding = if one.steps == other.steps { one.rounding_variance } else { 0.0 };
    if i == j { one.variance + one.rounding_variance } else { rounding }
}

fn disagreements(readings: &[ReadingValue], observed: &[f64]) -> Vec<Disagreement> {
    let indexed = || readings.iter().zip(observed).enumerate();
    let mut found = Vec::new();
    for (i, (one, value)) in indexed() {
        for (j, (other, other_value)) in indexed().skip(i + 1) {
            let difference_ft = value - other_value;
            // Two rounded readings of one distance may fall to different sides of a step.
            let (sd, other_sd) = (one.sd_ft(), other.sd_ft());
            let tolerance_ft = PAIR_TOLERANCE * libm::sqrt(sd * sd + other_sd * other_sd);
            if difference_ft.abs() > tolerance_ft {
                found.push(Disagreement { readings: (i, j), difference_ft, tolerance_ft });
            }
        }
    }
    found
}

/// What pairs of readings say about the error of one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairSpread {
    /// Standard deviation of one reading, in the unit of the differences.
    pub reading_sd: f64,
    /// Standard deviation of the mean of a pair.
    pub mean_sd: f64,
    /// Degrees of freedom: the number of pairs.
    pub degrees_of_freedom: usize,
}

/// Standard deviation of one reading from the differences of pairs: the root of their sum of squares over twice
/// their number. `None` without a pair.
#[must_use]
pub fn pair_spread(differences: &[f64]) -> Option<PairSpread> {
    let pairs = differences.len();
    let squares: f64 = differences.iter().map(|difference| difference * difference).sum();
    let reading_sd = libm::sqrt(squares / (2.0 * pairs as f64));
    (pairs > 0).then(|| PairSpread {
        reading_sd,
        mean_sd: reading_sd / core::f64::consts::SQRT_2,
        degrees_of_freedom: pairs,
    })
}

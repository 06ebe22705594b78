//! Least squares with conditions: observed quantities, quantities that nobody observed, and what must hold
//! among them.
//!
//! Observed quantities are independent of each other; what they share (rounding, an obstacle) is inside one
//! quantity, or is one of its own. With observations l of covariance D, conditions B l = w and M = B D Bᵀ:
//! residuals v = −D Bᵀ M⁻¹ w, covariance after adjustment D − D Bᵀ M⁻¹ B D, test value wᵀ M⁻¹ w. Quantities that
//! nobody observed use up conditions: these are rotated (QR) so that the unobserved appear in the first of them
//! only. Textbook method of condition equations; curved conditions are repeated at the adjusted values
//! (Gauss-Newton).
//!
//! With M⁻¹ = Hᵀ H, the conditions H B are independent and have the variance one. A house has some ten conditions and
//! four times as many quantities: all that is asked afterwards is worked out from H B when it is asked for, and no
//! matrix of quantities by quantities is ever filled.

#![expect(clippy::indexing_slicing, reason = "indices run over the sizes that the matrices were made with")]

use nalgebra::{Cholesky, ColPivQR, DMatrix, DVector, Dyn};
use thiserror::Error;

/// Four or five are usual; halved steps across a large contradiction take many.
const ROUNDS_MAX: usize = 300;
/// A step that is not shorter than this share of the one before does not settle by itself.
const SHRINKING: f64 = 0.9;
/// Feet or radians: a picometre and less is no change.
const STILL: f64 = 1e-11;
/// Below it, in standard deviations squared, a condition says nothing new.
const PIVOT_MIN: f64 = 1e-10;
/// Of the largest coefficient; what elimination leaves below it is rounding.
const NOTHING: f64 = 1e-13;
/// Conditions that hold to this (feet or radians) contradict nothing.
const CLOSED: f64 = 1e-7;

/// A quantity and what was observed of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The observed value; of an unobserved quantity, a first approximation.
    pub value: f64,
    /// Variance of the observation; zero holds the value; `None` means that nobody observed it.
    pub variance: Option<f64>,
}

/// What must be zero among the quantities.
pub trait Conditions {
    /// Number of conditions.
    fn count(&self) -> usize;
    /// Values of the conditions, and their derivatives: a row a condition, a column a quantity.
    fn evaluate(&self, quantities: &DVector<f64>) -> (DVector<f64>, DMatrix<f64>);
}

/// Conditions that are sums: coefficients times quantities plus a constant.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearConditions {
    /// A row a condition: the coefficient of each quantity.
    pub coefficients: DMatrix<f64>,
    /// What is added to each.
    pub constants: DVector<f64>,
}

impl Conditions for LinearConditions {
    fn count(&self) -> usize {
        self.coefficients.nrows()
    }

    fn evaluate(&self, quantities: &DVector<f64>) -> (DVector<f64>, DMatrix<f64>) {
        (&self.coefficients * quantities + &self.constants, self.coefficients.clone())
    }
}

/// Why quantities cannot be adjusted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum AdjustError {
    /// Too little was observed.
    #[error("quantities {quantities:?} cannot be computed: nothing determines them")]
    Undetermined {
        /// The unobserved quantities without a value, by index.
        quantities: Vec<usize>,
    },
    /// Held values contradict each other.
    #[error("values that are held without error contradict each other")]
    Contradiction,
    /// The shape is too far from its first approximation.
    #[error(
        "the adjustment does not settle: a reading is far off, or a direction that nobody observed needs a better approximation"
    )]
    Unsettled,
}

/// Adjusted quantities. Index order is that of the quantities given.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjusted {
    /// Adjusted values.
    pub values: DVector<f64>,
    /// Adjusted less observed; zero for what nobody observed.
    pub residuals: DVector<f64>,
    /// Contradiction among the quantities: chi-square with `degrees_of_freedom`.
    pub chi2: f64,
    /// Independent conditions left after the unobserved are computed.
    pub degrees_of_freedom: usize,
    /// What the misclosures say about an error in each quantity: Bᵀ M⁻¹ w.
    score: DVector<f64>,
    /// Variances of the scores.
    own_information: DVector<f64>,
    /// Of the observations; zero for what nobody observed.
    variance: DVector<f64>,
    /// H B: a row an independent condition of variance one, a column a quantity.
    independent: DMatrix<f64>,
    unobserved: Vec<usize>,
    /// How the unobserved follow the adjusted observations.
    following: DMatrix<f64>,
}

impl Adjusted {
    /// Bᵀ M⁻¹ w of one quantity, in one over its unit: positive where the observation is too large.
    pub(super) fn score(&self, quantity: usize) -> f64 {
        self.score[quantity]
    }

    /// Variance of the score of one quantity.
    pub(super) fn own_information(&self, quantity: usize) -> f64 {
        self.own_information[quantity]
    }

    /// Covariance of the scores of two quantities: an element of Bᵀ M⁻¹ B.
    pub(super) fn information(&self, one: usize, other: usize) -> f64 {
        self.independent.column(one).dot(&self.independent.column(other))
    }

    /// Variance of the adjusted value of a quantity that was observed, in its unit squared.
    pub(super) fn variance_of_observed(&self, quantity: usize) -> f64 {
        let own = self.variance[quantity];
        own - own * own * self.own_information[quantity]
    }

    /// Covariance of two adjusted values, in the product of their units.
    #[must_use]
    pub fn covariance(&self, one: usize, other: usize) -> f64 {
        if self.unobserved.contains(&one) || self.unobserved.contains(&other) {
            let only = |at: usize| DVector::from_fn(self.values.len(), |row, _| f64::from(row == at));
            return self.propagate(&only(one)).covariance(&self.propagate(&only(other)));
        }
        let own = if one == other { self.variance[one] } else { 0.0 };
        own - self.variance[one] * self.information(one, other) * self.variance[other]
    }

    /// What a figure with the derivatives `slope` by quantity owes to the observations.
    pub(super) fn propagate(&self, slope: &DVector<f64>) -> Propagated {
        let mut onto = slope.clone();
        for (row, &at) in self.unobserved.iter().enumerate() {
            onto += slope[at] * self.following.row(row).transpose();
            onto[at] -= slope[at];
        }
        let weighted = onto.component_mul(&self.variance);
        let mut followed = onto;
        // Condition by condition would walk the matrix against its columns.
        let mut shared = DVector::zeros(self.independent.nrows());
        for (column, &by) in self.independent.column_iter().zip(weighted.iter()).filter(|(_, by)| **by != 0.0)
        {
            shared.axpy(by, &column, 1.0);
        }
        for (value, column) in followed.iter_mut().zip(self.independent.column_iter()) {
            *value -= column.dot(&shared);
        }
        Propagated { followed, weighted }
    }
}

/// A figure's dependence on the observations.
pub(super) struct Propagated {
    /// Derivatives by observed value.
    pub(super) followed: DVector<f64>,
    /// Derivatives by adjusted observation, times the variances.
    weighted: DVector<f64>,
}

impl Propagated {
    /// Covariance with another figure of the same adjustment; with itself, its variance.
    pub(super) fn covariance(&self, other: &Self) -> f64 {
        self.weighted.dot(&other.followed)
    }
}

/// Adjusts `quantities` so that `conditions` hold.
///
/// # Errors
/// Quantities that nothing determines, held values that contradict each other, no convergence.
pub fn adjust(quantities: &[Quantity], conditions: &impl Conditions) -> Result<Adjusted, AdjustError> {
    let problem = Problem::new(quantities);
    let mut values = problem.observed.clone();
    let (mut share, mut before) = (1.0, f64::INFINITY);
    for _ in 0..ROUNDS_MAX {
        let step = problem.step(&values, conditions)?;
        let change = &step.values - &values;
        let size = change.amax();
        if !size.is_finite() {
            return Err(AdjustError::Unsettled);
        }
        if size < STILL * (1.0 + step.values.amax()) {
            return Ok(problem.finish(step));
        }
        // A large contradiction across a curve (a long wall that a tie wants longer) makes whole steps swing.
        if size > SHRINKING * before {
            share *= 0.5;
        }
        before = size;
        values.axpy(share, &change, 1.0);
    }
    Err(AdjustError::Unsettled)
}

struct Problem {
    observed: DVector<f64>,
    /// Zero for the unobserved.
    variance: DVector<f64>,
    unobserved: Vec<usize>,
}

/// One linear adjustment.
struct Step {
    values: DVector<f64>,
    /// The conditions that the unobserved are not in.
    reduced: DMatrix<f64>,
    inverse: Inverse,
    /// Of these conditions.
    misclosure: DVector<f64>,
    /// How the unobserved follow the adjusted observations.
    following: DMatrix<f64>,
}

impl Problem {
    fn new(quantities: &[Quantity]) -> Self {
        let count = quantities.len();
        Self {
            observed: DVector::from_iterator(count, quantities.iter().map(|one| one.value)),
            variance: DVector::from_iterator(count, quantities.iter().map(|one| one.variance.unwrap_or(0.0))),
            unobserved: (0..count).filter(|&at| quantities[at].variance.is_none()).collect(),
        }
    }

    fn step(&self, values: &DVector<f64>, conditions: &impl Conditions) -> Result<Step, AdjustError> {
        let (at_values, mut slope) = conditions.evaluate(values);
        let mut moved = &self.observed - values;
        let free = DMatrix::from_fn(conditions.count(), self.unobserved.len(), |row, column| {
            slope[(row, self.unobserved[column])]
        });
        for &at in &self.unobserved {
            slope.column_mut(at).fill(0.0);
            moved[at] = 0.0;
        }
        let mut misclosure = at_values + &slope * moved;
        let eliminated = self.eliminate(free, &mut slope, &mut misclosure)?;
        let used = self.unobserved.len();
        let Some(eliminated) = eliminated else {
            let inverse = Inverse::of(&self.weighted_square(&slope), &misclosure)?;
            let values = &self.observed + self.residuals(&slope, &inverse, &misclosure);
            let following = DMatrix::zeros(0, slope.ncols());
            return Ok(Step { values, reduced: slope, inverse, misclosure, following });
        };
        let left = conditions.count() - used;
        let reduced = slope.rows(used, left).into_owned();
        let open = misclosure.rows(used, left).into_owned();
        let inverse = Inverse::of(&self.weighted_square(&reduced), &open)?;
        let residuals = self.residuals(&reduced, &inverse, &open);
        let mut adjusted = &self.observed + &residuals;
        let rest = misclosure.rows(0, used) + slope.rows(0, used) * &residuals;
        let solved = eliminated.solve(&DMatrix::from_column_slice(used, 1, rest.as_slice()));
        let following = -eliminated.solve(&slope.rows(0, used).into_owned());
        for (row, &at) in self.unobserved.iter().enumerate() {
            adjusted[at] = values[at] - solved[row];
        }
        Ok(Step { values: adjusted, reduced, inverse, misclosure: open, following })
    }

    /// B D Bᵀ: covariance of the conditions. A quantity is in few of them.
    fn weighted_square(&self, slope: &DMatrix<f64>) -> DMatrix<f64> {
        let mut square = DMatrix::zeros(slope.nrows(), slope.nrows());
        for (column, &own) in slope.column_iter().zip(self.variance.iter()) {
            for (at, &by) in column.iter().enumerate().filter(|(_, by)| **by != 0.0) {
                square.column_mut(at).axpy(own * by, &column, 1.0);
            }
        }
        square
    }

    /// −D Bᵀ M⁻¹ w.
    fn residuals(&self, slope: &DMatrix<f64>, inverse: &Inverse, misclosure: &DVector<f64>) -> DVector<f64> {
        let correlates = inverse.times(misclosure);
        DVector::from_fn(slope.ncols(), |at, _| -self.variance[at] * slope.column(at).dot(&correlates))
    }

    /// Rotates the conditions so that the unobserved appear in the first of them only.
    fn eliminate(
        &self,
        free: DMatrix<f64>,
        slope: &mut DMatrix<f64>,
        misclosure: &mut DVector<f64>,
    ) -> Result<Option<Eliminated>, AdjustError> {
        let used = self.unobserved.len();
        if used == 0 {
            return Ok(None);
        }
        let undetermined = self.undetermined(&free);
        if !undetermined.is_empty() {
            return Err(AdjustError::Undetermined { quantities: undetermined });
        }
        let factors = ColPivQR::new(free);
        factors.q_tr_mul(slope);
        factors.q_tr_mul(misclosure);
        let least = NOTHING * slope.amax();
        slope.apply(|coefficient| {
            if coefficient.abs() < least {
                *coefficient = 0.0;
            }
        });
        Ok(Some(Eliminated { upper: factors.r(), factors }))
    }

    /// Unobserved quantities that can change without touching any condition.
    fn undetermined(&self, free: &DMatrix<f64>) -> Vec<usize> {
        let normal = (free.transpose() * free).symmetric_eigen();
        let least = PIVOT_MIN * normal.eigenvalues.amax().max(f64::MIN_POSITIVE);
        let mut found = Vec::new();
        for (at, &quantity) in self.unobserved.iter().enumerate() {
            let moves = |mode: usize| normal.eigenvectors[(at, mode)].abs() > 1e-6;
            if (0..normal.eigenvalues.len()).any(|mode| normal.eigenvalues[mode] <= least && moves(mode)) {
                found.push(quantity);
            }
        }
        found
    }

    fn finish(self, step: Step) -> Adjusted {
        let mut residuals = &step.values - &self.observed;
        for &at in &self.unobserved {
            residuals[at] = 0.0;
        }
        let half = step.inverse.half();
        let misclosure = &half * step.misclosure;
        let independent = independent(&half, &step.reduced);
        Adjusted {
            residuals,
            chi2: misclosure.norm_squared(),
            degrees_of_freedom: half.nrows(),
            score: independent.tr_mul(&misclosure),
            own_information: DVector::from_fn(independent.ncols(), |at, _| {
                independent.column(at).norm_squared()
            }),
            values: step.values,
            variance: self.variance,
            independent,
            unobserved: self.unobserved,
            following: step.following,
        }
    }
}

/// H B. A quantity is in few conditions.
fn independent(half: &DMatrix<f64>, slope: &DMatrix<f64>) -> DMatrix<f64> {
    let mut independent = DMatrix::zeros(half.nrows(), slope.ncols());
    for (at, column) in slope.column_iter().enumerate() {
        let mut whole = independent.column_mut(at);
        for (row, &by) in column.iter().enumerate().filter(|(_, by)| **by != 0.0) {
            whole.axpy(by, &half.column(row), 1.0);
        }
    }
    independent
}

struct Eliminated {
    upper: DMatrix<f64>,
    factors: ColPivQR<f64, Dyn, Dyn>,
}

impl Eliminated {
    /// Values of the unobserved for right-hand sides that are rotated already.
    fn solve(&self, rotated: &DMatrix<f64>) -> DMatrix<f64> {
        let mut solved = rotated.clone();
        let used = self.upper.ncols();
        let square = self.upper.view((0, 0), (used, used));
        // The rank was checked before: no pivot is zero.
        square.solve_upper_triangular_mut(&mut solved);
        self.factors.p().inv_permute_rows(&mut solved);
        solved
    }
}

/// The inverse of a covariance of misclosures. Conditions that repeat others are left out.
enum Inverse {
    /// Of full rank: the lower triangle (Cholesky) of the covariance times `scale` on either side.
    Factor { lower: DMatrix<f64>, scale: DVector<f64> },
    /// The modes that say something, each with the variance one: H.
    Modes { half: DMatrix<f64> },
}

impl Inverse {
    fn of(covariance: &DMatrix<f64>, misclosure: &DVector<f64>) -> Result<Self, AdjustError> {
        let count = covariance.nrows();
        // Each misclosure in its own standard deviations: sharp and blunt conditions are then told from repeated
        // ones.
        let scale = covariance.diagonal().map(|own| if own > 0.0 { 1.0 / libm::sqrt(own) } else { 0.0 });
        let scaled = || DMatrix::from_fn(count, count, |i, j| covariance[(i, j)] * scale[i] * scale[j]);
        if (0..count).any(|at| scale[at] == 0.0 && misclosure[at].abs() > CLOSED) {
            return Err(AdjustError::Contradiction);
        }
        if let Some(lower) = scaled().cholesky().map(Cholesky::unpack_dirty)
            && (0..count).all(|at| lower[(at, at)] * lower[(at, at)] > PIVOT_MIN)
        {
            return Ok(Self::Factor { lower, scale });
        }
        let spread = scaled().symmetric_eigen();
        let mut modes = Vec::new();
        for mode in 0..count {
            let direction = spread.eigenvectors.column(mode);
            if spread.eigenvalues[mode] > PIVOT_MIN {
                modes.push(mode);
            } else if direction.dot(misclosure).abs() > CLOSED {
                return Err(AdjustError::Contradiction);
            }
        }
        let half = DMatrix::from_fn(modes.len(), count, |row, at| {
            let mode = modes[row];
            spread.eigenvectors[(at, mode)] * scale[at] / libm::sqrt(spread.eigenvalues[mode])
        });
        Ok(Self::Modes { half })
    }

    /// M⁻¹ w.
    fn times(&self, misclosure: &DVector<f64>) -> DVector<f64> {
        match self {
            Self::Factor { lower, scale } => {
                let mut solved = misclosure.component_mul(scale);
                // No pivot is zero.
                lower.solve_lower_triangular_mut(&mut solved);
                lower.tr_solve_lower_triangular_mut(&mut solved);
                solved.component_mul_assign(scale);
                solved
            }
            Self::Modes { half } => half.tr_mul(&(half * misclosure)),
        }
    }

    /// H with Hᵀ H = M⁻¹; its rows are as many as the rank.
    fn half(self) -> DMatrix<f64> {
        match self {
            Self::Factor { lower, scale } => {
                let mut half = DMatrix::from_diagonal(&scale);
                lower.solve_lower_triangular_mut(&mut half);
                half
            }
            Self::Modes { half } => half,
        }
    }
}

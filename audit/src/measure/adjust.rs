//! Least squares with conditions: observed quantities, quantities that nobody observed, and what must hold
//! among them.
//!
//! Observed quantities are independent of each other; what they share (rounding, an obstacle) is inside one
//! quantity, or is one of its own. With observations l of covariance D, conditions B l = w and M = B D Bᵀ:
//! residuals v = −D Bᵀ M⁻¹ w, covariance after adjustment D − D Bᵀ M⁻¹ B D, test value wᵀ M⁻¹ w. Quantities that
//! nobody observed use up conditions: these are rotated (QR) so that the unobserved appear in the first of them
//! only. Textbook method of condition equations; curved conditions are repeated at the adjusted values
//! (Gauss-Newton).

#![expect(clippy::indexing_slicing, reason = "indices run over the sizes that the matrices were made with")]

use nalgebra::{ColPivQR, DMatrix, DVector, Dyn};
use thiserror::Error;

const ROUNDS_MAX: usize = 30;
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
    #[error("the adjustment does not settle: directions that nobody observed need a better approximation")]
    Unsettled,
}

/// Adjusted quantities. Index order is that of the quantities given.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjusted {
    /// Adjusted values.
    pub values: DVector<f64>,
    /// Adjusted less observed; zero for what nobody observed.
    pub residuals: DVector<f64>,
    /// Covariance of the adjusted values.
    pub covariance: DMatrix<f64>,
    /// How adjusted values follow the observed ones.
    pub influence: DMatrix<f64>,
    /// Contradiction among the quantities: chi-square with `degrees_of_freedom`.
    pub chi2: f64,
    /// Independent conditions left after the unobserved are computed.
    pub degrees_of_freedom: usize,
    /// Bᵀ M⁻¹ w: what the misclosures say about an error in each quantity.
    pub score: DVector<f64>,
    /// Bᵀ M⁻¹ B: the covariance of `score`.
    pub information: DMatrix<f64>,
}

/// Adjusts `quantities` so that `conditions` hold.
///
/// # Errors
/// Quantities that nothing determines, held values that contradict each other, no convergence.
pub fn adjust(quantities: &[Quantity], conditions: &impl Conditions) -> Result<Adjusted, AdjustError> {
    let problem = Problem::new(quantities);
    let mut values = problem.observed.clone();
    for _ in 0..ROUNDS_MAX {
        let step = problem.step(&values, conditions)?;
        let change = (&step.values - &values).amax();
        if !change.is_finite() {
            return Err(AdjustError::Unsettled);
        }
        values = step.values.clone();
        if change < STILL * (1.0 + values.amax()) {
            return Ok(problem.finish(step));
        }
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
    reduced: DMatrix<f64>,
    inverse: DMatrix<f64>,
    degrees_of_freedom: usize,
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
        let left = conditions.count() - used;
        let reduced = slope.rows(used, left).into_owned();
        let open = misclosure.rows(used, left).into_owned();
        let weighted = DMatrix::from_fn(left, slope.ncols(), |i, j| reduced[(i, j)] * self.variance[j]);
        let (inverse, degrees_of_freedom) = inverse(&(&weighted * reduced.transpose()), &open)?;
        let residuals = -(weighted.transpose() * (&inverse * &open));
        let mut adjusted = &self.observed + &residuals;
        let mut following = DMatrix::zeros(used, slope.ncols());
        if let Some(eliminated) = eliminated {
            let rest = misclosure.rows(0, used) + slope.rows(0, used) * &residuals;
            let solved = eliminated.solve(&DMatrix::from_column_slice(used, 1, rest.as_slice()));
            following = -eliminated.solve(&slope.rows(0, used).into_owned());
            for (row, &at) in self.unobserved.iter().enumerate() {
                adjusted[at] = values[at] - solved[row];
            }
        }
        Ok(Step { values: adjusted, reduced, inverse, degrees_of_freedom, misclosure: open, following })
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

    fn finish(&self, step: Step) -> Adjusted {
        let count = self.observed.len();
        let information = step.reduced.transpose() * &step.inverse * &step.reduced;
        let score = step.reduced.transpose() * (&step.inverse * &step.misclosure);
        let mut influence =
            DMatrix::from_fn(count, count, |i, j| f64::from(i == j) - self.variance[i] * information[(i, j)]);
        for &at in &self.unobserved {
            influence[(at, at)] = 0.0;
        }
        if !self.unobserved.is_empty() {
            let follows = &step.following * &influence;
            for (row, &at) in self.unobserved.iter().enumerate() {
                influence.set_row(at, &follows.row(row));
            }
        }
        let mut residuals = &step.values - &self.observed;
        for &at in &self.unobserved {
            residuals[at] = 0.0;
        }
        Adjusted {
            residuals,
            covariance: self.covariance(&information, &step.following),
            chi2: step.misclosure.dot(&(&step.inverse * &step.misclosure)),
            degrees_of_freedom: step.degrees_of_freedom,
            values: step.values,
            influence,
            score,
            information,
        }
    }

    fn covariance(&self, information: &DMatrix<f64>, following: &DMatrix<f64>) -> DMatrix<f64> {
        let count = self.observed.len();
        let mut covariance = DMatrix::from_fn(count, count, |i, j| {
            let own = if i == j { self.variance[i] } else { 0.0 };
            own - self.variance[i] * information[(i, j)] * self.variance[j]
        });
        if !self.unobserved.is_empty() {
            let mut onto = DMatrix::identity(count, count);
            for (row, &at) in self.unobserved.iter().enumerate() {
                onto.set_row(at, &following.row(row));
            }
            covariance = &onto * covariance * onto.transpose();
        }
        covariance
    }
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

/// The inverse of a covariance of misclosures, and its rank. Conditions that repeat others are left out.
fn inverse(
    covariance: &DMatrix<f64>,
    misclosure: &DVector<f64>,
) -> Result<(DMatrix<f64>, usize), AdjustError> {
    let count = covariance.nrows();
    // Each misclosure in its own standard deviations: sharp and blunt conditions are then told from repeated ones.
    let scale = covariance.diagonal().map(|own| if own > 0.0 { 1.0 / libm::sqrt(own) } else { 0.0 });
    let scaled = DMatrix::from_fn(count, count, |i, j| covariance[(i, j)] * scale[i] * scale[j]);
    if (0..count).any(|at| scale[at] == 0.0 && misclosure[at].abs() > CLOSED) {
        return Err(AdjustError::Contradiction);
    }
    let back =
        |inverse: DMatrix<f64>| DMatrix::from_fn(count, count, |i, j| inverse[(i, j)] * scale[i] * scale[j]);
    if let Some(factor) = scaled.clone().cholesky() {
        let pivots = factor.l_dirty();
        if (0..count).all(|at| pivots[(at, at)] * pivots[(at, at)] > PIVOT_MIN) {
            return Ok((back(factor.inverse()), count));
        }
    }
    let spread = scaled.symmetric_eigen();
    let mut inverse = DMatrix::zeros(count, count);
    let mut rank = 0;
    for mode in 0..count {
        let direction = spread.eigenvectors.column(mode);
        if spread.eigenvalues[mode] > PIVOT_MIN {
            inverse += direction * direction.transpose() / spread.eigenvalues[mode];
            rank += 1;
        } else if direction.dot(misclosure).abs() > CLOSED {
            return Err(AdjustError::Contradiction);
        }
    }
    Ok((back(inverse), rank))
}

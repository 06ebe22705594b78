//! The single further reading that would tell most, where the data name a group only.
//!
//! Each reading that could be taken is tried by computation: what would it do to the test values of the group? One
//! that leaves fewer errors alike is better; among equals, the one that gives the group most redundancy.

use nalgebra::{DMatrix, DVector};

use super::adjust::Adjusted;
use super::field_notes::TieLine;
use super::network::{Network, Source, along, slopes_along, span};
use super::suspect::{Candidate, Hypotheses, Suspicion, are_inseparable, correlation};

/// Nobody reads an overall dimension shorter than this, in feet.
const TIE_MIN_FT: f64 = 2.0;

/// A reading worth taking.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// What to read.
    pub read: Further,
    /// How many of the group's errors would on average still be alike afterwards; 1 means that the reading tells.
    pub alike_after: f64,
    /// What the reading adds to the sum of the group's redundancy numbers.
    pub redundancy: f64,
}

/// A reading that could be taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Further {
    /// A distance once more.
    Again {
        /// The distance.
        source: Source,
    },
    /// A tie or an overall dimension between two corners of an outline.
    Between {
        /// The outline, by its place in the notes.
        outline: usize,
        /// The two corners, counted from 0.
        corners: (usize, usize),
        /// How to take it.
        along: TieLine,
    },
}

/// The best further reading for a group; `None` where one wall is named already or no reading would help.
pub(super) fn advise(network: &Network, adjusted: &Adjusted, suspicion: &Suspicion) -> Option<Advice> {
    if suspicion.named().is_some() {
        return None;
    }
    let group = Group::of(network, adjusted, suspicion);
    let mut best: Option<Advice> = None;
    for (read, slope) in possible(network, adjusted, suspicion) {
        let advice = group.weigh(adjusted, read, &slope);
        let better = best.as_ref().is_none_or(|best| {
            let apart = best.alike_after - advice.alike_after;
            apart > 1e-9 || (apart > -1e-9 && advice.redundancy > best.redundancy + 1e-6)
        });
        if better {
            best = Some(advice);
        }
    }
    best.filter(|advice| advice.alike_after < group.quantities.len() as f64 - 1e-9)
}

/// The errors of a suspicion, one a distance or direction.
struct Group {
    quantities: Vec<usize>,
    variances: Vec<f64>,
    information: DMatrix<f64>,
    /// Variance that the further reading will have.
    reading_variance: f64,
}

impl Group {
    fn of(network: &Network, adjusted: &Adjusted, suspicion: &Suspicion) -> Self {
        let hypotheses = Hypotheses::of(network, adjusted);
        let mut members: Vec<usize> = Vec::new();
        for (index, candidate) in hypotheses.candidates.iter().enumerate() {
            let alone = !matches!(candidate, Candidate::Reading { .. });
            if alone && suspicion.candidates.contains(candidate) {
                members.push(index);
            }
        }
        let quantities: Vec<usize> =
            members.iter().filter_map(|index| hypotheses.shifts.get(*index)).map(|shift| shift.0).collect();
        let variance = |at: usize| network.quantities.get(at).and_then(|one| one.variance).unwrap_or(0.0);
        let variances: Vec<f64> = quantities.iter().map(|at| variance(*at)).collect();
        let is_distance = |at: &usize| !matches!(network.sources.get(*at), Some(Source::Direction(_)));
        let distances: Vec<f64> =
            quantities.iter().filter(|at| is_distance(at)).map(|at| variance(*at)).collect();
        let mean = distances.iter().sum::<f64>() / distances.len().max(1) as f64;
        let information = DMatrix::from_fn(members.len(), members.len(), |i, j| {
            let pair = members.get(i).copied().zip(members.get(j).copied());
            pair.and_then(|pair| hypotheses.information.get(pair).copied()).unwrap_or(0.0)
        });
        Self { quantities, variances, information, reading_variance: mean.max(1e-9) }
    }

    /// What a reading with the derivatives `slope` by quantity would bring.
    fn weigh(&self, adjusted: &Adjusted, read: Further, slope: &DVector<f64>) -> Advice {
        let propagated = adjusted.propagate(slope);
        let variance = self.reading_variance + propagated.covariance(&propagated);
        let shifts = DVector::from_iterator(
            self.quantities.len(),
            self.quantities.iter().map(|at| propagated.followed.get(*at).copied().unwrap_or(0.0)),
        );
        let information = &self.information + &shifts * shifts.transpose() / variance;
        let gains = shifts.iter().zip(&self.variances).map(|(shift, own)| shift * shift * own / variance);
        Advice { read, alike_after: alike(&information), redundancy: gains.sum() }
    }
}

/// How many errors look alike, averaged over the errors: the sum of squares of the classes over their sum.
fn alike(information: &DMatrix<f64>) -> f64 {
    let count = information.nrows();
    let mut class: Vec<usize> = (0..count).collect();
    for i in 0..count {
        for j in 0..i {
            if are_inseparable(correlation(information, i, j)) {
                let (one, other) = (class.get(i).copied(), class.get(j).copied());
                for member in &mut class {
                    if Some(*member) == one {
                        *member = other.unwrap_or(*member);
                    }
                }
            }
        }
    }
    let size = |of: usize| class.iter().filter(|member| **member == of).count();
    let squares: usize = (0..count).map(|of| size(of) * size(of)).sum();
    squares as f64 / count.max(1) as f64
}

/// Readings that could be taken, with their derivatives by quantity: the group's distances again first, then
/// overall dimensions, then diagonals.
fn possible(network: &Network, adjusted: &Adjusted, suspicion: &Suspicion) -> Vec<(Further, DVector<f64>)> {
    let count = adjusted.values.len();
    let steps = network.steps(&adjusted.values);
    let mut found = Vec::new();
    for source in suspicion.distances() {
        if let Some(at) = network.sources.iter().position(|known| *known == source) {
            let slope = DVector::from_fn(count, |row, _| f64::from(row == at));
            found.push((Further::Again { source }, slope));
        }
    }
    for line in [TieLine::EastWest, TieLine::NorthSouth, TieLine::Straight] {
        for (outline, resolved) in network.outlines.iter().enumerate() {
            for from in 0..resolved.walls.len() {
                for to in from + 1..resolved.walls.len() {
                    let path = resolved.walls.get(from..to).unwrap_or_default();
                    let (east, north) = along(path, &steps);
                    let sense = if span(east, north, line, 1.0).0 < 0.0 { -1.0 } else { 1.0 };
                    let sense = if line == TieLine::Straight { 1.0 } else { sense };
                    let (distance, unit) = span(east, north, line, sense);
                    if distance < TIE_MIN_FT {
                        continue;
                    }
                    let mut slope = DVector::zeros(count);
                    for (at, by_east, by_north) in slopes_along(path, &steps) {
                        if let Some(of) = slope.get_mut(at) {
                            *of += by_east * unit.0 + by_north * unit.1;
                        }
                    }
                    found.push((Further::Between { outline, corners: (from, to), along: line }, slope));
                }
            }
        }
    }
    found
}

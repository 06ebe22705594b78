//! Which observation is wrong, as far as the data can tell.
//!
//! Each possible single error (one reading, all readings of a distance, a direction) has a test value of its own
//! (data snooping after Baarda). The largest is believed only when no other error explains the contradiction nearly
//! as well; otherwise all that do are named together, and nobody is accused.

use nalgebra::DMatrix;

use super::adjust::Adjusted;
use super::network::{Network, Source};
use super::observation::{GlobalTest, SUSPECT, Verdict, global_test};
use statrs::distribution::{ContinuousCDF, Normal};

/// Two errors cannot be told apart when their test values are correlated beyond this.
const CORRELATION_MAX: f64 = 0.95;
/// Or when the squares of their test values are closer than this: the square of 3.29, odds of 200 to 1.
const MARGIN: f64 = 10.83;
/// An error that explains less than this (1.96 squared) is no candidate.
const CANDIDATE_MIN: f64 = 3.84;
/// Level at which any one of all observations is suspected without a rejected global test.
const FAMILY_LEVEL: f64 = 0.001;
/// So many errors are looked for in one set of notes.
const ROUNDS_MAX: usize = 4;

/// A single error that could be behind a contradiction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Candidate {
    /// One reading of a distance that was read more than once.
    Reading {
        /// The distance.
        source: Source,
        /// Which, counted from 0.
        reading: usize,
    },
    /// The only reading of a distance, or an error that all its readings share.
    Distance {
        /// The distance.
        source: Source,
    },
    /// A wall that does not head where it was said to: out of square.
    Direction {
        /// The wall.
        wall: usize,
    },
}

impl Candidate {
    fn source(self) -> Source {
        match self {
            Self::Reading { source, .. } | Self::Distance { source } => source,
            Self::Direction { wall } => Source::Direction(wall),
        }
    }
}

/// A contradiction, and all single errors that explain it.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspicion {
    /// The errors, the one that explains most first; equal ones in the order of the notes.
    pub candidates: Vec<Candidate>,
    /// The largest test value.
    pub test_value: f64,
    /// Size of the first candidate, in feet or radians: what was read less what fits.
    pub size: f64,
}

impl Suspicion {
    /// The distance that is wrong, if the data name one: a reading of it, or all of them.
    #[must_use]
    pub fn named(&self) -> Option<Source> {
        let first = self.candidates.first()?.source();
        let same = self.candidates.iter().all(|candidate| candidate.source() == first);
        (same && !matches!(first, Source::Direction(_))).then_some(first)
    }

    /// The reading that is wrong, if the data name one.
    #[must_use]
    pub fn named_reading(&self) -> Option<(Source, usize)> {
        match self.candidates.as_slice() {
            [Candidate::Reading { source, reading }] => Some((*source, *reading)),
            _ => None,
        }
    }

    /// The distances among the candidates, each once, in the order of the notes.
    #[must_use]
    pub fn distances(&self) -> Vec<Source> {
        let sources = self.candidates.iter().map(|candidate| candidate.source());
        let mut distances: Vec<_> =
            sources.filter(|source| !matches!(source, Source::Direction(_))).collect();
        distances.sort_unstable();
        distances.dedup();
        distances
    }

    /// Whether a house out of square explains it too.
    #[must_use]
    pub fn may_be_out_of_square(&self) -> bool {
        self.candidates.iter().any(|candidate| matches!(candidate, Candidate::Direction { .. }))
    }
}

/// Possible errors with what the data say about each.
pub(super) struct Hypotheses {
    pub(super) candidates: Vec<Candidate>,
    /// The quantity that each shifts, and by how much of itself.
    pub(super) shifts: Vec<(usize, f64)>,
    score: Vec<f64>,
    pub(super) information: DMatrix<f64>,
}

impl Hypotheses {
    pub(super) fn of(network: &Network, adjusted: &Adjusted) -> Self {
        let (mut candidates, mut shifts, mut readings) = (Vec::new(), Vec::new(), Vec::new());
        for (at, (source, quantity)) in network.sources.iter().zip(&network.quantities).enumerate() {
            if quantity.variance.is_none() {
                continue;
            }
            if let Source::Direction(wall) = *source {
                candidates.push(Candidate::Direction { wall });
            } else {
                candidates.push(Candidate::Distance { source: *source });
            }
            shifts.push((at, 1.0));
            readings.push(None);
            let Some(combined) = network.readings.get(at).and_then(Option::as_ref) else { continue };
            for (reading, weight) in
                combined.weights.iter().enumerate().filter(|_| combined.weights.len() > 1)
            {
                candidates.push(Candidate::Reading { source: *source, reading });
                shifts.push((at, *weight));
                readings.push(Some((combined, reading)));
            }
        }
        let own = |index: usize| readings.get(index).copied().flatten();
        let shift = |index: usize| shifts.get(index).copied().unwrap_or((0, 0.0));
        let score = (0..shifts.len()).map(|index| {
            let (at, weight) = shift(index);
            let among = own(index).map_or(0.0, |(of, reading)| of.score(reading));
            weight * adjusted.score(at) + among
        });
        let information = DMatrix::from_fn(shifts.len(), shifts.len(), |i, j| {
            let ((one, one_weight), (other, other_weight)) = (shift(i), shift(j));
            let between = adjusted.information(one, other);
            let among = match (own(i), own(j)) {
                (Some((of, a)), Some((_, b))) if one == other => of.information(a, b),
                _ => 0.0,
            };
            one_weight * other_weight * between + among
        });
        Self { candidates, score: score.collect(), information, shifts }
    }

    /// Square of the test value; zero where nothing would show the error. `whole` is the information before any
    /// error was taken out.
    fn explained(&self, index: usize, whole: &DMatrix<f64>) -> f64 {
        let information = self.information.get((index, index)).copied().unwrap_or(0.0);
        let least = 1e-9 * whole.get((index, index)).copied().unwrap_or(0.0);
        let score = self.score.get(index).copied().unwrap_or(0.0);
        if information > least { score * score / information } else { 0.0 }
    }

    pub(super) fn correlation(&self, i: usize, j: usize) -> f64 {
        correlation(&self.information, i, j)
    }

    /// Leaves what the error at `index` does not explain. For sums this is what an adjustment without that observation
    /// finds. Directions make it a first-order figure: walls that were turned by the error stay turned. With an error
    /// of 1 ft that moves the next test value by a hundred-thousandth, so that no fresh adjustment is made.
    fn take_out(&mut self, index: usize) {
        let column = self.information.column(index).into_owned();
        let Some(own) = column.get(index).copied().filter(|own| *own > 0.0) else { return };
        let score = self.score.get(index).copied().unwrap_or(0.0);
        for (value, by) in self.score.iter_mut().zip(column.iter()) {
            *value -= by / own * score;
        }
        self.information -= &column * column.transpose() / own;
    }
}

/// The largest square of a test value: in most houses it is all that has to be known.
fn largest_square(network: &Network, adjusted: &Adjusted) -> f64 {
    let mut largest: f64 = 0.0;
    for (at, readings) in network.readings.iter().enumerate() {
        let each = readings.as_ref().map_or(0, |of| of.weights.len());
        for reading in core::iter::once(None).chain((0..each).map(Some)) {
            let seen = network.sensitivity(adjusted, at, reading);
            if seen.information > 0.0 {
                largest = largest.max(seen.score * seen.score / seen.information);
            }
        }
    }
    largest
}

pub(super) fn correlation(information: &DMatrix<f64>, i: usize, j: usize) -> f64 {
    let at = |row: usize, column: usize| information.get((row, column)).copied().unwrap_or(0.0);
    let size = libm::sqrt(at(i, i) * at(j, j));
    if size > 0.0 { at(i, j) / size } else { 0.0 }
}

/// Whether two errors can be told apart by whatever is observed.
pub(super) fn are_inseparable(correlation: f64) -> bool {
    correlation.abs() > CORRELATION_MAX
}

/// The contradictions in the observations, the largest first. Each next one is looked for in what the ones before
/// leave unexplained.
pub(super) fn suspicions(network: &Network, adjusted: &Adjusted, test: &GlobalTest) -> Vec<Suspicion> {
    if largest_square(network, adjusted) <= SUSPECT * SUSPECT {
        return Vec::new();
    }
    let mut hypotheses = Hypotheses::of(network, adjusted);
    let whole = hypotheses.information.clone();
    let count = hypotheses.candidates.len();
    let alone = 1.0 - FAMILY_LEVEL / (2.0 * count.max(1) as f64);
    let threshold = Normal::standard().inverse_cdf(alone).max(SUSPECT);
    let (mut test, mut found) = (*test, Vec::new());
    while found.len() < ROUNDS_MAX && test.degrees_of_freedom > 0 {
        let explained: Vec<f64> = (0..count).map(|index| hypotheses.explained(index, &whole)).collect();
        let by_size =
            |one: &(usize, &f64), other: &(usize, &f64)| one.1.total_cmp(other.1).then(other.0.cmp(&one.0));
        let Some((first, &most)) = explained.iter().enumerate().max_by(by_size) else { break };
        let value = libm::sqrt(most);
        if value <= SUSPECT || (test.verdict != Verdict::Rejected && value <= threshold) {
            break;
        }
        let mut members: Vec<(usize, f64)> = explained.iter().copied().enumerate().collect();
        members.retain(|&(index, one)| {
            let close = one >= CANDIDATE_MIN && one >= most - MARGIN;
            one > 0.0 && (close || are_inseparable(hypotheses.correlation(first, index)))
        });
        // Equal test values differ in their last digits: these decide nothing.
        members.sort_by(|one, other| {
            let apart = one.1 - other.1;
            if apart.abs() <= 1e-9 * most { one.0.cmp(&other.0) } else { other.1.total_cmp(&one.1) }
        });
        let leading = members.first().map_or(first, |member| member.0);
        let score = hypotheses.score.get(leading).copied().unwrap_or(0.0);
        let information = hypotheses.information.get((leading, leading)).copied().unwrap_or(1.0);
        found.push(Suspicion {
            candidates: members
                .iter()
                .filter_map(|member| hypotheses.candidates.get(member.0).copied())
                .collect(),
            test_value: value,
            size: score / information,
        });
        hypotheses.take_out(first);
        test = global_test((test.chi2 - most).max(0.0), test.degrees_of_freedom - 1);
    }
    found
}

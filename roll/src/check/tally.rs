//! Counts by a small whole number, that can be taken off again, and quantiles of figures from such counts.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// How often each whole number from 0 occurred. Counts may be negative: a tally is then a difference.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(from = "BTreeMap<usize, i64>", into = "BTreeMap<usize, i64>")]
pub struct Tally(Vec<i64>);

impl Tally {
    /// Counts a number `by` times.
    pub fn count(&mut self, number: usize, by: i64) {
        if number >= self.0.len() {
            self.0.resize(number.saturating_add(1), 0);
        }
        if let Some(count) = self.0.get_mut(number) {
            *count += by;
        }
    }

    /// How often a number occurred.
    #[must_use]
    pub fn of(&self, number: usize) -> i64 {
        self.0.get(number).copied().unwrap_or_default()
    }

    /// The counts of all numbers together.
    #[must_use]
    pub fn total(&self) -> i64 {
        self.0.iter().sum()
    }

    /// The numbers that occurred with their counts, the smallest first.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = (usize, i64)> + '_ {
        self.0.iter().copied().enumerate().filter(|(_, count)| *count != 0)
    }

    /// Adds the counts of another tally, each `by` times: 1, or -1 to take them off.
    pub fn merge(&mut self, other: &Tally, by: i64) {
        for (number, count) in other.iter() {
            self.count(number, by * count);
        }
    }

    /// The number that occurred most often; of several the largest.
    #[must_use]
    pub fn commonest(&self) -> Option<usize> {
        self.iter().max_by_key(|(number, count)| (*count, *number)).map(|(number, _)| number)
    }
}

impl PartialEq for Tally {
    fn eq(&self, other: &Tally) -> bool {
        self.iter().eq(other.iter())
    }
}

impl Eq for Tally {}

impl From<BTreeMap<usize, i64>> for Tally {
    fn from(counts: BTreeMap<usize, i64>) -> Tally {
        let mut tally = Tally::default();
        for (number, count) in counts {
            // the largest number that any of the tallies here counts: a damaged text must not ask for the memory
            if number <= NUMBER_MAX {
                tally.count(number, count);
            }
        }
        tally
    }
}

impl From<Tally> for BTreeMap<usize, i64> {
    fn from(tally: Tally) -> BTreeMap<usize, i64> {
        tally.iter().collect()
    }
}

/// No tally counts larger numbers.
const NUMBER_MAX: usize = 1 << 16;

/// Figures from 0 in bins: exact below 256, above that 128 bins from each power of two to the next, so that a bin is
/// at most 1/128 of its figures wide and its middle within 0.4 % of any of them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Figures(Tally);

const EXACT: u64 = 256;
const BINS_AN_OCTAVE: u64 = 128;

impl Figures {
    /// Counts a figure `by` times.
    pub fn count(&mut self, figure: u64, by: i64) {
        self.0.count(bin(figure), by);
    }

    /// How many figures there are.
    #[must_use]
    pub fn total(&self) -> i64 {
        self.0.total()
    }

    /// Adds the counts of others, each `by` times: 1, or -1 to take them off.
    pub fn merge(&mut self, other: &Figures, by: i64) {
        self.0.merge(&other.0, by);
    }

    /// The figure below which a share of them lie, between its two neighbours in proportion (type 7 of Hyndman and Fan
    /// 1996, which numpy and R use), within 0.4 %. None without figures.
    #[must_use]
    pub fn quantile(&self, share: f64) -> Option<f64> {
        let last = self.total().checked_sub(1).filter(|last| *last >= 0)?;
        let place = share.clamp(0.0, 1.0) * whole(last);
        let below = self.ranked(place.floor())?;
        let above = self.ranked(place.ceil())?;
        Some(below + (above - below) * place.fract())
    }

    /// The figure at a rank from 0.
    fn ranked(&self, rank: f64) -> Option<f64> {
        let mut before = 0.0;
        for (bin, count) in self.0.iter() {
            before += whole(count);
            if before > rank {
                return Some(middle(bin));
            }
        }
        None
    }
}

fn bin(figure: u64) -> usize {
    let bin = if figure < EXACT {
        figure
    } else {
        let octave = u64::from(figure.ilog2());
        let shift = octave - 7;
        EXACT + (octave - 8) * BINS_AN_OCTAVE + ((figure >> shift) - BINS_AN_OCTAVE)
    };
    usize::try_from(bin).unwrap_or(usize::MAX)
}

/// The middle of a bin.
fn middle(bin: usize) -> f64 {
    let bin = bin as u64;
    if bin < EXACT {
        return bin as f64;
    }
    let (octave, sub) = ((bin - EXACT) / BINS_AN_OCTAVE + 8, (bin - EXACT) % BINS_AN_OCTAVE);
    let width = 1u64 << (octave - 7).min(56);
    ((sub + BINS_AN_OCTAVE) as f64) * width as f64 + (width as f64 - 1.0) / 2.0
}

/// Counts are far below 2^53.
pub(crate) fn whole(count: i64) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_figure_lies_in_its_bin_and_the_middle_is_near(figure in prop_oneof![0u64..5000, any::<u64>()]) {
            let (bin, middle) = (bin(figure), middle(bin(figure)));
            prop_assert!((middle - figure as f64).abs() <= figure as f64 / 256.0, "{figure} {bin} {middle}");
        }

        #[test]
        fn bins_go_up_with_the_figures(a in 0u64..1 << 40, b in 0u64..1 << 40) {
            prop_assert!(bin(a.min(b)) <= bin(a.max(b)));
        }

        #[test]
        fn quantiles_are_those_of_the_sorted_figures(
            mut figures in proptest::collection::vec(1u64..20_000_000, 1..200), share in 0.0f64..=1.0,
        ) {
            let mut binned = Figures::default();
            for figure in &figures { binned.count(*figure, 1); }
            figures.sort_unstable();
            let place = share * (figures.len() - 1) as f64;
            let (low, high) = (figures[place.floor() as usize] as f64, figures[place.ceil() as usize] as f64);
            let exact = low + (high - low) * place.fract();
            let found = binned.quantile(share).unwrap();
            prop_assert!((found - exact).abs() <= 0.004 * exact, "{found} {exact}");
        }
    }

    #[test]
    fn without_figures_there_is_no_quantile() {
        let mut figures = Figures::default();
        assert_eq!(figures.quantile(0.5), None);
        figures.count(7, 1);
        figures.count(7, -1);
        assert_eq!((figures.quantile(0.5), &figures), (None, &Figures::default()));
    }

    #[test]
    fn a_tally_is_written_without_what_did_not_occur() {
        let mut tally = Tally::default();
        tally.count(3, 2);
        tally.count(40, 1);
        tally.count(40, -1);
        let text = serde_json::to_string(&tally).unwrap();
        assert_eq!(text, r#"{"3":2}"#);
        assert_eq!(serde_json::from_str::<Tally>(&text).unwrap(), tally);
        assert_eq!(tally.commonest(), Some(3));
    }
}

//! Heaping: more multiples of ten among the areas than their last digits would give, which shows how a publisher
//! rounds.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, Normal};

use super::tally::{Tally, whole};

/// Multiples of ten and of a hundred among whole areas.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Heaping {
    /// Areas that are whole numbers of the unit.
    pub whole: i64,
    /// The share of them that are multiples of 10; 0.1 where nothing is rounded.
    pub by_ten: f64,
    /// The share of them that are multiples of 100; 0.01 where nothing is rounded.
    pub by_hundred: f64,
    /// The probability of so many multiples of 10 or more, were last digits even.
    pub p_by_ten: f64,
    /// The same for multiples of 100.
    pub p_by_hundred: f64,
    /// Whether the probabilities are those of the binomial distribution; else of the normal one that approximates it,
    /// with the correction for continuity.
    pub exact: bool,
    /// The step to which nearly all areas are rounded, in the unit of the file, where there is one.
    pub step: Option<u32>,
}

/// Up to so many areas the binomial distribution is summed exactly; beyond, its continued fraction would need more
/// terms than are taken, and 1 % of them is many enough for the normal one.
const EXACT_MAX: i64 = 2_000;
/// Fewer areas give no step: twenty in a row end in zero by chance in some town.
const STEP_AREAS_MIN: i64 = 200;
/// The share of multiples from which on a step is called one (common practice, no source). A publisher that rounds all
/// has a few typed in otherwise.
const STEP_SHARE: f64 = 0.9;
/// Steps that publishers round to, the largest first.
const STEPS: [u32; 5] = [100, 50, 25, 10, 5];

impl Heaping {
    /// Looks at the last two digits of whole areas. None without any.
    #[must_use]
    pub fn of(last_digits: &Tally) -> Option<Heaping> {
        let all = last_digits.total();
        if all <= 0 {
            return None;
        }
        let multiples = |step: u32| {
            let step = step as usize;
            last_digits.iter().filter(|(digits, _)| digits % step == 0).map(|(_, n)| n).sum::<i64>()
        };
        let (tens, hundreds) = (multiples(10), multiples(100));
        let step = STEPS
            .into_iter()
            .find(|step| all >= STEP_AREAS_MIN && whole(multiples(*step)) >= STEP_SHARE * whole(all));
        Some(Heaping {
            whole: all,
            by_ten: whole(tens) / whole(all),
            by_hundred: whole(hundreds) / whole(all),
            p_by_ten: at_least(tens, all, 0.1),
            p_by_hundred: at_least(hundreds, all, 0.01),
            exact: all <= EXACT_MAX,
            step,
        })
    }

    /// The share of areas that are rounded to ten, where all others end in any digit.
    #[must_use]
    pub fn rounded_share(&self) -> f64 {
        ((self.by_ten - 0.1) / 0.9).max(0.0)
    }
}

/// The share of areas by their last digit, 0 to 9.
#[must_use]
pub(super) fn last_digit_shares(last_digits: &Tally) -> [f64; 10] {
    let mut shares = [0.0; 10];
    let all = whole(last_digits.total()).max(1.0);
    for (digits, n) in last_digits.iter() {
        if let Some(share) = shares.get_mut(digits % 10) {
            *share += whole(n) / all;
        }
    }
    shares
}

/// The probability of `found` or more of `all` at a chance `p` each.
fn at_least(found: i64, all: i64, p: f64) -> f64 {
    let Some(below) = u64::try_from(found).ok().and_then(|found| found.checked_sub(1)) else { return 1.0 };
    let distribution = Binomial::new(p, all.unsigned_abs()).ok().filter(|_| all <= EXACT_MAX);
    match (distribution, Normal::new(0.0, 1.0)) {
        (Some(binomial), _) => binomial.sf(below),
        (None, Ok(normal)) => {
            let z = (whole(found) - 0.5 - whole(all) * p) / (whole(all) * p * (1.0 - p)).sqrt();
            normal.sf(z)
        }
        (None, Err(_)) => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(areas: impl IntoIterator<Item = usize>) -> Tally {
        let mut tally = Tally::default();
        areas.into_iter().for_each(|area| tally.count(area % 100, 1));
        tally
    }

    // SqFtTotLiving of the single-family sales in house_sales.csv (github.com/gedeck/
    // practical-statistics-for-data-scientists, King County): 20,720 areas, shares counted with pandas. The file is not
    // kept here; its last digits are made again from those shares.
    #[test]
    fn a_county_that_rounds_to_ten_is_told_with_its_published_shares() {
        let mut digits = Tally::default();
        digits.count(0, 2_329);
        digits.count(30, 20_304 - 2_329);
        digits.count(37, 20_720 - 20_304);
        let heaping = Heaping::of(&digits).unwrap();
        assert!((heaping.by_ten - 0.979_923).abs() < 1e-5, "{heaping:?}");
        assert!((heaping.by_hundred - 0.112_403).abs() < 1e-5, "{heaping:?}");
        assert_eq!((heaping.step, heaping.exact), (Some(10), false));
        assert!(heaping.p_by_ten < 1e-15);
    }

    #[test]
    fn even_digits_are_no_step_and_no_surprise() {
        let heaping = Heaping::of(&tally(1_000..6_000)).unwrap();
        assert_eq!((heaping.by_ten, heaping.by_hundred, heaping.step), (0.1, 0.01, None));
        assert!(heaping.p_by_ten > 0.4 && heaping.p_by_hundred > 0.4, "{heaping:?}");
        assert_eq!(heaping.rounded_share(), 0.0);
    }

    #[test]
    fn the_largest_step_is_named_and_a_few_areas_name_none() {
        for (step, named) in [(100, 100), (50, 50), (25, 25), (20, 10), (5, 5), (2, 0)] {
            let heaping = Heaping::of(&tally((0..300).map(|n| n * step))).unwrap();
            assert_eq!(heaping.step.unwrap_or_default(), named);
        }
        assert_eq!(Heaping::of(&tally((0..150).map(|n| n * 10))).unwrap().step, None);
        assert_eq!(Heaping::of(&Tally::default()), None);
    }
}

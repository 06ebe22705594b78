//! The figures of a check that people read: shares and quartiles in place of counts.

use crossfoot_audit::record::figure::AreaUnit;
use serde::{Deserialize, Serialize};

use super::heaping::{Heaping, last_digit_shares};
use super::identifier::LostZeros;
use super::tally::{Figures, whole};
use super::{RollCheck, SQUARE_FOOT, SQUARE_METRE};
use crate::entry::Reason;
use crate::layout::Layout;

/// What a check comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckSummary {
    /// Rows that could be read.
    pub rows: i64,
    /// Areas.
    pub area: AreaSummary,
    /// Values, in whole units of money.
    pub value: Quartiles,
    /// Years built.
    pub years: YearSummary,
    /// Numbers in scientific notation, in quarantine.
    pub scientific_ids: i64,
    /// Numbers that lost leading zeros, by part.
    pub lost_zeros: Vec<LostZeros>,
}

/// What the areas come to, in the unit of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AreaSummary {
    /// The unit: `sqft` or `m2`.
    pub unit: AreaUnit,
    /// Their spread.
    pub spread: Quartiles,
    /// The share of whole areas that end in each digit, 0 to 9.
    pub last_digits: [f64; 10],
    /// Multiples of ten and a hundred, where there are whole areas.
    pub heaping: Option<Heaping>,
}

/// How many figures there are, and where they lie: within 0.4 % each.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Quartiles {
    /// How many.
    pub n: i64,
    /// A quarter of them lies below.
    pub lower: Option<f64>,
    /// Half of them lies below.
    pub median: Option<f64>,
    /// Three quarters of them lie below.
    pub upper: Option<f64>,
}

/// Years built.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct YearSummary {
    /// How many rows have one.
    pub n: i64,
    /// The first.
    pub first: Option<usize>,
    /// The last.
    pub last: Option<usize>,
    /// Years that stand for "not known" rather than for a year, with their rows.
    pub sentinels: Vec<(usize, i64)>,
}

/// Years that publishers write for "not known" (common practice, no source).
const SENTINELS: [usize; 5] = [0, 1, 1800, 1900, 9999];
/// Such a year is told where it has at least this share of the rows with a year …
const SENTINEL_SHARE: f64 = 0.01;
/// … and so many times the rows of the years on both sides of it. Years by tens are heaped four to six times where
/// they were guessed, which is another matter.
const SENTINEL_TIMES: f64 = 10.0;

impl Quartiles {
    fn of(figures: &Figures, scale: f64) -> Quartiles {
        let at = |share| figures.quantile(share).map(|figure| figure / scale);
        Quartiles { n: figures.total(), lower: at(0.25), median: at(0.5), upper: at(0.75) }
    }
}

impl RollCheck {
    /// What the check comes to under the layout that it was counted by.
    #[must_use]
    pub fn summary(&self, layout: &Layout) -> CheckSummary {
        let unit = layout.area.as_ref().map_or(AreaUnit::SquareFeet, |area| area.unit);
        let widths = &layout.parcel.pad_left;
        let lost = (1..)
            .zip(&self.ids)
            .filter_map(|(part, id): (usize, _)| id.lost_zeros(part, widths.get(part - 1).copied()));
        CheckSummary {
            rows: self.rows,
            area: AreaSummary {
                unit,
                spread: Quartiles::of(&self.areas, 10.0),
                last_digits: last_digit_shares(&self.last_digits),
                heaping: Heaping::of(&self.last_digits),
            },
            value: Quartiles::of(&self.values, 1.0),
            years: self.year_summary(),
            scientific_ids: self.rejects.get(Reason::ScientificParcel.name()).copied().unwrap_or_default(),
            lost_zeros: lost.collect(),
        }
    }

    fn year_summary(&self) -> YearSummary {
        let n = self.years.total();
        let stands_out = |year: &usize| {
            let here = whole(self.years.of(*year));
            let beside = [year.checked_sub(1), Some(year + 1)];
            let beside = beside.into_iter().flatten().filter(|other| !SENTINELS.contains(other));
            let beside = beside.map(|year| self.years.of(year)).max().unwrap_or_default();
            here > 0.0 && here >= SENTINEL_SHARE * whole(n) && here >= SENTINEL_TIMES * whole(beside)
        };
        let sentinels: Vec<(usize, i64)> =
            SENTINELS.into_iter().filter(stands_out).map(|year| (year, self.years.of(year))).collect();
        let real = || self.years.iter().map(|(year, _)| year).filter(|year| !SENTINELS.contains(year));
        YearSummary { n, first: real().next(), last: real().next_back(), sentinels }
    }
}

/// Square feet of a unit.
pub(super) fn square_feet_of(unit: AreaUnit) -> f64 {
    match unit {
        AreaUnit::SquareFeet => 1.0,
        AreaUnit::SquareMetres => SQUARE_METRE as f64 / SQUARE_FOOT as f64,
    }
}

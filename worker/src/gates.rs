//! What holds a later edition for a person: the roll shrank, its columns changed, its median area shifted. Pure
//! functions over figures from before and after; each gate gives a reason with its kind, its figures and a sentence.
//!
//! A first edition has nothing to be compared with and passes. To add a gate: a function of the same shape in
//! [`GATES`], its limit in [`Limits`].

use std::collections::{BTreeMap, BTreeSet};

use crossfoot_audit::area::Area;
use crossfoot_roll::layout::Layout;
use crossfoot_store::edition::HoldReason;
use crossfoot_store::limits::Limits;
use crossfoot_store::source::EditionCounts;

/// What is known of an edition, to be compared with the one before it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Facts {
    /// What came of its rows; of an edition before, only what it was itself.
    pub counts: EditionCounts,
    /// The median of the areas.
    pub median: Option<Area>,
    /// The columns of all its files; empty where they were not kept.
    pub columns: BTreeSet<String>,
    /// The version of its layout.
    pub layout_version: String,
    /// The columns that its layout reads.
    pub mapped: BTreeSet<String>,
}

impl Facts {
    /// The facts of an edition.
    #[must_use]
    pub fn of(
        counts: EditionCounts,
        median_um2: Option<i64>,
        headers: &[Vec<String>],
        layout: &Layout,
    ) -> Facts {
        Facts {
            counts,
            median: median_um2.map(Area::from_square_micrometres),
            columns: headers.iter().flatten().cloned().collect(),
            layout_version: layout.version(),
            mapped: layout.mapped_columns().into_iter().map(str::to_owned).collect(),
        }
    }
}

/// A handful of parcels gone is no flood, whatever the share, as with the brake.
const GONE_MIN: i64 = 10;
/// In a smaller roll one house more or less moves the median.
const RECORDS_MIN: i64 = 100;

type Gate = fn(&Facts, &Facts, &Limits) -> Option<HoldReason>;

/// Every gate, in the order in which people read the reasons.
const GATES: [Gate; 3] = [shrunk, header_changed, median_shifted];

/// The reasons for which an edition is held; none when it passes.
#[must_use]
pub fn reasons(before: &Facts, after: &Facts, limits: &Limits) -> Vec<HoldReason> {
    GATES.iter().filter_map(|gate| gate(before, after, limits)).collect()
}

fn reason<const N: usize>(kind: &str, sentence: String, figures: [(&str, f64); N]) -> HoldReason {
    let figures = figures.into_iter().map(|(name, figure)| (name.to_owned(), figure)).collect();
    HoldReason { kind: kind.to_owned(), sentence, figures }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// Records that are gone, as a share of those that were there: parcels that are renumbered count too, since no house
/// finds its record under the old number.
fn shrunk(_before: &Facts, after: &Facts, limits: &Limits) -> Option<HoldReason> {
    let c = &after.counts;
    let (gone, were) = (c.records_ended, c.records_ended + c.records_changed + c.records_unchanged);
    let share = gone as f64 / were as f64;
    // nothing was there before: not a number, which is no larger than anything
    (gone >= GONE_MIN && share > limits.shrink_share).then(|| {
        reason(
            "shrunk",
            format!(
                "{gone} of {were} records are gone ({}, the limit is {}): look whether the file is whole and its parcel \
                 numbers are written as before",
                percent(share),
                percent(limits.shrink_share)
            ),
            [("gone", gone as f64), ("before", were as f64), ("share", share), ("limit", limits.shrink_share)],
        )
    })
}

/// Columns that appeared or are gone. Where the layout is another one, a person has said already what the columns mean.
fn header_changed(before: &Facts, after: &Facts, limits: &Limits) -> Option<HoldReason> {
    if before.columns.is_empty() || after.columns.is_empty() || before.layout_version != after.layout_version
    {
        return None;
    }
    let changed: Vec<&String> = before.columns.symmetric_difference(&after.columns).collect();
    let mapped = changed.iter().filter(|name| is_mapped(&after.mapped, name)).count();
    let others = changed.len() - mapped;
    let many = i64::try_from(others).unwrap_or(i64::MAX) > limits.header_columns;
    (mapped > 0 || many).then(|| {
        let words = |names: Vec<&String>| match names.as_slice() {
            [] => "none".to_owned(),
            [..] => names.iter().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", "),
        };
        let appeared = after.columns.difference(&before.columns).collect();
        let gone = before.columns.difference(&after.columns).collect();
        reason(
            "header_changed",
            format!(
                "the columns are others than before (appeared: {}; gone: {}): look whether those that are read still mean \
                 the same",
                words(appeared),
                words(gone)
            ),
            [
                ("mapped", mapped as f64),
                ("others", others as f64),
                ("limit", limits.header_columns as f64),
            ],
        )
    })
}

/// A layout finds its columns without regard to case.
fn is_mapped(mapped: &BTreeSet<String>, name: &str) -> bool {
    mapped.iter().any(|column| column.to_lowercase() == name.to_lowercase())
}

/// The median area moved by more than a share: a town does not grow overnight, a definition or a unit does.
fn median_shifted(before: &Facts, after: &Facts, limits: &Limits) -> Option<HoldReason> {
    let (was, is) = (before.median?.to_square_feet_f64(), after.median?.to_square_feet_f64());
    let share = (is - was).abs() / was;
    let enough = before.counts.rows_entered.min(after.counts.rows_entered) >= RECORDS_MIN;
    (enough && share > limits.median_share).then(|| {
        reason(
            "median_shifted",
            format!(
                "the median area is {is:.0} sq ft after {was:.0} ({}, the limit is {}): look whether the publisher \
                 changed what it counts, or the unit",
                percent(share),
                percent(limits.median_share)
            ),
            [("before_sqft", was), ("after_sqft", is), ("share", share), ("limit", limits.median_share)],
        )
    })
}

/// Areas counted while rows pass, for their median, in bounded memory: exact to a square foot up to 65,536, beyond it
/// to a part in 4,096.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AreaTally {
    /// How many areas there are of so many square feet.
    near: Vec<u64>,
    /// How many larger ones, by the square feet that their class begins with.
    beyond: BTreeMap<i64, u64>,
    total: u64,
}

const EXACT_SQFT: usize = 1 << 16;
const BITS_BEYOND: u32 = 12;

impl AreaTally {
    /// Counts an area.
    pub fn add(&mut self, area: Area) {
        let sqft = (area.to_square_feet_f64().floor() as i64).max(0);
        self.total += 1;
        let Some(at) = usize::try_from(sqft).ok().filter(|at| *at < EXACT_SQFT) else {
            let shift = (i64::BITS - sqft.leading_zeros()).saturating_sub(BITS_BEYOND);
            *self.beyond.entry(sqft >> shift << shift).or_default() += 1;
            return;
        };
        if at >= self.near.len() {
            self.near.resize(at + 1, 0);
        }
        if let Some(count) = self.near.get_mut(at) {
            *count += 1;
        }
    }

    /// The median: the lower of the two in the middle, as the square feet that its class begins with.
    #[must_use]
    pub fn median(&self) -> Option<Area> {
        let middle = self.total.div_ceil(2);
        let mut passed = 0;
        let near = (0i64..).zip(self.near.iter().copied());
        for (sqft, n) in near.chain(self.beyond.iter().map(|(sqft, n)| (*sqft, *n))) {
            passed += n;
            if n > 0 && passed >= middle {
                return Area::from_whole_square_feet(sqft);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(ended: i64, stay: i64, median: i64, columns: &[&str]) -> Facts {
        let text = "id = \"s\"\njurisdiction = \"XX\"\nbasis = \"none\"\n[parcel]\ncolumns = [\"P\"]\n[area]\ncolumn = \"A\"\n";
        let layout = Layout::from_toml(text).unwrap();
        let counts = EditionCounts {
            rows_entered: stay,
            records_ended: ended,
            records_unchanged: stay,
            ..EditionCounts::default()
        };
        let median = Area::from_whole_square_feet(median).unwrap().square_micrometres();
        let header: Vec<String> = columns.iter().map(|name| (*name).to_owned()).collect();
        Facts::of(counts, Some(median), &[header], &layout)
    }

    fn kinds(before: &Facts, after: &Facts, limits: &Limits) -> Vec<String> {
        reasons(before, after, limits).into_iter().map(|reason| reason.kind).collect()
    }

    #[test]
    fn what_stays_within_the_limits_passes_and_the_limit_itself_does() {
        let before = facts(0, 1000, 2000, &["P", "A", "X"]);
        for (ended, median) in [(0, 2000), (50, 2060), (50, 1940)] {
            let after = facts(ended, 1000 - ended, median, &["P", "A", "X"]);
            assert_eq!(kinds(&before, &after, &Limits::default()), Vec::<String>::new(), "{ended} {median}");
        }
    }

    #[test]
    fn each_gate_holds_beyond_its_limit_and_names_its_figures() {
        let before = facts(0, 1000, 2000, &["P", "A", "X"]);
        let limits = Limits::default();
        assert_eq!(kinds(&before, &facts(51, 949, 2000, &["P", "A", "X"]), &limits), ["shrunk"]);
        assert_eq!(kinds(&before, &facts(0, 1000, 2061, &["P", "A", "X"]), &limits), ["median_shifted"]);
        assert_eq!(kinds(&before, &facts(0, 1000, 1939, &["P", "A", "X"]), &limits), ["median_shifted"]);
        assert_eq!(kinds(&before, &facts(0, 1000, 2000, &["P", "A"]), &limits), ["header_changed"]);
        let all = reasons(&before, &facts(500, 500, 186, &["P", "A", "Y"]), &limits);
        assert_eq!(all.len(), 3);
        assert_eq!((all[0].figures["gone"], all[0].figures["before"]), (500.0, 1000.0));
        assert!(all[1].sentence.contains("appeared: \"Y\"; gone: \"X\""), "{}", all[1].sentence);
        assert!((all[2].figures["share"] - 0.907).abs() < 1e-12);
    }

    #[test]
    fn a_small_roll_is_held_by_its_columns_alone() {
        let before = facts(0, 99, 2000, &["P", "A"]);
        assert_eq!(
            kinds(&before, &facts(9, 90, 1000, &["P", "A"]), &Limits::default()),
            Vec::<String>::new()
        );
        assert_eq!(kinds(&before, &facts(10, 89, 1000, &["P", "A"]), &Limits::default()), ["shrunk"]);
        let before = facts(0, 100, 2000, &["P", "A"]);
        assert_eq!(kinds(&before, &facts(0, 100, 1000, &["P", "A"]), &Limits::default()), ["median_shifted"]);
    }

    #[test]
    fn columns_that_nobody_reads_may_change_up_to_the_limit() {
        let before = facts(0, 10, 2000, &["P", "A", "X"]);
        let two = facts(0, 10, 2000, &["P", "A", "Y"]);
        let limit = |n| Limits { header_columns: n, ..Limits::default() };
        assert_eq!(kinds(&before, &two, &limit(1)), ["header_changed"]);
        assert_eq!(kinds(&before, &two, &limit(2)), Vec::<String>::new());
        // one that is read counts whatever the limit: it may have been renamed in another file of the edition
        assert_eq!(kinds(&before, &facts(0, 10, 2000, &["P", "X"]), &limit(9)), ["header_changed"]);
    }

    #[test]
    fn another_layout_and_unknown_columns_say_nothing_of_the_header() {
        let before = facts(0, 10, 2000, &["P", "A"]);
        let mut after = facts(0, 10, 2000, &["P", "B"]);
        after.layout_version = "another".to_owned();
        assert_eq!(kinds(&before, &after, &Limits::default()), Vec::<String>::new());
        let unknown = facts(0, 10, 2000, &[]);
        assert_eq!(kinds(&unknown, &facts(0, 10, 2000, &["Z"]), &Limits::default()), Vec::<String>::new());
    }

    #[test]
    fn a_roll_with_nothing_before_is_not_shrunk() {
        let empty = facts(0, 0, 2000, &["P", "A"]);
        assert_eq!(kinds(&empty, &empty, &Limits::default()), Vec::<String>::new());
    }

    #[test]
    fn the_median_is_the_lower_middle_and_large_areas_are_classed() {
        let median = |areas: &[i64]| {
            let mut tally = AreaTally::default();
            areas.iter().for_each(|sqft| tally.add(Area::from_whole_square_feet(*sqft).unwrap()));
            tally.median().map(|area| area.to_square_feet_f64())
        };
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[1500]), Some(1500.0));
        assert_eq!(median(&[3000, 1000, 2000, 1200]), Some(1200.0));
        assert_eq!(median(&[3000, 1000, 2000]), Some(2000.0));
        let large = median(&[1_000_001]).unwrap();
        assert!((1_000_001.0 - large) / 1_000_001.0 < 1.0 / 2048.0 && large <= 1_000_001.0, "{large}");
    }
}

//! How the areas of records changed against the edition before. Houses change one by one; where thousands of records
//! change alike at once, the publisher changed what it means by area, and that is one event, not thousands.

use std::collections::BTreeMap;

use crossfoot_audit::area::Area;
use crossfoot_audit::record::figure::{AreaUnit, FigureRule, parse_area};
use serde::{Deserialize, Serialize};

use super::classes;
use super::gates::Gate;
use super::remark::{grouped, percent};
use super::tally::whole;
use super::{RollCheck, SQUARE_FOOT};
use crate::entry::Entry;
use crate::layout::{KeepKind, Layout};

/// Changes of area among the records of an edition that were there before.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct ChangeCheck {
    /// Records with another area than before.
    pub all: Changes,
    /// The same by class of use; none where there are too many classes to be counted apart, as [`super::Classes`] has it.
    /// Where what the changes of each class have in common takes more than eight mebibytes, it is left out, and the
    /// records are counted by class all the same.
    pub classes: BTreeMap<String, Changes>,
    /// Records that had no area before and have one.
    pub appeared: i64,
    /// Records that had an area and have none.
    pub vanished: i64,
}

/// Changes of area, as far as they may be alike.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Changes {
    /// Records.
    pub changed: i64,
    /// Records with a larger area than before.
    pub larger: i64,
    /// Records by the area now over the area before, in bins of 0.002.
    pub ratios: BTreeMap<usize, i64>,
    /// Records by the area now less the area before, in whole square feet.
    pub differences: BTreeMap<i64, i64>,
    /// Records whose change is just the figure under another heading, by heading.
    pub headings: BTreeMap<String, i64>,
}

/// What makes changes an event of the publisher.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DefinitionLimits {
    /// Percent of the records that were there before, beyond which changes are many.
    pub percent: f64,
    /// Fewer records than this are never one.
    pub records: i64,
}

impl Default for DefinitionLimits {
    fn default() -> DefinitionLimits {
        DefinitionLimits { percent: 2.0, records: 200 }
    }
}

/// Bins of a ratio to one, and the largest ratio that is told apart.
const RATIO_BINS: f64 = 500.0;
const RATIO_MAX: f64 = 20.0;
/// Changes beyond this many square feet are counted together.
const DIFFERENCE_MAX: i64 = 20_000;
/// The share of the changes that must follow one pattern (common practice, no source): half of them by one factor, one
/// difference or one heading is no accident.
const ALIKE: f64 = 0.5;
/// The share that must have one direction: additions to houses make most changes upwards, and corrections the others.
const ONE_WAY: f64 = 0.95;
/// A class of which this share changed …
const CLASS_SHARE: f64 = 0.5;
/// … while the share among all others is at most so much of it, was defined anew.
const OTHERS_SHARE: f64 = 0.25;

/// Of each list so many of the commonest are kept with an edition.
const KEPT: usize = 50;

/// Bytes that what the changes of classes have in common may take: two hundred classes with a thousand sizes of change
/// each, some more with the few sizes that changes of one kind have.
const COMMON_BYTES_MAX: usize = 8 << 20;
/// Bytes of a class in it, and of each ratio, difference and heading: what a map takes for its first and for each further
/// entry.
const COMMON_BYTES_A_CLASS: usize = 512;
const COMMON_BYTES_AN_ENTRY: usize = 32;

impl ChangeCheck {
    /// The same with the commonest classes and differences only, to be kept.
    #[must_use]
    pub fn shortened(mut self) -> ChangeCheck {
        self.classes = commonest(self.classes, |changes| changes.changed);
        for changes in self.classes.values_mut().chain([&mut self.all]) {
            changes.differences = commonest(std::mem::take(&mut changes.differences), |n| *n);
        }
        self
    }
}

fn commonest<K: Ord, V>(all: BTreeMap<K, V>, count: impl Fn(&V) -> i64) -> BTreeMap<K, V> {
    let mut all: Vec<(K, V)> = all.into_iter().collect();
    all.sort_by_key(|(_, value)| std::cmp::Reverse(count(value)));
    all.truncate(KEPT);
    all.into_iter().collect()
}

impl Changes {
    fn count(&mut self, change: &Change<'_>) {
        self.changed += 1;
        self.larger += i64::from(change.now > change.before);
    }

    /// Counts what a change may have in common with others; gives the bytes that this took.
    fn count_common(&mut self, change: &Change<'_>) -> usize {
        let entries =
            |changes: &Changes| changes.ratios.len() + changes.differences.len() + changes.headings.len();
        let known = entries(self);
        if change.before > 0 {
            let ratio = (change.now as f64 / change.before as f64).min(RATIO_MAX);
            *self.ratios.entry((ratio * RATIO_BINS).round() as usize).or_default() += 1;
        }
        *self.differences.entry(whole_feet(change.now - change.before)).or_default() += 1;
        for heading in &change.headings {
            match self.headings.get_mut(*heading) {
                Some(n) => *n += 1,
                None => drop(self.headings.insert((*heading).to_owned(), 1)),
            }
        }
        (entries(self) - known) * COMMON_BYTES_AN_ENTRY
    }

    fn forget_common(&mut self) {
        (self.ratios, self.differences, self.headings) = Default::default();
    }

    /// Records with a smaller area than before.
    #[must_use]
    pub fn smaller(&self) -> i64 {
        self.changed - self.larger
    }

    /// The commonest ratio of now to before, with the records within 0.3 % of it.
    #[must_use]
    pub fn common_ratio(&self) -> Option<(f64, i64)> {
        let near = |bin: usize| {
            let from = bin.saturating_sub(1);
            self.ratios.range(from..=bin.saturating_add(1)).map(|(_, n)| *n).sum::<i64>()
        };
        // of bins with the same neighbours the fullest is the ratio
        let best = *self.ratios.iter().max_by_key(|(bin, n)| (near(**bin), **n))?.0;
        Some((best as f64 / RATIO_BINS, near(best)))
    }

    /// The commonest difference in whole square feet, with its records.
    #[must_use]
    pub fn common_difference(&self) -> Option<(i64, i64)> {
        self.differences.iter().max_by_key(|(_, n)| **n).map(|(difference, n)| (*difference, *n))
    }

    /// The heading whose figure is most often the change, with its records.
    #[must_use]
    pub fn common_heading(&self) -> Option<(&str, i64)> {
        self.headings.iter().max_by_key(|(_, n)| **n).map(|(heading, n)| (heading.as_str(), *n))
    }

    /// What the changes have in common, in words that follow "of them".
    fn alike(&self) -> Option<String> {
        let enough = |n: i64, share: f64| whole(n) >= share * whole(self.changed);
        if let Some((heading, n)) = self.common_heading().filter(|(_, n)| enough(*n, ALIKE)) {
            return Some(format!("{} of them by just the figure of {heading}", grouped(n)));
        }
        if let Some((feet, n)) = self.common_difference().filter(|(_, n)| enough(*n, ALIKE)) {
            return Some(format!("{} of them by {feet:+} sq ft", grouped(n)));
        }
        if let Some((ratio, n)) = self.common_ratio().filter(|(_, n)| enough(*n, ALIKE)) {
            return Some(format!("{} of them to {ratio:.3} times the area before", grouped(n)));
        }
        let (larger, smaller) = (self.larger, self.smaller());
        let (n, way) = if larger >= smaller { (larger, "larger") } else { (smaller, "smaller") };
        enough(n, ONE_WAY).then(|| format!("{} of them became {way}", grouped(n)))
    }
}

fn whole_feet(um2: i64) -> i64 {
    let half = if um2 < 0 { -SQUARE_FOOT / 2 } else { SQUARE_FOOT / 2 };
    ((um2 + half) / SQUARE_FOOT).clamp(-DIFFERENCE_MAX, DIFFERENCE_MAX)
}

/// One record's change of area.
struct Change<'a> {
    /// Square micrometres.
    before: i64,
    now: i64,
    /// The headings of which the figure is just the difference.
    headings: Vec<&'a str>,
}

/// A kept column that holds areas, or whole numbers that may be ones.
#[derive(Debug, Clone)]
struct Heading {
    place: usize,
    name: String,
    unit: AreaUnit,
    rule: FigureRule,
}

/// Counts changes of area by a layout.
#[derive(Debug, Clone)]
pub struct ChangeChecker {
    check: ChangeCheck,
    headings: Vec<Heading>,
    /// Bytes that the names of the classes take. Beyond the bound they are not counted any more, and never again.
    class_bytes: usize,
    /// Bytes that what the changes of each class have in common takes; the same.
    common_bytes: usize,
}

impl ChangeChecker {
    /// Begins with nothing.
    #[must_use]
    pub fn new(layout: &Layout) -> ChangeChecker {
        let unit = layout.area.as_ref().map_or(AreaUnit::SquareFeet, |area| area.unit);
        let headings = layout.keep.iter().enumerate().filter_map(|(place, keep)| {
            let unit = match keep.kind {
                KeepKind::Area => keep.unit,
                KeepKind::Whole => unit,
                KeepKind::Text | KeepKind::Money | KeepKind::Decimal => return None,
            };
            Some(Heading { place, name: keep.shown_name().to_owned(), unit, rule: keep.figure_rule() })
        });
        let (check, headings) = (ChangeCheck::default(), headings.collect());
        ChangeChecker { check, headings, class_bytes: 0, common_bytes: 0 }
    }

    /// Counts a record that was there before with this area, where the area is another now.
    pub fn note(&mut self, before: Option<Area>, entry: &Entry) {
        let (before, now) = match (before, entry.area) {
            (Some(before), Some(now)) if before != now => (before, now),
            (None, Some(_)) => {
                self.check.appeared += 1;
                return;
            }
            (Some(_), None) => {
                self.check.vanished += 1;
                return;
            }
            (Some(_), Some(_)) | (None, None) => return,
        };
        let (before, now) = (before.square_micrometres(), now.square_micrometres());
        let difference = whole_feet(now - before).abs();
        let values: Vec<String> = serde_json::from_str(&entry.rest).unwrap_or_default();
        let headings = self
            .headings
            .iter()
            .filter(|heading| {
                let value = values.get(heading.place).map(String::as_str).unwrap_or_default();
                let figure = parse_area(value, heading.unit, &heading.rule).ok().flatten();
                difference > 0
                    && figure.is_some_and(|figure| whole_feet(figure.square_micrometres()) == difference)
            })
            .map(|heading| heading.name.as_str())
            .collect();
        let change = Change { before, now, headings };
        self.check.all.count(&change);
        self.check.all.count_common(&change);
        let room = ClassRoom { names: &mut self.class_bytes, common: &mut self.common_bytes };
        room.count(&mut self.check.classes, &entry.class, &change);
    }

    /// The changes so far.
    #[must_use]
    pub fn finish(self) -> ChangeCheck {
        self.check
    }
}

/// Bytes that changes by class take so far. They only grow, by sums over records, so whether they are beyond a bound in
/// the end does not depend on the order.
struct ClassRoom<'a> {
    names: &'a mut usize,
    common: &'a mut usize,
}

impl ClassRoom<'_> {
    fn count(self, all: &mut BTreeMap<String, Changes>, class: &str, change: &Change<'_>) {
        // the rows of so many classes are not counted apart either, so a share of one is not known
        if *self.names > classes::BYTES_MAX {
            return;
        }
        let mut bytes = 0;
        if !all.contains_key(class) {
            *self.names += classes::bytes_of(class);
            if *self.names > classes::BYTES_MAX {
                all.clear();
                return;
            }
            all.insert(class.to_owned(), Changes::default());
            bytes = COMMON_BYTES_A_CLASS;
        }
        let Some(changes) = all.get_mut(class) else { return };
        changes.count(change);
        if *self.common > COMMON_BYTES_MAX {
            return;
        }
        *self.common += bytes + changes.count_common(change);
        if *self.common > COMMON_BYTES_MAX {
            all.values_mut().for_each(Changes::forget_common);
        }
    }
}

/// Whether the changes of an edition are an event of the publisher: many at once, in all records or in a class, and
/// alike. `compared` are the records that were there before and are there now, `check` what the edition says about
/// itself.
#[must_use]
pub fn definition_change(
    check: &RollCheck,
    changes: &ChangeCheck,
    compared: i64,
    limits: DefinitionLimits,
) -> Option<Gate> {
    let all = &changes.all;
    let of_all = format!("the areas of {} of {} records", grouped(all.changed), grouped(compared));
    let many = all.changed >= limits.records && whole(all.changed) * 100.0 > limits.percent * whole(compared);
    if many && let Some(alike) = all.alike() {
        let share = percent(whole(all.changed) / whole(compared));
        return Some(event(all, compared, &format!("{of_all} ({share}) changed at once, {alike}")));
    }
    let (class, of_class, rows) = changes
        .classes
        .iter()
        .filter(|(_, of_class)| of_class.changed >= limits.records)
        .filter_map(|(class, of_class)| {
            // none where classes are too many to be counted apart: a share of them is not known
            let rows = check.classes.get(class)?.with_area;
            let share = whole(of_class.changed) / whole(rows.max(of_class.changed));
            let others = whole(all.changed - of_class.changed) / whole((compared - rows).max(1));
            (share >= CLASS_SHARE && others <= OTHERS_SHARE * share).then_some((class, of_class, rows))
        })
        .max_by_key(|(_, of_class, _)| of_class.changed)?;
    let alike = of_class.alike().map(|alike| format!(", {alike}")).unwrap_or_default();
    let sentence = format!(
        "the areas of {} of {} records of class {class:?} ({}) changed at once{alike}, and of {} of all others",
        grouped(of_class.changed),
        grouped(rows),
        percent(whole(of_class.changed) / whole(rows.max(1))),
        grouped(all.changed - of_class.changed)
    );
    Some(event(of_class, rows, &sentence))
}

fn event(changes: &Changes, compared: i64, what: &str) -> Gate {
    let figures = [
        ("changed", whole(changes.changed)),
        ("compared", whole(compared)),
        ("larger", whole(changes.larger)),
        ("smaller", whole(changes.smaller())),
        ("common_ratio", changes.common_ratio().map_or(1.0, |(ratio, _)| ratio)),
    ];
    Gate {
        kind: "definition_changed".to_owned(),
        figures: figures.into_iter().map(|(name, figure)| (name.to_owned(), figure)).collect(),
        sentence: format!(
            "{what}: the publisher may have changed what it counts as area, rather than houses; ask it, set the basis of \
             the layout to what is counted now, and hand the file in under that layout"
        ),
        refuse: false,
    }
}

//! How the areas of records changed against the edition before. Houses change one by one; where thousands of records
//! change alike at once, the publisher changed what it means by area, and that is one event, not thousands.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::classes;
use super::gates::Gate;
use super::headings::Headings;
use super::remark::{grouped, percent};
use super::tally::whole;
use super::{RollCheck, SQUARE_FOOT};
use crate::entry::Entry;
use crate::layout::Layout;
use crate::record_view::StoredRecord;

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
    /// Records with another area under a heading than before, by heading. What the changes have in common is left out
    /// beyond eight mebibytes, as with classes.
    pub headings: BTreeMap<String, Changes>,
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
    /// Records whose change is just the figure under another heading, by heading; not counted of changes under a heading.
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

/// Headings that are named beside the one of an event.
const OTHERS_TOLD: usize = 4;

/// Of each list so many of the commonest are kept with an edition.
const KEPT: usize = 50;

/// Bytes that what the changes of classes have in common may take, and that of headings: two hundred classes with a
/// thousand sizes of change each, some more with the few sizes that changes of one kind have.
const COMMON_BYTES_MAX: usize = 8 << 20;
/// Bytes of a class or heading in it, and of each ratio, difference and heading: what a map takes for its first and for
/// each further entry.
const COMMON_BYTES_A_NAME: usize = 512;
const COMMON_BYTES_AN_ENTRY: usize = 32;

impl ChangeCheck {
    /// The same with the commonest classes, headings and differences only, to be kept.
    #[must_use]
    pub fn shortened(mut self) -> ChangeCheck {
        self.classes = commonest(self.classes, |changes| changes.changed);
        self.headings = commonest(self.headings, |changes| changes.changed);
        for changes in self.classes.values_mut().chain(self.headings.values_mut()).chain([&mut self.all]) {
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

/// Counts changes of area by a layout.
#[derive(Debug, Clone)]
pub struct ChangeChecker {
    check: ChangeCheck,
    headings: Headings,
    /// Bytes that the names of the classes take. Beyond the bound they are not counted any more, and never again.
    class_names: usize,
    of_classes: Common,
    of_headings: Common,
}

impl ChangeChecker {
    /// Begins with nothing.
    #[must_use]
    pub fn new(layout: &Layout) -> ChangeChecker {
        let (check, headings) = (ChangeCheck::default(), Headings::of(layout));
        let (of_classes, of_headings) = (Common::default(), Common::default());
        ChangeChecker { check, headings, class_names: 0, of_classes, of_headings }
    }

    /// Counts a record that was there before, as it stood, where its area or one under a heading is another now. Both are
    /// read by the layout of the edition that is counted.
    pub fn note(&mut self, before: &StoredRecord<'_>, entry: &Entry) {
        let areas = before.area.zip(entry.area).filter(|(before, now)| before != now);
        self.check.appeared += i64::from(before.area.is_none() && entry.area.is_some());
        self.check.vanished += i64::from(before.area.is_some() && entry.area.is_none());
        let under_headings = self.headings.state_areas() && before.rest != entry.rest;
        if areas.is_none() && !under_headings {
            return;
        }
        let figures = self.headings.figures(&entry.rest);
        if under_headings {
            let figures_before = self.headings.figures(before.rest);
            for (heading, before, now) in self.headings.changed(&figures_before, &figures) {
                let change = Change { before, now, headings: Vec::new() };
                self.of_headings.count(&mut self.check.headings, heading, &change);
            }
        }
        let Some((before, now)) = areas else { return };
        let (before, now) = (before.square_micrometres(), now.square_micrometres());
        let difference = whole_feet(now - before).abs();
        let just = |figure| difference > 0 && whole_feet(figure) == difference;
        let change = Change { before, now, headings: self.headings.with(&figures, just) };
        self.check.all.count(&change);
        self.check.all.count_common(&change);
        // the rows of so many classes are not counted apart either, so a share of one is not known
        if self.class_names <= classes::BYTES_MAX && !self.check.classes.contains_key(&entry.class) {
            self.class_names += classes::bytes_of(&entry.class);
        }
        if self.class_names <= classes::BYTES_MAX {
            self.of_classes.count(&mut self.check.classes, &entry.class, &change);
        } else {
            self.check.classes.clear();
        }
    }

    /// The changes so far.
    #[must_use]
    pub fn finish(self) -> ChangeCheck {
        self.check
    }
}

/// What the changes of each class, or under each heading, have in common, by the bytes that it takes. They only grow, by
/// sums over records, so whether they are beyond the bound in the end does not depend on the order.
#[derive(Debug, Clone, Copy, Default)]
struct Common {
    bytes: usize,
}

impl Common {
    fn count(&mut self, all: &mut BTreeMap<String, Changes>, name: &str, change: &Change<'_>) {
        let mut bytes = 0;
        if !all.contains_key(name) {
            all.insert(name.to_owned(), Changes::default());
            bytes = COMMON_BYTES_A_NAME;
        }
        let Some(changes) = all.get_mut(name) else { return };
        changes.count(change);
        if self.bytes > COMMON_BYTES_MAX {
            return;
        }
        self.bytes += bytes + changes.count_common(change);
        if self.bytes > COMMON_BYTES_MAX {
            all.values_mut().for_each(Changes::forget_common);
        }
    }
}

/// Whether the changes of an edition are an event of the publisher: many at once, in all records, in a class or under a
/// heading, and alike. `compared` are the records that were there before and are there now, `check` what the edition says
/// about itself.
#[must_use]
pub fn definition_change(
    check: &RollCheck,
    changes: &ChangeCheck,
    compared: i64,
    limits: DefinitionLimits,
) -> Option<Gate> {
    const MEND: &str =
        "set the basis of the layout to what is counted now, and hand the file in under that layout";
    let all = &changes.all;
    if let Some((words, alike)) = many_alike(all, compared, limits) {
        let sentence = format!("the areas of {words} changed at once, {alike}");
        return Some(event(all, compared, &sentence, MEND));
    }
    if let Some((of_class, rows, sentence)) = class_changed(check, changes, compared, limits) {
        return Some(event(of_class, rows, &sentence, MEND));
    }
    let (of_heading, sentence) = heading_changed(changes, compared, limits)?;
    let mend = "and accept this edition where that is no part of the area that is compared, else set the basis of the layout \
                to what is counted now";
    Some(event(of_heading, compared, &sentence, mend))
}

/// The heading under which most records changed, where they are many and alike: its changes, and a sentence that names
/// the others with it.
fn heading_changed(
    changes: &ChangeCheck,
    compared: i64,
    limits: DefinitionLimits,
) -> Option<(&Changes, String)> {
    let alike = |(heading, of): (_, _)| Some((heading, of, many_alike(of, compared, limits)?));
    let mut alike: Vec<(&String, &Changes, (String, String))> =
        changes.headings.iter().filter_map(alike).collect();
    alike.sort_by_key(|(_, of, _)| std::cmp::Reverse(of.changed));
    let ((heading, of, (records, common)), others) = alike.split_first()?;
    let others = others.iter().take(OTHERS_TOLD).fold(String::new(), |told, (heading, ..)| {
        if told.is_empty() { format!(", with those under {heading}") } else { format!("{told}, {heading}") }
    });
    Some((of, format!("the areas under {heading} of {records} changed at once{others}, {common}")))
}

/// How many records changed and what they have in common, in words, where they are many and alike.
fn many_alike(changes: &Changes, compared: i64, limits: DefinitionLimits) -> Option<(String, String)> {
    let n = changes.changed;
    if n < limits.records || whole(n) * 100.0 <= limits.percent * whole(compared) {
        return None;
    }
    let share = percent(whole(n) / whole(compared));
    Some((format!("{} of {} records ({share})", grouped(n), grouped(compared)), changes.alike()?))
}

/// A class of which half changed while the others stay: its changes, its rows, and a sentence.
fn class_changed<'c>(
    check: &RollCheck,
    changes: &'c ChangeCheck,
    compared: i64,
    limits: DefinitionLimits,
) -> Option<(&'c Changes, i64, String)> {
    let all = &changes.all;
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
    Some((of_class, rows, sentence))
}

fn event(changes: &Changes, compared: i64, what: &str, mend: &str) -> Gate {
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
            "{what}: the publisher may have changed what it counts as area, rather than houses; ask it, {mend}"
        ),
        refuse: false,
    }
}

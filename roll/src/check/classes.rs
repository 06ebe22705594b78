//! Rows by class of use. What is counted depends on the rows alone, never on their order: all classes by name or, where
//! they are no classes of use but as many as rows, all of them together.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// The name under which rows are counted together where there are too many classes.
pub const CLASSES_BEYOND: &str = "…";
/// A class that is published under that name.
const PUBLISHED_SO: &str = "(…)";
/// Bytes that the counts of an edition may take: some ten thousand classes with short names.
pub(super) const BYTES_MAX: usize = 1 << 20;
/// Bytes beside the name of a class.
const BYTES_BESIDE: usize = 64;

/// Rows of a class of use.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClassCount {
    /// Rows.
    pub rows: i64,
    /// Rows with an area.
    pub with_area: i64,
}

impl ClassCount {
    pub(super) fn add(&mut self, count: ClassCount) {
        self.rows += count.rows;
        self.with_area += count.with_area;
    }
}

/// Rows by class of use. Once together, rows stay together until a file is counted from its beginning.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "BTreeMap<String, ClassCount>", into = "BTreeMap<String, ClassCount>")]
pub struct Classes {
    counts: BTreeMap<String, ClassCount>,
    /// Bytes that the counts take; nothing once rows are counted together.
    bytes: usize,
}

impl Classes {
    /// The rows of a class.
    #[must_use]
    pub fn get(&self, class: &str) -> Option<&ClassCount> {
        self.counts.get(name_of(class))
    }

    /// The classes with their rows, by name; only [`CLASSES_BEYOND`] where there are too many.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &ClassCount)> {
        self.counts.iter().map(|(class, count)| (class.as_str(), count))
    }

    /// Counts rows of a class, or takes them off.
    pub(super) fn count(&mut self, class: &str, count: ClassCount) {
        let class = if self.together() { CLASSES_BEYOND } else { name_of(class) };
        if let Some(known) = self.counts.get_mut(class) {
            known.add(count);
            if *known == ClassCount::default() && class != CLASSES_BEYOND {
                self.counts.remove(class);
                self.bytes = self.bytes.saturating_sub(bytes_of(class));
            }
            return;
        }
        self.counts.insert(class.to_owned(), count);
        self.bytes = self.bytes.saturating_add(bytes_of(class));
        // where classes come before others go, both are here at once: an edition within the bound, moved to another one
        // within it, passes through twice the bound at the most
        if self.bytes > 2 * BYTES_MAX {
            self.put_together();
        }
    }

    /// Adds the counts of others, each `by` times: 1, or -1 to take them off.
    pub(super) fn merge(&mut self, other: &Classes, by: i64) {
        if other.together() {
            self.put_together();
        }
        for (class, count) in other.iter() {
            self.count(class, ClassCount { rows: by * count.rows, with_area: by * count.with_area });
        }
    }

    /// Counts rows together where the classes take more than the bound. To be asked when all rows are counted.
    pub(super) fn settle(&mut self) {
        if self.bytes > BYTES_MAX {
            self.put_together();
        }
    }

    fn together(&self) -> bool {
        self.counts.contains_key(CLASSES_BEYOND)
    }

    fn put_together(&mut self) {
        let mut all = ClassCount::default();
        self.counts.values().for_each(|count| all.add(*count));
        self.counts = BTreeMap::from([(CLASSES_BEYOND.to_owned(), all)]);
        self.bytes = 0;
    }
}

impl From<BTreeMap<String, ClassCount>> for Classes {
    fn from(counts: BTreeMap<String, ClassCount>) -> Classes {
        let bytes = counts.keys().map(|class| bytes_of(class)).sum();
        let mut classes = Classes { counts, bytes };
        // also what was kept when the first two thousand classes were counted beside the others
        if classes.together() {
            classes.put_together();
        }
        classes
    }
}

impl From<Classes> for BTreeMap<String, ClassCount> {
    fn from(classes: Classes) -> BTreeMap<String, ClassCount> {
        classes.counts
    }
}

fn name_of(class: &str) -> &str {
    if class == CLASSES_BEYOND { PUBLISHED_SO } else { class }
}

pub(super) fn bytes_of(class: &str) -> usize {
    class.len().saturating_add(BYTES_BESIDE)
}

//! Rows of one edition with the same parcel number.
//!
//! Identical rows count once and are told. Of rows that differ the first stays and the others are quarantined, naming
//! both lines; where they differ in the area, the record is marked and not judged. What they are among the counts of the
//! edition is told apart: no record keeps them, and they are read again every time.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::check::{Doubles, DoublesSeen, RollCheck, RollChecker, RowPlace};
use crossfoot_roll::entry::{Reason, Reject};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::record_view::{self, StoredRecord};

/// Keys of rows that do not stand in ascending order, at most so many: only among them a key can occur again.
const SUSPECTS_MAX: usize = 100_000;

/// Keys that may stand on several rows of a first edition. Most files are sorted by parcel, and then they are few; of
/// others all keys are looked through.
#[derive(Default)]
pub(super) struct Suspects {
    highest: String,
    keys: Vec<String>,
    too_many: bool,
}

impl Suspects {
    pub(super) fn see(&mut self, key: &str) {
        if key > self.highest.as_str() {
            self.highest.clear();
            self.highest.push_str(key);
        } else if self.keys.len() < SUSPECTS_MAX {
            self.keys.push(key.to_owned());
        } else {
            self.too_many = true;
        }
    }

    /// The keys that may occur more than once, each once and in order; none where there are too many to tell.
    pub(super) fn keys(mut self) -> Option<Vec<String>> {
        self.keys.sort_unstable();
        self.keys.dedup();
        (!self.too_many).then_some(self.keys)
    }
}

/// A row as far as the comparison needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Version {
    pub(super) number: i64,
    pub(super) content_hash: i64,
    pub(super) area_um2: Option<i64>,
    pub(super) parcel_raw: String,
    pub(super) file: i64,
    pub(super) line: i64,
    pub(super) byte_start: i64,
    pub(super) byte_length: i64,
}

impl Version {
    /// Where the row stands.
    pub(super) fn place(&self) -> RowPlace {
        RowPlace {
            file: self.file,
            line: self.line,
            byte_start: self.byte_start,
            byte_length: self.byte_length,
            parcel_raw: self.parcel_raw.clone(),
        }
    }

    /// As it is counted.
    pub(super) fn stored<'a>(&'a self, figures: &'a Figures) -> StoredRecord<'a> {
        StoredRecord {
            parcel_raw: &self.parcel_raw,
            situs: "",
            area: self.area_um2.map(Area::from_square_micrometres),
            value: figures.value,
            year_built: figures.year_built,
            class: &figures.class,
            rest: &figures.rest,
            row: record_view::RowPlace {
                file: u16::try_from(self.file).unwrap_or_default(),
                line: self.line.unsigned_abs(),
                byte_start: self.byte_start.unsigned_abs(),
                byte_length: u32::try_from(self.byte_length).unwrap_or_default(),
            },
        }
    }
}

/// What is counted of a version besides its area and parcel number.
#[derive(Default)]
pub(super) struct Figures {
    pub(super) value: Option<Money>,
    pub(super) year_built: Option<i64>,
    pub(super) class: String,
    pub(super) rest: String,
}

/// What is seen of later rows of parcels while an edition is loaded.
pub(super) struct LaterRows {
    layout: Layout,
    doubles: Doubles,
    counts: RollChecker,
}

impl LaterRows {
    pub(super) fn of(layout: &Layout) -> LaterRows {
        let (doubles, counts) = (Doubles::new(layout), RollChecker::new(layout));
        LaterRows { layout: layout.clone(), doubles, counts }
    }

    /// Takes note of the first row of a parcel and a later one, which is also given as it is counted.
    pub(super) fn note(&mut self, key: &str, [first, later]: [&Version; 2], counted: &StoredRecord<'_>) {
        self.doubles.note(key, first.place(), later.place());
        self.counts.record(&self.layout, counted, 1);
    }

    pub(super) fn finish(self) -> (DoublesSeen, RollCheck) {
        (self.doubles.finish(), self.counts.finish())
    }
}

/// What a later row with a known parcel number is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Repeat {
    /// The same content.
    Same,
    /// Other content; `area` says whether the area differs.
    Other { area: bool },
}

/// Compares a later row with the first.
pub(super) fn repeat(first: &Version, later: &Version) -> Repeat {
    if first.content_hash == later.content_hash && first.area_um2 == later.area_um2 {
        Repeat::Same
    } else {
        Repeat::Other { area: first.area_um2 != later.area_um2 }
    }
}

/// The later row as it is quarantined.
pub(super) fn reject(first: &Version, later: &Version) -> Reject {
    Reject {
        line: later.line.unsigned_abs(),
        byte_start: later.byte_start.unsigned_abs(),
        byte_length: later.byte_length.unsigned_abs(),
        column: None,
        reason: REASON,
        detail: detail(first, later),
        raw: Vec::new(),
    }
}

/// The sentence for a quarantined later row.
pub(super) fn detail(first: &Version, later: &Version) -> String {
    let place = if first.file == later.file {
        format!("line {}", first.line)
    } else {
        format!("line {} of file {}", first.line, first.file + 1)
    };
    format!(
        "parcel {} stands on {place} already, with other figures: this row on line {} is set aside; ask the publisher \
         which is right, or map the column that tells the rows apart",
        later.parcel_raw, later.line
    )
}

/// The kind of the reject.
pub(super) const REASON: Reason = Reason::DuplicateParcel;

#[cfg(test)]
mod tests {
    use super::*;

    fn version(hash: i64, area: Option<i64>) -> Version {
        Version {
            number: 1,
            content_hash: hash,
            area_um2: area,
            parcel_raw: "07-0412-003".to_owned(),
            file: 0,
            line: 7,
            byte_start: 0,
            byte_length: 0,
        }
    }

    #[test]
    fn identical_rows_count_once_and_others_say_whether_the_area_differs() {
        assert_eq!(repeat(&version(1, Some(5)), &version(1, Some(5))), Repeat::Same);
        assert_eq!(repeat(&version(1, Some(5)), &version(2, Some(5))), Repeat::Other { area: false });
        assert_eq!(repeat(&version(1, Some(5)), &version(2, None)), Repeat::Other { area: true });
    }

    #[test]
    fn the_sentence_names_both_lines() {
        let later = Version { line: 9, ..version(2, None) };
        let text = detail(&version(1, None), &later);
        assert!(text.contains("line 7") && text.contains("line 9"), "{text}");
    }
}

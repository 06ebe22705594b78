//! What a file says about itself: counts over its rows from which heaping, spread, damaged numbers and failing sums are
//! read, before anything is judged by it.
//!
//! A [`RollCheck`] is a sum over rows: rows can be added, taken off and two checks put together, in any order. The check
//! of an edition is therefore the check of the one before, less the rows that are gone, plus those that came.

mod change;
mod classes;
mod doubles;
mod gates;
mod headings;
mod heaping;
mod identifier;
mod identity;
mod remark;
mod summary;
mod tally;

use std::collections::BTreeMap;

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_audit::record::figure::AreaUnit;
use serde::{Deserialize, Serialize};

pub use change::{ChangeCheck, ChangeChecker, Changes, DefinitionLimits, definition_change};
pub use classes::{CLASSES_BEYOND, ClassCount, Classes};
pub use doubles::{
    Collision, DoublePair, Doubles, DoublesCheck, DoublesSeen, RowKind, RowPlace, kind_of_rows,
};
pub use gates::Gate;
pub use heaping::Heaping;
pub use identifier::{IdPart, LostZeros};
pub use identity::{IdentityCheck, IdentityFailure, digit_off};
pub use remark::{Remark, doubles_told, grouped, passed_over, percent, remarks};
pub use summary::{AreaSummary, CheckSummary, Quartiles, YearSummary};
pub use tally::{Figures, Tally};

use crate::entry::{Entry, Reason};
use crate::identity::identity_failures;
use crate::layout::Layout;
use crate::record_view::{StoredRecord, record_view};

/// A row as far as it is counted: of a file, or of a record that was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowFacts<'a> {
    /// The parcel number as published, its columns joined by a single space.
    pub parcel_raw: &'a str,
    /// The recorded area.
    pub area: Option<Area>,
    /// The recorded value.
    pub value: Option<Money>,
    /// The year built.
    pub year_built: Option<i32>,
    /// The class of use.
    pub class: &'a str,
}

impl<'a> From<&'a Entry> for RowFacts<'a> {
    fn from(entry: &'a Entry) -> RowFacts<'a> {
        RowFacts {
            parcel_raw: &entry.parcel_raw,
            area: entry.area,
            value: entry.value,
            year_built: entry.year_built,
            class: &entry.class,
        }
    }
}

impl<'a> From<&StoredRecord<'a>> for RowFacts<'a> {
    fn from(record: &StoredRecord<'a>) -> RowFacts<'a> {
        RowFacts {
            parcel_raw: record.parcel_raw,
            area: record.area,
            value: record.value,
            year_built: record.year_built.and_then(|year| i32::try_from(year).ok()),
            class: record.class,
        }
    }
}

/// Counts over the rows of an edition.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct RollCheck {
    /// Rows that could be read.
    pub rows: i64,
    /// Rows that could not, by the name of the reason.
    pub rejects: BTreeMap<String, i64>,
    /// Areas, in tenths of the unit of the file.
    pub areas: Figures,
    /// Areas that are whole numbers of the unit, by their last two digits.
    pub last_digits: Tally,
    /// Areas that are no whole number of the unit.
    pub areas_in_parts: i64,
    /// Values, in whole units of money.
    pub values: Figures,
    /// Years built.
    pub years: Tally,
    /// The parts of the parcel number.
    pub ids: Vec<IdPart>,
    /// Rows by class of use.
    pub classes: Classes,
    /// Sums that must hold.
    pub identities: BTreeMap<String, IdentityCheck>,
}

impl RollCheck {
    /// Puts the counts of another check, or of a difference, to these.
    pub fn merge(&mut self, other: &RollCheck) {
        self.put(other, 1);
    }

    /// Takes the counts of rows off that are among these.
    pub fn take_off(&mut self, other: &RollCheck) {
        self.put(other, -1);
    }

    fn put(&mut self, other: &RollCheck, by: i64) {
        self.rows += by * other.rows;
        for (reason, n) in &other.rejects {
            add_to(&mut self.rejects, reason, by * n);
        }
        self.areas.merge(&other.areas, by);
        self.last_digits.merge(&other.last_digits, by);
        self.areas_in_parts += by * other.areas_in_parts;
        self.values.merge(&other.values, by);
        self.years.merge(&other.years, by);
        identifier::merge(&mut self.ids, &other.ids, by);
        self.classes.merge(&other.classes, by);
        self.classes.settle();
        for (name, identity) in &other.identities {
            self.identities.entry(name.clone()).or_default().merge(identity, by);
        }
        self.identities.retain(|_, identity| identity.checked != 0);
    }
}

fn add_to(counts: &mut BTreeMap<String, i64>, name: &str, by: i64) {
    match counts.get_mut(name) {
        Some(count) => {
            *count += by;
            if *count == 0 {
                counts.remove(name);
            }
        }
        None if by != 0 => {
            counts.insert(name.to_owned(), by);
        }
        None => {}
    }
}

/// Counts the rows of one edition by its layout.
#[derive(Debug, Clone)]
pub struct RollChecker {
    check: RollCheck,
    unit: AreaUnit,
    reading: identifier::IdReading,
    /// The class of the rows before, not counted yet: neighbours in a roll are mostly of one class.
    run: (String, ClassCount),
}

/// Micrometres squared of a square foot and of a square metre.
const SQUARE_FOOT: i64 = 92_903_040_000;
const SQUARE_METRE: i64 = 1_000_000_000_000;

impl RollChecker {
    /// Begins with nothing.
    #[must_use]
    pub fn new(layout: &Layout) -> RollChecker {
        RollChecker::resume(layout, RollCheck::default())
    }

    /// Goes on from the check of an edition under the same layout.
    #[must_use]
    pub fn resume(layout: &Layout, check: RollCheck) -> RollChecker {
        let unit = layout.area.as_ref().map_or(AreaUnit::SquareFeet, |area| area.unit);
        let reading = identifier::IdReading::new(&layout.parcel);
        RollChecker { check, unit, reading, run: (String::new(), ClassCount::default()) }
    }

    /// Counts a row.
    pub fn add<'a>(&mut self, row: impl Into<RowFacts<'a>>) {
        self.count(row.into(), 1);
    }

    /// Takes a row off that was counted in the check that this one goes on from.
    pub fn remove<'a>(&mut self, row: impl Into<RowFacts<'a>>) {
        self.count(row.into(), -1);
    }

    /// Counts a row with the sums of the layout that its record must keep, or with `by` = -1 takes it off.
    pub fn record(&mut self, layout: &Layout, record: &StoredRecord<'_>, by: i64) {
        self.count(RowFacts::from(record), by);
        if layout.identity.is_empty() {
            return;
        }
        let (checked, failures) = identity_failures(layout, &record_view(layout, record));
        for (number, identity) in layout.identity.iter().enumerate() {
            let name = identity.to_string();
            let checked = checked.iter().filter(|one| **one == number).count();
            let failed: Vec<_> = failures.iter().filter(|failure| failure.identity == number).collect();
            for failure in &failed {
                let row = IdentityFailure {
                    file: i64::from(record.row.file),
                    line: record.row.line,
                    parcel: record.parcel_raw.to_owned(),
                    total: failure.left.normalize().to_string(),
                    sum: failure.right.normalize().to_string(),
                };
                self.identity(&name, Some(&row), by);
            }
            (failed.len()..checked).for_each(|_| self.identity(&name, None, by));
        }
    }

    /// Counts rows that could not be read; a negative number takes them off.
    pub fn reject(&mut self, reason: Reason, by: i64) {
        add_to(&mut self.check.rejects, reason.name(), by);
    }

    /// Counts a sum that must hold, where it could be looked at: with the figures of a row in which it does not. `by` is
    /// 1, or -1 for a row that is taken off.
    pub fn identity(&mut self, name: &str, failure: Option<&IdentityFailure>, by: i64) {
        let identities = &mut self.check.identities;
        match identities.get_mut(name) {
            Some(identity) => {
                identity.count(failure, by);
                if identity.checked == 0 {
                    identities.remove(name);
                }
            }
            None => {
                let mut identity = IdentityCheck::default();
                identity.count(failure, by);
                identities.insert(name.to_owned(), identity);
            }
        }
    }

    fn count(&mut self, row: RowFacts<'_>, by: i64) {
        let check = &mut self.check;
        check.rows += by;
        if let Some(area) = row.area {
            let um2 = area.square_micrometres();
            // divisions by a constant each, which is a multiplication
            let (whole, rest, tenths) = match self.unit {
                AreaUnit::SquareFeet => (um2 / SQUARE_FOOT, um2 % SQUARE_FOOT, um2 / (SQUARE_FOOT / 10)),
                AreaUnit::SquareMetres => (um2 / SQUARE_METRE, um2 % SQUARE_METRE, um2 / (SQUARE_METRE / 10)),
            };
            check.areas.count(tenths.unsigned_abs(), by);
            if rest == 0 {
                check.last_digits.count(usize::try_from(whole % 100).unwrap_or_default(), by);
            } else {
                check.areas_in_parts += by;
            }
        }
        if let Some(value) = row.value {
            check.values.count(value.cents().unsigned_abs() / 100, by);
        }
        if let Some(year) = row.year_built {
            check.years.count(usize::try_from(year).unwrap_or_default().min(9_999), by);
        }
        self.reading.count(&mut check.ids, row.parcel_raw, by);
        let here = ClassCount { rows: by, with_area: if row.area.is_some() { by } else { 0 } };
        if self.run.0 == row.class {
            self.run.1.add(here);
        } else {
            self.end_run();
            self.run.0.clear();
            self.run.0.push_str(row.class);
            self.run.1 = here;
        }
    }

    fn end_run(&mut self) {
        let count = std::mem::take(&mut self.run.1);
        if count != ClassCount::default() {
            self.check.classes.count(&self.run.0, count);
        }
    }

    /// The counts so far.
    #[must_use]
    pub fn finish(mut self) -> RollCheck {
        self.end_run();
        self.check.classes.settle();
        self.check
    }
}

//! The figures that every contestant has to print, worked out while the files are written.

use serde_json::{Value, json};

use crate::record::{Fault, Record};

/// A measured house: areas in tenths of a square foot.
#[derive(Debug, Clone)]
pub(crate) struct Measured {
    pub(crate) area_tenths: i64,
    pub(crate) sigma_tenths: i64,
}

/// What becomes of a house under the policy of the benchmark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    Queued,
    WithinNoise,
    NotMaterial,
}

/// Counts and sums over one edition of the roll and the houses judged by it.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) rows_total: u64,
    rows_ok: u64,
    wrong_column_count: u64,
    blank_area: u64,
    text_in_number: u64,
    zero_area: u64,
    duplicate_parcel: u64,
    sum_living_area: u64,
    sum_total_value: u64,
    houses: u64,
    matched: u64,
    queued: u64,
    within_noise: u64,
    not_material: u64,
    diff_tenths: i64,
    value_effect: i64,
    value_effect_cents: i64,
}

/// What happened between two editions, counted in stored records.
#[derive(Debug, Default)]
pub(crate) struct Changes {
    pub(crate) unchanged: u64,
    pub(crate) changed_mapped: u64,
    pub(crate) changed_unmapped_only: u64,
    pub(crate) new: u64,
    pub(crate) gone: u64,
    pub(crate) mended: u64,
}

impl Tally {
    /// Counts a row; a sound one is stored.
    pub(crate) fn row(&mut self, record: &Record, fault: Fault) {
        self.rows_total += 1;
        match fault {
            Fault::None => {
                self.rows_ok += 1;
                self.sum_living_area += record.living;
                self.sum_total_value += record.total();
            }
            Fault::TooFewColumns | Fault::TooManyColumns => self.wrong_column_count += 1,
            Fault::BlankArea | Fault::SpacesForArea => self.blank_area += 1,
            Fault::ZeroArea => self.zero_area += 1,
            Fault::Text(_) => self.text_in_number += 1,
        }
    }

    /// Counts a sound row of a parcel that is stored already.
    pub(crate) fn duplicate(&mut self) {
        self.rows_total += 1;
        self.duplicate_parcel += 1;
    }

    /// Judges a house by its stored record, if it has one.
    pub(crate) fn house(&mut self, measured: &Measured, record: Option<&Record>) {
        self.houses += 1;
        let Some(record) = record else { return };
        self.matched += 1;
        match judge(measured, record) {
            Verdict::NotMaterial => self.not_material += 1,
            Verdict::WithinNoise => self.within_noise += 1,
            Verdict::Queued => {
                let diff = difference_tenths(measured, record);
                self.queued += 1;
                self.diff_tenths += diff;
                let effect = |unit: i64| record.total() as i64 * unit * diff / (10 * record.living as i64);
                self.value_effect += effect(1);
                self.value_effect_cents += effect(100);
            }
        }
    }

    /// The figures by the names under which contestants print them.
    pub(crate) fn figures(&self) -> Value {
        json!({
            "rows_total": self.rows_total,
            "rows_ok": self.rows_ok,
            "rejected_wrong_column_count": self.wrong_column_count,
            "rejected_blank_area": self.blank_area,
            "rejected_text_in_number": self.text_in_number,
            "rejected_zero_area": self.zero_area,
            "rejected_duplicate_parcel": self.duplicate_parcel,
            "sum_living_area": self.sum_living_area,
            "sum_total_value": self.sum_total_value,
            "houses": self.houses,
            "matched": self.matched,
            "unmatched": self.houses - self.matched,
            "queued": self.queued,
            "material_but_within_noise": self.within_noise,
            "not_material": self.not_material,
            "sum_queued_diff_tenths": self.diff_tenths,
            "sum_queued_value_effect": self.value_effect,
        })
    }

    /// The same effects cut off at the cent instead of the whole unit of money.
    pub(crate) fn value_effect_cents(&self) -> i64 {
        self.value_effect_cents
    }
}

impl Changes {
    /// The counts as they are printed.
    pub(crate) fn figures(&self) -> Value {
        json!({
            "unchanged": self.unchanged,
            "changed_mapped": self.changed_mapped,
            "changed_unmapped_only": self.changed_unmapped_only,
            "new": self.new,
            "gone": self.gone,
            "mended": self.mended,
        })
    }
}

/// Measured less recorded, in tenths of a square foot.
pub(crate) fn difference_tenths(measured: &Measured, record: &Record) -> i64 {
    measured.area_tenths - 10 * record.living as i64
}

/// Five percent and a hundred square feet, and 1.96 standard deviations, in whole numbers.
pub(crate) fn judge(measured: &Measured, record: &Record) -> Verdict {
    let off = difference_tenths(measured, record).abs();
    if 2 * off < record.living as i64 || off < 1_000 {
        Verdict::NotMaterial
    } else if 100 * off > 196 * measured.sigma_tenths {
        Verdict::Queued
    } else {
        Verdict::WithinNoise
    }
}

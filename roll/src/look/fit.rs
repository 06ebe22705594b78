//! How a file's rows are read by a layout: what would come in, and what would be quarantined.

use super::answer::{LayoutFit, Misfit, Reading, ReasonFound};
use crate::entry::{Entry, Reason, Reject};
use crate::header::HeaderError;
use crate::layout::Layout;
use crate::reader::{RollReader, Row};
use std::collections::{BTreeMap, HashSet};
use std::io::Read;
use xxhash_rust::xxh3::xxh3_64;

/// Rows shown for each reason.
const EXAMPLES: usize = 3;
/// Parcel numbers that are told apart.
const PARCELS_MAX: usize = 1 << 20;

/// Reads all rows of a source by a layout.
pub(super) fn reading(source: impl Read, layout: &Layout, whole: bool) -> Result<Reading, HeaderError> {
    let mut reader = RollReader::new(source, layout)?;
    let mut count = Count::default();
    while let Some(row) = reader.next_row().map_err(HeaderError::Read)? {
        match row {
            Row::Entry(entry) => count.entry(&entry),
            Row::Reject(reject) => count.reject(&reject),
        }
    }
    Ok(count.reading(whole))
}

/// How the known layouts fit, the best first. `names` are the file's own.
pub(super) fn fits(head: &[u8], whole: bool, names: &[String], known: &[Layout]) -> Vec<LayoutFit> {
    let mut fits: Vec<LayoutFit> = known.iter().map(|layout| fit(head, whole, names, layout)).collect();
    fits.sort_by(|one, other| {
        let weight = |fit: &LayoutFit| {
            (entered(fit), super::column::ratio(fit.columns_present as u64, fit.columns as u64))
        };
        let (one_weight, other_weight) = (weight(one), weight(other));
        other_weight
            .0
            .total_cmp(&one_weight.0)
            .then(other_weight.1.total_cmp(&one_weight.1))
            .then(one.id.cmp(&other.id))
    });
    fits
}

/// Share of the rows that would come in.
fn entered(fit: &LayoutFit) -> f64 {
    fit.reading.as_ref().map_or(-1.0, |reading| super::column::ratio(reading.entries, reading.rows))
}

fn fit(head: &[u8], whole: bool, names: &[String], layout: &Layout) -> LayoutFit {
    let columns = layout.mapped_columns();
    let has = |column: &str| names.iter().any(|name| name.to_lowercase() == column.to_lowercase());
    let missing: Vec<String> =
        columns.iter().filter(|column| !has(column)).map(|column| (*column).to_owned()).collect();
    let (refusal, reading) = match reading(head, layout, whole) {
        _ if layout.assembles() => (
            Some("it puts rows of its files together: how they read shows when they are imported".to_owned()),
            None,
        ),
        Ok(reading) => (None, Some(reading)),
        Err(error) => (Some(error.to_string()), None),
    };
    LayoutFit {
        id: layout.id.clone(),
        title: layout.title.clone(),
        columns: columns.len(),
        columns_present: columns.len() - missing.len(),
        missing,
        refusal,
        reading,
    }
}

#[derive(Default)]
struct Count {
    entries: u64,
    with_area: u64,
    parcels: HashSet<u64>,
    repeated: u64,
    rejects: BTreeMap<Reason, (u64, Vec<Misfit>)>,
}

impl Count {
    fn entry(&mut self, entry: &Entry) {
        self.entries += 1;
        self.with_area += u64::from(entry.area.is_some());
        let hash = xxh3_64(entry.parcel_key.as_bytes());
        if self.parcels.len() < PARCELS_MAX {
            self.repeated += u64::from(!self.parcels.insert(hash));
        } else {
            self.repeated += u64::from(self.parcels.contains(&hash));
        }
    }

    fn reject(&mut self, reject: &Reject) {
        let (rows, examples) = self.rejects.entry(reject.reason).or_default();
        *rows += 1;
        if examples.len() < EXAMPLES {
            examples.push(Misfit { line: reject.line, detail: reject.detail.clone() });
        }
    }

    fn reading(self, whole: bool) -> Reading {
        let rejected: u64 = self.rejects.values().map(|(rows, _)| rows).sum();
        let mut quarantined: Vec<ReasonFound> = self
            .rejects
            .into_iter()
            .map(|(reason, (rows, examples))| ReasonFound {
                reason: reason.name().to_owned(),
                rows,
                examples,
            })
            .collect();
        quarantined.sort_by(|one, other| other.rows.cmp(&one.rows).then(one.reason.cmp(&other.reason)));
        Reading {
            rows: self.entries + rejected,
            whole,
            entries: self.entries,
            with_area: self.with_area,
            repeated_parcels: self.repeated,
            quarantined,
        }
    }
}

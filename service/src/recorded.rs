//! Everything that the records of pairs say: each value with its building, column, file and lines, for exports.

use std::collections::BTreeMap;

use crossfoot_roll::layout::Layout;
use crossfoot_roll::record_view::NamedValue;
use crossfoot_store::object::KeptFile;
use crossfoot_store::queue::PairView;
use crossfoot_store::record::Record;
use crossfoot_store::{Store, StoreError};
use serde::Serialize;
use serde_json::{Value, json};

use crate::commands::export::pair_json;

/// A value of a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct RecordedValue {
    /// The building that it is of; none for values of the parcel.
    pub(crate) building: Option<String>,
    /// Its name in the layout.
    pub(crate) name: String,
    /// What it is called for people.
    pub(crate) heading: String,
    /// The value: text, or a figure in plain digits.
    pub(crate) value: String,
    /// The unit of a figure.
    pub(crate) unit: Option<&'static str>,
    /// The layout's table; empty for layouts without tables.
    pub(crate) table: String,
    /// The column or columns that it stands in.
    pub(crate) column: String,
    /// The file of its first row.
    pub(crate) file: String,
    /// The lines of its rows.
    pub(crate) lines: Vec<u64>,
    /// Whether rows contradict each other in it.
    pub(crate) contradicted: bool,
}

/// Reads records of pairs, and each edition's layout once.
pub(crate) struct Recorded<'s> {
    store: &'s Store,
    /// By source and edition: the layout, and the names of the files.
    editions: BTreeMap<(i64, i64), (Layout, Vec<String>)>,
}

impl<'s> Recorded<'s> {
    /// Begins with nothing read.
    pub(crate) fn new(store: &'s Store) -> Recorded<'s> {
        Recorded { store, editions: BTreeMap::new() }
    }

    /// The values of each pair's record as it was in the edition that the pair was judged by, in the order of the pairs;
    /// none where a pair has no record.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub(crate) async fn of(&mut self, pairs: &[PairView]) -> Result<Vec<Vec<RecordedValue>>, StoreError> {
        let mut keys: BTreeMap<(i64, i64), Vec<String>> = BTreeMap::new();
        for pair in pairs.iter().filter(|pair| pair.record_number.is_some()) {
            keys.entry((pair.source_number, pair.edition)).or_default().push(pair.parcel_key.clone());
        }
        let mut records: BTreeMap<(i64, i64), Record> = BTreeMap::new();
        for ((number, edition), keys) in keys {
            let source = self.store.source_by_number(number).await?;
            if source.current_edition.is_none() {
                continue;
            }
            for record in self.store.records_as_of(&source, edition, &keys).await? {
                self.learn(number, record.edition).await?;
                records.insert((number, record.number), record);
            }
        }
        let record_of = |pair: &PairView| records.get(&(pair.source_number, pair.record_number?));
        Ok(pairs
            .iter()
            .map(|pair| {
                record_of(pair).map(|record| self.values(pair.source_number, record)).unwrap_or_default()
            })
            .collect())
    }

    async fn learn(&mut self, source: i64, edition: i64) -> Result<(), StoreError> {
        if !self.editions.contains_key(&(source, edition)) {
            let read = self.store.edition(source, edition).await?;
            let files = read.files.iter().map(KeptFile::told).collect();
            self.editions.insert((source, edition), (read.layout, files));
        }
        Ok(())
    }

    fn values(&self, source: i64, record: &Record) -> Vec<RecordedValue> {
        let Some((layout, files)) = self.editions.get(&(source, record.edition)) else { return Vec::new() };
        record.view(layout).into_iter().map(|value| recorded(value, files)).collect()
    }
}

fn recorded(value: NamedValue, files: &[String]) -> RecordedValue {
    let file = value.rows.first().and_then(|row| files.get(usize::from(row.file)));
    RecordedValue {
        building: value.building,
        name: value.name,
        heading: value.heading,
        value: value.text,
        unit: value.unit,
        table: value.table,
        column: value.column,
        file: file.cloned().unwrap_or_default(),
        lines: value.rows.iter().map(|row| row.line).collect(),
        contradicted: value.contradicted,
    }
}

/// Pairs as they are exported, each with the values of its record as `recorded`.
pub(crate) fn with_values(pairs: &[PairView], values: &[Vec<RecordedValue>]) -> Vec<Value> {
    let row = |(pair, values): (&PairView, &Vec<RecordedValue>)| {
        let mut row = pair_json(pair);
        if let Some(fields) = row.as_object_mut() {
            fields.insert("recorded".to_owned(), json!(values));
        }
        row
    };
    pairs.iter().zip(values).map(row).collect()
}

/// A value as a row of its own: whose it is, then the value. Lines are one text, so that a table stays flat.
pub(crate) fn value_row(pair: &PairView, value: &RecordedValue) -> Value {
    let lines: Vec<String> = value.lines.iter().map(u64::to_string).collect();
    json!({
        "reference": pair.reference,
        "source": pair.source,
        "edition": pair.edition,
        "parcel_key": pair.parcel_key,
        "building": value.building,
        "name": value.name,
        "heading": value.heading,
        "value": value.value,
        "unit": value.unit,
        "table": value.table,
        "column": value.column,
        "file": value.file,
        "lines": lines.join(" "),
        "contradicted": value.contradicted,
    })
}

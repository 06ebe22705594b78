//! Versions of records: what an edition changed, field by field, and everything that is known of one parcel.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::record_view::NamedValue;

use crate::database::{Database, numbers, texts, values};
use crate::record::{CONTENT, Record, record_of};
use crate::source::Source;
use crate::{Store, StoreError};

/// A version of a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordVersion {
    /// `new`, `changed` or `ended`; of an ended one only number, edition and key mean something.
    pub what: String,
    /// The record as it came with that edition.
    pub record: Record,
}

/// One field that an edition changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldChange {
    /// Its name: that of the record, or of a further column as the layout shows it.
    pub field: String,
    /// What it was; none where it was not stated.
    pub from: Option<String>,
    /// What it is.
    pub to: Option<String>,
}

/// What an edition changed about a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangeEntry {
    /// The record's number within the source.
    pub record: i64,
    /// `new`, `changed` or `ended`.
    pub what: String,
    /// The normalised parcel number.
    pub parcel_key: String,
    /// The recorded area after it.
    pub area: Option<Area>,
    /// The recorded value after it.
    pub value: Option<Money>,
    /// The line of the file.
    pub line: i64,
    /// The fields that changed, of a record that did.
    pub fields: Vec<FieldChange>,
}

/// The layouts of editions: they say what the further values of their records are called.
type Layouts = BTreeMap<i64, Layout>;

impl Store {
    /// What an edition changed against the one before, after a record. A first edition changes nothing; of one that is
    /// not loaded yet and of one out of use nothing is told, even where a process that was killed left some of it.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn change_page(
        &self,
        source: &Source,
        edition: i64,
        after: i64,
        limit: i64,
    ) -> Result<Vec<ChangeEntry>, StoreError> {
        let Some(container) = source.container.as_deref() else { return Ok(Vec::new()) };
        let chain = self.edition_numbers(source.number).await?;
        if chain.first().is_none_or(|first| *first >= edition) {
            return Ok(Vec::new());
        }
        let sql = "SELECT 1 FROM edition WHERE source = $1 AND number = $2 AND state IN ('current', 'past', 'held')";
        if self.main.fetch_one(sql, values![source.number, edition]).await?.is_none() {
            return Ok(Vec::new());
        }
        let database = self.records(container).await?;
        let changed = changed_numbers(&database, source, edition, after, limit).await?;
        let mut versions: BTreeMap<i64, Vec<RecordVersion>> = BTreeMap::new();
        for version in versions_of_numbers(&database, source.number, edition, &changed).await? {
            versions.entry(version.record.number).or_default().push(version);
        }
        let mut layouts = Layouts::new();
        let mut entries = Vec::with_capacity(versions.len());
        for of_record in versions.values() {
            let Some((now, earlier)) = of_record.split_last() else { continue };
            let mut fields = Vec::new();
            if let Some(before) = earlier.last().filter(|_| now.what != "ended") {
                fields = self.changes(source.number, &before.record, &now.record, &mut layouts).await?;
            }
            entries.push(entry_of(now, earlier.is_empty(), fields));
        }
        Ok(entries)
    }

    /// Every version of the records that have or had a parcel key, by record and edition, up to the edition in use.
    ///
    /// # Errors
    /// [`StoreError`] of the database; [`StoreError::Missing`] when the source has no edition yet.
    pub async fn record_versions(
        &self,
        source: &Source,
        parcel_key: &str,
    ) -> Result<Vec<RecordVersion>, StoreError> {
        let missing = || StoreError::Missing { what: "current edition of", id: source.id.clone() };
        let container = source.container.as_deref().ok_or_else(missing)?;
        let database = self.records(container).await?;
        let sql = all_versions("parcel_key = ANY (texts($3))");
        let values = vec![source.number.into(), source.current_edition.into(), texts([parcel_key])];
        versions(database.fetch(&sql, values).await?)
    }

    /// The same, each with the fields that changed against the version before; none of a version that is the record's
    /// first, or that says that it is gone.
    ///
    /// # Errors
    /// As [`Store::record_versions`].
    pub async fn record_history(
        &self,
        source: &Source,
        parcel_key: &str,
    ) -> Result<Vec<(RecordVersion, Vec<FieldChange>)>, StoreError> {
        let mut layouts = Layouts::new();
        let mut history: Vec<(RecordVersion, Vec<FieldChange>)> = Vec::new();
        for now in self.record_versions(source, parcel_key).await? {
            let before = history.last().map(|(before, _)| before);
            let before = before.filter(|before| before.record.number == now.record.number);
            let before = before.filter(|before| before.what != "ended" && now.what != "ended");
            let fields = match before {
                Some(before) => {
                    self.changes(source.number, &before.record, &now.record, &mut layouts).await?
                }
                None => Vec::new(),
            };
            history.push((now, fields));
        }
        Ok(history)
    }

    /// The records with these keys as they were when an edition was in use, whether it still is or not.
    ///
    /// # Errors
    /// As [`Store::record_versions`].
    pub async fn records_as_of(
        &self,
        source: &Source,
        edition: i64,
        keys: &[String],
    ) -> Result<Vec<Record>, StoreError> {
        let missing = || StoreError::Missing { what: "current edition of", id: source.id.clone() };
        let container = source.container.as_deref().ok_or_else(missing)?;
        let database = self.records(container).await?;
        let sql = all_versions("parcel_key = ANY (texts($3))");
        let keys = texts(keys.iter().map(String::as_str));
        let rows = database.fetch(&sql, vec![source.number.into(), edition.into(), keys]).await?;
        let mut newest = BTreeMap::new();
        for version in versions(rows)? {
            if version.what == "ended" {
                newest.remove(&version.record.number);
            } else {
                newest.insert(version.record.number, version.record);
            }
        }
        Ok(newest.into_values().collect())
    }

    /// The fields in which two versions of a record differ, each read by the layout of its edition.
    async fn changes(
        &self,
        source: i64,
        before: &Record,
        now: &Record,
        layouts: &mut Layouts,
    ) -> Result<Vec<FieldChange>, StoreError> {
        for edition in [before.edition, now.edition] {
            if let Entry::Vacant(new) = layouts.entry(edition) {
                new.insert(self.edition(source, edition).await?.layout);
            }
        }
        Ok(changes(&fields(before, layouts.get(&before.edition)), &fields(now, layouts.get(&now.edition))))
    }
}

/// Numbers of the records that an edition changed, after one of them. A version may lie among the changes, in the past,
/// or be the base itself.
async fn changed_numbers(
    database: &Database,
    source: &Source,
    edition: i64,
    after: i64,
    limit: i64,
) -> Result<Vec<i64>, StoreError> {
    let sql = if edition <= source.folded_to {
        "SELECT number FROM (
             SELECT number FROM record_change WHERE source = $1 AND edition = $2 AND number > $3
             UNION SELECT number FROM record_past WHERE source = $1 AND edition = $2 AND number > $3
             UNION SELECT number FROM record WHERE source = $1 AND since_edition = $2 AND number > $3) AS changed
         ORDER BY number LIMIT $4"
    } else {
        "SELECT number FROM record_change WHERE source = $1 AND edition = $2 AND number > $3 ORDER BY number LIMIT $4"
    };
    let rows = database.fetch(sql, values![source.number, edition, after, limit]).await?;
    rows.iter().map(|row| row.get(0)).collect()
}

/// Versions of records up to an edition, by number and edition, wherever they lie.
fn all_versions(which: &str) -> String {
    format!(
        "SELECT number, edition, what, {CONTENT} FROM record_past WHERE source = $1 AND edition <= $2 AND {which}
         UNION ALL
         SELECT number, since_edition, 'base', {CONTENT} FROM record WHERE source = $1 AND since_edition <= $2 AND {which}
         UNION ALL
         SELECT number, edition, what, {CONTENT} FROM record_change WHERE source = $1 AND edition <= $2 AND {which}
         ORDER BY 1, 2"
    )
}

pub(crate) async fn versions_of_numbers(
    database: &Database,
    source: i64,
    edition: i64,
    list: &[i64],
) -> Result<Vec<RecordVersion>, StoreError> {
    let sql = all_versions("number = ANY (numbers($3))");
    versions(database.fetch(&sql, vec![source.into(), edition.into(), numbers(list)]).await?)
}

fn versions(rows: Vec<crate::database::Row>) -> Result<Vec<RecordVersion>, StoreError> {
    let mut versions: Vec<RecordVersion> = Vec::with_capacity(rows.len());
    for row in rows {
        let (mut what, record): (String, Record) = (row.get(2)?, record_of(&row)?);
        if what == "base" {
            let first = versions.last().is_none_or(|last| last.record.number != record.number);
            what = if first { "new" } else { "changed" }.to_owned();
        }
        versions.push(RecordVersion { what, record });
    }
    Ok(versions)
}

fn entry_of(now: &RecordVersion, first: bool, fields: Vec<FieldChange>) -> ChangeEntry {
    let record = &now.record;
    ChangeEntry {
        record: record.number,
        what: if first { "new".to_owned() } else { now.what.clone() },
        parcel_key: record.parcel_key.clone(),
        area: record.area,
        value: record.value,
        line: record.line,
        fields,
    }
}

type Fields = Vec<(String, Option<String>)>;

/// The fields that differ: those of before in their order, then those that came.
fn changes(before: &Fields, now: &Fields) -> Vec<FieldChange> {
    let by_name = |fields: &Fields| -> BTreeMap<String, Option<String>> { fields.iter().cloned().collect() };
    let (was, is) = (by_name(before), by_name(now));
    let came = now.iter().filter(|(name, _)| !was.contains_key(name));
    before
        .iter()
        .chain(came)
        .map(|(name, _)| FieldChange {
            field: name.clone(),
            from: was.get(name).cloned().flatten(),
            to: is.get(name).cloned().flatten(),
        })
        .filter(|change| change.from != change.to)
        .collect()
}

/// The fields of a version as texts: square feet, money and the rest as published; none where not stated.
fn fields(record: &Record, layout: Option<&Layout>) -> Fields {
    let stated = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let mut fields = vec![
        ("parcel".to_owned(), stated(&record.parcel_raw)),
        ("situs".to_owned(), stated(&record.situs)),
        ("area_sqft".to_owned(), record.area.map(|area| area.to_square_feet(2))),
        ("value".to_owned(), record.value.map(Money::to_text)),
        ("year_built".to_owned(), record.year_built.map(|year| year.to_string())),
        ("class".to_owned(), stated(&record.class)),
        ("conflict".to_owned(), record.conflict.then(|| "two rows disagree in the area".to_owned())),
    ];
    if record.rest.starts_with('{') {
        fields.extend(layout.map(|layout| put_together(&record.view(layout))).unwrap_or_default());
        return fields;
    }
    let rest: Vec<serde_json::Value> = serde_json::from_str(&record.rest).unwrap_or_default();
    for (place, value) in rest.into_iter().enumerate() {
        let name = layout.and_then(|layout| layout.keep.get(place)).map(|keep| keep.shown_name().to_owned());
        let text = match value.as_str() {
            Some(text) => stated(text),
            None => (!value.is_null()).then(|| value.to_string()),
        };
        fields.push((name.unwrap_or_else(|| format!("column {}", place + 1)), text));
    }
    fields
}

/// Values of the parcel that every record has as figures of its own.
const FIGURES: [&str; 5] = ["parcel", "situs", "value", "year_built", "class"];

/// The values of a record that was put together, by building and heading. Where one heading stands several times, as
/// lines of one code do, those after the first are numbered.
fn put_together(values: &[NamedValue]) -> Fields {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let further = values.iter().filter(|v| v.building.is_some() || !FIGURES.contains(&v.name.as_str()));
    further
        .map(|value| {
            let mut name = match &value.building {
                Some(building) => format!("building {building}: {}", value.heading),
                None => value.heading.clone(),
            };
            let times = seen.entry(name.clone()).or_default();
            *times += 1;
            if *times > 1 {
                name = format!("{name} ({times})");
            }
            let unit = value.unit.map(|unit| format!(" {unit}")).unwrap_or_default();
            let contradicted = if value.contradicted { " (rows contradict each other)" } else { "" };
            let text = (!value.text.is_empty()).then(|| format!("{}{unit}{contradicted}", value.text));
            (name, text)
        })
        .collect()
}

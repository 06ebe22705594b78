//! Measured houses: properties, and the immutable versions of their measurements.

use std::collections::{HashMap, HashSet};

use crossfoot_audit::document::Measurement;
use crossfoot_audit::judge::policy::lies_within;
use sha2::{Digest as _, Sha256};

use crate::database::{Lock, Tx, Value, texts, values};
use crate::run::{Cause, to_judge_rows};
use crate::{Store, StoreError, run};

/// A measurement to be saved, with its document as received.
#[derive(Debug, Clone)]
pub struct NewMeasurement {
    /// What the document says.
    pub measurement: Measurement,
    /// The document itself, as JSON text.
    pub document: String,
}

/// What became of a measurement that was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Saving {
    /// The property is new.
    New,
    /// A new version of a known property.
    NewVersion,
    /// The same document was there already: nothing was written.
    Unchanged,
}

/// A measurement after saving.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SavedMeasurement {
    /// The office's reference.
    pub reference: String,
    /// The property.
    pub property: String,
    /// The version of the measurement.
    pub version: i64,
    /// What became of it.
    pub saving: Saving,
}

struct Known {
    property: String,
    reference: String,
    measured_on: String,
    versions: HashMap<String, i64>,
    newest: i64,
}

/// Statements look up so many references at once.
const REFERENCES_A_STATEMENT: usize = 500;

impl Store {
    /// Saves measurements in one transaction, together with what is now to be judged and the jobs that judge it.
    ///
    /// A document that a property already has, in whatever version, changes nothing. Two documents of one reference
    /// in the same call are taken in their order.
    ///
    /// # Errors
    /// [`StoreError`] of the database; then nothing of the batch was saved.
    pub async fn measurement_save(
        &self,
        office: &str,
        batch: Vec<NewMeasurement>,
    ) -> Result<Vec<SavedMeasurement>, StoreError> {
        let mut tx = self.main.begin().await?;
        run::hold_sources(&mut tx).await?;
        // one upload of an office at a time: two that bring the same new reference would both make it
        tx.lock(Lock::Alone, "SELECT id FROM office WHERE id = $1", values![office]).await?;
        let mut saved = Vec::with_capacity(batch.len());
        let mut rest = batch;
        while !rest.is_empty() {
            let (now, later) = split_at_repetition(rest);
            saved.extend(save_distinct(&mut tx, office, now).await?);
            rest = later;
        }
        tx.commit().await?;
        Ok(saved)
    }

    /// Saves a measurement that must follow a certain version of its property, together with what is now to be judged.
    /// `None` where another version came in between: then nothing was saved.
    ///
    /// # Errors
    /// [`StoreError`] of the database; then nothing was saved.
    pub async fn measurement_follow(
        &self,
        office: &str,
        property: &str,
        version: i64,
        new: NewMeasurement,
    ) -> Result<Option<SavedMeasurement>, StoreError> {
        let mut tx = self.main.begin().await?;
        run::hold_sources(&mut tx).await?;
        tx.lock(Lock::Alone, "SELECT id FROM office WHERE id = $1", values![office]).await?;
        let sql = "SELECT max(version) FROM measurement WHERE office = $1 AND property = $2";
        let newest: Option<i64> = match tx.fetch_one(sql, values![office, property]).await? {
            Some(row) => row.get(0)?,
            None => None,
        };
        if newest != Some(version) {
            return Ok(None);
        }
        let saved = save_distinct(&mut tx, office, vec![new]).await?;
        tx.commit().await?;
        Ok(saved.into_iter().next())
    }

    /// The document of a measurement as received.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub async fn measurement_document(
        &self,
        office: &str,
        property: &str,
        version: i64,
    ) -> Result<String, StoreError> {
        let sql = "SELECT document FROM measurement WHERE office = $1 AND property = $2 AND version = $3";
        let row = self.main.fetch_one(sql, values![office, property, version]).await?;
        row.ok_or_else(|| StoreError::Missing { what: "measurement", id: format!("{property}/{version}") })?
            .get(0)
    }

    /// The property of a reference.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the office has none.
    pub async fn property_by_reference(&self, office: &str, reference: &str) -> Result<String, StoreError> {
        let sql = "SELECT id FROM property WHERE office = $1 AND reference = $2";
        let row = self.main.fetch_one(sql, values![office, reference]).await?;
        row.ok_or_else(|| StoreError::Missing { what: "property", id: reference.to_owned() })?.get(0)
    }

    /// Number of properties of an office.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn property_count(&self, office: &str) -> Result<i64, StoreError> {
        let row =
            self.main.fetch_one("SELECT count(*) FROM property WHERE office = $1", values![office]).await?;
        row.map_or(Ok(0), |row| row.get(0))
    }
}

/// Cuts a batch before the first reference that occurs a second time, and at the size of one statement.
fn split_at_repetition(mut batch: Vec<NewMeasurement>) -> (Vec<NewMeasurement>, Vec<NewMeasurement>) {
    let mut seen = HashSet::new();
    let fresh = batch.iter().take_while(|new| seen.insert(new.measurement.reference.clone())).count();
    let later = batch.split_off(fresh.clamp(1, REFERENCES_A_STATEMENT).min(batch.len()));
    (batch, later)
}

async fn save_distinct(
    tx: &mut Tx,
    office: &str,
    batch: Vec<NewMeasurement>,
) -> Result<Vec<SavedMeasurement>, StoreError> {
    let references: Vec<&str> = batch.iter().map(|new| new.measurement.reference.as_str()).collect();
    let known = known_properties(tx, office, &references).await?;
    let sources = run::sources_with_records(tx).await?;
    let (mut saved, mut headers, mut versions, mut pending) = (vec![], vec![], vec![], vec![]);
    for new in &batch {
        let m = &new.measurement;
        let sha256 = hex::encode(Sha256::digest(new.document.as_bytes()));
        let before = known.get(m.reference.as_str());
        if let Some((known, version)) = before.and_then(|k| Some((k, *k.versions.get(&sha256)?))) {
            let property = known.property.clone();
            saved.push(SavedMeasurement {
                reference: m.reference.clone(),
                property,
                version,
                saving: Saving::Unchanged,
            });
            continue;
        }
        let property = before.map_or_else(|| uuid::Uuid::now_v7().to_string(), |k| k.property.clone());
        let version = before.map_or(1, |k| k.newest + 1);
        let measured_on = m.measured_on.to_string();
        versions.push(values![
            office,
            &property,
            version,
            &measured_on,
            &new.document,
            sha256,
            m.reason.clone().unwrap_or_default()
        ]);
        let jurisdiction = m.jurisdiction.clone().unwrap_or_default();
        if before.is_none_or(|k| k.measured_on <= measured_on) {
            headers.push(header(office, &property, m, &measured_on, version));
            let concerned = sources.iter().filter(|s| concerns(&jurisdiction, &s.jurisdiction));
            pending.extend(concerned.map(|source| (source.number, property.clone())));
        }
        let saving = if before.is_some() { Saving::NewVersion } else { Saving::New };
        saved.push(SavedMeasurement { reference: m.reference.clone(), property, version, saving });
    }
    write(tx, headers, versions).await?;
    to_judge_rows(tx, office, &pending, Cause::Upload).await?;
    Ok(saved)
}

/// A source concerns a property when either states no jurisdiction, or the property lies within the source's.
pub(crate) fn concerns(property: &str, source: &str) -> bool {
    property.is_empty() || lies_within(property, source)
}

fn header(office: &str, property: &str, m: &Measurement, measured_on: &str, version: i64) -> Vec<Value> {
    values![
        office,
        property,
        &m.reference,
        &m.parcel,
        m.address.clone().unwrap_or_default(),
        m.jurisdiction.clone().unwrap_or_default(),
        m.year_built,
        measured_on,
        version
    ]
}

async fn write(tx: &mut Tx, headers: Vec<Vec<Value>>, versions: Vec<Vec<Value>>) -> Result<(), StoreError> {
    tx.insert_many(
        "property (office, id, reference, parcel, address, jurisdiction, year_built, measured_on, measurement_version)",
        headers,
        "ON CONFLICT (office, id) DO UPDATE SET parcel = excluded.parcel, address = excluded.address,
             jurisdiction = excluded.jurisdiction, year_built = excluded.year_built,
             measured_on = excluded.measured_on, measurement_version = excluded.measurement_version",
    )
    .await?;
    let now: i64 = match tx.fetch_one("SELECT now_us()", values![]).await? {
        Some(row) => row.get(0)?,
        None => 0,
    };
    let rows = versions
        .into_iter()
        .map(|mut row| {
            row.push(Value::from(now));
            row
        })
        .collect();
    tx.insert_many(
        "measurement (office, property, version, measured_on, document, sha256, reason, received_at)",
        rows,
        "",
    )
    .await?;
    Ok(())
}

async fn known_properties(
    tx: &mut Tx,
    office: &str,
    references: &[&str],
) -> Result<HashMap<String, Known>, StoreError> {
    // two look-ups, not a join: SQLite would read every measurement of the office first
    let sql =
        "SELECT id, reference, measured_on FROM property WHERE office = $1 AND reference = ANY (texts($2))";
    let mut known: HashMap<String, Known> = HashMap::new();
    for row in tx.fetch(sql, vec![office.into(), texts(references.iter().copied())]).await? {
        let property: String = row.get(0)?;
        let found = Known {
            property: property.clone(),
            reference: row.get(1)?,
            measured_on: row.get(2)?,
            versions: HashMap::new(),
            newest: 0,
        };
        known.insert(property, found);
    }
    let sql =
        "SELECT property, sha256, version FROM measurement WHERE office = $1 AND property = ANY (texts($2))";
    let properties = texts(known.keys().map(String::as_str));
    for row in tx.fetch(sql, vec![office.into(), properties]).await? {
        if let Some(entry) = known.get_mut(&row.get::<String>(0)?) {
            let version: i64 = row.get(2)?;
            entry.newest = entry.newest.max(version);
            entry.versions.insert(row.get(1)?, version);
        }
    }
    Ok(known.into_values().map(|known| (known.reference.clone(), known)).collect())
}

//! Lists for people and programs: measurements, properties, editions, changes, policies, runs and jobs, page by page.

use std::path::Path;

use crossfoot_roll::layout::Layout;

use crate::database::{Row, values};
use crate::job::JobView;
use crate::policy::VersionedPolicy;
use crate::run::{RunCounts, RunView};
use crate::source::EditionCounts;
use crate::{Store, StoreError};

/// A measurement in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MeasurementEntry {
    /// The property.
    pub property: String,
    /// The office's reference.
    pub reference: String,
    /// The version.
    pub version: i64,
    /// The day of the visit.
    pub measured_on: String,
    /// When it arrived, microseconds UTC.
    pub received_at: i64,
    /// SHA-256 of the document.
    pub sha256: String,
    /// Why this version follows an earlier one, or empty.
    pub reason: String,
}

/// A property: the header of its newest measurement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PropertyEntry {
    /// Its id.
    pub id: String,
    /// The office's reference.
    pub reference: String,
    /// The parcel number as the office writes it.
    pub parcel: String,
    /// The situs address, or empty.
    pub address: String,
    /// The jurisdiction, or empty.
    pub jurisdiction: String,
    /// The year built.
    pub year_built: Option<i64>,
    /// The day of the newest measurement.
    pub measured_on: String,
    /// Its version.
    pub measurement_version: i64,
}

/// An edition in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EditionEntry {
    /// Its number within the source.
    pub number: i64,
    /// `staged`, `held`, `current`, `past`, `refused` or `withdrawn`.
    pub state: String,
    /// The year of the roll, where stated.
    pub roll_year: Option<i64>,
    /// How final it is.
    pub status: String,
    /// The version of its layout.
    pub layout_version: String,
    /// When it arrived, microseconds UTC.
    pub received_at: i64,
    /// Why it was refused, is held or was withdrawn, or empty.
    pub refusal: String,
    /// What came of loading it.
    pub counts: EditionCounts,
}

const MEASUREMENT: &str =
    "m.property, p.reference, m.version, m.measured_on, m.received_at, m.sha256, m.reason
    FROM measurement m JOIN property p ON p.office = m.office AND p.id = m.property";
const PROPERTY: &str = "id, reference, parcel, address, jurisdiction, year_built, measured_on, measurement_version FROM property";
const EDITION: &str = "number, state, roll_year, status, layout_version, received_at, refusal, rows_total, rows_entered,
    rows_repeated, rows_rejected, records_new, records_changed, records_ended, records_unchanged FROM edition";
const RUN: &str =
    "r.id, s.id, r.cause, r.state, r.edition, r.policy_version, r.counts, r.started_at, r.ended_at
    FROM run r JOIN source s ON s.number = r.source";

impl Store {
    /// The folder of the installation's data: where files that arrive are put first.
    #[must_use]
    pub fn data_folder(&self) -> &Path {
        &self.data
    }

    /// Measurements of an office after a property and version.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn measurement_page(
        &self,
        office: &str,
        after: (&str, i64),
        limit: i64,
    ) -> Result<Vec<MeasurementEntry>, StoreError> {
        let sql = format!(
            "SELECT {MEASUREMENT} WHERE m.office = $1 AND (m.property, m.version) > ($2, $3)
             ORDER BY m.property, m.version LIMIT $4"
        );
        let rows = self.main.fetch(&sql, values![office, after.0, after.1, limit]).await?;
        rows.iter().map(measurement_of).collect()
    }

    /// The measurements of a property, the first version first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn measurements_of_property(
        &self,
        office: &str,
        property: &str,
    ) -> Result<Vec<MeasurementEntry>, StoreError> {
        let sql = format!("SELECT {MEASUREMENT} WHERE m.office = $1 AND m.property = $2 ORDER BY m.version");
        self.main.fetch(&sql, values![office, property]).await?.iter().map(measurement_of).collect()
    }

    /// Properties of an office after one of them.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn property_page(
        &self,
        office: &str,
        after: &str,
        limit: i64,
    ) -> Result<Vec<PropertyEntry>, StoreError> {
        let sql = format!("SELECT {PROPERTY} WHERE office = $1 AND id > $2 ORDER BY id LIMIT $3");
        self.main.fetch(&sql, values![office, after, limit]).await?.iter().map(property_of).collect()
    }

    /// One property.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when the office has none of that id.
    pub async fn property_entry(&self, office: &str, id: &str) -> Result<PropertyEntry, StoreError> {
        let sql = format!("SELECT {PROPERTY} WHERE office = $1 AND id = $2");
        let row = self.main.fetch_one(&sql, values![office, id]).await?;
        property_of(&row.ok_or_else(|| StoreError::Missing { what: "property", id: id.to_owned() })?)
    }

    /// Editions of a source after a number.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_page(
        &self,
        source: i64,
        after: i64,
        limit: i64,
    ) -> Result<Vec<EditionEntry>, StoreError> {
        let sql = format!("SELECT {EDITION} WHERE source = $1 AND number > $2 ORDER BY number LIMIT $3");
        self.main.fetch(&sql, values![source, after, limit]).await?.iter().map(edition_of).collect()
    }

    /// The newest job that loads an edition.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_job(&self, source: i64, edition: i64) -> Result<Option<JobView>, StoreError> {
        let sql = "SELECT id FROM job WHERE dedup_key = $1 ORDER BY created_at DESC, id DESC LIMIT 1";
        let row = self.main.fetch_one(sql, values![format!("import:{source}:{edition}")]).await?;
        match row {
            None => Ok(None),
            Some(row) => Ok(Some(self.job_view(&row.get::<String>(0)?).await?)),
        }
    }

    /// The office that a job is for; none for a job of the installation.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no such job.
    pub async fn job_office(&self, id: &str) -> Result<Option<String>, StoreError> {
        let row = self.main.fetch_one("SELECT office FROM job WHERE id = $1", values![id]).await?;
        row.ok_or_else(|| StoreError::Missing { what: "job", id: id.to_owned() })?.get(0)
    }

    /// Keeps the layout by which files handed in for a source are read from now on.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn source_layout_keep(&self, source: i64, layout: &Layout) -> Result<(), StoreError> {
        let text = serde_json::to_string(layout)
            .map_err(|e| StoreError::Damaged { what: "layout", why: e.to_string() })?;
        let mut tx = self.main.begin().await?;
        tx.execute("UPDATE source SET layout = $1 WHERE number = $2", values![text, source]).await?;
        tx.commit().await
    }

    /// The layout by which files handed in for a source are read: the one kept for it, else that of its newest edition.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn source_layout(&self, source: i64) -> Result<Option<Layout>, StoreError> {
        let kept = "SELECT layout FROM source WHERE number = $1 AND layout <> ''";
        let newest = "SELECT layout FROM edition WHERE source = $1 ORDER BY number DESC LIMIT 1";
        for sql in [kept, newest] {
            if let Some(row) = self.main.fetch_one(sql, values![source]).await? {
                let layout = serde_json::from_str(&row.get::<String>(0)?)
                    .map_err(|e| StoreError::Damaged { what: "layout", why: e.to_string() })?;
                return Ok(Some(layout));
            }
        }
        Ok(None)
    }

    /// Policies of an office before a version, newest first, each with when it was saved (microseconds UTC).
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when one cannot be read back.
    pub async fn policy_page(
        &self,
        office: &str,
        before: i64,
        limit: i64,
    ) -> Result<Vec<(VersionedPolicy, i64)>, StoreError> {
        let sql = "SELECT version, document, saved_at FROM policy WHERE office = $1 AND version < $2
                   ORDER BY version DESC LIMIT $3";
        let rows = self.main.fetch(sql, values![office, before, limit]).await?;
        rows.iter()
            .map(|row| {
                let policy = serde_json::from_str(&row.get::<String>(1)?)
                    .map_err(|e| StoreError::Damaged { what: "policy", why: e.to_string() })?;
                Ok((VersionedPolicy { version: row.get(0)?, policy }, row.get(2)?))
            })
            .collect()
    }

    /// Runs of an office before one of them, newest first, each with its begin and end (microseconds UTC); begin with
    /// an empty text.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn run_page(
        &self,
        office: &str,
        before: &str,
        limit: i64,
    ) -> Result<Vec<(RunView, i64, Option<i64>)>, StoreError> {
        let sql = format!(
            "SELECT {RUN} WHERE r.office = $1 AND ($2 = '' OR r.id < $2) ORDER BY r.id DESC LIMIT $3"
        );
        self.main.fetch(&sql, values![office, before, limit]).await?.iter().map(run_of).collect()
    }

    /// One run of an office with its begin and end.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none of that id.
    pub async fn run_entry(&self, office: &str, id: &str) -> Result<(RunView, i64, Option<i64>), StoreError> {
        let sql = format!("SELECT {RUN} WHERE r.office = $1 AND r.id = $2");
        let row = self.main.fetch_one(&sql, values![office, id]).await?;
        run_of(&row.ok_or_else(|| StoreError::Missing { what: "run", id: id.to_owned() })?)
    }
}

fn measurement_of(row: &Row) -> Result<MeasurementEntry, StoreError> {
    Ok(MeasurementEntry {
        property: row.get(0)?,
        reference: row.get(1)?,
        version: row.get(2)?,
        measured_on: row.get(3)?,
        received_at: row.get(4)?,
        sha256: row.get(5)?,
        reason: row.get(6)?,
    })
}

fn property_of(row: &Row) -> Result<PropertyEntry, StoreError> {
    Ok(PropertyEntry {
        id: row.get(0)?,
        reference: row.get(1)?,
        parcel: row.get(2)?,
        address: row.get(3)?,
        jurisdiction: row.get(4)?,
        year_built: row.get(5)?,
        measured_on: row.get(6)?,
        measurement_version: row.get(7)?,
    })
}

fn edition_of(row: &Row) -> Result<EditionEntry, StoreError> {
    Ok(EditionEntry {
        number: row.get(0)?,
        state: row.get(1)?,
        roll_year: row.get(2)?,
        status: row.get(3)?,
        layout_version: row.get(4)?,
        received_at: row.get(5)?,
        refusal: row.get(6)?,
        counts: EditionCounts {
            rows_total: row.get(7)?,
            rows_entered: row.get(8)?,
            rows_repeated: row.get(9)?,
            rows_rejected: row.get(10)?,
            records_new: row.get(11)?,
            records_changed: row.get(12)?,
            records_ended: row.get(13)?,
            records_unchanged: row.get(14)?,
        },
    })
}

fn run_of(row: &Row) -> Result<(RunView, i64, Option<i64>), StoreError> {
    let counts: RunCounts = serde_json::from_str(&row.get::<String>(6)?)
        .map_err(|e| StoreError::Damaged { what: "counts of a run", why: e.to_string() })?;
    let view = RunView {
        id: row.get(0)?,
        source: row.get(1)?,
        cause: row.get(2)?,
        state: row.get(3)?,
        edition: row.get(4)?,
        policy_version: row.get(5)?,
        counts,
    };
    Ok((view, row.get(7)?, row.get(8)?))
}

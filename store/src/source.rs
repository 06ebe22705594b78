//! Sources of public records and their editions.

use crossfoot_roll::layout::Layout;
use serde_json::json;
use sha2::{Digest as _, Sha256};

use crate::database::{Lock, Row, Tx, values};
use crate::edition::HoldReason;
use crate::edition_text::as_received;
use crate::in_place::HERE;
use crate::job::{JobKind, NewJob, enqueue, running};
use crate::object::KeptFile;
use crate::object::keeping::packed_meanwhile;
use crate::{Backend, Store, StoreError};

/// A publisher of records as the installation knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Its number within the installation.
    pub number: i64,
    /// Its name.
    pub id: String,
    /// Its title for people.
    pub title: String,
    /// Where its records lie.
    pub jurisdiction: String,
    /// The standard that its area follows.
    pub basis: String,
    /// The edition in use, once there is one.
    pub current_edition: Option<i64>,
    pub(crate) container: Option<String>,
    /// Up to which edition its changes were folded into the base.
    pub(crate) folded_to: i64,
    /// The highest record number that was given to a record, also of an edition that was withdrawn.
    pub(crate) numbers_given: i64,
}

/// How final a roll is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum RollStatus {
    /// Before notices and appeals.
    Preliminary,
    /// Certified.
    Certified,
    /// Corrected after certification.
    Corrected,
    /// The publisher does not say.
    #[default]
    NotStated,
}

impl RollStatus {
    /// Every status.
    pub const ALL: [RollStatus; 4] =
        [RollStatus::Preliminary, RollStatus::Certified, RollStatus::Corrected, RollStatus::NotStated];

    /// The name kept in databases and typed by people.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            RollStatus::Preliminary => "preliminary",
            RollStatus::Certified => "certified",
            RollStatus::Corrected => "corrected",
            RollStatus::NotStated => "not stated",
        }
    }

    /// The status of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<RollStatus> {
        RollStatus::ALL.into_iter().find(|status| status.name() == name)
    }
}

/// What is stated about an edition when it arrives.
#[derive(Debug, Clone, Default)]
pub struct EditionNotes {
    /// The year of the roll.
    pub roll_year: Option<i32>,
    /// How final it is.
    pub status: RollStatus,
    /// The day that its figures are of, as the sender states it, or empty.
    pub as_of: String,
}

/// What became of an edition that was handed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EditionArrival {
    /// It is staged, and this job loads it.
    Staged {
        /// Its number.
        edition: i64,
        /// The job.
        job: String,
    },
    /// The same files under the same layout are here already: nothing was done.
    Known {
        /// Its number.
        edition: i64,
        /// Its state.
        state: String,
    },
}

/// An edition with its files and counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Edition {
    /// The source's number.
    pub source: i64,
    /// Its number within the source.
    pub number: i64,
    /// `staged`, `held`, `current`, `past`, `refused` or `withdrawn`.
    pub state: String,
    /// The layout by which it is read.
    pub layout: Layout,
    /// The year of the roll, where stated.
    pub roll_year: Option<i64>,
    /// How final it is.
    pub status: String,
    /// What came of loading it.
    pub counts: EditionCounts,
    /// Why it was refused, is held or was withdrawn, or empty.
    pub refusal: String,
    /// The day that its figures are of, as the sender states it, or empty.
    pub as_of: String,
    /// Median of the areas, square micrometres, where there are any.
    pub median_um2: Option<i64>,
    /// Why it is or was held for a person.
    pub held_for: Vec<HoldReason>,
    /// Its files; of one that holds several texts which are read, each of these, once it was opened.
    pub files: Vec<KeptFile>,
    /// The names of each file's columns, once it was read.
    pub headers: Vec<Vec<String>>,
}

/// Counts of an edition: rows of its files, and records against the edition before.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct EditionCounts {
    /// Data rows read.
    pub rows_total: i64,
    /// Rows that became records.
    pub rows_entered: i64,
    /// Rows that repeat an earlier row of the file.
    pub rows_repeated: i64,
    /// Rows in quarantine.
    pub rows_rejected: i64,
    /// Records that were not there before.
    pub records_new: i64,
    /// Records with other content than before.
    pub records_changed: i64,
    /// Records that are gone.
    pub records_ended: i64,
    /// Records as before.
    pub records_unchanged: i64,
}

const SOURCE: &str =
    "number, id, title, jurisdiction, basis, current_edition, container, folded_to, numbers_given";

impl Source {
    /// Up to which edition its changes were folded into the base; 0 when none were.
    #[must_use]
    pub fn folded_to(&self) -> i64 {
        self.folded_to
    }
}

impl Store {
    /// The source of a name, made from the layout when it is new.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn source_ensure(&self, id: &str, layout: &Layout) -> Result<Source, StoreError> {
        match self.source_by_id(id).await {
            Err(StoreError::Missing { .. }) => {}
            known => return known,
        }
        let mut tx = self.main.begin().await?;
        if self.backend() == Backend::Postgres {
            // two new sources at the same moment would take the same number
            tx.execute("LOCK TABLE source IN SHARE ROW EXCLUSIVE MODE", values![]).await?;
        }
        tx.execute(
            "INSERT INTO source (number, id, title, publisher, jurisdiction, basis, derived_from, created_at)
             VALUES ((SELECT coalesce(max(number), 0) + 1 FROM source), $1, $2, $3, $4, $5, $6, now_us())
             ON CONFLICT (id) DO NOTHING",
            values![
                id,
                &layout.title,
                &layout.publisher,
                &layout.jurisdiction,
                &layout.basis,
                layout.derived_from.clone().unwrap_or_default()
            ],
        )
        .await?;
        tx.commit().await?;
        self.source_by_id(id).await
    }

    /// The source of a name.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub async fn source_by_id(&self, id: &str) -> Result<Source, StoreError> {
        let row =
            self.main.fetch_one(&format!("SELECT {SOURCE} FROM source WHERE id = $1"), values![id]).await?;
        source_of(&row.ok_or_else(|| missing_source(id))?)
    }

    /// The source of a number.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub async fn source_by_number(&self, number: i64) -> Result<Source, StoreError> {
        let row = self
            .main
            .fetch_one(&format!("SELECT {SOURCE} FROM source WHERE number = $1"), values![number])
            .await?;
        source_of(&row.ok_or_else(|| missing_source(&number.to_string()))?)
    }

    /// All sources by name.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn source_list(&self) -> Result<Vec<Source>, StoreError> {
        self.main
            .fetch(&format!("SELECT {SOURCE} FROM source ORDER BY id"), values![])
            .await?
            .iter()
            .map(source_of)
            .collect()
    }

    /// Takes a set of kept files as an edition of a source and records the job that loads it. A layout that follows its
    /// jurisdiction's rule for parcel numbers is kept with the newest version of it. Files of another edition that are
    /// texts of one original are taken as that original: another layout may read others in it.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] as [`Store::layout_resolved`].
    pub async fn edition_stage(
        &self,
        source: &Source,
        layout: &Layout,
        files: &[KeptFile],
        notes: &EditionNotes,
    ) -> Result<EditionArrival, StoreError> {
        self.edition_stage_in_place(source, layout, files, notes, false).await
    }

    /// The same for files of which some are read where they lie; `keep_later` leaves keeping them to any worker.
    ///
    /// # Errors
    /// As [`Store::edition_stage`].
    pub async fn edition_stage_in_place(
        &self,
        source: &Source,
        layout: &Layout,
        files: &[KeptFile],
        notes: &EditionNotes,
        keep_later: bool,
    ) -> Result<EditionArrival, StoreError> {
        let layout = &self.layout_resolved(layout).await?;
        let layout_version = layout.version();
        let files = &as_received(files);
        let identity = identity(files.iter().map(told_apart_by), &layout_version);
        let mut tx = self.main.begin().await?;
        tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source.number]).await?;
        let known = tx
            .fetch_one(
                "SELECT number, state FROM edition WHERE source = $1 AND identity = $2 AND state NOT IN ('refused', 'withdrawn')",
                values![source.number, &identity],
            )
            .await?;
        let edition = match known {
            Some(row) if row.get::<String>(1)? != "staged" => {
                return Ok(EditionArrival::Known { edition: row.get(0)?, state: row.get(1)? });
            }
            Some(row) if !overtaken(&mut tx, source.number, row.get(0)?).await? => row.get(0)?,
            _ => insert_edition(&mut tx, source.number, layout, &identity, files, notes).await?,
        };
        let in_place = in_place(&mut tx, source.number, edition).await?;
        let job = import_job(source.number, edition, in_place, keep_later);
        // an edition never changes: who loads it already, or died of it, does all that a second job would
        let job = match running(&mut tx, &job).await? {
            Some(id) => id,
            None => enqueue(&mut tx, job).await?,
        };
        tx.commit().await?;
        Ok(EditionArrival::Staged { edition, job })
    }

    /// An edition with its files.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub async fn edition(&self, source: i64, number: i64) -> Result<Edition, StoreError> {
        let row = self
            .main
            .fetch_one(
                "SELECT source, number, state, layout, roll_year, status, refusal, rows_total, rows_entered,
                        rows_repeated, rows_rejected, records_new, records_changed, records_ended, records_unchanged,
                        as_of, median_um2, held_for
                 FROM edition WHERE source = $1 AND number = $2",
                values![source, number],
            )
            .await?;
        let Some(row) = row else {
            let id = format!("{number} of {}", self.source_by_number(source).await?.id);
            return Err(StoreError::Missing { what: "edition", id });
        };
        let files = self
            .main
            .fetch(
                "SELECT name, sha256, bytes, object_key, header, within FROM edition_file
                 WHERE source = $1 AND edition = $2 ORDER BY number",
                values![source, number],
            )
            .await?;
        edition_of(&row, &files)
    }

    /// Numbers of a source's editions that are in use or were, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_numbers(&self, source: i64) -> Result<Vec<i64>, StoreError> {
        let sql =
            "SELECT number FROM edition WHERE source = $1 AND state IN ('current', 'past') ORDER BY number";
        self.main.fetch(sql, values![source]).await?.iter().map(|row| row.get(0)).collect()
    }
}

fn missing_source(id: &str) -> StoreError {
    StoreError::Missing { what: "source", id: id.to_owned() }
}

/// Identity of an edition: the same set of files read by the same layout.
pub(crate) fn identity<'a>(hashes: impl Iterator<Item = &'a str>, layout_version: &str) -> String {
    let mut hashes: Vec<&str> = hashes.collect();
    hashes.sort_unstable();
    hex::encode(Sha256::digest(format!("{}\n{layout_version}", hashes.join("\n")).as_bytes()))
}

/// Whether the files of a staged edition are read where they lie; they may have been handed in another way before.
async fn in_place(tx: &mut Tx, source: i64, edition: i64) -> Result<bool, StoreError> {
    let sql = "SELECT 1 FROM edition_file WHERE source = $1 AND edition = $2 AND object_key LIKE 'in-place:%' LIMIT 1";
    Ok(tx.fetch_one(sql, values![source, edition]).await?.is_some())
}

/// The hash of a file; one that is read in place and was not yet read has its path and marks instead.
pub(crate) fn told_apart_by(file: &KeptFile) -> &str {
    if file.sha256.is_empty() { &file.object_key } else { &file.sha256 }
}

pub(crate) fn import_job(source: i64, edition: i64, in_place: bool, keep_later: bool) -> NewJob {
    let here = if in_place { HERE } else { ":" };
    NewJob {
        office: None,
        kind: JobKind::Import,
        payload: json!({ "source": source, "edition": edition, "keep_later": keep_later }),
        dedup_key: format!("import{here}{source}:{edition}"),
        exclusive_key: format!("import:{source}"),
    }
}

/// Whether a later edition came into use before a staged one; it is refused then, and may be handed in anew.
async fn overtaken(tx: &mut Tx, source: i64, edition: i64) -> Result<bool, StoreError> {
    let refused = tx
        .execute(
            "UPDATE edition SET state = 'refused', refusal = 'a later edition came into use first'
             WHERE source = $1 AND number = $2
               AND number < (SELECT coalesce(current_edition, 0) FROM source WHERE number = $1)",
            values![source, edition],
        )
        .await?;
    Ok(refused > 0)
}

pub(crate) async fn insert_edition(
    tx: &mut Tx,
    source: i64,
    layout: &Layout,
    identity: &str,
    files: &[KeptFile],
    notes: &EditionNotes,
) -> Result<i64, StoreError> {
    let next = "SELECT coalesce(max(number), 0) + 1 FROM edition WHERE source = $1";
    let edition: i64 = match tx.fetch_one(next, values![source]).await? {
        Some(row) => row.get(0)?,
        None => 1,
    };
    let layout_text = serde_json::to_string(layout)
        .map_err(|e| StoreError::Damaged { what: "layout", why: e.to_string() })?;
    tx.execute(
        "INSERT INTO edition (source, number, state, identity, layout, layout_version, roll_year, status, as_of, received_at)
         VALUES ($1, $2, 'staged', $3, $4, $5, $6, $7, $8, now_us())",
        values![
            source,
            edition,
            identity,
            layout_text,
            layout.version(),
            notes.roll_year,
            notes.status.name(),
            &notes.as_of
        ],
    )
    .await?;
    let rows = (0i64..)
        .zip(files)
        .map(|(n, f)| values![source, edition, n, &f.name, &f.sha256, f.bytes, &f.object_key])
        .collect();
    tx.insert_many("edition_file (source, edition, number, name, sha256, bytes, object_key)", rows, "")
        .await?;
    packed_meanwhile(tx, source, edition).await?;
    Ok(edition)
}

/// A JSON list; empty where none was kept.
pub(crate) fn list_of<T: serde::de::DeserializeOwned>(
    what: &'static str,
    text: &str,
) -> Result<Vec<T>, StoreError> {
    if text.is_empty() {
        return Ok(Vec::new());
    }
    serde_json::from_str(text).map_err(|e| StoreError::Damaged { what, why: e.to_string() })
}

pub(crate) fn source_of(row: &Row) -> Result<Source, StoreError> {
    Ok(Source {
        number: row.get(0)?,
        id: row.get(1)?,
        title: row.get(2)?,
        jurisdiction: row.get(3)?,
        basis: row.get(4)?,
        current_edition: row.get(5)?,
        container: row.get(6)?,
        folded_to: row.get(7)?,
        numbers_given: row.get(8)?,
    })
}

fn edition_of(row: &Row, files: &[Row]) -> Result<Edition, StoreError> {
    let layout: String = row.get(3)?;
    let headers = files
        .iter()
        .map(|file| list_of("header of a file", &file.get::<String>(4)?))
        .collect::<Result<_, StoreError>>()?;
    let files = files
        .iter()
        .map(|file| {
            Ok(KeptFile {
                name: file.get(0)?,
                sha256: file.get(1)?,
                bytes: file.get(2)?,
                object_key: file.get(3)?,
                within: file.get(5)?,
            })
        })
        .collect::<Result<_, StoreError>>()?;
    Ok(Edition {
        source: row.get(0)?,
        number: row.get(1)?,
        state: row.get(2)?,
        layout: serde_json::from_str(&layout)
            .map_err(|e| StoreError::Damaged { what: "layout", why: e.to_string() })?,
        roll_year: row.get(4)?,
        status: row.get(5)?,
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
        as_of: row.get(15)?,
        median_um2: row.get(16)?,
        held_for: list_of("reason of a hold", &row.get::<String>(17)?)?,
        files,
        headers,
    })
}

//! Files that make one edition together, gathered until they are complete. A set has a number of its own: the number of
//! an edition says in which order editions come into use, which a set that waits for its last file cannot know.

use crossfoot_roll::layout::Layout;
use serde_json::Value as Json;

use crate::access::Visitor;
use crate::audit_log::{Entry, note};
use crate::database::{Lock, Row, Tx, values};
use crate::limits::DAY_US;
use crate::object::KeptFile;
use crate::source::{EditionArrival, EditionNotes, RollStatus, Source, list_of};
use crate::{Store, StoreError};

/// Days after which a set that is not complete is overdue, and after which it expires.
const DUE_DAYS: i64 = 2;
const EXPIRES_DAYS: i64 = 14;

/// A set as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EditionSet {
    /// The source's number.
    pub source: i64,
    /// Its number within the source.
    pub number: i64,
    /// `gathering`, `complete`, `expired` or `given up`.
    pub state: String,
    /// The names of the files that make it complete.
    pub expected: Vec<String>,
    /// Whether its sender said that its files are of different days.
    pub mixed: bool,
    /// When it was begun, microseconds UTC.
    pub begun_at: i64,
    /// When it is overdue.
    pub due_at: i64,
    /// When it expires.
    pub expires_at: i64,
    /// Whether it is gathering and overdue.
    pub overdue: bool,
    /// The edition that it became.
    pub edition: Option<i64>,
    /// The files that are here, by name, each with the day that its figures are of, or an empty text.
    pub files: Vec<(KeptFile, String)>,
    roll_year: Option<i64>,
    status: String,
}

impl EditionSet {
    /// The names of the files that are not here yet.
    #[must_use]
    pub fn missing(&self) -> Vec<&str> {
        let here = |name: &str| self.files.iter().any(|(file, _)| file.name == name);
        self.expected.iter().map(String::as_str).filter(|name| !here(name)).collect()
    }
}

const SET: &str = "source, number, state, expected, mixed, begun_at, due_at, expires_at, edition, roll_year, status, now_us()
                   FROM edition_set";

impl Store {
    /// Begins to gather the files of an edition.
    ///
    /// # Errors
    /// [`StoreError::Settings`] when no file is named, or one twice.
    pub async fn edition_set_begin(
        &self,
        source: &Source,
        expected: &[String],
        mixed: bool,
        notes: &EditionNotes,
        by: &Visitor,
    ) -> Result<EditionSet, StoreError> {
        let mut sorted = expected.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        if sorted.is_empty() || sorted.len() != expected.len() {
            return Err(StoreError::Settings("name the files that are expected, each once".to_owned()));
        }
        let mut tx = self.main.begin().await?;
        tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source.number]).await?;
        let sql = "SELECT coalesce(max(number), 0) + 1 FROM edition_set WHERE source = $1";
        let number: i64 = tx.fetch_one(sql, values![source.number]).await?.map_or(Ok(1), |row| row.get(0))?;
        tx.execute(
            "INSERT INTO edition_set (source, number, state, expected, mixed, roll_year, status, begun_at, due_at, expires_at)
             VALUES ($1, $2, 'gathering', $3, $4, $5, $6, now_us(), now_us() + $7, now_us() + $8)",
            values![
                source.number,
                number,
                Json::from(sorted).to_string(),
                i64::from(mixed),
                notes.roll_year,
                notes.status.name(),
                DUE_DAYS * DAY_US,
                EXPIRES_DAYS * DAY_US
            ],
        )
        .await?;
        let subject = format!("set {number} of {}", source.id);
        note(&mut tx, Entry { office: None, by, action: "set_begun", subject: &subject, detail: "" }).await?;
        tx.commit().await?;
        self.edition_set(source, number).await
    }

    /// A set with its files.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub async fn edition_set(&self, source: &Source, number: i64) -> Result<EditionSet, StoreError> {
        let sql = format!("SELECT {SET} WHERE source = $1 AND number = $2");
        let row = self.main.fetch_one(&sql, values![source.number, number]).await?;
        let missing = || StoreError::Missing { what: "set", id: format!("{}/{number}", source.id) };
        let mut set = set_of(&row.ok_or_else(missing)?)?;
        let sql = "SELECT name, sha256, bytes, object_key, as_of FROM edition_set_file
                   WHERE source = $1 AND edition_set = $2 ORDER BY name";
        for row in self.main.fetch(sql, values![source.number, number]).await? {
            set.files.push(file_of(&row)?);
        }
        Ok(set)
    }

    /// The sets of a source that are gathering, the oldest first, with their files.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_sets_open(&self, source: &Source) -> Result<Vec<EditionSet>, StoreError> {
        let sql = "SELECT number FROM edition_set WHERE source = $1 AND state = 'gathering' ORDER BY number LIMIT 500";
        let mut sets = Vec::new();
        for row in self.main.fetch(sql, values![source.number]).await? {
            sets.push(self.edition_set(source, row.get(0)?).await?);
        }
        Ok(sets)
    }

    /// Puts a kept file into a set. The same bytes under the same name again change nothing; other bytes take their
    /// place. `as_of` is the day that its figures are of, or an empty text where nobody says.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when the set gathers no more, does not expect the file, or has files of another day and
    /// was not begun as mixed.
    pub async fn edition_set_put(
        &self,
        source: &Source,
        number: i64,
        file: &KeptFile,
        as_of: &str,
    ) -> Result<EditionSet, StoreError> {
        let mut tx = self.main.begin().await?;
        let set = gathering(&mut tx, source, number).await?;
        if !set.expected.contains(&file.name) {
            return Err(StoreError::Conflict(format!(
                "the set does not expect {}: it expects {}",
                file.name,
                set.expected.join(", ")
            )));
        }
        let sql = "SELECT name, as_of FROM edition_set_file
                   WHERE source = $1 AND edition_set = $2 AND name <> $3 AND as_of <> $4 ORDER BY name LIMIT 1";
        let other = tx.fetch_one(sql, values![source.number, number, &file.name, as_of]).await?;
        if let Some(other) = other.filter(|_| !set.mixed) {
            let (name, day): (String, String) = (other.get(0)?, other.get(1)?);
            let said =
                |day: &str| if day.is_empty() { "no day is stated".to_owned() } else { day.to_owned() };
            return Err(StoreError::Conflict(format!(
                "{name} is of another day ({}) than {} ({}): send files of one day, or begin a set that says it mixes days",
                said(&day),
                file.name,
                said(as_of)
            )));
        }
        tx.execute(
            "INSERT INTO edition_set_file (source, edition_set, name, sha256, bytes, object_key, as_of, received_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, now_us())
             ON CONFLICT (source, edition_set, name) DO UPDATE SET sha256 = excluded.sha256, bytes = excluded.bytes,
                 object_key = excluded.object_key, as_of = excluded.as_of, received_at = excluded.received_at",
            values![
                source.number,
                number,
                &file.name,
                &file.sha256,
                file.bytes,
                &file.object_key,
                as_of
            ],
        )
        .await?;
        tx.commit().await?;
        self.edition_set(source, number).await
    }

    /// Stages a set whose files are all here as an edition. Said again, it says the same.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when files are missing, or it gathers no more.
    pub async fn edition_set_complete(
        &self,
        source: &Source,
        number: i64,
        layout: &Layout,
        by: &Visitor,
    ) -> Result<EditionArrival, StoreError> {
        let set = self.edition_set(source, number).await?;
        if let (Some(edition), "complete") = (set.edition, set.state.as_str()) {
            let state = self.edition(source.number, edition).await?.state;
            return Ok(EditionArrival::Known { edition, state });
        }
        if !set.missing().is_empty() {
            let missing = set.missing().join(", ");
            return Err(StoreError::Conflict(format!("the set is not complete: {missing} is missing")));
        }
        let mut days: Vec<&str> = set.files.iter().map(|(_, day)| day.as_str()).collect();
        days.dedup();
        let notes = EditionNotes {
            roll_year: set.roll_year.and_then(|year| i32::try_from(year).ok()),
            status: RollStatus::from_name(&set.status).unwrap_or_default(),
            as_of: if let [day] = days.as_slice() { (*day).to_owned() } else { String::new() },
        };
        let files: Vec<KeptFile> = set.files.iter().map(|(file, _)| file.clone()).collect();
        // identity is the bytes: broken off after this, the same call stages the same edition
        let arrival = self.edition_stage(source, layout, &files, &notes).await?;
        let (EditionArrival::Staged { edition, .. } | EditionArrival::Known { edition, .. }) = &arrival;
        let mut tx = self.main.begin().await?;
        gathering(&mut tx, source, number).await?;
        let sql = "SELECT sha256 FROM edition_set_file WHERE source = $1 AND edition_set = $2 ORDER BY name";
        let now = tx.fetch(sql, values![source.number, number]).await?;
        let now = now.iter().map(|row| row.get(0)).collect::<Result<Vec<String>, _>>()?;
        if !now.iter().eq(files.iter().map(|file| &file.sha256)) {
            return Err(StoreError::Conflict(
                "a file was replaced meanwhile: say again that it is complete".to_owned(),
            ));
        }
        let sql = "UPDATE edition_set SET state = 'complete', edition = $1 WHERE source = $2 AND number = $3";
        tx.execute(sql, values![*edition, source.number, number]).await?;
        let subject = format!("set {number} of {}", source.id);
        let detail = format!("edition {edition}");
        note(&mut tx, Entry { office: None, by, action: "set_complete", subject: &subject, detail: &detail })
            .await?;
        tx.commit().await?;
        Ok(arrival)
    }

    /// Gives a set up.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when it gathers no more.
    pub async fn edition_set_give_up(
        &self,
        source: &Source,
        number: i64,
        by: &Visitor,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        gathering(&mut tx, source, number).await?;
        let sql = "UPDATE edition_set SET state = 'given up' WHERE source = $1 AND number = $2";
        tx.execute(sql, values![source.number, number]).await?;
        let subject = format!("set {number} of {}", source.id);
        note(&mut tx, Entry { office: None, by, action: "set_given_up", subject: &subject, detail: "" })
            .await?;
        tx.commit().await
    }

    /// Ends sets that waited too long and tells once of those that are overdue; gives how many there were of both.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_sets_tend(&self) -> Result<usize, StoreError> {
        let sql = "SELECT s.source, s.number, s.expires_at < now_us() FROM edition_set s
                   WHERE s.state = 'gathering' AND (s.expires_at < now_us() OR (s.due_at < now_us() AND s.overdue_told = 0))
                   ORDER BY s.source, s.number";
        let rows = self.main.fetch(sql, values![]).await?;
        for row in &rows {
            let (source, number): (i64, i64) = (row.get(0)?, row.get(1)?);
            let expired: bool = row.get(2)?;
            let source = self.source_by_number(source).await?;
            let missing = self.edition_set(&source, number).await?.missing().join(", ");
            let (change, kind, words) = if expired {
                ("state = 'expired'", "set_expired", "expired")
            } else {
                ("overdue_told = 1", "set_overdue", "is overdue")
            };
            let detail = format!("set {number} {words}: {missing} never came; send it, or begin a new set");
            let mut tx = self.main.begin().await?;
            let sql = format!(
                "UPDATE edition_set SET {change} WHERE source = $1 AND number = $2 AND state = 'gathering' AND {}",
                if expired { "expires_at < now_us()" } else { "overdue_told = 0" }
            );
            if tx.execute(&sql, values![source.number, number]).await? == 1 {
                tx.execute(
                    "INSERT INTO notice (id, office, source, kind, detail, at) VALUES ($1, NULL, $2, $3, $4, now_us())",
                    values![uuid::Uuid::now_v7().to_string(), source.number, kind, detail],
                )
                .await?;
            }
            tx.commit().await?;
        }
        Ok(rows.len())
    }
}

/// Locks a set that is gathering, or says what it is instead.
async fn gathering(tx: &mut Tx, source: &Source, number: i64) -> Result<EditionSet, StoreError> {
    let one = "SELECT number FROM edition_set WHERE source = $1 AND number = $2";
    tx.lock(Lock::Alone, one, values![source.number, number]).await?;
    let sql = format!("SELECT {SET} WHERE source = $1 AND number = $2");
    let row = tx.fetch_one(&sql, values![source.number, number]).await?;
    let missing = || StoreError::Missing { what: "set", id: format!("{}/{number}", source.id) };
    let set = set_of(&row.ok_or_else(missing)?)?;
    if set.state == "gathering" {
        return Ok(set);
    }
    Err(StoreError::Conflict(format!("set {number} is {}: begin a new one", set.state)))
}

fn set_of(row: &Row) -> Result<EditionSet, StoreError> {
    let (state, due_at): (String, i64) = (row.get(2)?, row.get(6)?);
    Ok(EditionSet {
        source: row.get(0)?,
        number: row.get(1)?,
        overdue: state == "gathering" && due_at < row.get::<i64>(11)?,
        state,
        expected: list_of("set of files", &row.get::<String>(3)?)?,
        mixed: row.get::<i64>(4)? != 0,
        begun_at: row.get(5)?,
        due_at,
        expires_at: row.get(7)?,
        edition: row.get(8)?,
        files: Vec::new(),
        roll_year: row.get(9)?,
        status: row.get(10)?,
    })
}

fn file_of(row: &Row) -> Result<(KeptFile, String), StoreError> {
    let (name, sha256, bytes, object_key) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
    Ok((KeptFile { name, sha256, bytes, object_key, within: None }, row.get(4)?))
}

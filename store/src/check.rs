//! What the files of an edition say about themselves, kept with the edition.

use crossfoot_roll::check::{ChangeCheck, DoublesCheck, Gate, Remark, RollCheck, RollChecker};
use crossfoot_roll::layout::Layout;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::database::{Database, Row, values};
use crate::history::{RecordVersion, versions_of_numbers};
use crate::job::{Claim, commit_held, hold};
use crate::source::{Edition, Source};
use crate::{Store, StoreError};

/// The check of an edition.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct EditionCheck {
    /// Counts over its rows: a sum, to which the next edition's differences can be added.
    pub counts: RollCheck,
    /// Rows with the parcel number of an earlier one.
    pub doubles: DoublesCheck,
    /// Areas that changed against the edition before.
    pub changes: ChangeCheck,
    /// What is worth telling.
    pub remarks: Vec<Remark>,
    /// Reasons to keep it out of use.
    pub gates: Vec<Gate>,
}

const COLUMNS: &str = "counts, doubles, changes, remarks, gates";

impl Store {
    /// Keeps the check of an edition that is being loaded; one that was kept before is replaced.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn check_keep(
        &self,
        claim: &Claim,
        place: (i64, i64),
        layout: &Layout,
        check: &EditionCheck,
    ) -> Result<(), StoreError> {
        let summary = check.counts.summary(layout);
        let heaping = summary.area.heaping.as_ref();
        let by_ten = heaping.map(|heaping| (heaping.by_ten * 1_000_000.0).round() as i64);
        let short: i64 = summary.lost_zeros.iter().map(|lost| lost.short).sum();
        let failed: i64 = check.counts.identities.values().map(|identity| identity.failed).sum();
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.execute("DELETE FROM edition_check WHERE source = $1 AND edition = $2", values![place.0, place.1])
            .await?;
        let mut row =
            values![place.0, place.1, summary.area.spread.n, by_ten, short, summary.scientific_ids, failed,];
        row.extend(values![
            text(&check.counts)?,
            text(&check.doubles)?,
            text(&check.changes)?,
            text(&check.remarks)?,
            text(&check.gates)?
        ]);
        let into = format!(
            "edition_check (source, edition, areas, by_ten_ppm, short_ids, scientific_ids, sums_failed, {COLUMNS})"
        );
        tx.insert_many(&into, vec![row], "").await?;
        commit_held(tx, claim).await
    }

    /// The check of an edition; none where it was not loaded yet, or before checks were kept.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn check_of(&self, source: i64, edition: i64) -> Result<Option<EditionCheck>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM edition_check WHERE source = $1 AND edition = $2");
        let row = self.main.fetch_one(&sql, values![source, edition]).await?;
        row.map(|row| check_of(&row)).transpose()
    }

    /// The counts of an edition that was loaded but read only where it changed: those of the edition in use, less the
    /// versions that it replaces or ends, plus those that it brings. Rows that could not be read are the caller's to count:
    /// they are read every time. A later row of a parcel stays counted as it stood when the file was last read whole.
    /// None where the edition in use has no counts or another layout.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn check_moved(
        &self,
        source: &Source,
        edition: &Edition,
    ) -> Result<Option<RollCheck>, StoreError> {
        let (Some(container), Some(current)) = (source.container.as_deref(), source.current_edition) else {
            return Ok(None);
        };
        let Some(before) = self.check_of(source.number, current).await? else { return Ok(None) };
        if self.edition(source.number, current).await?.layout.version() != edition.layout.version() {
            return Ok(None);
        }
        let database = self.records(container).await?;
        let mut checker = RollChecker::resume(&edition.layout, before.counts);
        let mut after = 0;
        loop {
            let changed = changed_after(&database, (source.number, edition.number), after).await?;
            let Some(last) = changed.last() else { return Ok(Some(checker.finish())) };
            after = *last;
            move_by(&mut checker, &database, (source.number, edition), &changed).await?;
        }
    }
}

/// Changed records looked at by one statement.
const CHANGES_A_PAGE: i64 = 2_000;

async fn changed_after(database: &Database, place: (i64, i64), after: i64) -> Result<Vec<i64>, StoreError> {
    let sql = "SELECT number FROM record_change WHERE source = $1 AND edition = $2 AND number > $3
               ORDER BY number LIMIT $4";
    let rows = database.fetch(sql, values![place.0, place.1, after, CHANGES_A_PAGE]).await?;
    rows.iter().map(|row| row.get(0)).collect()
}

/// Takes off what these records were before an edition and adds what they are with it.
async fn move_by(
    checker: &mut RollChecker,
    database: &Database,
    (source, edition): (i64, &Edition),
    changed: &[i64],
) -> Result<(), StoreError> {
    let mut before: Option<RecordVersion> = None;
    for version in versions_of_numbers(database, source, edition.number, changed).await? {
        if version.record.edition == edition.number {
            let replaced = before.take().filter(|before| before.record.number == version.record.number);
            replaced.iter().for_each(|before| count(checker, &edition.layout, before, -1));
            count(checker, &edition.layout, &version, 1);
        } else {
            before = Some(version);
        }
    }
    Ok(())
}

fn count(checker: &mut RollChecker, layout: &Layout, version: &RecordVersion, by: i64) {
    if version.what != "ended" {
        checker.record(layout, &version.record.stored(), by);
    }
}

fn check_of(row: &Row) -> Result<EditionCheck, StoreError> {
    Ok(EditionCheck {
        counts: value(row, 0)?,
        doubles: value(row, 1)?,
        changes: value(row, 2)?,
        remarks: value(row, 3)?,
        gates: value(row, 4)?,
    })
}

fn damaged(error: &serde_json::Error) -> StoreError {
    StoreError::Damaged { what: "check of an edition", why: error.to_string() }
}

fn text(value: &impl Serialize) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| damaged(&e))
}

fn value<T: DeserializeOwned>(row: &Row, at: usize) -> Result<T, StoreError> {
    serde_json::from_str(&row.get::<String>(at)?).map_err(|e| damaged(&e))
}

//! What the files of an edition say about themselves, kept with the edition.

use crossfoot_roll::check::{ChangeCheck, DoublesCheck, Gate, Remark, RollCheck};
use crossfoot_roll::layout::Layout;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::database::{Row, values};
use crate::job::{Claim, commit_held, hold};
use crate::source::Source;
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

    /// What is worth telling of an edition, without the counts behind it; nothing where no check was kept.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn check_remarks(&self, source: i64, edition: i64) -> Result<Vec<Remark>, StoreError> {
        let sql = "SELECT remarks FROM edition_check WHERE source = $1 AND edition = $2";
        let row = self.main.fetch_one(sql, values![source, edition]).await?;
        row.map_or(Ok(Vec::new()), |row| value(&row, 0))
    }

    /// The counts of the edition in use without its later rows of parcels, to be moved to those of the next one by the
    /// same layout. None where it has none, or another layout.
    pub(crate) async fn counts_before(
        &self,
        source: &Source,
        layout: &Layout,
    ) -> Result<Option<RollCheck>, StoreError> {
        let Some(current) = source.current_edition else { return Ok(None) };
        let Some(before) = self.check_of(source.number, current).await? else { return Ok(None) };
        let same = self.edition(source.number, current).await?.layout.version() == layout.version();
        let (mut counts, later) = (before.counts, before.doubles.counts);
        Ok(later.filter(|_| same).map(|later| {
            counts.take_off(&later);
            counts
        }))
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

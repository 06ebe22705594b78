//! What is done by itself: when it is next due, and who takes it.

use crate::database::{Row, values};
use crate::{Store, StoreError};

/// What a schedule does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScheduleKind {
    /// Reconciles an office with every source.
    Reconcile,
    /// Takes files that appeared in a folder as an edition of a source.
    DropFolder,
}

impl ScheduleKind {
    /// Every kind.
    pub const ALL: [ScheduleKind; 2] = [ScheduleKind::Reconcile, ScheduleKind::DropFolder];

    /// The name kept in databases and sent by programs.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ScheduleKind::Reconcile => "reconcile",
            ScheduleKind::DropFolder => "drop_folder",
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<ScheduleKind> {
        ScheduleKind::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// A schedule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Schedule {
    /// Its id.
    pub id: String,
    /// The office of a reconciliation.
    pub office: Option<String>,
    /// The source of a drop folder, or the only one that is reconciled, by number.
    pub source: Option<i64>,
    /// What it does.
    pub kind: ScheduleKind,
    /// When: a cron expression.
    pub cron: String,
    /// In which time zone.
    pub time_zone: String,
    /// The drop folder, or empty.
    pub folder: String,
    /// The layout by which files of a drop folder are read, as TOML, or empty.
    pub layout: String,
    /// When it is next due, microseconds UTC.
    pub next_at: i64,
    /// When it last was taken.
    pub last_at: Option<i64>,
    /// What came of it, or empty.
    pub last_result: String,
}

const SCHEDULE: &str =
    "id, office, source, kind, cron, time_zone, folder, next_at, last_at, last_result, layout";

impl Store {
    /// Writes a schedule, new or changed. False when the id is that of another office's, or of another kind: then nothing
    /// is written.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_put(&self, schedule: &Schedule) -> Result<bool, StoreError> {
        let mut tx = self.main.begin().await?;
        let written = tx.execute(
            "INSERT INTO schedule (id, office, source, kind, cron, time_zone, folder, next_at, layout)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
             ON CONFLICT (id) DO UPDATE SET cron = excluded.cron, time_zone = excluded.time_zone,
                 folder = excluded.folder, next_at = excluded.next_at, layout = excluded.layout, source = excluded.source
             WHERE schedule.office IS NOT DISTINCT FROM excluded.office AND schedule.kind = excluded.kind",
            values![
                &schedule.id,
                schedule.office.clone(),
                schedule.source,
                schedule.kind.name(),
                &schedule.cron,
                &schedule.time_zone,
                &schedule.folder,
                schedule.next_at,
                &schedule.layout
            ],
        )
        .await?;
        tx.commit().await?;
        Ok(written == 1)
    }

    /// Removes a schedule; false when there is none of that id.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_remove(&self, id: &str) -> Result<bool, StoreError> {
        let mut tx = self.main.begin().await?;
        let removed = tx.execute("DELETE FROM schedule WHERE id = $1", values![id]).await?;
        tx.commit().await?;
        Ok(removed == 1)
    }

    /// All schedules, the next first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_list(&self) -> Result<Vec<Schedule>, StoreError> {
        let sql = format!("SELECT {SCHEDULE} FROM schedule ORDER BY next_at, id");
        self.main.fetch(&sql, values![]).await?.iter().map(schedule_of).collect()
    }

    /// Schedules that are due, the longest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_due(&self) -> Result<Vec<Schedule>, StoreError> {
        let sql = format!("SELECT {SCHEDULE} FROM schedule WHERE next_at <= now_us() ORDER BY next_at, id");
        self.main.fetch(&sql, values![]).await?.iter().map(schedule_of).collect()
    }

    /// Takes a due schedule and says when it is due again. False when another process took it: then it does it.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_take(&self, schedule: &Schedule, next_at: i64) -> Result<bool, StoreError> {
        let mut tx = self.main.begin().await?;
        let taken = tx
            .execute(
                "UPDATE schedule SET next_at = $1, last_at = now_us() WHERE id = $2 AND next_at = $3",
                values![next_at, &schedule.id, schedule.next_at],
            )
            .await?;
        tx.commit().await?;
        Ok(taken == 1)
    }

    /// Notes what came of a schedule.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn schedule_result(&self, id: &str, result: &str) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        tx.execute("UPDATE schedule SET last_result = $1 WHERE id = $2", values![result, id]).await?;
        tx.commit().await
    }
}

fn schedule_of(row: &Row) -> Result<Schedule, StoreError> {
    let kind: String = row.get(3)?;
    Ok(Schedule {
        id: row.get(0)?,
        office: row.get(1)?,
        source: row.get(2)?,
        kind: ScheduleKind::from_name(&kind)
            .ok_or(StoreError::Damaged { what: "kind of a schedule", why: kind })?,
        cron: row.get(4)?,
        time_zone: row.get(5)?,
        folder: row.get(6)?,
        next_at: row.get(7)?,
        last_at: row.get(8)?,
        last_result: row.get(9)?,
        layout: row.get(10)?,
    })
}

//! What a source's editions may change before a person is asked, and when the next one is expected.

use crossfoot_roll::check::DefinitionLimits;
use serde::{Deserialize, Serialize};

use crate::access::Visitor;
use crate::audit_log::{Entry, note};
use crate::database::values;
use crate::source::Source;
use crate::{Store, StoreError};

/// Microseconds of a day.
pub const DAY_US: i64 = 24 * 3600 * 1_000_000;

/// Limits of a source. Words that are missing where they are kept have their usual values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Limits {
    /// An edition is held when more than this share of the records is gone.
    pub shrink_share: f64,
    /// It is held when more than so many columns that are not read appear or are gone; one that is read always counts.
    pub header_columns: i64,
    /// It is held when the median area moves by more than this share.
    pub median_share: f64,
    /// Areas that change alike are a change of definition when they are more than this share of the records that were
    /// there before …
    pub definition_share: f64,
    /// … and at least so many records.
    pub definition_records: i64,
    /// An edition is expected so many days after the one before; none is when this is missing.
    pub every_days: Option<i64>,
    /// It is overdue after so many days more.
    pub tolerance_days: i64,
    /// Changes are folded into the base when there are more of them than this share of the records.
    pub compact_share: f64,
}

impl Default for Limits {
    /// Common practice, no source: a roll loses a parcel in a hundred a year to merging, and its median moves by new
    /// building alone, so several times that is a fault until a person says otherwise.
    fn default() -> Limits {
        Limits {
            shrink_share: 0.05,
            header_columns: 0,
            median_share: 0.03,
            definition_share: 0.02,
            definition_records: 200,
            every_days: None,
            tolerance_days: 7,
            compact_share: 0.5,
        }
    }
}

impl Limits {
    /// What is wrong with them, each with the name of the limit; nothing when they can be kept.
    #[must_use]
    pub fn faults(&self) -> Vec<(&'static str, &'static str)> {
        let share = |share: f64| (0.0..=1.0).contains(&share);
        let days = |days: i64| (1..=3660).contains(&days);
        let mut faults = Vec::new();
        for (name, figure) in [
            ("shrink_share", self.shrink_share),
            ("median_share", self.median_share),
            ("definition_share", self.definition_share),
        ] {
            if !share(figure) {
                faults.push((name, "is not between 0 and 1: give a share, 0.05 for 5 %"));
            }
        }
        if !(1..=1_000_000_000).contains(&self.definition_records) {
            faults
                .push(("definition_records", "is not between 1 and 1,000,000,000: give a number of records"));
        }
        if !(0.01..=100.0).contains(&self.compact_share) {
            faults.push(("compact_share", "is not between 0.01 and 100: give a share of the records"));
        }
        if !(0..=10_000).contains(&self.header_columns) {
            faults.push(("header_columns", "is not between 0 and 10,000: give a number of columns"));
        }
        if !self.every_days.is_none_or(days) {
            faults.push(("every_days", "is not between 1 and 3,660: give a number of days"));
        }
        if !(0..=3660).contains(&self.tolerance_days) {
            faults.push(("tolerance_days", "is not between 0 and 3,660: give a number of days"));
        }
        faults
    }

    /// From when on areas that change alike are a change of what the publisher counts.
    #[must_use]
    pub fn definition(&self) -> DefinitionLimits {
        DefinitionLimits { percent: self.definition_share * 100.0, records: self.definition_records }
    }
}

/// A source whose next edition is expected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expected {
    /// The source's name.
    pub source: String,
    /// When its newest edition arrived that was not refused or withdrawn, microseconds UTC.
    pub last_at: i64,
    /// When the next one is due.
    pub due_at: i64,
    /// Whether that is past, with the tolerance.
    pub overdue: bool,
}

impl Store {
    /// The limits of a source.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when they cannot be read back.
    pub async fn limits(&self, source: i64) -> Result<Limits, StoreError> {
        let sql = "SELECT document FROM source_limits WHERE source = $1";
        match self.main.fetch_one(sql, values![source]).await? {
            None => Ok(Limits::default()),
            Some(row) => limits_of(&row.get::<String>(0)?),
        }
    }

    /// Keeps the limits of a source.
    ///
    /// # Errors
    /// [`StoreError::Settings`] when they are out of bounds, with what would mend it.
    pub async fn limits_keep(
        &self,
        source: &Source,
        limits: &Limits,
        by: &Visitor,
    ) -> Result<(), StoreError> {
        if let Some((name, fault)) = limits.faults().first() {
            return Err(StoreError::Settings(format!("{name} {fault}")));
        }
        let document = serde_json::to_string(limits)
            .map_err(|e| StoreError::Damaged { what: "limits of a source", why: e.to_string() })?;
        let mut tx = self.main.begin().await?;
        tx.execute(
            "INSERT INTO source_limits (source, document, saved_at) VALUES ($1, $2, now_us())
             ON CONFLICT (source) DO UPDATE SET document = excluded.document, saved_at = excluded.saved_at",
            values![source.number, &document],
        )
        .await?;
        let subject = format!("source {}", source.id);
        note(&mut tx, Entry { office: None, by, action: "limits_set", subject: &subject, detail: &document })
            .await?;
        tx.commit().await
    }

    /// The sources whose next edition is expected, the longest due first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn expected_editions(&self) -> Result<Vec<Expected>, StoreError> {
        Ok(self.expectations().await?.into_iter().map(|(expected, ..)| expected).collect())
    }

    /// The sources that are overdue and were not told to be since their last edition; each is given once, and a notice
    /// of it is written in the words given.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn overdue_to_tell(
        &self,
        words: impl Fn(&Expected) -> String,
    ) -> Result<Vec<Expected>, StoreError> {
        let mut to_tell = Vec::new();
        for (expected, number, told) in self.expectations().await? {
            if !expected.overdue || told == expected.last_at {
                continue;
            }
            let mut tx = self.main.begin().await?;
            let sql = "UPDATE source_limits SET overdue_told = $1 WHERE source = $2 AND overdue_told <> $1";
            if tx.execute(sql, values![expected.last_at, number]).await? == 1 {
                tx.execute(
                    "INSERT INTO notice (id, office, source, kind, detail, at) VALUES ($1, NULL, $2, $3, $4, now_us())",
                    values![uuid::Uuid::now_v7().to_string(), number, "source_overdue", words(&expected)],
                )
                .await?;
                tx.commit().await?;
                to_tell.push(expected);
            }
        }
        Ok(to_tell)
    }

    /// What is expected, with the source's number and the arrival after which it was told to be overdue.
    async fn expectations(&self) -> Result<Vec<(Expected, i64, i64)>, StoreError> {
        let sql = "SELECT s.id, s.number, l.document, l.overdue_told, now_us(),
                          coalesce((SELECT max(e.received_at) FROM edition e
                                    WHERE e.source = s.number AND e.state NOT IN ('refused', 'withdrawn')), l.saved_at)
                   FROM source_limits l JOIN source s ON s.number = l.source ORDER BY s.id";
        let mut all = Vec::new();
        for row in self.main.fetch(sql, values![]).await? {
            let limits = limits_of(&row.get::<String>(2)?)?;
            let Some(every) = limits.every_days else { continue };
            let (now, last_at): (i64, i64) = (row.get(4)?, row.get(5)?);
            let due_at = last_at.saturating_add(every.saturating_mul(DAY_US));
            let overdue = due_at.saturating_add(limits.tolerance_days.saturating_mul(DAY_US)) < now;
            all.push((Expected { source: row.get(0)?, last_at, due_at, overdue }, row.get(1)?, row.get(3)?));
        }
        all.sort_by_key(|(expected, ..)| expected.due_at);
        Ok(all)
    }
}

fn limits_of(text: &str) -> Result<Limits, StoreError> {
    serde_json::from_str(text)
        .map_err(|e| StoreError::Damaged { what: "limits of a source", why: e.to_string() })
}

//! Records of a source at an edition: the newest change up to it, else the base. And its quarantine.

use std::collections::BTreeMap;

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::record_view::{NamedValue, RowPlace, StoredRecord, record_rows, record_view};

use crate::database::{self, Database, Row, texts, values};
use crate::source::Source;
use crate::{Store, StoreError};

/// One property's entry in a source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// Its number within the source.
    pub number: i64,
    /// The edition that this version came with.
    pub edition: i64,
    /// The normalised parcel number.
    pub parcel_key: String,
    /// The parcel number as published.
    pub parcel_raw: String,
    /// The situs address as published.
    pub situs: String,
    /// The recorded area.
    pub area: Option<Area>,
    /// The recorded value.
    pub value: Option<Money>,
    /// The year built.
    pub year_built: Option<i64>,
    /// The class of use as published.
    pub class: String,
    /// The further mapped columns as published, a JSON array in the layout's order, or a JSON object of a record that
    /// was put together; [`Record::view`] reads both.
    pub rest: String,
    /// Two rows of the edition have this parcel and disagree in the area.
    pub conflict: bool,
    /// File of the edition, from 0.
    pub file: i64,
    /// Line of the file.
    pub line: i64,
    /// First byte of the row.
    pub byte_start: i64,
    /// Bytes of the row.
    pub byte_length: i64,
}

impl Record {
    /// All its values with the building, column and rows of each, by the layout of the edition that it came with.
    #[must_use]
    pub fn view(&self, layout: &Layout) -> Vec<NamedValue> {
        record_view(layout, &self.stored())
    }

    /// The rows that it was put together from, its own first.
    #[must_use]
    pub fn rows(&self) -> Vec<RowPlace> {
        record_rows(&self.stored())
    }

    pub(crate) fn stored(&self) -> StoredRecord<'_> {
        StoredRecord {
            parcel_raw: &self.parcel_raw,
            situs: &self.situs,
            area: self.area,
            value: self.value,
            year_built: self.year_built,
            class: &self.class,
            rest: &self.rest,
            row: RowPlace {
                file: u16::try_from(self.file).unwrap_or_default(),
                line: self.line.unsigned_abs(),
                byte_start: self.byte_start.unsigned_abs(),
                byte_length: u32::try_from(self.byte_length).unwrap_or_default(),
            },
        }
    }
}

/// A row in quarantine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RejectView {
    /// Its place in the quarantine of the edition.
    pub number: i64,
    /// File of the edition, from 0.
    pub file: i64,
    /// Line of the file.
    pub line: i64,
    /// Column at fault, where one is.
    pub column: Option<String>,
    /// Why, as a kind.
    pub reason: String,
    /// Why, as a sentence.
    pub detail: String,
    /// The row as published, where it was kept.
    pub raw: Option<Vec<u8>>,
    /// First byte of the row in its file.
    pub byte_start: i64,
    /// Bytes of the row.
    pub byte_length: i64,
}

/// Columns of a record's version after its number, edition and kind.
pub(crate) const CONTENT: &str = "parcel_key, parcel_raw, situs, area_um2, value_cents, year_built, class, rest, \
                                  content_hash, file, line, byte_start, byte_length, conflict";

/// Keys that one statement looks up.
const KEYS_A_STATEMENT: usize = 500;

impl Store {
    /// The records of the source's current edition with these keys.
    ///
    /// # Errors
    /// [`StoreError`] of the database; [`StoreError::Missing`] when the source has no edition yet.
    pub async fn record_by_keys(&self, source: &Source, keys: &[String]) -> Result<Vec<Record>, StoreError> {
        let (container, edition) = in_use(source)?;
        let database = self.records(container).await?;
        let mut found = Vec::with_capacity(keys.len());
        for keys in keys.chunks(KEYS_A_STATEMENT) {
            found.extend(versions_at(&database, source.number, edition, keys).await?);
        }
        Ok(found)
    }

    /// How many records the source's current edition has, how many of them an area, and the exact sums of area
    /// (square micrometres) and value (cents) over them.
    ///
    /// # Errors
    /// As [`Store::record_by_keys`].
    pub async fn record_totals(&self, source: &Source) -> Result<RecordTotals, StoreError> {
        let (container, edition) = in_use(source)?;
        let database = self.records(container).await?;
        totals(&database, source.number, edition).await
    }

    /// Rows in quarantine of an edition after a place in it: those that could not be read in the order of the files, then
    /// those whose parcel stands on an earlier row.
    ///
    /// # Errors
    /// As [`Store::record_by_keys`].
    pub async fn reject_list(
        &self,
        source: &Source,
        edition: i64,
        after: i64,
        limit: i64,
    ) -> Result<Vec<RejectView>, StoreError> {
        let (container, _) = in_use(source)?;
        let database = self.records(container).await?;
        let rows = database
            .fetch(
                "SELECT number, file, line, column_name, reason, detail, raw, byte_start, byte_length FROM reject
                 WHERE source = $1 AND edition = $2 AND number > $3 ORDER BY number LIMIT $4",
                values![source.number, edition, after, limit],
            )
            .await?;
        rows.iter().map(reject_of).collect()
    }

    /// Number of rows in quarantine of an edition by reason.
    ///
    /// # Errors
    /// As [`Store::record_by_keys`].
    pub async fn reject_counts(
        &self,
        source: &Source,
        edition: i64,
    ) -> Result<BTreeMap<String, i64>, StoreError> {
        let (container, _) = in_use(source)?;
        let database = self.records(container).await?;
        let sql = "SELECT reason, count(*) FROM reject WHERE source = $1 AND edition = $2 GROUP BY reason";
        let rows = database.fetch(sql, values![source.number, edition]).await?;
        rows.iter().map(|row| Ok((row.get(0)?, row.get(1)?))).collect()
    }
}

impl Store {
    /// The database that the records of a source in use lie in.
    pub(crate) async fn records_in_use(&self, source: &Source) -> Result<Database, StoreError> {
        self.records(in_use(source)?.0).await
    }
}

/// Totals over the records of an edition.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RecordTotals {
    /// Records.
    pub records: i64,
    /// Records with an area.
    pub with_area: i64,
    /// Sum of the areas, square micrometres.
    pub area_um2: i128,
    /// Sum of the values, cents.
    pub value_cents: i128,
}

/// Rows that the totals read at once.
const TOTALS_PAGE: i64 = 20_000;

async fn totals(database: &Database, source: i64, edition: i64) -> Result<RecordTotals, StoreError> {
    let mut sum = RecordTotals::default();
    // the base is summed whole, in two halves of each figure lest 64 bits overflow; then the changes move it
    let base = "SELECT count(*), count(area_um2), coalesce(sum(area_um2 / 1000000), 0), coalesce(sum(area_um2 % 1000000), 0),
                       coalesce(sum(value_cents / 1000000), 0), coalesce(sum(value_cents % 1000000), 0)
                FROM record WHERE source = $1";
    let base = match database {
        Database::Sqlite { .. } => base.to_owned(),
        // PostgreSQL sums 64-bit numbers as numeric
        Database::Postgres(_) => base.replace("), 0)", "), 0)::bigint"),
    };
    if let Some(row) = database.fetch_one(&base, values![source]).await? {
        sum.records = row.get(0)?;
        sum.with_area = row.get(1)?;
        let whole = |high: i64, low: i64| i128::from(high) * 1_000_000 + i128::from(low);
        sum.area_um2 = whole(row.get(2)?, row.get(3)?);
        sum.value_cents = whole(row.get(4)?, row.get(5)?);
    }
    let (mut after, mut more) = (0, true);
    while more {
        let rows = database
            .fetch(
                "SELECT DISTINCT number FROM record_change WHERE source = $1 AND edition <= $2 AND number > $3
                 ORDER BY number LIMIT $4",
                values![source, edition, after, TOTALS_PAGE],
            )
            .await?;
        let numbers = rows.iter().map(|row| row.get(0)).collect::<Result<Vec<i64>, _>>()?;
        more = i64::try_from(numbers.len()).is_ok_and(|n| n == TOTALS_PAGE);
        after = numbers.last().copied().unwrap_or(after);
        for chunk in numbers.chunks(KEYS_A_STATEMENT) {
            move_totals(database, source, edition, chunk, &mut sum).await?;
        }
    }
    Ok(sum)
}

async fn move_totals(
    database: &Database,
    source: i64,
    edition: i64,
    numbers: &[i64],
    sum: &mut RecordTotals,
) -> Result<(), StoreError> {
    let values = vec![source.into(), edition.into(), database::numbers(numbers)];
    let sql = format!(
        "SELECT number, 0, 'base', {CONTENT} FROM record WHERE source = $1 AND 0 < $2 AND number = ANY (numbers($3))
         UNION ALL
         SELECT number, edition, what, {CONTENT} FROM record_change
         WHERE source = $1 AND edition <= $2 AND number = ANY (numbers($3)) ORDER BY 1, 2"
    );
    let (mut before, mut now) = (BTreeMap::new(), BTreeMap::new());
    for row in database.fetch(&sql, values).await? {
        let (number, what): (i64, String) = (row.get(0)?, row.get(2)?);
        if what == "base" {
            before.insert(number, record_of(&row)?);
        }
        if what == "ended" {
            now.remove(&number);
        } else {
            now.insert(number, record_of(&row)?);
        }
    }
    for (sign, records) in [(-1, &before), (1, &now)] {
        for record in records.values() {
            sum.records += sign;
            sum.with_area += sign * i64::from(record.area.is_some());
            sum.area_um2 += i128::from(sign) * i128::from(record.area.map_or(0, Area::square_micrometres));
            sum.value_cents += i128::from(sign) * i128::from(record.value.map_or(0, Money::cents));
        }
    }
    Ok(())
}

pub(crate) fn in_use(source: &Source) -> Result<(&str, i64), StoreError> {
    source
        .container
        .as_deref()
        .zip(source.current_edition)
        .ok_or_else(|| StoreError::Missing { what: "current edition of", id: source.id.clone() })
}

async fn versions_at(
    database: &Database,
    source: i64,
    edition: i64,
    keys: &[String],
) -> Result<Vec<Record>, StoreError> {
    let values = vec![source.into(), edition.into(), texts(keys.iter().map(String::as_str))];
    let sql = format!(
        "SELECT number, since_edition, 'base', {CONTENT} FROM record WHERE source = $1 AND since_edition <= $2 AND parcel_key = ANY (texts($3))
         UNION ALL
         SELECT number, edition, what, {CONTENT} FROM record_change
         WHERE source = $1 AND edition <= $2 AND parcel_key = ANY (texts($3)) ORDER BY 1, 2"
    );
    let mut newest: BTreeMap<i64, Record> = BTreeMap::new();
    for row in database.fetch_bulk(&sql, values).await? {
        let what: String = row.get(2)?;
        if what == "ended" {
            newest.remove(&row.get(0)?);
        } else {
            let record = record_of(&row)?;
            newest.insert(record.number, record);
        }
    }
    Ok(newest.into_values().collect())
}

pub(crate) fn record_of(row: &Row) -> Result<Record, StoreError> {
    Ok(Record {
        number: row.get(0)?,
        edition: row.get(1)?,
        parcel_key: row.get(3)?,
        parcel_raw: row.get(4)?,
        situs: row.get(5)?,
        area: row.get::<Option<i64>>(6)?.map(Area::from_square_micrometres),
        value: row.get::<Option<i64>>(7)?.map(Money::from_cents),
        year_built: row.get(8)?,
        class: row.get(9)?,
        rest: row.get(10)?,
        file: row.get(12)?,
        line: row.get(13)?,
        byte_start: row.get(14)?,
        byte_length: row.get(15)?,
        conflict: row.get::<i64>(16)? != 0,
    })
}

pub(crate) fn reject_of(row: &Row) -> Result<RejectView, StoreError> {
    Ok(RejectView {
        number: row.get(0)?,
        file: row.get(1)?,
        line: row.get(2)?,
        column: row.get(3)?,
        reason: row.get(4)?,
        detail: row.get(5)?,
        raw: row.get(6)?,
        byte_start: row.get(7)?,
        byte_length: row.get(8)?,
    })
}

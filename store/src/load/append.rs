//! A later edition: every row is looked up by its key, and only what is new, changed or gone is appended under the
//! edition's number. Nothing of the base is touched.
//!
//! Memory: one bit a record for "seen" and one for "live". Cost: one look-up of 500 keys for each 500 rows.

use std::collections::HashMap;

use crossfoot_roll::entry::Entry;
use tokio::sync::mpsc;

use super::duplicates::{self, Repeat, Version};
use super::{LoadBatch, counted, hash_bits};
use crate::StoreError;
use crate::database::{Database, Row, Tx, Value, texts, values};
use crate::record::CONTENT;
use crate::source::{EditionCounts, Source};

/// Entries looked up by one statement.
const KEYS_A_STATEMENT: usize = 500;
/// Records read at once when looking for those that are gone.
const PAGE: i64 = 20_000;

/// A set of record numbers, a bit each.
#[derive(Default)]
struct Numbers(Vec<u64>);

impl Numbers {
    fn place(number: i64) -> (usize, u64) {
        let number = number.unsigned_abs();
        (usize::try_from(number / 64).unwrap_or(usize::MAX), 1 << (number % 64))
    }

    /// Adds a number; false when it was in already.
    fn insert(&mut self, number: i64) -> bool {
        let (word, bit) = Numbers::place(number);
        if word >= self.0.len() {
            self.0.resize(word + 1, 0);
        }
        let Some(slot) = self.0.get_mut(word) else { return false };
        let fresh = *slot & bit == 0;
        *slot |= bit;
        fresh
    }

    fn contains(&self, number: i64) -> bool {
        let (word, bit) = Numbers::place(number);
        self.0.get(word).is_some_and(|slot| slot & bit != 0)
    }
}

/// The newest version of a record, this edition's included.
struct Newest {
    version: Version,
    ended: bool,
    conflict: bool,
}

struct Loading {
    source: i64,
    edition: i64,
    next_number: i64,
    seen: Numbers,
    counts: EditionCounts,
}

/// Appends an edition.
pub(super) async fn load(
    database: &Database,
    source: &Source,
    edition: i64,
    mut batches: mpsc::Receiver<LoadBatch>,
) -> Result<EditionCounts, StoreError> {
    forget_earlier_attempt(database, source.number, edition).await?;
    let mut loading = Loading {
        source: source.number,
        edition,
        next_number: next_number(database, source.number).await?,
        seen: Numbers::default(),
        counts: EditionCounts::default(),
    };
    while let Some(batch) = batches.recv().await {
        let mut tx = database.begin().await?;
        for entries in batch.entries.chunks(KEYS_A_STATEMENT) {
            loading.take(&mut tx, batch.file, entries).await?;
        }
        loading.reject(&mut tx, batch.file, &batch.rejects).await?;
        tx.commit().await?;
    }
    loading.end_the_unseen(database).await?;
    Ok(loading.counts)
}

/// Parcel numbers of the records that an edition changed.
pub(super) async fn changed_keys(
    database: &Database,
    source: i64,
    edition: i64,
) -> Result<Vec<String>, StoreError> {
    let sql = "SELECT parcel_key FROM record_change WHERE source = $1 AND edition = $2";
    database.fetch(sql, values![source, edition]).await?.iter().map(|row| row.get(0)).collect()
}

async fn forget_earlier_attempt(database: &Database, source: i64, edition: i64) -> Result<(), StoreError> {
    let mut tx = database.begin().await?;
    for table in ["record_change", "reject"] {
        let sql = format!("DELETE FROM {table} WHERE source = $1 AND edition >= $2");
        tx.execute(&sql, values![source, edition]).await?;
    }
    tx.commit().await
}

async fn next_number(database: &Database, source: i64) -> Result<i64, StoreError> {
    let sql = "SELECT coalesce(max(n), 0) + 1 FROM (
                   SELECT max(number) AS n FROM record WHERE source = $1
                   UNION ALL SELECT max(number) FROM record_change WHERE source = $1) AS numbers";
    database.fetch_one(sql, values![source]).await?.map_or(Ok(1), |row| row.get(0))
}

impl Loading {
    async fn take(&mut self, tx: &mut Tx, file: i64, entries: &[Entry]) -> Result<(), StoreError> {
        let mut known = self.look_up(tx, entries).await?;
        let mut appended: HashMap<i64, Vec<Value>> = HashMap::new();
        let mut rejects = Vec::new();
        for entry in entries {
            let found = known.get(&entry.parcel_key).filter(|newest| !newest.ended);
            let number = found.map_or(self.next_number, |newest| newest.version.number);
            let here = version(number, file, entry);
            if self.seen.contains(number) {
                let Some(first) = found else { continue };
                match duplicates::repeat(&first.version, &here) {
                    Repeat::Same => self.counts.rows_repeated += 1,
                    Repeat::Other { area } => {
                        self.counts.rows_rejected += 1;
                        rejects.push(self.reject_row(&first.version, &here));
                        if area {
                            self.mark(tx, &mut appended, number).await?;
                        }
                    }
                }
                continue;
            }
            self.seen.insert(number);
            self.counts.rows_entered += 1;
            let what = match found {
                None => {
                    self.next_number += 1;
                    self.counts.records_new += 1;
                    "new"
                }
                Some(newest)
                    if duplicates::repeat(&newest.version, &here) == Repeat::Same && !newest.conflict =>
                {
                    self.counts.records_unchanged += 1;
                    continue;
                }
                Some(_) => {
                    self.counts.records_changed += 1;
                    "changed"
                }
            };
            appended.insert(number, self.change_row(number, what, file, entry));
            let newest = Newest { version: here, ended: false, conflict: false };
            known.insert(entry.parcel_key.clone(), newest);
        }
        let changes = format!("record_change (source, edition, number, what, {CONTENT})");
        tx.insert_many(&changes, appended.into_values().collect(), "").await?;
        tx.insert_many(REJECTS, rejects, "").await?;
        Ok(())
    }

    /// The newest versions of the entries' parcels, by key.
    async fn look_up(&self, tx: &mut Tx, entries: &[Entry]) -> Result<HashMap<String, Newest>, StoreError> {
        let columns =
            "parcel_key, content_hash, area_um2, parcel_raw, file, line, byte_start, byte_length, conflict";
        let sql = format!(
            "SELECT number, since_edition, 'base', {columns} FROM record
             WHERE source = $1 AND since_edition <= $2 AND parcel_key = ANY (texts($3))
             UNION ALL
             SELECT number, edition, what, {columns} FROM record_change
             WHERE source = $1 AND edition <= $2 AND parcel_key = ANY (texts($3)) ORDER BY 1, 2"
        );
        let keys = texts(entries.iter().map(|entry| entry.parcel_key.as_str()));
        let values = vec![self.source.into(), self.edition.into(), keys];
        let mut newest = HashMap::new();
        for row in tx.fetch(&sql, values).await? {
            newest.insert(row.get::<String>(3)?, newest_of(&row)?);
        }
        Ok(newest)
    }

    /// Marks a record of this edition as in conflict; a record that was unchanged so far gets a row of its own.
    async fn mark(
        &mut self,
        tx: &mut Tx,
        appended: &mut HashMap<i64, Vec<Value>>,
        number: i64,
    ) -> Result<(), StoreError> {
        if let Some(conflict) = appended.get_mut(&number).and_then(|row| row.last_mut()) {
            *conflict = Value::from(1i64);
            return Ok(());
        }
        let marked = tx
            .execute(
                "UPDATE record_change SET conflict = 1 WHERE source = $1 AND edition = $2 AND number = $3",
                values![self.source, self.edition, number],
            )
            .await?;
        if marked == 0 {
            let content = CONTENT.trim_end_matches(", conflict");
            let newest = format!(
                "SELECT edition, {content} FROM (
                     SELECT since_edition AS edition, {content} FROM record WHERE source = $1 AND number = $3
                     UNION ALL SELECT edition, {content} FROM record_change WHERE source = $1 AND number = $3
                 ) AS versions ORDER BY edition DESC LIMIT 1"
            );
            let sql = format!(
                "INSERT INTO record_change (source, edition, number, what, {content}, conflict)
                 SELECT $1, $2, $3, 'changed', {content}, 1 FROM ({newest}) AS newest"
            );
            tx.execute(&sql, values![self.source, self.edition, number]).await?;
            self.counts.records_unchanged -= 1;
            self.counts.records_changed += 1;
        }
        Ok(())
    }

    fn change_row(&self, number: i64, what: &str, file: i64, entry: &Entry) -> Vec<Value> {
        values![
            self.source,
            self.edition,
            number,
            what,
            &entry.parcel_key,
            &entry.parcel_raw,
            &entry.situs,
            entry.area.map(crossfoot_audit::area::Area::square_micrometres),
            entry.value.map(crossfoot_audit::money::Money::cents),
            entry.year_built,
            &entry.class,
            &entry.rest,
            hash_bits(entry.content_hash),
            file,
            counted(entry.line),
            counted(entry.byte_start),
            i64::from(entry.byte_length),
            0i64
        ]
    }

    fn reject_row(&self, first: &Version, later: &Version) -> Vec<Value> {
        values![
            self.source,
            self.edition,
            self.counts.rows_rejected,
            later.file,
            later.line,
            later.byte_start,
            later.byte_length,
            Option::<String>::None,
            duplicates::REASON.name(),
            duplicates::detail(first, later),
            Option::<Vec<u8>>::None
        ]
    }

    async fn reject(
        &mut self,
        tx: &mut Tx,
        file: i64,
        rejects: &[crossfoot_roll::entry::Reject],
    ) -> Result<(), StoreError> {
        let mut rows = Vec::with_capacity(rejects.len());
        for reject in rejects {
            self.counts.rows_rejected += 1;
            rows.push(values![
                self.source,
                self.edition,
                self.counts.rows_rejected,
                file,
                counted(reject.line),
                counted(reject.byte_start),
                counted(reject.byte_length),
                reject.column.clone(),
                reject.reason.name(),
                &reject.detail,
                reject.raw.clone()
            ]);
        }
        tx.insert_many(REJECTS, rows, "").await?;
        Ok(())
    }

    /// Every record that was live before and was not seen is at its end.
    async fn end_the_unseen(&mut self, database: &Database) -> Result<(), StoreError> {
        let mut after = 0;
        loop {
            let rows = self.page_of_records(database, after).await?;
            let Some(last) = rows.last() else { return Ok(()) };
            after = last.get(0)?;
            let mut ended = Vec::new();
            for row in &rows {
                let (number, what): (i64, String) = (row.get(0)?, row.get(1)?);
                if what != "ended" && !self.seen.contains(number) {
                    ended.push(self.end_row(number, &row.get::<String>(2)?));
                }
            }
            self.counts.records_ended += counted(ended.len() as u64);
            let mut tx = database.begin().await?;
            let changes = format!("record_change (source, edition, number, what, {CONTENT})");
            tx.insert_many(&changes, ended, "").await?;
            tx.commit().await?;
        }
    }

    /// Numbers, newest kind and key of the records after a number, as they stood before this edition.
    async fn page_of_records(&self, database: &Database, after: i64) -> Result<Vec<Row>, StoreError> {
        database
            .fetch(
                "SELECT number, coalesce((SELECT c.what FROM record_change c
                                          WHERE c.source = $1 AND c.number = n.number AND c.edition < $2
                                          ORDER BY c.edition DESC LIMIT 1), 'base'), parcel_key
                 FROM (SELECT number, parcel_key FROM record WHERE source = $1 AND number > $3
                       UNION
                       SELECT number, parcel_key FROM record_change WHERE source = $1 AND number > $3 AND edition < $2
                       ORDER BY number LIMIT $4) AS n
                 ORDER BY number",
                values![self.source, self.edition, after, PAGE],
            )
            .await
    }

    fn end_row(&self, number: i64, key: &str) -> Vec<Value> {
        let none = || Value::Int(None);
        let nothing = || Value::from("");
        let zero = || Value::from(0i64);
        let mut row = values![self.source, self.edition, number, "ended", key];
        row.extend([nothing(), nothing(), none(), none(), none(), nothing(), nothing()]);
        row.extend([zero(), zero(), zero(), zero(), zero(), zero()]);
        row
    }
}

const REJECTS: &str =
    "reject (source, edition, number, file, line, byte_start, byte_length, column_name, reason, detail, raw)";

fn version(number: i64, file: i64, entry: &Entry) -> Version {
    Version {
        number,
        content_hash: hash_bits(entry.content_hash),
        area_um2: entry.area.map(crossfoot_audit::area::Area::square_micrometres),
        parcel_raw: entry.parcel_raw.clone(),
        file,
        line: counted(entry.line),
        byte_start: counted(entry.byte_start),
        byte_length: i64::from(entry.byte_length),
    }
}

fn newest_of(row: &Row) -> Result<Newest, StoreError> {
    Ok(Newest {
        ended: row.get::<String>(2)? == "ended",
        version: Version {
            number: row.get(0)?,
            content_hash: row.get(4)?,
            area_um2: row.get(5)?,
            parcel_raw: row.get(6)?,
            file: row.get(7)?,
            line: row.get(8)?,
            byte_start: row.get(9)?,
            byte_length: row.get(10)?,
        },
        conflict: row.get::<i64>(11)? != 0,
    })
}

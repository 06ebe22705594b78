//! A later edition: every row is looked up by its key, and only what is new, changed or gone is appended under the
//! edition's number. Nothing of the base is touched.
//!
//! Memory: sixteen bytes a record for where this edition has it. Cost: one look-up of 500 keys for each 500 rows.

use std::collections::HashMap;

use crossfoot_audit::area::Area;
use crossfoot_roll::check::{ChangeCheck, ChangeChecker, Doubles, DoublesSeen};
use crossfoot_roll::entry::{Entry, Reject};
use tokio::sync::mpsc;

use super::duplicates::{self, Repeat, Version};
use super::{LoadBatch, REJECTS, counted, hash_bits, reject_row};
use crate::StoreError;
use crate::database::{Database, Row, Tx, Value, texts, values};
use crate::record::CONTENT;
use crate::source::{EditionCounts, Source};

/// Entries looked up by one statement.
const KEYS_A_STATEMENT: usize = 500;
/// Record numbers looked at at once for those that are gone.
const PAGE: i64 = 20_000;

/// Rows written in one transaction: each ends on disk, which takes milliseconds.
const ROWS_A_COMMIT: usize = 20_000;

/// Where this edition has a record: a later row with the same parcel must name the line, also of an unchanged record.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Place {
    /// The file from 1 in the upper 16 bits (0: not seen), the first byte in the others.
    file_and_start: u64,
    line: u32,
    byte_length: u32,
}

const START_BITS: u32 = 48;

impl Place {
    fn of(version: &Version) -> Place {
        let file = (version.file + 1).unsigned_abs();
        Place {
            file_and_start: file << START_BITS | version.byte_start.unsigned_abs(),
            line: u32::try_from(version.line).unwrap_or(u32::MAX),
            byte_length: u32::try_from(version.byte_length).unwrap_or(u32::MAX),
        }
    }

    /// A version with this place.
    fn put_on(self, version: &Version) -> Version {
        Version {
            file: counted(self.file_and_start >> START_BITS) - 1,
            byte_start: counted(self.file_and_start & ((1 << START_BITS) - 1)),
            line: i64::from(self.line),
            byte_length: i64::from(self.byte_length),
            ..version.clone()
        }
    }
}

/// The places of the records seen so far, by number.
#[derive(Default)]
struct Seen(Vec<Place>);

impl Seen {
    fn insert(&mut self, number: i64, place: Place) {
        let at = usize::try_from(number).unwrap_or(0);
        if at >= self.0.len() {
            self.0.resize(at + 1, Place::default());
        }
        if let Some(slot) = self.0.get_mut(at) {
            *slot = place;
        }
    }

    fn get(&self, number: i64) -> Option<Place> {
        let place = usize::try_from(number).ok().and_then(|at| self.0.get(at));
        place.copied().filter(|place| *place != Place::default())
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
    seen: Seen,
    counts: EditionCounts,
    doubles: Doubles,
    changes: ChangeChecker,
}

/// Appends an edition.
pub(super) async fn load(
    database: &Database,
    source: &Source,
    edition: i64,
    mut batches: mpsc::Receiver<LoadBatch>,
    (doubles, changes): (Doubles, ChangeChecker),
) -> Result<(EditionCounts, DoublesSeen, ChangeCheck), StoreError> {
    forget_earlier_attempts(database, source, edition).await?;
    let mut loading = Loading {
        source: source.number,
        edition,
        next_number: next_number(database, source.number).await?,
        seen: Seen::default(),
        counts: EditionCounts::default(),
        doubles,
        changes,
    };
    let (mut tx, mut rows, mut commits) = (database.begin().await?, 0, 0usize);
    while let Some(batch) = batches.recv().await {
        for entries in batch.entries.chunks(KEYS_A_STATEMENT) {
            loading.take(&mut tx, batch.file, entries).await?;
        }
        loading.reject(&mut tx, batch.file, &batch.rejects).await?;
        rows += batch.entries.len() + batch.rejects.len();
        if rows >= ROWS_A_COMMIT {
            tx.commit().await?;
            commits += 1;
            if commits.is_power_of_two() {
                database.analyze("record_change").await?;
            }
            (tx, rows) = (database.begin().await?, 0);
        }
    }
    tx.commit().await?;
    loading.end_the_unseen(database).await?;
    database.analyze("record_change").await?;
    Ok((loading.counts, loading.doubles.finish(), loading.changes.finish()))
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

/// Removes what attempts left behind that never came into use: of this edition, and of refused ones before it, whose
/// changes would else count as part of this one.
async fn forget_earlier_attempts(
    database: &Database,
    source: &Source,
    edition: i64,
) -> Result<(), StoreError> {
    let mut tx = database.begin().await?;
    tx.execute(
        "DELETE FROM record_change WHERE source = $1 AND edition > $2",
        values![source.number, source.current_edition.unwrap_or(0)],
    )
    .await?;
    tx.execute("DELETE FROM reject WHERE source = $1 AND edition = $2", values![source.number, edition])
        .await?;
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
            if let Some((place, first)) = self.seen.get(number).zip(found) {
                let first = place.put_on(&first.version);
                self.doubles.note(&entry.parcel_key, first.place(), here.place());
                match duplicates::repeat(&first, &here) {
                    Repeat::Same => self.counts.rows_repeated += 1,
                    Repeat::Other { area } => {
                        self.counts.rows_rejected += 1;
                        let place = (self.source, self.edition, self.counts.rows_rejected);
                        rejects.push(reject_row(place, file, &duplicates::reject(&first, &here)));
                        if area {
                            self.mark(tx, &mut appended, &first).await?;
                        }
                    }
                }
                continue;
            }
            self.seen.insert(number, Place::of(&here));
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
                Some(newest) => {
                    self.counts.records_changed += 1;
                    let before = newest.version.area_um2.map(Area::from_square_micrometres);
                    self.changes.note(before, entry);
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
        first: &Version,
    ) -> Result<(), StoreError> {
        if let Some(conflict) = appended.get_mut(&first.number).and_then(|row| row.last_mut()) {
            *conflict = Value::from(1i64);
            return Ok(());
        }
        let marked = tx
            .execute(
                "UPDATE record_change SET conflict = 1 WHERE source = $1 AND edition = $2 AND number = $3",
                values![self.source, self.edition, first.number],
            )
            .await?;
        if marked == 0 {
            self.append_unchanged_marked(tx, first).await?;
        }
        Ok(())
    }

    /// The newest version of an unchanged record once more, as it lies in this edition, marked.
    async fn append_unchanged_marked(&mut self, tx: &mut Tx, first: &Version) -> Result<(), StoreError> {
        const COPIED: &str =
            "parcel_key, parcel_raw, situs, area_um2, value_cents, year_built, class, rest, content_hash";
        let sql = format!(
            "INSERT INTO record_change (source, edition, number, what, {COPIED}, file, line, byte_start, byte_length, conflict)
             SELECT $1, $2, $3, 'changed', {COPIED}, $4, $5, $6, $7, 1 FROM (
                 SELECT since_edition AS edition, {COPIED} FROM record WHERE source = $1 AND number = $3
                 UNION ALL SELECT edition, {COPIED} FROM record_change WHERE source = $1 AND number = $3
                 ORDER BY edition DESC LIMIT 1) AS newest"
        );
        let place = [first.file, first.line, first.byte_start, first.byte_length];
        let mut values = values![self.source, self.edition, first.number];
        values.extend(place.map(Value::from));
        tx.execute(&sql, values).await?;
        self.counts.records_unchanged -= 1;
        self.counts.records_changed += 1;
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

    async fn reject(&mut self, tx: &mut Tx, file: i64, rejects: &[Reject]) -> Result<(), StoreError> {
        let mut rows = Vec::with_capacity(rejects.len());
        for reject in rejects {
            self.counts.rows_rejected += 1;
            rows.push(reject_row((self.source, self.edition, self.counts.rows_rejected), file, reject));
        }
        tx.insert_many(REJECTS, rows, "").await?;
        Ok(())
    }

    /// Every record that was live before and was not seen is at its end.
    async fn end_the_unseen(&mut self, database: &Database) -> Result<(), StoreError> {
        let mut after = 0;
        while after < self.next_number {
            let mut ended = Vec::new();
            for row in self.records_between(database, after, after + PAGE).await? {
                let number: i64 = row.get(0)?;
                if row.get::<String>(1)? != "ended" && self.seen.get(number).is_none() {
                    ended.push(self.end_row(number, &row.get::<String>(2)?));
                }
            }
            after += PAGE;
            self.counts.records_ended += counted(ended.len() as u64);
            let mut tx = database.begin().await?;
            let changes = format!("record_change (source, edition, number, what, {CONTENT})");
            tx.insert_many(&changes, ended, "").await?;
            tx.commit().await?;
        }
        Ok(())
    }

    /// Numbers, newest kind and key of the records after a number up to another, as they stood before this edition.
    async fn records_between(
        &self,
        database: &Database,
        after: i64,
        to: i64,
    ) -> Result<Vec<Row>, StoreError> {
        database
            .fetch(
                "SELECT number, coalesce((SELECT c.what FROM record_change c
                                          WHERE c.source = $1 AND c.number = n.number AND c.edition < $2
                                          ORDER BY c.edition DESC LIMIT 1), 'base'), parcel_key
                 FROM (SELECT number, parcel_key FROM record WHERE source = $1 AND number > $3 AND number <= $4
                       UNION
                       SELECT number, parcel_key FROM record_change
                       WHERE source = $1 AND number > $3 AND number <= $4 AND edition < $2) AS n
                 ORDER BY number",
                values![self.source, self.edition, after, to],
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

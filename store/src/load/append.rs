//! A later edition: every row is looked up by its key, and only what is new, changed or gone is appended under the
//! edition's number. Nothing of the base is touched.
//!
//! A row that the line index of the edition before knows is the same row: its record is as it was, and nothing is looked
//! up. Memory: four bytes a record for which row of the index it is, or sixteen for where this edition has it. Cost: one look-up of 500 keys for each 500 rows that
//! are not known. The counts of the edition before are moved on the way, while both versions of a record are at hand.

use std::collections::{BTreeMap, HashMap};

use crossfoot_audit::money::Money;
use crossfoot_roll::check::{ChangeCheck, ChangeChecker, DoublesSeen, RollCheck, RollChecker};
use crossfoot_roll::entry::{Entry, Reject};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::lines::{Line, LineIs};
use crossfoot_roll::record_view::StoredRecord;

use super::duplicates::{self, Figures, LaterRows, Repeat, Version};
use super::feed::{Feed, RollBatch};
use super::lines::{self, Block, Growing, Kept, Shelf};
use super::pen::Pen;
use super::places::{Place, Seen};
use super::{REJECTS, counted, hash_bits, reject_row};
use crate::StoreError;
use crate::database::{self, Database, Row, Tx, Value, texts, values};
use crate::record::CONTENT;
use crate::source::{EditionCounts, Source};

/// Entries looked up by one statement.
const KEYS_A_STATEMENT: usize = 500;
/// Record numbers looked at at once for those that are gone.
const PAGE: i64 = 20_000;

/// What of a version is compared and counted, as [`newest_of`] reads it behind number, edition and kind.
const COMPARED: &str =
    "parcel_key, content_hash, area_um2, parcel_raw, file, line, byte_start, byte_length, conflict,
     value_cents, year_built, class, rest";

/// Rows written in one transaction: each ends on disk, which takes some ten milliseconds.
const ROWS_A_COMMIT: usize = 60_000;

/// The newest version of a record, this edition's included.
struct Newest {
    version: Version,
    ended: bool,
    conflict: bool,
    figures: Figures,
}

impl Newest {
    fn stored(&self) -> StoredRecord<'_> {
        self.version.stored(&self.figures)
    }
}

/// The counts of the edition before, on their way to those of this one.
pub(super) struct Moving<'a> {
    layout: &'a Layout,
    checker: Option<RollChecker>,
}

impl<'a> Moving<'a> {
    /// From the counts of the edition before without its later rows of parcels; without counts nothing is counted.
    pub(super) fn from(layout: &'a Layout, before: Option<RollCheck>) -> Moving<'a> {
        Moving { layout, checker: before.map(|counts| RollChecker::resume(layout, counts)) }
    }

    fn gone(&mut self, version: &Newest) {
        if let Some(checker) = &mut self.checker {
            checker.record(self.layout, &version.stored(), -1);
        }
    }

    fn come(&mut self, row: &StoredRecord<'_>) {
        if let Some(checker) = &mut self.checker {
            checker.record(self.layout, row, 1);
        }
    }
}

/// What came of appending an edition.
pub(super) struct Appended {
    pub(super) counts: EditionCounts,
    pub(super) later: (DoublesSeen, RollCheck),
    pub(super) changes: ChangeCheck,
    /// The counts of the edition before, moved; good where rows that are known were passed over.
    pub(super) moved: Option<RollCheck>,
}

/// What is counted while an edition is appended.
pub(super) struct Watch<'a> {
    pub(super) later: LaterRows,
    pub(super) changes: ChangeChecker,
    pub(super) moving: Moving<'a>,
}

impl Watch<'_> {
    /// Takes note of a later row of a parcel, which counts like any other and is no record.
    fn note_later(&mut self, key: &str, rows: [&Version; 2], counted: &StoredRecord<'_>) {
        self.later.note(key, rows, counted);
        self.moving.come(counted);
    }
}

struct Loading<'a> {
    source: i64,
    edition: i64,
    pen: Pen<'a>,
    next_number: i64,
    seen: Seen,
    counts: EditionCounts,
    index: Growing,
    watch: Watch<'a>,
    /// Records in conflict before, of which this edition has the first row as it was: what to write where no later row
    /// contradicts it any more; none once one does, since then nothing changed.
    in_conflict: HashMap<i64, Option<Vec<Value>>>,
}

/// What a batch leaves to be written.
#[derive(Default)]
struct Written {
    changes: HashMap<i64, Vec<Value>>,
    rejects: Vec<Vec<Value>>,
    blocks: Vec<Block>,
}

/// Appends an edition; a whole one ends the records that it does not have.
pub(super) async fn load(
    (database, shelf): (&Database, Shelf<'_>),
    pen: Pen<'_>,
    source: &Source,
    (edition, whole): (i64, bool),
    mut batches: Feed,
    watch: Watch<'_>,
) -> Result<Appended, StoreError> {
    let container = source.container.clone().unwrap_or_default();
    forget_earlier_attempts((database, shelf), &pen, source, edition).await?;
    let index = Growing::new(shelf, (&container, edition), batches.good_for.take())?;
    let next_number = next_number(database, source.number).await?.max(source.numbers_given + 1);
    let mut loading = Loading {
        source: source.number,
        edition,
        next_number,
        pen,
        seen: Seen::up_to(next_number, &index),
        counts: EditionCounts::default(),
        index,
        watch,
        in_conflict: HashMap::new(),
    };
    let (mut tx, mut rows, mut commits) = (loading.pen.begin(database).await?, 0, 0usize);
    while let Some(batch) = batches.next().await {
        loading.take(&mut tx, &batch).await?;
        rows += batch.rows.entries.len() + batch.rows.rejects.len();
        batches.give_back(batch);
        if rows >= ROWS_A_COMMIT {
            tx.commit().await?;
            commits += 1;
            if commits.is_power_of_two() {
                database.analyze("record_change").await?;
            }
            (tx, rows) = (loading.pen.begin(database).await?, 0);
        }
    }
    loading.write_agreed(&mut tx).await?;
    let index = std::mem::replace(&mut loading.index, Growing::none());
    loading.write_blocks(&mut tx, index.finish()?).await?;
    tx.commit().await?;
    if whole {
        match Kept::of((database, shelf), source).await? {
            Some((kept, good_for)) if good_for.starts_with(&lines::good_for_in(&container, "")) => {
                loading.end_the_unseen_of(database, &kept).await?;
            }
            Some(_) | None => loading.end_the_unseen(database, false).await?,
        }
    }
    database.analyze("record_change").await?;
    let Watch { later, changes, moving } = loading.watch;
    Ok(Appended {
        counts: loading.counts,
        later: later.finish(),
        changes: changes.finish(),
        moved: moving.checker.map(RollChecker::finish),
    })
}

/// Parcel numbers of the records that an edition changed.
pub(super) async fn changed_keys(
    database: &Database,
    source: i64,
    edition: i64,
) -> Result<Vec<String>, StoreError> {
    let sql = "SELECT parcel_key, number FROM record_change
               WHERE source = $1 AND edition = $2 AND number > $3 ORDER BY number LIMIT $4";
    let (mut keys, mut after) = (Vec::new(), 0i64);
    loop {
        let page = database.fetch_bulk(sql, values![source, edition, after, PAGE]).await?;
        for row in &page {
            keys.push(row.get(0)?);
        }
        match page.last() {
            Some(last) => after = last.get(1)?,
            None => return Ok(keys),
        }
    }
}

/// Removes what attempts left behind that never came into use: of this edition, and of refused ones before it, whose
/// changes would else count as part of this one.
async fn forget_earlier_attempts(
    (database, shelf): (&Database, Shelf<'_>),
    pen: &Pen<'_>,
    source: &Source,
    edition: i64,
) -> Result<(), StoreError> {
    let mut tx = pen.take(database).await?;
    tx.execute(
        "DELETE FROM record_change WHERE source = $1 AND edition > $2",
        values![source.number, source.current_edition.unwrap_or(0)],
    )
    .await?;
    tx.execute("DELETE FROM reject WHERE source = $1 AND edition = $2", values![source.number, edition])
        .await?;
    let container = source.container.as_deref().unwrap_or_default();
    shelf.clear(&mut tx, (source.number, container), source.current_edition).await?;
    pen.commit(tx).await
}

async fn next_number(database: &Database, source: i64) -> Result<i64, StoreError> {
    let sql = "SELECT coalesce(max(n), 0) + 1 FROM (
                   SELECT max(number) AS n FROM record WHERE source = $1
                   UNION ALL SELECT max(number) FROM record_change WHERE source = $1) AS numbers";
    database.fetch_one(sql, values![source]).await?.map_or(Ok(1), |row| row.get(0))
}

impl Loading<'_> {
    async fn take(&mut self, tx: &mut Tx, batch: &RollBatch) -> Result<(), StoreError> {
        let indexed = self.index.goes_on(batch)?;
        let file = batch.rows.file;
        let mut known = HashMap::new();
        for entries in batch.rows.entries.chunks(KEYS_A_STATEMENT) {
            let keys = texts(entries.iter().map(|entry| entry.parcel_key.as_str()));
            known.extend(self.look_up(tx, keys).await?);
        }
        let mut written = Written::default();
        let (mut entries, mut rejects) = (batch.rows.entries.iter(), batch.rows.rejects.iter());
        for (what, line) in lines::kinds(batch) {
            let number = match (what, line) {
                (LineIs::Entry, _) => match entries.next() {
                    Some(entry) => self.entry(tx, (file, entry), &mut known, &mut written).await?,
                    None => 0,
                },
                (LineIs::Known(number), Some(line)) => {
                    self.known_row(tx, (line, number), &mut known, &mut written).await?
                }
                (LineIs::Reject | LineIs::Known(_), _) => {
                    if let Some(reject) = rejects.next() {
                        self.reject(file, reject, &mut written);
                    }
                    0
                }
            };
            if indexed && let Some(line) = line {
                written.blocks.extend(self.index.push(line, number)?);
            }
        }
        tx.insert_many(&changes(), written.changes.into_values().collect(), "").await?;
        tx.insert_many(REJECTS, written.rejects, "").await?;
        self.write_blocks(tx, written.blocks).await
    }

    /// Records whose rows disagreed before and do not any more are changed ones.
    async fn write_agreed(&mut self, tx: &mut Tx) -> Result<(), StoreError> {
        let agreed: Vec<_> = std::mem::take(&mut self.in_conflict).into_values().flatten().collect();
        let n = counted(agreed.len() as u64);
        self.counts.records_unchanged -= n;
        self.counts.records_changed += n;
        tx.insert_many(&changes(), agreed, "").await?;
        Ok(())
    }

    async fn write_blocks(&self, tx: &mut Tx, blocks: Vec<Block>) -> Result<(), StoreError> {
        for (number, content) in blocks {
            tx.execute(lines::INSERT, values![self.source, self.edition, number, content]).await?;
        }
        Ok(())
    }

    /// Takes a row that was read; gives the number of the record that it is, or 0. Where it changes a record, both
    /// versions are at hand.
    async fn entry(
        &mut self,
        tx: &mut Tx,
        (file, entry): (i64, &Entry),
        known: &mut HashMap<String, Newest>,
        written: &mut Written,
    ) -> Result<i64, StoreError> {
        let found = known.get(&entry.parcel_key).filter(|newest| !newest.ended);
        let number = found.map_or(self.next_number, |newest| newest.version.number);
        let here = version(number, file, entry);
        if let Some((place, first)) = self.seen.place(number, &self.index)?.zip(found) {
            let first = place.put_on(&first.version);
            self.watch.note_later(&entry.parcel_key, [&first, &here], &stored(file, entry));
            self.later_row(tx, &first, &here, written).await?;
            return Ok(0);
        }
        self.seen.insert(number, Place::of(&here), &self.index);
        self.counts.rows_entered += 1;
        let what = match found {
            None => {
                self.next_number += 1;
                self.counts.records_new += 1;
                self.watch.moving.come(&stored(file, entry));
                "new"
            }
            Some(newest)
                if duplicates::repeat(&newest.version, &here) == Repeat::Same && !newest.conflict =>
            {
                self.counts.records_unchanged += 1;
                return Ok(number);
            }
            Some(newest) if duplicates::repeat(&newest.version, &here) == Repeat::Same => {
                self.counts.records_unchanged += 1;
                self.in_conflict.insert(number, Some(self.change_row(number, "changed", file, entry)));
                return Ok(number);
            }
            Some(newest) => {
                self.counts.records_changed += 1;
                self.watch.changes.note(&newest.stored(), entry);
                self.watch.moving.gone(newest);
                self.watch.moving.come(&stored(file, entry));
                "changed"
            }
        };
        written.changes.insert(number, self.change_row(number, what, file, entry));
        let here = Newest { version: here, ended: false, conflict: false, figures: Figures::default() };
        known.insert(entry.parcel_key.clone(), here);
        Ok(number)
    }

    /// Takes a row that the edition before has as it is; gives the number of the record that it is, or 0.
    async fn known_row(
        &mut self,
        tx: &mut Tx,
        (line, number): (&Line, u32),
        known: &mut HashMap<String, Newest>,
        written: &mut Written,
    ) -> Result<i64, StoreError> {
        let (number, place) = (i64::from(number), Place::of_line(line));
        if !self.seen.contains(number) {
            self.seen.insert(number, place, &self.index);
            self.counts.rows_entered += 1;
            self.counts.records_unchanged += 1;
            return Ok(number);
        }
        let Some(first_place) = self.seen.place(number, &self.index)? else { return Ok(0) };
        // another row of the parcel, which is not as it was, stands before it
        let (key, before) = self.version_before(tx, number).await?;
        if !known.contains_key(&key) {
            known.extend(self.look_up(tx, texts([key.as_str()])).await?);
        }
        if let Some(first) = known.get(&key) {
            let (first, here) = (first_place.put_on(&first.version), place.put_on(&before.version));
            self.watch.note_later(&key, [&first, &here], &here.stored(&before.figures));
            self.later_row(tx, &first, &here, written).await?;
        }
        Ok(0)
    }

    /// Takes a later row of a parcel of this edition.
    async fn later_row(
        &mut self,
        tx: &mut Tx,
        first: &Version,
        here: &Version,
        written: &mut Written,
    ) -> Result<(), StoreError> {
        match duplicates::repeat(first, here) {
            Repeat::Same => self.counts.rows_repeated += 1,
            Repeat::Other { area } => {
                self.reject(here.file, &duplicates::reject(first, here), written);
                if area {
                    self.mark(tx, &mut written.changes, first).await?;
                }
            }
        }
        Ok(())
    }

    /// The version of a record that the edition before has, with its key.
    async fn version_before(&self, tx: &mut Tx, number: i64) -> Result<(String, Newest), StoreError> {
        let sql = versions_before("number = $3");
        let row = tx.fetch(&sql, values![self.source, self.edition, number]).await?.pop();
        let damaged = || StoreError::Damaged { what: "line index", why: format!("no record {number}") };
        let row = row.ok_or_else(damaged)?;
        Ok((row.get(3)?, newest_of(&row)?))
    }

    /// The newest versions of parcels, by key.
    async fn look_up(&self, tx: &mut Tx, keys: Value) -> Result<HashMap<String, Newest>, StoreError> {
        let sql = format!(
            "SELECT number, since_edition, 'base', {COMPARED} FROM record
             WHERE source = $1 AND since_edition <= $2 AND parcel_key = ANY (texts($3))
             UNION ALL
             SELECT number, edition, what, {COMPARED} FROM record_change
             WHERE source = $1 AND edition <= $2 AND parcel_key = ANY (texts($3)) ORDER BY 1, 2"
        );
        let values = vec![self.source.into(), self.edition.into(), keys];
        let mut newest = HashMap::new();
        for row in tx.fetch_bulk(&sql, values).await? {
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
        self.index.read_again(first.number);
        if let Some(agreed) = self.in_conflict.get_mut(&first.number) {
            *agreed = None;
            return Ok(());
        }
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

    fn reject(&mut self, file: i64, reject: &Reject, written: &mut Written) {
        self.counts.rows_rejected += 1;
        let place = (self.source, self.edition, self.counts.rows_rejected);
        written.rejects.push(reject_row(place, file, reject));
    }

    /// The same where the edition before has an index: only what is gone is looked up.
    async fn end_the_unseen_of(&mut self, database: &Database, kept: &Kept<'_>) -> Result<(), StoreError> {
        let mut gone = Vec::new();
        let seen = &self.seen;
        let read = kept.each_record(|number| gone.extend((!seen.contains(number)).then_some(number))).await;
        match read {
            Ok(()) => {}
            Err(StoreError::Damaged { why, .. }) => {
                tracing::warn!("the line index of edition {} cannot be read: {why}", self.edition);
                // rows of the part that could be read may have been passed over, so the counts are moved all the same
                return self.end_the_unseen(database, true).await;
            }
            Err(error) => return Err(error),
        }
        for numbers in gone.chunks(KEYS_A_STATEMENT) {
            let newest = self.take_off(database, numbers).await?;
            let ended: Vec<_> = newest.iter().map(|(number, (key, _))| self.end_row(*number, key)).collect();
            self.counts.records_ended += counted(ended.len() as u64);
            let mut tx = self.pen.begin(database).await?;
            tx.insert_many(&changes(), ended, "").await?;
            tx.commit().await?;
        }
        Ok(())
    }

    /// Takes records that are gone off the counts; gives their versions before this edition, with their keys.
    async fn take_off(
        &mut self,
        database: &Database,
        gone: &[i64],
    ) -> Result<BTreeMap<i64, (String, Newest)>, StoreError> {
        let values = vec![self.source.into(), self.edition.into(), database::numbers(gone)];
        let mut newest: BTreeMap<i64, (String, Newest)> = BTreeMap::new();
        for row in database.fetch_bulk(&versions_before("number = ANY (numbers($3))"), values).await? {
            newest.insert(row.get(0)?, (row.get(3)?, newest_of(&row)?));
        }
        newest.values().for_each(|(_, version)| self.watch.moving.gone(version));
        Ok(newest)
    }

    /// Every record that was live before and was not seen is at its end. `moving` says whether the counts are moved by
    /// them: where every row was read they are not needed.
    async fn end_the_unseen(&mut self, database: &Database, moving: bool) -> Result<(), StoreError> {
        let mut after = 0;
        while after < self.next_number {
            let (mut ended, mut gone) = (Vec::new(), Vec::new());
            for row in self.records_between(database, after, after + PAGE).await? {
                let number: i64 = row.get(0)?;
                if row.get::<String>(1)? != "ended" && !self.seen.contains(number) {
                    ended.push(self.end_row(number, &row.get::<String>(2)?));
                    gone.push(number);
                }
            }
            for numbers in gone.chunks(KEYS_A_STATEMENT).filter(|_| moving) {
                self.take_off(database, numbers).await?;
            }
            after += PAGE;
            self.counts.records_ended += counted(ended.len() as u64);
            let mut tx = self.pen.begin(database).await?;
            tx.insert_many(&changes(), ended, "").await?;
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

/// Versions of records that were in use before an edition, each record's newest last.
fn versions_before(which: &str) -> String {
    format!(
        "SELECT number, since_edition, 'base', {COMPARED} FROM record WHERE source = $1 AND since_edition < $2 AND {which}
         UNION ALL
         SELECT number, edition, what, {COMPARED} FROM record_change WHERE source = $1 AND edition < $2 AND {which}
         ORDER BY 1, 2"
    )
}

/// Where [`Loading::change_row`] and [`Loading::end_row`] go.
fn changes() -> String {
    format!("record_change (source, edition, number, what, {CONTENT})")
}

fn stored(file: i64, entry: &Entry) -> StoredRecord<'_> {
    StoredRecord::of(u16::try_from(file).unwrap_or_default(), entry)
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
        figures: Figures {
            value: row.get::<Option<i64>>(12)?.map(Money::from_cents),
            year_built: row.get(13)?,
            class: row.get(14)?,
            rest: row.get(15)?,
        },
    })
}

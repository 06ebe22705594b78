//! The first edition of a source into a file of its own: no journal, no index while loading, then the key, then
//! everything on disk.
//!
//! Cost: about 1 µs a row for the insert (prepared statement, one transaction) and 0.3 µs for the index.

use std::fs::File;
use std::io;
use std::path::Path;
use std::thread::JoinHandle;

use crossfoot_audit::money::Money;
use crossfoot_roll::check::{DoublesSeen, RollCheck};
use rusqlite::{Connection, Statement, params};

use super::duplicates::{self, Figures, LaterRows, Repeat, Suspects, Version};
use super::feed::Feed;
use super::lines::{Growing, Shelf, of_file};
use super::{counted, hash_bits, kept};
use crate::StoreError;
use crate::source::EditionCounts;

const SCHEMA: &str = include_str!("../../../migrations/sqlite-records/0001_records.sql");

/// What is the same in every row stands in the statement: a bound value costs a call for each row.
fn insert(source: i64, edition: i64) -> String {
    format!(
        "INSERT INTO record (source, number, since_edition, parcel_key, parcel_raw, situs, area_um2, value_cents,
             year_built, class, rest, content_hash, file, line, byte_start, byte_length, conflict)
         VALUES ({source}, ?1, {edition}, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, 0)"
    )
}

/// Larger pages mean fewer of them to allocate while loading, and fewer levels to a key.
const PREPARE: &str = "PRAGMA page_size = 8192; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;
                       PRAGMA cache_size = -32768; PRAGMA threads = 1; PRAGMA locking_mode = EXCLUSIVE;";

const REJECT: &str = "INSERT INTO reject (source, edition, number, file, line, byte_start, byte_length, column_name, reason, detail, raw)
 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";

/// Loads all batches into a new file.
pub(super) fn load(
    path: &Path,
    (source, edition): (i64, i64),
    mut batches: Feed,
    mut later: LaterRows,
) -> Result<(EditionCounts, (DoublesSeen, RollCheck)), StoreError> {
    let failed = StoreError::SourceFile;
    let mut file = Connection::open(path).map_err(failed)?;
    file.execute_batch(PREPARE).map_err(failed)?;
    file.execute_batch(SCHEMA).map_err(failed)?;
    file.execute_batch(super::ADDED).map_err(failed)?;
    let container = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let shelf = Shelf::Folder(path.parent().unwrap_or(Path::new(".")));
    let mut index = Growing::new(shelf, (&container, edition), batches.good_for.take())?;
    let (mut counts, suspects) = insert_all(&mut file, (source, edition), batches, &mut index)?;
    let rows_on_disk = write_out(path)?;
    file.execute_batch("CREATE INDEX record_key ON record (parcel_key);").map_err(failed)?;
    set_duplicates_aside(&mut file, (source, edition), suspects, (&mut counts, &mut index, &mut later))
        .map_err(failed)?;
    index.finish()?;
    file.execute_batch("PRAGMA locking_mode = NORMAL; PRAGMA synchronous = FULL; PRAGMA journal_mode = WAL; PRAGMA optimize;")
        .map_err(failed)?;
    file.close().map_err(|(_, error)| failed(error))?;
    // only now: closing any handle of a file gives up the locks on it that SQLite holds
    let ended = rows_on_disk.join().unwrap_or_else(|_| Err(io::Error::other("writing out ended early")));
    drop(ended.map_err(of_file(path))?);
    sync(path)?;
    Ok((counts, later.finish()))
}

/// Sends the rows to the disk while the key is made, which takes a second without writing much; the end then waits for
/// the key alone. Sending them while they are loaded gains nothing: the machine is busy.
fn write_out(path: &Path) -> Result<JoinHandle<io::Result<File>>, StoreError> {
    let file = File::open(path).map_err(of_file(path))?;
    Ok(std::thread::spawn(move || file.sync_data().map(|()| file)))
}

/// The file and the entry of its folder on disk, before anything refers to it.
fn sync(path: &Path) -> Result<(), StoreError> {
    File::open(path).and_then(|file| file.sync_all()).map_err(of_file(path))?;
    match path.parent() {
        Some(folder) => File::open(folder).and_then(|folder| folder.sync_all()).map_err(of_file(folder)),
        None => Ok(()),
    }
}

fn insert_all(
    file: &mut Connection,
    (source, edition): (i64, i64),
    mut batches: Feed,
    index: &mut Growing,
) -> Result<(EditionCounts, Suspects), StoreError> {
    let failed = StoreError::SourceFile;
    let mut suspects = Suspects::default();
    let tx = file.transaction().map_err(failed)?;
    let mut counts = EditionCounts::default();
    {
        let mut record = tx.prepare(&insert(source, edition)).map_err(failed)?;
        let mut reject = tx.prepare(REJECT).map_err(failed)?;
        while let Some(batch) = batches.next_blocking() {
            let first = counts.rows_entered + 1;
            for entry in &batch.rows.entries {
                counts.rows_entered += 1;
                suspects.see(&entry.parcel_key);
                record
                    .execute(params![
                        counts.rows_entered,
                        entry.parcel_key,
                        entry.parcel_raw,
                        entry.situs,
                        entry.area.map(crossfoot_audit::area::Area::square_micrometres),
                        entry.value.map(crossfoot_audit::money::Money::cents),
                        entry.year_built,
                        entry.class,
                        entry.rest,
                        hash_bits(entry.content_hash),
                        batch.rows.file,
                        counted(entry.line),
                        counted(entry.byte_start),
                        i64::from(entry.byte_length),
                    ])
                    .map_err(failed)?;
            }
            for row in &batch.rows.rejects {
                counts.rows_rejected += 1;
                reject
                    .execute(params![
                        source,
                        edition,
                        counts.rows_rejected,
                        batch.rows.file,
                        counted(row.line),
                        counted(row.byte_start),
                        counted(row.byte_length),
                        row.column,
                        row.reason.name(),
                        row.detail,
                        kept(&row.raw),
                    ])
                    .map_err(failed)?;
            }
            index.push_first(&batch, first, &mut Vec::new())?;
            batches.give_back(batch);
        }
    }
    tx.commit().map_err(failed)?;
    counts.records_new = counts.rows_entered;
    Ok((counts, suspects))
}

const SAME_KEY: &str =
    "SELECT number, content_hash, area_um2, parcel_raw, file, line, byte_start, byte_length,
                               value_cents, year_built, class, rest
                        FROM record WHERE parcel_key = ?1 ORDER BY number";

fn set_duplicates_aside(
    file: &mut Connection,
    (source, edition): (i64, i64),
    suspects: Suspects,
    (counts, index, later_rows): (&mut EditionCounts, &mut Growing, &mut LaterRows),
) -> rusqlite::Result<()> {
    let tx = file.transaction()?;
    {
        let keys = match suspects.keys() {
            Some(keys) => keys,
            None => repeated_keys(&tx)?,
        };
        let mut same_key = tx.prepare(SAME_KEY)?;
        let mut reject = tx.prepare(REJECT)?;
        let mut delete = tx.prepare("DELETE FROM record WHERE number = ?1")?;
        let mut mark = tx.prepare("UPDATE record SET conflict = 1 WHERE number = ?1")?;
        for key in keys {
            let versions = versions(&mut same_key, &key)?;
            let Some(((first, _), later)) = versions.split_first() else { continue };
            for (later, figures) in later {
                delete.execute([later.number])?;
                index.no_record(later.number);
                later_rows.note(&key, [first, later], &later.stored(figures));
                counts.rows_entered -= 1;
                match duplicates::repeat(first, later) {
                    Repeat::Same => counts.rows_repeated += 1,
                    Repeat::Other { area } => {
                        counts.rows_rejected += 1;
                        let number = counts.rows_rejected;
                        put_aside(&mut reject, (source, edition, number), first, later)?;
                        if area {
                            mark.execute([first.number])?;
                            index.read_again(first.number);
                        }
                    }
                }
            }
        }
    }
    tx.commit()?;
    counts.records_new = counts.rows_entered;
    Ok(())
}

/// The keys that occur more than once, looked for among all.
fn repeated_keys(file: &Connection) -> rusqlite::Result<Vec<String>> {
    file.prepare("SELECT parcel_key FROM record GROUP BY parcel_key HAVING count(*) > 1")?
        .query_map([], |row| row.get(0))?
        .collect()
}

fn put_aside(
    reject: &mut Statement<'_>,
    (source, edition, number): (i64, i64, i64),
    first: &Version,
    later: &Version,
) -> rusqlite::Result<()> {
    reject.execute(params![
        source,
        edition,
        number,
        later.file,
        later.line,
        later.byte_start,
        later.byte_length,
        Option::<String>::None,
        duplicates::REASON.name(),
        duplicates::detail(first, later),
        Option::<Vec<u8>>::None,
    ])?;
    Ok(())
}

fn versions(same_key: &mut Statement<'_>, key: &str) -> rusqlite::Result<Vec<(Version, Figures)>> {
    same_key
        .query_map([key], |row| {
            let version = Version {
                number: row.get(0)?,
                content_hash: row.get(1)?,
                area_um2: row.get(2)?,
                parcel_raw: row.get(3)?,
                file: row.get(4)?,
                line: row.get(5)?,
                byte_start: row.get(6)?,
                byte_length: row.get(7)?,
            };
            let figures = Figures {
                value: row.get::<_, Option<i64>>(8)?.map(Money::from_cents),
                year_built: row.get(9)?,
                class: row.get(10)?,
                rest: row.get(11)?,
            };
            Ok((version, figures))
        })?
        .collect()
}

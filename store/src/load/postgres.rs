//! The first edition of a source into a partition of its own: binary COPY into a table that nobody knows, then the
//! key, then attached within the transaction that makes the edition current.

use bytes::{BufMut, BytesMut};
use sqlx::postgres::{PgConnection, PgCopyIn, PgPool};
use sqlx::{AssertSqlSafe, Row as _};
use tokio::sync::mpsc;

use super::duplicates::{self, Repeat, Version};
use super::{LoadBatch, Loaded, counted, hash_bits};
use crate::StoreError;
use crate::database::{Tx, Value, values};
use crate::record::CONTENT;
use crate::source::EditionCounts;

/// Bytes sent to the server at once.
const CHUNK_BYTES: usize = 1024 * 1024;
const COPY_HEADER: &[u8] = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0";
const COLUMNS: i16 = 17;

/// Loads all batches into a new table.
pub(super) async fn load(
    pool: &PgPool,
    source: i64,
    edition: i64,
    batches: mpsc::Receiver<LoadBatch>,
) -> Result<Loaded, StoreError> {
    let container = format!("record_s{source}_{}", uuid::Uuid::now_v7().simple());
    // a connection of its own: a copy that is broken off must not go back to the pool
    let mut connection = pool.acquire().await?.detach();
    let result = load_into(&mut connection, &container, source, edition, batches).await;
    drop(connection);
    Ok(Loaded { container, counts: result? })
}

async fn load_into(
    connection: &mut PgConnection,
    container: &str,
    source: i64,
    edition: i64,
    batches: mpsc::Receiver<LoadBatch>,
) -> Result<EditionCounts, StoreError> {
    sweep(connection, source, edition).await?;
    run(
        connection,
        format!("CREATE TABLE {container} (LIKE record INCLUDING DEFAULTS, CHECK (source = {source}))"),
    )
    .await?;
    let (mut counts, rejects) = copy_records(connection, container, source, edition, batches).await?;
    run(connection, format!("CREATE INDEX ON {container} (parcel_key)")).await?;
    insert_rejects(connection, source, edition, 0, rejects).await?;
    set_duplicates_aside(connection, container, source, edition, &mut counts).await?;
    run(connection, format!("ANALYZE {container}")).await?;
    Ok(counts)
}

async fn run(connection: &mut PgConnection, sql: String) -> Result<(), StoreError> {
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(connection).await?;
    Ok(())
}

/// Removes what an earlier attempt left: tables of this source that are not attached, and its quarantine.
async fn sweep(connection: &mut PgConnection, source: i64, edition: i64) -> Result<(), StoreError> {
    let left = sqlx::query(
        "SELECT c.relname FROM pg_class c WHERE c.relkind = 'r' AND NOT c.relispartition
         AND c.relnamespace = current_schema()::regnamespace AND starts_with(c.relname, $1)",
    )
    .bind(format!("record_s{source}_"))
    .fetch_all(&mut *connection)
    .await?;
    for row in left {
        let table: String = row.try_get(0)?;
        run(connection, format!("DROP TABLE IF EXISTS {table}")).await?;
    }
    sqlx::query("DELETE FROM reject WHERE source = $1 AND edition = $2")
        .bind(source)
        .bind(edition)
        .execute(connection)
        .await?;
    Ok(())
}

async fn copy_records(
    connection: &mut PgConnection,
    container: &str,
    source: i64,
    edition: i64,
    mut batches: mpsc::Receiver<LoadBatch>,
) -> Result<(EditionCounts, Vec<RejectRow>), StoreError> {
    let sql =
        format!("COPY {container} (source, number, since_edition, {CONTENT}) FROM STDIN (FORMAT binary)");
    let mut copy = connection.copy_in_raw(&sql).await?;
    let mut counts = EditionCounts::default();
    let mut rejects = Vec::new();
    let mut buffer = BytesMut::with_capacity(CHUNK_BYTES * 2);
    buffer.put_slice(COPY_HEADER);
    while let Some(batch) = batches.recv().await {
        for entry in &batch.entries {
            counts.rows_entered += 1;
            encode(&mut buffer, source, counts.rows_entered, edition, batch.file, entry);
        }
        rejects.extend(batch.rejects.into_iter().map(|reject| RejectRow { file: batch.file, reject }));
        if buffer.len() >= CHUNK_BYTES
            && let Err(error) = copy.send(buffer.split().freeze()).await
        {
            return Err(broken_off(copy, error).await);
        }
    }
    buffer.put_i16(-1);
    if let Err(error) = copy.send(buffer.freeze()).await {
        return Err(broken_off(copy, error).await);
    }
    copy.finish().await?;
    counts.rows_rejected = counted(rejects.len() as u64);
    counts.records_new = counts.rows_entered;
    Ok((counts, rejects))
}

/// A copy that is merely dropped leaves its connection one answer behind.
async fn broken_off(copy: PgCopyIn<&mut PgConnection>, error: sqlx::Error) -> StoreError {
    let _the_first_error_counts = copy.abort("the load was broken off").await;
    error.into()
}

fn encode(
    buffer: &mut BytesMut,
    source: i64,
    number: i64,
    edition: i64,
    file: i64,
    entry: &crossfoot_roll::entry::Entry,
) {
    buffer.put_i16(COLUMNS);
    put_int(buffer, Some(source));
    put_int(buffer, Some(number));
    put_int(buffer, Some(edition));
    put_text(buffer, &entry.parcel_key);
    put_text(buffer, &entry.parcel_raw);
    put_text(buffer, &entry.situs);
    put_int(buffer, entry.area.map(crossfoot_audit::area::Area::square_micrometres));
    put_int(buffer, entry.value.map(crossfoot_audit::money::Money::cents));
    put_int(buffer, entry.year_built.map(i64::from));
    put_text(buffer, &entry.class);
    put_text(buffer, &entry.rest);
    put_int(buffer, Some(hash_bits(entry.content_hash)));
    put_int(buffer, Some(file));
    put_int(buffer, Some(counted(entry.line)));
    put_int(buffer, Some(counted(entry.byte_start)));
    put_int(buffer, Some(i64::from(entry.byte_length)));
    put_int(buffer, Some(0));
}

fn put_int(buffer: &mut BytesMut, value: Option<i64>) {
    match value {
        Some(value) => {
            buffer.put_i32(8);
            buffer.put_i64(value);
        }
        None => buffer.put_i32(-1),
    }
}

fn put_text(buffer: &mut BytesMut, text: &str) {
    // the reader refuses rows far shorter than this
    buffer.put_i32(i32::try_from(text.len()).unwrap_or(i32::MAX));
    buffer.put_slice(text.as_bytes());
}

struct RejectRow {
    file: i64,
    reject: crossfoot_roll::entry::Reject,
}

/// Rejects column by column, as `unnest` takes them.
#[derive(Default)]
struct RejectColumns {
    number: Vec<i64>,
    file: Vec<i64>,
    line: Vec<i64>,
    byte_start: Vec<i64>,
    byte_length: Vec<i64>,
    column: Vec<Option<String>>,
    reason: Vec<&'static str>,
    detail: Vec<String>,
    raw: Vec<Option<Vec<u8>>>,
}

impl RejectColumns {
    fn push(&mut self, number: i64, RejectRow { file, reject }: RejectRow) {
        self.number.push(number);
        self.file.push(file);
        self.line.push(counted(reject.line));
        self.byte_start.push(counted(reject.byte_start));
        self.byte_length.push(counted(reject.byte_length));
        self.column.push(reject.column);
        self.reason.push(reject.reason.name());
        self.detail.push(reject.detail);
        self.raw.push((!reject.raw.is_empty()).then_some(reject.raw));
    }
}

async fn insert_rejects(
    connection: &mut PgConnection,
    source: i64,
    edition: i64,
    after: i64,
    rejects: Vec<RejectRow>,
) -> Result<(), StoreError> {
    const AT_ONCE: usize = 1000;
    let mut number = after;
    let mut rest = rejects.into_iter().peekable();
    while rest.peek().is_some() {
        let mut columns = RejectColumns::default();
        for row in rest.by_ref().take(AT_ONCE) {
            number += 1;
            columns.push(number, row);
        }
        sqlx::query(
            "INSERT INTO reject (source, edition, number, file, line, byte_start, byte_length, column_name, reason, detail, raw)
             SELECT $1, $2, * FROM unnest($3::bigint[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[],
                                          $8::text[], $9::text[], $10::text[], $11::bytea[])",
        )
        .bind(source)
        .bind(edition)
        .bind(columns.number)
        .bind(columns.file)
        .bind(columns.line)
        .bind(columns.byte_start)
        .bind(columns.byte_length)
        .bind(columns.column)
        .bind(columns.reason)
        .bind(columns.detail)
        .bind(columns.raw)
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

async fn set_duplicates_aside(
    connection: &mut PgConnection,
    container: &str,
    source: i64,
    edition: i64,
    counts: &mut EditionCounts,
) -> Result<(), StoreError> {
    let sql = format!(
        "SELECT parcel_key, number, content_hash, area_um2, parcel_raw, file, line, byte_start, byte_length
         FROM {container} WHERE parcel_key IN (SELECT parcel_key FROM {container} GROUP BY parcel_key HAVING count(*) > 1)
         ORDER BY parcel_key, number"
    );
    let rows = sqlx::query(AssertSqlSafe(sql)).fetch_all(&mut *connection).await?;
    let mut first: Option<(String, Version)> = None;
    let (mut deleted, mut marked, mut rejects) = (vec![], vec![], vec![]);
    for row in rows {
        let key: String = row.try_get(0)?;
        let version = version_of(&row)?;
        let Some((_, original)) = first.as_ref().filter(|(known, _)| *known == key) else {
            first = Some((key, version));
            continue;
        };
        deleted.push(version.number);
        match duplicates::repeat(original, &version) {
            Repeat::Same => counts.rows_repeated += 1,
            Repeat::Other { area } => {
                rejects.push(RejectRow { file: version.file, reject: reject_of(original, &version) });
                if area {
                    marked.push(original.number);
                }
            }
        }
    }
    let (aside, gone) = (counted(rejects.len() as u64), counted(deleted.len() as u64));
    execute_numbers(connection, format!("DELETE FROM {container} WHERE number = ANY($1)"), deleted).await?;
    execute_numbers(
        connection,
        format!("UPDATE {container} SET conflict = 1 WHERE number = ANY($1)"),
        marked,
    )
    .await?;
    insert_rejects(connection, source, edition, counts.rows_rejected, rejects).await?;
    counts.rows_rejected += aside;
    counts.rows_entered -= gone;
    counts.records_new = counts.rows_entered;
    Ok(())
}

async fn execute_numbers(
    connection: &mut PgConnection,
    sql: String,
    numbers: Vec<i64>,
) -> Result<(), StoreError> {
    if !numbers.is_empty() {
        sqlx::query(AssertSqlSafe(sql)).bind(numbers).execute(connection).await?;
    }
    Ok(())
}

fn version_of(row: &sqlx::postgres::PgRow) -> Result<Version, StoreError> {
    Ok(Version {
        number: row.try_get(1)?,
        content_hash: row.try_get(2)?,
        area_um2: row.try_get(3)?,
        parcel_raw: row.try_get(4)?,
        file: row.try_get(5)?,
        line: row.try_get(6)?,
        byte_start: row.try_get(7)?,
        byte_length: row.try_get(8)?,
    })
}

fn reject_of(first: &Version, later: &Version) -> crossfoot_roll::entry::Reject {
    crossfoot_roll::entry::Reject {
        line: later.line.unsigned_abs(),
        byte_start: later.byte_start.unsigned_abs(),
        byte_length: later.byte_length.unsigned_abs(),
        column: None,
        reason: duplicates::REASON,
        detail: duplicates::detail(first, later),
        raw: Vec::new(),
    }
}

/// Makes a loaded table the partition of its source. On SQLite the file is complete as it lies.
pub(super) async fn attach(tx: &mut Tx, source: i64, container: &str) -> Result<(), StoreError> {
    if let Tx::Postgres(_) = tx {
        let sql = format!("ALTER TABLE record ATTACH PARTITION {container} FOR VALUES IN ({source})");
        let nothing: Vec<Value> = values![];
        tx.execute(&sql, nothing).await?;
    }
    Ok(())
}

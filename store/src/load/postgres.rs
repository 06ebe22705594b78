//! The first edition of a source into a partition of its own: binary COPY into a table that nobody knows, then the
//! key, then attached within the transaction that makes the edition current.

use bytes::{BufMut, BytesMut};
use crossfoot_audit::money::Money;
use crossfoot_roll::entry::{Entry, Reject};
use sqlx::postgres::{PgConnection, PgCopyIn, PgPool};
use sqlx::{AssertSqlSafe, Row as _};

use super::duplicates::{self, Figures, LaterRows, Repeat, Suspects, Version};
use super::feed::Feed;
use super::lines::{self, Block, Growing, Shelf};
use super::pen::Pen;
use super::{Loaded, REJECTS, counted, hash_bits, reject_row};
use crate::StoreError;
use crate::database::{Database, Tx, Value, values};
use crate::record::CONTENT;
use crate::source::EditionCounts;

/// Bytes sent to the server at once.
const CHUNK_BYTES: usize = 1024 * 1024;
const COPY_HEADER: &[u8] = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0";
const COLUMNS: i16 = 17;

/// Quarantined rows written at once, over a connection beside the copy: a layout that does not fit may reject all
/// rows, and they are not to be held in memory.
const REJECTS_AT_ONCE: usize = 1000;

/// Keys or numbers named by one statement: for many more the planner reads all of a table.
const LOOKED_UP_AT_ONCE: usize = 1000;

/// A first edition on its way into a table of its own.
struct Loading<'a> {
    database: &'a Database,
    pen: &'a Pen<'a>,
    container: String,
    source: i64,
    edition: i64,
    counts: EditionCounts,
    later: LaterRows,
    rejects: Vec<Vec<Value>>,
    suspects: Suspects,
    index: Growing,
    blocks: Vec<Block>,
}

/// Loads all batches into a new table.
pub(super) async fn load(
    (database, pool): (&Database, &PgPool),
    pen: &Pen<'_>,
    (source, edition): (i64, i64),
    mut batches: Feed,
    later: LaterRows,
) -> Result<Loaded, StoreError> {
    let container = format!("record_s{source}_{}", uuid::Uuid::now_v7().simple());
    let counts = EditionCounts::default();
    let index = Growing::new(Shelf::Table, (&container, edition), batches.good_for.take())?;
    let (rejects, blocks) = (Vec::new(), Vec::new());
    let suspects = Suspects::default();
    let mut loading = Loading {
        database,
        pen,
        container,
        source,
        edition,
        counts,
        later,
        rejects,
        suspects,
        index,
        blocks,
    };
    // a connection of its own: a copy that is broken off must not go back to the pool
    let mut connection = pool.acquire().await?.detach();
    let result = loading.load_into(&mut connection, batches).await;
    drop(connection);
    result.map(|()| Loaded::new(loading.container, (loading.counts, loading.later.finish())))
}

impl Loading<'_> {
    async fn load_into(&mut self, connection: &mut PgConnection, batches: Feed) -> Result<(), StoreError> {
        let (source, container) = (self.source, self.container.clone());
        sweep(connection, self.pen, source, self.edition).await?;
        run(
            connection,
            format!("CREATE TABLE {container} (LIKE record INCLUDING DEFAULTS, CHECK (source = {source}))"),
        )
        .await?;
        self.copy_records(connection, batches).await?;
        run(connection, format!("CREATE INDEX ON {container} (parcel_key)")).await?;
        run(connection, format!("CREATE UNIQUE INDEX ON {container} (number)")).await?;
        // without statistics every look-up of several keys reads the whole table
        run(connection, format!("ANALYZE {container}")).await?;
        self.set_duplicates_aside(connection).await?;
        let index = std::mem::replace(&mut self.index, Growing::none());
        self.blocks.extend(index.finish()?);
        self.write_rejects().await
    }

    async fn copy_records(
        &mut self,
        connection: &mut PgConnection,
        mut batches: Feed,
    ) -> Result<(), StoreError> {
        let sql = format!(
            "COPY {} (source, number, since_edition, {CONTENT}) FROM STDIN (FORMAT binary)",
            self.container
        );
        let mut copy = connection.copy_in_raw(&sql).await?;
        let mut buffer = BytesMut::with_capacity(CHUNK_BYTES * 2);
        buffer.put_slice(COPY_HEADER);
        while let Some(batch) = batches.next().await {
            let first = self.counts.rows_entered + 1;
            let file = batch.rows.file;
            for entry in &batch.rows.entries {
                self.counts.rows_entered += 1;
                self.suspects.see(&entry.parcel_key);
                encode(&mut buffer, (self.source, self.counts.rows_entered, self.edition), file, entry);
            }
            for reject in &batch.rows.rejects {
                self.reject(file, reject);
            }
            self.index.push_first(&batch, first, &mut self.blocks)?;
            batches.give_back(batch);
            let sent = self.pass_on(&mut copy, &mut buffer).await;
            if let Err(error) = sent {
                return Err(broken_off(copy, error).await);
            }
        }
        buffer.put_i16(-1);
        if let Err(error) = copy.send(buffer.freeze()).await {
            return Err(broken_off(copy, error.into()).await);
        }
        copy.finish().await?;
        self.counts.records_new = self.counts.rows_entered;
        Ok(())
    }

    /// Sends what has gathered, records and quarantined rows.
    async fn pass_on(
        &mut self,
        copy: &mut PgCopyIn<&mut PgConnection>,
        buffer: &mut BytesMut,
    ) -> Result<(), StoreError> {
        if buffer.len() >= CHUNK_BYTES {
            copy.send(buffer.split().freeze()).await?;
        }
        if self.rejects.len() >= REJECTS_AT_ONCE || !self.blocks.is_empty() {
            self.write_rejects().await?;
        }
        Ok(())
    }

    fn reject(&mut self, file: i64, reject: &Reject) {
        self.counts.rows_rejected += 1;
        let place = (self.source, self.edition, self.counts.rows_rejected);
        self.rejects.push(reject_row(place, file, reject));
    }

    async fn write_rejects(&mut self) -> Result<(), StoreError> {
        let mut tx = self.database.begin().await?;
        tx.insert_many(REJECTS, std::mem::take(&mut self.rejects), "").await?;
        for (number, content) in std::mem::take(&mut self.blocks) {
            tx.execute(lines::INSERT, values![self.source, self.edition, number, content]).await?;
        }
        tx.commit().await
    }

    async fn set_duplicates_aside(&mut self, connection: &mut PgConnection) -> Result<(), StoreError> {
        let container = self.container.clone();
        let keys = match std::mem::take(&mut self.suspects).keys() {
            Some(keys) => keys,
            None => {
                let sql = format!(
                    "SELECT parcel_key FROM {container} GROUP BY parcel_key HAVING count(*) > 1 ORDER BY parcel_key"
                );
                sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut *connection).await?
            }
        };
        let sql = format!(
            "SELECT parcel_key, number, content_hash, area_um2, parcel_raw, file, line, byte_start, byte_length,
                    value_cents, year_built, class, rest
             FROM {container} WHERE parcel_key = ANY($1) ORDER BY parcel_key, number"
        );
        let (mut deleted, mut marked) = (vec![], vec![]);
        for keys in keys.chunks(LOOKED_UP_AT_ONCE) {
            let query = sqlx::query(AssertSqlSafe(sql.clone())).bind(keys);
            let mut first: Option<(String, Version)> = None;
            for row in query.fetch_all(&mut *connection).await? {
                let key: String = row.try_get(0)?;
                let (version, figures) = version_of(&row)?;
                let Some((_, original)) = first.as_ref().filter(|(known, _)| *known == key) else {
                    first = Some((key, version));
                    continue;
                };
                deleted.push(version.number);
                marked
                    .extend(self.set_aside(&key, original, (&version, &figures)).then_some(original.number));
            }
        }
        self.counts.rows_entered -= counted(deleted.len() as u64);
        self.counts.records_new = self.counts.rows_entered;
        let delete = format!("DELETE FROM {container} WHERE number = ANY($1)");
        execute_numbers(connection, &delete, &deleted).await?;
        let mark = format!("UPDATE {container} SET conflict = 1 WHERE number = ANY($1)");
        execute_numbers(connection, &mark, &marked).await
    }

    /// A later row of a parcel becomes no record; true where it contradicts the first one in the area.
    fn set_aside(&mut self, key: &str, original: &Version, (later, figures): (&Version, &Figures)) -> bool {
        self.index.no_record(later.number);
        self.later.note(key, [original, later], &later.stored(figures));
        match duplicates::repeat(original, later) {
            Repeat::Same => {
                self.counts.rows_repeated += 1;
                false
            }
            Repeat::Other { area } => {
                self.reject(later.file, &duplicates::reject(original, later));
                if area {
                    self.index.read_again(original.number);
                }
                area
            }
        }
    }
}

async fn run(connection: &mut PgConnection, sql: String) -> Result<(), StoreError> {
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(connection).await?;
    Ok(())
}

/// Removes what an earlier attempt left: tables of this source that are not attached, and its quarantine. The lease is
/// looked at between listing and dropping: what was there while it held is nobody else's.
async fn sweep(
    connection: &mut PgConnection,
    pen: &Pen<'_>,
    source: i64,
    edition: i64,
) -> Result<(), StoreError> {
    let left = sqlx::query(
        "SELECT c.relname FROM pg_class c WHERE c.relkind = 'r' AND NOT c.relispartition
         AND c.relnamespace = current_schema()::regnamespace AND starts_with(c.relname, $1)",
    )
    .bind(format!("record_s{source}_"))
    .fetch_all(&mut *connection)
    .await?;
    pen.hold().await?;
    for row in left {
        let table: String = row.try_get(0)?;
        run(connection, format!("DROP TABLE IF EXISTS {table}")).await?;
    }
    for table in ["reject", "line_block"] {
        let sql = format!("DELETE FROM {table} WHERE source = $1 AND edition = $2");
        sqlx::query(AssertSqlSafe(sql)).bind(source).bind(edition).execute(&mut *connection).await?;
    }
    Ok(())
}

/// A copy that is merely dropped leaves its connection one answer behind.
async fn broken_off(copy: PgCopyIn<&mut PgConnection>, error: StoreError) -> StoreError {
    let _the_first_error_counts = copy.abort("the load was broken off").await;
    error
}

fn encode(buffer: &mut BytesMut, (source, number, edition): (i64, i64, i64), file: i64, entry: &Entry) {
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

async fn execute_numbers(
    connection: &mut PgConnection,
    sql: &str,
    numbers: &[i64],
) -> Result<(), StoreError> {
    for numbers in numbers.chunks(LOOKED_UP_AT_ONCE) {
        sqlx::query(AssertSqlSafe(sql.to_owned())).bind(numbers).execute(&mut *connection).await?;
    }
    Ok(())
}

fn version_of(row: &sqlx::postgres::PgRow) -> Result<(Version, Figures), StoreError> {
    let version = Version {
        number: row.try_get(1)?,
        content_hash: row.try_get(2)?,
        area_um2: row.try_get(3)?,
        parcel_raw: row.try_get(4)?,
        file: row.try_get(5)?,
        line: row.try_get(6)?,
        byte_start: row.try_get(7)?,
        byte_length: row.try_get(8)?,
    };
    let figures = Figures {
        value: row.try_get::<Option<i64>, _>(9)?.map(Money::from_cents),
        year_built: row.try_get(10)?,
        class: row.try_get(11)?,
        rest: row.try_get(12)?,
    };
    Ok((version, figures))
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

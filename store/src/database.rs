//! One database behind one type: SQLite or PostgreSQL, with the same statements wherever the dialects agree.
//!
//! Statements use `$1`, `$2` … and the functions `now_us()`, `texts(…)` and `numbers(…)`, which PostgreSQL has by
//! migration and SQLite by replacement. Everything bound or read is one of [`Value`]'s four types, which both databases hold alike.

use std::path::Path;
use std::time::Duration;

use sqlx::postgres::{PgPool, PgPoolOptions, PgRow};
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteRow, SqliteSynchronous,
};
use sqlx::{AssertSqlSafe, Postgres, Row as _, Sqlite};

use crate::bulk::{self, FromHeld};
use crate::error::StoreError;

/// A value to bind; the type is stated even when there is no value, since PostgreSQL asks for it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Value {
    Int(Option<i64>),
    Real(Option<f64>),
    Text(Option<String>),
    Bytes(Option<Vec<u8>>),
}

macro_rules! value_from {
    ($($from:ty => $variant:ident($convert:expr)),* $(,)?) => { $(
        impl From<$from> for Value {
            fn from(value: $from) -> Value { Value::$variant(Some($convert(value))) }
        }
        impl From<Option<$from>> for Value {
            fn from(value: Option<$from>) -> Value { Value::$variant(value.map($convert)) }
        }
    )* };
}
value_from! {
    i64 => Int(|v| v),
    i32 => Int(i64::from),
    f64 => Real(|v| v),
    String => Text(|v| v),
    &str => Text(str::to_owned),
    &String => Text(String::clone),
    Vec<u8> => Bytes(|v| v),
}

/// The values of a statement, in order.
macro_rules! values {
    ($($value:expr),* $(,)?) => { vec![$($crate::database::Value::from($value)),*] };
}
pub(crate) use values;

/// A row of an answer.
pub(crate) enum Row {
    Sqlite(SqliteRow),
    Postgres(PgRow),
    Held(Vec<rusqlite::types::Value>),
}

/// What a column can be read as.
pub(crate) trait Cell:
    for<'r> sqlx::Decode<'r, Sqlite>
    + sqlx::Type<Sqlite>
    + for<'r> sqlx::Decode<'r, Postgres>
    + sqlx::Type<Postgres>
    + FromHeld
{
}
impl<T> Cell for T where
    T: for<'r> sqlx::Decode<'r, Sqlite>
        + sqlx::Type<Sqlite>
        + for<'r> sqlx::Decode<'r, Postgres>
        + sqlx::Type<Postgres>
        + FromHeld
{
}

impl Row {
    /// The column at a position, from 0.
    pub(crate) fn get<T: Cell>(&self, at: usize) -> Result<T, StoreError> {
        Ok(match self {
            Row::Sqlite(row) => row.try_get(at)?,
            Row::Postgres(row) => row.try_get(at)?,
            Row::Held(row) => row.get(at).and_then(T::from_held).ok_or_else(|| StoreError::Damaged {
                what: "row",
                why: format!("column {at} is not what it was read as"),
            })?,
        })
    }
}

/// A database: a file with one writer and several readers, or a server.
#[derive(Debug, Clone)]
pub(crate) enum Database {
    Sqlite { writer: SqlitePool, reader: SqlitePool },
    Postgres(PgPool),
}

/// A transaction that may write.
pub(crate) enum Tx {
    Sqlite(sqlx::Transaction<'static, Sqlite>),
    Postgres(sqlx::Transaction<'static, Postgres>),
}

/// How rows are locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Lock {
    /// Nobody else locks or changes them. Rows that refer to them may be written: nobody changes keys.
    Alone,
    /// Others may lock them too, nobody changes them.
    Shared,
}

/// Connections that read a file at the same time.
const READERS: u32 = 4;
/// Rows that SQLite's thread may be ahead of the reader; with few of them the two take turns row by row.
const ROWS_BUFFERED: usize = 2048;
/// Connections to a server from one process.
const SERVER_CONNECTIONS: u32 = 8;
/// How long a writer waits for another one.
const BUSY_SECONDS: u64 = 10;
/// PostgreSQL binds at most 65,535 values a statement.
const VALUES_MAX: usize = 30_000;
/// Rows of one multi-row statement; more gains nothing (measured).
const ROWS_A_STATEMENT: usize = 200;
/// Rows written to SQLite before other tasks of the thread get a turn: some milliseconds.
const ROWS_AT_ONCE: usize = 1_000;

impl Database {
    /// Opens a file; `create` makes it where it is missing. An acknowledged commit survives a power loss.
    pub(crate) async fn open_file(path: &Path, create: bool) -> Result<Database, StoreError> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(create)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .busy_timeout(Duration::from_secs(BUSY_SECONDS))
            .foreign_keys(true)
            .row_buffer_size(ROWS_BUFFERED)
            .pragma("cache_size", "-16384")
            // pages that many transactions change are written to the file once for all of them
            .pragma("wal_autocheckpoint", "8192")
            .pragma("journal_size_limit", "67108864");
        let writer = SqlitePoolOptions::new().max_connections(1).connect_with(options.clone()).await?;
        let reader = SqlitePoolOptions::new()
            .max_connections(READERS)
            .connect_lazy_with(options.read_only(true).create_if_missing(false));
        Ok(Database::Sqlite { writer, reader })
    }

    /// Connects to a server.
    pub(crate) async fn connect(url: &str) -> Result<Database, StoreError> {
        // a plan kept from when a table was small reads all of it for every look-up once it has grown
        let plans = "SET plan_cache_mode = force_custom_plan";
        let pool = PgPoolOptions::new()
            .max_connections(SERVER_CONNECTIONS)
            .acquire_timeout(Duration::from_secs(BUSY_SECONDS))
            .after_connect(move |connection, _| {
                Box::pin(async move { sqlx::query(plans).execute(connection).await.map(|_| ()) })
            })
            .connect(url)
            .await?;
        Ok(Database::Postgres(pool))
    }

    /// Begins a transaction that writes. SQLite takes the write lock at once: a transaction that has read and then
    /// wants to write after somebody else wrote would fail whatever the busy timeout.
    pub(crate) async fn begin(&self) -> Result<Tx, StoreError> {
        Ok(match self {
            Database::Sqlite { writer, .. } => Tx::Sqlite(writer.begin_with("BEGIN IMMEDIATE").await?),
            Database::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }

    /// Reads rows outside a transaction.
    pub(crate) async fn fetch(&self, sql: &str, values: Vec<Value>) -> Result<Vec<Row>, StoreError> {
        Ok(match self {
            Database::Sqlite { reader, .. } => {
                let rows = bind_sqlite(sql, values).fetch_all(reader).await?;
                rows.into_iter().map(Row::Sqlite).collect()
            }
            Database::Postgres(pool) => {
                let rows = bind_postgres(sql, values).fetch_all(pool).await?;
                rows.into_iter().map(Row::Postgres).collect()
            }
        })
    }

    /// Reads many rows at once, of a statement that is quick to answer: the thread is kept until all are read, and
    /// cannot be interrupted.
    pub(crate) async fn fetch_bulk(&self, sql: &str, values: Vec<Value>) -> Result<Vec<Row>, StoreError> {
        match self {
            Database::Sqlite { reader, .. } => {
                let mut connection = reader.acquire().await?;
                let rows = bulk::fetch(&mut connection, &in_sqlite(sql).replace('$', "?"), &values).await?;
                Ok(rows.into_iter().map(Row::Held).collect())
            }
            Database::Postgres(_) => self.fetch(sql, values).await,
        }
    }

    /// Reads at most one row.
    pub(crate) async fn fetch_one(&self, sql: &str, values: Vec<Value>) -> Result<Option<Row>, StoreError> {
        Ok(self.fetch(sql, values).await?.into_iter().next())
    }

    /// Runs statements without values on a file.
    pub(crate) async fn run_script(&self, sql: &'static str) -> Result<(), StoreError> {
        if let Database::Sqlite { writer, .. } = self {
            sqlx::raw_sql(sql).execute(writer).await?;
        }
        Ok(())
    }

    /// Counts a table anew on a server, whose planner would else take a table that was just filled for an empty one
    /// and read it whole for every look-up. SQLite's indexes leave it no such choice.
    pub(crate) async fn analyze(&self, table: &str) -> Result<(), StoreError> {
        if let Database::Postgres(pool) = self {
            sqlx::query(AssertSqlSafe(format!("ANALYZE {table}"))).execute(pool).await?;
        }
        Ok(())
    }

    /// Closes all connections.
    pub(crate) async fn close(&self) {
        match self {
            Database::Sqlite { writer, reader } => {
                reader.close().await;
                writer.close().await;
            }
            Database::Postgres(pool) => pool.close().await,
        }
    }
}

impl Tx {
    /// Runs a statement; gives the number of rows that it changed.
    pub(crate) async fn execute(&mut self, sql: &str, values: Vec<Value>) -> Result<u64, StoreError> {
        Ok(match self {
            Tx::Sqlite(tx) => bind_sqlite(sql, values).execute(&mut **tx).await?.rows_affected(),
            Tx::Postgres(tx) => bind_postgres(sql, values).execute(&mut **tx).await?.rows_affected(),
        })
    }

    /// Reads rows within the transaction.
    pub(crate) async fn fetch(&mut self, sql: &str, values: Vec<Value>) -> Result<Vec<Row>, StoreError> {
        Ok(match self {
            Tx::Sqlite(tx) => {
                bind_sqlite(sql, values).fetch_all(&mut **tx).await?.into_iter().map(Row::Sqlite).collect()
            }
            Tx::Postgres(tx) => bind_postgres(sql, values)
                .fetch_all(&mut **tx)
                .await?
                .into_iter()
                .map(Row::Postgres)
                .collect(),
        })
    }

    /// As [`Database::fetch_bulk`], within the transaction.
    pub(crate) async fn fetch_bulk(&mut self, sql: &str, values: Vec<Value>) -> Result<Vec<Row>, StoreError> {
        match self {
            Tx::Sqlite(tx) => {
                let rows = bulk::fetch(tx, &in_sqlite(sql).replace('$', "?"), &values).await?;
                Ok(rows.into_iter().map(Row::Held).collect())
            }
            Tx::Postgres(_) => self.fetch(sql, values).await,
        }
    }

    /// Reads at most one row within the transaction.
    pub(crate) async fn fetch_one(
        &mut self,
        sql: &str,
        values: Vec<Value>,
    ) -> Result<Option<Row>, StoreError> {
        Ok(self.fetch(sql, values).await?.into_iter().next())
    }

    /// Inserts many rows: `INSERT INTO {into} VALUES (…) {suffix}`, where `into` names the table with its columns. All
    /// rows have as many values as the first. By multi-row statements on a server.
    pub(crate) async fn insert_many(
        &mut self,
        into: &str,
        rows: Vec<Vec<Value>>,
        suffix: &str,
    ) -> Result<u64, StoreError> {
        let Some(width) = rows.first().map(Vec::len) else { return Ok(0) };
        if let Tx::Sqlite(tx) = self {
            // numbered by place: SQLite looks names such as `$7` up one after the other for each value
            let row = vec!["?"; width].join(", ");
            let mut changed = 0;
            for rows in rows.chunks(ROWS_AT_ONCE) {
                changed +=
                    bulk::execute_each(tx, &format!("INSERT INTO {into} VALUES ({row}) {suffix}"), rows)
                        .await?;
            }
            return Ok(changed);
        }
        let at_once = (VALUES_MAX / width.max(1)).clamp(1, ROWS_A_STATEMENT);
        let mut changed = 0;
        let mut rows = rows.into_iter().peekable();
        while rows.peek().is_some() {
            let chunk: Vec<Vec<Value>> = rows.by_ref().take(at_once).collect();
            let sql = format!("INSERT INTO {into} VALUES {} {suffix}", numbered(chunk.len(), width));
            changed += self.execute(&sql, chunk.into_iter().flatten().collect()).await?;
        }
        Ok(changed)
    }

    /// Commits.
    pub(crate) async fn commit(self) -> Result<(), StoreError> {
        match self {
            Tx::Sqlite(tx) => tx.commit().await?,
            Tx::Postgres(tx) => tx.commit().await?,
        }
        Ok(())
    }

    /// Locks the rows that a statement selects until the transaction ends. SQLite has one writer: nothing to lock.
    pub(crate) async fn lock(
        &mut self,
        lock: Lock,
        select: &str,
        values: Vec<Value>,
    ) -> Result<(), StoreError> {
        if let Tx::Postgres(_) = self {
            let tail = match lock {
                Lock::Alone => "FOR NO KEY UPDATE",
                Lock::Shared => "FOR SHARE",
            };
            self.fetch(&format!("{select} {tail}"), values).await?;
        }
        Ok(())
    }
}

/// `($1, $2), ($3, $4)` for two rows of two values.
fn numbered(rows: usize, width: usize) -> String {
    let row = |row: usize| {
        (1..=width).map(|column| format!("${}", row * width + column)).collect::<Vec<_>>().join(", ")
    };
    (0..rows).map(|n| format!("({})", row(n))).collect::<Vec<_>>().join(", ")
}

/// Many texts as one value, for `column = ANY (texts($n))`: a JSON array, which both databases take apart.
pub(crate) fn texts<'a>(items: impl IntoIterator<Item = &'a str>) -> Value {
    Value::Text(Some(serde_json::Value::from_iter(items).to_string()))
}

/// Many numbers as one value, for `column = ANY (numbers($n))`.
pub(crate) fn numbers(items: &[i64]) -> Value {
    Value::Text(Some(serde_json::Value::from(items).to_string()))
}

/// SQLite's clock, in microseconds; `unixepoch('subsec')` has milliseconds.
const SQLITE_NOW: &str = "CAST(unixepoch('subsec') * 1000000 AS INTEGER)";

/// A statement in SQLite's words.
fn in_sqlite(sql: &str) -> String {
    sql.replace("now_us()", SQLITE_NOW)
        .replace("= ANY (texts(", "IN (SELECT value FROM json_each(")
        .replace("= ANY (numbers(", "IN (SELECT value FROM json_each(")
}

fn bind_sqlite(
    sql: &str,
    values: Vec<Value>,
) -> sqlx::query::Query<'static, Sqlite, sqlx::sqlite::SqliteArguments> {
    values.into_iter().fold(sqlx::query(AssertSqlSafe(in_sqlite(sql))), |query, value| match value {
        Value::Int(v) => query.bind(v),
        Value::Real(v) => query.bind(v),
        Value::Text(v) => query.bind(v),
        Value::Bytes(v) => query.bind(v),
    })
}

fn bind_postgres(
    sql: &str,
    values: Vec<Value>,
) -> sqlx::query::Query<'static, Postgres, sqlx::postgres::PgArguments> {
    values.into_iter().fold(sqlx::query(AssertSqlSafe(sql.to_owned())), |query, value| match value {
        Value::Int(v) => query.bind(v),
        Value::Real(v) => query.bind(v),
        Value::Text(v) => query.bind(v),
        Value::Bytes(v) => query.bind(v),
    })
}

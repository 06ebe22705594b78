//! Many rows at once through SQLite's own prepared statements, on the connection that sqlx holds.
//!
//! sqlx hands every statement and every row over to a thread of its own, which for thousands of small rows costs more
//! than SQLite does (3 µs a row by multi-row statements against 1 µs). The connection stays sqlx's: it is locked for the
//! length of a call, keeps its transaction, and is never closed here.

use rusqlite::types::{ToSqlOutput, Value as Held, ValueRef};
use rusqlite::{Connection, ToSql, params_from_iter};
use sqlx::SqliteConnection;
use sqlx::sqlite::LockedSqliteHandle;

use crate::StoreError;
use crate::database::Value;

impl ToSql for Value {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match self {
            Value::Int(Some(v)) => ValueRef::Integer(*v),
            Value::Real(Some(v)) => ValueRef::Real(*v),
            Value::Text(Some(v)) => ValueRef::Text(v.as_bytes()),
            Value::Bytes(Some(v)) => ValueRef::Blob(v),
            Value::Int(None) | Value::Real(None) | Value::Text(None) | Value::Bytes(None) => ValueRef::Null,
        }))
    }
}

/// A value read back.
pub(crate) trait FromHeld: Sized {
    /// The value, where it is of this type.
    fn from_held(held: &Held) -> Option<Self>;
}

#[expect(clippy::wildcard_enum_match_arm, reason = "every other type is the wrong one")]
mod from_held {
    use super::{FromHeld, Held};

    impl FromHeld for i64 {
        fn from_held(held: &Held) -> Option<i64> {
            match held {
                Held::Integer(v) => Some(*v),
                _ => None,
            }
        }
    }

    impl FromHeld for f64 {
        fn from_held(held: &Held) -> Option<f64> {
            match held {
                Held::Real(v) => Some(*v),
                _ => None,
            }
        }
    }

    impl FromHeld for String {
        fn from_held(held: &Held) -> Option<String> {
            match held {
                Held::Text(v) => Some(v.clone()),
                _ => None,
            }
        }
    }

    impl FromHeld for Vec<u8> {
        fn from_held(held: &Held) -> Option<Vec<u8>> {
            match held {
                Held::Blob(v) => Some(v.clone()),
                _ => None,
            }
        }
    }
}

impl FromHeld for i32 {
    fn from_held(held: &Held) -> Option<i32> {
        i64::from_held(held).and_then(|v| i32::try_from(v).ok())
    }
}

impl FromHeld for bool {
    fn from_held(held: &Held) -> Option<bool> {
        i64::from_held(held).map(|v| v != 0)
    }
}

impl<T: FromHeld> FromHeld for Option<T> {
    fn from_held(held: &Held) -> Option<Option<T>> {
        match held {
            Held::Null => Some(None),
            Held::Integer(_) | Held::Real(_) | Held::Text(_) | Held::Blob(_) => T::from_held(held).map(Some),
        }
    }
}

/// The locked connection as rusqlite knows it, for as long as the lock is held.
#[expect(unsafe_code, reason = "rusqlite cannot know that the handle is open and nobody else uses it")]
fn borrowed(handle: &mut LockedSqliteHandle<'_>) -> rusqlite::Result<Connection> {
    // SAFETY: the handle is open and locked: sqlx's thread waits for the lock before it touches it. The callers drop
    // the connection before the lock, and rusqlite never closes a connection that it did not open.
    unsafe { Connection::from_handle(handle.as_raw_handle().as_ptr()) }
}

/// Runs a statement once for each row of values, in order; gives the number of rows that it changed.
pub(crate) async fn execute_each(
    connection: &mut SqliteConnection,
    sql: &str,
    rows: &[Vec<Value>],
) -> Result<u64, StoreError> {
    let mut handle = connection.lock_handle().await?;
    each(&mut handle, sql, rows).map_err(StoreError::Statement)
}

fn each(handle: &mut LockedSqliteHandle<'_>, sql: &str, rows: &[Vec<Value>]) -> rusqlite::Result<u64> {
    let connection = borrowed(handle)?;
    let mut statement = connection.prepare(sql)?;
    let mut changed = 0u64;
    for row in rows {
        changed += statement.execute(params_from_iter(row))? as u64;
    }
    Ok(changed)
}

/// Reads all rows of a statement.
pub(crate) async fn fetch(
    connection: &mut SqliteConnection,
    sql: &str,
    values: &[Value],
) -> Result<Vec<Vec<Held>>, StoreError> {
    let mut handle = connection.lock_handle().await?;
    all(&mut handle, sql, values).map_err(StoreError::Statement)
}

fn all(handle: &mut LockedSqliteHandle<'_>, sql: &str, values: &[Value]) -> rusqlite::Result<Vec<Vec<Held>>> {
    let connection = borrowed(handle)?;
    let mut statement = connection.prepare(sql)?;
    let width = statement.column_count();
    let mut rows = statement.query(params_from_iter(values))?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((0..width).map(|at| row.get::<_, Held>(at)).collect::<rusqlite::Result<_>>()?);
    }
    Ok(found)
}

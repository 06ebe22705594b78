//! What can go wrong in the store, by what the caller can do about it. The only reader of database error codes.

/// An error of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database is busy or cannot be reached: try again later.
    #[error("the database is busy or cannot be reached")]
    Unavailable(#[source] sqlx::Error),
    /// The lease of a job lapsed or was taken over: nothing was written, give the job up.
    #[error("the lease of the job lapsed, nothing was written")]
    LeaseLost,
    /// The edition in use moved on meanwhile: nothing was written, begin again with what is in use now.
    #[error("the edition in use moved on meanwhile, nothing was written")]
    MovedOn,
    /// What was asked for does not go with the state of things; the text says what would.
    #[error("{0}")]
    Conflict(String),
    /// Something asked for does not exist.
    #[error("there is no {what} {id}")]
    Missing {
        /// The kind of thing.
        what: &'static str,
        /// Its name.
        id: String,
    },
    /// What was asked for does not go together; the text says what would mend it.
    #[error("{0}")]
    Settings(String),
    /// A stored value cannot be read back: a fault of this program or of the file.
    #[error("a stored {what} cannot be read: {why}")]
    Damaged {
        /// The kind of value.
        what: &'static str,
        /// Why.
        why: String,
    },
    /// The database refused a statement: a fault of this program.
    #[error("the database refused a statement")]
    Database(#[source] sqlx::Error),
    /// SQLite refused one of many rows: a fault of this program, or a full disk.
    #[error("the database refused a statement")]
    Statement(#[source] rusqlite::Error),
    /// The database could not be brought to this version.
    #[error("the database cannot be brought to the version of this program")]
    Migration(#[source] sqlx::migrate::MigrateError),
    /// The file of a source could not be written.
    #[error("the file of the source cannot be written")]
    SourceFile(#[source] rusqlite::Error),
    /// A file of the data folder could not be read or written.
    #[error("{path} cannot be read or written")]
    File {
        /// The path.
        path: String,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
    /// An original could not be read from or written to the object store.
    #[error("the kept original {key} cannot be read or written")]
    Object {
        /// Its key.
        key: String,
        /// Why.
        #[source]
        cause: object_store::Error,
    },
    /// A background task ended early.
    #[error("a background task of the store ended early")]
    Task(#[source] tokio::task::JoinError),
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> StoreError {
        if unavailable(&error) { StoreError::Unavailable(error) } else { StoreError::Database(error) }
    }
}

impl StoreError {
    /// Whether the same call may succeed later without anything being mended.
    #[must_use]
    pub fn passes(&self) -> bool {
        match self {
            StoreError::Unavailable(_) | StoreError::MovedOn => true,
            // what is beneath is a service elsewhere that fails or is not heard; what it refuses has a name of its own
            StoreError::Object { cause: object_store::Error::Generic { store: "S3", .. }, .. } => true,
            StoreError::LeaseLost
            | StoreError::Conflict(_)
            | StoreError::Missing { .. }
            | StoreError::Settings(_)
            | StoreError::Damaged { .. }
            | StoreError::Database(_)
            | StoreError::Statement(_)
            | StoreError::Migration(_)
            | StoreError::SourceFile(_)
            | StoreError::File { .. }
            | StoreError::Object { .. }
            | StoreError::Task(_) => false,
        }
    }

    /// Whether a unique key refused a row.
    pub(crate) fn duplicate(&self) -> bool {
        match self {
            StoreError::Database(sqlx::Error::Database(error)) => {
                error.kind() == sqlx::error::ErrorKind::UniqueViolation
            }
            StoreError::Statement(rusqlite::Error::SqliteFailure(error, _)) => {
                [rusqlite::ffi::SQLITE_CONSTRAINT_UNIQUE, rusqlite::ffi::SQLITE_CONSTRAINT_PRIMARYKEY]
                    .contains(&error.extended_code)
            }
            StoreError::Unavailable(_)
            | StoreError::MovedOn
            | StoreError::Conflict(_)
            | StoreError::LeaseLost
            | StoreError::Missing { .. }
            | StoreError::Settings(_)
            | StoreError::Damaged { .. }
            | StoreError::Database(_)
            | StoreError::Statement(_)
            | StoreError::Migration(_)
            | StoreError::SourceFile(_)
            | StoreError::File { .. }
            | StoreError::Object { .. }
            | StoreError::Task(_) => false,
        }
    }
}

/// SQLite: 5 busy, 6 locked, 517 busy snapshot. PostgreSQL: class 08 connection, 40 rollback, 53 resources,
/// 55P03 lock not available, 57P shutdown.
#[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum that may grow")]
fn unavailable(error: &sqlx::Error) -> bool {
    match error {
        sqlx::Error::Io(_)
        | sqlx::Error::PoolTimedOut
        | sqlx::Error::PoolClosed
        | sqlx::Error::WorkerCrashed => true,
        sqlx::Error::Database(database) => database.code().is_some_and(|code| {
            ["5", "6", "261", "517"].contains(&code.as_ref())
                || ["08", "40", "53", "57P"].iter().any(|class| code.len() == 5 && code.starts_with(class))
                || code == "55P03"
        }),
        _ => false,
    }
}

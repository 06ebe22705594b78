//! The only place with SQL: SQLite and PostgreSQL behind one type, [`Store`].
//!
//! Facts are appended and never updated, derivations can be computed again, decisions belong to people. Every
//! method on an office's data takes the office first.

pub mod access;
mod audit_log;
mod bulk;
pub mod check;
mod compact;
pub mod compare;
mod database;
pub mod edition;
pub mod edition_set;
pub mod edition_text;
mod error;
pub mod fetch;
pub mod finding;
pub mod history;
pub mod idempotency;
pub mod identifier;
pub mod in_place;
pub mod job;
pub mod jurisdiction;
pub mod limits;
pub mod listing;
pub mod load;
pub mod measurement;
pub mod mend;
pub mod notice;
pub mod object;
pub mod office;
pub mod policy;
pub mod queue;
pub mod record;
pub mod report;
pub mod run;
pub mod schedule;
pub mod settle;
pub mod source;
pub mod standard;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use audit_log::LogEntry;
pub use compact::Folding;
use database::Database;
pub use error::StoreError;
use tokio::sync::Mutex;

/// Where a store keeps its data.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreSettings {
    /// `postgres://…`, or empty for the embedded database in the data folder.
    pub database_url: String,
    /// Folder of the embedded database, of the sources' files and, unless they lie in a bucket, of the kept originals.
    pub data: PathBuf,
    /// Where the kept originals lie.
    pub objects: object::ObjectSettings,
}

/// The store of one installation.
#[derive(Debug, Clone)]
pub struct Store {
    main: Database,
    data: PathBuf,
    objects: object::Objects,
    sources: Arc<Mutex<HashMap<String, Database>>>,
    trusted: Arc<access::Trusted>,
}

/// Which database a store is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Backend {
    /// The embedded one.
    Sqlite,
    /// A server.
    Postgres,
}

/// The folder for what lies on disk for a moment.
const SCRATCH: &str = "scratch";

static SQLITE: sqlx::migrate::Migrator = sqlx::migrate!("../migrations/sqlite");
static POSTGRES: sqlx::migrate::Migrator = sqlx::migrate!("../migrations/postgres");

impl Store {
    /// Opens the store, creating what is missing and bringing the database to this version.
    ///
    /// # Errors
    /// [`StoreError`] when the folder or the database cannot be opened.
    pub async fn open(settings: &StoreSettings) -> Result<Store, StoreError> {
        let (sources, scratch) = (settings.data.join("sources"), settings.data.join(SCRATCH));
        for folder in [settings.data.clone(), sources, scratch] {
            std::fs::create_dir_all(&folder)
                .map_err(|cause| StoreError::File { path: folder.display().to_string(), cause })?;
        }
        let objects = object::Objects::open(&settings.objects, &settings.data.join("objects"))?;
        let main = open_main(settings).await?;
        Ok(Store {
            main,
            data: settings.data.clone(),
            objects,
            sources: Arc::new(Mutex::new(HashMap::new())),
            trusted: Arc::default(),
        })
    }

    /// A folder for what has to lie on disk for a moment; nothing in it has a name, so nothing is left there.
    #[must_use]
    pub fn scratch(&self) -> PathBuf {
        self.data.join(SCRATCH)
    }

    /// Which database this store is on.
    #[must_use]
    pub fn backend(&self) -> Backend {
        match self.main {
            Database::Sqlite { .. } => Backend::Sqlite,
            Database::Postgres(_) => Backend::Postgres,
        }
    }

    /// Tells the planner of a server how the tables have grown. Without statistics it takes "of this office and this
    /// source" for a few rows and reads them all for each batch: 200,000 pairs took 95 s instead of the time measured in
    /// DEVELOPERS.md. The server does it by itself, but only every minute. The embedded database plans by its indexes.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn statistics_refresh(&self) -> Result<(), StoreError> {
        if let Database::Postgres(pool) = &self.main {
            let tables = "property, measurement, to_judge, property_match, judgement, finding, finding_event, queue_entry";
            sqlx::raw_sql(sqlx::AssertSqlSafe(format!("ANALYZE {tables}"))).execute(pool).await?;
        }
        Ok(())
    }

    /// Whether statistics are due after so many batches: at the first, and each time their number has grown fourfold.
    #[must_use]
    pub fn statistics_due(batches: u32) -> bool {
        batches.is_power_of_two() && batches.trailing_zeros().is_multiple_of(2)
    }

    /// Closes all connections; the embedded database is then one file again.
    pub async fn close(self) {
        for database in self.sources.lock().await.values() {
            database.close().await;
        }
        self.main.close().await;
    }

    /// The database that holds the records of a source: its own file, or the server.
    async fn records(&self, container: &str) -> Result<Database, StoreError> {
        match &self.main {
            Database::Postgres(_) => Ok(self.main.clone()),
            Database::Sqlite { .. } => {
                let mut open = self.sources.lock().await;
                if let Some(database) = open.get(container) {
                    return Ok(database.clone());
                }
                // a file that is gone must be an error: an empty one in its place would be a source without records
                let database = Database::open_file(&self.source_file(container), false).await?;
                database.run_script(load::ADDED).await?;
                open.insert(container.to_owned(), database.clone());
                Ok(database)
            }
        }
    }

    fn source_file(&self, container: &str) -> PathBuf {
        self.source_folder().join(container)
    }

    /// The folder of the files of records, on the embedded database.
    fn source_folder(&self) -> PathBuf {
        self.data.join("sources")
    }
}

async fn open_main(settings: &StoreSettings) -> Result<Database, StoreError> {
    let url = settings.database_url.as_str();
    let main = match url {
        "" => Database::open_file(&settings.data.join("crossfoot.db"), true).await?,
        _ if url.starts_with("postgres://") || url.starts_with("postgresql://") => {
            Database::connect(url).await?
        }
        _ => match url.strip_prefix("sqlite:") {
            Some(path) => Database::open_file(Path::new(path.trim_start_matches("//")), true).await?,
            None => {
                return Err(StoreError::Settings(
                    "the database is neither postgres://… nor sqlite:PATH: correct the setting, or leave it empty for \
                     the embedded database"
                        .to_owned(),
                ));
            }
        },
    };
    match &main {
        Database::Sqlite { writer, .. } => SQLITE.run(writer).await.map_err(StoreError::Migration)?,
        Database::Postgres(pool) => POSTGRES.run(pool).await.map_err(StoreError::Migration)?,
    }
    Ok(main)
}

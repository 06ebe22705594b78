//! The definitions of floor area that an office can use: those that come with the program, and its own.
//!
//! In a worker's hands an own definition is called by its id and version (`town-living-area@2`), which is the name
//! that judgements and packets keep.

use std::sync::Arc;

use crossfoot_audit::standard::{Standard, StandardError};
use crossfoot_store::standard::{OwnStandard, parse_versioned_name, versioned_name};
use crossfoot_store::{Store, StoreError};

/// The word of layouts for a basis that the publisher does not state.
const NOT_PUBLISHED: &str = crossfoot_roll::layout::BASIS_NOT_PUBLISHED;

/// The definitions of all offices over one store.
#[derive(Debug, Clone)]
pub struct Standards {
    store: Store,
    built_in: Arc<[Standard]>,
}

/// Why a definition of an office's own was not saved.
#[derive(Debug, thiserror::Error)]
pub enum AddError {
    /// The id is one that comes with the program.
    #[error("{0} comes with the program and cannot be changed: give yours an id of its own")]
    BuiltIn(String),
    /// The id is a word of layouts.
    #[error("{0} is what a layout says whose publisher states no basis: give yours another id")]
    Reserved(String),
    /// The store fails.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl Standards {
    /// The definitions of offices over a store.
    ///
    /// # Errors
    /// [`StandardError`] when one that comes with the program cannot be read, which a test excludes.
    pub fn new(store: Store) -> Result<Standards, StandardError> {
        Ok(Standards { store, built_in: Standard::built_in()?.into() })
    }

    /// Those that come with the program.
    #[must_use]
    pub fn built_in(&self) -> &[Standard] {
        &self.built_in
    }

    /// The newest version of each of an office's own.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn own(&self, office: &str) -> Result<Vec<OwnStandard>, StoreError> {
        self.store.standard_list(office).await
    }

    /// All that an office can use, those that come with the program first; of its own the newest versions, each by
    /// the name that judgements give it.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn of_office(&self, office: &str) -> Result<Vec<Standard>, StoreError> {
        let own = self.own(office).await?.into_iter().map(with_version);
        Ok(self.built_in.iter().cloned().chain(own).collect())
    }

    /// A definition by the name that a judgement or a person gives: an id, of which the newest version is meant, or
    /// an own one's id and version. `None` where the office has none of that name.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn named(&self, office: &str, name: &str) -> Result<Option<Standard>, StoreError> {
        if let Some(built_in) = self.built_in.iter().find(|standard| standard.id == name) {
            return Ok(Some(built_in.clone()));
        }
        let found = match parse_versioned_name(name) {
            (id, 0) => self.store.standard_in_force(office, id).await?,
            (id, version) => self.store.standard_of_version(office, id, version).await?,
        };
        Ok(found.map(with_version))
    }

    /// Saves a definition as the office's own; gives its version. What is judged by its id is put up to be judged
    /// again when it is new.
    ///
    /// # Errors
    /// [`AddError`].
    pub async fn add(&self, office: &str, standard: &Standard) -> Result<i64, AddError> {
        if self.built_in.iter().any(|built_in| built_in.id == standard.id) {
            return Err(AddError::BuiltIn(standard.id.clone()));
        }
        if standard.id == NOT_PUBLISHED {
            return Err(AddError::Reserved(standard.id.clone()));
        }
        Ok(self.store.standard_save(office, standard).await?)
    }
}

fn with_version(own: OwnStandard) -> Standard {
    Standard { id: versioned_name(&own.standard.id, own.version), ..own.standard }
}

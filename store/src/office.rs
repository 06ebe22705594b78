//! Offices and the keys of their people.

use sha2::{Digest as _, Sha256};

use crate::database::values;
use crate::{Store, StoreError};

/// What a key allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Send measurements.
    Upload,
    /// Work the queue.
    Review,
    /// Read findings and export evidence.
    Consult,
    /// Manage keys and policies of the office.
    Administer,
    /// Start runs.
    Batch,
    /// Keep the installation: offices, shared sources, editions. Belongs to no office.
    Operator,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 6] =
        [Role::Upload, Role::Review, Role::Consult, Role::Administer, Role::Batch, Role::Operator];

    /// The name kept in databases and typed by people.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Role::Upload => "upload",
            Role::Review => "review",
            Role::Consult => "consult",
            Role::Administer => "administer",
            Role::Batch => "batch",
            Role::Operator => "operator",
        }
    }

    /// The role of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.name() == name)
    }
}

/// A key as it is listed: never the key itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyEntry {
    /// Its id.
    pub id: String,
    /// The office, none for an operator.
    pub office: Option<String>,
    /// What it allows.
    pub role: String,
    /// What it is for, in the office's words.
    pub label: String,
    /// When it was made, microseconds UTC.
    pub created_at: i64,
}

/// A key just made. The secret is shown once and not kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewKey {
    /// Its id.
    pub id: String,
    /// The secret: 256 random bits in hexadecimal.
    pub secret: String,
}

impl Store {
    /// Makes the office if it does not exist.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn office_ensure(&self, id: &str, name: &str) -> Result<(), StoreError> {
        let known = self.main.fetch_one("SELECT 1 FROM office WHERE id = $1", values![id]).await?;
        if known.is_some() {
            return Ok(());
        }
        let mut tx = self.main.begin().await?;
        tx.execute(
            "INSERT INTO office (id, name, created_at) VALUES ($1, $2, now_us()) ON CONFLICT (id) DO NOTHING",
            values![id, name],
        )
        .await?;
        tx.commit().await
    }

    /// The name of an office for people.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no such office, [`StoreError`] of the database.
    pub async fn office_name(&self, id: &str) -> Result<String, StoreError> {
        let row = self.main.fetch_one("SELECT name FROM office WHERE id = $1", values![id]).await?;
        row.ok_or_else(|| StoreError::Missing { what: "office", id: id.to_owned() })?.get(0)
    }

    /// Makes a key. `office` is none exactly for an operator's key.
    ///
    /// # Errors
    /// [`StoreError::Settings`] when the role and the office do not go together, [`StoreError::Missing`] when there is
    /// no such office, [`StoreError`] of the database.
    pub async fn key_create(
        &self,
        office: Option<&str>,
        role: Role,
        label: &str,
    ) -> Result<NewKey, StoreError> {
        if office.is_none() != (role == Role::Operator) {
            return Err(StoreError::Settings(
                "an operator's key belongs to no office, every other key to one: correct the role or the office".to_owned(),
            ));
        }
        let mut bits = [0u8; 32];
        getrandom::fill(&mut bits)
            .map_err(|e| StoreError::Settings(format!("this machine gives no random numbers: {e}")))?;
        let secret = hex::encode(bits);
        let id = uuid::Uuid::now_v7().to_string();
        let digest = Sha256::digest(secret.as_bytes()).to_vec();
        let mut tx = self.main.begin().await?;
        let known = tx.fetch_one("SELECT 1 FROM office WHERE id = $1", values![office]).await?;
        if let (Some(office), None) = (office, known) {
            return Err(StoreError::Missing { what: "office", id: office.to_owned() });
        }
        tx.execute(
            "INSERT INTO access_key (id, office, role, label, key_sha256, created_at) VALUES ($1, $2, $3, $4, $5, now_us())",
            values![id.clone(), office, role.name(), label, digest],
        )
        .await?;
        tx.commit().await?;
        Ok(NewKey { id, secret })
    }

    /// The keys of an office, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn key_list(&self, office: &str) -> Result<Vec<KeyEntry>, StoreError> {
        let sql = "SELECT id, office, role, label, created_at FROM access_key WHERE office = $1 ORDER BY created_at, id";
        let rows = self.main.fetch(sql, values![office]).await?;
        rows.iter()
            .map(|row| {
                Ok(KeyEntry {
                    id: row.get(0)?,
                    office: row.get(1)?,
                    role: row.get(2)?,
                    label: row.get(3)?,
                    created_at: row.get(4)?,
                })
            })
            .collect()
    }
}

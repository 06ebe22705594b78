//! Packing kept originals into frames, after they were received, by a job of its own.
//!
//! The order makes a crash harmless at any moment: the packed object is written, whole or not at all; read back to its
//! last byte and held against the hash of what was received; one transaction then turns every edition that has these
//! bytes to it; and only after that the plain object is deleted. Until the end the job stays, and doing it again finds
//! what is done already.

use std::io::Read;

use serde_json::json;
use sha2::{Digest as _, Sha256};
use tokio::sync::mpsc;

use super::frames::{FRAME_BYTES, FrameWriter};
use super::{INCOMING, KeptFile, ORIGINALS, PACKED, READ_BYTES, damaged, is_missing, is_packed};
use crate::database::{Tx, values};
use crate::in_place::FileInPlace;
use crate::job::{Claim, JobKind, NewJob, commit_held, enqueue, hold};
use crate::{Backend, Store, StoreError};

/// Frames that wait to be written; they bound the memory.
const FRAMES_IN_FLIGHT: usize = 8;

/// A file of an edition and how it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Original {
    /// The source's name.
    pub source: String,
    /// The source's number.
    pub source_number: i64,
    /// The edition's number within the source.
    pub edition: i64,
    /// The file within the edition, from 0.
    pub number: i64,
    /// Name, hash, length and key.
    pub file: KeptFile,
    /// Bytes that it takes.
    pub kept_bytes: i64,
    /// Whether it is packed into frames; else it is kept as received.
    pub packed: bool,
}

impl Original {
    /// Whether it still lies where it was handed in and is not kept yet.
    #[must_use]
    pub fn in_place(&self) -> bool {
        FileInPlace::of_key(&self.file.object_key).is_some()
    }
}

/// The job that packs the originals of an edition.
pub(crate) fn keep_job(source: i64, edition: i64) -> NewJob {
    NewJob {
        office: None,
        kind: JobKind::Keep,
        payload: json!({ "source": source, "edition": edition }),
        dedup_key: format!("keep:{source}:{edition}"),
        exclusive_key: format!("keep:{source}"),
    }
}

/// Turns the files of an edition that was just written to the packed originals of the same bytes, if those were packed
/// since the files were received. Whoever packs holds the table meanwhile, so one of the two sees the other.
pub(crate) async fn packed_meanwhile(tx: &mut Tx, source: i64, edition: i64) -> Result<(), StoreError> {
    tx.execute(
        "UPDATE edition_file SET (object_key, form, kept_bytes) =
             (SELECT p.object_key, p.form, p.kept_bytes FROM edition_file p
              WHERE p.sha256 = edition_file.sha256 AND p.form = 'frames' LIMIT 1)
         WHERE source = $1 AND edition = $2
           AND EXISTS (SELECT 1 FROM edition_file p WHERE p.sha256 = edition_file.sha256 AND p.form = 'frames')",
        values![source, edition],
    )
    .await?;
    Ok(())
}

impl Store {
    /// Files of all editions as received and how they are kept, by source, edition and place; of one source if it is
    /// named.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn original_list(&self, source: Option<i64>) -> Result<Vec<Original>, StoreError> {
        let sql = "SELECT s.id, f.source, f.edition, f.number, f.name, f.sha256, f.bytes, f.object_key,
                          coalesce(f.kept_bytes, f.bytes), f.form
                   FROM edition_file f JOIN source s ON s.number = f.source
                   WHERE ($1 = 0 OR f.source = $1)
                     AND NOT EXISTS (SELECT 1 FROM edition_file t
                                     WHERE t.source = f.source AND t.edition = f.edition AND t.number < f.number
                                       AND t.object_key = f.object_key AND t.name = f.name AND f.within IS NOT NULL)
                   ORDER BY s.id, f.edition, f.number";
        let rows = self.main.fetch(sql, values![source.unwrap_or_default()]).await?;
        rows.iter()
            .map(|row| {
                Ok(Original {
                    source: row.get(0)?,
                    source_number: row.get(1)?,
                    edition: row.get(2)?,
                    number: row.get(3)?,
                    file: KeptFile {
                        name: row.get(4)?,
                        sha256: row.get(5)?,
                        bytes: row.get(6)?,
                        object_key: row.get(7)?,
                        within: None,
                    },
                    kept_bytes: row.get(8)?,
                    packed: row.get::<String>(9)? == "frames",
                })
            })
            .collect()
    }

    /// Editions whose originals are to be packed by a job that is not over, by source and number. A process that was killed
    /// may have packed them and left the plain ones.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn original_keep_asked(&self) -> Result<Vec<(i64, i64)>, StoreError> {
        let sql = "SELECT payload FROM job WHERE kind = 'keep' AND state IN ('queued', 'running')";
        let mut asked = Vec::new();
        for row in self.main.fetch(sql, values![]).await? {
            let payload: serde_json::Value = serde_json::from_str(&row.get::<String>(0)?)
                .map_err(|e| StoreError::Damaged { what: "payload of a job", why: e.to_string() })?;
            let number = |name: &str| payload.get(name).and_then(serde_json::Value::as_i64);
            asked.extend(number("source").zip(number("edition")));
        }
        Ok(asked)
    }

    /// Asks for the originals of an edition to be packed; gives the job.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn original_keep_request(&self, source: i64, edition: i64) -> Result<String, StoreError> {
        let mut tx = self.main.begin().await?;
        let job = enqueue(&mut tx, keep_job(source, edition)).await?;
        tx.commit().await?;
        Ok(job)
    }

    /// Packs one kept original, so that afterwards only the packed one is there; `done` is told how many bytes are
    /// through. What is packed already costs one look.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when the bytes are not those that were received: the original then stays as it is.
    pub async fn original_keep(
        &self,
        claim: &Claim,
        file: &KeptFile,
        done: impl Fn(u64) + Send + 'static,
    ) -> Result<(), StoreError> {
        // what lies elsewhere is not ours to pack
        let plain_key = format!("{ORIGINALS}{}", file.sha256);
        let packed_key = format!("{plain_key}{PACKED}");
        if file.object_key != plain_key && file.object_key != packed_key {
            return Ok(());
        }
        if !is_packed(&file.object_key) {
            if !self.holds(&packed_key, file).await? {
                match self.pack(&plain_key, &packed_key, file, done).await {
                    // the same bytes of another source were packed meanwhile
                    Err(error) if is_missing(&error) && self.holds(&packed_key, file).await? => {}
                    packed => packed?,
                }
            }
            let kept_bytes = self.check(&packed_key, file).await?;
            self.swap(claim, &plain_key, &packed_key, kept_bytes).await?;
        }
        // an earlier attempt may have ended between the two
        self.delete_object(&plain_key).await
    }

    /// Whether the packed object is there and has the bytes that were received.
    async fn holds(&self, packed_key: &str, file: &KeptFile) -> Result<bool, StoreError> {
        match self.hash_of(packed_key).await {
            Ok(sha256) => Ok(sha256 == file.sha256),
            Err(error) if error.passes() => Err(error),
            // damaged as much as missing: it is written anew
            Err(StoreError::Object { .. }) => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// Writes the packed object.
    async fn pack(
        &self,
        plain_key: &str,
        packed_key: &str,
        file: &KeptFile,
        done: impl Fn(u64) + Send + 'static,
    ) -> Result<(), StoreError> {
        let plain = self.open_named(plain_key).await?;
        let (sender, mut frames) = mpsc::channel(FRAMES_IN_FLIGHT);
        let packing = tokio::task::spawn_blocking(move || pack(plain, &sender, done));
        // in a bucket an object has its name from the beginning, and is not there before it is whole
        let staging = if self.objects.in_bucket() {
            packed_key.to_owned()
        } else {
            format!("{INCOMING}/{}", uuid::Uuid::now_v7())
        };
        let mut upload = self.upload(&staging).await?;
        while let Some(frame) = frames.recv().await {
            if let Err(error) = upload.part(frame).await {
                return Err(upload.abort(error).await);
            }
        }
        let packed = match packing.await {
            Ok(Ok(sha256)) if sha256 == file.sha256 => Ok(()),
            Ok(Ok(sha256)) => Err(not_as_received(file, &sha256)),
            Ok(Err(cause)) => Err(damaged(plain_key, cause)),
            Err(error) => Err(StoreError::Task(error)),
        };
        if let Err(error) = packed {
            return Err(upload.abort(error).await);
        }
        upload.finish().await?;
        if staging != packed_key {
            self.rename(&staging, packed_key).await?;
        }
        Ok(())
    }

    /// Reads the packed object back as it would be read; gives the bytes that it takes.
    async fn check(&self, packed_key: &str, file: &KeptFile) -> Result<i64, StoreError> {
        self.objects.tables.forget(packed_key);
        let table = self.frame_table(packed_key).await?;
        let sha256 = self.hash_of(packed_key).await?;
        if sha256 != file.sha256 || i64::try_from(table.plain_bytes()) != Ok(file.bytes) {
            return Err(not_as_received(file, &sha256));
        }
        let bytes = self.object_bytes(packed_key).await?;
        bytes.ok_or_else(|| damaged(packed_key, "it is gone after it was written"))
    }

    async fn hash_of(&self, key: &str) -> Result<String, StoreError> {
        let mut original = self.open_named(key).await?;
        let hashing = tokio::task::spawn_blocking(move || hash(&mut original));
        hashing.await.map_err(StoreError::Task)?.map_err(|cause| damaged(key, cause))
    }

    /// Turns every edition that has these bytes to the packed object.
    async fn swap(
        &self,
        claim: &Claim,
        plain_key: &str,
        packed_key: &str,
        kept_bytes: i64,
    ) -> Result<(), StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        if self.backend() == Backend::Postgres {
            // an edition that is being staged is waited for, and one that comes later sees what is written here
            tx.execute("LOCK TABLE edition_file IN SHARE ROW EXCLUSIVE MODE", values![]).await?;
        }
        tx.execute(
            "UPDATE edition_file SET object_key = $1, form = 'frames', kept_bytes = $2 WHERE object_key = $3",
            values![packed_key, kept_bytes, plain_key],
        )
        .await?;
        commit_held(tx, claim).await
    }
}

fn not_as_received(file: &KeptFile, sha256: &str) -> StoreError {
    StoreError::Damaged {
        what: "original",
        why: format!(
            "{} has SHA-256 {sha256} now and had {} when it was received; it stays as it is: hand the file in again",
            file.name, file.sha256
        ),
    }
}

/// Packs all of an original and hands over the frames and their table; gives the hash of the plain bytes. Blocking.
fn pack(
    mut plain: Box<dyn Read + Send>,
    frames: &mpsc::Sender<bytes::Bytes>,
    done: impl Fn(u64),
) -> std::io::Result<String> {
    let nobody = |_| std::io::Error::other("what is packed cannot be written");
    let (mut writer, mut hash, mut through) = (FrameWriter::new()?, Sha256::new(), 0u64);
    loop {
        let mut piece = Vec::with_capacity(FRAME_BYTES);
        (&mut plain).take(FRAME_BYTES as u64).read_to_end(&mut piece)?;
        if piece.is_empty() {
            break;
        }
        hash.update(&piece);
        through += piece.len() as u64;
        frames.blocking_send(writer.frame(&piece)?.into()).map_err(nobody)?;
        done(through);
    }
    frames.blocking_send(writer.table()?.into()).map_err(nobody)?;
    Ok(hex::encode(hash.finalize()))
}

fn hash(original: &mut dyn Read) -> std::io::Result<String> {
    let (mut hash, mut piece) = (Sha256::new(), vec![0; READ_BYTES]);
    loop {
        let read = original.read(&mut piece)?;
        if read == 0 {
            return Ok(hex::encode(hash.finalize()));
        }
        hash.update(piece.get(..read).unwrap_or_default());
    }
}

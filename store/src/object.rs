//! Kept originals: files as received, in a folder or an S3-compatible store, addressed by their SHA-256.
//!
//! What is received is kept as it came, `originals/HASH`. Later, a job of its own packs it into frames,
//! `originals/HASH.zst` ([`keeping`]). Either name leads to the bytes, whichever of the two is there: who read a name a
//! moment before the packing finished finds them all the same.

mod frames;
pub mod keeping;
mod place;
mod table_cache;

use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use frames::{FrameTable, FramesError, Tail};
use futures_util::TryStreamExt as _;
use object_store::{GetOptions, GetRange, GetResultPayload, ObjectStoreExt as _, WriteMultipart};
use sha2::{Digest as _, Sha256};
use tokio::io::{AsyncReadExt as _, AsyncSeekExt as _};
use tokio_util::io::{StreamReader, SyncIoBridge};

pub use place::ObjectSettings;
pub(crate) use place::Objects;

use crate::database::values;
use crate::in_place::FileInPlace;
use crate::{Store, StoreError};

/// Bytes of one part of an upload to the object store. S3 takes 10,000 parts, so 80 GiB.
const PART_BYTES: usize = 8 * 1024 * 1024;
/// Parts that are on their way at the same time; together they bound the memory.
const PARTS_IN_FLIGHT: usize = 4;
/// Bytes that are read at once from a file.
const READ_BYTES: usize = 1024 * 1024;
/// What is read of the end of a packed original at first: the table of the frames of 8 GiB.
const TAIL_BYTES: u64 = 64 * 1024;

/// Where a file lies until it has arrived whole.
const INCOMING: &str = "incoming";
/// What nobody has written to for so long belongs to a process that died.
const INCOMING_DEAD: Duration = Duration::from_secs(3600);
/// Where originals lie.
const ORIGINALS: &str = "originals/";
/// How the name of a packed original ends.
const PACKED: &str = ".zst";

/// Removes what processes that died left of files that had not arrived whole; other processes may be at work beside.
/// What cannot be removed stays until the next start.
fn sweep(objects_folder: &Path) {
    for entry in std::fs::read_dir(objects_folder.join(INCOMING)).into_iter().flatten().flatten() {
        let written = entry.metadata().and_then(|metadata| metadata.modified());
        let dead = written.is_ok_and(|at| at.elapsed().is_ok_and(|since| since > INCOMING_DEAD));
        if dead {
            let path = entry.path();
            match std::fs::remove_file(&path) {
                Ok(()) => tracing::info!("{} was left by a process that died: removed", path.display()),
                Err(error) => tracing::warn!("{} stays: {error}", path.display()),
            }
        }
    }
}

/// A file that was taken into the object store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptFile {
    /// Its name as received; never used as a path.
    pub name: String,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
    /// Its length.
    pub bytes: i64,
    /// Its key in the object store.
    pub object_key: String,
    /// The name of the text in it that is meant, where it holds several files of an edition.
    pub within: Option<String>,
}

/// The name under which the same bytes lie before or after they are packed.
fn other_name(key: &str) -> Option<String> {
    if !key.starts_with(ORIGINALS) {
        return None;
    }
    Some(match key.strip_suffix(PACKED) {
        Some(plain) => plain.to_owned(),
        None => format!("{key}{PACKED}"),
    })
}

fn is_packed(key: &str) -> bool {
    key.starts_with(ORIGINALS) && key.ends_with(PACKED)
}

/// Whether there is no such object.
fn is_missing(error: &StoreError) -> bool {
    matches!(error, StoreError::Object { cause: object_store::Error::NotFound { .. }, .. })
}

impl Store {
    /// Whether originals are kept in a bucket: one that cannot be written to is then told before anything is taken in.
    #[must_use]
    pub fn originals_in_a_bucket(&self) -> bool {
        self.objects.in_bucket()
    }

    /// Takes a local file into the object store. The same bytes again are kept once.
    ///
    /// # Errors
    /// [`StoreError::File`] when it cannot be read, [`StoreError::Object`] when it cannot be kept.
    pub async fn object_keep(&self, path: &Path) -> Result<KeptFile, StoreError> {
        let unreadable = |cause| StoreError::File { path: path.display().to_string(), cause };
        let file = tokio::fs::File::open(path).await.map_err(unreadable)?;
        self.object_keep_file(path, file).await
    }

    /// Takes a file that is open already into the object store; `path` is where it was found.
    ///
    /// # Errors
    /// As [`Store::object_keep`].
    pub async fn object_keep_file(&self, path: &Path, file: tokio::fs::File) -> Result<KeptFile, StoreError> {
        let (sha256, bytes, object_key) = if self.objects.in_bucket() {
            self.send(path, file).await?
        } else {
            self.copy_in(path, file).await?
        };
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(KeptFile { name, sha256, bytes, object_key, within: None })
    }

    /// Into the folder: read once, and named by its hash at the end.
    async fn copy_in(
        &self,
        path: &Path,
        mut file: tokio::fs::File,
    ) -> Result<(String, i64, String), StoreError> {
        let staging = format!("{INCOMING}/{}", uuid::Uuid::now_v7());
        let mut upload = self.upload(&staging).await?;
        let copied = copy(path, &mut file, Some(&mut upload)).await;
        let (sha256, bytes) = match copied {
            Ok(copied) => copied,
            Err(error) => return Err(upload.abort(error).await),
        };
        upload.finish().await?;
        if let Some(key) = self.kept_already(&sha256, true).await? {
            self.delete_object(&staging).await?;
            return Ok((sha256, bytes, key));
        }
        let object_key = format!("{ORIGINALS}{sha256}");
        self.rename(&staging, &object_key).await?;
        Ok((sha256, bytes, object_key))
    }

    /// Into the bucket: read twice, since an object there has its name from the beginning, and copying it to another
    /// name costs as much as sending it and stops at 5 GiB. What is there already is not sent.
    async fn send(
        &self,
        path: &Path,
        mut file: tokio::fs::File,
    ) -> Result<(String, i64, String), StoreError> {
        let unreadable = |cause| StoreError::File { path: path.display().to_string(), cause };
        if !file.metadata().await.map_err(unreadable)?.is_file() {
            return Err(StoreError::Settings(format!(
                "{} can be read only once, and a bucket wants it twice: write it to a file first",
                path.display()
            )));
        }
        file.rewind().await.map_err(unreadable)?;
        let (sha256, bytes) = copy(path, &mut file, None).await?;
        if let Some(key) = self.kept_already(&sha256, false).await? {
            return Ok((sha256, bytes, key));
        }
        file.rewind().await.map_err(unreadable)?;
        let object_key = format!("{ORIGINALS}{sha256}");
        let mut upload = self.upload(&object_key).await?;
        match copy(path, &mut file, Some(&mut upload)).await {
            Ok((again, _)) if again == sha256 => upload.finish().await?,
            Ok(_) => {
                let cause = std::io::Error::other("it changed while it was read: hand it in again");
                return Err(upload.abort(unreadable(cause)).await);
            }
            Err(error) => return Err(upload.abort(error).await),
        }
        Ok((sha256, bytes, object_key))
    }

    /// The key under which an edition has these bytes already, if they are there whole.
    async fn kept_already(&self, sha256: &str, packed_only: bool) -> Result<Option<String>, StoreError> {
        let sql = "SELECT object_key, coalesce(kept_bytes, bytes) FROM edition_file WHERE sha256 = $1";
        for row in self.main.fetch(sql, values![sha256]).await? {
            let (key, bytes): (String, i64) = (row.get(0)?, row.get(1)?);
            if !key.starts_with(ORIGINALS) || (packed_only && !is_packed(&key)) {
                continue;
            }
            if self.object_bytes(&key).await? == Some(bytes) {
                return Ok(Some(key));
            }
        }
        Ok(None)
    }

    /// Bytes that an object takes, if it is there.
    async fn object_bytes(&self, key: &str) -> Result<Option<i64>, StoreError> {
        match self.objects.store.head(&object_path(key)).await {
            Ok(meta) => Ok(Some(i64::try_from(meta.size).unwrap_or(i64::MAX))),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(cause) => Err(self.objects.failed(key, cause)),
        }
    }

    /// Opens a kept original for reading on a blocking thread: its bytes as received.
    ///
    /// # Errors
    /// [`StoreError::Object`] when it is not there.
    pub async fn object_open(&self, key: &str) -> Result<Box<dyn Read + Send>, StoreError> {
        if let Some(place) = FileInPlace::of_key(key) {
            let file = place.open();
            let path = place.path().display().to_string();
            return Ok(Box::new(file.map_err(|cause| StoreError::File { path, cause })?));
        }
        match (self.open_named(key).await, other_name(key)) {
            (Err(error), Some(other)) if is_missing(&error) => match self.open_named(&other).await {
                Err(again) if is_missing(&again) => Err(error),
                opened => opened,
            },
            (opened, _) => opened,
        }
    }

    async fn open_named(&self, key: &str) -> Result<Box<dyn Read + Send>, StoreError> {
        let got = self.objects.store.get(&object_path(key)).await;
        let got = got.map_err(|cause| self.objects.failed(key, cause))?;
        let stored: Box<dyn Read + Send> = match got.payload {
            GetResultPayload::File(file, _) => Box::new(file),
            GetResultPayload::Stream(stream) => {
                Box::new(SyncIoBridge::new(StreamReader::new(stream.map_err(std::io::Error::other))))
            }
        };
        if !is_packed(key) {
            return Ok(stored);
        }
        let failed = |cause: std::io::Error| damaged(key, cause);
        Ok(Box::new(zstd::stream::read::Decoder::new(stored).map_err(failed)?))
    }

    /// Bytes of a kept original, for showing a row as it was published. Of a packed one only the frames that hold them
    /// are read.
    ///
    /// # Errors
    /// [`StoreError::Object`] when it is not there or shorter.
    pub async fn object_range(&self, key: &str, start: u64, length: u64) -> Result<Vec<u8>, StoreError> {
        match (self.range_named(key, start, length).await, other_name(key)) {
            (Err(error), Some(other)) if is_missing(&error) => {
                match self.range_named(&other, start, length).await {
                    Err(again) if is_missing(&again) => Err(error),
                    read => read,
                }
            }
            (read, _) => read,
        }
    }

    async fn range_named(&self, key: &str, start: u64, length: u64) -> Result<Vec<u8>, StoreError> {
        // a range of nothing is none to the object store
        if length == 0 {
            return Ok(Vec::new());
        }
        if let Some(place) = FileInPlace::of_key(key) {
            let path = place.path().display().to_string();
            return place.range(start, length).map_err(|cause| StoreError::File { path, cause });
        }
        if is_packed(key) {
            return self.range_packed(key, start, length).await;
        }
        let bytes = self.stored(key, start..start.saturating_add(length)).await?;
        if bytes.len() as u64 == length {
            return Ok(bytes.to_vec());
        }
        Err(damaged(key, format!("{} bytes from {start} on, not {length}", bytes.len())))
    }

    async fn range_packed(&self, key: &str, start: u64, length: u64) -> Result<Vec<u8>, StoreError> {
        let known = self.objects.tables.get(key);
        let table = match &known {
            Some(table) => table.clone(),
            None => self.frame_table(key).await?,
        };
        match self.frames(key, &table, start, length).await? {
            Ok(read) => Ok(read),
            // packed anew since the table was read
            Err(FramesError::Frame { .. }) if known.is_some() => {
                self.objects.tables.forget(key);
                let table = self.frame_table(key).await?;
                self.frames(key, &table, start, length).await?.map_err(|error| damaged(key, error))
            }
            Err(error) => Err(damaged(key, error)),
        }
    }

    /// The plain bytes of a range, from the frames that hold it.
    async fn frames(
        &self,
        key: &str,
        table: &Arc<FrameTable>,
        start: u64,
        length: u64,
    ) -> Result<Result<Vec<u8>, FramesError>, StoreError> {
        let span = match table.span(start, length) {
            Ok(Some(span)) => span,
            Ok(None) => return Ok(Ok(Vec::new())),
            Err(error) => return Ok(Err(error)),
        };
        let packed = self.stored(key, span.packed.clone()).await?;
        let table = table.clone();
        let unpacking = tokio::task::spawn_blocking(move || {
            let mut plain = table.unpack(&span, &packed)?;
            plain.drain(..usize::try_from(span.skip).unwrap_or(plain.len()).min(plain.len()));
            plain.truncate(usize::try_from(length).unwrap_or(plain.len()));
            Ok(plain)
        });
        unpacking.await.map_err(StoreError::Task)
    }

    /// Where the frames of a packed original are.
    async fn frame_table(&self, key: &str) -> Result<Arc<FrameTable>, StoreError> {
        let mut want = TAIL_BYTES;
        loop {
            let options = GetOptions { range: Some(GetRange::Suffix(want)), ..GetOptions::default() };
            let got = self.objects.store.get_opts(&object_path(key), options).await;
            let got = got.map_err(|cause| self.objects.failed(key, cause))?;
            let size = got.meta.size;
            let tail = got.bytes().await.map_err(|cause| self.objects.failed(key, cause))?;
            match FrameTable::read(&tail, size) {
                Ok(Tail::Whole(table)) => {
                    let table = Arc::new(table);
                    self.objects.tables.put(key, table.clone());
                    return Ok(table);
                }
                Ok(Tail::Longer(bytes)) if bytes > want => want = bytes,
                Ok(Tail::Longer(_)) => return Err(damaged(key, "its end cannot be read")),
                Err(error) => return Err(damaged(key, error)),
            }
        }
    }

    async fn stored(&self, key: &str, range: std::ops::Range<u64>) -> Result<Bytes, StoreError> {
        let got = self.objects.store.get_range(&object_path(key), range).await;
        got.map_err(|cause| self.objects.failed(key, cause))
    }

    async fn rename(&self, from: &str, to: &str) -> Result<(), StoreError> {
        let renamed = self.objects.store.rename(&object_path(from), &object_path(to)).await;
        renamed.map_err(|cause| self.objects.failed(to, cause))
    }

    /// Deletes an object; one that is not there is deleted.
    async fn delete_object(&self, key: &str) -> Result<(), StoreError> {
        match self.objects.store.delete(&object_path(key)).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(cause) => Err(self.objects.failed(key, cause)),
        }
    }

    async fn upload(&self, key: &str) -> Result<Upload, StoreError> {
        let begun = self.objects.store.put_multipart(&object_path(key)).await;
        let begun = begun.map_err(|cause| self.objects.failed(key, cause))?;
        let writer = WriteMultipart::new_with_chunk_size(begun, PART_BYTES);
        Ok(Upload { writer, key: key.to_owned(), objects: self.objects.clone() })
    }
}

/// An object that is being written; it is there once it is finished, whole.
struct Upload {
    writer: WriteMultipart,
    key: String,
    objects: Objects,
}

impl Upload {
    async fn part(&mut self, bytes: Bytes) -> Result<(), StoreError> {
        let waited = self.writer.wait_for_capacity(PARTS_IN_FLIGHT).await;
        waited.map_err(|cause| self.objects.failed(&self.key, cause))?;
        self.writer.put(bytes);
        Ok(())
    }

    async fn finish(self) -> Result<(), StoreError> {
        let finished = self.writer.finish().await;
        finished.map(|_| ()).map_err(|cause| self.objects.failed(&self.key, cause))
    }

    /// Gives the upload up for a reason, which is handed back: what comes of giving up is nothing to the caller.
    async fn abort(self, because: StoreError) -> StoreError {
        if let Err(error) = self.writer.abort().await {
            tracing::debug!("{} was given up, and something of it may be left: {error}", self.key);
        }
        because
    }
}

fn object_path(key: &str) -> object_store::path::Path {
    object_store::path::Path::from(key)
}

/// An object that is there and is not what it should be.
fn damaged(key: &str, why: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> StoreError {
    let cause = object_store::Error::Generic { store: "originals", source: why.into() };
    StoreError::Object { key: key.to_owned(), cause }
}

/// Reads a file to its end, into an upload where one is given; gives its hash and its length.
async fn copy(
    path: &Path,
    file: &mut tokio::fs::File,
    mut upload: Option<&mut Upload>,
) -> Result<(String, i64), StoreError> {
    let unreadable = |cause| StoreError::File { path: path.display().to_string(), cause };
    let (mut hash, mut bytes) = (Sha256::new(), 0i64);
    loop {
        let mut piece = Vec::with_capacity(READ_BYTES);
        let read = (&mut *file).take(READ_BYTES as u64).read_to_end(&mut piece).await.map_err(unreadable)?;
        if read == 0 {
            return Ok((hex::encode(hash.finalize()), bytes));
        }
        hash.update(&piece);
        bytes += i64::try_from(read).unwrap_or(0);
        if let Some(upload) = &mut upload {
            upload.part(Bytes::from(piece)).await?;
        }
    }
}

//! Kept originals: files as received, in a folder or any store of the same interface, addressed by their SHA-256.

use std::path::Path;
use std::time::Duration;

use futures_util::TryStreamExt as _;
use object_store::{ObjectStoreExt as _, PutPayload};
use sha2::{Digest as _, Sha256};
use tokio::io::AsyncReadExt as _;
use tokio_util::io::{StreamReader, SyncIoBridge};

use crate::in_place::FileInPlace;
use crate::{Store, StoreError};

/// Bytes of one part of an upload to the object store.
const PART_BYTES: usize = 8 * 1024 * 1024;

/// Where a file lies until it has arrived whole.
const INCOMING: &str = "incoming";
/// What nobody has written to for so long belongs to a process that died.
const INCOMING_DEAD: Duration = Duration::from_secs(3600);

/// Removes what processes that died left of files that had not arrived whole; other processes may be at work beside.
/// What cannot be removed stays until the next start.
pub(crate) fn sweep(objects_folder: &Path) {
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
}

impl Store {
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
    pub async fn object_keep_file(
        &self,
        path: &Path,
        mut file: tokio::fs::File,
    ) -> Result<KeptFile, StoreError> {
        let unreadable = |cause| StoreError::File { path: path.display().to_string(), cause };
        let staging = format!("{INCOMING}/{}", uuid::Uuid::now_v7());
        let staged = object_store::path::Path::from(staging.clone());
        let failed = |cause| StoreError::Object { key: staging.clone(), cause };
        let mut upload = self.objects.put_multipart(&staged).await.map_err(failed)?;
        let (mut hash, mut bytes) = (Sha256::new(), 0i64);
        loop {
            let mut part = Vec::with_capacity(PART_BYTES);
            let read =
                (&mut file).take(PART_BYTES as u64).read_to_end(&mut part).await.map_err(unreadable)?;
            if read == 0 {
                break;
            }
            hash.update(&part);
            bytes += i64::try_from(read).unwrap_or(0);
            if let Err(cause) = upload.put_part(PutPayload::from(part)).await {
                let _already_failing = upload.abort().await;
                return Err(failed(cause));
            }
        }
        upload.complete().await.map_err(failed)?;
        let sha256 = hex::encode(hash.finalize());
        let object_key = format!("originals/{sha256}");
        let target = object_store::path::Path::from(object_key.clone());
        self.objects.rename(&staged, &target).await.map_err(failed)?;
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(KeptFile { name, sha256, bytes, object_key })
    }

    /// Opens a kept original for reading on a blocking thread.
    ///
    /// # Errors
    /// [`StoreError::Object`] when it is not there.
    pub async fn object_open(&self, key: &str) -> Result<Box<dyn std::io::Read + Send>, StoreError> {
        if let Some(place) = FileInPlace::of_key(key) {
            let file = place.open();
            let path = place.path().display().to_string();
            return Ok(Box::new(file.map_err(|cause| StoreError::File { path, cause })?));
        }
        let failed = |cause| StoreError::Object { key: key.to_owned(), cause };
        let got = self.objects.get(&object_store::path::Path::from(key)).await.map_err(failed)?;
        let stream = got.into_stream().map_err(std::io::Error::other);
        Ok(Box::new(SyncIoBridge::new(StreamReader::new(stream))))
    }

    /// Bytes of a kept original, for showing a row as it was published.
    ///
    /// # Errors
    /// [`StoreError::Object`] when it is not there or shorter.
    pub async fn object_range(&self, key: &str, start: u64, length: u64) -> Result<Vec<u8>, StoreError> {
        // a range of nothing is none to the object store
        if length == 0 {
            return Ok(Vec::new());
        }
        if let Some(place) = FileInPlace::of_key(key) {
            let path = place.path().display().to_string();
            return place.range(start, length).map_err(|cause| StoreError::File { path, cause });
        }
        let failed = |cause| StoreError::Object { key: key.to_owned(), cause };
        let path = object_store::path::Path::from(key);
        let bytes =
            self.objects.get_range(&path, start..start.saturating_add(length)).await.map_err(failed)?;
        if bytes.len() as u64 == length {
            return Ok(bytes.to_vec());
        }
        let source = format!("{} bytes from {start} on, not {length}", bytes.len()).into();
        Err(failed(object_store::Error::Generic { store: "originals", source }))
    }
}

//! Files that are read where they lie: taken as an edition before their bytes are kept, and kept afterwards.
//!
//! What a file was when it was handed in (length, time, inode, device) stands in its key in place of the key of the
//! object store. A file that is another one by now is refused wherever it is opened, so nothing is ever quoted from
//! other bytes than those that were read.

use std::fs::{File, Metadata};
use std::io;
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};

use crossfoot_roll::layout::Layout;
use serde_json::json;
use sha2::{Digest as _, Sha256};

use crate::database::{Lock, values};
use crate::edition_text::as_received;
use crate::job::{Claim, JobKind, NewJob, commit_held, enqueue, hold};
use crate::object::KeptFile;
use crate::source::identity;
use crate::{Store, StoreError};

/// What a key of a file in place begins with.
const SCHEME: &str = "in-place:";

/// Bytes hashed at once.
const HASHED_AT_ONCE: usize = 1 << 20;

/// Jobs that read a file in place are left to the command that names them, since its machine has the file.
pub(crate) const HERE: &str = "-here:";

/// A file where it lies, and what it was when it was looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileInPlace {
    path: PathBuf,
    marks: Marks,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Marks {
    bytes: u64,
    modified_ns: i128,
    inode: u64,
    device: u64,
}

impl Marks {
    fn of(metadata: &Metadata) -> Marks {
        Marks {
            bytes: metadata.len(),
            modified_ns: i128::from(metadata.mtime()) * 1_000_000_000 + i128::from(metadata.mtime_nsec()),
            inode: metadata.ino(),
            device: metadata.dev(),
        }
    }
}

impl FileInPlace {
    /// Looks at a file. None for what cannot be read twice (a pipe, a device) and for a path that is no text.
    ///
    /// # Errors
    /// Of the file system.
    pub fn look(path: &Path) -> io::Result<Option<FileInPlace>> {
        let path = std::fs::canonicalize(path)?;
        let metadata = std::fs::metadata(&path)?;
        Ok((metadata.is_file() && path.to_str().is_some())
            .then(|| FileInPlace { path, marks: Marks::of(&metadata) }))
    }

    /// The file of a key, if the key is one of a file in place.
    #[must_use]
    pub fn of_key(key: &str) -> Option<FileInPlace> {
        let mut parts = key.strip_prefix(SCHEME)?.splitn(5, ':');
        let (bytes, modified, inode, device) = (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
        let marks = Marks {
            bytes: bytes.parse().ok()?,
            modified_ns: modified.parse().ok()?,
            inode: inode.parse().ok()?,
            device: device.parse().ok()?,
        };
        Some(FileInPlace { path: PathBuf::from(parts.next()?), marks })
    }

    /// The file as an edition takes it; its hash is not known before it was read.
    #[must_use]
    pub fn unread(&self) -> KeptFile {
        let Marks { bytes, modified_ns, inode, device } = self.marks;
        KeptFile {
            name: self.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
            sha256: String::new(),
            bytes: i64::try_from(bytes).unwrap_or(i64::MAX),
            object_key: format!("{SCHEME}{bytes}:{modified_ns}:{inode}:{device}:{}", self.path.display()),
            within: None,
        }
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Opens the file that was looked at.
    ///
    /// # Errors
    /// When it is gone or another one by now; the text says what to do.
    pub fn open(&self) -> io::Result<File> {
        let file = File::open(&self.path).map_err(|error| {
            let text = format!(
                "{} was to be read where it lies and cannot be ({error}): hand it in again",
                self.path.display()
            );
            io::Error::new(error.kind(), text)
        })?;
        self.check(&file)?;
        Ok(file)
    }

    /// Whether an open file is still the one that was looked at.
    ///
    /// # Errors
    /// When its length, time, inode or device differ.
    pub fn check(&self, file: &File) -> io::Result<()> {
        if Marks::of(&file.metadata()?) == self.marks {
            return Ok(());
        }
        let text = format!(
            "{} has changed since it was handed in: hand it in again once it is no longer written to",
            self.path.display()
        );
        Err(io::Error::new(io::ErrorKind::InvalidData, text))
    }

    /// Bytes of the file.
    ///
    /// # Errors
    /// As [`FileInPlace::open`]; when the file is shorter.
    pub fn range(&self, start: u64, length: u64) -> io::Result<Vec<u8>> {
        let short = || io::Error::from(io::ErrorKind::UnexpectedEof);
        let end = start.checked_add(length).filter(|end| *end <= self.marks.bytes).ok_or_else(short)?;
        let mut bytes = vec![0; usize::try_from(end - start).map_err(|_| short())?];
        self.open()?.read_exact_at(&mut bytes, start)?;
        Ok(bytes)
    }

    /// The file with its SHA-256, read once. Blocking.
    ///
    /// # Errors
    /// As [`FileInPlace::open`].
    pub fn hashed(&self) -> io::Result<KeptFile> {
        let mut file = self.open()?;
        let (mut hash, mut buffer) = (Sha256::new(), vec![0; HASHED_AT_ONCE]);
        loop {
            let read = match io::Read::read(&mut file, &mut buffer) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                other => other?,
            };
            if read == 0 {
                break;
            }
            hash.update(buffer.get(..read).unwrap_or_default());
        }
        self.check(&file)?;
        Ok(KeptFile { sha256: hex::encode(hash.finalize()), ..self.unread() })
    }
}

/// What the hashes of an edition's files, known once they were read, make of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settled {
    /// It is new.
    New,
    /// The same bytes under the same layout are here already, as this edition.
    Known(i64),
}

impl Store {
    /// Whether a source may have the same file under the same layout: only then is it worth hashing before it is read.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_may_be_known(
        &self,
        source: i64,
        layout_version: &str,
        files: &[KeptFile],
    ) -> Result<bool, StoreError> {
        for file in files {
            let sql =
                "SELECT 1 FROM edition_file f JOIN edition e ON e.source = f.source AND e.number = f.edition
                       WHERE f.source = $1 AND e.layout_version = $2 AND e.state NOT IN ('refused', 'withdrawn') AND f.bytes = $3
                         AND f.sha256 <> '' LIMIT 1";
            if self.main.fetch_one(sql, values![source, layout_version, file.bytes]).await?.is_none() {
                return Ok(false);
            }
        }
        Ok(!files.is_empty())
    }

    /// The edition of a source that has these files under this layout, if there is one that was not refused.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_of_files(
        &self,
        source: i64,
        layout: &Layout,
        files: &[KeptFile],
    ) -> Result<Option<i64>, StoreError> {
        let files = as_received(files);
        let identity = identity(files.iter().map(|file| file.sha256.as_str()), &layout.version());
        let sql = "SELECT number FROM edition WHERE source = $1 AND identity = $2 AND state NOT IN ('refused', 'withdrawn')";
        self.main.fetch_one(sql, values![source, identity]).await?.map(|row| row.get(0)).transpose()
    }

    /// Notes the hashes of an edition that was read in place, which its files have here, and records the job that keeps
    /// them.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn edition_settle(
        &self,
        claim: &Claim,
        (source, edition): (i64, i64),
        files: &[KeptFile],
    ) -> Result<Settled, StoreError> {
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        tx.lock(Lock::Alone, "SELECT number FROM source WHERE number = $1", values![source]).await?;
        let sql = "SELECT layout_version FROM edition WHERE source = $1 AND number = $2";
        let layout_version: String = match tx.fetch_one(sql, values![source, edition]).await? {
            Some(row) => row.get(0)?,
            None => String::new(),
        };
        let received = as_received(files);
        let identity = identity(received.iter().map(|file| file.sha256.as_str()), &layout_version);
        let known = tx
            .fetch_one(
                "SELECT number FROM edition
                 WHERE source = $1 AND identity = $2 AND state NOT IN ('refused', 'withdrawn') AND number <> $3",
                values![source, &identity, edition],
            )
            .await?;
        if let Some(row) = known {
            return Ok(Settled::Known(row.get(0)?));
        }
        let sql = "UPDATE edition SET identity = $1 WHERE source = $2 AND number = $3";
        tx.execute(sql, values![&identity, source, edition]).await?;
        for (number, file) in (0i64..).zip(files) {
            let sql =
                "UPDATE edition_file SET sha256 = $1 WHERE source = $2 AND edition = $3 AND number = $4";
            tx.execute(sql, values![&file.sha256, source, edition, number]).await?;
        }
        let later = claim.payload.get("keep_later").and_then(serde_json::Value::as_bool) == Some(true);
        enqueue(&mut tx, keeping_job(source, edition, later)).await?;
        commit_held(tx, claim).await?;
        Ok(Settled::New)
    }

    /// Puts files that lie elsewhere in the place of those of a known edition that were not kept yet and have the same
    /// bytes: an original that was moved before it was kept is supplied again. Gives the job that keeps them, also one
    /// that has nothing left to keep and was not ended.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_supply(
        &self,
        source: i64,
        edition: i64,
        files: &[KeptFile],
        later: bool,
    ) -> Result<Option<String>, StoreError> {
        let mut tx = self.main.begin().await?;
        let mut supplied = 0;
        for file in files {
            let sql = "UPDATE edition_file SET object_key = $1
                       WHERE source = $2 AND edition = $3 AND sha256 = $4 AND object_key LIKE 'in-place:%'";
            supplied += tx.execute(sql, values![&file.object_key, source, edition, &file.sha256]).await?;
        }
        if supplied == 0 {
            drop(tx);
            // a process that was killed between keeping the files and ending its job has left the job; one that was
            // left to a worker is the worker's
            let key = keeping_job(source, edition, false).dedup_key;
            let sql = "SELECT id FROM job WHERE dedup_key = $1 AND state IN ('queued', 'running')";
            return self.main.fetch_one(sql, values![key]).await?.map(|row| row.get(0)).transpose();
        }
        let job = enqueue(&mut tx, keeping_job(source, edition, later)).await?;
        tx.commit().await?;
        Ok(Some(job))
    }

    /// The job that keeps the files of an edition, while it is not done.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub async fn edition_keeping(&self, source: i64, edition: i64) -> Result<Option<String>, StoreError> {
        let keys = [false, true].map(|later| keeping_job(source, edition, later).dedup_key);
        let sql = "SELECT id FROM job WHERE dedup_key IN ($1, $2) AND state IN ('queued', 'running')
                   ORDER BY created_at, id LIMIT 1";
        let [here, later] = keys;
        self.main.fetch_one(sql, values![here, later]).await?.map(|row| row.get(0)).transpose()
    }

    /// Takes a received file of an edition that was read in place into the object store, for all its texts.
    ///
    /// # Errors
    /// [`StoreError::File`] when it is gone or has changed, [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn edition_file_keep(
        &self,
        claim: &Claim,
        (source, edition): (i64, i64),
        file: &KeptFile,
    ) -> Result<(), StoreError> {
        let Some(place) = FileInPlace::of_key(&file.object_key) else { return Ok(()) };
        let failed = |cause| StoreError::File { path: place.path.display().to_string(), cause };
        let open = place.open().map_err(failed)?;
        let again = open.try_clone().map_err(failed)?;
        let kept = self.object_keep_file(&place.path, tokio::fs::File::from_std(open)).await?;
        place.check(&again).map_err(failed)?;
        if kept.sha256 != file.sha256 {
            let text =
                format!("SHA-256 {} when it was read, {} now: hand it in again", file.sha256, kept.sha256);
            return Err(failed(io::Error::new(io::ErrorKind::InvalidData, text)));
        }
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        let sql = "UPDATE edition_file SET object_key = $1
                   WHERE source = $2 AND edition = $3 AND object_key = $4 AND sha256 = $5";
        tx.execute(sql, values![&kept.object_key, source, edition, &file.object_key, &file.sha256]).await?;
        commit_held(tx, claim).await
    }
}

fn keeping_job(source: i64, edition: i64, later: bool) -> NewJob {
    let here = if later { ":" } else { HERE };
    NewJob {
        office: None,
        kind: JobKind::Import,
        payload: json!({ "source": source, "edition": edition, "keep": true }),
        dedup_key: format!("original{here}{source}:{edition}"),
        exclusive_key: format!("original:{source}:{edition}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(folder: &Path, text: &str) -> FileInPlace {
        let path = folder.join("roll: of 2026.csv");
        std::fs::write(&path, text).unwrap();
        FileInPlace::look(&path).unwrap().unwrap()
    }

    #[test]
    fn a_key_gives_the_file_back() {
        let folder = tempfile::tempdir().unwrap();
        let place = file(folder.path(), "a,b\n");
        assert_eq!(FileInPlace::of_key(&place.unread().object_key), Some(place.clone()));
        assert_eq!(FileInPlace::of_key("originals/00"), None);
        // SHA-256 of "a,b\n" as sha256sum prints it
        let sha256 = place.hashed().unwrap().sha256;
        assert_eq!(sha256, hex::encode(Sha256::digest(b"a,b\n")));
    }

    #[test]
    fn a_file_that_changed_or_went_is_not_opened() {
        let folder = tempfile::tempdir().unwrap();
        let place = file(folder.path(), "a,b\n");
        assert!(place.open().is_ok());
        std::fs::write(place.path(), "a,b\n1,2\n").unwrap();
        assert!(place.open().unwrap_err().to_string().contains("has changed since"));
        std::fs::remove_file(place.path()).unwrap();
        assert!(place.open().unwrap_err().to_string().contains("hand it in again"));
    }

    #[test]
    fn a_folder_is_no_file_in_place() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(FileInPlace::look(folder.path()).unwrap(), None);
    }
}

//! What has come of a file so far, and what its publisher said about it, in a folder of its own.

use std::path::{Path, PathBuf};

use reqwest::header::{self, HeaderMap};
use serde::{Deserialize, Serialize};
use url::Url;

use super::{FetchError, Validators};

/// By what the rest of a file is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Validator {
    /// A strong one; a weak one (`W/…`) does not promise the same bytes (RFC 9110, section 13.1.5).
    Etag(String),
    /// The time of the last change.
    LastModified(String),
}

/// What is noted beside the bytes.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Note {
    url: String,
    etag: String,
    last_modified: String,
}

/// The file that is being fetched.
#[derive(Debug)]
pub(super) struct Partial {
    folder: PathBuf,
    path: PathBuf,
    note: Note,
    bytes: u64,
}

impl Partial {
    /// What an earlier attempt left of this address; of another address it is thrown away.
    pub(super) async fn open(folder: &Path, url: &Url) -> Result<Partial, FetchError> {
        let failed = |cause| FetchError::File { path: folder.to_owned(), cause };
        tokio::fs::create_dir_all(folder).await.map_err(failed)?;
        let mut partial = Partial {
            folder: folder.to_owned(),
            path: folder.join("partial"),
            note: Note::default(),
            bytes: 0,
        };
        let note = tokio::fs::read(partial.note_path()).await.ok();
        let note: Option<Note> = note.and_then(|note| serde_json::from_slice(&note).ok());
        let length = tokio::fs::metadata(&partial.path).await.map(|metadata| metadata.len()).unwrap_or(0);
        match note {
            Some(note) if note.url == url.as_str() => {
                partial.note = note;
                partial.bytes = length;
            }
            _ => partial.note.url = url.to_string(),
        }
        if partial.validator().is_none() {
            partial.bytes = 0;
        }
        Ok(partial)
    }

    fn note_path(&self) -> PathBuf {
        self.folder.join("partial.json")
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes that are here.
    pub(super) fn bytes(&self) -> u64 {
        self.bytes
    }

    pub(super) fn came(&mut self, bytes: u64) {
        self.bytes = bytes;
    }

    /// By what the rest is asked for; none when the publisher said nothing that promises the same bytes.
    pub(super) fn validator(&self) -> Option<Validator> {
        if !self.note.etag.is_empty() && !self.note.etag.starts_with("W/") {
            return Some(Validator::Etag(self.note.etag.clone()));
        }
        (!self.note.last_modified.is_empty())
            .then(|| Validator::LastModified(self.note.last_modified.clone()))
    }

    /// Whether an answer with a part is the rest of what is here: from its end on, and of the same file.
    pub(super) fn goes_on(&self, headers: &HeaderMap, validators: &Validators) -> bool {
        let range = headers.get(header::CONTENT_RANGE).and_then(|range| range.to_str().ok());
        let from = range
            .and_then(|range| range.strip_prefix("bytes "))
            .and_then(|range| range.split_once('-'))
            .and_then(|(from, _)| from.parse::<u64>().ok());
        let same = |noted: &str, now: &str| now.is_empty() || noted == now;
        self.bytes > 0
            && from == Some(self.bytes)
            && same(&self.note.etag, &validators.etag)
            && same(&self.note.last_modified, &validators.last_modified)
    }

    /// Begins from the first byte on.
    pub(super) async fn begin(&mut self, validators: &Validators) -> Result<(), FetchError> {
        self.forget().await?;
        self.note.etag.clone_from(&validators.etag);
        self.note.last_modified.clone_from(&validators.last_modified);
        let failed = |cause| FetchError::File { path: self.note_path(), cause };
        let note = serde_json::to_vec(&self.note).map_err(|error| failed(error.into()))?;
        tokio::fs::write(self.note_path(), note).await.map_err(failed)
    }

    /// Throws away what is here.
    pub(super) async fn forget(&mut self) -> Result<(), FetchError> {
        for path in [self.note_path(), self.path.clone()] {
            match tokio::fs::remove_file(&path).await {
                Err(cause) if cause.kind() != std::io::ErrorKind::NotFound => {
                    return Err(FetchError::File { path, cause });
                }
                Ok(()) | Err(_) => {}
            }
        }
        self.bytes = 0;
        self.note.etag.clear();
        self.note.last_modified.clear();
        Ok(())
    }

    /// Opens the file to write on.
    pub(super) async fn append(&self) -> Result<tokio::fs::File, FetchError> {
        let opened = tokio::fs::OpenOptions::new().create(true).append(true).open(&self.path).await;
        opened.map_err(|cause| FetchError::File { path: self.path.clone(), cause })
    }

    /// The file is whole: it gets another name, under which no attempt goes on.
    pub(super) async fn finish(&mut self) -> Result<PathBuf, FetchError> {
        let whole = self.folder.join("whole");
        let renamed = tokio::fs::rename(&self.path, &whole).await;
        renamed.map_err(|cause| FetchError::File { path: whole.clone(), cause })?;
        self.forget().await?;
        Ok(whole)
    }
}

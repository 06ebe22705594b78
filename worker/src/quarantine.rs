//! Rows in quarantine in the form of their own file, to be mended there and handed in again.

use crossfoot_roll::limits::ROW_BYTES_MAX;
use crossfoot_roll::{MendForm, PublishedError};
use crossfoot_store::record::RejectView;
use crossfoot_store::source::Edition;
use crossfoot_store::{Store, StoreError};

use crate::evidence::EvidenceError;
use crate::evidence::head;

/// Bytes that are looked at to see how the lines of a file end.
const LINE_END_BYTES: u64 = 2;

/// Why rows cannot be written out to be mended.
#[derive(Debug, thiserror::Error)]
pub enum MendFormError {
    /// The store fails, or an original is gone.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The header of a file cannot be read again.
    #[error("the header of {file} cannot be read again: {why}")]
    Header {
        /// The file.
        file: String,
        /// Why.
        why: String,
    },
    /// The edition has no such file.
    #[error("the edition has {files} files: name one from 1 to {files}")]
    NoSuchFile {
        /// How many it has.
        files: usize,
    },
    /// Files with different headers are not one file.
    #[error("the files of the edition have different headers: ask for one of them at a time")]
    Apart,
}

/// How much of a row is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// The columns that the layout reads; the others are masked, since they may hold names.
    Mapped,
    /// Byte for byte as published: for who may see the originals.
    Whole,
}

/// The files of an edition whose rows are written out as one.
#[derive(Debug, Clone)]
pub struct MendForms {
    files: Vec<Option<(String, MendForm)>>,
    shown: Shown,
}

impl MendForms {
    /// Reads the headers of an edition's files, or of one of them by its number from 1.
    ///
    /// # Errors
    /// [`MendFormError`].
    pub async fn open(
        store: &Store,
        edition: &Edition,
        file: Option<usize>,
        shown: Shown,
    ) -> Result<MendForms, MendFormError> {
        let count = edition.files.len();
        if file.is_some_and(|file| file == 0 || file > count) {
            return Err(MendFormError::NoSuchFile { files: count });
        }
        let mut files = Vec::with_capacity(count);
        for (place, kept) in edition.files.iter().enumerate() {
            if file.is_some_and(|file| file != place + 1) {
                files.push(None);
                continue;
            }
            let unreadable = |why: String| MendFormError::Header { file: kept.name.clone(), why };
            let beginning = head(store, kept, &edition.layout).await.map_err(|error| {
                if let EvidenceError::Store(error) = error {
                    MendFormError::Store(error)
                } else {
                    unreadable(error.to_string())
                }
            })?;
            let at = beginning.len() as u64;
            let left = u64::try_from(kept.bytes).unwrap_or(0).saturating_sub(at).min(LINE_END_BYTES);
            let behind = store.object_range(&kept.object_key, at, left).await?;
            let form = MendForm::new(&edition.layout, &beginning, &behind)
                .map_err(|error| unreadable(PublishedError::from(error).to_string()))?;
            files.push(Some((kept.object_key.clone(), form)));
        }
        let forms = MendForms { files, shown };
        let mut headers = forms.files.iter().flatten().map(|(_, form)| form.header_line());
        let first = headers.next();
        if headers.any(|header| Some(header) != first) {
            return Err(MendFormError::Apart);
        }
        Ok(forms)
    }

    /// The header line with the column of reasons.
    #[must_use]
    pub fn header(&self) -> Vec<u8> {
        self.files.iter().flatten().next().map(|(_, form)| form.header()).unwrap_or_default()
    }

    /// Rows of the quarantine, each with its line and its reason behind it. Rows of files that were not asked for are
    /// left out.
    ///
    /// # Errors
    /// [`StoreError`] where an original cannot be read.
    pub async fn rows(&self, store: &Store, rejects: &[RejectView]) -> Result<Vec<u8>, StoreError> {
        let mut out = Vec::new();
        for reject in rejects {
            let file = usize::try_from(reject.file).ok().and_then(|place| self.files.get(place));
            let Some(Some((key, form))) = file else { continue };
            let why = format!("line {}: {}", reject.line, reject.detail);
            let line = match self.row(store, key, reject).await? {
                None => form.blank(&why),
                Some(row) if self.shown == Shown::Whole => form.whole(&row, &why),
                Some(row) => form.masked(&row, &why),
            };
            out.extend_from_slice(&line);
        }
        Ok(out)
    }

    /// The bytes of a row: as they were kept beside the reason, else from the kept original. None for a row so long that
    /// it is no row.
    async fn row(
        &self,
        store: &Store,
        key: &str,
        reject: &RejectView,
    ) -> Result<Option<Vec<u8>>, StoreError> {
        let length = u64::try_from(reject.byte_length).unwrap_or(0);
        if length > ROW_BYTES_MAX as u64 {
            return Ok(None);
        }
        match &reject.raw {
            Some(raw) if raw.len() as u64 == length => Ok(Some(raw.clone())),
            _ => {
                let start = u64::try_from(reject.byte_start).unwrap_or(0);
                store.object_range(key, start, length).await.map(Some)
            }
        }
    }
}

//! Rows in quarantine in the form of their own file, to be mended there and handed in again.

use std::ops::Range;
use std::sync::Arc;

use crossfoot_roll::again::RowsAgain;
use crossfoot_roll::layout::Encoding;
use crossfoot_roll::limits::ROW_BYTES_MAX;
use crossfoot_roll::{MendForm, PublishedError};
use crossfoot_store::object::KeptFile;
use crossfoot_store::record::RejectView;
use crossfoot_store::source::{Edition, Source};
use crossfoot_store::{Store, StoreError};

use crate::original::{FromOriginal, copied, text_again};
use crate::runner::with_causes;

/// The byte order mark of UTF-16, the smaller byte first.
const UTF16_MARK: [u8; 2] = [0xFF, 0xFE];

/// Rows of the quarantine that are looked through at once for those that have to be read again.
const REJECTS_A_PAGE: i64 = 1000;

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
    /// A row of a table is no record.
    #[error(
        "the layout puts rows of tables together, and a row alone cannot be read again: correct it in its file and hand in \
         all files of the edition together (the list of the quarantine names file and line of each row)"
    )]
    Tables,
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
    files: Vec<Option<Form>>,
    shown: Shown,
    /// Whether the rows are written in UTF-16, as their file is: the layout has another encoding than the text.
    utf16: bool,
}

/// One file with the form of its rows.
#[derive(Debug, Clone)]
struct Form {
    key: String,
    form: MendForm,
    /// The rows of a packed file, read again.
    rows: Option<Arc<RowsAgain>>,
}

impl MendForms {
    /// Reads the headers of an edition's files, or of one of them by its number from 1. A packed file is unpacked once, and
    /// the rows of the quarantine that were not kept whole are copied out of it.
    ///
    /// # Errors
    /// [`MendFormError`].
    pub async fn open(
        store: &Store,
        source: &Source,
        edition: &Edition,
        file: Option<usize>,
        shown: Shown,
    ) -> Result<MendForms, MendFormError> {
        let count = edition.files.len();
        if file.is_some_and(|file| file == 0 || file > count) {
            return Err(MendFormError::NoSuchFile { files: count });
        }
        if edition.layout.assembles() {
            return Err(MendFormError::Tables);
        }
        let (mut files, mut packed) = (Vec::with_capacity(count), Vec::with_capacity(count));
        for (place, kept) in edition.files.iter().enumerate() {
            if file.is_some_and(|file| file != place + 1) {
                files.push(None);
                packed.push(None);
                continue;
            }
            let unreadable = |why: String| MendFormError::Header { file: kept.told(), why };
            let text = text_again(store, kept, &edition.layout).await.map_err(|e| told(kept, e))?;
            let form = MendForm::new(&text.layout, &edition.layout.file, &text.head, &text.behind)
                .map_err(|error| unreadable(PublishedError::from(error).to_string()))?;
            files.push(Some(Form { key: kept.object_key.clone(), form, rows: None }));
            packed.push(text.packed.then_some(text));
        }
        let mut kinds = files.iter().flatten().map(|file| (file.form.header_line(), file.form.encoding()));
        let first = kinds.next();
        if kinds.any(|kind| Some(kind) != first) {
            return Err(MendFormError::Apart);
        }
        // the layout would read UTF-8 as its own encoding; UTF-16 is known by its bytes
        let utf16 = first.is_some_and(|(_, encoding)| encoding != edition.layout.file.encoding);
        let which: Vec<bool> = packed.iter().map(Option::is_some).collect();
        let mut wanted = rows_wanted(store, source, edition.number, &which).await?;
        for (place, (form, text)) in files.iter_mut().zip(packed).enumerate() {
            let (Some(form), Some(text)) = (form, text) else { continue };
            let rows = wanted.get_mut(place).map(std::mem::take).unwrap_or_default();
            if let Some(kept) = edition.files.get(place).filter(|_| !rows.is_empty()) {
                form.rows = Some(Arc::new(copied(store, text, rows).await.map_err(|e| told(kept, e))?));
            }
        }
        Ok(MendForms { files, shown, utf16 })
    }

    /// What the rows are written in, as a name for `charset`.
    #[must_use]
    pub fn charset(&self) -> &'static str {
        let encoding = || self.files.iter().flatten().next().map(|file| file.form.encoding());
        if self.utf16 { "utf-16" } else { encoding().unwrap_or(Encoding::Utf8).name() }
    }

    /// The header line with the column of reasons.
    #[must_use]
    pub fn header(&self) -> Vec<u8> {
        let header = self.files.iter().flatten().next().map(|file| file.form.header()).unwrap_or_default();
        if !self.utf16 {
            return header;
        }
        let mut marked = UTF16_MARK.to_vec();
        marked.extend_from_slice(&self.written(header));
        marked
    }

    /// Text as it is handed out.
    fn written(&self, text: Vec<u8>) -> Vec<u8> {
        if !self.utf16 {
            return text;
        }
        String::from_utf8_lossy(&text).encode_utf16().flat_map(u16::to_le_bytes).collect()
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
            let Some(Some(file)) = file else { continue };
            let form = &file.form;
            let why = format!("line {}: {}", reject.line, reject.detail);
            let line = match self.row(store, file, reject).await? {
                None => form.blank(&why),
                Some(row) if self.shown == Shown::Whole => form.whole(&row, &why),
                Some(row) => form.masked(&row, &why),
            };
            out.extend_from_slice(&line);
        }
        Ok(self.written(out))
    }

    /// The bytes of a row: as they were kept beside the reason, else from the kept original. None for a row so long that
    /// it is no row.
    async fn row(
        &self,
        store: &Store,
        file: &Form,
        reject: &RejectView,
    ) -> Result<Option<Vec<u8>>, StoreError> {
        let row = place(reject);
        let length = row.end.saturating_sub(row.start);
        if length > ROW_BYTES_MAX as u64 {
            return Ok(None);
        }
        if let Some(raw) = reject.raw.as_ref().filter(|_| kept_whole(reject)) {
            return Ok(Some(raw.clone()));
        }
        let Some(rows) = &file.rows else {
            return store.object_range(&file.key, row.start, length).await.map(Some);
        };
        let damaged = |why: String| StoreError::Damaged { what: "row in quarantine", why };
        match rows.row(&row).map_err(|error| damaged(error.to_string()))? {
            Some(bytes) => Ok(Some(bytes)),
            None => Err(damaged("it came into the quarantine while its file was read".to_owned())),
        }
    }
}

fn place(reject: &RejectView) -> Range<u64> {
    let start = u64::try_from(reject.byte_start).unwrap_or(0);
    start..start.saturating_add(u64::try_from(reject.byte_length).unwrap_or(0))
}

fn kept_whole(reject: &RejectView) -> bool {
    let length = usize::try_from(reject.byte_length).unwrap_or(0);
    reject.raw.as_ref().is_some_and(|raw| raw.len() == length)
}

/// Of each packed file the rows in quarantine of which no whole copy is kept beside the reason.
async fn rows_wanted(
    store: &Store,
    source: &Source,
    edition: i64,
    packed: &[bool],
) -> Result<Vec<Vec<Range<u64>>>, StoreError> {
    let mut wanted = vec![Vec::new(); packed.len()];
    if !packed.contains(&true) {
        return Ok(wanted);
    }
    let mut after = 0;
    loop {
        let page = store.reject_list(source, edition, after, REJECTS_A_PAGE).await?;
        let Some(last) = page.last() else { return Ok(wanted) };
        after = last.number;
        for reject in &page {
            let row = place(reject);
            if kept_whole(reject) || row.end - row.start > ROW_BYTES_MAX as u64 {
                continue;
            }
            let file = usize::try_from(reject.file).ok();
            let is_packed = file.and_then(|at| packed.get(at)).is_some_and(|packed| *packed);
            if let Some(rows) = file.filter(|_| is_packed).and_then(|at| wanted.get_mut(at)) {
                rows.push(row);
            }
        }
    }
}

fn told(kept: &KeptFile, error: FromOriginal) -> MendFormError {
    match error {
        FromOriginal::Store(error) => MendFormError::Store(error),
        FromOriginal::Original(error) => {
            MendFormError::Header { file: kept.told(), why: with_causes(&error) }
        }
    }
}

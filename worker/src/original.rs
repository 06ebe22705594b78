//! Kept originals opened again, on a thread where reading may wait.

use std::ops::Range;

use crossfoot_roll::again::{RowsAgain, TextAgain};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::original::OriginalError;
use crossfoot_store::object::KeptFile;
use crossfoot_store::{Store, StoreError};

/// Why an original cannot be read again.
#[derive(Debug, thiserror::Error)]
pub(crate) enum FromOriginal {
    /// The store fails, or the original is gone.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It is not what it was when it was loaded.
    #[error(transparent)]
    Original(#[from] OriginalError),
}

fn ended(error: &tokio::task::JoinError) -> StoreError {
    StoreError::Damaged { what: "original", why: error.to_string() }
}

/// The text of a kept original, its header read.
pub(crate) async fn text_again(
    store: &Store,
    kept: &KeptFile,
    layout: &Layout,
) -> Result<TextAgain, FromOriginal> {
    let original = store.object_open(&kept.object_key).await?;
    let (name, within) = (kept.name.clone(), kept.within.clone());
    let (layout, scratch) = (layout.clone(), store.scratch());
    let read = tokio::task::spawn_blocking(move || {
        TextAgain::open(original, (&name, within.as_deref()), &layout, &scratch)
    });
    Ok(read.await.map_err(|e| ended(&e))??)
}

/// Copies rows of a text, in one pass over it.
pub(crate) async fn copied(
    store: &Store,
    text: TextAgain,
    rows: Vec<Range<u64>>,
) -> Result<RowsAgain, FromOriginal> {
    let scratch = store.scratch();
    let read = tokio::task::spawn_blocking(move || RowsAgain::copy(text, rows, &scratch));
    Ok(read.await.map_err(|e| ended(&e))??)
}

/// A kept original with rows of it that are read again: those of a packed one in one pass, when it is opened.
pub(crate) struct FileAgain {
    /// The text up to the end of its header.
    pub(crate) head: Vec<u8>,
    /// The layout as the text is written.
    pub(crate) layout: Layout,
    /// The name by which a layout with tables knows the text.
    pub(crate) name: String,
    /// The name of the text in its archive or workbook, where it is in one.
    pub(crate) within: Option<String>,
    rows: Option<RowsAgain>,
}

impl FileAgain {
    /// Opens a kept original; `rows` are those that may be asked for.
    pub(crate) async fn open(
        store: &Store,
        kept: &KeptFile,
        layout: &Layout,
        rows: Vec<Range<u64>>,
    ) -> Result<FileAgain, FromOriginal> {
        let text = text_again(store, kept, layout).await?;
        let (head, layout) = (text.head.clone(), text.layout.clone());
        let (name, within) = (text.name.clone(), text.within.clone());
        let rows = if text.packed { Some(copied(store, text, rows).await?) } else { None };
        Ok(FileAgain { head, layout, name, within, rows })
    }

    /// Whether the file is packed.
    pub(crate) fn is_packed(&self) -> bool {
        self.rows.is_some()
    }

    /// The bytes of one of the rows.
    pub(crate) async fn row(
        &self,
        store: &Store,
        kept: &KeptFile,
        row: Range<u64>,
    ) -> Result<Vec<u8>, StoreError> {
        let Some(rows) = &self.rows else {
            return store.object_range(&kept.object_key, row.start, row.end.saturating_sub(row.start)).await;
        };
        let damaged = |why: String| StoreError::Damaged { what: "row of a packed file", why };
        let found = rows.row(&row).map_err(|error| damaged(error.to_string()))?;
        found.ok_or_else(|| damaged("it was not asked for when the file was opened".to_owned()))
    }
}

//! Rows of a packed original read again: many of them in one pass, each kept where it can be had in any order.

use crate::assemble::table_header;
use crate::assemble::text::TableText;
use crate::header::{Header, HeaderError};
use crate::layout::Layout;
use crate::original::{HEAD_BYTES, OriginalError, ended_before, text, unreadable};
use crate::reader::RollReader;
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// A text that is read again from a file as received: its header is read, its rows follow.
pub struct TextAgain {
    /// The text up to the end of its header, a byte order mark included.
    pub head: Vec<u8>,
    /// The bytes that follow, [`BEHIND_BYTES`] of them where there are so many: they tell how lines end.
    pub behind: Vec<u8>,
    /// The layout as the text is written.
    pub layout: Layout,
    /// The name by which a layout with tables knows the text; that of the file under any other layout.
    pub name: String,
    /// The name of the text in its archive or workbook, where it is in one.
    pub within: Option<String>,
    /// Whether it had to be unpacked. Of a text that is the file as received, rows are had by their byte range.
    pub packed: bool,
    source: Box<dyn Read + Send>,
}

/// So many bytes behind a header are kept.
pub const BEHIND_BYTES: usize = 2;

impl TextAgain {
    /// Opens a file as received and reads the header of the text that the layout means. `within` is the name of the text
    /// in it, where it holds several tables of the layout.
    ///
    /// # Errors
    /// [`OriginalError`].
    pub fn open(
        source: Box<dyn Read + Send>,
        (name, within): (&str, Option<&str>),
        layout: &Layout,
        scratch: &Path,
    ) -> Result<Self, OriginalError> {
        if layout.assembles() {
            let text = TableText::open((name.to_owned(), source), within, layout, scratch)?;
            let (table, named) = (text.table, (text.name, text.within));
            return Self::of(text.source, text.layout, text.received.is_some(), named, |head, layout| {
                table_header(head, layout, table)
            });
        }
        let (text, received) = text(source, name, layout, scratch)?;
        let (layout, named) = (text.layout(layout), (name.to_owned(), text.within));
        Self::of(text.source, layout, received.is_some(), named, |head, layout| {
            Ok(RollReader::new(head, layout)?.header().clone())
        })
    }

    /// A text whose header `header` finds in its beginning.
    fn of(
        mut source: Box<dyn Read + Send>,
        layout: Layout,
        packed: bool,
        (name, within): (String, Option<String>),
        header: impl FnOnce(&[u8], &Layout) -> Result<Header, HeaderError>,
    ) -> Result<Self, OriginalError> {
        let mut head = Vec::new();
        source.by_ref().take(HEAD_BYTES).read_to_end(&mut head).map_err(unreadable)?;
        let found = header(&head, &layout)?;
        let end = usize::try_from(found.byte_start + found.byte_length).unwrap_or(usize::MAX).min(head.len());
        let rest = head.split_off(end);
        let behind = rest.iter().copied().take(BEHIND_BYTES).collect();
        Ok(Self {
            head,
            behind,
            layout,
            name,
            within,
            packed,
            source: Box::new(io::Cursor::new(rest).chain(source)),
        })
    }

    /// Hands each of these rows to `take`, in one pass over the text. They stand in order of place and do not overlap.
    ///
    /// # Errors
    /// [`OriginalError`]; [`HeaderError::Read`] also where the text ends before a row, a row stands before the end of
    /// the one before it, or `take` fails.
    pub fn rows(
        mut self,
        rows: impl IntoIterator<Item = Range<u64>>,
        mut take: impl FnMut(&Range<u64>, &[u8]) -> io::Result<()>,
    ) -> Result<(), OriginalError> {
        let mut at = self.head.len() as u64;
        let mut bytes = Vec::new();
        for row in rows {
            let between = row.start.checked_sub(at).ok_or_else(|| unreadable(out_of_order()))?;
            let length = row.end.saturating_sub(row.start);
            let passed = io::copy(&mut self.source.by_ref().take(between), &mut io::sink());
            bytes.clear();
            let read = self.source.by_ref().take(length).read_to_end(&mut bytes);
            if passed.map_err(unreadable)? != between || read.map_err(unreadable)? as u64 != length {
                return Err(unreadable(ended_before()));
            }
            take(&row, &bytes).map_err(unreadable)?;
            at = row.end;
        }
        Ok(())
    }
}

fn out_of_order() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, "a row stands before the end of another one")
}

/// Rows of a text in a temporary file without a name, to be had in any order. Sixteen bytes of memory a row.
#[derive(Debug)]
pub struct RowsAgain {
    rows: File,
    /// The first byte of each row in the text and in the file, in order.
    places: Vec<(u64, u64)>,
}

impl RowsAgain {
    /// Copies these rows, in whatever order they are given; a row may be named more than once. `scratch` is the folder of
    /// the temporary file.
    ///
    /// # Errors
    /// As [`TextAgain::rows`], and where the folder cannot be written.
    pub fn copy(text: TextAgain, mut rows: Vec<Range<u64>>, scratch: &Path) -> Result<Self, OriginalError> {
        rows.retain(|row| !row.is_empty());
        rows.sort_unstable_by_key(|row| (row.start, row.end));
        rows.dedup();
        let mut file = BufWriter::new(tempfile::tempfile_in(scratch).map_err(unreadable)?);
        let (mut places, mut at) = (Vec::with_capacity(rows.len()), 0u64);
        text.rows(rows, |row, bytes| {
            places.push((row.start, at));
            at += bytes.len() as u64;
            file.write_all(bytes)
        })?;
        let rows = file.into_inner().map_err(|error| unreadable(error.into_error()))?;
        Ok(Self { rows, places })
    }

    /// The bytes of one of the rows; `None` of another.
    ///
    /// # Errors
    /// Of the temporary file.
    pub fn row(&self, row: &Range<u64>) -> io::Result<Option<Vec<u8>>> {
        let Ok(found) = self.places.binary_search_by_key(&row.start, |(start, _)| *start) else {
            return Ok(None);
        };
        let Some((_, at)) = self.places.get(found) else { return Ok(None) };
        let length = usize::try_from(row.end.saturating_sub(row.start)).map_err(io::Error::other)?;
        let mut bytes = vec![0; length];
        self.rows.read_exact_at(&mut bytes, *at)?;
        Ok(Some(bytes))
    }
}

//! The text of a table in a file as received, whatever it is packed in.

use super::{AssembleError, NamedFile, listed};
use crate::layout::{Layout, ParcelLayout, TableLayout};
use crate::unpack::{self, Opened, Received};
use std::io::Read;
use std::path::Path;

/// Ends of names that say only what a file is packed in.
const ENDS: [&str; 5] = [".gz", ".gzip", ".zst", ".zip", ".xlsx"];

/// A file of an edition with the text that belongs to a table.
pub(crate) struct TableText {
    /// The number of the table.
    pub(crate) table: u16,
    /// The name by which the table was found: that of the file, without what it is packed in, or that within it.
    pub(crate) name: String,
    /// The name of the text in its archive or workbook, where it is in one.
    pub(crate) within: Option<String>,
    /// Its bytes.
    pub(crate) source: Box<dyn Read + Send>,
    /// The layout, the table as this text is written.
    pub(crate) layout: Layout,
    /// The count of the bytes received, where the text is not these bytes.
    pub(crate) received: Option<Received>,
}

impl TableText {
    /// Opens a file and finds the text in it that belongs to a table of the layout. `scratch` is a folder for archives.
    ///
    /// # Errors
    /// [`AssembleError`].
    pub(crate) fn open(
        (file, source): NamedFile,
        layout: &Layout,
        scratch: &Path,
    ) -> Result<Self, AssembleError> {
        let failed = |error| AssembleError::Unpack { file: file.clone(), error: Box::new(error) };
        let opened = unpack::open(source, &file, scratch).map_err(failed)?;
        let received = opened.received.clone();
        let (name, inner) = names(&opened, &file, layout)?;
        let lost = || AssembleError::NoTable { file: file.clone(), tables: listed(layout) };
        let table = layout.table_of(&name).ok_or_else(lost)?;
        let own = layout.table.get(table).map(|table| alone(layout, table)).ok_or_else(lost)?;
        let member = match inner {
            Some(inner) => opened.take(&inner).ok_or_else(lost)?,
            None => opened.choose(own.file.within.as_deref()).map_err(failed)?,
        };
        let text = member.text(&own, scratch).map_err(failed)?;
        let mut layout = layout.clone();
        if let Some(table) = layout.table.get_mut(table) {
            table.file = text.layout(&own).file;
        }
        let table = u16::try_from(table).map_err(|_| lost())?;
        Ok(Self { table, name, within: text.within, source: text.source, layout, received })
    }

    /// The file in words: what its lines are counted in.
    pub(crate) fn told(&self, file: &str) -> String {
        match &self.within {
            Some(within) => format!("{within} in {file}"),
            None => file.to_owned(),
        }
    }
}

/// The name that says which table a file belongs to; and, where that is a name within the file, the one it has there.
fn names(opened: &Opened, file: &str, layout: &Layout) -> Result<(String, Option<String>), AssembleError> {
    let by_file = file_name(opened, file, layout);
    let table = by_file.as_deref().and_then(|name| layout.table.get(layout.table_of(name)?));
    let says_which = table.is_some_and(|table| table.file.within.is_some() || table.pattern.is_none());
    if !opened.holds_several() || says_which {
        return match by_file {
            Some(name) => Ok((name, None)),
            None => Err(AssembleError::NoTable { file: file.to_owned(), tables: listed(layout) }),
        };
    }
    let last = |name: &str| name.rsplit(['/', '\\']).next().unwrap_or(name).to_owned();
    let texts: Vec<&str> =
        opened.members.iter().filter(|member| member.is_text()).map(|member| member.name.as_str()).collect();
    let fitting: Vec<&str> =
        texts.iter().copied().filter(|name| layout.table_of(&last(name)).is_some()).collect();
    match (fitting.as_slice(), by_file) {
        ([inner], _) => Ok((last(inner), Some((*inner).to_owned()))),
        ([], Some(name)) => Ok((name, None)),
        ([], None) => Err(AssembleError::NoTable {
            file: format!("{file}, which holds {}", unpack::listed(&texts)),
            tables: listed(layout),
        }),
        (several, _) => Err(AssembleError::Several { file: file.to_owned(), names: unpack::listed(several) }),
    }
}

/// The name of the file as the layout's patterns know it: as it is, or without what it is packed in.
fn file_name(opened: &Opened, file: &str, layout: &Layout) -> Option<String> {
    if layout.table_of(file).is_some() {
        return Some(file.to_owned());
    }
    let lower = file.to_ascii_lowercase();
    let end = ENDS.iter().find(|end| opened.received.is_some() && lower.ends_with(*end))?;
    let stem = file.get(..file.len() - end.len())?;
    layout.table_of(stem).map(|_| stem.to_owned())
}

/// The layout as if the table were all of it, for opening its text: how its files are written, and the columns of the
/// parcel number, which a spreadsheet must not have damaged.
fn alone(layout: &Layout, table: &TableLayout) -> Layout {
    let parts = table.parcel.0.iter().filter_map(|part| Some((part.column.clone()?, part.pad_left)));
    let (columns, pad_left): (Vec<String>, Vec<usize>) = parts.unzip();
    let parcel = if columns.is_empty() {
        layout.parcel.clone()
    } else {
        ParcelLayout { columns, pad_left, ..layout.parcel.clone() }
    };
    Layout { file: table.file.clone(), parcel, table: Vec::new(), ..layout.clone() }
}

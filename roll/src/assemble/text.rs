//! The texts of tables in a file as received, whatever it is packed in.

use super::{AssembleError, NamedFile, listed};
use crate::layout::{Layout, ParcelLayout, TableLayout};
use crate::limits::{TEXTS_MAX, UNPACKED_BYTES_MAX};
use crate::unpack::{self, Member, Opened, Received, UnpackError};
use std::io::Read;
use std::path::Path;

/// Ends of names that say only what a file is packed in.
const ENDS: [&str; 5] = [".gz", ".gzip", ".zst", ".zip", ".xlsx"];

/// A text of an edition that belongs to a table.
pub(crate) struct TableText {
    /// The number of the table.
    pub(crate) table: u16,
    /// The name by which the table was found: that of the file, without what it is packed in, or that within it.
    pub(crate) name: String,
    /// The name of the text in its archive or workbook, where it is in one.
    pub(crate) within: Option<String>,
    /// Whether its file gives other texts too.
    pub(crate) of_several: bool,
    /// Whether it is the last text of its file, with which the bytes of the file are counted.
    pub(crate) is_last: bool,
    /// Its bytes.
    pub(crate) source: Box<dyn Read + Send>,
    /// The layout, the table as this text is written.
    pub(crate) layout: Layout,
    /// The count of the bytes received, where the text is not these bytes.
    pub(crate) received: Option<Received>,
}

/// The texts of a file that belong to tables, by table and name, and the names of what else is in it.
pub(crate) struct FileTexts {
    pub(crate) texts: Vec<TableText>,
    pub(crate) passed_over: Vec<String>,
}

impl FileTexts {
    /// Opens a file and finds the texts in it that belong to tables of the layout. Their order is that of the layout, not
    /// that of the archive: whoever packs the same tables anew may pack them in another order. `scratch` is a folder for
    /// archives.
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
        let all = opened.names();
        let members = match meant(&opened, &file, layout)? {
            Meant::File(name) => {
                let within = layout.table_of(&name).and_then(|table| layout.table.get(table));
                let within = within.and_then(|table| table.file.within.as_deref());
                vec![(name, opened.choose(within).map_err(failed)?)]
            }
            Meant::Texts(names) => {
                let named = |member: Member| Some((fitting_name(&member, layout)?, member));
                let meant = opened.members.into_iter().filter(|member| names.contains(&member.name));
                let mut members: Vec<(String, Member)> = meant.filter_map(named).collect();
                members.sort_by_cached_key(|(name, member)| (layout.table_of(name), member.name.clone()));
                members
            }
        };
        bounded(&file, &members)?;
        let (count, mut texts) = (members.len(), Vec::with_capacity(members.len()));
        for (place, (name, member)) in members.into_iter().enumerate() {
            let text = TableText::of(&file, name, member, received.clone(), (layout, scratch))?;
            texts.push(TableText { of_several: count > 1, is_last: place + 1 == count, ..text });
        }
        let read = |name: &String| texts.iter().any(|text| text.within.as_ref() == Some(name));
        let passed_over = all.into_iter().filter(|name| !read(name)).collect();
        Ok(Self { texts, passed_over })
    }
}

impl TableText {
    /// Opens one text of a file again: the one of this name within it, else the only one that belongs to a table.
    ///
    /// # Errors
    /// [`AssembleError`]; [`AssembleError::Several`] where none is named and several belong to tables.
    pub(crate) fn open(
        (file, source): NamedFile,
        within: Option<&str>,
        layout: &Layout,
        scratch: &Path,
    ) -> Result<Self, AssembleError> {
        let Some(within) = within else {
            let mut texts = FileTexts::open((file.clone(), source), layout, scratch)?.texts;
            return match (texts.pop(), texts.is_empty()) {
                (Some(text), true) => Ok(text),
                (last, _) => {
                    let names = texts.into_iter().chain(last).filter_map(|text| text.within);
                    let names = unpack::listed(&names.collect::<Vec<_>>());
                    Err(AssembleError::Several { file, names })
                }
            };
        };
        let failed = |error| AssembleError::Unpack { file: file.clone(), error: Box::new(error) };
        let opened = unpack::open(source, &file, scratch).map_err(failed)?;
        let received = opened.received.clone();
        let lost = || AssembleError::NotWithin { file: file.clone(), name: unpack::quoted(within) };
        let member = opened.take(within).ok_or_else(lost)?;
        let name = fitting_name(&member, layout).ok_or_else(lost)?;
        Self::of(&file, name, member, received, (layout, scratch))
    }

    /// The text of a member, for the table that its name says.
    fn of(
        file: &str,
        name: String,
        member: Member,
        received: Option<Received>,
        (layout, scratch): (&Layout, &Path),
    ) -> Result<Self, AssembleError> {
        let lost = || AssembleError::NoTable { file: file.to_owned(), tables: listed(layout) };
        let table = layout.table_of(&name).ok_or_else(lost)?;
        let own = layout.table.get(table).map(|table| alone(layout, table)).ok_or_else(lost)?;
        let failed = |error| AssembleError::Unpack { file: file.to_owned(), error: Box::new(error) };
        let text = member.text(&own, scratch).map_err(failed)?;
        let mut layout = layout.clone();
        if let Some(table) = layout.table.get_mut(table) {
            table.file = text.layout(&own).file;
        }
        let table = u16::try_from(table).map_err(|_| lost())?;
        let (of_several, is_last) = (false, true);
        Ok(Self {
            table,
            name,
            within: text.within,
            of_several,
            is_last,
            source: text.source,
            layout,
            received,
        })
    }

    /// The text in words: what its lines are counted in.
    pub(crate) fn told(&self, file: &str) -> String {
        match &self.within {
            Some(within) => format!("{within} in {file}"),
            None => file.to_owned(),
        }
    }

    /// Its name without what it is packed in, in small letters: two files of one name are two versions of one table.
    pub(crate) fn plain_name(&self) -> String {
        without_end(&self.name).unwrap_or(&self.name).to_lowercase()
    }
}

/// What of a file is read.
enum Meant {
    /// The one text that the layout means; the name of the file says which table it is.
    File(String),
    /// The texts of these names.
    Texts(Vec<String>),
}

fn meant(opened: &Opened, file: &str, layout: &Layout) -> Result<Meant, AssembleError> {
    let by_file = file_name(opened, file, layout);
    let table = by_file.as_deref().and_then(|name| layout.table.get(layout.table_of(name)?));
    let says_which = table.is_some_and(|table| table.file.within.is_some() || table.pattern.is_none());
    if !opened.holds_several() || says_which {
        return match by_file {
            Some(name) => Ok(Meant::File(name)),
            None => Err(AssembleError::NoTable { file: file.to_owned(), tables: listed(layout) }),
        };
    }
    let fitting = opened.members.iter().filter(|member| fitting_name(member, layout).is_some());
    let fitting: Vec<String> = fitting.map(|member| member.name.clone()).collect();
    match (fitting.is_empty(), by_file) {
        (false, _) => Ok(Meant::Texts(fitting)),
        (true, Some(name)) => Ok(Meant::File(name)),
        (true, None) => {
            let texts = opened.members.iter().filter(|member| member.is_text());
            let texts: Vec<&str> = texts.map(|member| member.name.as_str()).collect();
            Err(AssembleError::NoTable {
                file: format!("{file}, which holds {}", unpack::listed(&texts)),
                tables: listed(layout),
            })
        }
    }
}

/// The name of a member without its folders, where that fits a table. A table that is packed once more in its archive fits
/// too: it is refused with the mend when it is read, where passing it over would lose its rows.
fn fitting_name(member: &Member, layout: &Layout) -> Option<String> {
    let last = member.name.rsplit(['/', '\\']).next().unwrap_or(&member.name);
    if !member.is_text() && !member.is_packed_again() {
        return None;
    }
    if layout.table_of(last).is_some() {
        return Some(last.to_owned());
    }
    let stem = without_end(last).filter(|_| member.is_packed_again())?;
    layout.table_of(stem).map(|_| stem.to_owned())
}

/// Several texts of a file are read at one time: their count and what comes of them all is bounded.
fn bounded(file: &str, members: &[(String, Member)]) -> Result<(), AssembleError> {
    if members.len() > TEXTS_MAX {
        return Err(AssembleError::TooManyTexts { file: file.to_owned(), found: members.len() });
    }
    let bytes = members.iter().fold(0u64, |sum, (_, member)| sum.saturating_add(member.bytes()));
    if bytes > UNPACKED_BYTES_MAX {
        let error = Box::new(UnpackError::TooLarge { most: UNPACKED_BYTES_MAX });
        return Err(AssembleError::Unpack { file: file.to_owned(), error });
    }
    Ok(())
}

/// Whether the name of a file says that it is packed.
pub(super) fn may_be_packed(name: &str) -> bool {
    without_end(name).is_some()
}

fn without_end(name: &str) -> Option<&str> {
    let lower = name.to_ascii_lowercase();
    let end = ENDS.iter().find(|end| lower.ends_with(*end))?;
    name.get(..name.len() - end.len())
}

/// The name of the file as the layout's patterns know it: as it is, or without what it is packed in.
fn file_name(opened: &Opened, file: &str, layout: &Layout) -> Option<String> {
    if layout.table_of(file).is_some() {
        return Some(file.to_owned());
    }
    let stem = without_end(file).filter(|_| opened.received.is_some())?;
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

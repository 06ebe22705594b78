//! Spreadsheets (xlsx): one sheet as lines of CSV, a row of the sheet a line of the text.
//!
//! A spreadsheet is no safe place for parcel numbers: it drops leading zeros, keeps fifteen digits and makes dates of
//! `3-12`. What was damaged in that way is refused or quarantined and never guessed. The workbook is held against its
//! bounds before the library that reads it sees it, since that library believes what a workbook says of itself.

mod cells;
mod guard;

use crate::layout::Layout;
use crate::unpack::UnpackError;
use crate::unpack::archive::Entry;
use crate::unpack::sniff::Foreign;
use crate::unpack::source::{Source, Spool};
use calamine::{Reader as _, SheetType, SheetVisible, Xlsx};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use thiserror::Error;

const SAVE_AS_CSV: &str = "open it in the spreadsheet program and save the sheet as CSV in UTF-8";

/// Why a workbook is refused.
#[derive(Debug, Error)]
pub enum WorkbookError {
    /// It cannot be read.
    #[error(
        "the workbook is damaged or was not written by a spreadsheet program ({why}): open it, save it again"
    )]
    Damaged {
        /// What the library says.
        why: String,
    },
    /// More than is read.
    #[error("the workbook has {what} than is read: save the sheet as CSV in UTF-8 and hand in that")]
    TooLarge {
        /// What there is more of.
        what: &'static str,
    },
    /// Leading zeros are gone.
    #[error(
        "sheet {sheet:?}: {found} of {numbers} parcel numbers in column {column} are stored as numbers and have lost \
         leading zeros (the first, {cell}, holds {shown}): a spreadsheet does that; hand in the publisher's own text \
         file, or, if the publisher keeps numbers himself, the sheet saved as CSV, so that the layout puts the zeros \
         back knowingly"
    )]
    ZerosLost {
        /// The sheet.
        sheet: String,
        /// The column of the layout.
        column: String,
        /// How many numbers are too short.
        found: u64,
        /// How many are stored as numbers.
        numbers: u64,
        /// The first one's place.
        cell: String,
        /// What it holds.
        shown: String,
    },
    /// Digits are gone.
    #[error(
        "sheet {sheet:?}: {cell} in column {column} holds the parcel number {shown} as a number, and a spreadsheet \
         keeps fifteen digits and no ending zeros: digits may be lost, hand in the publisher's own text file"
    )]
    DigitsLost {
        /// The sheet.
        sheet: String,
        /// The column of the layout.
        column: String,
        /// The cell.
        cell: String,
        /// What it holds.
        shown: String,
    },
    /// A formula without its result.
    #[error(
        "sheet {sheet:?}: {cell} in column {column} is a formula that was never worked out, so that the workbook does \
         not hold its value: open it in the spreadsheet program and save it again, or save the sheet as CSV"
    )]
    NotWorkedOut {
        /// The sheet.
        sheet: String,
        /// The column of the layout.
        column: String,
        /// The cell.
        cell: String,
    },
    /// Something stands above the header.
    #[error(
        "sheet {sheet:?}: the names of the columns stand in row {header}, above them from row {first} on there is \
         other text ({title:?}): take out the rows above the header"
    )]
    Title {
        /// The sheet.
        sheet: String,
        /// The row of the header.
        header: u32,
        /// The first row with text.
        first: u32,
        /// Its first text.
        title: String,
    },
}

/// A workbook that is open, shared by its sheets.
pub(crate) type Book = Arc<Mutex<Xlsx<Spool>>>;

/// Whether an archive is a workbook of this format.
pub(crate) fn is_one(entries: &[Entry]) -> bool {
    has(entries, "[content_types].xml") && entries.iter().any(|entry| lower(entry).starts_with("xl/"))
}

/// What an archive is that is the file of some program, but not one that is read.
pub(crate) fn foreign(entries: &[Entry]) -> Option<Foreign> {
    let office = has(entries, "[content_types].xml");
    let what = if office && has(entries, "xl/workbook.bin") {
        "a binary workbook (.xlsb)"
    } else if has(entries, "mimetype") && has(entries, "content.xml") {
        "an OpenDocument file (such as .ods)"
    } else if office && (has(entries, "word/document.xml") || has(entries, "ppt/presentation.xml")) {
        "a text document or presentation"
    } else {
        return None;
    };
    Some(Foreign { what, mend: SAVE_AS_CSV })
}

fn lower(entry: &Entry) -> String {
    entry.name.to_ascii_lowercase()
}

fn has(entries: &[Entry], name: &str) -> bool {
    entries.iter().any(|entry| lower(entry) == name)
}

/// Opens a workbook and lists its sheets that can be seen and hold something.
pub(crate) fn sheets(spool: &Spool, entries: &[Entry]) -> Result<(Book, Vec<String>), UnpackError> {
    guard::check(entries)?;
    let spool = spool.part(0, u64::MAX);
    let mut book = caught(|| Xlsx::new(spool).map_err(|error| damaged(&error)))?;
    let visible: Vec<String> = book
        .sheets_metadata()
        .iter()
        .filter(|sheet| sheet.visible == SheetVisible::Visible && sheet.typ == SheetType::WorkSheet)
        .map(|sheet| sheet.name.clone())
        .collect();
    let mut sheets = Vec::new();
    for name in visible {
        let holds_something = caught(|| {
            let mut cells = book.worksheet_cells_reader(&name).map_err(|error| damaged(&error))?;
            while let Some(cell) = cells.next_cell().map_err(|error| damaged(&error))? {
                if *cell.get_value() != calamine::DataRef::Empty {
                    return Ok(true);
                }
            }
            Ok(false)
        })?;
        if holds_something {
            sheets.push(name);
        }
    }
    Ok((Arc::new(Mutex::new(book)), sheets))
}

/// A sheet as lines of CSV, from a file in the scratch folder.
pub(crate) fn text(book: &Book, sheet: &str, layout: &Layout, scratch: &Path) -> Result<Source, UnpackError> {
    let file = tempfile::tempfile_in(scratch).map_err(UnpackError::Scratch)?;
    let mut book = book.lock().unwrap_or_else(PoisonError::into_inner);
    let file = caught(|| cells::write(&mut book, sheet, layout, file))?;
    Ok(Box::new(Spool::of(file).map_err(UnpackError::Scratch)?))
}

fn damaged(error: &calamine::XlsxError) -> UnpackError {
    WorkbookError::Damaged { why: error.to_string() }.into()
}

/// The library reckons with the numbers of a workbook unchecked. Where that panics, the workbook is at fault.
fn caught<T>(work: impl FnOnce() -> Result<T, UnpackError>) -> Result<T, UnpackError> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(WorkbookError::Damaged { why: "a number in it is out of all bounds".to_owned() }.into())
    })
}

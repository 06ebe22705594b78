//! The header of a file, and which of its columns the layout means. Every failure here refuses the whole file,
//! because no row of it could be read as intended.

use crate::layout::{Encoding, Layout};
use crate::limits::{COLUMNS_MAX, HEADER_BYTES_MAX, ROW_BYTES_MAX};
use std::io;
use thiserror::Error;

/// How many column names a message lists, and how much of each: a file that is none has names of megabytes.
const NAMES_LISTED: usize = 60;
const NAME_CHARS_LISTED: usize = 80;

/// The delimiters that published files use, with the way a layout writes them.
const DELIMITERS: [(u8, &str); 4] = [(b',', ","), (b'\t', "\\t"), (b'|', "|"), (b';', ";")];

/// Why a file is refused before its first row.
#[derive(Debug, Error)]
pub enum HeaderError {
    /// The source could not be read.
    #[error("the header of the file could not be read")]
    Read(#[source] io::Error),
    /// There is nothing in the file but line ends.
    #[error("the file is empty: expected a header line with column names")]
    Empty,
    /// The file is a compressed archive.
    #[error("the file is a {kind} archive, not text: unpack it first")]
    Archive {
        /// The kind of archive.
        kind: &'static str,
    },
    /// The file is in UTF-16.
    #[error("the file is encoded in UTF-16: save it as UTF-8 and import that")]
    Utf16,
    /// The file says that it is UTF-8, the layout says otherwise.
    #[error(
        "the file begins with the byte order mark of UTF-8, the layout says {layout}: set encoding = \"utf-8\""
    )]
    Contradicted {
        /// The encoding the layout names.
        layout: &'static str,
    },
    /// The header is not valid in the encoding of the layout.
    #[error("header on line {line}: byte {byte} is not valid {encoding}: {mend}")]
    Encoding {
        /// The header's line.
        line: u64,
        /// Offset of the byte in the file.
        byte: u64,
        /// The encoding the layout names.
        encoding: &'static str,
        /// What would mend it.
        mend: &'static str,
    },
    /// The header holds a NUL byte.
    #[error("header on line {line}: a NUL byte: the file is binary or damaged, export it again as text")]
    Nul {
        /// The header's line.
        line: u64,
    },
    /// A quote in the header does not close.
    #[error(
        "header on line {line}: a quote opens and does not close: correct the header, or set quote = \"\" \
         if the file does not quote"
    )]
    UnclosedQuote {
        /// The header's line.
        line: u64,
    },
    /// The first line is no header.
    #[error(
        "header on line {line}: {bytes} bytes, the most is {HEADER_BYTES_MAX}: check that the first line names \
         the columns"
    )]
    TooLong {
        /// The header's line.
        line: u64,
        /// Its length.
        bytes: u64,
    },
    /// More columns than are read.
    #[error("header on line {line}: {found} columns, the most is {COLUMNS_MAX}: check the delimiter")]
    TooManyColumns {
        /// The header's line.
        line: u64,
        /// How many there are.
        found: usize,
    },
    /// The header has one field, and another delimiter in it.
    #[error(
        "header on line {line}: one column only when split at {layout:?}, {columns} when split at \"{found}\": \
         set delimiter = \"{found}\""
    )]
    Delimiter {
        /// The header's line.
        line: u64,
        /// The delimiter of the layout.
        layout: char,
        /// The delimiter found, as a layout writes it.
        found: &'static str,
        /// How many columns that gives.
        columns: usize,
    },
    /// A column of the layout is not in the file.
    #[error(
        "header on line {line}: no column {column:?}{}; the file has {}: correct the layout or the file",
        likely(.nearest.as_deref()),
        listed(.found)
    )]
    MissingColumn {
        /// The header's line.
        line: u64,
        /// The column of the layout.
        column: String,
        /// The columns of the file.
        found: Vec<String>,
        /// The column of the file that is most like it.
        nearest: Option<String>,
    },
    /// A column of the layout is in the file more than once.
    #[error(
        "header on line {line}: column {column:?} stands at {}: which one is meant cannot be told, rename the others",
        places(.positions)
    )]
    DuplicateColumn {
        /// The header's line.
        line: u64,
        /// The column of the layout.
        column: String,
        /// Its places, from 1.
        positions: Vec<usize>,
    },
    /// The rule for parcel numbers does not compile. [`Layout::from_toml`] refuses such a layout.
    #[error("the parcel rule of the layout is at fault")]
    Rule(#[source] crossfoot_audit::record::parcel_key::KeyRuleError),
}

/// The header line as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// The column names, trimmed, in the file's order.
    pub names: Vec<String>,
    /// The physical line on which it begins, from 1.
    pub line: u64,
    /// Offset of its first byte in the file; a byte order mark stands before it.
    pub byte_start: u64,
    /// Its length in bytes, without the line end.
    pub byte_length: u64,
}

impl Header {
    /// The place of a column: the name as it is, else without regard to case.
    pub(crate) fn place(&self, column: &str, delimiter: u8) -> Result<usize, HeaderError> {
        let places = |same: &dyn Fn(&str) -> bool| -> Vec<usize> {
            self.names.iter().enumerate().filter(|(_, name)| same(name)).map(|(place, _)| place).collect()
        };
        let mut found = places(&|name| name == column);
        if found.is_empty() {
            found = places(&|name| name.to_lowercase() == column.to_lowercase());
        }
        match found.as_slice() {
            [place] => Ok(*place),
            [] => Err(self.missing(column, delimiter)),
            [..] => Err(HeaderError::DuplicateColumn {
                line: self.line,
                column: column.to_owned(),
                positions: found.iter().map(|place| place + 1).collect(),
            }),
        }
    }

    fn missing(&self, column: &str, delimiter: u8) -> HeaderError {
        if let [only] = self.names.as_slice() {
            let columns = |byte: u8| only.bytes().filter(|found| *found == byte).count() + 1;
            let others = DELIMITERS.into_iter().filter(|(byte, _)| *byte != delimiter);
            if let Some((byte, found)) = others.max_by_key(|(byte, _)| columns(*byte))
                && columns(byte) > 1
            {
                let layout = char::from(delimiter);
                return HeaderError::Delimiter { line: self.line, layout, found, columns: columns(byte) };
            }
        }
        HeaderError::MissingColumn {
            line: self.line,
            column: column.to_owned(),
            found: self.names.clone(),
            nearest: nearest(column, &self.names),
        }
    }
}

/// What the first bytes of a file say about it: the length of its byte order mark, or why it cannot be read.
pub(crate) fn mark_length(opening: &[u8], layout: &Layout) -> Result<usize, HeaderError> {
    match opening {
        [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..] | [0, 1..=255, ..] | [1..=255, 0, ..] => Err(HeaderError::Utf16),
        [0x1F, 0x8B, ..] => Err(HeaderError::Archive { kind: "gzip" }),
        [b'P', b'K', 3, 4, ..] => Err(HeaderError::Archive { kind: "zip" }),
        [0xEF, 0xBB, 0xBF, ..] if layout.file.encoding != Encoding::Utf8 => {
            Err(HeaderError::Contradicted { layout: layout.file.encoding.name() })
        }
        [0xEF, 0xBB, 0xBF, ..] => Ok(3),
        [..] => Ok(0),
    }
}

/// A row that is too long to be a header is refused before it is decoded.
pub(crate) fn check_length(line: u64, bytes: u64) -> Result<(), HeaderError> {
    const _: () = assert!(HEADER_BYTES_MAX <= ROW_BYTES_MAX, "a header is a row");
    if bytes > HEADER_BYTES_MAX as u64 {
        return Err(HeaderError::TooLong { line, bytes });
    }
    Ok(())
}

/// The name most like the one asked for: equal but for spaces and punctuation, or a few letters away.
fn nearest(column: &str, names: &[String]) -> Option<String> {
    let plain = |name: &str| -> Vec<char> {
        name.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
    };
    let wanted = plain(column);
    let (distance, name) = names.iter().map(|name| (edits(&wanted, &plain(name)), name)).min()?;
    (distance * 3 <= wanted.len()).then(|| name.clone())
}

/// How many letters have to be added, dropped or changed to make one name the other.
fn edits(one: &[char], other: &[char]) -> usize {
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (at, letter) in one.iter().enumerate() {
        let mut diagonal = at;
        let mut left = at + 1;
        for (above, against) in row.iter_mut().skip(1).zip(other) {
            let changed = diagonal + usize::from(letter != against);
            diagonal = *above;
            left = changed.min(*above + 1).min(left + 1);
            *above = left;
        }
        if let Some(first) = row.first_mut() {
            *first = at + 1;
        }
    }
    row.last().copied().unwrap_or_default()
}

fn likely(nearest: Option<&str>) -> String {
    nearest.map(|name| format!(", the nearest is {name:?}")).unwrap_or_default()
}

fn listed(names: &[String]) -> String {
    let shortened = |name: &String| match name.char_indices().nth(NAME_CHARS_LISTED) {
        Some((end, _)) => format!("{}…", name.get(..end).unwrap_or_default()),
        None => name.clone(),
    };
    let shown: Vec<String> = names.iter().take(NAMES_LISTED).map(shortened).collect();
    let more = names.len().saturating_sub(NAMES_LISTED);
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{rest}", shown.join(", "))
}

fn places(positions: &[usize]) -> String {
    let all: Vec<String> = positions.iter().map(usize::to_string).collect();
    format!("places {}", all.join(" and "))
}

//! From the file as received to the text with the rows: gzip, zstd, zip, workbooks and UTF-16.
//!
//! What a file is, its bytes say, never its name. What is not packed is passed on untouched. Packed text is unpacked
//! as it is read, within bounds of size and ratio; a zip archive or a workbook, whose directory stands at its end, is
//! spooled to a scratch folder first. Lines and bytes of a row then count in the unpacked text (in UTF-8 where it was
//! UTF-16), while the hash of a file stays that of the bytes received.

mod archive;
pub(crate) mod sniff;
mod source;
mod stream;
mod utf16;
mod workbook;

use crate::layout::{Encoding, FileLayout, Layout};
use crate::limits::{MEMBERS_MAX, ROW_LINES_MAX_LIMIT, SPOOLED_BYTES_MAX, UNPACKED_RATIO_MAX};
use archive::Entry;
pub use sniff::Foreign;
use sniff::{Kind, sniff};
use source::{Counted, Source, Spool, Tally, opening};
use std::io;
use std::path::Path;
use std::sync::Arc;
use stream::Unpacking;
use thiserror::Error;
use utf16::Transcoded;
use workbook::Book;
pub use workbook::WorkbookError;

/// How many names a message lists.
const NAMES_LISTED: usize = 20;
/// How many characters of a name a message shows; an archive may have names of 65,535.
const NAME_CHARS_LISTED: usize = 120;

/// Why a file is not unpacked, or not to its end.
#[derive(Debug, Error)]
pub enum UnpackError {
    /// The source could not be read.
    #[error("the file could not be read")]
    Read(#[source] io::Error),
    /// The scratch folder could not be written or read.
    #[error("the scratch folder cannot be used: make room there, or name another one")]
    Scratch(#[source] io::Error),
    /// A format that is not read.
    #[error("the file is {}, which is not read: {}", .0.what, .0.mend)]
    Foreign(Foreign),
    /// Something packed inside something packed.
    #[error("{inside} holds {}: {}", .found.what, .found.mend)]
    Nested {
        /// What it is in.
        inside: String,
        /// What is in it.
        found: Foreign,
    },
    /// The packed data end too early.
    #[error(
        "the {kind} data end in the middle, after {packed} bytes that unpack to {unpacked}: the file was not \
         transferred whole, fetch it again"
    )]
    Truncated {
        /// The format.
        kind: &'static str,
        /// Bytes of the file.
        packed: u64,
        /// Bytes of text that came of them.
        unpacked: u64,
    },
    /// The packed data are not what the format says.
    #[error(
        "the {kind} data are damaged behind {unpacked} bytes of unpacked text ({why}): fetch the file again"
    )]
    Damaged {
        /// The format.
        kind: &'static str,
        /// Bytes of text that came before.
        unpacked: u64,
        /// What the library says.
        why: String,
    },
    /// Something else follows the packed data.
    #[error(
        "from byte {at} on, something else follows the gzip data: rows may be lost in it, so the file is not taken; \
         fetch it again, or cut off what does not belong to it"
    )]
    Trailing {
        /// The first byte behind the data.
        at: u64,
    },
    /// More text than is taken.
    #[error("the file unpacks to more than {most} bytes: hand it in in parts")]
    TooLarge {
        /// The most that is taken.
        most: u64,
    },
    /// More text than such a file can honestly hold.
    #[error(
        "{packed} packed bytes have unpacked to {unpacked}, more than {UNPACKED_RATIO_MAX} to one: this is no roll but \
         a file made to fill a disk; if it is one after all, hand it in unpacked"
    )]
    Bomb {
        /// Bytes of the file.
        packed: u64,
        /// Bytes that came of them.
        unpacked: u64,
    },
    /// An archive beyond what is spooled.
    #[error("the archive has more than {SPOOLED_BYTES_MAX} bytes: hand in its files one by one")]
    ArchiveTooLarge,
    /// An archive with too many files.
    #[error("the zip archive holds {found} files, the most is {MEMBERS_MAX}: pack only those with the rows")]
    TooManyMembers {
        /// How many it holds.
        found: usize,
    },
    /// The directory of an archive is not to be trusted.
    #[error("the zip archive is damaged or was made to mislead ({why}): pack its files anew")]
    Directory {
        /// What is wrong.
        why: &'static str,
    },
    /// A name in an archive that no honest program writes.
    #[error("the zip archive holds {name:?}, which is {what}: pack its files anew, under plain names")]
    MemberName {
        /// The name.
        name: String,
        /// What it is.
        what: &'static str,
    },
    /// A file in an archive under a password.
    #[error(
        "{name:?} in the zip archive is encrypted: unpack it with its password and hand in the file itself"
    )]
    Encrypted {
        /// Its name.
        name: String,
    },
    /// A file in an archive packed in a way that is not read.
    #[error(
        "{name:?} in the zip archive is packed by a method that is not read (number {method}): pack it again, with the usual \
         method (deflate)"
    )]
    Method {
        /// Its name.
        name: String,
        /// The number of the method (APPNOTE.TXT 4.4.5).
        method: u16,
    },
    /// A file in an archive does not unpack to what the archive says.
    #[error(
        "{name:?} in the zip archive is damaged behind {unpacked} bytes of unpacked text ({why}): fetch the archive \
         again"
    )]
    MemberDamaged {
        /// Its name.
        name: String,
        /// Bytes of text that came before.
        unpacked: u64,
        /// What is wrong.
        why: String,
    },
    /// Nothing in it has rows.
    #[error("{holder} holds no {what}{}: hand in the file with the rows", but(.others))]
    NothingInside {
        /// The archive or workbook.
        holder: &'static str,
        /// What was looked for.
        what: &'static str,
        /// What it holds instead.
        others: Vec<String>,
    },
    /// More than one text, and nobody says which.
    #[error(
        "{holder} holds {} {what} ({}): say in the layout which one holds the rows, as within = \"NAME\" under [file] \
         (* stands for any letters), or hand in that one alone",
        .names.len(),
        listed(.names)
    )]
    Choice {
        /// The archive or workbook.
        holder: &'static str,
        /// What they are.
        what: &'static str,
        /// Their names.
        names: Vec<String>,
    },
    /// The one that the layout names is not there.
    #[error("{holder} holds no {what} {within:?}, which the layout names; it holds {}: correct the layout or the file", listed(.names))]
    NotWithin {
        /// The archive or workbook.
        holder: &'static str,
        /// What it is.
        what: &'static str,
        /// The name or pattern of the layout.
        within: String,
        /// What is there.
        names: Vec<String>,
    },
    /// A file in UTF-16 with an odd number of bytes.
    #[error(
        "the file is in UTF-16 and ends in the middle of a character (an odd number of bytes): it was not transferred \
         whole, fetch it again"
    )]
    HalfUnit,
    /// A workbook.
    #[error(transparent)]
    Workbook(#[from] WorkbookError),
}

impl UnpackError {
    /// Whether the machine failed and not the file: another attempt may succeed.
    #[must_use]
    pub fn of_the_machine(&self) -> bool {
        matches!(self, Self::Read(_) | Self::Scratch(_))
    }

    /// What an error of reading says about a packed file, where that is what failed.
    #[must_use]
    pub fn within(error: &io::Error) -> Option<&UnpackError> {
        error.get_ref()?.downcast_ref()
    }

    pub(crate) fn from_io(error: io::Error) -> Self {
        match error.downcast::<UnpackError>() {
            Ok(error) => error,
            Err(error) => Self::Read(error),
        }
    }
}

impl From<UnpackError> for io::Error {
    fn from(error: UnpackError) -> Self {
        io::Error::new(io::ErrorKind::InvalidData, error)
    }
}

/// The first of some names, shortened, and how many more there are.
pub(crate) fn listed(names: &[impl AsRef<str>]) -> String {
    let shown: Vec<String> = names.iter().map(AsRef::as_ref).take(NAMES_LISTED).map(quoted).collect();
    let more = names.len().saturating_sub(NAMES_LISTED);
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{rest}", shown.join(", "))
}

/// A name in quotes; of one that is too long the beginning.
pub(crate) fn quoted(name: &str) -> String {
    match name.char_indices().nth(NAME_CHARS_LISTED) {
        Some((end, _)) => format!("{:?}…", name.get(..end).unwrap_or_default()),
        None => format!("{name:?}"),
    }
}

fn but(others: &[String]) -> String {
    if others.is_empty() { String::new() } else { format!(", only {}", listed(others)) }
}

/// The bytes of a file as received: how many have been read, and their hash.
#[derive(Debug, Clone)]
pub struct Received(Tally);

impl Received {
    /// How many have been read so far.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.0.bytes()
    }

    /// SHA-256 of those that have been read so far, in hex.
    #[must_use]
    pub fn sha256(&self) -> String {
        self.0.sha256()
    }
}

/// A file as received, with the texts that are in it.
pub struct Opened {
    /// What holds the texts, where it can hold several.
    holder: Holder,
    /// The texts.
    pub members: Vec<Member>,
    /// The count of the bytes received; `None` where the only text is these bytes.
    pub received: Option<Received>,
}

#[derive(Debug, Clone, Copy)]
enum Holder {
    Itself,
    Zip,
    Workbook,
}

/// One text of a file as received.
pub struct Member {
    /// Its name in the archive or workbook; that of the file where it is the only one.
    pub name: String,
    /// When it was last changed, in the archive's own words; nothing is known of its time zone.
    pub modified: Option<String>,
    content: Content,
}

enum Content {
    AsReceived(Source),
    /// Unpacked already, in UTF-8.
    Text {
        text: Source,
        utf8: bool,
    },
    Entry(Box<Entry>, Kind),
    Sheet(Book),
}

/// A text to be read, and how it is written.
pub struct Text {
    /// Its bytes.
    pub source: Source,
    /// Its name in an archive or workbook, where it is in one.
    pub within: Option<String>,
    /// The names of what else is in there.
    pub passed_over: Vec<String>,
    written: Written,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Written {
    AsTheLayoutSays,
    InUtf8,
    BySheet,
}

impl Text {
    /// The layout as this text is written: the one that is given, but for what unpacking has settled.
    #[must_use]
    pub fn layout(&self, layout: &Layout) -> Layout {
        let mut layout = layout.clone();
        match self.written {
            Written::AsTheLayoutSays => {}
            Written::InUtf8 => layout.file.encoding = Encoding::Utf8,
            Written::BySheet => {
                let within = layout.file.within.take();
                layout.file =
                    FileLayout { row_lines_max: ROW_LINES_MAX_LIMIT, within, ..FileLayout::default() };
            }
        }
        layout
    }
}

/// Looks at a file and finds the texts in it. `name` is only repeated; `scratch` is a folder for archives, which leave
/// nothing there.
///
/// # Errors
/// [`UnpackError`].
pub fn open(source: Source, name: &str, scratch: &Path) -> Result<Opened, UnpackError> {
    let (first, source) = opening(source).map_err(UnpackError::Read)?;
    let kind = sniff(&first);
    if kind == Kind::Text {
        return Ok(single(name, None, Content::AsReceived(source), None));
    }
    if let Kind::Other(foreign) = kind {
        return Err(UnpackError::Foreign(foreign));
    }
    let (source, tally) = Counted::new(source);
    match kind {
        Kind::Utf16 { big, mark } => {
            let text = Transcoded::new(Box::new(source), big, mark).map_err(UnpackError::Read)?;
            Ok(single(name, None, Content::Text { text: Box::new(text), utf8: true }, Some(tally)))
        }
        Kind::Gzip => unpacked(Unpacking::gzip(source, tally.clone()), name, "the gzip file", tally),
        Kind::Zstd => {
            let stream = Unpacking::zstd(source, tally.clone()).map_err(UnpackError::Read)?;
            unpacked(stream, name, "the zstd file", tally)
        }
        Kind::Text | Kind::Other(_) | Kind::Zip => zip_or_workbook(Spool::fill(source, scratch)?, tally),
    }
}

/// The one text of a file, for looking at it while nothing says how it is written: of what is packed the text in it,
/// anything else as it is.
///
/// # Errors
/// [`UnpackError`].
pub fn text_within(source: Source, name: &str, scratch: &Path) -> Result<Source, UnpackError> {
    let (first, source) = opening(source).map_err(UnpackError::Read)?;
    if matches!(sniff(&first), Kind::Text | Kind::Utf16 { .. } | Kind::Other(_)) {
        return Ok(source);
    }
    // nobody knows yet which column is the parcel number: what a spreadsheet did to it shows when it is imported
    let layout = Layout::from_toml(
        "id = \"unknown\"\njurisdiction = \"-\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"-\"]\n",
    )
    .map_err(|error| UnpackError::Read(io::Error::other(error)))?;
    Ok(open(source, name, scratch)?.choose(None)?.text(&layout, scratch)?.source)
}

fn single(name: &str, modified: Option<String>, content: Content, tally: Option<Tally>) -> Opened {
    let members = vec![Member { name: name.to_owned(), modified, content }];
    Opened { holder: Holder::Itself, members, received: tally.map(Received) }
}

/// The one text of a stream that unpacks as it is read.
fn unpacked(stream: Unpacking, name: &str, inside: &str, tally: Tally) -> Result<Opened, UnpackError> {
    let modified = stream.modified().map(|at| format!("{at} s after 1970"));
    let (first, source) = opening(Box::new(stream)).map_err(UnpackError::from_io)?;
    let (text, utf8) = inner_text(sniff(&first), source, inside)?;
    Ok(single(name, modified, Content::Text { text, utf8 }, Some(tally)))
}

/// What came out of something packed must be text: one layer is unpacked, no more.
fn inner_text(kind: Kind, source: Source, inside: &str) -> Result<(Source, bool), UnpackError> {
    let found = match kind {
        Kind::Text => return Ok((source, false)),
        Kind::Utf16 { big, mark } => {
            let text = Transcoded::new(source, big, mark).map_err(UnpackError::from_io)?;
            return Ok((Box::new(text), true));
        }
        Kind::Gzip => again("another gzip file"),
        Kind::Zstd => again("a zstd file"),
        Kind::Zip => again("a zip archive or a workbook"),
        Kind::Other(foreign) => foreign,
    };
    Err(UnpackError::Nested { inside: inside.to_owned(), found })
}

fn again(what: &'static str) -> Foreign {
    Foreign { what, mend: "one layer is unpacked and no more, hand in what is inside" }
}

fn zip_or_workbook(spool: Spool, tally: Tally) -> Result<Opened, UnpackError> {
    let entries = archive::entries(&spool)?;
    let received = Some(Received(tally));
    if let Some(foreign) = workbook::foreign(&entries) {
        return Err(UnpackError::Foreign(foreign));
    }
    if workbook::is_one(&entries) {
        let (book, sheets) = workbook::sheets(&spool, &entries)?;
        let member = |name| Member { name, modified: None, content: Content::Sheet(Arc::clone(&book)) };
        return Ok(Opened {
            holder: Holder::Workbook,
            members: sheets.into_iter().map(member).collect(),
            received,
        });
    }
    let mut members = Vec::with_capacity(entries.len());
    for entry in entries.into_iter().filter(|entry| !entry.left_out) {
        let (name, modified) = (entry.name.clone(), entry.modified.clone());
        // what cannot be opened may well be something that nobody asks for: that is told when somebody does
        let kind = match entry.open().and_then(|source| opening(source).map_err(UnpackError::from_io)) {
            Ok((first, _)) => sniff(&first),
            Err(error) if error.of_the_machine() => return Err(error),
            Err(_) => Kind::Text,
        };
        members.push(Member { name, modified, content: Content::Entry(Box::new(entry), kind) });
    }
    Ok(Opened { holder: Holder::Zip, members, received })
}

impl Opened {
    /// Whether it is an archive or a workbook, which can hold several texts.
    #[must_use]
    pub fn holds_several(&self) -> bool {
        !matches!(self.holder, Holder::Itself)
    }

    /// The names of what it holds; nothing where it is itself the text.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        let held = self.members.iter().filter(|_| self.holds_several());
        held.map(|member| member.name.clone()).collect()
    }

    /// The text of exactly this name.
    #[must_use]
    pub fn take(self, name: &str) -> Option<Member> {
        self.members.into_iter().find(|member| member.name == name)
    }

    /// The text that a layout of one file means: the one it names, else the only one there is.
    ///
    /// # Errors
    /// [`UnpackError::Choice`], [`UnpackError::NothingInside`], [`UnpackError::NotWithin`].
    pub fn choose(self, within: Option<&str>) -> Result<Member, UnpackError> {
        let (holder, what) = match self.holder {
            Holder::Itself => ("the file", "text"),
            Holder::Zip => ("the zip archive", "text files"),
            Holder::Workbook => ("the workbook", "sheets"),
        };
        let names = |members: &[Member]| members.iter().map(|member| member.name.clone()).collect();
        let all: Vec<String> = names(&self.members);
        let mut fitting = match (within, self.holder) {
            (None, _) | (_, Holder::Itself) => self.members.into_iter().filter(Member::is_text).collect(),
            (Some(pattern), _) => {
                let named = |member: &Member| matches(pattern, &member.name);
                self.members.into_iter().filter(named).collect::<Vec<_>>()
            }
        };
        match (fitting.len(), within) {
            (1, _) => fitting.pop().ok_or(UnpackError::NothingInside { holder, what, others: all }),
            (0, Some(within)) => Err(UnpackError::NotWithin {
                holder,
                what: what.trim_end_matches('s'),
                within: within.to_owned(),
                names: all,
            }),
            (0, None) => Err(UnpackError::NothingInside { holder, what, others: all }),
            _ => Err(UnpackError::Choice { holder, what, names: names(&fitting) }),
        }
    }
}

impl Member {
    /// Whether its first bytes are those of text.
    #[must_use]
    pub fn is_text(&self) -> bool {
        match &self.content {
            Content::Entry(_, kind) => matches!(kind, Kind::Text | Kind::Utf16 { .. }),
            Content::AsReceived(_) | Content::Text { .. } | Content::Sheet(_) => true,
        }
    }

    /// Whether it is packed once more, as text alone is: gzip or zstd.
    #[must_use]
    pub fn is_packed_again(&self) -> bool {
        matches!(&self.content, Content::Entry(_, Kind::Gzip | Kind::Zstd))
    }

    /// The most bytes of text that come of it, where its archive says that; more than it says is an error when it is
    /// read.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        match &self.content {
            Content::Entry(entry, _) => entry.size(),
            Content::AsReceived(_) | Content::Text { .. } | Content::Sheet(_) => 0,
        }
    }

    /// Its text. The layout says which columns a spreadsheet must not have damaged.
    ///
    /// # Errors
    /// [`UnpackError`].
    pub fn text(self, layout: &Layout, scratch: &Path) -> Result<Text, UnpackError> {
        let written = |utf8| if utf8 { Written::InUtf8 } else { Written::AsTheLayoutSays };
        match self.content {
            Content::AsReceived(source) => {
                Ok(Text { source, within: None, passed_over: Vec::new(), written: Written::AsTheLayoutSays })
            }
            Content::Text { text, utf8 } => {
                Ok(Text { source: text, within: None, passed_over: Vec::new(), written: written(utf8) })
            }
            Content::Entry(entry, kind) => {
                let inside = format!("{:?} in the zip archive", self.name);
                let (source, utf8) = inner_text(kind, entry.open()?, &inside)?;
                let passed_over = Vec::new();
                Ok(Text { source, within: Some(self.name), passed_over, written: written(utf8) })
            }
            Content::Sheet(book) => {
                let source = workbook::text(&book, &self.name, layout, scratch)?;
                let passed_over = Vec::new();
                Ok(Text { source, within: Some(self.name), passed_over, written: Written::BySheet })
            }
        }
    }
}

/// Whether a name, or its last part, is as a pattern says; `*` stands for any letters, and case does not matter.
fn matches(pattern: &str, name: &str) -> bool {
    let (pattern, name) = (pattern.to_lowercase(), name.to_lowercase());
    let last = name.rsplit(['/', '\\']).next().unwrap_or(&name);
    fits(&pattern, &name) || fits(&pattern, last)
}

fn fits(pattern: &str, name: &str) -> bool {
    let Some((first, rest)) = pattern.split_once('*') else { return pattern == name };
    let Some(mut name) = name.strip_prefix(first) else { return false };
    let parts: Vec<&str> = rest.split('*').collect();
    let Some((last, between)) = parts.split_last() else { return true };
    for part in between {
        let Some(at) = name.find(part) else { return false };
        name = name.get(at + part.len()..).unwrap_or_default();
    }
    name.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_stands_for_names() {
        for (pattern, name) in [
            ("roll.csv", "2026/Roll.CSV"),
            ("*.csv", "a.b.csv"),
            ("2026/*", "2026/x.txt"),
            ("r*l*.t*t", "roll_1.txt"),
            ("*", ""),
        ] {
            assert!(matches(pattern, name), "{pattern} {name}");
        }
        for (pattern, name) in
            [("roll", "roll.csv"), ("*.csv", "a.csv.txt"), ("ab*ba", "aba"), ("a*b*c", "acb")]
        {
            assert!(!matches(pattern, name), "{pattern} {name}");
        }
    }
}

//! A look at a file that nobody has described yet: how it is written, what its columns hold, which known layout fits,
//! and a layout for it. Nothing is stored.
//!
//! ```
//! use crossfoot_roll::layout::Layout;
//! use crossfoot_roll::look::{Options, look};
//!
//! let file = b"PARCEL;SITUS;LIVING_AREA;YR_BLT\n\
//!     07-0412-001;106 GARNET ST;1284;1950\n07-0412-002;109 GARNET ST;1742;1978\n07-0412-003;114 GARNET ST;912;1987\n";
//! let found = look(file.as_slice(), "roll.csv", &[], &Options::default())?;
//! assert_eq!(found.shape.separation.byte(), Some(b';'));
//! let proposal = found.proposal.ok_or("no layout was proposed")?;
//! let layout = Layout::from_toml(&proposal.layout)?;
//! assert_eq!(layout.mapped_columns(), ["PARCEL", "SITUS", "LIVING_AREA", "YR_BLT"]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod answer;
mod cell;
mod column;
mod count;
mod dialect;
mod draft;
mod encoding;
mod figures;
mod fit;
mod fixed;
mod names;
mod notes;
mod proposal;
mod unnamed;
mod words;

pub use answer::{
    ColumnFound, ColumnKind, Counted, EncodingFound, Example, HeaderFound, LayoutFit, Look, Misfit, Proposal,
    ProposedPart, Reading, ReasonFound, Rejected, RowsFound, Sample, SampleRow, Separation, Shape, Sureness,
};

use crate::framing::{Dialect, Framer};
use crate::layout::Layout;
use crate::limits::{COLUMNS_MAX, LOOK_HEAD_BYTES};
use column::Column;
use count::Counts;
use encoding::{AsUtf8, Content};
use encoding_rs::{UTF_16BE, UTF_16LE};
use fit::NotRead;
use names::{FirstRow, Names};
use std::io::{self, Read};
use std::path::Path;
use thiserror::Error;

/// Rows by which the header is told.
const FIRST_ROWS: usize = 200;

/// How far a look goes.
#[derive(Debug, Clone)]
pub struct Options {
    /// Bytes from the beginning by which everything is guessed.
    pub head_bytes: usize,
    /// Whether the rest of the file is read as well, for the counts.
    pub whole: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { head_bytes: LOOK_HEAD_BYTES, whole: false }
    }
}

/// Why there is nothing to say about a file.
#[derive(Debug, Error)]
pub enum LookError {
    /// The source could not be read.
    #[error("the file could not be read")]
    Read(#[source] io::Error),
    /// There is nothing in it but line ends.
    #[error("the file is empty: choose the file that holds the rows")]
    Empty,
    /// It is no text.
    #[error("the file is {what}")]
    NotText {
        /// What it is, and what would mend it.
        what: &'static str,
    },
    /// More columns than are read.
    #[error(
        "{columns} columns when split at the {delimiter}, the most is {COLUMNS_MAX}: check that the file is a table with a \
         row a property"
    )]
    TooManyColumns {
        /// How many there are.
        columns: usize,
        /// What separates them.
        delimiter: &'static str,
    },
}

impl From<io::Error> for LookError {
    fn from(error: io::Error) -> Self {
        Self::Read(error)
    }
}

/// Looks at a file.
///
/// Memory is bounded whatever the file holds: [`Options::head_bytes`] and as much again three times over where they
/// are decoded, and at most some 50 MiB of counts.
pub fn look(
    mut source: impl Read,
    name: &str,
    known: &[Layout],
    options: &Options,
) -> Result<Look, LookError> {
    let mut head = Vec::new();
    source.by_ref().take(options.head_bytes as u64 + 1).read_to_end(&mut head)?;
    let ended = head.len() <= options.head_bytes;
    let (encoding, encoding_found) = match encoding::find(&head, ended) {
        Content::Text(encoding, found) => (encoding, found),
        Content::Other(what) => return Err(LookError::NotText { what }),
    };
    let mut text = Vec::new();
    AsUtf8::new(head.as_slice(), encoding).read_to_end(&mut text)?;
    let text = if ended { text.as_slice() } else { whole_lines(&text) };
    let (dialect, mut shape) = dialect::find(text)?.ok_or(LookError::Empty)?;
    if shape.fields > COLUMNS_MAX {
        return Err(LookError::TooManyColumns { columns: shape.fields, delimiter: shape.separation.name() });
    }
    let first = first_rows(text, dialect)?;
    let names = if shape.separation == Separation::FixedWidth {
        names::of_records(shape.fields)
    } else {
        names::find(&first, shape.fields)
    };
    let whole = ended || options.whole;
    let counts = if options.whole && !ended {
        Counts::of(AsUtf8::new(head.as_slice().chain(source), encoding), dialect, &names, &shape)?
    } else {
        Counts::of(text, dialect, &names, &shape)?
    };
    // imports turn UTF-16 into UTF-8 before they read rows
    let readable = if encoding_found.name.starts_with("utf-16") {
        text
    } else if ended {
        head.as_slice()
    } else {
        whole_lines(&head)
    };
    shape.row_lines = shape.row_lines.max(counts.row_lines);
    Ok(put_together(name, known, Found { encoding_found, shape, names, counts, readable, whole, ended }))
}

/// What was found, before it is told.
struct Found<'a> {
    encoding_found: EncodingFound,
    shape: Shape,
    names: Names,
    counts: Counts,
    /// The head as layouts read it.
    readable: &'a [u8],
    /// Whether all rows were counted.
    whole: bool,
    /// Whether the head is the whole file.
    ended: bool,
}

fn put_together(name: &str, known: &[Layout], found: Found<'_>) -> Look {
    let Found { encoding_found: mut encoding, shape, names, counts, readable, whole, ended } = found;
    let Names { found: mut header, names, given, .. } = names;
    header.repeated_on.clone_from(&counts.repeated_on);
    encoding.examples = counts.beyond_ascii();
    let at = Beginning { name, readable, ended };
    let proposed = match shape.separation {
        Separation::FixedWidth => by_place(at, &encoding, &shape),
        Separation::None => Err(notes::NOT_SEPARATED.to_owned()),
        _ if header.present => propose(at, &encoding, &shape, &counts.columns),
        Separation::Comma | Separation::Tab | Separation::Pipe | Separation::Semicolon => {
            unnamed::propose(name, &encoding, &shape, &counts.columns, None)
                .and_then(|unnamed| at.read_back(unnamed.draft, unnamed.parts))
        }
    };
    let (proposal, none) = match proposed {
        Ok(proposal) => (Some(proposal), None),
        Err(why) => (None, Some(why)),
    };
    let mut look = Look {
        name: name.to_owned(),
        bytes: counts.bytes.max(readable.len() as u64),
        whole,
        sample: counts.sample(),
        columns: counts.columns.iter().map(Column::found).collect(),
        layouts: fit::fits(
            &fit::Against {
                head: readable,
                whole: ended,
                name,
                names: header.present.then_some(names.as_slice()),
                fixed: shape.separation == Separation::FixedWidth,
            },
            known,
        ),
        rows: counts.rows,
        encoding,
        shape,
        header,
        proposal,
        notes: Vec::new(),
    };
    look.notes = notes::of(&look, given, memchr::memchr_iter(0, readable).count(), none);
    look
}

/// The beginning of a file, as layouts read it.
#[derive(Clone, Copy)]
struct Beginning<'a> {
    name: &'a str,
    readable: &'a [u8],
    /// Whether it is the whole file.
    ended: bool,
}

impl Beginning<'_> {
    /// How it is read by a draft, or why not.
    fn read_by(self, toml: &str) -> Result<Reading, String> {
        let layout = Layout::from_toml(toml).map_err(|error| error.to_string())?;
        fit::reading_of(self.readable, &layout, self.name, self.ended).map_err(|why| match why {
            NotRead::Refused(refusal) => refusal.words,
            NotRead::Source(error) => error.to_string(),
        })
    }

    /// A draft that was guessed from values: proposed only if it reads rows.
    fn read_back(self, draft: draft::Draft, parts: Vec<ProposedPart>) -> Result<Proposal, String> {
        match self.read_by(&draft.toml) {
            Ok(reading) if reading.entries > 0 => Ok(Proposal {
                layout: draft.toml,
                parts,
                reading: Some(reading),
                refusal: None,
                open: draft.open,
            }),
            Ok(_) | Err(_) => Err(notes::NOT_READ_BACK.to_owned()),
        }
    }
}

/// A layout by the names of the columns.
fn propose(
    at: Beginning<'_>,
    encoding: &EncodingFound,
    shape: &Shape,
    columns: &[Column],
) -> Result<Proposal, String> {
    let choice = proposal::choose(columns).ok_or(notes::NO_PARCEL)?;
    let draft = draft::write(at.name, encoding, shape, &choice);
    let (reading, refusal) = match at.read_by(&draft.toml) {
        Ok(reading) => (Some(reading), None),
        Err(why) => (None, Some(why)),
    };
    Ok(Proposal { layout: draft.toml, parts: choice.parts, reading, refusal, open: draft.open })
}

/// A layout by the places between which blanks stand.
fn by_place(at: Beginning<'_>, encoding: &EncodingFound, shape: &Shape) -> Result<Proposal, String> {
    let (records, columns) = fixed::find(at.readable)?;
    let unnamed = unnamed::propose(at.name, encoding, shape, &columns, Some(&records))?;
    let mut proposal = at.read_back(unnamed.draft, unnamed.parts)?;
    if let Some(reading) = &mut proposal.reading {
        reading.hide_values();
    }
    Ok(proposal)
}

impl Look {
    /// Reads the whole file by the proposed layout and by the known one that fits best, in place of its beginning.
    /// `again` opens the file anew; `scratch` is a folder for what is sorted beyond memory, where nothing stays.
    pub fn read_whole<R: Read + Send + 'static>(
        &mut self,
        known: &[Layout],
        scratch: &Path,
        mut again: impl FnMut() -> io::Result<R>,
    ) -> Result<(), LookError> {
        let utf_16 = match self.encoding.name.as_str() {
            "utf-16le" => Some(UTF_16LE),
            "utf-16be" => Some(UTF_16BE),
            _ => None,
        };
        let file = fit::File { name: &self.name, scratch };
        let fixed = self.shape.separation == Separation::FixedWidth;
        let mut read = |layout: &Layout| {
            let source = again()?;
            let found = match utf_16 {
                Some(encoding) => fit::reading(AsUtf8::new(source, encoding), layout, file, true),
                None => fit::reading(source, layout, file, true),
            };
            match found {
                Ok(mut reading) => {
                    if fixed {
                        reading.hide_values();
                    }
                    Ok(Some(reading))
                }
                Err(NotRead::Source(error)) => Err(error),
                Err(NotRead::Refused(_)) => Ok(None),
            }
        };
        if let Some(proposal) = &mut self.proposal
            && proposal.reading.as_ref().is_some_and(|reading| !reading.whole)
            && let Ok(layout) = Layout::from_toml(&proposal.layout)
            && let Some(reading) = read(&layout)?
        {
            proposal.reading = Some(reading);
        }
        if let Some(fit) = self.layouts.first_mut()
            && fit.reading.as_ref().is_some_and(|reading| !reading.whole)
            && let Some(layout) = known.iter().find(|layout| layout.id == fit.id)
            && let Some(reading) = read(layout)?
        {
            fit.reading = Some(reading);
        }
        Ok(())
    }
}

/// The schema of a look, as programs get it.
#[must_use]
pub fn schema() -> serde_json::Value {
    let mut schema: serde_json::Value = schemars::schema_for!(Look).into();
    // beside other schemas the names of the parts must say whose they are
    if let Some(definitions) = schema.get_mut("$defs").and_then(serde_json::Value::as_object_mut) {
        *definitions = std::mem::take(definitions)
            .into_iter()
            .map(|(name, part)| (format!("Look{name}"), part))
            .collect();
    }
    refer(&mut schema);
    schema
}

fn refer(schema: &mut serde_json::Value) {
    match schema {
        serde_json::Value::Object(object) => {
            if let Some(serde_json::Value::String(reference)) = object.get_mut("$ref") {
                *reference = reference.replace("#/$defs/", "#/$defs/Look");
            }
            object.values_mut().for_each(refer);
        }
        serde_json::Value::Array(items) => items.iter_mut().for_each(refer),
        serde_json::Value::Null
        | serde_json::Value::Bool(_)
        | serde_json::Value::Number(_)
        | serde_json::Value::String(_) => {}
    }
}

/// A text up to its last line end: a row that was cut off would be counted as a wrong one.
fn whole_lines(text: &[u8]) -> &[u8] {
    memchr::memrchr2(b'\n', b'\r', text).and_then(|end| text.get(..=end)).unwrap_or(text)
}

fn first_rows(text: &[u8], dialect: Dialect) -> io::Result<Vec<FirstRow>> {
    let mut framer = Framer::new(text, dialect)?;
    let mut rows = Vec::new();
    while rows.len() < FIRST_ROWS {
        let Some(frame) = framer.next_frame()? else { break };
        let fields = framer.fields(&frame);
        let fields = (0..fields.ends.len()).map(|place| {
            String::from_utf8_lossy(fields.text.get(fields.range(place)).unwrap_or_default()).into_owned()
        });
        rows.push(FirstRow { line: frame.line, fields: fields.collect() });
        framer.advance(&frame);
    }
    Ok(rows)
}

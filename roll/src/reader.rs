//! The reader of a roll: bytes in, one entry or one reject per row out.

use crate::decoding::{Decoded, decode, windows_1252};
use crate::entry::{Entry, Reason, Reject};
use crate::framing::{Dialect, Fields, Frame, Framer, Shape, Unclosed};
use crate::header::{self, Header, HeaderError};
use crate::layout::{Encoding, Layout};
use crate::limits::{BATCH_BYTES_MAX, COLUMNS_MAX, REJECT_BYTES_KEPT, ROW_BYTES_MAX};
use crate::mapping::{Fault, Mapping, Position, Scratch, name};
use memchr::memchr;
use std::collections::BTreeMap;
use std::io::{self, Read};
use xxhash_rust::xxh3::xxh3_64;

/// One row of a roll.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Row {
    /// It could be read.
    Entry(Entry),
    /// It could not.
    Reject(Reject),
}

/// Rows read together.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Batch {
    /// The rows that could be read, in the file's order.
    pub entries: Vec<Entry>,
    /// The rows that could not, in the file's order.
    pub rejects: Vec<Reject>,
    /// Bytes of the file gone past so far, from its start: what progress is measured by.
    pub bytes_read: u64,
}

impl Batch {
    /// How many rows the batch holds.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.entries.len() + self.rejects.len()
    }
}

/// What was read from one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Summary {
    /// Rows, the header and blank lines left out.
    pub rows_total: u64,
    /// Rows that could be read.
    pub entries: u64,
    /// Rows that could not, by reason; reasons that did not occur are left out.
    pub rejects: BTreeMap<Reason, u64>,
    /// Bytes of the file.
    pub bytes: u64,
    /// Physical lines of the file, the header and blank ones included.
    pub lines: u64,
    /// SHA-256 of the bytes of the file, in hex.
    pub sha256: String,
}

impl Summary {
    /// Rows that could not be read.
    #[must_use]
    pub fn rejects_total(&self) -> u64 {
        self.rejects.values().sum()
    }
}

/// A byte that no published line has in it.
const UNIT_SEPARATOR: u8 = 0x1F;

/// Where the columns of a table's file are named.
#[derive(Debug, Clone)]
pub(crate) enum Columns<'a> {
    /// On a line of the file.
    Header { line: u32 },
    /// In the layout, in order.
    Declared(&'a [String]),
    /// In the layout, by position.
    Fixed(Vec<String>),
}

/// Which texts of a row are asked for.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cut {
    /// Places in the header.
    pub(crate) places: Vec<usize>,
    /// The first and the last position of every field of a line of fixed width.
    pub(crate) fixed: Option<Vec<(usize, usize)>>,
    /// The length of such a line.
    pub(crate) record_length: Option<usize>,
}

/// Reads a roll row by row.
///
/// Memory is bounded by [`crate::limits`] whatever the file holds; see [`RollReader::buffer_capacity`].
#[derive(Debug)]
pub struct RollReader<R> {
    pub(crate) framer: Framer<R>,
    header: Header,
    mapping: Mapping,
    encoding: Encoding,
    delimiter: u8,
    row_lines_max: u32,
    decoded: Decoded,
    pub(crate) scratch: Scratch,
    entries: u64,
    rejects: BTreeMap<Reason, u64>,
}

impl<R: Read> RollReader<R> {
    /// Reads the header and finds the layout's columns in it. A file with a header and no rows is no error.
    pub fn new(source: R, layout: &Layout) -> Result<Self, HeaderError> {
        let dialect = Dialect {
            delimiter: layout.file.delimiter,
            quote: layout.file.quote,
            row_lines_max: layout.file.row_lines_max,
        };
        let mut framer = Framer::new(source, dialect).map_err(HeaderError::Read)?;
        let opening = framer.opening(4).map_err(HeaderError::Read)?;
        let mark_length = header::mark_length(opening, layout)?;
        framer.skip_mark(mark_length);
        let header = read_header(&mut framer, layout.file.encoding)?;
        let mapping = Mapping::new(layout, &header)?;
        framer.expect_columns(header.names.len());
        Ok(Self {
            framer,
            header,
            mapping,
            encoding: layout.file.encoding,
            delimiter: layout.file.delimiter,
            row_lines_max: layout.file.row_lines_max,
            decoded: Decoded::default(),
            scratch: Scratch::default(),
            entries: 0,
            rejects: BTreeMap::new(),
        })
    }

    /// Opens a file of a table, for texts and not for entries: see [`RollReader::next_mapped`]. `layout` is the table's
    /// own, with its way of writing.
    pub(crate) fn bare(source: R, layout: &Layout, columns: &Columns<'_>) -> Result<Self, HeaderError> {
        let fixed = matches!(columns, Columns::Fixed(_));
        let dialect = Dialect {
            // a line of fixed width has no fields to be found
            delimiter: if fixed { UNIT_SEPARATOR } else { layout.file.delimiter },
            quote: layout.file.quote.filter(|_| !fixed),
            row_lines_max: layout.file.row_lines_max,
        };
        let mut framer = Framer::new(source, dialect).map_err(HeaderError::Read)?;
        let opening = framer.opening(4).map_err(HeaderError::Read)?;
        let mark_length = header::mark_length(opening, layout)?;
        framer.skip_mark(mark_length);
        let declared = |names: &[String]| Header {
            names: names.to_vec(),
            line: 0,
            byte_start: mark_length as u64,
            byte_length: 0,
        };
        let header = match columns {
            Columns::Header { line } => {
                pass_over(&mut framer, *line)?;
                read_header(&mut framer, layout.file.encoding)?
            }
            Columns::Declared(names) => declared(names),
            Columns::Fixed(names) => declared(names),
        };
        if !fixed {
            framer.expect_columns(header.names.len());
        }
        Ok(Self {
            framer,
            mapping: Mapping::none(layout)?,
            header,
            encoding: layout.file.encoding,
            delimiter: layout.file.delimiter,
            row_lines_max: layout.file.row_lines_max,
            decoded: Decoded::default(),
            scratch: Scratch::default(),
            entries: 0,
            rejects: BTreeMap::new(),
        })
    }

    /// The next row as what `map` makes of its texts at the places of the cut, without the blanks around them; `None`
    /// at the end.
    pub(crate) fn next_mapped<T>(
        &mut self,
        cut: &Cut,
        texts: &mut Vec<String>,
        map: impl FnOnce(&[String], Position) -> Result<T, Fault>,
    ) -> io::Result<Option<Result<T, Reject>>> {
        let Some(frame) = self.framer.next_frame()? else { return Ok(None) };
        // A row is at most ROW_BYTES_MAX long.
        let byte_length = u32::try_from(frame.byte_length).unwrap_or(u32::MAX);
        let position = Position { line: frame.line, byte_start: frame.byte_start, byte_length };
        let mapped = self.texts(&frame, cut, texts).and_then(|()| map(texts, position));
        let row = match mapped {
            Ok(mapped) => {
                self.entries += 1;
                Ok(mapped)
            }
            Err(fault) => {
                *self.rejects.entry(fault.reason).or_default() += 1;
                Err(self.reject(&frame, fault))
            }
        };
        self.framer.advance(&frame);
        Ok(Some(row))
    }

    fn texts(&mut self, frame: &Frame, cut: &Cut, into: &mut Vec<String>) -> Result<(), Fault> {
        let columns = self.header.names.len();
        match frame.shape {
            Shape::Unclosed(unclosed) => return Err(self.unclosed(frame, unclosed)),
            Shape::TooLong => return Err(too_long(frame)),
            Shape::Plain { fields } | Shape::Quoted { fields, .. }
                if cut.fixed.is_none() && fields != columns =>
            {
                return Err(self.wrong_column_count(frame, fields));
            }
            Shape::Quoted { fault: Some(place), .. } if cut.places.contains(&place) => {
                return Err(self.text_behind_quote(place));
            }
            Shape::Plain { .. } | Shape::Quoted { .. } => {}
        }
        let raw = self.framer.raw(frame);
        if let Some(at) = memchr(0, raw) {
            return Err(self.nul(frame, at));
        }
        into.clear();
        let Some(fixed) = &cut.fixed else {
            let fields = self.framer.fields(frame);
            let text = decode(fields, self.encoding, &mut self.decoded);
            let failed = match text {
                Ok(text) => {
                    into.extend(cut.places.iter().map(|place| text.get(*place).to_owned()));
                    return Ok(());
                }
                Err(at) => fields.at(at),
            };
            return Err(self.invalid_encoding(frame, failed));
        };
        if let Some(length) = cut.record_length.filter(|length| *length != raw.len()) {
            return Err(wrong_length(raw.len(), length));
        }
        for place in &cut.places {
            let (from, to) = fixed.get(*place).copied().unwrap_or((1, 0));
            // a line may be shorter where no length is declared: its last fields are blank
            let bytes = raw.get(from.saturating_sub(1)..to.min(raw.len())).unwrap_or_default();
            let fields = Fields { text: bytes, ends: &[bytes.len()], gap: 0, quoted: false };
            match decode(fields, self.encoding, &mut self.decoded) {
                Ok(text) => into.push(text.get(0).to_owned()),
                Err(_) => return Err(self.invalid_encoding(frame, *place)),
            }
        }
        Ok(())
    }

    /// The header of the file.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Bytes of the file gone past so far.
    pub fn bytes_read(&self) -> u64 {
        self.framer.bytes()
    }

    /// Bytes that the reader's buffers hold, whatever is in them.
    pub fn buffer_capacity(&self) -> usize {
        self.framer.capacity() + self.decoded.capacity() + self.scratch.capacity()
    }

    /// The next row, or `None` at the end of the file.
    pub fn next_row(&mut self) -> io::Result<Option<Row>> {
        let Some(frame) = self.framer.next_frame()? else { return Ok(None) };
        Ok(Some(self.row_of(&frame)))
    }

    /// A number that says which columns the file has, in their order.
    #[must_use]
    pub fn header_mark(&self) -> u64 {
        xxh3_64(self.header.names.join("\0").as_bytes())
    }

    /// Goes past a row that is known.
    pub(crate) fn pass(&mut self, bytes: usize, lines: u16) {
        self.entries += 1;
        self.framer.pass(bytes, u32::from(lines));
    }

    /// Goes past a row that turned out to be known.
    pub(crate) fn pass_frame(&mut self, frame: &Frame) {
        self.entries += 1;
        self.framer.advance(frame);
    }

    /// What a row is; the reader goes on behind it.
    pub(crate) fn row_of(&mut self, frame: &Frame) -> Row {
        let columns = self.header.names.len();
        let row = match frame.shape {
            Shape::Plain { fields } | Shape::Quoted { fields, .. } if fields != columns => {
                Err(self.wrong_column_count(frame, fields))
            }
            Shape::Quoted { fault: Some(place), .. } if self.mapping.reads(place) => {
                Err(self.text_behind_quote(place))
            }
            Shape::Plain { .. } | Shape::Quoted { .. } => self.entry(frame),
            Shape::Unclosed(unclosed) => Err(self.unclosed(frame, unclosed)),
            Shape::TooLong => Err(too_long(frame)),
        };
        let row = match row {
            Ok(entry) => {
                self.entries += 1;
                Row::Entry(entry)
            }
            Err(fault) => {
                *self.rejects.entry(fault.reason).or_default() += 1;
                Row::Reject(self.reject(frame, fault))
            }
        };
        self.framer.advance(frame);
        row
    }

    /// The fields of the next row as they stand, in the header's order, mapped or not; `None` at the end. Nothing is
    /// counted.
    ///
    /// # Errors
    /// Of the source; `InvalidData` where the row cannot be taken apart.
    pub(crate) fn next_fields(&mut self) -> io::Result<Option<Vec<String>>> {
        let Some(frame) = self.framer.next_frame()? else { return Ok(None) };
        let columns = self.header.names.len();
        let fault = match frame.shape {
            Shape::Plain { fields } | Shape::Quoted { fields, .. } if fields != columns => {
                Some(self.wrong_column_count(&frame, fields))
            }
            Shape::Plain { .. } | Shape::Quoted { .. } => None,
            Shape::Unclosed(unclosed) => Some(self.unclosed(&frame, unclosed)),
            Shape::TooLong => Some(too_long(&frame)),
        };
        let invalid = |detail: String| io::Error::new(io::ErrorKind::InvalidData, detail);
        if let Some(fault) = fault {
            return Err(invalid(fault.detail));
        }
        let fields = self.framer.fields(&frame);
        let fields = match decode(fields, self.encoding, &mut self.decoded) {
            Ok(text) => (0..columns).map(|place| text.whole(place).to_owned()).collect(),
            Err(at) => {
                let place = fields.at(at);
                return Err(invalid(self.invalid_encoding(&frame, place).detail));
            }
        };
        self.framer.advance(&frame);
        Ok(Some(fields))
    }

    /// The fields of the next row as bytes without their quotes, whether or not they are text; `None` at the end, and
    /// where the row cannot be taken apart into as many fields as the header has. Nothing is counted.
    pub(crate) fn next_raw_fields(&mut self) -> io::Result<Option<Vec<Vec<u8>>>> {
        let Some(frame) = self.framer.next_frame()? else { return Ok(None) };
        let columns = self.header.names.len();
        let whole = match frame.shape {
            Shape::Plain { fields } | Shape::Quoted { fields, .. } => fields == columns,
            Shape::Unclosed(_) | Shape::TooLong => false,
        };
        if !whole {
            return Ok(None);
        }
        let fields = self.framer.fields(&frame);
        let bytes = |place| fields.text.get(fields.range(place)).unwrap_or_default().to_vec();
        let fields = (0..columns).map(bytes).collect();
        self.framer.advance(&frame);
        Ok(Some(fields))
    }

    /// Fills the batch with the next rows, at most `rows_max` of them and not many more than
    /// [`BATCH_BYTES_MAX`] bytes. What it held before is dropped, the texts in it are used again. False at the end of the file, when there was
    /// nothing to put in it.
    pub fn next_batch(&mut self, batch: &mut Batch, rows_max: usize) -> io::Result<bool> {
        self.scratch.take_back(&mut batch.entries);
        batch.rejects.clear();
        let begun = self.bytes_read();
        while batch.rows() < rows_max && self.bytes_read() - begun < BATCH_BYTES_MAX {
            match self.next_row()? {
                Some(Row::Entry(entry)) => batch.entries.push(entry),
                Some(Row::Reject(reject)) => batch.rejects.push(reject),
                None => break,
            }
        }
        batch.bytes_read = self.bytes_read();
        Ok(batch.rows() > 0)
    }

    /// Ends the reading. Rows not asked for yet are read and counted too, so that the figures and the hash are
    /// always those of the whole file.
    pub fn finish(mut self) -> io::Result<Summary> {
        while self.next_row()?.is_some() {}
        let rejects_total: u64 = self.rejects.values().sum();
        Ok(Summary {
            rows_total: self.entries + rejects_total,
            entries: self.entries,
            rejects: self.rejects,
            bytes: self.framer.bytes(),
            lines: self.framer.lines(),
            sha256: self.framer.finish()?,
        })
    }

    /// What has not been read of the source.
    pub(crate) fn into_source(self) -> R {
        self.framer.into_source()
    }

    fn entry(&mut self, frame: &Frame) -> Result<Entry, Fault> {
        let raw = self.framer.raw(frame);
        if let Some(at) = memchr(0, raw) {
            return Err(self.nul(frame, at));
        }
        let fields = self.framer.fields(frame);
        let text = match decode(fields, self.encoding, &mut self.decoded) {
            Ok(text) => text,
            Err(at) => {
                let place = fields.at(at);
                return Err(self.invalid_encoding(frame, place));
            }
        };
        // A row is at most ROW_BYTES_MAX long.
        let byte_length = u32::try_from(frame.byte_length).unwrap_or(u32::MAX);
        let position = Position { line: frame.line, byte_start: frame.byte_start, byte_length };
        self.mapping.entry(&text, position, &self.header, &mut self.scratch)
    }

    fn reject(&self, frame: &Frame, fault: Fault) -> Reject {
        let raw = self.framer.raw(frame);
        Reject {
            line: frame.line,
            byte_start: frame.byte_start,
            byte_length: frame.byte_length,
            column: fault.place.map(|place| name(&self.header, place).to_owned()),
            reason: fault.reason,
            detail: fault.detail,
            raw: raw.get(..REJECT_BYTES_KEPT).unwrap_or(raw).to_vec(),
        }
    }

    fn wrong_column_count(&self, frame: &Frame, fields: usize) -> Fault {
        let columns = self.header.names.len();
        let hint = if self.framer.raw(frame).iter().all(|byte| *byte == 0) {
            "the line is nothing but NUL bytes, with which an export was filled up or overwritten: cut them off"
        } else if fields < columns {
            "a line break inside a field without quotes or a row cut short is likely, correct it at the source"
        } else if thousands_likely(self.framer.raw(frame), self.delimiter) {
            "a separator of thousands in a number without quotes is likely, the publisher must quote the number"
        } else {
            "a delimiter inside a field without quotes is likely, the publisher must quote the field"
        };
        let detail = format!("found {fields} fields, the header has {columns}: {hint}");
        Fault { reason: Reason::WrongColumnCount, place: None, detail }
    }

    fn text_behind_quote(&self, place: usize) -> Fault {
        let detail = format!(
            "in {} text follows the closing quote: a quote inside a quoted field must be doubled",
            name(&self.header, place)
        );
        Fault { reason: Reason::UnclosedQuote, place: Some(place), detail }
    }

    fn unclosed(&self, frame: &Frame, unclosed: Unclosed) -> Fault {
        let what = match unclosed {
            Unclosed::FileEnds => "does not close before the file ends".to_owned(),
            Unclosed::TooManyLines if self.row_lines_max == 1 => "does not close on the line".to_owned(),
            Unclosed::TooManyLines => format!("does not close within {} lines", self.row_lines_max),
            Unclosed::TooManyBytes => format!("does not close within {ROW_BYTES_MAX} bytes"),
            Unclosed::TextFollows => "closes on a later line with text behind it".to_owned(),
            Unclosed::WrongColumnCount { fields } => format!(
                "closes on a later line and makes a row of {fields} fields, the header has {}",
                self.header.names.len()
            ),
        };
        let detail = format!(
            "a quote opens on line {} and {what}: close it, double it if it belongs to the text, or set \
             quote = \"\" if the file does not quote; reading goes on at the next line",
            frame.line
        );
        Fault { reason: Reason::UnclosedQuote, place: None, detail }
    }

    fn nul(&self, frame: &Frame, at: usize) -> Fault {
        let place = self.place_of(frame, 0);
        let detail = format!(
            "a NUL byte in {} at byte {} of the file: the file is damaged or was not exported as text, export it \
             again",
            name(&self.header, place),
            frame.byte_start + at as u64
        );
        Fault { reason: Reason::NulByte, place: Some(place), detail }
    }

    fn invalid_encoding(&self, frame: &Frame, place: usize) -> Fault {
        let at = first_invalid(self.framer.raw(frame), self.encoding);
        let (name, byte) = (name(&self.header, place), frame.byte_start + at as u64);
        let detail = if half_a_character(self.framer.raw(frame).get(at..).unwrap_or_default(), self.encoding)
        {
            format!(
                "{name} holds half of a character at byte {byte} of the text (a lone surrogate of UTF-16): it is \
                 damaged at the source, correct it there"
            )
        } else {
            format!(
                "{name} is not valid {} at byte {byte} of the file: {}",
                self.encoding.name(),
                encoding_mend(self.encoding)
            )
        };
        Fault { reason: Reason::InvalidEncoding, place: Some(place), detail }
    }

    /// The place of the column in which a byte first occurs.
    fn place_of(&self, frame: &Frame, byte: u8) -> usize {
        let fields = self.framer.fields(frame);
        memchr(byte, fields.text).map_or(0, |at| fields.at(at))
    }
}

/// Goes past the lines above the header.
fn pass_over<R: Read>(framer: &mut Framer<R>, header_line: u32) -> Result<(), HeaderError> {
    while let Some(frame) = framer.next_frame().map_err(HeaderError::Read)? {
        if frame.line >= u64::from(header_line) {
            break;
        }
        framer.advance(&frame);
    }
    Ok(())
}

fn wrong_length(found: usize, declared: usize) -> Fault {
    let detail = format!(
        "a line of {found} bytes, the layout says {declared}: the positions of its fields cannot be trusted, ask for the \
         file again or correct record_length"
    );
    Fault { reason: Reason::WrongColumnCount, place: None, detail }
}

fn read_header<R: Read>(framer: &mut Framer<R>, encoding: Encoding) -> Result<Header, HeaderError> {
    let frame = framer.next_frame().map_err(HeaderError::Read)?.ok_or(HeaderError::Empty)?;
    let line = frame.line;
    header::check_length(line, frame.byte_length)?;
    match frame.shape {
        Shape::Plain { fields } | Shape::Quoted { fields, .. } if fields > COLUMNS_MAX => {
            return Err(HeaderError::TooManyColumns { line, found: fields });
        }
        Shape::Unclosed(_) => return Err(HeaderError::UnclosedQuote { line }),
        // Longer than any header, so refused above.
        Shape::TooLong | Shape::Plain { .. } | Shape::Quoted { .. } => {}
    }
    if memchr(0, framer.raw(&frame)).is_some() {
        return Err(HeaderError::Nul { line });
    }
    let fields = framer.fields(&frame);
    let mut decoded = Decoded::default();
    let text = decode(fields, encoding, &mut decoded).map_err(|_| HeaderError::Encoding {
        line,
        byte: frame.byte_start + first_invalid(framer.raw(&frame), encoding) as u64,
        encoding: encoding.name(),
        mend: encoding_mend(encoding),
    })?;
    let names = (0..fields.ends.len()).map(|place| text.get(place).to_owned()).collect();
    let header = Header { names, line, byte_start: frame.byte_start, byte_length: frame.byte_length };
    framer.advance(&frame);
    Ok(header)
}

fn too_long(frame: &Frame) -> Fault {
    let detail = format!(
        "a line of {} bytes, the most is {ROW_BYTES_MAX}: the file has lost its line ends here or is damaged, \
         export it again",
        frame.byte_length
    );
    Fault { reason: Reason::RowTooLong, place: None, detail }
}

fn encoding_mend(encoding: Encoding) -> &'static str {
    match encoding {
        Encoding::Utf8 => {
            "set encoding = \"windows-1252\" if the file is in that, or export it again as UTF-8"
        }
        Encoding::Windows1252 => {
            "the byte stands for no character there, set encoding = \"utf-8\" or export it again"
        }
    }
}

/// Whether a surrogate stands here as if it were a character.
fn half_a_character(at: &[u8], encoding: Encoding) -> bool {
    encoding == Encoding::Utf8 && matches!(at, [0xED, 0xA0..=0xBF, 0x80..=0xBF, ..])
}

/// The first byte of a row that is not valid in its encoding.
fn first_invalid(raw: &[u8], encoding: Encoding) -> usize {
    match encoding {
        Encoding::Utf8 => std::str::from_utf8(raw).map_or_else(|error| error.valid_up_to(), str::len),
        Encoding::Windows1252 => raw.iter().take_while(|byte| windows_1252(**byte)).count(),
    }
}

/// Whether a row cut at its commas has one to three digits with three digits behind them.
fn thousands_likely(raw: &[u8], delimiter: u8) -> bool {
    if delimiter != b',' {
        return false;
    }
    let digits = |field: &[u8]| field.trim_ascii().iter().all(u8::is_ascii_digit);
    let mut before: &[u8] = b"";
    for field in raw.split(|byte| *byte == delimiter) {
        let leading = matches!(before.trim_ascii(), [b'1'..=b'9'] | [b'1'..=b'9', _] | [b'1'..=b'9', _, _]);
        if leading && digits(before) && field.len() == 3 && digits(field) {
            return true;
        }
        before = field;
    }
    false
}

//! Cuts the bytes of a file into rows, with the exact line and byte range of each.
//!
//! The physical line comes first: it ends at LF, CRLF or a lone CR. A line without a quote is a row and is
//! split at its delimiters where it lies. A line in which every quoted field ends on it, as nearly all, is split as
//! quickly; any other goes through the state machine of `csv_core`, which says whether the row ends there or goes on
//! because a quote is open. A row that goes on for too long,
//! or that turns out malformed after several lines, gives back all lines but its first, so that an unclosed
//! quote costs one line and not the rest of the file.

mod split;

use self::split::{Ends, split, split_quoted};
use crate::digest::RunningDigest;
use crate::limits::{BUFFER_BYTES_MAX, COLUMNS_MAX, READ_BYTES, REJECT_BYTES_KEPT, ROW_BYTES_MAX};
use crate::lines::plain_beginning;
use memchr::{memchr, memchr2};
use std::io::{self, ErrorKind, Read};
use xxhash_rust::xxh3::xxh3_64;

/// The byte with which old systems marked the end of a text file.
const END_OF_FILE_MARK: u8 = 0x1A;

/// How a file writes its rows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dialect {
    pub(crate) delimiter: u8,
    pub(crate) quote: Option<u8>,
    pub(crate) row_lines_max: u32,
}

/// One row and where it stands.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    pub(crate) line: u64,
    pub(crate) byte_start: u64,
    /// Without the line end.
    pub(crate) byte_length: u64,
    pub(crate) shape: Shape,
    lines: u32,
    consumed: usize,
}

impl Frame {
    /// Physical lines of the row.
    pub(crate) fn lines(&self) -> u32 {
        self.lines
    }
}

/// What kind of row was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// No quote in it.
    Plain { fields: usize },
    /// With quotes. `fault` is the first field in which text follows the closing quote.
    Quoted { fields: usize, fault: Option<usize> },
    /// A quote opens on this line and does not close as it should.
    Unclosed(Unclosed),
    /// Beyond [`ROW_BYTES_MAX`]; only its beginning is at hand.
    TooLong,
}

/// How it was seen that a quote does not close.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unclosed {
    /// The file ended first.
    FileEnds,
    /// The row went beyond the lines that the layout allows.
    TooManyLines,
    /// The row went beyond [`ROW_BYTES_MAX`].
    TooManyBytes,
    /// It closed on a later line, with text behind it.
    TextFollows,
    /// It closed on a later line, and the row then had so many fields.
    WrongColumnCount { fields: usize },
}

/// The fields of a row: where each ends in `text`, and how many bytes lie between one and the next. Fields of a quoted row
/// may hold the delimiter.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fields<'a> {
    pub(crate) text: &'a [u8],
    pub(crate) ends: &'a [usize],
    pub(crate) gap: usize,
    pub(crate) quoted: bool,
}

/// A physical line, as offsets from the start of the row.
#[derive(Debug, Clone, Copy)]
struct Line {
    end: usize,
    next: usize,
    terminated: bool,
}

enum LineAhead {
    Found(Line),
    TooLong,
    None,
}

/// Reads a source and cuts it into rows.
#[derive(Debug)]
pub(crate) struct Framer<R> {
    source: R,
    source_ended: bool,
    digest: RunningDigest,
    dialect: Dialect,
    /// The row at hand begins at `start`; what has been read ends at `filled`.
    buffer: Vec<u8>,
    start: usize,
    filled: usize,
    /// Of the byte at `start`, in the file.
    offset: u64,
    line: u64,
    machine: csv_core::Reader,
    /// A quoted row without its quotes, or the beginning of one that is too long.
    unquoted: Vec<u8>,
    unquoted_length: usize,
    /// Bytes between two fields of it.
    unquoted_gap: usize,
    ends: Vec<usize>,
    columns: Option<usize>,
}

impl<R: Read> Framer<R> {
    pub(crate) fn new(source: R, dialect: Dialect) -> io::Result<Self> {
        let mut builder = csv_core::ReaderBuilder::new();
        builder.delimiter(dialect.delimiter);
        match dialect.quote {
            Some(quote) => builder.quote(quote),
            None => builder.quoting(false),
        };
        let mut framer = Self {
            source,
            source_ended: false,
            digest: RunningDigest::start()?,
            dialect,
            buffer: vec![0; 2 * READ_BYTES],
            start: 0,
            filled: 0,
            offset: 0,
            line: 1,
            machine: builder.build(),
            unquoted: Vec::new(),
            unquoted_length: 0,
            unquoted_gap: 0,
            ends: vec![0; COLUMNS_MAX + 1],
            columns: None,
        };
        framer.reset_machine();
        Ok(framer)
    }

    /// The first bytes of the file, at least `wanted` of them unless the file is shorter.
    pub(crate) fn opening(&mut self, wanted: usize) -> io::Result<&[u8]> {
        while self.ahead().len() < wanted && !self.source_ended {
            self.fill()?;
        }
        Ok(self.ahead())
    }

    /// Passes over bytes that belong to no line: a byte order mark.
    pub(crate) fn skip_mark(&mut self, bytes: usize) {
        self.consume(bytes, 0);
    }

    /// From here on a row has so many columns.
    pub(crate) fn expect_columns(&mut self, columns: usize) {
        self.columns = Some(columns);
        self.ends.truncate(columns);
    }

    /// The next row that is not blank. It stays at hand until [`Framer::advance`].
    pub(crate) fn next_frame(&mut self) -> io::Result<Option<Frame>> {
        loop {
            let line = match self.line_from(0)? {
                LineAhead::None => return Ok(None),
                LineAhead::TooLong => return self.too_long().map(Some),
                LineAhead::Found(line) => line,
            };
            if line.end == 0 || self.only_end_marks(line)? {
                self.consume(line.next, 1);
                continue;
            }
            let text = self.buffer.get(self.start..self.start + line.end).unwrap_or_default();
            let mut ends = Ends::new(&mut self.ends);
            let Some(quote) = self.dialect.quote.filter(|quote| memchr(*quote, text).is_some()) else {
                split(text, self.dialect.delimiter, 0, &mut ends);
                let fields = ends.fields();
                return Ok(Some(self.frame(line, 1, Shape::Plain { fields })));
            };
            self.unquoted.clear();
            if split_quoted(text, (self.dialect.delimiter, quote), &mut self.unquoted, &mut ends) {
                let fields = ends.fields();
                (self.unquoted_length, self.unquoted_gap) = (self.unquoted.len(), 1);
                return Ok(Some(self.frame(line, 1, Shape::Quoted { fields, fault: None })));
            }
            return self.quoted(line).map(Some);
        }
    }

    /// How many bytes a row of this length and hash takes with its line end, if it stands here. The last row of a file
    /// without a line end is left to [`Framer::next_frame`], which knows marks of the end of the file.
    pub(crate) fn stands(&mut self, length: usize, hash: u64) -> io::Result<Option<usize>> {
        while self.ahead().len() < length + 2 && !self.source_ended {
            self.fill()?;
        }
        let Some((row, behind)) = self.ahead().split_at_checked(length) else { return Ok(None) };
        let line_end = match behind {
            [b'\r', b'\n', ..] => 2,
            [b'\r' | b'\n', ..] => 1,
            [..] => return Ok(None),
        };
        Ok((plain_beginning(row) && xxh3_64(row) == hash).then_some(length + line_end))
    }

    /// xxh3-64 of a row's bytes; of one that is too long, of what is kept of it.
    pub(crate) fn hash(&self, frame: &Frame) -> u64 {
        xxh3_64(self.raw(frame))
    }

    /// Goes on behind a row that was not framed.
    pub(crate) fn pass(&mut self, bytes: usize, lines: u32) {
        self.consume(bytes, lines);
    }

    /// The row as published, or as much of it as is kept.
    pub(crate) fn raw(&self, frame: &Frame) -> &[u8] {
        if frame.shape == Shape::TooLong {
            return self.unquoted.get(..self.unquoted_length).unwrap_or_default();
        }
        let length = usize::try_from(frame.byte_length).unwrap_or(usize::MAX);
        self.ahead().get(..length).unwrap_or_default()
    }

    /// The fields of a row that has the right number of them.
    pub(crate) fn fields(&self, frame: &Frame) -> Fields<'_> {
        match frame.shape {
            Shape::Plain { fields } => {
                Fields { text: self.raw(frame), ends: self.ends_of(fields), gap: 1, quoted: false }
            }
            Shape::Quoted { fields, .. } => Fields {
                text: self.unquoted.get(..self.unquoted_length).unwrap_or_default(),
                ends: self.ends_of(fields),
                gap: self.unquoted_gap,
                quoted: true,
            },
            Shape::Unclosed(_) | Shape::TooLong => Fields { text: &[], ends: &[], gap: 0, quoted: false },
        }
    }

    /// Goes on behind this row.
    pub(crate) fn advance(&mut self, frame: &Frame) {
        self.consume(frame.consumed, frame.lines);
    }

    /// Bytes gone past so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.offset
    }

    /// Physical lines gone past so far.
    pub(crate) fn lines(&self) -> u64 {
        self.line - 1
    }

    /// Bytes the buffers hold, whatever is in them.
    pub(crate) fn capacity(&self) -> usize {
        self.buffer.capacity() + self.unquoted.capacity() + self.ends.capacity() * size_of::<usize>()
    }

    /// What has not been read of the source.
    pub(crate) fn into_source(self) -> R {
        self.source
    }

    /// SHA-256 of all bytes read, in hex.
    pub(crate) fn finish(self) -> io::Result<String> {
        self.digest.finish()
    }

    fn ahead(&self) -> &[u8] {
        self.buffer.get(self.start..self.filled).unwrap_or_default()
    }

    fn ends_of(&self, fields: usize) -> &[usize] {
        self.ends.get(..fields).unwrap_or(&self.ends)
    }

    fn consume(&mut self, bytes: usize, lines: u32) {
        self.start += bytes;
        self.offset += bytes as u64;
        self.line += u64::from(lines);
    }

    fn frame(&self, last_line: Line, lines: u32, shape: Shape) -> Frame {
        Frame {
            line: self.line,
            byte_start: self.offset,
            byte_length: last_line.end as u64,
            shape,
            lines,
            consumed: last_line.next,
        }
    }

    /// The physical line that begins `from` bytes after the start of the row.
    fn line_from(&mut self, from: usize) -> io::Result<LineAhead> {
        let mut searched = from;
        loop {
            let ahead = self.ahead();
            let unseen = ahead.get(searched..).unwrap_or_default();
            match memchr2(b'\n', b'\r', unseen) {
                Some(found) => {
                    let end = searched + found;
                    if end > ROW_BYTES_MAX {
                        return Ok(LineAhead::TooLong);
                    }
                    if ahead.get(end) == Some(&b'\n') {
                        return Ok(LineAhead::Found(Line { end, next: end + 1, terminated: true }));
                    }
                    match ahead.get(end + 1) {
                        None if !self.source_ended => searched = end,
                        after => {
                            let next = if after == Some(&b'\n') { end + 2 } else { end + 1 };
                            return Ok(LineAhead::Found(Line { end, next, terminated: true }));
                        }
                    }
                }
                None if ahead.len() > ROW_BYTES_MAX => return Ok(LineAhead::TooLong),
                None if self.source_ended => {
                    let next = ahead.len();
                    let text = ahead.get(from..).unwrap_or_default();
                    let marks = text.iter().rev().take_while(|byte| **byte == END_OF_FILE_MARK).count();
                    if from >= next {
                        return Ok(LineAhead::None);
                    }
                    let end = next.saturating_sub(marks).max(from);
                    return Ok(LineAhead::Found(Line { end, next, terminated: false }));
                }
                None => searched = ahead.len(),
            }
            self.fill()?;
        }
    }

    /// Whether this is the last line and holds nothing but marks of the end of the file.
    fn only_end_marks(&mut self, line: Line) -> io::Result<bool> {
        let text = self.ahead().get(..line.end).unwrap_or_default();
        if !text.iter().all(|byte| *byte == END_OF_FILE_MARK) {
            return Ok(false);
        }
        while self.ahead().len() <= line.next && !self.source_ended {
            self.fill()?;
        }
        Ok(self.ahead().len() <= line.next)
    }

    /// A row of which the first line has a quote in it.
    fn quoted(&mut self, first: Line) -> io::Result<Frame> {
        (self.unquoted_length, self.unquoted_gap) = (0, 0);
        let mut fields = 0;
        let mut from = 0;
        let mut lines = 1;
        let mut line = first;
        loop {
            if self.feed(from, line, &mut fields) {
                break;
            }
            let unclosed = if lines >= self.dialect.row_lines_max {
                Unclosed::TooManyLines
            } else {
                from = line.next;
                match self.line_from(from)? {
                    LineAhead::Found(next) => {
                        line = next;
                        lines += 1;
                        continue;
                    }
                    LineAhead::TooLong => Unclosed::TooManyBytes,
                    LineAhead::None => Unclosed::FileEnds,
                }
            };
            self.reset_machine();
            return Ok(self.frame(first, 1, Shape::Unclosed(unclosed)));
        }
        let raw = self.ahead().get(..line.end).unwrap_or_default();
        let fault = self.dialect.quote.and_then(|quote| quote_fault(raw, self.dialect.delimiter, quote));
        let unclosed = if lines == 1 {
            None
        } else if fault.is_some() {
            Some(Unclosed::TextFollows)
        } else if self.columns.is_some_and(|columns| columns != fields) {
            Some(Unclosed::WrongColumnCount { fields })
        } else {
            None
        };
        Ok(match unclosed {
            Some(unclosed) => self.frame(first, 1, Shape::Unclosed(unclosed)),
            None => self.frame(line, lines, Shape::Quoted { fields, fault }),
        })
    }

    /// Gives one physical line to the state machine; true if the row ends with it.
    fn feed(&mut self, from: usize, line: Line, fields: &mut usize) -> bool {
        let needed = self.unquoted_length + (line.next - from) + 2;
        if self.unquoted.len() < needed {
            self.unquoted.resize(needed, 0);
        }
        let last = if line.terminated { line.next } else { line.end };
        let range = self.start + from..self.start + last;
        let text = self.buffer.get(range).unwrap_or_default();
        let line_end: &[u8] = if line.terminated { b"" } else { b"\n" };
        for mut input in [text, line_end] {
            while !input.is_empty() {
                let mut spare = [0; 64];
                let ends = match self.ends.get_mut(*fields..) {
                    Some(ends) if !ends.is_empty() => ends,
                    Some(_) | None => &mut spare,
                };
                let output = self.unquoted.get_mut(self.unquoted_length..).unwrap_or_default();
                let (result, read, written, ended) = self.machine.read_record(input, output, ends);
                self.unquoted_length += written;
                *fields += ended;
                if result == csv_core::ReadRecordResult::Record {
                    return true;
                }
                input = input.get(read..).unwrap_or_default();
            }
        }
        false
    }

    /// Back to the start of a row. The blank line makes the machine forget that nothing was read, or it would
    /// cut a byte order mark from the middle of the file.
    fn reset_machine(&mut self) {
        self.machine.reset();
        self.machine.read_record(b"\n", &mut [0], &mut [0]);
    }

    /// Goes past a line that is too long, keeping its beginning.
    fn too_long(&mut self) -> io::Result<Frame> {
        let (line, byte_start) = (self.line, self.offset);
        let kept = self.ahead().get(..REJECT_BYTES_KEPT).unwrap_or_default().len();
        self.unquoted.resize(self.unquoted.len().max(kept), 0);
        let beginning = self.buffer.get(self.start..self.start + kept).unwrap_or_default();
        if let Some(room) = self.unquoted.get_mut(..kept) {
            room.copy_from_slice(beginning);
        }
        self.unquoted_length = kept;
        let byte_length = loop {
            let ahead = self.ahead();
            let found = memchr2(b'\n', b'\r', ahead);
            self.consume(found.unwrap_or(ahead.len()), 0);
            if found.is_some() || self.source_ended {
                break self.offset - byte_start;
            }
            self.fill()?;
        };
        while self.ahead().len() < 2 && !self.source_ended {
            self.fill()?;
        }
        let line_end = match self.ahead() {
            [b'\r', b'\n', ..] => 2,
            [_, ..] => 1,
            [] => 0,
        };
        self.consume(line_end, 1);
        Ok(Frame { line, byte_start, byte_length, shape: Shape::TooLong, lines: 0, consumed: 0 })
    }

    /// Reads once from the source, keeping what has not been gone past.
    fn fill(&mut self) -> io::Result<()> {
        if self.buffer.len() - self.filled < READ_BYTES {
            self.buffer.copy_within(self.start..self.filled, 0);
            self.filled -= self.start;
            self.start = 0;
        }
        if self.buffer.len() - self.filled < READ_BYTES {
            let longer = (2 * self.buffer.len()).min(BUFFER_BYTES_MAX);
            self.buffer.reserve_exact(longer.saturating_sub(self.buffer.len()));
            self.buffer.resize(longer, 0);
        }
        let until = self.buffer.len().min(self.filled + READ_BYTES);
        let room = self.buffer.get_mut(self.filled..until).unwrap_or_default();
        if room.is_empty() {
            return Err(io::Error::other("the buffer of the roll reader is full: a row was not bounded"));
        }
        let read = loop {
            match self.source.read(room) {
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                other => break other?,
            }
        };
        if read == 0 {
            self.source_ended = true;
            return Ok(());
        }
        self.digest.update(room.get(..read).unwrap_or_default())?;
        self.filled += read;
        Ok(())
    }
}

impl Fields<'_> {
    /// Where the field at `index` lies in the text.
    pub(crate) fn range(&self, index: usize) -> std::ops::Range<usize> {
        let start = match index.checked_sub(1).and_then(|before| self.ends.get(before)) {
            Some(end) => end + self.gap,
            None => 0,
        };
        start..self.ends.get(index).copied().unwrap_or(start)
    }

    /// The field that holds the byte at `position` of the text.
    pub(crate) fn at(&self, position: usize) -> usize {
        self.ends.partition_point(|end| *end <= position)
    }
}

/// The first field of a row in which text follows the closing quote.
fn quote_fault(raw: &[u8], delimiter: u8, quote: u8) -> Option<usize> {
    let mut rest = raw;
    let mut field = 0;
    loop {
        rest = if rest.first() == Some(&quote) {
            match behind_quotes(rest.get(1..)?, quote)? {
                [] => return None,
                [byte, next @ ..] if *byte == delimiter => next,
                [..] => return Some(field),
            }
        } else {
            rest.get(memchr(delimiter, rest)? + 1..)?
        };
        field += 1;
    }
}

/// What follows the closing quote of a field of which the opening quote has been passed.
fn behind_quotes(mut inside: &[u8], quote: u8) -> Option<&[u8]> {
    loop {
        let after = inside.get(memchr(quote, inside)? + 1..)?;
        if after.first() != Some(&quote) {
            return Some(after);
        }
        inside = after.get(1..)?;
    }
}

//! A file as received, read to its rows whatever it is packed in, and a row of it read again for showing.

use crate::assemble::AssembleError;
use crate::header::{Header, HeaderError};
use crate::layout::Layout;
use crate::limits::HEADER_BYTES_MAX;
use crate::lines::{KnownLines, Line};
use crate::reader::{Batch, RollReader, Summary};
use crate::unpack::{self, Received, Text, UnpackError};
use std::io::{self, Read};
use std::path::Path;
use thiserror::Error;

/// How much of an unpacked file is looked through for its header: blank lines may stand before it, in a workbook as many
/// as a sheet has rows.
pub(crate) const HEAD_BYTES: u64 = (4 << 20) + HEADER_BYTES_MAX as u64;

/// Why a file is refused before its first row.
#[derive(Debug, Error)]
pub enum OriginalError {
    /// It cannot be unpacked, or the text in it cannot be told.
    #[error(transparent)]
    Unpack(#[from] UnpackError),
    /// It is not what a layout with tables says.
    #[error(transparent)]
    Table(#[from] AssembleError),
    /// Its text does not begin as the layout says.
    #[error(transparent)]
    Header(HeaderError),
}

impl OriginalError {
    /// Whether the machine failed and not the file: another attempt may succeed.
    #[must_use]
    pub fn of_the_machine(&self) -> bool {
        match self {
            Self::Unpack(error) => error.of_the_machine(),
            Self::Table(AssembleError::Unpack { error, .. }) => error.of_the_machine(),
            Self::Table(error) => matches!(error, AssembleError::Io(_)),
            Self::Header(error) => matches!(error, HeaderError::Read(_)),
        }
    }
}

impl From<HeaderError> for OriginalError {
    fn from(error: HeaderError) -> Self {
        let HeaderError::Read(cause) = error else { return Self::Header(error) };
        if UnpackError::within(&cause).is_some() {
            return Self::Unpack(UnpackError::from_io(cause));
        }
        Self::Header(HeaderError::Read(cause))
    }
}

/// Opens a file as received and finds the text that the layout means.
///
/// # Errors
/// [`UnpackError`].
pub fn text(
    source: Box<dyn Read + Send>,
    name: &str,
    layout: &Layout,
    scratch: &Path,
) -> Result<(Text, Option<Received>), UnpackError> {
    let opened = unpack::open(source, name, scratch)?;
    let received = opened.received.clone();
    let all = opened.names();
    let member = opened.choose(layout.file.within.as_deref())?;
    let mut text = member.text(layout, scratch)?;
    text.passed_over = all.into_iter().filter(|name| Some(name) != text.within.as_ref()).collect();
    Ok((text, received))
}

/// Reads the rows of a file as received. Lines and bytes of a row count in the unpacked text; progress, length and hash
/// are those of the file.
pub struct OriginalReader {
    reader: RollReader<Box<dyn Read + Send>>,
    received: Option<Received>,
    within: Option<String>,
    passed_over: Vec<String>,
}

impl OriginalReader {
    /// Opens a file. `name` is only repeated; `scratch` is a folder for what has to be spooled, where nothing stays.
    ///
    /// # Errors
    /// [`OriginalError`].
    pub fn open(
        source: Box<dyn Read + Send>,
        name: &str,
        layout: &Layout,
        scratch: &Path,
    ) -> Result<Self, OriginalError> {
        let (text, received) = text(source, name, layout, scratch)?;
        let layout = text.layout(layout);
        let reader = RollReader::new(text.source, &layout)?;
        Ok(Self { reader, received, within: text.within, passed_over: text.passed_over })
    }

    /// The header.
    pub fn header(&self) -> &Header {
        self.reader.header()
    }

    /// The name of the text in its archive or workbook, where it is in one.
    #[must_use]
    pub fn within(&self) -> Option<&str> {
        self.within.as_deref()
    }

    /// The names of what else its archive or workbook holds, which is not read.
    #[must_use]
    pub fn passed_over(&self) -> &[String] {
        &self.passed_over
    }

    /// As [`RollReader::next_batch`]; the bytes read are those of the file.
    ///
    /// # Errors
    /// Of the source, or an [`UnpackError`] in it, which [`UnpackError::within`] finds.
    pub fn next_batch(&mut self, batch: &mut Batch, rows_max: usize) -> io::Result<bool> {
        let more = self.reader.next_batch(batch, rows_max)?;
        if let Some(received) = &self.received {
            batch.bytes_read = received.bytes();
        }
        Ok(more)
    }

    /// As [`RollReader::next_lines`]; the bytes read are those of the file.
    ///
    /// # Errors
    /// As [`OriginalReader::next_batch`].
    pub fn next_lines(
        &mut self,
        batch: &mut Batch,
        lines: &mut Vec<Line>,
        rows_max: usize,
        known: Option<&mut KnownLines>,
    ) -> io::Result<bool> {
        let more = self.reader.next_lines(batch, lines, rows_max, known)?;
        if let Some(received) = &self.received {
            batch.bytes_read = received.bytes();
        }
        Ok(more)
    }

    /// As [`RollReader::header_mark`].
    #[must_use]
    pub fn header_mark(&self) -> u64 {
        self.reader.header_mark()
    }

    /// Whether the text had to be unpacked.
    #[must_use]
    pub fn is_packed(&self) -> bool {
        self.received.is_some()
    }

    /// Unpacks a packed file to its end, its rows unread: whether it is whole shows only there. Of a file that is not
    /// packed nothing is read.
    ///
    /// # Errors
    /// As [`OriginalReader::next_batch`].
    pub fn check_whole(self) -> io::Result<()> {
        if self.received.is_some() {
            io::copy(&mut self.reader.into_source(), &mut io::sink())?;
        }
        Ok(())
    }

    /// As [`RollReader::finish`]; bytes and hash are those of the file.
    ///
    /// # Errors
    /// As [`OriginalReader::next_batch`].
    pub fn finish(self) -> io::Result<Summary> {
        let summary = self.reader.finish()?;
        Ok(match self.received {
            Some(received) => Summary { bytes: received.bytes(), sha256: received.sha256(), ..summary },
            None => summary,
        })
    }
}

/// Where a row is to be found again.
#[derive(Debug, Clone, PartialEq)]
pub enum Quoted {
    /// The text is the file as received: its header ends at this byte, and the row is where it says.
    AsReceived {
        /// The first byte behind the header.
        head_end: u64,
    },
    /// The text had to be unpacked.
    Unpacked {
        /// The text up to the end of its header.
        head: Vec<u8>,
        /// The bytes of the row.
        row: Vec<u8>,
        /// The name of the text in its archive or workbook, where it is in one.
        within: Option<String>,
        /// The layout as the text is written.
        layout: Box<Layout>,
    },
}

/// Finds a row again by its byte range. A packed file is unpacked up to the row.
///
/// # Errors
/// [`OriginalError`]; [`HeaderError::Read`] also where the text ends before the row.
pub fn quoted(
    source: Box<dyn Read + Send>,
    name: &str,
    layout: &Layout,
    scratch: &Path,
    row: std::ops::Range<u64>,
) -> Result<Quoted, OriginalError> {
    let (mut text, received) = text(source, name, layout, scratch)?;
    let layout = text.layout(layout);
    let mut head = Vec::new();
    text.source.by_ref().take(HEAD_BYTES).read_to_end(&mut head).map_err(unreadable)?;
    let header = RollReader::new(head.as_slice(), &layout)?.header().clone();
    let head_end = header.byte_start + header.byte_length;
    if received.is_none() {
        return Ok(Quoted::AsReceived { head_end });
    }
    let length = row.end.saturating_sub(row.start);
    let mut whole = head.as_slice().chain(text.source);
    io::copy(&mut whole.by_ref().take(row.start), &mut io::sink()).map_err(unreadable)?;
    let mut bytes = Vec::new();
    whole.take(length).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 != length {
        return Err(unreadable(ended_before()));
    }
    head.truncate(usize::try_from(head_end).unwrap_or(usize::MAX));
    Ok(Quoted::Unpacked { head, row: bytes, within: text.within, layout: Box::new(layout) })
}

pub(crate) fn unreadable(error: io::Error) -> OriginalError {
    OriginalError::from(HeaderError::Read(error))
}

pub(crate) fn ended_before() -> io::Error {
    io::Error::new(io::ErrorKind::UnexpectedEof, "the text ends before the row")
}

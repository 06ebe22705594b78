//! UTF-16 to UTF-8, streaming.
//!
//! Half of a surrogate pair stands for no character. It is passed on as bytes that are no UTF-8 either, so that the
//! reader quarantines its row with line and column, and keeps the others.

use crate::unpack::UnpackError;
use crate::unpack::source::Source;
use encoding_rs::{Decoder, DecoderResult, UTF_16BE, UTF_16LE};
use std::io::{self, Read};

/// How much is read at once.
const READ_BYTES: usize = 64 << 10;

/// A surrogate written as if it were a character (U+D800), which UTF-8 forbids.
pub(crate) const HALF_A_CHARACTER: [u8; 3] = [0xED, 0xA0, 0x80];

/// The text of a source in UTF-16, as UTF-8.
pub(crate) struct Transcoded {
    source: Source,
    decoder: Decoder,
    raw: Vec<u8>,
    text: Vec<u8>,
    given: usize,
    /// Bytes of the source that have been read, the mark left out.
    read: u64,
    ended: bool,
}

impl Transcoded {
    /// `mark` bytes of the source are its byte order mark.
    pub(crate) fn new(mut source: Source, big: bool, mark: usize) -> io::Result<Self> {
        io::copy(&mut source.by_ref().take(mark as u64), &mut io::sink())?;
        let decoder = if big { UTF_16BE } else { UTF_16LE }.new_decoder_without_bom_handling();
        let (raw, text) = (vec![0; READ_BYTES], Vec::new());
        Ok(Self { source, decoder, raw, text, given: 0, read: 0, ended: false })
    }

    fn fill(&mut self) -> io::Result<()> {
        let read = loop {
            match self.source.read(&mut self.raw) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                other => break other?,
            }
        };
        self.read += read as u64;
        self.ended = read == 0;
        if self.ended && !self.read.is_multiple_of(2) {
            return Err(UnpackError::HalfUnit.into());
        }
        self.text.clear();
        self.given = 0;
        let mut rest = self.raw.get(..read).unwrap_or_default();
        loop {
            let most = self.decoder.max_utf8_buffer_length_without_replacement(rest.len());
            let before = self.text.len();
            self.text.resize(before + most.unwrap_or(4 * rest.len() + 16), 0);
            let room = self.text.get_mut(before..).unwrap_or_default();
            let (result, taken, written) =
                self.decoder.decode_to_utf8_without_replacement(rest, room, self.ended);
            self.text.truncate(before + written);
            rest = rest.get(taken..).unwrap_or_default();
            match result {
                DecoderResult::InputEmpty => return Ok(()),
                DecoderResult::OutputFull => {}
                DecoderResult::Malformed(..) => self.text.extend_from_slice(&HALF_A_CHARACTER),
            }
        }
    }
}

impl Read for Transcoded {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        while self.given == self.text.len() && !self.ended {
            self.fill()?;
        }
        let mut rest = self.text.get(self.given..).unwrap_or_default();
        let read = rest.read(room)?;
        self.given += read;
        Ok(read)
    }
}

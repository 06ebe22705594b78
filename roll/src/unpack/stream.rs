//! gzip and zstd: one text, unpacked as it is read.

use crate::limits::{READ_BYTES, UNPACKED_BYTES_MAX, ZSTD_WINDOW_LOG_MAX};
use crate::unpack::UnpackError;
use crate::unpack::source::{Bound, Counted, Tally};
use flate2::bufread::GzDecoder;
use std::io::{self, BufRead, BufReader, ErrorKind, Read};

type Packed = BufReader<Counted>;

/// A gzip or zstd file on its way to text.
pub(crate) struct Unpacking {
    decoder: Decoder,
    tally: Tally,
    bound: Bound,
}

enum Decoder {
    /// One member of a gzip file; further ones may follow it.
    Gzip(Box<GzDecoder<Packed>>),
    Zstd(Box<zstd::stream::read::Decoder<'static, Packed>>),
    /// Everything has been read.
    Ended,
}

impl Unpacking {
    pub(crate) fn gzip(source: Counted, tally: Tally) -> Self {
        let packed = BufReader::with_capacity(READ_BYTES, source);
        Self::new(Decoder::Gzip(Box::new(GzDecoder::new(packed))), tally)
    }

    pub(crate) fn zstd(source: Counted, tally: Tally) -> io::Result<Self> {
        let packed = BufReader::with_capacity(READ_BYTES, source);
        let mut decoder = zstd::stream::read::Decoder::with_buffer(packed)?;
        decoder.window_log_max(ZSTD_WINDOW_LOG_MAX)?;
        Ok(Self::new(Decoder::Zstd(Box::new(decoder)), tally))
    }

    fn new(decoder: Decoder, tally: Tally) -> Self {
        Self { decoder, tally, bound: Bound::new(UNPACKED_BYTES_MAX) }
    }

    /// Seconds since 1970 at which the first member was packed, if it says.
    pub(crate) fn modified(&self) -> Option<u32> {
        match &self.decoder {
            Decoder::Gzip(decoder) => decoder.header().map(flate2::GzHeader::mtime).filter(|at| *at > 0),
            Decoder::Zstd(_) | Decoder::Ended => None,
        }
    }

    fn kind(&self) -> &'static str {
        match &self.decoder {
            Decoder::Gzip(_) | Decoder::Ended => "gzip",
            Decoder::Zstd(_) => "zstd",
        }
    }

    /// Goes on to the next member of a gzip file; the end of the file is the end of the text. Zeros behind the last
    /// member are how tapes are filled up.
    fn next_member(&mut self) -> io::Result<()> {
        let Decoder::Gzip(ended) = std::mem::replace(&mut self.decoder, Decoder::Ended) else {
            return Ok(());
        };
        let mut packed = ended.into_inner();
        loop {
            let ahead = packed.fill_buf()?;
            let zeros = ahead.iter().take_while(|byte| **byte == 0).count();
            match ahead {
                [] => return Ok(()),
                [0x1F] | [0x1F, 0x8B, ..] => {
                    self.decoder = Decoder::Gzip(Box::new(GzDecoder::new(packed)));
                    return Ok(());
                }
                [0, ..] => packed.consume(zeros),
                [..] => {
                    let at = self.tally.bytes() - packed.buffer().len() as u64;
                    return Err(UnpackError::Trailing { at }.into());
                }
            }
        }
    }

    fn told(&self, error: io::Error) -> io::Error {
        if self.tally.source_failed() {
            return error;
        }
        let (kind, packed, unpacked) = (self.kind(), self.tally.bytes(), self.bound.unpacked());
        if error.kind() == ErrorKind::UnexpectedEof {
            return UnpackError::Truncated { kind, packed, unpacked }.into();
        }
        UnpackError::Damaged { kind, unpacked, why: error.to_string() }.into()
    }
}

impl Read for Unpacking {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        if room.is_empty() {
            return Ok(0);
        }
        loop {
            let (read, of_gzip) = match &mut self.decoder {
                Decoder::Gzip(decoder) => (decoder.read(room), true),
                Decoder::Zstd(decoder) => (decoder.read(room), false),
                Decoder::Ended => return Ok(0),
            };
            match read {
                Ok(0) if of_gzip => self.next_member()?,
                Ok(0) => {
                    self.decoder = Decoder::Ended;
                    return Ok(0);
                }
                Ok(read) => {
                    self.bound.add(read, self.tally.bytes())?;
                    return Ok(read);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(self.told(error)),
            }
        }
    }
}

//! Bytes on their way in: looked at, counted, hashed, spooled and bounded.

use crate::limits::{SPOOLED_BYTES_MAX, UNPACKED_BYTES_MAX, UNPACKED_RATIO_FROM, UNPACKED_RATIO_MAX};
use crate::unpack::UnpackError;
use crate::unpack::sniff::OPENING_BYTES;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

/// Where text comes from.
pub(crate) type Source = Box<dyn Read + Send>;

/// A source with its first bytes put back in front of it, and these bytes.
pub(crate) fn opening(mut source: Source) -> io::Result<(Vec<u8>, Source)> {
    let mut opening = Vec::with_capacity(OPENING_BYTES);
    source.by_ref().take(OPENING_BYTES as u64).read_to_end(&mut opening)?;
    let whole = Cursor::new(opening.clone()).chain(source);
    Ok((opening, Box::new(whole)))
}

/// How much of a packed file has been read, and the hash of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally(Arc<Mutex<Count>>);

#[derive(Debug, Default)]
struct Count {
    bytes: u64,
    hash: Sha256,
    source_failed: bool,
}

impl Tally {
    fn add(&self, bytes: &[u8]) {
        let mut count = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        count.bytes += bytes.len() as u64;
        count.hash.update(bytes);
    }

    /// So many more bytes, without a hash.
    pub(crate) fn count(&self, bytes: usize) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).bytes += bytes as u64;
    }

    /// Bytes of the file as received that have been read.
    pub(crate) fn bytes(&self) -> u64 {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).bytes
    }

    /// Whether it was the reading of the file that failed, not what is in it.
    pub(crate) fn source_failed(&self) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).source_failed
    }

    /// SHA-256 of these bytes in hex.
    pub(crate) fn sha256(&self) -> String {
        hex::encode(self.0.lock().unwrap_or_else(PoisonError::into_inner).hash.clone().finalize())
    }
}

/// Counts and hashes what is read.
pub(crate) struct Counted {
    source: Source,
    tally: Tally,
}

impl Counted {
    pub(crate) fn new(source: Source) -> (Self, Tally) {
        let tally = Tally::default();
        (Self { source, tally: tally.clone() }, tally)
    }
}

impl Read for Counted {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let read = self.source.read(room);
        match &read {
            Ok(read) => self.tally.add(room.get(..*read).unwrap_or_default()),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(_) => self.tally.0.lock().unwrap_or_else(PoisonError::into_inner).source_failed = true,
        }
        read
    }
}

/// A packed file in the scratch folder, without a name there: it goes when the last reader of it goes, or the program.
#[derive(Debug, Clone)]
pub(crate) struct Spool {
    file: Arc<File>,
    length: u64,
    position: u64,
}

impl Spool {
    /// Copies a source to its end.
    pub(crate) fn fill(mut source: Counted, scratch: &Path) -> Result<Self, UnpackError> {
        let mut file = tempfile::tempfile_in(scratch).map_err(UnpackError::Scratch)?;
        let mut buffer = vec![0; 1 << 16];
        let mut length = 0u64;
        loop {
            let read = match source.read(&mut buffer) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                other => other.map_err(UnpackError::Read)?,
            };
            if read == 0 {
                break;
            }
            length += read as u64;
            if length > SPOOLED_BYTES_MAX {
                return Err(UnpackError::ArchiveTooLarge);
            }
            file.write_all(buffer.get(..read).unwrap_or_default()).map_err(UnpackError::Scratch)?;
        }
        Ok(Self { file: Arc::new(file), length, position: 0 })
    }

    /// A file of the scratch folder, from its first byte on.
    pub(crate) fn of(file: File) -> io::Result<Self> {
        let length = file.metadata()?.len();
        Ok(Self { file: Arc::new(file), length, position: 0 })
    }

    /// The same file from another place on, up to an end.
    pub(crate) fn part(&self, start: u64, length: u64) -> Self {
        let end = start.saturating_add(length).min(self.length);
        Self { file: Arc::clone(&self.file), length: end, position: start }
    }
}

impl Read for Spool {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let left = usize::try_from(self.length.saturating_sub(self.position)).unwrap_or(usize::MAX);
        let wanted = room.len().min(left);
        let read = self.file.read_at(room.get_mut(..wanted).unwrap_or_default(), self.position)?;
        self.position += read as u64;
        Ok(read)
    }
}

impl Seek for Spool {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let place = match to {
            SeekFrom::Start(place) => Some(place),
            SeekFrom::End(offset) => self.length.checked_add_signed(offset),
            SeekFrom::Current(offset) => self.position.checked_add_signed(offset),
        };
        self.position = place.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.position)
    }
}

/// How much has come out of something packed, against what went in. Several members may share one.
#[derive(Debug)]
pub(crate) struct Bound {
    unpacked: u64,
    unpacked_max: u64,
}

impl Bound {
    pub(crate) fn new(unpacked_max: u64) -> Self {
        Self { unpacked: 0, unpacked_max: unpacked_max.min(UNPACKED_BYTES_MAX) }
    }

    /// So many more bytes have come out; `packed` bytes in all have gone in.
    pub(crate) fn add(&mut self, bytes: usize, packed: u64) -> Result<(), UnpackError> {
        self.unpacked = self.unpacked.saturating_add(bytes as u64);
        if self.unpacked > self.unpacked_max {
            return Err(UnpackError::TooLarge { most: self.unpacked_max });
        }
        if self.unpacked > UNPACKED_RATIO_FROM && self.unpacked / UNPACKED_RATIO_MAX > packed {
            return Err(UnpackError::Bomb { packed, unpacked: self.unpacked });
        }
        Ok(())
    }

    pub(crate) fn unpacked(&self) -> u64 {
        self.unpacked
    }
}

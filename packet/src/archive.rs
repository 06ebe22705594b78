//! Zip files of the one plain form that a packet has, read strictly: nothing in them may belong to nothing.
//!
//! Zip readers look the entries up in the directory at the end and overlook whatever else is in the file. Here the
//! local headers must follow one another without a gap, and both tellings of an entry must agree.

use std::collections::BTreeMap;

/// Why bytes are no such zip file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ArchiveFault {
    /// It ends before it should, or not with the end of a zip file.
    #[error("the file is no zip file, is cut short, or has something behind its end")]
    NoEnd,
    /// The directory is not where the end says.
    #[error("the directory of the zip file is not where its end says")]
    NoDirectory,
    /// An entry that is not as packets have them.
    #[error("entry {number} of the zip file: {wrong}")]
    Entry {
        /// Which, from 1.
        number: usize,
        /// What is wrong with it.
        wrong: &'static str,
    },
    /// Bytes that no entry accounts for.
    #[error("the zip file has bytes at {at} that belong to no entry")]
    Stray {
        /// The first of them.
        at: usize,
    },
}

const END_LENGTH: usize = 22;
const CENTRAL_LENGTH: usize = 46;
const LOCAL_LENGTH: usize = 30;

/// The entries of a zip file by name.
pub(crate) fn read(bytes: &[u8]) -> Result<BTreeMap<String, Vec<u8>>, ArchiveFault> {
    let end_at = bytes.len().checked_sub(END_LENGTH).ok_or(ArchiveFault::NoEnd)?;
    let end = Cut { bytes, at: end_at };
    if end.bytes_at(0, 4) != Some(b"PK\x05\x06") || end.u16(20) != Some(0) {
        return Err(ArchiveFault::NoEnd);
    }
    let number = |at| end.u32(at).ok_or(ArchiveFault::NoEnd);
    let (directory_length, directory_at) = (number(12)?, number(16)?);
    let count = end.u16(10).ok_or(ArchiveFault::NoEnd)?;
    if directory_at.checked_add(directory_length) != Some(end_at) || end.u16(8) != Some(count) {
        return Err(ArchiveFault::NoDirectory);
    }
    let mut files = BTreeMap::new();
    let (mut central_at, mut local_at) = (directory_at, 0);
    for number in 1..=usize::from(count) {
        let fault = |wrong| ArchiveFault::Entry { number, wrong };
        let central = Cut { bytes, at: central_at };
        let entry = Entry::read(&central).map_err(fault)?;
        let local = Cut { bytes, at: local_at };
        let data = entry.data(&local, directory_at).map_err(fault)?;
        central_at = central_at.saturating_add(CENTRAL_LENGTH).saturating_add(entry.name.len());
        local_at =
            local_at.saturating_add(LOCAL_LENGTH).saturating_add(entry.name.len()).saturating_add(data.len());
        if files.insert(entry.name.to_owned(), data.to_vec()).is_some() {
            return Err(fault("has the name of another entry"));
        }
    }
    match (local_at == directory_at, central_at == end_at) {
        (true, true) => Ok(files),
        (false, _) => Err(ArchiveFault::Stray { at: local_at }),
        (true, false) => Err(ArchiveFault::Stray { at: central_at }),
    }
}

/// What the directory says of an entry.
struct Entry<'b> {
    name: &'b str,
    length: usize,
    local_at: usize,
    /// Flags, method, time, date, hash and both lengths: the same bytes stand in the local header.
    common: &'b [u8],
}

impl<'b> Entry<'b> {
    fn read(central: &Cut<'b>) -> Result<Entry<'b>, &'static str> {
        const SHORT: &str = "is cut short in the directory";
        if central.bytes_at(0, 4) != Some(b"PK\x01\x02") {
            return Err("is missing in the directory");
        }
        let (name_length, length) = (central.u16(28).ok_or(SHORT)?, central.u32(24).ok_or(SHORT)?);
        if central.u16(10) != Some(0) || central.u32(20) != Some(length) {
            return Err("is not stored plainly");
        }
        if central.u16(30) != Some(0) || central.u16(32) != Some(0) {
            return Err("has an extra field or a comment");
        }
        let name = central.bytes_at(CENTRAL_LENGTH, usize::from(name_length)).ok_or(SHORT)?;
        Ok(Entry {
            name: std::str::from_utf8(name).map_err(|_| "has a name that is no text in UTF-8")?,
            length,
            local_at: central.u32(42).ok_or(SHORT)?,
            common: central.bytes_at(8, 20).ok_or(SHORT)?,
        })
    }

    /// The bytes of the entry, which stands at `local` and ends before `limit`.
    fn data(&self, local: &Cut<'b>, limit: usize) -> Result<&'b [u8], &'static str> {
        if local.at != self.local_at || local.bytes_at(0, 4) != Some(b"PK\x03\x04") {
            return Err("does not follow the entry before it");
        }
        let name = local.bytes_at(LOCAL_LENGTH, self.name.len());
        let agrees = local.bytes_at(6, 20) == Some(self.common)
            && local.u16(26).map(usize::from) == Some(self.name.len())
            && local.u16(28) == Some(0)
            && name == Some(self.name.as_bytes());
        if !agrees {
            return Err("is told otherwise at its place than in the directory");
        }
        let start = LOCAL_LENGTH.saturating_add(self.name.len());
        if local.at.saturating_add(start).saturating_add(self.length) > limit {
            return Err("reaches into the directory");
        }
        local.bytes_at(start, self.length).ok_or("is cut short")
    }
}

/// Bytes from a place on.
struct Cut<'b> {
    bytes: &'b [u8],
    at: usize,
}

impl<'b> Cut<'b> {
    fn bytes_at(&self, offset: usize, length: usize) -> Option<&'b [u8]> {
        let start = self.at.checked_add(offset)?;
        self.bytes.get(start..start.checked_add(length)?)
    }

    fn u16(&self, offset: usize) -> Option<u16> {
        self.bytes_at(offset, 2)?.try_into().ok().map(u16::from_le_bytes)
    }

    fn u32(&self, offset: usize) -> Option<usize> {
        let bytes: [u8; 4] = self.bytes_at(offset, 4)?.try_into().ok()?;
        usize::try_from(u32::from_le_bytes(bytes)).ok()
    }
}

//! Zip archives: their directory is judged whole before anything is unpacked, and no name in it becomes a path.

use crate::limits::{MEMBERS_MAX, READ_BYTES, UNPACKED_BYTES_MAX, ZSTD_WINDOW_LOG_MAX};
use crate::unpack::UnpackError;
use crate::unpack::source::{Bound, Source, Spool, Tally};
use flate2::CrcReader;
use flate2::bufread::DeflateDecoder;
use std::io::{self, BufRead, BufReader, ErrorKind, Read};
use zip::ZipArchive;
use zip::result::ZipError;

/// How a member is packed, as numbers of the format (APPNOTE.TXT 4.4.5).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Method {
    Stored,
    Deflated,
    Zstd,
    /// One that is not read, by its number.
    Other(u16),
}

/// One file in an archive.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub(crate) name: String,
    pub(crate) modified: Option<String>,
    /// As the directory says; believed by nobody.
    size: u64,
    crc: u32,
    encrypted: bool,
    method: Method,
    packed: Spool,
    /// Hidden, or what an operating system leaves for itself: no text that anybody means.
    pub(crate) left_out: bool,
}

/// The files of an archive, in the order of its directory; folders are left out.
pub(crate) fn entries(spool: &Spool) -> Result<Vec<Entry>, UnpackError> {
    let mut archive = ZipArchive::new(spool.part(0, u64::MAX)).map_err(damaged)?;
    if archive.len() > MEMBERS_MAX {
        return Err(UnpackError::TooManyMembers { found: archive.len() });
    }
    if archive.has_duplicate_names() {
        return Err(UnpackError::Directory { why: "two of its files have one name" });
    }
    let mut entries = Vec::with_capacity(archive.len());
    for index in 0..archive.len() {
        let found = archive.by_index_raw(index).map_err(damaged)?;
        let name = found.name().map_err(damaged)?.into_owned();
        judge_name(&name)?;
        if found.is_symlink() {
            return Err(UnpackError::MemberName { name, what: "a link" });
        }
        if found.is_dir() {
            continue;
        }
        let start = found.data_start().ok_or(UnpackError::Directory { why: "a file in it has no place" })?;
        entries.push(Entry {
            modified: found.last_modified().filter(zip::DateTime::is_valid).map(|at| {
                format!(
                    "{:04}-{:02}-{:02} {:02}:{:02}",
                    at.year(),
                    at.month(),
                    at.day(),
                    at.hour(),
                    at.minute()
                )
            }),
            size: found.size(),
            crc: found.crc32(),
            encrypted: found.encrypted(),
            method: method(found.compression()),
            packed: spool.part(start, found.compressed_size()),
            left_out: left_out(&name),
            name,
        });
    }
    // a bomb lets many files share one stretch of packed bytes
    if archive.has_overlapping_files().map_err(damaged)? {
        return Err(UnpackError::Directory { why: "files in it lie over each other" });
    }
    Ok(entries)
}

#[expect(deprecated, reason = "the only way to see the number of a method that is not built in")]
fn method(method: zip::CompressionMethod) -> Method {
    if method == zip::CompressionMethod::Stored {
        return Method::Stored;
    }
    if method == zip::CompressionMethod::Deflated {
        return Method::Deflated;
    }
    if let zip::CompressionMethod::Unsupported(number) = method {
        return if number == 93 { Method::Zstd } else { Method::Other(number) };
    }
    // built into the library for another crate of the program
    Method::Other(0)
}

/// A name that leads out of the archive is the work of somebody who means harm, though it is never followed.
fn judge_name(name: &str) -> Result<(), UnpackError> {
    let bad = |what| Err(UnpackError::MemberName { name: name.to_owned(), what });
    let mut parts = name.split(['/', '\\']);
    if name.is_empty() || name.contains('\0') {
        return bad("no name");
    }
    // it goes into messages and lists, where it could move the cursor of a terminal or begin a line of its own
    if name.chars().any(char::is_control) {
        return bad("a name with control characters");
    }
    if name.starts_with(['/', '\\']) || name.as_bytes().get(1) == Some(&b':') {
        return bad("an absolute path");
    }
    if parts.any(|part| part == "..") {
        return bad("a path out of the archive");
    }
    Ok(())
}

fn left_out(name: &str) -> bool {
    name.split(['/', '\\']).any(|part| part == "__MACOSX" || (part.starts_with('.') && part != "."))
        || name.to_ascii_lowercase().ends_with("thumbs.db")
}

pub(crate) fn damaged(error: ZipError) -> UnpackError {
    let ZipError::Io(error) = error else {
        return UnpackError::Damaged { kind: "zip", unpacked: 0, why: error.to_string() };
    };
    if error.kind() == ErrorKind::UnexpectedEof {
        return UnpackError::Directory { why: "it ends in the middle, so it was not transferred whole" };
    }
    // a place before the beginning of the file is what the archive says, not what the folder does
    if matches!(error.kind(), ErrorKind::InvalidInput | ErrorKind::InvalidData) {
        return UnpackError::Directory { why: "what it says of its own places cannot be" };
    }
    UnpackError::Scratch(error)
}

impl Entry {
    /// How many bytes it has as the directory says; reading it fails where it has others.
    pub(crate) fn size(&self) -> u64 {
        self.size
    }

    /// The bytes of the file, unpacked as they are read, with its checksum held at the end.
    pub(crate) fn open(&self) -> Result<Source, UnpackError> {
        let name = self.name.clone();
        if self.encrypted {
            return Err(UnpackError::Encrypted { name });
        }
        let packed = BufReader::with_capacity(READ_BYTES, self.packed.clone());
        let tally = Tally::default();
        let packed = Told { packed, tally: tally.clone() };
        let decoder: Box<dyn Read + Send> = match self.method {
            Method::Stored => Box::new(packed),
            Method::Deflated => Box::new(DeflateDecoder::new(packed)),
            Method::Zstd => {
                let mut decoder =
                    zstd::stream::read::Decoder::with_buffer(packed).map_err(UnpackError::Read)?;
                decoder.window_log_max(ZSTD_WINDOW_LOG_MAX).map_err(UnpackError::Read)?;
                Box::new(decoder)
            }
            Method::Other(method) => {
                return Err(UnpackError::Method { name, method });
            }
        };
        Ok(Box::new(Checked {
            decoder: CrcReader::new(decoder),
            tally,
            bound: Bound::new(UNPACKED_BYTES_MAX),
            entry: self.clone(),
            ended: false,
        }))
    }
}

/// Counts the packed bytes that a decoder has taken.
struct Told {
    packed: BufReader<Spool>,
    tally: Tally,
}

impl Read for Told {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let read = self.packed.read(room)?;
        self.tally.count(read);
        Ok(read)
    }
}

impl BufRead for Told {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        self.packed.fill_buf()
    }

    fn consume(&mut self, taken: usize) {
        self.tally.count(taken);
        self.packed.consume(taken);
    }
}

/// A file of an archive held against its bounds and its checksum.
struct Checked {
    decoder: CrcReader<Box<dyn Read + Send>>,
    tally: Tally,
    bound: Bound,
    entry: Entry,
    ended: bool,
}

impl Checked {
    fn damage(&self, why: String) -> io::Error {
        UnpackError::MemberDamaged { name: self.entry.name.clone(), unpacked: self.bound.unpacked(), why }
            .into()
    }
}

impl Read for Checked {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        if room.is_empty() || self.ended {
            return Ok(0);
        }
        let read = match self.decoder.read(room) {
            Err(error) if error.kind() == ErrorKind::Interrupted => return Err(error),
            Err(error) if error.kind() == ErrorKind::UnexpectedEof => {
                return Err(self.damage("its packed bytes end in the middle".to_owned()));
            }
            Err(error) => return Err(self.damage(error.to_string())),
            Ok(read) => read,
        };
        self.bound.add(read, self.tally.bytes())?;
        self.ended = read == 0;
        // more than stated is an error at once: the sum of what is stated bounds what comes out of an archive
        let (found, stated) = (self.bound.unpacked(), self.entry.size);
        if found > stated || (self.ended && found != stated) {
            return Err(self.damage(format!("the archive says that it has {stated} bytes")));
        }
        if self.ended && self.decoder.crc().sum() != self.entry.crc {
            return Err(self.damage("its checksum does not hold".to_owned()));
        }
        Ok(read)
    }
}

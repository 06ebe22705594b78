//! The line index as a plain file beside the records of a source, for the embedded database: written and read through
//! without a journal, since losing it only costs time.
//!
//! Blocks of rows come first, as long as each other but for the last; then the numbers to be read again, the numbers that
//! became no record, what the index is good for, and a hash of each block; then the lengths of these with a hash over
//! them, and a mark. A file is written under another name until it is whole. Nothing is flushed: after a loss of power a
//! block that is not what was written has another hash, and the rows from there on are read as new ones are.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use xxhash_rust::xxh3::xxh3_64;

use super::BLOCK_BYTES;

/// The end of a whole file of this form.
const MARK: [u8; 8] = *b"lines\0\0\x01";
/// Lengths of rows, of the four parts behind them, and a hash.
const FOOT_BYTES: usize = 6 * 8 + MARK.len();
/// What is behind the rows is refused beyond this: four bytes for each row that differs, eight for a block.
const BEHIND_BYTES_MAX: u64 = 1 << 30;
const UNFINISHED: &str = "part";

/// A file that is being written; it is removed again where it does not come to its end.
#[derive(Debug)]
pub(super) struct Writing {
    file: File,
    path: PathBuf,
    bytes: u64,
    hashes: Vec<u64>,
    finished: bool,
}

impl Writing {
    pub(super) fn begin(path: PathBuf) -> io::Result<Writing> {
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(path.with_added_extension(UNFINISHED))?;
        Ok(Writing { file, path, bytes: 0, hashes: Vec::new(), finished: false })
    }

    /// Adds a block: [`BLOCK_BYTES`], but for the last.
    pub(super) fn block(&mut self, rows: &[u8]) -> io::Result<()> {
        self.file.write_all_at(rows, self.bytes)?;
        self.hashes.push(xxh3_64(rows));
        self.bytes += rows.len() as u64;
        Ok(())
    }

    /// Bytes of rows that were written.
    pub(super) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Reads bytes of rows that were written.
    pub(super) fn read(&self, from: u64, into: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(into, from)
    }

    /// Makes the file whole and gives it its name.
    pub(super) fn finish(mut self, read_again: &[u8], no_record: &[u8], good_for: &[u8]) -> io::Result<()> {
        let hashes: Vec<u8> = self.hashes.iter().flat_map(|hash| hash.to_le_bytes()).collect();
        let parts = [read_again, no_record, good_for, &hashes];
        let lengths = std::iter::once(self.bytes).chain(parts.iter().map(|part| part.len() as u64));
        let lengths: Vec<u8> = lengths.flat_map(u64::to_le_bytes).collect();
        let mut behind = parts.concat();
        behind.extend_from_slice(&lengths);
        let hash = xxh3_64(&behind);
        behind.extend_from_slice(&hash.to_le_bytes());
        behind.extend_from_slice(&MARK);
        self.file.write_all_at(&behind, self.bytes)?;
        std::fs::rename(self.path.with_added_extension(UNFINISHED), &self.path)?;
        self.finished = true;
        Ok(())
    }
}

impl Drop for Writing {
    fn drop(&mut self) {
        if !self.finished {
            // what stays is removed by the next load
            drop(std::fs::remove_file(self.path.with_added_extension(UNFINISHED)));
        }
    }
}

/// A file that is whole.
#[derive(Debug)]
pub(in crate::load) struct Reading {
    file: File,
    rows_bytes: u64,
    hashes: Vec<u8>,
    pub(super) read_again: Vec<u8>,
    pub(super) no_record: Vec<u8>,
    pub(super) good_for: Vec<u8>,
}

impl Reading {
    /// Opens a file; none where there is none that is whole.
    pub(super) fn open(path: &Path) -> io::Result<Option<Reading>> {
        let file = match File::open(path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        let size = file.metadata()?.len();
        let Some(before) = size.checked_sub(FOOT_BYTES as u64) else { return Ok(None) };
        let mut foot = [0; FOOT_BYTES];
        file.read_exact_at(&mut foot, before)?;
        let mut numbers = foot.as_chunks::<8>().0.iter().map(|bytes| u64::from_le_bytes(*bytes));
        let mut next = || numbers.next().unwrap_or_default();
        let (rows_bytes, lengths) = (next(), [next(), next(), next(), next()]);
        let hash = next();
        let behind = lengths.iter().try_fold(0u64, |sum, length| sum.checked_add(*length));
        let whole = |behind: &u64| {
            rows_bytes.checked_add(*behind) == Some(before)
                && *behind <= BEHIND_BYTES_MAX
                && foot.ends_with(&MARK)
        };
        let Some(behind) = behind.filter(whole).and_then(|behind| usize::try_from(behind).ok()) else {
            return Ok(None);
        };
        // the parts with their lengths, which the hash is over
        let mut parts = vec![0; behind + FOOT_BYTES - MARK.len() - size_of::<u64>()];
        file.read_exact_at(&mut parts, rows_bytes)?;
        if xxh3_64(&parts) != hash {
            return Ok(None);
        }
        let mut take = |length: u64| {
            let rest = parts.split_off(usize::try_from(length).unwrap_or_default().min(parts.len()));
            std::mem::replace(&mut parts, rest)
        };
        let [read_again, no_record, good_for, hashes] = lengths.map(&mut take);
        Ok(Some(Reading { file, rows_bytes, hashes, read_again, no_record, good_for }))
    }

    /// The rows of a block, from 1; none behind the last.
    ///
    /// # Errors
    /// Of the file; of kind `InvalidData` where the block is not what was written.
    pub(super) fn block(&self, number: u64) -> io::Result<Option<Vec<u8>>> {
        let from = number.saturating_sub(1).saturating_mul(BLOCK_BYTES as u64);
        let left = usize::try_from(self.rows_bytes.saturating_sub(from)).unwrap_or(usize::MAX);
        if left == 0 {
            return Ok(None);
        }
        let mut rows = vec![0; left.min(BLOCK_BYTES)];
        self.file.read_exact_at(&mut rows, from)?;
        let kept = usize::try_from(number - 1).ok().and_then(|at| self.hashes.as_chunks::<8>().0.get(at));
        if kept.map(|bytes| u64::from_le_bytes(*bytes)) == Some(xxh3_64(&rows)) {
            Ok(Some(rows))
        } else {
            Err(io::Error::new(io::ErrorKind::InvalidData, format!("block {number} is damaged")))
        }
    }
}

/// The file of an edition's index in the folder of the records.
pub(super) fn path(folder: &Path, container: &str, edition: i64) -> PathBuf {
    folder.join(format!("{container}.{edition}.lines"))
}

/// Removes the indexes of the records in a container, whole or not, but that of one edition.
pub(super) fn remove_others(folder: &Path, container: &str, but: Option<i64>) -> io::Result<()> {
    let kept = but.and_then(|edition| path(folder, container, edition).file_name().map(ToOwned::to_owned));
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let rest = name.to_str().and_then(|name| name.strip_prefix(container)?.strip_prefix('.'));
        let of_index = rest.is_some_and(|rest| rest.trim_end_matches(".part").ends_with(".lines"));
        if of_index && kept.as_ref() != Some(&name) {
            std::fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(folder: &Path) -> PathBuf {
        let path = path(folder, "source-1-a.db", 2);
        let mut writing = Writing::begin(path.clone()).unwrap();
        writing.block(&vec![7; BLOCK_BYTES]).unwrap();
        writing.block(&[8; 32]).unwrap();
        let mut bytes = [0; 2];
        writing.read(BLOCK_BYTES as u64 - 1, &mut bytes).unwrap();
        assert_eq!((bytes, writing.bytes()), ([7, 8], BLOCK_BYTES as u64 + 32));
        writing.finish(&[1, 0, 0, 0], &[], b"this kind").unwrap();
        path
    }

    #[test]
    fn what_was_written_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let read = Reading::open(&written(folder.path())).unwrap().unwrap();
        assert_eq!(read.block(1).unwrap().unwrap(), vec![7; BLOCK_BYTES]);
        assert_eq!(read.block(2).unwrap().unwrap(), [8; 32]);
        assert_eq!(read.block(3).unwrap(), None);
        assert_eq!((read.read_again, read.no_record), (vec![1, 0, 0, 0], vec![]));
        assert_eq!(read.good_for, b"this kind");
    }

    #[test]
    fn a_damaged_byte_is_never_taken_for_what_was_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = written(folder.path());
        let whole = std::fs::read(&path).unwrap();
        let behind = BLOCK_BYTES + 32;
        for at in [0, BLOCK_BYTES - 1, BLOCK_BYTES + 5].into_iter().chain(behind..whole.len()) {
            let mut damaged = whole.clone();
            damaged[at] ^= 0x10;
            std::fs::write(&path, &damaged).unwrap();
            let read = Reading::open(&path).unwrap();
            let blocks = |read: Reading| [read.block(1), read.block(2)].into_iter().any(|b| b.is_err());
            assert!(read.is_none_or(blocks), "byte {at}");
        }
        for length in [0, 10, behind, whole.len() - 1] {
            std::fs::write(&path, &whole[..length]).unwrap();
            assert!(Reading::open(&path).unwrap().is_none(), "{length} bytes");
        }
    }

    #[test]
    fn what_does_not_come_to_its_end_leaves_nothing_and_others_go() {
        let folder = tempfile::tempdir().unwrap();
        drop(Writing::begin(path(folder.path(), "source-1-a.db", 3)).unwrap());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        written(folder.path());
        for name in
            ["source-1-a.db", "source-1-a.db-wal", "source-1-a.db.1.lines.part", "source-1-ab.db.1.lines"]
        {
            std::fs::write(folder.path().join(name), "").unwrap();
        }
        remove_others(folder.path(), "source-1-a.db", Some(2)).unwrap();
        let mut left: Vec<String> = std::fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        left.sort();
        let kept = ["source-1-a.db", "source-1-a.db-wal", "source-1-a.db.2.lines", "source-1-ab.db.1.lines"];
        assert_eq!(left, kept);
    }
}

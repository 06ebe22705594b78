//! Sorts pieces in bounded memory: full buffers are sorted and written to temporary files, which are merged as they
//! are read. The files have no name in their folder, so that nothing stays behind when the process dies.

use super::piece;
use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Bounds of a sorter.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    /// Bytes that are sorted in memory.
    pub(super) buffer: usize,
    /// Files that are merged at once.
    pub(super) runs: usize,
}

/// Takes pieces in any order.
#[derive(Debug)]
pub(super) struct Sorter {
    folder: PathBuf,
    bounds: Bounds,
    buffer: Vec<u8>,
    /// Where each piece lies in the buffer.
    places: Vec<(usize, usize)>,
    runs: Vec<File>,
}

impl Sorter {
    pub(super) fn new(folder: &Path, bounds: Bounds) -> Self {
        Self { folder: folder.to_owned(), bounds, buffer: Vec::new(), places: Vec::new(), runs: Vec::new() }
    }

    pub(super) fn push(&mut self, write: impl FnOnce(&mut Vec<u8>)) -> io::Result<()> {
        let start = self.buffer.len();
        write(&mut self.buffer);
        self.places.push((start, self.buffer.len()));
        if self.buffer.len() + self.places.len() * size_of::<(usize, usize)>() >= self.bounds.buffer {
            self.spill()?;
        }
        Ok(())
    }

    /// Bytes that the sorter holds.
    pub(super) fn capacity(&self) -> usize {
        self.buffer.capacity() + self.places.capacity() * size_of::<(usize, usize)>()
    }

    fn sort(&mut self) {
        let buffer = &self.buffer;
        let bytes = |(from, to): &(usize, usize)| buffer.get(*from..*to).unwrap_or_default();
        self.places.sort_by(|one, other| piece::order(bytes(one), bytes(other)));
    }

    fn spill(&mut self) -> io::Result<()> {
        if self.places.is_empty() {
            return Ok(());
        }
        self.sort();
        let mut file = BufWriter::new(tempfile::tempfile_in(&self.folder)?);
        for (from, to) in self.places.drain(..) {
            write_one(&mut file, self.buffer.get(from..to).unwrap_or_default())?;
        }
        self.buffer.clear();
        self.runs.push(rewound(file)?);
        if self.runs.len() >= self.bounds.runs {
            let mut merged = Merged::new(std::mem::take(&mut self.runs), Vec::new(), Vec::new())?;
            let mut file = BufWriter::new(tempfile::tempfile_in(&self.folder)?);
            while let Some(bytes) = merged.next()? {
                write_one(&mut file, &bytes)?;
            }
            self.runs.push(rewound(file)?);
        }
        Ok(())
    }

    /// The pieces in order.
    pub(super) fn finish(mut self) -> io::Result<Merged> {
        if !self.runs.is_empty() {
            self.spill()?;
        }
        self.sort();
        Merged::new(self.runs, self.buffer, self.places)
    }
}

fn write_one(file: &mut BufWriter<File>, bytes: &[u8]) -> io::Result<()> {
    let length = u32::try_from(bytes.len()).map_err(io::Error::other)?;
    file.write_all(&length.to_le_bytes())?;
    file.write_all(bytes)
}

fn rewound(file: BufWriter<File>) -> io::Result<File> {
    let mut file = file.into_inner().map_err(io::IntoInnerError::into_error)?;
    file.rewind()?;
    Ok(file)
}

/// The head of a run.
#[derive(Debug, PartialEq, Eq)]
struct Head {
    bytes: Vec<u8>,
    run: usize,
}

impl Ord for Head {
    fn cmp(&self, other: &Self) -> Ordering {
        piece::order(&self.bytes, &other.bytes).then(self.run.cmp(&other.run))
    }
}

impl PartialOrd for Head {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Sorted pieces, one after the other.
#[derive(Debug)]
pub(super) struct Merged {
    runs: Vec<BufReader<File>>,
    heads: BinaryHeap<Reverse<Head>>,
    buffer: Vec<u8>,
    places: std::vec::IntoIter<(usize, usize)>,
}

impl Merged {
    /// Of files, or of what lies in memory where nothing had to be written.
    fn new(runs: Vec<File>, buffer: Vec<u8>, places: Vec<(usize, usize)>) -> io::Result<Self> {
        let mut merged = Self {
            runs: runs.into_iter().map(BufReader::new).collect(),
            heads: BinaryHeap::new(),
            buffer,
            places: places.into_iter(),
        };
        for run in 0..merged.runs.len() {
            merged.refill(run)?;
        }
        Ok(merged)
    }

    fn refill(&mut self, run: usize) -> io::Result<()> {
        let Some(file) = self.runs.get_mut(run) else { return Ok(()) };
        let mut length = [0; 4];
        match file.read_exact(&mut length) {
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(()),
            other => other?,
        }
        let mut bytes = vec![0; usize::try_from(u32::from_le_bytes(length)).map_err(io::Error::other)?];
        file.read_exact(&mut bytes)?;
        self.heads.push(Reverse(Head { bytes, run }));
        Ok(())
    }

    pub(super) fn next(&mut self) -> io::Result<Option<Vec<u8>>> {
        if let Some(Reverse(head)) = self.heads.pop() {
            self.refill(head.run)?;
            return Ok(Some(head.bytes));
        }
        let place = self.places.next();
        Ok(place.map(|(from, to)| self.buffer.get(from..to).unwrap_or_default().to_vec()))
    }
}

#[cfg(test)]
mod tests {
    use super::super::piece::Piece;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_order_in_any_memory_comes_out_sorted(
            keys in proptest::collection::vec("[0-9]{0,3}", 0..200),
            buffer in 1usize..4_000,
            runs in 2usize..5,
        ) {
            let folder = tempfile::tempdir().unwrap();
            let mut sorter = Sorter::new(folder.path(), Bounds { buffer, runs });
            let pieces: Vec<Piece> = (0u64..).zip(&keys)
                .map(|(line, key)| Piece { key: key.clone(), line, ..Piece::default() })
                .collect();
            for piece in &pieces {
                sorter.push(|out| piece.write(out)).unwrap();
                prop_assert!(sorter.runs.len() < runs);
                prop_assert!(sorter.buffer.len() < buffer + 100);
            }
            let mut merged = sorter.finish().unwrap();
            let mut found = Vec::new();
            while let Some(bytes) = merged.next().unwrap() {
                found.push(Piece::read(&bytes).unwrap());
            }
            let mut expected = pieces;
            expected.sort_by(|one, other| (&one.key, one.line).cmp(&(&other.key, other.line)));
            prop_assert_eq!(found, expected);
            prop_assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        }
    }
}

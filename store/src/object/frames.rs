//! Kept originals in independent zstd frames with a table of where they are: the "Zstandard Seekable Format", version
//! 0.1.0, as the zstd project publishes it (`contrib/seekable_format/zstd_seekable_compression_format.md`). Frames and
//! the skippable frame that holds the table are RFC 8878, so that any zstd program unpacks the whole file.
//!
//! The table is the last frame: magic and size (4 bytes each, little endian, like all below), for each frame its
//! compressed and its plain length, then the footer: number of frames, a byte of flags, and a magic number.

use std::io;

/// Plain bytes of a frame. Of the benchmark's roll frames of 64 KiB, 1 MiB and 4 MiB take 1/3.34, 1/3.42 and 1/3.43
/// (`zstd -b3 -B…`); a row costs the unpacking of its frame, a millisecond (`benches/keep_originals.rs`).
pub(crate) const FRAME_BYTES: usize = 1024 * 1024;
/// Level 6 takes three times as long for a thirteenth of the size less (`zstd -b6 -B1MB` on the benchmark's roll).
const LEVEL: i32 = 3;

/// A skippable frame of the number that the format gives to seek tables.
const SKIPPABLE_MAGIC: u32 = 0x184D_2A5E;
/// The last four bytes of the file.
const SEEKABLE_MAGIC: u32 = 0x8F92_EAB1;
const HEADER_BYTES: usize = 8;
const FOOTER_BYTES: usize = 9;
/// The most frames that the format allows.
const FRAMES_MAX: u32 = 0x0800_0000;
/// Flag: each entry ends with four bytes of a checksum.
const WITH_CHECKSUMS: u8 = 0x80;
/// Flags that must not be set.
const RESERVED: u8 = 0x7c;

/// Why bytes are no frames with a table.
#[derive(Debug, thiserror::Error)]
pub(crate) enum FramesError {
    /// The table does not say what the format asks for.
    #[error("its table of frames cannot be read: {0}")]
    Table(&'static str),
    /// A frame does not unpack to what the table says.
    #[error("frame {number} cannot be unpacked: {why}")]
    Frame {
        /// Its number, from 0.
        number: usize,
        /// Why.
        why: String,
    },
    /// More was asked for than there is.
    #[error("{0} bytes are kept, not as many as are asked for")]
    Beyond(u64),
}

/// Makes frames, and the table of them at the end.
pub(crate) struct FrameWriter {
    compressor: zstd::bulk::Compressor<'static>,
    entries: Vec<(u32, u32)>,
}

impl FrameWriter {
    /// A writer that has written nothing.
    pub(crate) fn new() -> io::Result<FrameWriter> {
        let mut compressor = zstd::bulk::Compressor::new(LEVEL)?;
        // each frame says how long it is, and proves its content by itself (XXH64, RFC 8878 section 3.1.1)
        compressor.include_contentsize(true)?;
        compressor.include_checksum(true)?;
        Ok(FrameWriter { compressor, entries: Vec::new() })
    }

    /// The next frame.
    pub(crate) fn frame(&mut self, plain: &[u8]) -> io::Result<Vec<u8>> {
        let packed = self.compressor.compress(plain)?;
        let too_long = |_| io::Error::other("a frame is too long for the table of frames");
        let lengths = (u32::try_from(packed.len()), u32::try_from(plain.len()));
        self.entries.push((lengths.0.map_err(too_long)?, lengths.1.map_err(too_long)?));
        Ok(packed)
    }

    /// The table, which ends the file.
    pub(crate) fn table(self) -> io::Result<Vec<u8>> {
        let many = |_| io::Error::other("there are more frames than a table of frames can hold");
        let frames = u32::try_from(self.entries.len()).map_err(many)?;
        let size = self.entries.len() * 8 + FOOTER_BYTES;
        let mut table = Vec::with_capacity(HEADER_BYTES + size);
        table.extend(SKIPPABLE_MAGIC.to_le_bytes());
        table.extend(u32::try_from(size).map_err(many)?.to_le_bytes());
        for (packed, plain) in self.entries {
            table.extend(packed.to_le_bytes());
            table.extend(plain.to_le_bytes());
        }
        table.extend(frames.to_le_bytes());
        table.push(0);
        table.extend(SEEKABLE_MAGIC.to_le_bytes());
        Ok(table)
    }
}

/// Where the frames of a file begin, packed and plain; one entry more than there are frames.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct FrameTable(Vec<(u64, u64)>);

/// What the end of a file tells.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Tail {
    /// All of the table.
    Whole(FrameTable),
    /// The table needs so many bytes from the end of the file.
    Longer(u64),
}

/// Frames that hold a range of plain bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Span {
    /// Number of the first one.
    pub(crate) first: usize,
    /// Number of the one after the last.
    pub(crate) end: usize,
    /// Where they lie in the file.
    pub(crate) packed: std::ops::Range<u64>,
    /// Where in their plain bytes the range begins.
    pub(crate) skip: u64,
}

impl FrameTable {
    /// Reads the table from the last bytes of a file of `file_bytes`.
    pub(crate) fn read(tail: &[u8], file_bytes: u64) -> Result<Tail, FramesError> {
        let footer = tail
            .len()
            .checked_sub(FOOTER_BYTES)
            .and_then(|at| tail.get(at..))
            .ok_or(FramesError::Table("the file is too short"))?;
        if word(footer, 5) != Some(SEEKABLE_MAGIC) {
            return Err(FramesError::Table("the file does not end with the mark of one"));
        }
        let flags = footer.get(4).copied().unwrap_or(RESERVED);
        if flags & RESERVED != 0 {
            return Err(FramesError::Table("it uses flags that have no meaning yet"));
        }
        let frames = word(footer, 0).unwrap_or(u32::MAX);
        if frames > FRAMES_MAX {
            return Err(FramesError::Table("it names more frames than the format allows"));
        }
        let entry_bytes = if flags & WITH_CHECKSUMS == 0 { 8 } else { 12 };
        let size = u64::from(frames) * entry_bytes + FOOTER_BYTES as u64;
        let all = size + HEADER_BYTES as u64;
        if all > file_bytes {
            return Err(FramesError::Table("it is longer than the file"));
        }
        let begin = usize::try_from(all).ok().and_then(|all| tail.len().checked_sub(all));
        let Some(table) = begin.and_then(|begin| tail.get(begin..)) else { return Ok(Tail::Longer(all)) };
        if word(table, 0) != Some(SKIPPABLE_MAGIC) || word(table, 4).map(u64::from) != Some(size) {
            return Err(FramesError::Table("its head does not fit its end"));
        }
        let (mut starts, mut packed, mut plain) = (vec![(0, 0)], 0u64, 0u64);
        let entries = table.get(HEADER_BYTES..table.len() - FOOTER_BYTES).unwrap_or_default();
        for entry in entries.chunks_exact(usize::try_from(entry_bytes).unwrap_or(8)) {
            packed += u64::from(word(entry, 0).unwrap_or_default());
            plain += u64::from(word(entry, 4).unwrap_or_default());
            starts.push((packed, plain));
        }
        if packed.checked_add(all) != Some(file_bytes) {
            return Err(FramesError::Table("its frames do not make up the file"));
        }
        Ok(Tail::Whole(FrameTable(starts)))
    }

    /// Plain bytes in all.
    pub(crate) fn plain_bytes(&self) -> u64 {
        self.0.last().map_or(0, |last| last.1)
    }

    /// The frames that hold a range; nothing lies in none.
    pub(crate) fn span(&self, start: u64, length: u64) -> Result<Option<Span>, FramesError> {
        let beyond = FramesError::Beyond(self.plain_bytes());
        let Some(stop) = start.checked_add(length).filter(|stop| *stop <= self.plain_bytes()) else {
            return Err(beyond);
        };
        if length == 0 {
            return Ok(None);
        }
        let first = self.0.partition_point(|(_, plain)| *plain <= start).saturating_sub(1);
        let end = self.0.partition_point(|(_, plain)| *plain < stop);
        let (Some(from), Some(to)) = (self.0.get(first), self.0.get(end)) else { return Err(beyond) };
        Ok(Some(Span { first, end, packed: from.0..to.0, skip: start.saturating_sub(from.1) }))
    }

    /// Unpacks the frames of a span from their packed bytes.
    pub(crate) fn unpack(&self, span: &Span, packed: &[u8]) -> Result<Vec<u8>, FramesError> {
        let failed = |number: usize, why: String| FramesError::Frame { number, why };
        let mut decompressor =
            zstd::bulk::Decompressor::new().map_err(|e| failed(span.first, e.to_string()))?;
        let frames = self.0.get(span.first..=span.end).unwrap_or_default();
        let mut plain = Vec::new();
        for (number, ends) in (span.first..).zip(frames.windows(2)) {
            let [from, to] = ends else { continue };
            let within =
                |at: u64| usize::try_from(at.saturating_sub(span.packed.start)).unwrap_or(usize::MAX);
            let frame = packed
                .get(within(from.0)..within(to.0))
                .ok_or_else(|| failed(number, "it is cut off".to_owned()))?;
            let bytes = usize::try_from(to.1.saturating_sub(from.1)).unwrap_or_default();
            let unpacked =
                decompressor.decompress(frame, bytes).map_err(|e| failed(number, e.to_string()))?;
            if unpacked.len() != bytes {
                return Err(failed(number, format!("it has {} bytes instead of {bytes}", unpacked.len())));
            }
            plain.extend(unpacked);
        }
        Ok(plain)
    }
}

/// Four bytes at a place, as a number.
fn word(bytes: &[u8], at: usize) -> Option<u32> {
    let four = bytes.get(at..at + 4)?;
    Some(u32::from_le_bytes(four.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(frames: &[&[u8]]) -> Vec<u8> {
        let mut writer = FrameWriter::new().unwrap();
        let mut file: Vec<u8> = frames.iter().flat_map(|plain| writer.frame(plain).unwrap()).collect();
        file.extend(writer.table().unwrap());
        file
    }

    fn table(file: &[u8]) -> FrameTable {
        match FrameTable::read(file, file.len() as u64).unwrap() {
            Tail::Whole(table) => table,
            Tail::Longer(bytes) => panic!("{bytes} of {}", file.len()),
        }
    }

    #[test]
    fn every_range_of_every_length_is_found_in_the_frames_that_hold_it() {
        let file = file(&[b"abcdef", b"g", b"hij"]);
        let (table, whole) = (table(&file), b"abcdefghij");
        for start in 0..=10usize {
            for end in start..=10 {
                let Some(span) = table.span(start as u64, (end - start) as u64).unwrap() else {
                    assert_eq!(start, end);
                    continue;
                };
                let packed = &file[span.packed.start as usize..span.packed.end as usize];
                let plain = table.unpack(&span, packed).unwrap();
                let skip = span.skip as usize;
                assert_eq!(&plain[skip..skip + end - start], &whole[start..end]);
            }
        }
        let one = table.span(6, 1).unwrap().unwrap();
        assert_eq!((one.first, one.end, one.skip), (1, 2, 0));
        assert!(table.span(10, 1).is_err() && table.span(u64::MAX, 1).is_err());
    }

    /// Byte by byte after the published description of the format.
    #[test]
    fn the_table_is_laid_out_as_published() {
        let file = file(&[b"0123456789"]);
        let (frame, table) = file.split_at(file.len() - 25);
        assert_eq!(frame[..4], [0x28, 0xB5, 0x2F, 0xFD], "RFC 8878, section 3.1.1");
        assert_eq!(table[..8], [0x5E, 0x2A, 0x4D, 0x18, 17, 0, 0, 0]);
        assert_eq!(table[8..16], [frame.len() as u8, 0, 0, 0, 10, 0, 0, 0]);
        assert_eq!(table[16..], [1, 0, 0, 0, 0, 0xB1, 0xEA, 0x92, 0x8F]);
    }

    #[test]
    fn a_table_that_is_longer_than_what_was_read_says_how_long_it_is() {
        let file = file(&[b"a", b"b", b"c"]);
        let tail = &file[file.len() - 20..];
        assert_eq!(FrameTable::read(tail, file.len() as u64).unwrap(), Tail::Longer(8 + 24 + 9));
    }

    #[test]
    fn entries_with_checksums_are_read_past_them() {
        let mut writer = FrameWriter::new().unwrap();
        let mut file = writer.frame(b"abc").unwrap();
        let packed = file.len() as u32;
        file.extend([0x5E, 0x2A, 0x4D, 0x18, 21, 0, 0, 0]);
        file.extend(packed.to_le_bytes());
        file.extend([3, 0, 0, 0, 9, 9, 9, 9, 1, 0, 0, 0, 0x80, 0xB1, 0xEA, 0x92, 0x8F]);
        assert_eq!(table(&file).plain_bytes(), 3);
    }

    #[test]
    fn damage_anywhere_is_told_and_never_read_over() {
        let whole = file(&[b"abcdef abcdef abcdef", b"ghi"]);
        for place in 0..whole.len() {
            let mut damaged = whole.clone();
            damaged[place] ^= 0x55;
            let read = FrameTable::read(&damaged, damaged.len() as u64);
            let Ok(Tail::Whole(table)) = read else { continue };
            let Ok(Some(span)) = table.span(0, table.plain_bytes()) else { panic!("byte {place}") };
            let packed = &damaged[span.packed.start as usize..span.packed.end as usize];
            let plain = table.unpack(&span, packed);
            assert!(plain.is_err(), "byte {place}: {plain:?}");
        }
        for cut in 0..whole.len() {
            let read = FrameTable::read(&whole[..cut], cut as u64);
            assert!(!matches!(read, Ok(Tail::Whole(_))), "cut to {cut}");
        }
    }
}

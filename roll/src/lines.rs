//! Rows of a file by their bytes: what a line index keeps of each, and how the next file is read against it.
//!
//! A row that has the length and the hash of the old file's row at the same place, or of one a little further on, is
//! the same row and is not parsed again. The hash is xxh3-64: two different rows of one length are taken for the same
//! with a probability of 2⁻⁶⁴ for each comparison, about once in five hundred million years of nights with a hundred
//! thousand changed rows. Such a row would keep its old content until it changes again. Nobody is kept from making two
//! rows that collide, but who publishes the file could as well publish the old row.

use std::collections::HashMap;
use std::io::{self, Read};

use crate::limits::BATCH_BYTES_MAX;
use crate::reader::{Batch, RollReader, Row};

/// Old rows looked at beyond the one expected.
const WINDOW: usize = 64;

/// Old rows that were passed over and may turn up later, kept at most.
const ASIDE_MAX: usize = 65_536;

/// Rows of a batch, known ones included: forty bytes each.
const LINES_A_BATCH: usize = 32_768;

/// Bytes of one row in an index.
pub const LINE_BYTES: usize = 16;

/// A file that begins a line with this byte may have ended there.
const END_OF_FILE_MARK: u8 = 0x1A;

/// What a row of the file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineIs {
    /// The batch's next entry.
    Entry,
    /// The batch's next reject.
    Reject,
    /// A row of the old file, with the number that the index has for it.
    Known(u32),
}

/// A row of the file in the file's order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line {
    /// xxh3-64 of its bytes, without the line end.
    pub hash: u64,
    /// Offset of its first byte.
    pub byte_start: u64,
    /// Physical line on which it begins, from 1.
    pub line: u64,
    /// Its length in bytes without the line end.
    pub byte_length: u32,
    /// Physical lines that it spans.
    pub lines: u16,
    /// What it is.
    pub what: LineIs,
}

/// A row of the old file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KnownLine {
    /// xxh3-64 of its bytes.
    pub hash: u64,
    /// Its length in bytes.
    pub byte_length: u32,
    /// Physical lines that it spans.
    pub lines: u16,
    /// The number of the record that it is; 0 for a row that has to be read again.
    pub number: u32,
}

const LENGTH_BITS: u32 = 21;

impl KnownLine {
    /// The row as an index keeps it: hash, then length (21 bits) and lines, then number; little-endian. A row beyond
    /// those bounds is one that has to be read again.
    #[must_use]
    pub fn to_bytes(self) -> [u8; LINE_BYTES] {
        let fits = self.byte_length < 1 << LENGTH_BITS && self.lines < 1 << (32 - LENGTH_BITS);
        let shape = if fits { self.byte_length | u32::from(self.lines) << LENGTH_BITS } else { 0 };
        let number = if fits { self.number } else { 0 };
        let all = u128::from(self.hash) | u128::from(shape) << 64 | u128::from(number) << 96;
        all.to_le_bytes()
    }

    /// The row of those bytes.
    #[must_use]
    pub fn from_bytes(bytes: [u8; LINE_BYTES]) -> KnownLine {
        let all = u128::from_le_bytes(bytes);
        #[expect(clippy::cast_possible_truncation, reason = "each part is cut from where it was put")]
        let (hash, shape, number) = (all as u64, (all >> 64) as u32, (all >> 96) as u32);
        KnownLine {
            hash,
            byte_length: shape & ((1 << LENGTH_BITS) - 1),
            lines: u16::try_from(shape >> LENGTH_BITS).unwrap_or(0),
            number,
        }
    }

    fn is(&self, hash: u64, byte_length: u32) -> bool {
        self.hash == hash && self.byte_length == byte_length
    }
}

/// Gives the old file's rows in its order, some at a time.
pub type More = Box<dyn FnMut() -> Option<Vec<KnownLine>> + Send>;

/// The rows of the old file while the new one is read.
pub struct KnownLines {
    more: More,
    ahead: Vec<KnownLine>,
    at: usize,
    misses: usize,
    /// Places in `ahead` by hash, made when the window did not help for a while.
    places: HashMap<u64, usize>,
    aside: HashMap<u64, KnownLine>,
}

impl std::fmt::Debug for KnownLines {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("KnownLines").field("ahead", &self.ahead.len()).finish_non_exhaustive()
    }
}

impl KnownLines {
    /// The rows that `more` gives.
    #[must_use]
    pub fn new(more: More) -> KnownLines {
        let (ahead, places, aside) = (Vec::new(), HashMap::new(), HashMap::new());
        KnownLines { more, ahead, at: 0, misses: 0, places, aside }
    }

    /// The row expected next, if it stands for a record.
    fn expected(&mut self) -> Option<KnownLine> {
        if self.ahead.len() - self.at <= WINDOW {
            self.refill();
        }
        self.ahead.get(self.at).copied().filter(|line| line.number != 0)
    }

    fn refill(&mut self) {
        if let Some(more) = (self.more)() {
            self.ahead.drain(..self.at);
            self.at = 0;
            self.places.clear();
            self.ahead.extend(more);
        }
    }

    fn met(&mut self) {
        self.at += 1;
        self.misses = 0;
    }

    /// The old row of these bytes, if it is near or was passed over; what lies before it is passed over.
    fn find(&mut self, hash: u64, byte_length: u32) -> Option<KnownLine> {
        let window = self.ahead.iter().skip(self.at).take(WINDOW);
        let near = window.enumerate().find(|(_, line)| line.is(hash, byte_length));
        if let Some((steps, line)) = near.map(|(steps, line)| (steps, *line)) {
            self.pass_over(self.at + steps);
            return Some(line);
        }
        if self.aside.get(&hash).is_some_and(|line| line.is(hash, byte_length)) {
            return self.aside.remove(&hash);
        }
        self.misses += 1;
        if self.misses < WINDOW {
            return None;
        }
        if self.places.is_empty() {
            let places = self.ahead.iter().enumerate().skip(self.at).rev();
            self.places = places.map(|(place, line)| (line.hash, place)).collect();
        }
        let place = self.places.get(&hash).copied().filter(|place| *place >= self.at)?;
        let line = self.ahead.get(place).copied().filter(|line| line.is(hash, byte_length))?;
        self.pass_over(place);
        Some(line)
    }

    /// Goes on behind a place; the records passed over may have moved down the file.
    fn pass_over(&mut self, place: usize) {
        for line in self.ahead.get(self.at..place).unwrap_or_default() {
            if line.number != 0 && self.aside.len() < ASIDE_MAX {
                self.aside.insert(line.hash, *line);
            }
        }
        self.at = place;
        self.met();
    }
}

impl<R: Read> RollReader<R> {
    /// As [`RollReader::next_batch`], with every row's line in the file's order, and without the rows that are known.
    ///
    /// # Errors
    /// Of the source.
    pub fn next_lines(
        &mut self,
        batch: &mut Batch,
        lines: &mut Vec<Line>,
        rows_max: usize,
        mut known: Option<&mut KnownLines>,
    ) -> io::Result<bool> {
        self.scratch.take_back(&mut batch.entries);
        batch.rejects.clear();
        lines.clear();
        let begun = self.bytes_read();
        while batch.rows() < rows_max
            && lines.len() < LINES_A_BATCH
            && self.bytes_read() - begun < BATCH_BYTES_MAX
        {
            match self.next_line(known.as_deref_mut(), batch)? {
                Some(line) => lines.push(line),
                None => break,
            }
        }
        batch.bytes_read = self.bytes_read();
        Ok(!lines.is_empty())
    }

    fn next_line(
        &mut self,
        mut known: Option<&mut KnownLines>,
        batch: &mut Batch,
    ) -> io::Result<Option<Line>> {
        if let Some(known) = known.as_deref_mut()
            && let Some(expected) = known.expected()
            && let Some(bytes) = self.framer.stands(expected.byte_length as usize, expected.hash)?
        {
            let line = self.line_of(&expected);
            self.pass(bytes, expected.lines);
            known.met();
            return Ok(Some(line));
        }
        let Some(frame) = self.framer.next_frame()? else { return Ok(None) };
        let hash = self.framer.hash(&frame);
        let mut line = Line {
            hash,
            byte_start: frame.byte_start,
            line: frame.line,
            byte_length: u32::try_from(frame.byte_length).unwrap_or(u32::MAX),
            lines: u16::try_from(frame.lines()).unwrap_or(u16::MAX),
            what: LineIs::Reject,
        };
        let found = known.and_then(|known| known.find(hash, line.byte_length));
        if let Some(found) = found.filter(|found| found.number != 0) {
            line.what = LineIs::Known(found.number);
            self.pass_frame(&frame);
            return Ok(Some(line));
        }
        match self.row_of(&frame) {
            Row::Entry(entry) => {
                line.what = LineIs::Entry;
                batch.entries.push(entry);
            }
            Row::Reject(reject) => batch.rejects.push(reject),
        }
        Ok(Some(line))
    }

    fn line_of(&self, known: &KnownLine) -> Line {
        Line {
            hash: known.hash,
            byte_start: self.framer.bytes(),
            line: self.framer.lines() + 1,
            byte_length: known.byte_length,
            lines: known.lines,
            what: LineIs::Known(known.number),
        }
    }
}

/// Whether a row may be taken for a known one by its bytes alone.
pub(crate) fn plain_beginning(row: &[u8]) -> bool {
    row.first().is_some_and(|byte| *byte != END_OF_FILE_MARK)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(number: u32) -> KnownLine {
        KnownLine { hash: u64::from(number) * 7, byte_length: 20 + number % 3, lines: 1, number }
    }

    fn known(rows: std::ops::Range<u32>, at_once: usize) -> KnownLines {
        let mut rows = rows.map(line);
        KnownLines::new(Box::new(move || {
            let some: Vec<_> = rows.by_ref().take(at_once).collect();
            (!some.is_empty()).then_some(some)
        }))
    }

    fn find(known: &mut KnownLines, number: u32) -> Option<u32> {
        known.expected();
        known.find(line(number).hash, line(number).byte_length).map(|found| found.number)
    }

    #[test]
    fn a_row_as_kept_is_the_row() {
        let row = KnownLine { hash: u64::MAX - 5, byte_length: 1 << 20, lines: 1000, number: u32::MAX };
        assert_eq!(KnownLine::from_bytes(row.to_bytes()), row);
        let longer = KnownLine { byte_length: 1 << 21, ..row };
        assert_eq!(KnownLine::from_bytes(longer.to_bytes()).number, 0, "it is read again");
    }

    #[test]
    fn rows_in_order_are_met_one_after_the_other_across_blocks() {
        let mut known = known(1..1000, 100);
        for number in 1..1000 {
            assert_eq!(known.expected(), Some(line(number)));
            known.met();
        }
        assert_eq!(known.expected(), None);
    }

    #[test]
    fn a_row_passed_over_is_found_where_it_comes_later() {
        let mut known = known(1..500, 100);
        for number in [1, 2, 10, 11, 5, 12] {
            assert_eq!(find(&mut known, number), Some(number));
        }
        assert_eq!(find(&mut known, 5), None, "once");
        assert_eq!(find(&mut known, 2), None);
    }

    #[test]
    fn a_stretch_longer_than_the_window_is_got_over() {
        let mut known = known(1..5000, 1000);
        assert_eq!(find(&mut known, 1), Some(1));
        let met = (600..900).filter(|number| find(&mut known, *number) == Some(*number)).count();
        assert!(met > 300 - 2 * WINDOW, "{met}");
    }

    #[test]
    fn rows_in_any_order_are_found_or_not_and_never_taken_for_others() {
        let mut known = known(0..2000, 500);
        for at in 0..2000u32 {
            let number = at * 1_237 % 2000;
            assert!(find(&mut known, number).is_none_or(|found| found == number));
        }
    }
}

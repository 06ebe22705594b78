//! What one row gives to a record, as bytes that sort by parcel.

use std::cmp::Ordering;
use std::io;

/// What one row, or one group of columns of it, gives to a record.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Piece {
    /// The parcel number normalised; pieces sort by it, then by table, file, line and group.
    pub(super) key: String,
    /// The table within the layout.
    pub(super) table: u16,
    /// The file within the edition.
    pub(super) file: u16,
    pub(super) line: u64,
    /// The group of columns, from 1; 0 for the row itself.
    pub(super) group: u32,
    pub(super) byte_start: u64,
    pub(super) byte_length: u32,
    /// The row was set aside, and only tells that something of the parcel is missing.
    pub(super) broken: bool,
    /// The year it belongs to, where the table has one.
    pub(super) year: Option<i32>,
    /// The parcel number as published.
    pub(super) raw: String,
    /// The building's number, or blank.
    pub(super) building: String,
    /// What tells rows of an extension apart, or blank.
    pub(super) row_key: String,
    pub(super) values: Vec<Found>,
}

/// A value of a piece.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Found {
    /// The field's number over all tables.
    pub(super) field: u16,
    pub(super) text: String,
    /// Its own heading, where rows have their own.
    pub(super) heading: String,
}

/// Bytes behind the key that take part in the order: table, file, line, group.
const ORDER_BYTES: usize = 2 + 2 + 8 + 4;

impl Piece {
    /// Appends the piece's bytes.
    pub(super) fn write(&self, out: &mut Vec<u8>) {
        put_text(out, &self.key);
        out.extend_from_slice(&self.table.to_be_bytes());
        out.extend_from_slice(&self.file.to_be_bytes());
        out.extend_from_slice(&self.line.to_be_bytes());
        out.extend_from_slice(&self.group.to_be_bytes());
        out.extend_from_slice(&self.byte_start.to_be_bytes());
        out.extend_from_slice(&self.byte_length.to_be_bytes());
        out.push(u8::from(self.broken));
        // a year is four digits at the most: the smallest number stands for none
        out.extend_from_slice(&self.year.unwrap_or(i32::MIN).to_be_bytes());
        for text in [&self.raw, &self.building, &self.row_key] {
            put_text(out, text);
        }
        out.extend_from_slice(&u32::try_from(self.values.len()).unwrap_or(u32::MAX).to_be_bytes());
        for value in &self.values {
            out.extend_from_slice(&value.field.to_be_bytes());
            put_text(out, &value.text);
            put_text(out, &value.heading);
        }
    }

    /// The piece of its bytes.
    pub(super) fn read(bytes: &[u8]) -> io::Result<Self> {
        let mut cursor = Cursor(bytes);
        read(&mut cursor).ok_or_else(damaged)
    }
}

fn read(cursor: &mut Cursor<'_>) -> Option<Piece> {
    let mut piece = Piece {
        key: cursor.text()?,
        table: u16::from_be_bytes(cursor.take()?),
        file: u16::from_be_bytes(cursor.take()?),
        line: u64::from_be_bytes(cursor.take()?),
        group: u32::from_be_bytes(cursor.take()?),
        byte_start: u64::from_be_bytes(cursor.take()?),
        byte_length: u32::from_be_bytes(cursor.take()?),
        broken: cursor.take::<1>()? != [0],
        year: Some(i32::from_be_bytes(cursor.take()?)).filter(|year| *year != i32::MIN),
        raw: cursor.text()?,
        building: cursor.text()?,
        row_key: cursor.text()?,
        values: Vec::new(),
    };
    for _ in 0..u32::from_be_bytes(cursor.take()?) {
        let field = u16::from_be_bytes(cursor.take()?);
        piece.values.push(Found { field, text: cursor.text()?, heading: cursor.text()? });
    }
    Some(piece)
}

/// The order of two pieces as bytes.
pub(super) fn order(one: &[u8], other: &[u8]) -> Ordering {
    sorted_by(one).cmp(&sorted_by(other))
}

/// The key, then the bytes of table, file, line and group.
fn sorted_by(piece: &[u8]) -> (&[u8], &[u8]) {
    let mut cursor = Cursor(piece);
    let key = cursor.bytes().unwrap_or_default();
    (key, cursor.0.get(..ORDER_BYTES).unwrap_or_default())
}

fn damaged() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, "a temporary file of the assembly is damaged: import again")
}

fn put_text(out: &mut Vec<u8>, text: &str) {
    // a row is a megabyte at the most
    out.extend_from_slice(&u32::try_from(text.len()).unwrap_or(u32::MAX).to_be_bytes());
    out.extend_from_slice(text.as_bytes());
}

struct Cursor<'a>(&'a [u8]);

impl<'a> Cursor<'a> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (taken, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*taken)
    }

    fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = usize::try_from(u32::from_be_bytes(self.take()?)).ok()?;
        let (taken, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(taken)
    }

    fn text(&mut self) -> Option<String> {
        self.bytes().and_then(|bytes| std::str::from_utf8(bytes).ok()).map(str::to_owned)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn piece() -> impl Strategy<Value = Piece> {
        let place = (0u16..3, 0u16..3, any::<u64>(), 0u32..3, any::<u64>(), any::<u32>(), any::<bool>());
        let texts = ("[0-9A-Z]{0,6}", ".{0,8}", ".{0,4}", ".{0,4}");
        let values = proptest::collection::vec((0u16..9, ".{0,9}", ".{0,3}"), 0..4);
        (texts, place, proptest::option::of(0i32..9999), values).prop_map(|(texts, place, year, values)| {
            let (key, raw, building, row_key) = texts;
            let (table, file, line, group, byte_start, byte_length, broken) = place;
            let found = |(field, text, heading)| Found { field, text, heading };
            let values = values.into_iter().map(found).collect();
            Piece {
                key,
                table,
                file,
                line,
                group,
                byte_start,
                byte_length,
                broken,
                year,
                raw,
                building,
                row_key,
                values,
            }
        })
    }

    proptest! {
        #[test]
        fn a_piece_comes_back_from_its_bytes_and_sorts_by_them(one in piece(), other in piece()) {
            let bytes = |piece: &Piece| { let mut out = Vec::new(); piece.write(&mut out); out };
            prop_assert_eq!(&Piece::read(&bytes(&one)).unwrap(), &one);
            let by = |piece: &Piece| (piece.key.clone(), piece.table, piece.file, piece.line, piece.group);
            prop_assert_eq!(order(&bytes(&one), &bytes(&other)), by(&one).cmp(&by(&other)));
        }

        #[test]
        fn bytes_that_were_cut_off_are_an_error(one in piece(), at in 0usize..40) {
            let mut bytes = Vec::new();
            one.write(&mut bytes);
            let cut = bytes.len() - 1 - at.min(bytes.len() - 1);
            prop_assert!(Piece::read(&bytes[..cut]).is_err());
        }
    }
}

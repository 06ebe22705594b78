//! Where an edition has its records, by number: a later row with the same parcel must name the line of the first one,
//! also of a record that is as it was.

use crossfoot_roll::lines::Line;

use super::counted;
use super::duplicates::Version;
use super::lines::Growing;
use crate::StoreError;

/// Where this edition has a record.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Place {
    /// The file from 1 in the upper 16 bits (0: not seen), the first byte in the others.
    file_and_start: u64,
    line: u32,
    byte_length: u32,
}

const START_BITS: u32 = 48;

impl Place {
    pub(super) fn of(version: &Version) -> Place {
        let file = (version.file + 1).unsigned_abs();
        Place {
            file_and_start: file << START_BITS | version.byte_start.unsigned_abs(),
            line: u32::try_from(version.line).unwrap_or(u32::MAX),
            byte_length: u32::try_from(version.byte_length).unwrap_or(u32::MAX),
        }
    }

    pub(super) fn of_line(line: &Line) -> Place {
        Place {
            file_and_start: 1 << START_BITS | line.byte_start,
            line: u32::try_from(line.line).unwrap_or(u32::MAX),
            byte_length: line.byte_length,
        }
    }

    /// A version with this place.
    pub(super) fn put_on(self, version: &Version) -> Version {
        Version {
            file: counted(self.file_and_start >> START_BITS) - 1,
            byte_start: counted(self.file_and_start & ((1 << START_BITS) - 1)),
            line: i64::from(self.line),
            byte_length: i64::from(self.byte_length),
            ..version.clone()
        }
    }
}

/// The places of the records seen so far, by number.
pub(super) enum Seen {
    /// Sixteen bytes a record.
    Places(Vec<Place>),
    /// Four bytes a record: which row of the index it is, from 1, where the index is a file that can be read again.
    Rows(Vec<u32>),
}

impl Seen {
    /// For records up to a number; later ones make room for themselves.
    pub(super) fn up_to(number: i64, index: &Growing) -> Seen {
        let count = usize::try_from(number).unwrap_or(0);
        if index.tells_places() {
            Seen::Rows(vec![0; count])
        } else {
            Seen::Places(vec![Place::default(); count])
        }
    }

    /// Notes where the row that is pushed to the index next has a record.
    pub(super) fn insert(&mut self, number: i64, place: Place, index: &Growing) {
        let at = usize::try_from(number).unwrap_or(0);
        match self {
            Seen::Places(places) => put(places, at, place),
            Seen::Rows(rows) => put(rows, at, index.rows() + 1),
        }
    }

    pub(super) fn contains(&self, number: i64) -> bool {
        let Ok(at) = usize::try_from(number) else { return false };
        match self {
            Seen::Places(places) => places.get(at).is_some_and(|place| *place != Place::default()),
            Seen::Rows(rows) => rows.get(at).is_some_and(|row| *row != 0),
        }
    }

    /// The place of a record that was seen.
    pub(super) fn place(&self, number: i64, index: &Growing) -> Result<Option<Place>, StoreError> {
        let Ok(at) = usize::try_from(number) else { return Ok(None) };
        match self {
            Seen::Places(places) => Ok(places.get(at).copied().filter(|place| *place != Place::default())),
            Seen::Rows(rows) => match rows.get(at).and_then(|row| row.checked_sub(1)) {
                Some(row) => index.place(row).map(|line| Some(Place::of_line(&line))),
                None => Ok(None),
            },
        }
    }
}

fn put<T: Copy + Default>(all: &mut Vec<T>, at: usize, item: T) {
    if at >= all.len() {
        all.resize(at + 1, T::default());
    }
    if let Some(slot) = all.get_mut(at) {
        *slot = item;
    }
}

//! The rows of one file of a table to pieces.

use super::piece::{Found, Piece};
use super::slots::Slots;
use super::value::{ConditionReader, FieldReader, PartReader, ValueFault, joined};
use crate::entry::{Reason, Reject};
use crate::header::{Header, HeaderError};
use crate::layout::{Layout, Part, TableLayout};
use crate::mapping::{Fault, Position, name, shown};
use crate::reader::{Columns, Cut, RollReader, Summary};
use crossfoot_audit::record::parcel_key::KeyNormaliser;
use std::collections::BTreeMap;
use std::io::{self, Read};

/// Where a table stands among others.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) table: u16,
    pub(super) file: u16,
    /// The number of the table's first field over all tables.
    pub(super) first_field: u16,
}

/// What one row came to.
#[derive(Debug)]
pub(super) enum Told {
    /// It gives these to a record.
    Pieces(Vec<Piece>),
    /// It does not meet the table's conditions.
    LeftOut,
    /// It is the header again.
    HeaderAgain,
}

/// Reads a file of a table.
#[derive(Debug)]
pub(crate) struct TableReader<R> {
    reader: RollReader<R>,
    cut: Cut,
    texts: Vec<String>,
    mapper: Mapper,
    /// Fields whose column stands under another name here, with that name.
    pub(super) renamed: BTreeMap<u16, String>,
}

#[derive(Debug)]
struct Mapper {
    place: Place,
    /// The names of the columns asked for, by slot, and their places in the header.
    names: Vec<String>,
    places: Vec<usize>,
    parcel: Vec<PartReader>,
    padded_parts: usize,
    normaliser: KeyNormaliser,
    building: Vec<PartReader>,
    line: Vec<PartReader>,
    year: Option<usize>,
    conditions: Vec<ConditionReader>,
    fields: Vec<FieldReader>,
    groups: u32,
}

impl<R: Read> TableReader<R> {
    pub(super) fn new(source: R, layout: &Layout, place: Place) -> Result<Self, HeaderError> {
        let Some(table) = layout.table.get(usize::from(place.table)) else { return Err(HeaderError::Empty) };
        let own = Layout { file: table.file.clone(), table: Vec::new(), ..layout.clone() };
        let columns = match (table.fixed.is_empty(), table.columns.is_empty()) {
            (false, _) => Columns::Fixed(table.fixed.iter().map(|field| field.name.clone()).collect()),
            (true, false) => Columns::Declared(&table.columns),
            (true, true) => Columns::Header { line: table.header_line },
        };
        let reader = RollReader::bare(source, &own, &columns)?;
        let mut slots = Slots::new(reader.header(), table.file.delimiter);
        let mapper = Mapper::new(layout, table, place, &mut slots)?;
        let renamed = renamed(table, place, &slots);
        let places = slots.places;
        let fixed = (!table.fixed.is_empty())
            .then(|| table.fixed.iter().map(|field| (field.from, field.to)).collect());
        let mut mapper = mapper;
        mapper.names = places.iter().map(|place| name(reader.header(), *place).to_owned()).collect();
        mapper.places.clone_from(&places);
        let cut = Cut { places, fixed, record_length: table.record_length };
        Ok(Self { reader, cut, texts: Vec::new(), mapper, renamed })
    }

    pub(crate) fn header(&self) -> &Header {
        self.reader.header()
    }

    /// The places in the header of the columns that the layout reads.
    pub(crate) fn places(&self) -> &[usize] {
        &self.cut.places
    }

    /// The next row. Of one that is set aside although its parcel could be read, `broken` is what tells its parcel so.
    pub(super) fn next(&mut self, broken: &mut Option<Piece>) -> io::Result<Option<Result<Told, Reject>>> {
        let mapper = &self.mapper;
        self.reader
            .next_mapped(&self.cut, &mut self.texts, |texts, position| mapper.map(texts, position, broken))
    }

    /// All fields of the next row as they stand, mapped or not.
    pub(crate) fn all_fields(&mut self) -> io::Result<Option<Vec<String>>> {
        let Some(fixed) = &self.cut.fixed else { return self.reader.next_fields() };
        let all = Cut { places: (0..fixed.len()).collect(), ..self.cut.clone() };
        let mut texts = Vec::new();
        match self.reader.next_mapped(&all, &mut texts, |_, _| Ok(()))? {
            None => Ok(None),
            Some(Ok(())) => Ok(Some(texts)),
            Some(Err(reject)) => Err(io::Error::new(io::ErrorKind::InvalidData, reject.detail)),
        }
    }

    pub(super) fn bytes_read(&self) -> u64 {
        self.reader.bytes_read()
    }

    pub(super) fn capacity(&self) -> usize {
        self.reader.buffer_capacity()
    }

    /// What has not been read of the text.
    pub(super) fn into_source(self) -> R {
        self.reader.into_source()
    }

    pub(super) fn finish(self) -> io::Result<Summary> {
        self.reader.finish()
    }
}

/// Fields of which a column was found under an alias.
fn renamed(table: &TableLayout, place: Place, slots: &Slots<'_>) -> BTreeMap<u16, String> {
    let found = |field: &crate::layout::FieldLayout| {
        let columns = field.from.0.iter().filter_map(|part| part.column.as_deref());
        let mut other = false;
        let names: Vec<&str> = columns
            .map(|column| match slots.renamed.iter().find(|(first, _)| first == column) {
                Some((_, found)) => {
                    other = true;
                    found.as_str()
                }
                None => column,
            })
            .collect();
        other.then(|| names.join(", "))
    };
    (place.first_field..)
        .zip(&table.field)
        .filter_map(|(number, field)| Some((number, found(field)?)))
        .collect()
}

impl Mapper {
    fn new(
        layout: &Layout,
        table: &TableLayout,
        place: Place,
        slots: &mut Slots<'_>,
    ) -> Result<Self, HeaderError> {
        let of_layout: Vec<Part> = layout
            .parcel
            .columns
            .iter()
            .map(|column| Part { column: Some(column.clone()), ..Part::default() })
            .collect();
        let parcel = if table.parcel.is_empty() { &of_layout } else { &table.parcel.0 };
        let mut fields = Vec::new();
        for (number, field) in (place.first_field..).zip(&table.field) {
            let groups = if field.grouped() { 1..=table.groups } else { 0..=0 };
            for group in groups {
                fields.push(FieldReader::new(number, field, group, slots)?);
            }
        }
        Ok(Self {
            place,
            names: Vec::new(),
            places: Vec::new(),
            parcel: PartReader::all(parcel, 0, slots)?,
            padded_parts: layout.parcel.pad_left.len(),
            normaliser: layout.parcel.key_rule().compile().map_err(HeaderError::Rule)?,
            building: PartReader::all(&table.building.0, 0, slots)?,
            line: PartReader::all(&table.line.0, 0, slots)?,
            year: table.year.as_ref().map(|year| slots.of_column(&year.column)).transpose()?,
            conditions: ConditionReader::all(&table.conditions, slots)?,
            fields,
            groups: table.groups,
        })
    }

    fn map(&self, texts: &[String], position: Position, broken: &mut Option<Piece>) -> Result<Told, Fault> {
        *broken = None;
        if !texts.is_empty() && texts == self.names {
            return Ok(Told::HeaderAgain);
        }
        if !self.conditions.iter().all(|condition| condition.holds(texts)) {
            return Ok(Told::LeftOut);
        }
        let (raw, key) = self.parcel(texts)?;
        let piece = Piece {
            key,
            raw,
            table: self.place.table,
            file: self.place.file,
            line: position.line,
            byte_start: position.byte_start,
            byte_length: position.byte_length,
            year: self.year(texts)?,
            building: plain_number(&joined(&self.building, texts, "/").map_err(|fault| self.fault(fault))?),
            row_key: joined(&self.line, texts, "/").map_err(|fault| self.fault(fault))?,
            ..Piece::default()
        };
        let mut pieces = vec![piece.clone()];
        for group in 1..=self.groups {
            pieces.push(Piece { group, building: group.to_string(), ..piece.clone() });
        }
        for field in &self.fields {
            let read = field.read(texts).map_err(|fault| {
                *broken = Some(Piece { broken: true, ..piece.clone() });
                self.fault(fault)
            });
            let Some((text, heading)) = read? else { continue };
            if let Some(piece) = pieces.iter_mut().find(|piece| piece.group == field.group) {
                piece.values.push(Found { field: field.number, text, heading });
            }
        }
        // a group of which nothing is filled is no building
        pieces.retain(|piece| piece.group == 0 || !piece.values.is_empty());
        Ok(Told::Pieces(pieces))
    }

    fn parcel(&self, texts: &[String]) -> Result<(String, String), Fault> {
        let parts = self
            .parcel
            .iter()
            .map(|part| part.text(texts, &[]))
            .collect::<Result<Vec<_>, _>>()
            .map_err(|fault| self.fault(fault))?;
        let parts: Vec<&str> = parts.iter().map(AsRef::as_ref).collect();
        let raw = parts.join(" ");
        let key = match parts.as_slice() {
            [only] if self.padded_parts > 1 => self.normaliser.normalise_joined(only),
            parts => self.normaliser.normalise(parts),
        };
        let slot = self.parcel.first().and_then(PartReader::slot);
        match key {
            Ok(Some(key)) => Ok((raw, key.as_str().to_owned())),
            Ok(None) => Err(Fault {
                reason: Reason::BlankParcel,
                place: self.place_of(slot),
                detail: format!(
                    "no parcel number, found {}: without one the row belongs to no property, correct it at the source",
                    shown(&raw)
                ),
            }),
            Err(problem) => Err(Fault {
                reason: Reason::BadParcel,
                place: self.place_of(slot),
                detail: problem.to_string(),
            }),
        }
    }

    fn year(&self, texts: &[String]) -> Result<Option<i32>, Fault> {
        let Some(slot) = self.year else { return Ok(None) };
        let text = texts.get(slot).map_or("", String::as_str);
        match text.parse::<i32>() {
            Ok(year) if (1000..=9999).contains(&year) => Ok(Some(year)),
            Ok(_) | Err(_) => Err(self.fault(ValueFault {
                reason: Reason::TextInNumber,
                slot: Some(slot),
                detail: format!(
                    "{}: no year, so it cannot be told to which the row belongs; correct it at the source",
                    shown(text)
                ),
            })),
        }
    }

    fn place_of(&self, slot: Option<usize>) -> Option<usize> {
        slot.and_then(|slot| self.places.get(slot)).copied()
    }

    fn fault(&self, fault: ValueFault) -> Fault {
        let column = fault.slot.and_then(|slot| self.names.get(slot)).map_or("the value", String::as_str);
        Fault {
            reason: fault.reason,
            place: self.place_of(fault.slot),
            detail: format!("{column} holds {}", fault.detail),
        }
    }
}

/// A building's number without zeros on the left: files of one source write them differently.
fn plain_number(text: &str) -> String {
    if text.is_empty() || !text.bytes().all(|byte| byte.is_ascii_digit()) {
        return text.to_owned();
    }
    let trimmed = text.trim_start_matches('0');
    if trimmed.is_empty() { "0".to_owned() } else { trimmed.to_owned() }
}

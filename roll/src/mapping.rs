//! A row's fields to an entry, as the layout maps them, or to the first reason why not.

use crate::decoding::TextFields;
use crate::entry::{Entry, Reason};
use crate::header::{Header, HeaderError};
use crate::layout::{Absent, KeepKind, Layout};
use crate::limits::VALUE_CHARS_SHOWN;
use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_audit::record::figure::{
    AREA_ABSURD_SQFT, AreaUnit, FigureError, FigureRule, parse_area, parse_decimal_text, parse_money,
    parse_whole,
};
use crossfoot_audit::record::parcel_key::{KeyNormaliser, KeyProblem};
use xxhash_rust::xxh3::xxh3_64;

/// The last year that is read as one: a later figure is a typing mistake or another column.
const YEAR_MAX: i64 = 9_999;

/// A column that holds figures.
#[derive(Debug)]
struct FigureColumn {
    place: usize,
    rule: FigureRule,
    /// The null words that look like figures, trimmed.
    null_figures: Vec<String>,
    optional: bool,
}

/// A column that is kept, with its figures' kind if it is checked.
#[derive(Debug)]
struct KeptColumn {
    figure: FigureColumn,
    kind: KeepKind,
    unit: AreaUnit,
}

/// The recorded area.
#[derive(Debug)]
struct AreaColumn {
    figure: FigureColumn,
    unit: AreaUnit,
    blank: Absent,
    zero: Absent,
}

/// The layout against one header.
#[derive(Debug)]
pub(crate) struct Mapping {
    parcel: Vec<usize>,
    normaliser: KeyNormaliser,
    situs: Vec<usize>,
    area: Option<AreaColumn>,
    value: Option<FigureColumn>,
    year_built: Option<FigureColumn>,
    class: Option<usize>,
    vacant: Vec<String>,
    kept: Vec<KeptColumn>,
}

/// Why a row is quarantined, and by which column.
#[derive(Debug)]
pub(crate) struct Fault {
    pub(crate) reason: Reason,
    pub(crate) place: Option<usize>,
    pub(crate) detail: String,
}

/// A fault of a figure before it is put in words. Of several, the lowest rank wins, then the first.
#[derive(Debug, Clone, Copy)]
struct FigureFault {
    rank: u8,
    reason: Reason,
    place: usize,
    error: Option<FigureError>,
}

/// Buffers that are used again for every row.
#[derive(Debug, Default)]
pub(crate) struct Scratch {
    bytes: Vec<u8>,
    /// Entries that were handed back, for the texts in them.
    entries: Vec<Entry>,
}

/// An entry that holds more than this is not used again: a few long rows would else make every one of them long.
const ENTRY_BYTES_KEPT: usize = 4 * 1024;

impl Scratch {
    /// Bytes that the buffers hold.
    pub(crate) fn capacity(&self) -> usize {
        self.bytes.capacity() + self.entries.iter().map(Entry::capacity).sum::<usize>()
    }

    /// Takes entries that nobody needs any more.
    pub(crate) fn take_back(&mut self, entries: &mut Vec<Entry>) {
        self.entries.clear();
        std::mem::swap(&mut self.entries, entries);
        self.entries.retain(|entry| entry.capacity() <= ENTRY_BYTES_KEPT);
    }
}

/// Where a row stands.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Position {
    pub(crate) line: u64,
    pub(crate) byte_start: u64,
    pub(crate) byte_length: u32,
}

impl Mapping {
    pub(crate) fn new(layout: &Layout, header: &Header) -> Result<Self, HeaderError> {
        let place = |column: &str| header.place(column, layout.file.delimiter);
        let places = |columns: &[String]| columns.iter().map(|column| place(column)).collect();
        let figure = |column: &str, rule: FigureRule, optional: bool| {
            let like_figures =
                rule.null.iter().map(|word| word.trim()).filter(|word| short_whole(word).is_some());
            let null_figures = like_figures.map(str::to_owned).collect();
            Ok::<_, HeaderError>(FigureColumn { place: place(column)?, rule, null_figures, optional })
        };
        let area = layout.area.as_ref().map(|area| {
            Ok(AreaColumn {
                figure: figure(&area.column, area.figure_rule(), false)?,
                unit: area.unit,
                blank: area.blank,
                zero: area.zero,
            })
        });
        let value =
            layout.value.as_ref().map(|value| figure(&value.column, value.figure_rule(), value.optional));
        let year =
            layout.year_built.as_ref().map(|year| figure(&year.column, year.figure_rule(), year.optional));
        let kept = layout.keep.iter().map(|keep| {
            Ok(KeptColumn {
                figure: figure(&keep.column, keep.figure_rule(), keep.optional)?,
                kind: keep.kind,
                unit: keep.unit,
            })
        });
        Ok(Self {
            parcel: places(&layout.parcel.columns)?,
            normaliser: layout.parcel.key_rule().compile().map_err(HeaderError::Rule)?,
            situs: layout.situs.as_ref().map_or(Ok(Vec::new()), |situs| places(&situs.columns))?,
            area: area.transpose()?,
            value: value.transpose()?,
            year_built: year.transpose()?,
            class: layout.class.as_ref().map(|class| place(&class.column)).transpose()?,
            vacant: layout.class.as_ref().map(|class| class.vacant.clone()).unwrap_or_default(),
            kept: kept.collect::<Result<_, HeaderError>>()?,
        })
    }

    /// Of a reader that gives texts and no entries.
    pub(crate) fn none(layout: &Layout) -> Result<Self, HeaderError> {
        Ok(Self {
            parcel: Vec::new(),
            normaliser: layout.parcel.key_rule().compile().map_err(HeaderError::Rule)?,
            situs: Vec::new(),
            area: None,
            value: None,
            year_built: None,
            class: None,
            vacant: Vec::new(),
            kept: Vec::new(),
        })
    }

    /// Whether the layout reads the column at this place.
    pub(crate) fn reads(&self, place: usize) -> bool {
        let figures =
            [self.area.as_ref().map(|area| &area.figure), self.value.as_ref(), self.year_built.as_ref()];
        let kept = self.kept.iter().map(|kept| &kept.figure);
        self.parcel.contains(&place)
            || self.situs.contains(&place)
            || self.class == Some(place)
            || figures.into_iter().flatten().chain(kept).any(|figure| figure.place == place)
    }

    /// The entry of a row, or the fault that comes first: a blank area where one is required, text in a column
    /// of figures, an area of zero where one is required, other faults of figures, the parcel number.
    pub(crate) fn entry(
        &self,
        row: &TextFields<'_>,
        position: Position,
        header: &Header,
        scratch: &mut Scratch,
    ) -> Result<Entry, Fault> {
        let class = self.class.map(|place| row.get(place)).unwrap_or_default();
        let vacant = self.vacant.iter().any(|vacant| vacant == class);
        let mut worst = None;
        let area = match &self.area {
            Some(column) => self.area(column, row, vacant, header, &mut worst)?,
            None => None,
        };
        let value = match &self.value {
            Some(column) => money(column, row, &mut worst),
            None => None,
        };
        let year_built = match &self.year_built {
            Some(column) => year(column, row, &mut worst),
            None => None,
        };
        for kept in self.kept.iter().filter(|kept| kept.kind != KeepKind::Text) {
            kept.check(row, &mut worst);
        }
        if let Some(fault) = worst {
            return Err(in_words(fault, row, header));
        }
        let mut entry = scratch.entries.pop().unwrap_or_default();
        self.parcel(row, header, &mut entry)?;
        entry.line = position.line;
        entry.byte_start = position.byte_start;
        entry.byte_length = position.byte_length;
        let situs = self.situs.iter().map(|place| row.get(*place)).filter(|part| !part.is_empty());
        join(situs, &mut entry.situs);
        (entry.area, entry.value, entry.year_built) = (area, value, year_built);
        entry.class.clear();
        entry.class.push_str(class);
        let kept = self.kept.iter().map(|kept| row.get(kept.figure.place));
        write_json_array(kept, row.needs_escaping(), &mut entry.rest);
        entry.content_hash = content_hash(&entry, &mut scratch.bytes);
        Ok(entry)
    }

    fn area(
        &self,
        column: &AreaColumn,
        row: &TextFields<'_>,
        vacant: bool,
        header: &Header,
        worst: &mut Option<FigureFault>,
    ) -> Result<Option<Area>, Fault> {
        let place = column.figure.place;
        let text = row.get(place);
        let whole = column.figure.short_whole(text).filter(|whole| *whole <= AREA_ABSURD_SQFT);
        let area = match whole.filter(|_| column.unit == AreaUnit::SquareFeet) {
            Some(whole) => Ok(Area::from_whole_square_feet(whole)),
            None => parse_area(text, column.unit, &column.figure.rule),
        };
        match area {
            Ok(None) if column.blank == Absent::Reject && !vacant => {
                let fault = FigureFault { rank: 0, reason: Reason::BlankArea, place, error: None };
                Err(in_words(fault, row, header))
            }
            Ok(Some(area)) if area == Area::ZERO => {
                if column.zero == Absent::Reject && !vacant {
                    note(worst, FigureFault { rank: 2, reason: Reason::ZeroArea, place, error: None });
                }
                Ok(None)
            }
            Ok(area) => Ok(area),
            Err(FigureError::Absurd) => {
                let error = Some(FigureError::Absurd);
                note(worst, FigureFault { rank: 3, reason: Reason::AbsurdArea, place, error });
                Ok(None)
            }
            Err(error) => {
                column.figure.note(worst, error);
                Ok(None)
            }
        }
    }

    fn parcel(&self, row: &TextFields<'_>, header: &Header, entry: &mut Entry) -> Result<(), Fault> {
        let fault = |reason, detail| Fault { reason, place: self.parcel.first().copied(), detail };
        let raw = &mut entry.parcel_raw;
        let key = match self.parcel.as_slice() {
            [only] => {
                join(std::iter::once(row.get(*only)), raw);
                self.normaliser.normalise_into(&[row.get(*only)], &mut entry.parcel_key)
            }
            several => {
                let parts: Vec<&str> = several.iter().map(|place| row.get(*place)).collect();
                join(parts.iter().copied(), raw);
                self.normaliser.normalise_into(&parts, &mut entry.parcel_key)
            }
        };
        match key {
            Ok(true) => Ok(()),
            Ok(false) => {
                let names: Vec<&str> = self.parcel.iter().map(|place| name(header, *place)).collect();
                let names = names.join(", ");
                let detail = format!(
                    "no parcel number in {names}, found {}: without one the record is of no property, correct it at \
                     the source",
                    shown(raw)
                );
                Err(fault(Reason::BlankParcel, detail))
            }
            Err(problem) => Err(fault(reason_of(&problem), problem.to_string())),
        }
    }
}

fn reason_of(problem: &KeyProblem) -> Reason {
    match problem {
        KeyProblem::ScientificNotation { .. } => Reason::ScientificParcel,
        KeyProblem::DateLike { .. }
        | KeyProblem::SpreadsheetError { .. }
        | KeyProblem::Formula { .. }
        | KeyProblem::TooLong { .. }
        | KeyProblem::PartBlank { .. }
        | KeyProblem::PartCount { .. }
        | KeyProblem::Pattern { .. } => Reason::BadParcel,
    }
}

impl FigureColumn {
    /// The figure of a text that is nothing but a few digits, as nearly all are; the reading of all others is
    /// left to the rule of the source, which would say the same of these.
    fn short_whole(&self, text: &str) -> Option<i64> {
        short_whole(text).filter(|_| !self.null_figures.iter().any(|word| word == text))
    }

    fn note(&self, worst: &mut Option<FigureFault>, error: FigureError) {
        if self.optional {
            return;
        }
        let (rank, reason) = match error {
            FigureError::Thousands => (3, Reason::ThousandsSeparator),
            FigureError::Negative => (3, Reason::NegativeNumber),
            FigureError::NotANumber | FigureError::TooFine | FigureError::Absurd => (1, Reason::TextInNumber),
        };
        note(worst, FigureFault { rank, reason, place: self.place, error: Some(error) });
    }
}

impl KeptColumn {
    fn check(&self, row: &TextFields<'_>, worst: &mut Option<FigureFault>) {
        let (text, rule) = (row.get(self.figure.place), &self.figure.rule);
        if self.kind != KeepKind::Area && self.figure.short_whole(text).is_some() {
            return;
        }
        let fault = match self.kind {
            KeepKind::Text => None,
            KeepKind::Whole => parse_whole(text, rule).err(),
            KeepKind::Money => parse_money(text, rule).err(),
            KeepKind::Area => parse_area(text, self.unit, rule).err(),
            KeepKind::Decimal => parse_decimal_text(text, rule).err(),
        };
        if let Some(error) = fault {
            self.figure.note(worst, error);
        }
    }
}

fn money(column: &FigureColumn, row: &TextFields<'_>, worst: &mut Option<FigureFault>) -> Option<Money> {
    let text = row.get(column.place);
    if let Some(whole) = column.short_whole(text) {
        return Some(Money::from_cents(whole * 100));
    }
    parse_money(text, &column.rule).unwrap_or_else(|error| {
        column.note(worst, error);
        None
    })
}

fn year(column: &FigureColumn, row: &TextFields<'_>, worst: &mut Option<FigureFault>) -> Option<i32> {
    let text = row.get(column.place);
    let year = match column.short_whole(text) {
        Some(whole) => Ok(Some(whole)),
        None => parse_whole(text, &column.rule),
    };
    let year = year.and_then(|year| match year {
        Some(year) if year > YEAR_MAX => Err(FigureError::Absurd),
        Some(_) | None => Ok(year),
    });
    match year {
        Ok(year) => year.and_then(|year| i32::try_from(year).ok()),
        Err(error) => {
            column.note(worst, error);
            None
        }
    }
}

fn note(worst: &mut Option<FigureFault>, fault: FigureFault) {
    if worst.is_none_or(|known| fault.rank < known.rank) {
        *worst = Some(fault);
    }
}

fn in_words(fault: FigureFault, row: &TextFields<'_>, header: &Header) -> Fault {
    let column = name(header, fault.place);
    let text = row.get(fault.place);
    let problem = match fault.error {
        Some(_) if !text.is_empty() && text == column => {
            "the header line again: the file was put together from several, take the repeated headers out"
                .to_owned()
        }
        Some(error) => error.to_string(),
        None if fault.reason == Reason::ZeroArea => {
            "the layout requires an area: correct it at the source, or set zero = \"missing\"".to_owned()
        }
        None => {
            "the layout requires an area: correct it at the source, or set blank = \"missing\"".to_owned()
        }
    };
    Fault {
        reason: fault.reason,
        place: Some(fault.place),
        detail: format!("{column} holds {}: {problem}", shown(text)),
    }
}

pub(crate) fn name(header: &Header, place: usize) -> &str {
    header.names.get(place).map(String::as_str).unwrap_or_default()
}

/// A value in a message: quoted, shortened, or said to be blank.
pub(crate) fn shown(text: &str) -> String {
    if text.is_empty() {
        return "nothing".to_owned();
    }
    match text.char_indices().nth(VALUE_CHARS_SHOWN) {
        Some((end, _)) => format!("{:?}…", text.get(..end).unwrap_or_default()),
        None => format!("{text:?}"),
    }
}

/// The number of a text of one to nine digits.
fn short_whole(text: &str) -> Option<i64> {
    let digits = text.as_bytes();
    if digits.is_empty() || digits.len() > 9 {
        return None;
    }
    let mut whole = 0;
    for digit in digits {
        if !digit.is_ascii_digit() {
            return None;
        }
        whole = whole * 10 + i64::from(digit - b'0');
    }
    Some(whole)
}

fn join<'a>(parts: impl Iterator<Item = &'a str>, into: &mut String) {
    into.clear();
    for (at, part) in parts.enumerate() {
        if at > 0 {
            into.push(' ');
        }
        into.push_str(part);
    }
}

/// The texts as a JSON array. In most rows nothing needs escaping, which is seen on the row as a whole; the others
/// are left to `serde_json`.
fn write_json_array<'a>(texts: impl Iterator<Item = &'a str>, escaping: bool, into: &mut String) {
    into.clear();
    into.push('[');
    for (at, text) in texts.enumerate() {
        if at > 0 {
            into.push(',');
        }
        if escaping {
            into.push_str(&serde_json::Value::from(text).to_string());
        } else {
            into.push('"');
            into.push_str(text);
            into.push('"');
        }
    }
    into.push(']');
}

/// xxh3-64 over the mapped values of an entry, each with its length or a mark that it is missing, so that no two
/// lists of values run together.
pub(crate) fn content_hash(entry: &Entry, scratch: &mut Vec<u8>) -> u64 {
    scratch.clear();
    for text in [&entry.parcel_raw, &entry.parcel_key, &entry.situs, &entry.class, &entry.rest] {
        scratch.extend_from_slice(&(text.len() as u64).to_le_bytes());
        scratch.extend_from_slice(text.as_bytes());
    }
    let numbers = [
        entry.area.map(Area::square_micrometres),
        entry.value.map(Money::cents),
        entry.year_built.map(i64::from),
    ];
    for number in numbers {
        scratch.push(u8::from(number.is_some()));
        scratch.extend_from_slice(&number.unwrap_or_default().to_le_bytes());
    }
    xxh3_64(scratch)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_few_digits_mean_what_the_rule_of_the_source_says(text in "[0-9]{1,9}") {
            let whole = short_whole(&text);
            let rule = FigureRule::default();
            prop_assert_eq!(parse_whole(&text, &rule), Ok(whole));
            prop_assert_eq!(parse_money(&text, &rule), Ok(whole.map(|whole| Money::from_cents(whole * 100))));
            prop_assert_eq!(parse_decimal_text(&text, &rule), Ok(Some(text.as_str())));
            let area = whole.filter(|whole| *whole <= AREA_ABSURD_SQFT).and_then(Area::from_whole_square_feet);
            prop_assert_eq!(parse_area(&text, AreaUnit::SquareFeet, &rule).ok().flatten(), area);
        }
    }

    #[test]
    fn other_texts_are_left_to_the_rule_of_the_source() {
        for text in ["", "1234567890", "-1", "1.0", "1,284", " 1", "²"] {
            assert_eq!(short_whole(text), None, "{text}");
        }
    }
}

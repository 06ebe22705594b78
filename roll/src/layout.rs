//! What one source's file looks like and what its columns mean, as data: TOML, checked when it is read.
//!
//! Nothing about a source is code. A layout says how the file is written (`[file]`), which columns make the
//! parcel number (`[parcel]`), and which hold the address, area, value, year and class. Unknown keys are
//! refused, so that a misspelt setting cannot go unnoticed.
//!
//! A source of several files, or with other rows than one a parcel, has a `[[table]]` for each kind of file, with the
//! fields in it, and `[record]` says which of them are the record's area, value and so on. `[situs]`, `[area]`,
//! `[value]`, `[year_built]`, `[class]` and `[[keep]]` belong to layouts without tables.

mod check;
mod rule;
mod shipped;
mod table;
mod text;

pub use rule::RuleOrigin;
pub use shipped::{Shipped, shipped};
pub use table::{
    Combine, Condition, DateOrder, FieldLayout, FixedField, Grain, Identity, Operator, Orphans, Otherwise,
    Over, Part, Parts, RecordLayout, TableLayout, Take, Unit, ValueKind, Whole, YearOf,
};

use crate::limits::{COLUMNS_MAX, LAYOUT_BYTES_MAX, ROW_LINES_MAX_DEFAULT};
use crossfoot_audit::record::figure::{AreaUnit, FigureRule};
use crossfoot_audit::record::parcel_key::KeyRule;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt;
use thiserror::Error;

/// The word for a basis that the publisher does not state.
pub const BASIS_NOT_PUBLISHED: &str = "not-published";

/// The layout of one source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// Name of the layout, such as `basalt-county-roll`.
    #[serde(deserialize_with = "text::named")]
    pub id: String,
    /// What the file is called in print.
    #[serde(default)]
    pub title: String,
    /// Who publishes it.
    #[serde(default)]
    pub publisher: String,
    /// Where the meaning of its columns is published.
    #[serde(default)]
    pub citation: String,
    /// Whose houses it lists.
    #[serde(deserialize_with = "text::named")]
    pub jurisdiction: String,
    /// What the area column measures: the id of a standard, or [`BASIS_NOT_PUBLISHED`].
    #[serde(deserialize_with = "text::named")]
    pub basis: String,
    /// The recorded figure is rounded to so many square feet; 0 for exact, whole square feet if not said.
    #[serde(default, deserialize_with = "text::rounding", skip_serializing_if = "Option::is_none")]
    pub rounding_sqft: Option<f64>,
    /// The id of the source that this one copies. Copies are one witness.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub derived_from: Option<String>,
    /// How the file is written.
    #[serde(default)]
    pub file: FileLayout,
    /// The parcel number.
    pub parcel: ParcelLayout,
    /// The situs address.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub situs: Option<SitusLayout>,
    /// The recorded area. Not every roll has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area: Option<AreaLayout>,
    /// The market or total value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<FigureLayout>,
    /// The year built.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub year_built: Option<YearLayout>,
    /// The class of use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<ClassLayout>,
    /// Further columns that are kept as published.
    #[serde(default)]
    pub keep: Vec<KeepLayout>,
    /// What is assumed where the publisher does not say, such as what the area counts.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub assumed: String,
    /// What whoever reads the records should know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    /// The tables of the source.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub table: Vec<TableLayout>,
    /// What the record as a whole has, from the fields of the tables.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<RecordLayout>,
    /// Arithmetic that a record keeps.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identity: Vec<Identity>,
}

/// How a delimited file is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FileLayout {
    /// The byte between two fields.
    #[serde(with = "text::delimiter")]
    pub delimiter: u8,
    /// The byte around a field that holds delimiters or line breaks; `None` (written `""`) turns quoting off.
    #[serde(with = "text::quote")]
    pub quote: Option<u8>,
    /// How the text is encoded.
    pub encoding: Encoding,
    /// How many physical lines one row may span.
    #[serde(deserialize_with = "text::row_lines")]
    pub row_lines_max: u32,
    /// Which file of an archive or sheet of a workbook holds the rows, where there are several: its name, `*` for any
    /// letters, without regard to case.
    #[serde(deserialize_with = "text::optional_name", skip_serializing_if = "Option::is_none")]
    pub within: Option<String>,
}

impl Default for FileLayout {
    fn default() -> Self {
        Self {
            delimiter: b',',
            quote: Some(b'"'),
            encoding: Encoding::Utf8,
            row_lines_max: ROW_LINES_MAX_DEFAULT,
            within: None,
        }
    }
}

/// How text is encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Encoding {
    /// UTF-8, with or without a byte order mark.
    #[serde(rename = "utf-8")]
    Utf8,
    /// Windows code page 1252, Western European.
    #[serde(rename = "windows-1252")]
    Windows1252,
}

impl Encoding {
    /// The name a layout uses.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Utf8 => "utf-8",
            Self::Windows1252 => "windows-1252",
        }
    }
}

/// The columns of the parcel number, and how they become a key.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ParcelLayout {
    /// The columns, in order.
    #[serde(deserialize_with = "text::columns")]
    pub columns: Vec<String>,
    /// Whose rule it is, where it is not the layout's own: the fields that follow are then the jurisdiction's.
    #[serde(default)]
    pub rule: Option<RuleOrigin>,
    /// The width each part is padded to with zeros on the left, one per column; empty pads nothing.
    #[serde(default)]
    pub pad_left: Vec<usize>,
    /// The characters that only separate and are removed.
    #[serde(default = "strip_default")]
    pub strip: String,
    /// Whether letters are compared in upper case.
    #[serde(default = "upper_default")]
    pub upper: bool,
    /// What stands between the parts of the key.
    #[serde(default)]
    pub join: String,
    /// A constant end that every number of the source carries.
    #[serde(default)]
    pub drop_tail: Option<String>,
    /// A regular expression every key must match.
    #[serde(default)]
    pub pattern: Option<String>,
}

fn strip_default() -> String {
    KeyRule::default().strip
}

fn upper_default() -> bool {
    KeyRule::default().upper
}

impl ParcelLayout {
    /// The rule by which this source's numbers become keys.
    #[must_use]
    pub fn key_rule(&self) -> KeyRule {
        KeyRule {
            pad_left: self.pad_left.clone(),
            strip: self.strip.clone(),
            upper: self.upper,
            join: self.join.clone(),
            drop_tail: self.drop_tail.clone(),
            pattern: self.pattern.clone(),
        }
    }
}

/// The columns of the situs address.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SitusLayout {
    /// The columns, in the order in which they are read out.
    #[serde(deserialize_with = "text::columns")]
    pub columns: Vec<String>,
}

/// The column of the recorded area.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AreaLayout {
    /// Its name.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// The unit of its figures.
    #[serde(default = "square_feet")]
    pub unit: AreaUnit,
    /// The words that stand for "no figure"; a blank always does.
    #[serde(default = "blank_only")]
    pub null: Vec<String>,
    /// The separator of thousands that the publisher writes.
    #[serde(default, deserialize_with = "text::thousands", skip_serializing_if = "Option::is_none")]
    pub thousands: Option<char>,
    /// What a blank area means.
    #[serde(default)]
    pub blank: Absent,
    /// What an area of zero means.
    #[serde(default)]
    pub zero: Absent,
}

fn square_feet() -> AreaUnit {
    AreaUnit::SquareFeet
}

fn blank_only() -> Vec<String> {
    vec![String::new()]
}

fn blank_and_zero() -> Vec<String> {
    vec![String::new(), "0".to_owned()]
}

impl AreaLayout {
    /// How its figures are written.
    #[must_use]
    pub fn figure_rule(&self) -> FigureRule {
        FigureRule { null: self.null.clone(), thousands: self.thousands }
    }
}

/// What is done with a record whose area is blank or zero. Classes that mean "no building" are never refused
/// for it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Absent {
    /// The record is kept and has no area.
    #[default]
    Missing,
    /// The row is quarantined.
    Reject,
}

/// A column of amounts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FigureLayout {
    /// Its name.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// The words that stand for "no figure"; a blank always does.
    #[serde(default = "blank_only")]
    pub null: Vec<String>,
    /// The separator of thousands that the publisher writes.
    #[serde(default, deserialize_with = "text::thousands", skip_serializing_if = "Option::is_none")]
    pub thousands: Option<char>,
    /// Whether a record is kept without the figure where it cannot be read.
    #[serde(default)]
    pub optional: bool,
}

impl FigureLayout {
    /// How its figures are written.
    #[must_use]
    pub fn figure_rule(&self) -> FigureRule {
        FigureRule { null: self.null.clone(), thousands: self.thousands }
    }
}

/// The column of the year built.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YearLayout {
    /// Its name.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// The words that stand for "not known", a zero unless the layout says otherwise; a blank always does.
    #[serde(default = "blank_and_zero")]
    pub null: Vec<String>,
    /// The separator of thousands that the publisher writes.
    #[serde(default, deserialize_with = "text::thousands", skip_serializing_if = "Option::is_none")]
    pub thousands: Option<char>,
    /// Whether a record is kept without the year where it cannot be read.
    #[serde(default)]
    pub optional: bool,
}

impl YearLayout {
    /// How its figures are written.
    #[must_use]
    pub fn figure_rule(&self) -> FigureRule {
        FigureRule { null: self.null.clone(), thousands: self.thousands }
    }
}

/// The column of the class of use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassLayout {
    /// Its name.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// The classes that mean that there is no building.
    #[serde(default, deserialize_with = "text::names")]
    pub vacant: Vec<String>,
}

/// A further column that is kept as published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeepLayout {
    /// Its name in the file.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// The name it is shown under; the column's own if not said.
    #[serde(default, deserialize_with = "text::optional_name", skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What it holds.
    #[serde(default)]
    pub kind: KeepKind,
    /// The unit, for areas.
    #[serde(default = "square_feet")]
    pub unit: AreaUnit,
    /// The words that stand for "no figure"; a blank always does.
    #[serde(default = "blank_only")]
    pub null: Vec<String>,
    /// The separator of thousands that the publisher writes.
    #[serde(default, deserialize_with = "text::thousands", skip_serializing_if = "Option::is_none")]
    pub thousands: Option<char>,
    /// Whether a record is kept where the value does not read as its kind.
    #[serde(default)]
    pub optional: bool,
}

impl KeepLayout {
    /// The name the column is shown under.
    #[must_use]
    pub fn shown_name(&self) -> &str {
        self.name.as_deref().unwrap_or(&self.column)
    }

    /// How its figures are written.
    #[must_use]
    pub fn figure_rule(&self) -> FigureRule {
        FigureRule { null: self.null.clone(), thousands: self.thousands }
    }
}

/// What a kept column holds. Kinds other than text are checked row by row.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum KeepKind {
    /// Anything.
    #[default]
    Text,
    /// Whole numbers.
    Whole,
    /// Amounts of money.
    Money,
    /// Areas.
    Area,
    /// Decimal numbers such as `1.5` storeys.
    Decimal,
}

/// Why a layout is refused, and where.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub struct LayoutError {
    /// The line of the layout, from 1; 0 if the layout as a whole is at fault.
    pub line: usize,
    /// The character of the line, from 1.
    pub column: usize,
    /// What was found and what would mend it.
    pub message: String,
}

impl fmt::Display for LayoutError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line == 0 {
            return write!(out, "layout: {}", self.message);
        }
        write!(out, "layout, line {}, column {}: {}", self.line, self.column, self.message)
    }
}

impl Layout {
    /// Reads and checks a layout.
    pub fn from_toml(toml: &str) -> Result<Self, LayoutError> {
        if toml.len() > LAYOUT_BYTES_MAX {
            let message = format!("{} bytes are too long: the most is {LAYOUT_BYTES_MAX}", toml.len());
            return Err(LayoutError { line: 0, column: 0, message });
        }
        let layout: Self = toml::from_str(toml).map_err(|error| {
            text::error_at(toml, error.span().map(|span| span.start), error.message().to_owned())
        })?;
        if layout.parcel.rule == Some(RuleOrigin::Newest)
            && let Some((at, message)) = rule::beside(toml)
        {
            return Err(text::error_at(toml, Some(at), message));
        }
        match layout.contradiction() {
            None => Ok(layout),
            Some((path, message)) => Err(text::error_at(toml, text::position(toml, &path), message)),
        }
    }

    /// SHA-256 of the layout's canonical JSON in hex: defaults spelt out, what is absent left out, keys sorted, no
    /// spaces. Two texts that mean the same have one version.
    #[must_use]
    pub fn version(&self) -> String {
        let mut canonical = String::new();
        // A layout holds text, whole numbers, booleans and one finite float: all of it has a form in JSON.
        text::write_canonical(&serde_json::to_value(self).unwrap_or_default(), &mut canonical);
        hex::encode(Sha256::digest(canonical.as_bytes()))
    }

    /// Every column that the layout reads, once, in the order parcel, situs, area, value, year, class, kept.
    #[must_use]
    pub fn mapped_columns(&self) -> Vec<&str> {
        let lists = [Some(&self.parcel.columns), self.situs.as_ref().map(|situs| &situs.columns)];
        let singles = [
            self.area.as_ref().map(|area| &area.column),
            self.value.as_ref().map(|value| &value.column),
            self.year_built.as_ref().map(|year| &year.column),
            self.class.as_ref().map(|class| &class.column),
        ];
        let kept = self.keep.iter().map(|keep| &keep.column);
        let plain = lists.into_iter().flatten().flatten().chain(singles.into_iter().flatten()).chain(kept);
        let mut columns: Vec<&str> = Vec::new();
        for column in plain {
            if !columns.contains(&column.as_str()) {
                columns.push(column);
            }
        }
        columns
    }

    /// Whether a class of use means that there is no building.
    #[must_use]
    pub fn class_vacant(&self, class: &str) -> bool {
        let plain = self.class.as_ref().map(|known| &known.vacant);
        let assembled = self.record.as_ref().map(|record| &record.vacant);
        plain.into_iter().chain(assembled).flatten().any(|vacant| vacant == class.trim())
    }

    /// Whether the source states an area. Not every roll does.
    #[must_use]
    pub fn states_area(&self) -> bool {
        self.area.is_some() || self.record.as_ref().is_some_and(|record| record.area.is_some())
    }

    /// Whether rows have to be put together: the source has tables, and is read by [`crate::assemble`].
    #[must_use]
    pub fn assembles(&self) -> bool {
        !self.table.is_empty()
    }

    /// The fields of all tables in order, each with its table. A field's place here is its number in stored records.
    pub fn fields(&self) -> impl Iterator<Item = (&TableLayout, &FieldLayout)> {
        self.table.iter().flat_map(|table| table.field.iter().map(move |field| (table, field)))
    }

    /// The first table whose pattern a file's name fits.
    #[must_use]
    pub fn table_of(&self, file: &str) -> Option<usize> {
        self.table.iter().position(|table| match &table.pattern {
            Some(pattern) => check::fits(pattern, file),
            None => true,
        })
    }

    /// The id of the standard that the area column follows, if the publisher states it.
    #[must_use]
    pub fn basis_published(&self) -> Option<&str> {
        (self.basis != BASIS_NOT_PUBLISHED).then_some(self.basis.as_str())
    }

    /// The recorded figure is rounded to so many square feet; 0 if it is exact.
    #[must_use]
    pub fn area_rounding_sqft(&self) -> f64 {
        self.rounding_sqft.unwrap_or(1.0)
    }

    /// Settings that are right alone and wrong together: where, and why.
    fn contradiction(&self) -> Option<(Vec<text::Step>, String)> {
        let key = |table: &'static str, key: &'static str| vec![text::Step::Key(table), text::Step::Key(key)];
        if self.file.quote == Some(self.file.delimiter) {
            let message = "quote is the delimiter as well: set quote = \"\" if the file does not quote";
            return Some((key("file", "quote"), message.to_owned()));
        }
        if !self.parcel.pad_left.is_empty() && self.parcel.pad_left.len() != self.parcel.columns.len() {
            let message = format!(
                "{} widths for {} columns of the parcel number: give one width per column, or none",
                self.parcel.pad_left.len(),
                self.parcel.columns.len()
            );
            return Some((key("parcel", "pad_left"), message));
        }
        if let Err(error) = self.parcel.key_rule().compile() {
            return Some((key("parcel", "pattern"), error.to_string()));
        }
        if let Some(found) = check::contradiction(self) {
            return Some(found);
        }
        if let Some(area) = &self.area
            && area.zero == Absent::Reject
            && area.null.iter().any(|word| word.trim() == "0")
        {
            let message =
                "zero areas are to be rejected, and null says that \"0\" is no figure: keep one of the two";
            return Some((key("area", "zero"), message.to_owned()));
        }
        if self.mapped_columns().len() > COLUMNS_MAX || self.keep.len() > COLUMNS_MAX {
            let message = format!("more than {COLUMNS_MAX} columns are mapped: keep fewer");
            return Some((vec![text::Step::Key("keep")], message));
        }
        let twice = self.keep.iter().enumerate().find(|(at, keep)| {
            self.keep.iter().take(*at).any(|earlier| earlier.shown_name() == keep.shown_name())
        });
        twice.map(|(at, keep)| {
            let message = format!("{:?} is kept twice: give one of the two another name", keep.shown_name());
            (vec![text::Step::Key("keep"), text::Step::Item(at)], message)
        })
    }
}

//! The parts of a layout whose source is more than one row a parcel in one delimited file: tables, the fields in
//! them, and how the rows of a parcel become one record.
//!
//! A field's text is made in a fixed order, so that a layout can be checked, compared and shown: each part is taken
//! from its column, trimmed, stripped, sliced, padded and looked up; null words and declared zeros leave it out; the
//! parts are joined, added up, or the first is taken; then it is read as its kind, and scaled.

use super::FileLayout;
use super::text;
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{Error, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// One table of an edition: a file, or several of one kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableLayout {
    /// Its name in the layout, such as `buildings`.
    #[serde(deserialize_with = "text::named")]
    pub name: String,
    /// Which files belong to it: a file name in which `*` stands for any letters and `?` for one, whatever their case.
    /// A layout of one table may leave it out.
    #[serde(default, deserialize_with = "text::optional_name", skip_serializing_if = "Option::is_none")]
    pub pattern: Option<String>,
    /// What one row of it is.
    pub grain: Grain,
    /// Whether an edition may come without it.
    #[serde(default, skip_serializing_if = "is_false")]
    pub optional: bool,
    /// How its files are written.
    #[serde(default, skip_serializing_if = "is_default")]
    pub file: FileLayout,
    /// The line that names the columns, from 1. What stands above it is passed over. Without a header: 0, and `columns`.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub header_line: u32,
    /// The names of the columns of a file without a header, in order.
    #[serde(default, skip_serializing_if = "Vec::is_empty", deserialize_with = "text::names")]
    pub columns: Vec<String>,
    /// The fields of a file of fixed width, which has no header.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fixed: Vec<FixedField>,
    /// The length of every line of a file of fixed width, in bytes without the line end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record_length: Option<usize>,
    /// The parts of the parcel number, where they are not the layout's `parcel.columns`.
    #[serde(default, skip_serializing_if = "Parts::is_empty")]
    pub parcel: Parts,
    /// What tells the buildings of a parcel apart. Rows of an extension in which it is blank belong to the parcel.
    #[serde(default, skip_serializing_if = "Parts::is_empty")]
    pub building: Parts,
    /// What tells the rows of an extension apart; without it every row counts, also one that is the same as another.
    #[serde(default, skip_serializing_if = "Parts::is_empty")]
    pub line: Parts,
    /// How many groups of columns there are, one a building, in columns with `{n}` in their name.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub groups: u32,
    /// The conditions that a row has to meet; others are left out and counted.
    #[serde(default, rename = "where", skip_serializing_if = "Vec::is_empty")]
    pub conditions: Vec<Condition>,
    /// The column that says which year a row belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub year: Option<YearOf>,
    /// What is done with a row of an extension whose parcel or building is in no other table.
    #[serde(default, skip_serializing_if = "is_default")]
    pub orphans: Orphans,
    /// The values in it.
    #[serde(default)]
    pub field: Vec<FieldLayout>,
}

/// What one row of a table is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grain {
    /// A parcel. Equal rows count once; of rows that differ the first stays.
    Parcel,
    /// A building of a parcel.
    Building,
    /// Something of a parcel or a building: a part of it, a feature, an amount.
    Extension,
}

/// What is done with rows that belong to nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Orphans {
    /// They are quarantined.
    #[default]
    Reject,
    /// They are left out and counted: the table is known to hold other properties as well.
    LeaveOut,
}

/// One field of a file of fixed width.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixedField {
    /// Its name.
    #[serde(deserialize_with = "text::named")]
    pub name: String,
    /// Its first position, from 1.
    pub from: usize,
    /// Its last position.
    pub to: usize,
}

/// Texts in the order in which they are put together. Written as a column's name, a table, or a list of both.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct Parts(pub Vec<Part>);

impl Parts {
    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// One text: from a column, or a constant.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Part {
    /// The column.
    #[serde(skip_serializing_if = "Option::is_none", deserialize_with = "text::optional_name")]
    pub column: Option<String>,
    /// Other names of the column, in other years' files.
    #[serde(skip_serializing_if = "Vec::is_empty", deserialize_with = "text::names")]
    pub aliases: Vec<String>,
    /// A text that is the same in every row; in place of a column.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub constant: Option<String>,
    /// Characters that are removed.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub strip: String,
    /// The first and the last character that are kept, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slice: Option<[usize; 2]>,
    /// The width that is filled up with zeros on the left.
    #[serde(skip_serializing_if = "is_zero_usize")]
    pub pad_left: usize,
    /// Zeros on the left are removed, but for the last one.
    #[serde(skip_serializing_if = "is_false")]
    pub trim_zeros: bool,
    /// Letters are put in upper case.
    #[serde(skip_serializing_if = "is_false")]
    pub upper: bool,
    /// Words in place of codes.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub lookup: BTreeMap<String, String>,
    /// What a code means that is not in `lookup`.
    #[serde(skip_serializing_if = "is_default")]
    pub otherwise: Otherwise,
    /// Words that leave the part out.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub null: Vec<String>,
    /// A file may lack the column.
    #[serde(skip_serializing_if = "is_false")]
    pub may_be_absent: bool,
}

/// What a code means that no lookup has.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Otherwise {
    /// Itself.
    #[default]
    Keep,
    /// Nothing.
    Missing,
    /// The row is quarantined, unless the field is optional.
    Reject,
}

/// A condition on a column.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// The column.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// How it is compared.
    pub op: Operator,
    /// With what.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// With which of several, for `in` and `not_in`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub values: Vec<String>,
}

/// How a condition compares: as numbers where both sides are some, else as texts. An order holds between numbers only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Operator {
    /// Equal.
    Eq,
    /// Not equal.
    Ne,
    /// Less.
    Lt,
    /// Less or equal.
    Le,
    /// Greater.
    Gt,
    /// Greater or equal.
    Ge,
    /// One of them.
    In,
    /// None of them.
    NotIn,
    /// Blank.
    Blank,
    /// Not blank.
    Present,
}

/// Which years' rows are read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YearOf {
    /// The column.
    #[serde(deserialize_with = "text::named")]
    pub column: String,
    /// `newest` (the newest in the table), `newest-of-parcel`, or a year such as `2025`.
    #[serde(default, skip_serializing_if = "is_default")]
    pub take: Take,
}

/// Which years' rows are taken.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Take {
    /// Those of the newest year in the table.
    #[default]
    Newest,
    /// Those of the newest year that the parcel has.
    NewestOfParcel,
    /// Those of one year.
    Named(i32),
}

/// A value in a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldLayout {
    /// Its name; fields of several tables may share one, the first that has a value is then taken.
    #[serde(deserialize_with = "text::named")]
    pub name: String,
    /// What it is called for people; its name if not said.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub heading: String,
    /// Where it comes from.
    pub from: Parts,
    /// How several parts make one text.
    #[serde(default, skip_serializing_if = "is_default")]
    pub combine: Combine,
    /// What stands between parts that are joined.
    #[serde(default = "blank", skip_serializing_if = "is_blank")]
    pub join: String,
    /// What it is.
    #[serde(default, skip_serializing_if = "is_default")]
    pub kind: ValueKind,
    /// The unit of its figures.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Unit>,
    /// Words that stand for "not known"; a blank always does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub null: Vec<String>,
    /// Whether a zero means "not known", however it is written.
    #[serde(default, skip_serializing_if = "is_false")]
    pub zero_missing: bool,
    /// The separator of thousands that the publisher writes.
    #[serde(default, deserialize_with = "text::thousands", skip_serializing_if = "Option::is_none")]
    pub thousands: Option<char>,
    /// What figures are multiplied by, such as `0.01` where two decimals are implied.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<String>,
    /// How dates are written.
    #[serde(default, skip_serializing_if = "is_default")]
    pub date: DateOrder,
    /// Whether a row is kept without the value where it cannot be read.
    #[serde(default, skip_serializing_if = "is_false")]
    pub optional: bool,
    /// The conditions under which a row has the value.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub when: Vec<Condition>,
    /// In a table of buildings: it belongs to the parcel.
    #[serde(default, skip_serializing_if = "is_false")]
    pub of_parcel: bool,
    /// It does not count when rows are compared, such as the day of an export.
    #[serde(default, skip_serializing_if = "is_false")]
    pub volatile: bool,
    /// In an extension: how the rows of one building or parcel make one value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over: Option<Over>,
    /// In an extension: one value for each of these, which is its heading.
    #[serde(default, skip_serializing_if = "Parts::is_empty")]
    pub each: Parts,
}

impl FieldLayout {
    /// What it is called for people.
    #[must_use]
    pub fn shown(&self) -> &str {
        if self.heading.is_empty() { &self.name } else { &self.heading }
    }

    /// Whether it stands in columns of which each building has its own.
    #[must_use]
    pub fn grouped(&self) -> bool {
        self.from.0.iter().filter_map(|part| part.column.as_deref()).any(|column| column.contains("{n}"))
    }
}

/// How several parts make one text.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Combine {
    /// One after the other.
    #[default]
    Join,
    /// The first that is there.
    First,
    /// Added up; one that is missing counts nothing, all of them missing are missing.
    Sum,
}

/// What a value is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ValueKind {
    /// Anything.
    #[default]
    Text,
    /// A whole number.
    Whole,
    /// Any number, such as `1.5` storeys or acres of land.
    Decimal,
    /// An amount of money.
    Money,
    /// A floor area, in `sqft` or `m2`.
    Area,
    /// A year.
    Year,
    /// A date.
    Date,
}

impl ValueKind {
    /// Whether it can be added up and compared by size.
    #[must_use]
    pub fn is_figure(self) -> bool {
        matches!(self, Self::Whole | Self::Decimal | Self::Money | Self::Area | Self::Year)
    }
}

/// Units of figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Square feet.
    Sqft,
    /// Square metres.
    M2,
    /// Acres.
    Acre,
    /// Feet.
    Ft,
    /// Metres.
    M,
}

impl Unit {
    /// As it is written behind a figure.
    #[must_use]
    pub fn written(self) -> &'static str {
        match self {
            Self::Sqft => "sq ft",
            Self::M2 => "m²",
            Self::Acre => "acres",
            Self::Ft => "ft",
            Self::M => "m",
        }
    }
}

/// In which order a date is written. Separators may be any of `- / .` or none; a time behind it is left off.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DateOrder {
    /// Year, month, day.
    #[default]
    Ymd,
    /// Month, day, year.
    Mdy,
    /// Day, month, year.
    Dmy,
}

/// How several values make one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Over {
    /// That of the main building: the lowest building number; in an extension the first row's.
    #[default]
    Main,
    /// Their sum; none if a building has none, because a part of a total is not the total.
    Sum,
    /// The largest.
    Largest,
    /// The smallest.
    Smallest,
    /// All that differ, joined.
    Join,
}

/// What the record as a whole has, from the fields of the tables.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RecordLayout {
    /// The field of the situs address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub situs: Option<Whole>,
    /// The field of the area that the layout's basis is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area: Option<Whole>,
    /// The field of the market or total value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Whole>,
    /// The field of the year built.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub year_built: Option<Whole>,
    /// The field of the class of use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<Whole>,
    /// The classes that mean that there is no building.
    #[serde(skip_serializing_if = "Vec::is_empty", deserialize_with = "text::names")]
    pub vacant: Vec<String>,
}

/// A field, and how those of several buildings make the record's. Written as the field's name, or as a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Whole {
    /// The field's name.
    pub field: String,
    /// Over the buildings of the parcel.
    #[serde(skip_serializing_if = "is_default")]
    pub over: Over,
}

/// Arithmetic that a record keeps: one field is the sum of others.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Identity {
    /// The field of the total.
    #[serde(deserialize_with = "text::named")]
    pub left: String,
    /// The fields that make it up; one with a minus before it is taken off.
    #[serde(deserialize_with = "text::columns")]
    pub right: Vec<String>,
    /// By how much the two sides may differ, in the unit of the fields.
    #[serde(default = "zero_text", skip_serializing_if = "is_zero_text")]
    pub tolerance: String,
}

impl Identity {
    /// The fields of the right side, each with whether it is taken off.
    pub fn terms(&self) -> impl Iterator<Item = (&str, bool)> {
        self.right.iter().map(|term| match term.strip_prefix('-') {
            Some(name) => (name.trim(), true),
            None => (term.as_str(), false),
        })
    }
}

impl std::fmt::Display for Identity {
    /// As in `total = ground + upper - void`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} =", self.left)?;
        for (at, (name, off)) in self.terms().enumerate() {
            let sign = match (at, off) {
                (0, false) => "",
                (_, false) => " +",
                (_, true) => " -",
            };
            write!(f, "{sign} {name}")?;
        }
        Ok(())
    }
}

fn one() -> u32 {
    1
}

fn blank() -> String {
    " ".to_owned()
}

fn zero_text() -> String {
    "0".to_owned()
}

fn is_one(number: &u32) -> bool {
    *number == 1
}

fn is_zero(number: &u32) -> bool {
    *number == 0
}

fn is_zero_usize(number: &usize) -> bool {
    *number == 0
}

fn is_blank(text: &str) -> bool {
    text == " "
}

fn is_zero_text(text: &str) -> bool {
    text == "0"
}

fn is_false(flag: &bool) -> bool {
    !flag
}

fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

impl Serialize for Take {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Newest => serializer.serialize_str("newest"),
            Self::NewestOfParcel => serializer.serialize_str("newest-of-parcel"),
            Self::Named(year) => serializer.serialize_str(&year.to_string()),
        }
    }
}

impl<'de> Deserialize<'de> for Take {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        match text.as_str() {
            "newest" => Ok(Self::Newest),
            "newest-of-parcel" => Ok(Self::NewestOfParcel),
            year if year.len() == 4 => year.parse().map(Self::Named).map_err(|_| year_error(year)),
            other => Err(year_error(other)),
        }
    }
}

fn year_error<E: Error>(found: &str) -> E {
    E::custom(format!(
        "{found:?} is no choice of years: write \"newest\", \"newest-of-parcel\", or a year such as \"2025\""
    ))
}

impl<'de> Deserialize<'de> for Parts {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(PartsVisitor)
    }
}

struct PartsVisitor;

impl<'de> Visitor<'de> for PartsVisitor {
    type Value = Parts;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a column's name, a table with column or constant, or a list of these")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Parts, E> {
        PartVisitor.visit_str(text).map(|part| Parts(vec![part]))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Parts, A::Error> {
        PartVisitor.visit_map(map).map(|part| Parts(vec![part]))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, list: A) -> Result<Parts, A::Error> {
        let parts = Vec::<OnePart>::deserialize(SeqAccessDeserializer::new(list))?;
        if parts.is_empty() {
            return Err(A::Error::custom("no column is named: name at least one, or leave the setting out"));
        }
        Ok(Parts(parts.into_iter().map(|part| part.0).collect()))
    }
}

struct OnePart(Part);

impl<'de> Deserialize<'de> for OnePart {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(PartVisitor).map(OnePart)
    }
}

struct PartVisitor;

impl<'de> Visitor<'de> for PartVisitor {
    type Value = Part;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a column's name, or a table with column or constant")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Part, E> {
        let column = text.trim();
        if column.is_empty() {
            return Err(E::custom("a blank name: write the name as the file's header has it"));
        }
        Ok(Part { column: Some(column.to_owned()), ..Part::default() })
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Part, A::Error> {
        let part = Part::deserialize(MapAccessDeserializer::new(map))?;
        if part.column.is_some() == part.constant.is_some() {
            return Err(A::Error::custom("a part is either a column or a constant: name one of the two"));
        }
        if part.slice.is_some_and(|[from, to]| from == 0 || to < from) {
            return Err(A::Error::custom(
                "slice is the first and the last character, from 1: write [1, 6] for the first six",
            ));
        }
        Ok(part)
    }
}

impl<'de> Deserialize<'de> for Whole {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(WholeVisitor)
    }
}

struct WholeVisitor;

impl<'de> Visitor<'de> for WholeVisitor {
    type Value = Whole;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a field's name, or a table with field and over")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Whole, E> {
        Ok(Whole { field: text.trim().to_owned(), over: Over::Main })
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Whole, A::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Table {
            field: String,
            #[serde(default)]
            over: Over,
        }
        let table = Table::deserialize(MapAccessDeserializer::new(map))?;
        Ok(Whole { field: table.field.trim().to_owned(), over: table.over })
    }
}

//! What a look at a file finds out, as it is given to programs.

use schemars::JsonSchema;
use serde::Serialize;

/// What a file is, before anything of it is stored.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Look {
    /// The name of the file.
    pub name: String,
    /// Bytes that were looked at.
    pub bytes: u64,
    /// Whether these are the whole file. If not, counts are those of its beginning.
    pub whole: bool,
    /// How the text is encoded.
    pub encoding: EncodingFound,
    /// How rows are written.
    pub shape: Shape,
    /// The names of the columns.
    pub header: HeaderFound,
    /// How many rows there are, and which do not fit.
    pub rows: RowsFound,
    /// The columns, in the file's order.
    pub columns: Vec<ColumnFound>,
    /// The first rows.
    pub sample: Sample,
    /// The known layouts, the best fit first.
    pub layouts: Vec<LayoutFit>,
    /// A layout for this file, unless none can be proposed.
    pub proposal: Option<Proposal>,
    /// What is worth knowing before the file is imported, one sentence each.
    pub notes: Vec<String>,
}

/// How sure a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sureness {
    /// Could be something else: look at the examples.
    Guess,
    /// Most probably so.
    Likely,
    /// The bytes leave no doubt.
    Certain,
}

impl Sureness {
    /// The word for people.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Sureness::Guess => "a guess",
            Sureness::Likely => "likely",
            Sureness::Certain => "certain",
        }
    }
}

/// How the text is encoded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct EncodingFound {
    /// Its name in the Encoding Standard (WHATWG), in small letters, such as `utf-8`, `utf-16le` or `windows-1252`.
    pub name: String,
    /// How sure that is.
    pub sure: Sureness,
    /// Why, in words.
    pub reason: String,
    /// Whether an import reads it so as it is. If not, the file has to be saved as UTF-8 first.
    pub read: bool,
    /// Values with letters beyond ASCII as they read in this encoding, so that a person can tell whether it is right.
    pub examples: Vec<Example>,
}

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Example {
    /// The line of the file, from 1.
    pub line: u64,
    /// The column's name.
    pub column: String,
    /// The value, shortened.
    pub value: String,
}

/// How rows are written.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Shape {
    /// What separates fields.
    pub separation: Separation,
    /// Fields of most rows.
    pub fields: usize,
    /// Share of the rows looked at that have so many fields, 0 to 1.
    pub share: f64,
    /// The character around fields that hold delimiters, or null where the file does not quote.
    pub quote: Option<char>,
    /// Why quoting is on or off, in words.
    pub quoting: String,
    /// How lines end: LF, CRLF, CR, or several of them.
    pub line_ends: String,
    /// The most lines that one row spans.
    pub row_lines: u32,
    /// What else was tried and how it came out, in words.
    pub others: Vec<String>,
}

/// What separates fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Separation {
    /// A comma.
    Comma,
    /// A tab.
    Tab,
    /// A vertical bar.
    Pipe,
    /// A semicolon.
    Semicolon,
    /// Nothing: all records are equally long, and fields stand at fixed places.
    FixedWidth,
    /// Nothing: there is one field a row.
    None,
}

impl Separation {
    /// The word for people.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Separation::Comma => "comma",
            Separation::Tab => "tab",
            Separation::Pipe => "pipe",
            Separation::Semicolon => "semicolon",
            Separation::FixedWidth => "fixed places",
            Separation::None => "none: one field a row",
        }
    }

    /// The byte, where there is one.
    #[must_use]
    pub fn byte(self) -> Option<u8> {
        match self {
            Separation::Comma => Some(b','),
            Separation::Tab => Some(b'\t'),
            Separation::Pipe => Some(b'|'),
            Separation::Semicolon => Some(b';'),
            Separation::FixedWidth | Separation::None => None,
        }
    }
}

/// The names of the columns.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HeaderFound {
    /// Whether there are any. If not, the columns are called `column 1` and so on here.
    pub present: bool,
    /// How sure that is.
    pub sure: Sureness,
    /// Why, in words.
    pub reason: String,
    /// The line they stand on, from 1.
    pub line: Option<u64>,
    /// Lines before it that are no rows: a title, a date.
    pub title_lines: Vec<String>,
    /// Further lines on which the header stands again.
    pub repeated_on: Vec<u64>,
    /// Names that stand there more than once.
    pub duplicates: Vec<String>,
}

/// How many rows there are.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RowsFound {
    /// Rows with as many fields as most have, the header left out. What is said of columns is from these.
    pub counted: u64,
    /// Rows that do not fit: another number of fields, a quote that does not close, too long.
    pub misfits: u64,
    /// The first of them.
    pub misfit_examples: Vec<Misfit>,
    /// Fields in quotes that go on over a line end, in rows.
    pub rows_over_lines: u64,
}

/// A row that does not fit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Misfit {
    /// The line on which it begins, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub detail: String,
}

/// What a column seems to hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ColumnKind {
    /// Nothing: all blank.
    Empty,
    /// A number or name that tells one record from another.
    Identifier,
    /// Whole numbers.
    Whole,
    /// Numbers with decimals.
    Decimal,
    /// Amounts of money.
    Money,
    /// Areas, by name and range.
    Area,
    /// Years.
    Year,
    /// Dates.
    Date,
    /// One of a few values.
    Code,
    /// Anything.
    Text,
}

impl ColumnKind {
    /// The word for people.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ColumnKind::Empty => "empty",
            ColumnKind::Identifier => "identifier",
            ColumnKind::Whole => "whole numbers",
            ColumnKind::Decimal => "decimals",
            ColumnKind::Money => "money",
            ColumnKind::Area => "areas",
            ColumnKind::Year => "years",
            ColumnKind::Date => "dates",
            ColumnKind::Code => "codes",
            ColumnKind::Text => "text",
        }
    }
}

/// One column.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ColumnFound {
    /// Its place, from 1.
    pub place: usize,
    /// Its name in the header, or `column` and its place.
    pub name: String,
    /// What it seems to hold.
    pub kind: ColumnKind,
    /// Why its values are not shown: they name or reach people. Null for all other columns.
    pub personal: Option<String>,
    /// What it holds, in words: kind, range, share of blanks.
    pub summary: String,
    /// Rows in which it is blank.
    pub blank: u64,
    /// Words that stand for a missing value, with the rows that have them.
    pub null_words: Vec<Counted>,
    /// Rows in which it is zero.
    pub zero: u64,
    /// Rows in which it is a number.
    pub numbers: u64,
    /// Different values, blanks left out.
    pub distinct: u64,
    /// Whether there are more different values than were counted.
    pub distinct_is_least: bool,
    /// The least number; zeros count, words for missing values do not.
    pub least: Option<f64>,
    /// The median of the numbers.
    pub median: Option<f64>,
    /// The greatest number.
    pub most: Option<f64>,
    /// Whether the median is that of a sample of the numbers.
    pub median_sampled: bool,
    /// Fewest characters of a value, blanks left out.
    pub length_least: u64,
    /// Most characters of a value.
    pub length_most: u64,
    /// The longest value, shortened; null for personal columns.
    pub longest: Option<String>,
    /// A few values; none for personal columns.
    pub examples: Vec<String>,
    /// All values with the rows that have them, the most frequent first, where they are few.
    pub values: Vec<Counted>,
    /// What is doubtful about it, one sentence each.
    pub suspicions: Vec<String>,
}

/// A value and how many rows have it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Counted {
    /// The value, shortened.
    pub value: String,
    /// How many rows have it.
    pub rows: u64,
}

/// The first rows.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Sample {
    /// Names of the columns that are shown, personal ones left out.
    pub columns: Vec<String>,
    /// The rows.
    pub rows: Vec<SampleRow>,
}

/// One of the first rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SampleRow {
    /// The line on which it begins, from 1.
    pub line: u64,
    /// Its values, shortened.
    pub cells: Vec<String>,
}

/// How a known layout fits.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LayoutFit {
    /// The layout's id.
    pub id: String,
    /// Its title.
    pub title: String,
    /// Columns that it reads.
    pub columns: usize,
    /// Those of them that the file has.
    pub columns_present: usize,
    /// Names of those that the file does not have.
    pub missing: Vec<String>,
    /// Why the file would be refused as a whole, or null.
    pub refusal: Option<String>,
    /// How its rows would be read, unless it is refused.
    pub reading: Option<Reading>,
}

/// How rows are read by a layout: what would come in, and what would be quarantined.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Reading {
    /// Rows read.
    pub rows: u64,
    /// Whether these are all rows of the file.
    pub whole: bool,
    /// Rows that would become records.
    pub entries: u64,
    /// Of these, rows with an area.
    pub with_area: u64,
    /// Of these, rows that repeat the parcel number of an earlier row.
    pub repeated_parcels: u64,
    /// Rows that would be quarantined, by reason.
    pub quarantined: Vec<ReasonFound>,
}

/// Rows that would be quarantined for one reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ReasonFound {
    /// The reason, such as `text_in_number`.
    pub reason: String,
    /// How many rows.
    pub rows: u64,
    /// The first of them.
    pub examples: Vec<Misfit>,
}

/// A layout for this file, with the reason for each part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Proposal {
    /// The layout (TOML), with the reasons as comments. It is read as it stands.
    pub layout: String,
    /// What is read from which columns.
    pub parts: Vec<ProposedPart>,
    /// How the file's rows would be read by it.
    pub reading: Option<Reading>,
    /// Why the file would be refused under it, or null.
    pub refusal: Option<String>,
    /// What a person has to fill in or look up before it is used.
    pub open: Vec<String>,
}

/// A part of a proposed layout.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ProposedPart {
    /// parcel, situs, area, value, year_built, class or keep.
    pub part: String,
    /// The columns, in order; none where nothing fits.
    pub columns: Vec<String>,
    /// Why these, in words.
    pub reason: String,
    /// Columns that were considered too, and why they were not taken.
    pub others: Vec<Rejected>,
}

/// A column that was considered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Rejected {
    /// Its name.
    pub column: String,
    /// Why it was not taken.
    pub why_not: String,
}

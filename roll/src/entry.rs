//! What one row of a roll becomes: an [`Entry`], or a [`Reject`] with its reason and its raw bytes.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;

/// One row of a roll that could be read, as the layout maps it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Entry {
    /// Physical line of the file on which the row begins, from 1, the header included.
    pub line: u64,
    /// Offset of the row's first byte in the file (a byte order mark counts).
    pub byte_start: u64,
    /// Length of the row in bytes, without its line end.
    pub byte_length: u32,
    /// The parcel number as published, the layout's columns joined by a single space.
    pub parcel_raw: String,
    /// The parcel number normalised by the layout's rule.
    pub parcel_key: String,
    /// The situs address as published, the layout's columns joined by a single space, blanks left out.
    pub situs: String,
    /// The recorded area, if the record has one.
    pub area: Option<Area>,
    /// The recorded market or total value, if the record has one.
    pub value: Option<Money>,
    /// The year built, if the record has one.
    pub year_built: Option<i32>,
    /// The class of use as published, or empty.
    pub class: String,
    /// The further mapped columns as published (trimmed), a JSON array of texts in the layout's order; of a record
    /// that was put together from several rows a JSON object. [`crate::record_view`] reads both.
    pub rest: String,
    /// xxh3-64 of all mapped values: equal values, equal hash. It finds candidates; it proves nothing.
    pub content_hash: u64,
}

impl Entry {
    /// Bytes that its texts hold.
    pub(crate) fn capacity(&self) -> usize {
        let texts = [&self.parcel_raw, &self.parcel_key, &self.situs, &self.class, &self.rest];
        texts.iter().map(|text| text.capacity()).sum()
    }
}

/// A row that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reject {
    /// Physical line on which the row (or the unclosed quote) begins, from 1, the header included.
    pub line: u64,
    /// Offset of the row's first byte.
    pub byte_start: u64,
    /// Length in bytes without the line end.
    pub byte_length: u64,
    /// Name of the column at fault, where one is.
    pub column: Option<String>,
    /// Why, as a kind to count by.
    pub reason: Reason,
    /// Why, as a sentence that says what was found and what would mend it.
    pub detail: String,
    /// The row as published, at most [`crate::limits::REJECT_BYTES_KEPT`] of it.
    pub raw: Vec<u8>,
}

/// Why a row was quarantined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Reason {
    /// The row has more or fewer fields than the header.
    WrongColumnCount,
    /// A quote opens on this line and does not close.
    UnclosedQuote,
    /// The row is longer than [`crate::limits::ROW_BYTES_MAX`].
    RowTooLong,
    /// Bytes that are not valid in the file's encoding.
    InvalidEncoding,
    /// A NUL byte.
    NulByte,
    /// A required area is blank.
    BlankArea,
    /// A required area is zero.
    ZeroArea,
    /// Text in a column that holds numbers.
    TextInNumber,
    /// A separator of thousands where the layout declares none.
    ThousandsSeparator,
    /// A negative area, value or count.
    NegativeNumber,
    /// An area beyond [`crossfoot_audit::record::figure::AREA_ABSURD_SQFT`].
    AbsurdArea,
    /// The parcel number is blank.
    BlankParcel,
    /// The parcel number is in scientific notation: its digits are lost.
    ScientificParcel,
    /// The parcel number was made a date, or does not fit the rule of the source.
    BadParcel,
    /// The same parcel with other figures stands on an earlier line.
    DuplicateParcel,
    /// No date as the layout writes them.
    BadDate,
    /// A code that the layout's table of codes lacks, where it must not.
    UnknownCode,
    /// A row of a parcel or building that no other file has.
    OrphanRow,
    /// More rows of one parcel than are put together.
    TooManyRows,
}

impl Reason {
    /// Every reason, in the order of the declaration.
    pub const ALL: [Reason; 19] = [
        Reason::WrongColumnCount,
        Reason::UnclosedQuote,
        Reason::RowTooLong,
        Reason::InvalidEncoding,
        Reason::NulByte,
        Reason::BlankArea,
        Reason::ZeroArea,
        Reason::TextInNumber,
        Reason::ThousandsSeparator,
        Reason::NegativeNumber,
        Reason::AbsurdArea,
        Reason::BlankParcel,
        Reason::ScientificParcel,
        Reason::BadParcel,
        Reason::DuplicateParcel,
        Reason::BadDate,
        Reason::UnknownCode,
        Reason::OrphanRow,
        Reason::TooManyRows,
    ];

    /// The name kept in databases and shown in exports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Reason::WrongColumnCount => "wrong_column_count",
            Reason::UnclosedQuote => "unclosed_quote",
            Reason::RowTooLong => "row_too_long",
            Reason::InvalidEncoding => "invalid_encoding",
            Reason::NulByte => "nul_byte",
            Reason::BlankArea => "blank_area",
            Reason::ZeroArea => "zero_area",
            Reason::TextInNumber => "text_in_number",
            Reason::ThousandsSeparator => "thousands_separator",
            Reason::NegativeNumber => "negative_number",
            Reason::AbsurdArea => "absurd_area",
            Reason::BlankParcel => "blank_parcel",
            Reason::ScientificParcel => "scientific_parcel",
            Reason::BadParcel => "bad_parcel",
            Reason::DuplicateParcel => "duplicate_parcel",
            Reason::BadDate => "bad_date",
            Reason::UnknownCode => "unknown_code",
            Reason::OrphanRow => "orphan_row",
            Reason::TooManyRows => "too_many_rows",
        }
    }

    /// The reason of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Reason> {
        Reason::ALL.into_iter().find(|reason| reason.name() == name)
    }
}

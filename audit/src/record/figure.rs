//! A figure in a column of a public record, read strictly: nothing is guessed, a doubtful figure is refused
//! with the reason and what would mend it.
//!
//! A file has millions of rows, so a good figure is read without allocating.

use crate::area::Area;
use crate::area::decimal::{Misfit, Plain, grouped_in_threes};
use crate::money::Money;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A house above this many square feet is a unit or column mistake, not a house.
pub const AREA_ABSURD_SQFT: i64 = 1_000_000;

/// The unit a source states its areas in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum AreaUnit {
    /// Square feet.
    #[serde(rename = "sqft")]
    SquareFeet,
    /// Square metres.
    #[serde(rename = "m2")]
    SquareMetres,
}

/// How a source writes its figures.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct FigureRule {
    /// The words that stand for "no figure", compared after trimming. A blank always does.
    pub null: Vec<String>,
    /// The character between groups of three digits, where the source writes one.
    pub thousands: Option<char>,
}

impl Default for FigureRule {
    fn default() -> Self {
        Self { null: vec![String::new()], thousands: None }
    }
}

/// Why a figure was refused. The raw text stands beside it wherever it is listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Error)]
pub enum FigureError {
    /// Letters, blanks inside, a unit, an exponent.
    #[error(
        "not a number: only digits and one decimal point are read; declare words for a missing figure as null"
    )]
    NotANumber,
    /// A comma between groups of three that the layout does not declare.
    #[error("thousands separator not declared: set thousands to \",\" in the layout if the source writes it")]
    Thousands,
    /// A minus before or after the digits.
    #[error("negative figure: an area, count or value is zero or more; correct it at the source")]
    Negative,
    /// Beyond any house, or beyond what can be held.
    #[error("absurdly large figure: check the column and its unit in the layout")]
    Absurd,
    /// More decimals than the kind of figure has.
    #[error("too many decimals for this kind of figure: check that the layout names the right column")]
    TooFine,
}

/// An area in a record. `None` is a declared null word or a blank; zero is a figure, and the caller decides
/// by the class of the property whether it means "missing".
pub fn parse_area(raw: &str, unit: AreaUnit, rule: &FigureRule) -> Result<Option<Area>, FigureError> {
    let Some(plain) = plain(raw, rule)? else { return Ok(None) };
    let area = match unit {
        AreaUnit::SquareFeet => Area::from_plain_square_feet(&plain)?,
        AreaUnit::SquareMetres => Area::from_plain_square_metres(&plain)?,
    };
    match Area::from_whole_square_feet(AREA_ABSURD_SQFT) {
        Some(absurd) if area > absurd => Err(FigureError::Absurd),
        Some(_) | None => Ok(Some(area)),
    }
}

/// An amount in a record, to the cent.
pub fn parse_money(raw: &str, rule: &FigureRule) -> Result<Option<Money>, FigureError> {
    let Some(plain) = plain(raw, rule)? else { return Ok(None) };
    Ok(Some(Money::from_plain(&plain)?))
}

/// A whole number such as a year or a count of rooms; `1984.0` and leading zeros are accepted.
pub fn parse_whole(raw: &str, rule: &FigureRule) -> Result<Option<i64>, FigureError> {
    let Some(plain) = plain(raw, rule)? else { return Ok(None) };
    if plain.decimals() > 0 {
        return Err(FigureError::TooFine);
    }
    let (value, _) = plain.times(1)?;
    i64::try_from(value).map(Some).map_err(|_| FigureError::Absurd)
}

/// A decimal kept as written, such as storeys `1.5`: checked, trimmed, and without a declared separator.
pub fn parse_decimal_text<'a>(raw: &'a str, rule: &FigureRule) -> Result<Option<&'a str>, FigureError> {
    let without_thousands = FigureRule { null: Vec::new(), thousands: None };
    let trimmed = raw.trim();
    if null_word(trimmed, rule) {
        return Ok(None);
    }
    Ok(plain(trimmed, &without_thousands)?.map(|_| trimmed))
}

fn plain<'a>(raw: &'a str, rule: &FigureRule) -> Result<Option<Plain<'a>>, FigureError> {
    let trimmed = raw.trim();
    if null_word(trimmed, rule) {
        return Ok(None);
    }
    match Plain::read(trimmed, rule.thousands) {
        Some(plain) if plain.negative => Err(FigureError::Negative),
        Some(plain) => Ok(Some(plain)),
        None => Err(refusal(trimmed, rule.thousands)),
    }
}

fn null_word(trimmed: &str, rule: &FigureRule) -> bool {
    trimmed.is_empty() || rule.null.iter().any(|word| word.trim() == trimmed)
}

fn refusal(trimmed: &str, thousands: Option<char>) -> FigureError {
    let (whole, fraction) = trimmed.split_once('.').unwrap_or((trimmed, ""));
    let digits_only = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if thousands.is_none() && grouped_in_threes(whole.trim_start_matches('-'), ',') && digits_only(fraction) {
        return FigureError::Thousands;
    }
    let before_minus = trimmed.strip_suffix('-').map(str::trim_end);
    if before_minus.is_some_and(|digits| Plain::read(digits, thousands).is_some()) {
        return FigureError::Negative;
    }
    FigureError::NotANumber
}

impl From<Misfit> for FigureError {
    fn from(misfit: Misfit) -> Self {
        match misfit {
            Misfit::TooFine => Self::TooFine,
            Misfit::TooLarge => Self::Absurd,
        }
    }
}

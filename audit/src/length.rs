//! A length as an exact integer of nanometres, read from what a person types.
//!
//! `10.6` on a drawing in feet and inches is the most expensive ambiguity of the trade, so a text that can be
//! read in two ways is refused with both readings.

mod json;
mod written;

pub use written::Dimensions;

use crate::area::decimal::{Misfit, Plain, div_round, print, quotient_f64};
use thiserror::Error;

const NM_PER_INCH: i64 = 25_400_000;
const NM_PER_FOOT: i64 = 304_800_000;
const NM_PER_METRE: i64 = 1_000_000_000;
const NM_PER_CENTIMETRE: i64 = 10_000_000;
const NM_PER_MILLIMETRE: i64 = 1_000_000;

/// No wall of a house is longer; 10,000 ft is a slip of the unit or the decimal point.
pub const LENGTH_ABSURD: Length = Length(10_000 * NM_PER_FOOT);
/// Decimals that are always kept, rounded to the nearest nanometre.
const DECIMALS_KEPT: usize = 6;

/// A length. An inch is 25,400,000 nm, a foot 304,800,000 nm, a sixty-fourth of an inch 396,875 nm, all exactly.
///
/// ```
/// use crossfoot_audit::length::{Length, LengthNotation, parse};
/// let wall = parse("24' 3 1/2\"", LengthNotation::Unstated)?;
/// assert_eq!(wall, Length::from_nanometres(7_404_100_000));
/// assert_eq!(wall.to_decimal_feet(2), "24.29");
/// assert_eq!(wall.to_feet_inches(16), "24' 3 1/2\"");
/// # Ok::<(), crossfoot_audit::length::LengthError>(())
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Length(i64);

/// What a document says its lengths are written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LengthNotation {
    /// It does not say: every length must carry its unit.
    Unstated,
    /// Feet and inches: `24-3.5` is 24 ft 3 1/2 in, and a bare number is refused.
    FeetInches,
    /// A bare number is feet with decimals.
    DecimalFeet,
    /// A bare number is metres.
    Metres,
}

/// Why a text is no length.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LengthError {
    /// Nothing was written.
    #[error("no length written: write for example 24' 3 1/2\", 24.25 ft or 7.39 m")]
    Blank,
    /// The text is not a length.
    #[error("{found:?} is not a length: write for example 24' 3 1/2\", 24.25 ft or 7.39 m")]
    NotALength {
        /// The text as given.
        found: String,
    },
    /// A bare number, and nothing says what it counts.
    #[error("{found:?} has no unit: write {found} ft, {found} in or {found} m, or state the notation once")]
    UnitMissing {
        /// The text as given.
        found: String,
    },
    /// Two lengths are meant by the same text.
    #[error("{found:?} can be {first} or {second}: write the one that was measured with its units")]
    Ambiguous {
        /// The text as given.
        found: String,
        /// One reading, with units.
        first: String,
        /// The other reading, with units.
        second: String,
    },
    /// More than a foot of inches after feet.
    #[error("{found:?} has 12 inches or more after the feet: carry them into the feet, or give inches alone")]
    InchesPastFoot {
        /// The text as given.
        found: String,
    },
    /// A length below zero.
    #[error("{found:?} is negative: a length is zero or more, write it without the minus")]
    Negative {
        /// The text as given.
        found: String,
    },
    /// Longer than any wall.
    #[error("{found:?} is longer than 10,000 ft: check the unit and the decimal point")]
    TooLong {
        /// The text as given.
        found: String,
    },
    /// Digits that no instrument reads and that would be lost.
    #[error("{found:?} is finer than a nanometre: write at most 6 decimals, or a fraction down to 1/64 in")]
    TooFine {
        /// The text as given.
        found: String,
    },
}

impl Length {
    /// No length.
    pub const ZERO: Self = Self(0);

    /// A length of so many nanometres, the unit it is stored in.
    #[must_use]
    pub const fn from_nanometres(nanometres: i64) -> Self {
        Self(nanometres)
    }

    /// The exact value in nanometres.
    #[must_use]
    pub const fn nanometres(self) -> i64 {
        self.0
    }

    /// Whole inches and a fraction of an inch: `(291, 1, 2)` is 24 ft 3 1/2 in. `None` if the denominator is
    /// not above zero, the fraction is no whole number of nanometres, or the length does not fit.
    #[must_use]
    pub fn from_inch_fraction(inches: i64, numerator: i64, denominator: i64) -> Option<Self> {
        if denominator <= 0 {
            return None;
        }
        let fraction = i128::from(numerator) * i128::from(NM_PER_INCH);
        if fraction % i128::from(denominator) != 0 {
            return None;
        }
        let whole = i128::from(inches) * i128::from(NM_PER_INCH);
        i64::try_from(whole + fraction / i128::from(denominator)).ok().map(Self)
    }

    /// The nearest float in feet: exact for a whole number of feet.
    #[must_use]
    pub fn to_feet_f64(self) -> f64 {
        // As `quotient_f64` does it, in 64 bits: this is done for every reading, several times.
        (self.0 / NM_PER_FOOT) as f64 + (self.0 % NM_PER_FOOT) as f64 / NM_PER_FOOT as f64
    }

    /// The nearest float in metres: exact for a whole number of metres.
    #[must_use]
    pub fn to_metres_f64(self) -> f64 {
        quotient_f64(i128::from(self.0), i128::from(NM_PER_METRE))
    }

    /// The length nearest to so many feet; `None` if they are not finite or do not fit.
    #[must_use]
    pub fn from_feet_f64(feet: f64) -> Option<Self> {
        let nanometres = libm::round(feet * NM_PER_FOOT as f64);
        (nanometres.abs() < i64::MAX as f64).then_some(Self(nanometres as i64))
    }

    /// The sum, `None` if it does not fit.
    #[must_use]
    pub fn checked_add(self, other: Self) -> Option<Self> {
        self.0.checked_add(other.0).map(Self)
    }

    /// The difference, `None` if it does not fit.
    #[must_use]
    pub fn checked_sub(self, other: Self) -> Option<Self> {
        self.0.checked_sub(other.0).map(Self)
    }

    /// Feet, inches and a reduced fraction as on a sketch: `24' 3 1/2"`. Rounded once to the nearest
    /// 1/`denominator` inch, half away from zero, and carried: 11 31/32 in is `1' 0"` to the sixteenth.
    /// A denominator of zero is read as one.
    #[must_use]
    pub fn to_feet_inches(self, denominator: u32) -> String {
        let denominator = i128::from(denominator.max(1));
        let parts = div_round(i128::from(self.0) * denominator, i128::from(NM_PER_INCH));
        let sign = if parts < 0 { "-" } else { "" };
        let parts = parts.abs();
        let (inches, numerator) = (parts / denominator, parts % denominator);
        let (feet, inches) = (inches / 12, inches % 12);
        if numerator == 0 {
            return format!("{sign}{feet}' {inches}\"");
        }
        let common = greatest_common_divisor(numerator, denominator);
        let fraction = format!("{}/{}", numerator / common, denominator / common);
        if inches == 0 {
            format!("{sign}{feet}' {fraction}\"")
        } else {
            format!("{sign}{feet}' {inches} {fraction}\"")
        }
    }

    /// Feet as a decimal, rounded once, half away from zero; at most 18 decimals.
    #[must_use]
    pub fn to_decimal_feet(self, decimals: u32) -> String {
        print(i128::from(self.0), i128::from(NM_PER_FOOT), decimals)
    }

    /// Metres as a decimal, rounded once, half away from zero; at most 18 decimals.
    #[must_use]
    pub fn to_metres(self, decimals: u32) -> String {
        print(i128::from(self.0), i128::from(NM_PER_METRE), decimals)
    }
}

/// Reads a length as a person types it. A unit in the text always counts; the notation of the document only says
/// what a text without one means.
///
/// # Errors
/// Anything that is no length, could be two, is negative, or is beyond 10,000 ft.
pub fn parse(text: &str, notation: LengthNotation) -> Result<Length, LengthError> {
    let found = text.trim();
    if found.is_empty() {
        return Err(LengthError::Blank);
    }
    let reading = Reading { found, notation };
    let plain = plain_characters(found);
    let tokens = tokens(&plain).ok_or_else(|| reading.not_a_length())?;
    let nanometres = reading.nanometres(&tokens)?;
    match i64::try_from(nanometres) {
        Ok(value) if value <= LENGTH_ABSURD.0 => Ok(Length(value)),
        Ok(_) | Err(_) => Err(LengthError::TooLong { found: found.to_owned() }),
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Unit {
    Foot,
    Inch,
    Metre,
    Centimetre,
    Millimetre,
}

impl Unit {
    const fn nanometres(self) -> i64 {
        match self {
            Self::Foot => NM_PER_FOOT,
            Self::Inch => NM_PER_INCH,
            Self::Metre => NM_PER_METRE,
            Self::Centimetre => NM_PER_CENTIMETRE,
            Self::Millimetre => NM_PER_MILLIMETRE,
        }
    }

    fn from_word(word: &str) -> Option<Self> {
        match word {
            "ft" | "foot" | "feet" => Some(Self::Foot),
            "in" | "inch" | "inches" => Some(Self::Inch),
            "m" | "metre" | "metres" | "meter" | "meters" => Some(Self::Metre),
            "cm" => Some(Self::Centimetre),
            "mm" => Some(Self::Millimetre),
            _ => None,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Token<'a> {
    Number(&'a str),
    Slash,
    Dash,
    Unit(Unit),
}

/// A number as written: `3`, `3.5`, `1/2` or `3 1/2`.
#[derive(Clone, Copy, Debug)]
struct Quantity<'a> {
    number: &'a str,
    fraction: Option<(&'a str, &'a str)>,
}

struct Reading<'a> {
    found: &'a str,
    notation: LengthNotation,
}

impl Reading<'_> {
    fn nanometres(&self, tokens: &[Token<'_>]) -> Result<i128, LengthError> {
        if tokens.first() == Some(&Token::Dash) {
            return Err(LengthError::Negative { found: self.found.to_owned() });
        }
        let (first, rest) = quantity(tokens).ok_or_else(|| self.not_a_length())?;
        match rest {
            [] => self.bare(first),
            [Token::Unit(unit)] => self.measure(first, *unit),
            [Token::Unit(Unit::Foot), Token::Dash, inches @ ..] | [Token::Unit(Unit::Foot), inches @ ..] => {
                self.feet_inches(first, inches)
            }
            [Token::Dash, inches @ ..] => self.dashed(first, inches),
            [Token::Number(_) | Token::Slash | Token::Unit(_), ..] => Err(self.not_a_length()),
        }
    }

    fn bare(&self, quantity: Quantity<'_>) -> Result<i128, LengthError> {
        match self.notation {
            LengthNotation::Unstated => Err(LengthError::UnitMissing { found: self.found.to_owned() }),
            LengthNotation::DecimalFeet => self.measure(quantity, Unit::Foot),
            LengthNotation::Metres => self.measure(quantity, Unit::Metre),
            LengthNotation::FeetInches => Err(self.two_readings(quantity)),
        }
    }

    /// `10.6` is 10 ft 6 in to one person and 10 ft 7.2 in to the next; `24` is feet or inches.
    fn two_readings(&self, quantity: Quantity<'_>) -> LengthError {
        let found = self.found.to_owned();
        let Some((feet, inches)) = quantity.number.split_once('.').filter(|_| quantity.fraction.is_none())
        else {
            let (first, second) = (format!("{found} ft"), format!("{found} in"));
            return LengthError::Ambiguous { found, first, second };
        };
        let decimal = match self.measure(quantity, Unit::Foot) {
            Ok(nanometres) => format!("{found} ft = {}", feet_and_decimal_inches(nanometres)),
            Err(error) => return error,
        };
        let first = match inches.parse::<u8>() {
            Ok(inches) if inches < 12 => format!("{feet} ft {inches} in"),
            Ok(_) | Err(_) => format!("{found} in"),
        };
        LengthError::Ambiguous { found, first, second: decimal }
    }

    /// `24-3.5` is feet and inches only where the document says so; `3-1/2` is never clear.
    fn dashed(&self, feet: Quantity<'_>, inches: &[Token<'_>]) -> Result<i128, LengthError> {
        let (quantity, rest) = quantity(inches).ok_or_else(|| self.not_a_length())?;
        let tail_fits = matches!(rest, [] | [Token::Unit(_)]);
        if !tail_fits || feet.fraction.is_some() {
            return Err(self.not_a_length());
        }
        if quantity.number.is_empty()
            && let Some((numerator, denominator)) = quantity.fraction
        {
            let whole = feet.number;
            return Err(LengthError::Ambiguous {
                found: self.found.to_owned(),
                first: format!("{whole} {numerator}/{denominator} in"),
                second: format!("{whole} ft {numerator}/{denominator} in"),
            });
        }
        match (self.notation, rest) {
            (LengthNotation::FeetInches, _) | (_, [Token::Unit(Unit::Inch)]) => {
                self.feet_inches(feet, inches)
            }
            (LengthNotation::Unstated | LengthNotation::DecimalFeet | LengthNotation::Metres, _) => {
                Err(LengthError::UnitMissing { found: self.found.to_owned() })
            }
        }
    }

    fn feet_inches(&self, feet: Quantity<'_>, inches: &[Token<'_>]) -> Result<i128, LengthError> {
        let (quantity, rest) = quantity(inches).ok_or_else(|| self.not_a_length())?;
        let whole_feet = feet.fraction.is_none() && feet.number.bytes().all(|byte| byte.is_ascii_digit());
        if !whole_feet || !matches!(rest, [] | [Token::Unit(Unit::Inch)]) {
            return Err(self.not_a_length());
        }
        let inches = self.measure(quantity, Unit::Inch)?;
        if inches >= i128::from(NM_PER_FOOT) {
            return Err(LengthError::InchesPastFoot { found: self.found.to_owned() });
        }
        Ok(self.measure(feet, Unit::Foot)?.saturating_add(inches))
    }

    fn measure(&self, quantity: Quantity<'_>, unit: Unit) -> Result<i128, LengthError> {
        let per_unit = i128::from(unit.nanometres());
        let mut nanometres = 0;
        if !quantity.number.is_empty() {
            let plain = Plain::read(quantity.number, None).ok_or_else(|| self.not_a_length())?;
            let (value, exact) = plain.times(per_unit).map_err(|misfit| self.misfit(misfit))?;
            if !exact && plain.decimals() > DECIMALS_KEPT {
                return Err(self.misfit(Misfit::TooFine));
            }
            nanometres = value;
        }
        let Some((numerator, denominator)) = quantity.fraction else { return Ok(nanometres) };
        let whole = |text: &str| text.parse::<u32>().map(i128::from).map_err(|_| self.not_a_length());
        let (numerator, denominator) = (whole(numerator)?, whole(denominator)?);
        // only a proper fraction is written on a drawing; 3 7/2 is a slip
        if numerator >= denominator || quantity.number.contains('.') {
            return Err(self.not_a_length());
        }
        if numerator * per_unit % denominator != 0 {
            return Err(self.misfit(Misfit::TooFine));
        }
        Ok(nanometres.saturating_add(numerator * per_unit / denominator))
    }

    fn not_a_length(&self) -> LengthError {
        LengthError::NotALength { found: self.found.to_owned() }
    }

    fn misfit(&self, misfit: Misfit) -> LengthError {
        let found = self.found.to_owned();
        match misfit {
            Misfit::TooFine => LengthError::TooFine { found },
            Misfit::TooLarge => LengthError::TooLong { found },
        }
    }
}

fn quantity<'a, 't>(tokens: &'t [Token<'a>]) -> Option<(Quantity<'a>, &'t [Token<'a>])> {
    match tokens {
        [Token::Number(number), Token::Number(over), Token::Slash, Token::Number(under), rest @ ..] => {
            Some((Quantity { number, fraction: Some((over, under)) }, rest))
        }
        [Token::Number(over), Token::Slash, Token::Number(under), rest @ ..] => {
            Some((Quantity { number: "", fraction: Some((over, under)) }, rest))
        }
        [Token::Number(number), rest @ ..] => Some((Quantity { number, fraction: None }, rest)),
        _ => None,
    }
}

/// Lower case, with the typographic marks and fractions of phones and word processors made plain.
fn plain_characters(text: &str) -> String {
    let mut plain = String::with_capacity(text.len().saturating_add(4));
    for character in text.chars() {
        match character {
            '′' | '’' | '‘' | 'ʹ' | '´' | '`' => plain.push('\''),
            '″' | '”' | '“' | 'ʺ' | '„' => plain.push('"'),
            '‐' | '‑' | '‒' | '–' | '—' | '−' => plain.push('-'),
            '⁄' | '∕' => plain.push('/'),
            '½' => plain.push_str(" 1/2"),
            '¼' => plain.push_str(" 1/4"),
            '¾' => plain.push_str(" 3/4"),
            '⅛' => plain.push_str(" 1/8"),
            '⅜' => plain.push_str(" 3/8"),
            '⅝' => plain.push_str(" 5/8"),
            '⅞' => plain.push_str(" 7/8"),
            other => plain.extend(other.to_lowercase()),
        }
    }
    plain.replace("''", "\"")
}

fn tokens(text: &str) -> Option<Vec<Token<'_>>> {
    let mut tokens = Vec::new();
    let mut rest = text.trim_start();
    while let Some(first) = rest.chars().next() {
        let (token, after) = match first {
            '\'' => (Token::Unit(Unit::Foot), rest.strip_prefix('\'')?),
            '"' => (Token::Unit(Unit::Inch), rest.strip_prefix('"')?),
            '-' => (Token::Dash, rest.strip_prefix('-')?),
            '/' => (Token::Slash, rest.strip_prefix('/')?),
            '0'..='9' | '.' => {
                let end = rest.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(rest.len());
                let (number, after) = rest.split_at_checked(end)?;
                (Token::Number(number), after)
            }
            _ => {
                let end = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
                let (word, after) = rest.split_at_checked(end)?;
                (Token::Unit(Unit::from_word(word)?), after.strip_prefix('.').unwrap_or(after))
            }
        };
        tokens.push(token);
        rest = after.trim_start();
    }
    Some(tokens)
}

/// `10 ft 7.2 in`, up to six decimals of an inch.
fn feet_and_decimal_inches(nanometres: i128) -> String {
    let foot = i128::from(NM_PER_FOOT);
    let inches = print(nanometres % foot, i128::from(NM_PER_INCH), 6);
    format!("{} ft {} in", nanometres / foot, inches.trim_end_matches('0').trim_end_matches('.'))
}

fn greatest_common_divisor(a: i128, b: i128) -> i128 {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}

//! A floor area as an exact integer.
//!
//! The unit is the square micrometre: a square foot is 92,903,040,000 of them and a square metre 10^12, both
//! exactly (international foot, 0.3048 m). Sixty-four bits end near 99 million square feet; totals over many
//! houses use [`AreaSum`].

pub(crate) mod decimal;

use decimal::{DECIMALS_MAX, Misfit, Plain, div_round, print, quotient_f64};
use std::iter::Sum;
use thiserror::Error;

/// Square micrometres in a square foot (international foot, 0.3048 m exactly; NIST SP 811).
pub const SQUARE_MICROMETRES_PER_SQUARE_FOOT: i64 = 92_903_040_000;
/// Square metres in a square foot.
pub const SQUARE_METRES_PER_SQUARE_FOOT: f64 = 0.092_903_04;
const PER_SQUARE_FOOT: i64 = SQUARE_MICROMETRES_PER_SQUARE_FOOT;
const PER_SQUARE_METRE: i64 = 1_000_000_000_000;
/// A square micrometre is 10^6 square nanometres; ring areas come doubled.
const DOUBLED_SQUARE_NANOMETRES: i128 = 2_000_000;

/// A floor area, or the signed difference of two.
///
/// ```
/// use crossfoot_audit::area::Area;
/// let measured = Area::parse_square_feet("1284.5")?;
/// assert_eq!(measured.to_square_feet(0), "1285");
/// assert_eq!(measured.to_square_metres(2), "119.33");
/// # Ok::<(), crossfoot_audit::area::AreaError>(())
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Area(i64);

/// Why a text is no area.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum AreaError {
    /// The text is not a plain decimal number.
    #[error("{found:?} is not a number: write digits with at most one decimal point, such as 1284.5")]
    NotANumber {
        /// The text as given.
        found: String,
    },
    /// More decimals than can be read exactly.
    #[error("{found:?} has more than {DECIMALS_MAX} decimals: shorten it")]
    TooFine {
        /// The text as given.
        found: String,
    },
    /// Beyond what an area can hold.
    #[error("{found:?} is too large for a floor area: check the unit and the digits")]
    TooLarge {
        /// The text as given.
        found: String,
    },
}

impl Area {
    /// No area.
    pub const ZERO: Self = Self(0);

    /// An area of so many square micrometres, the unit it is stored in.
    #[must_use]
    pub const fn from_square_micrometres(square_micrometres: i64) -> Self {
        Self(square_micrometres)
    }

    /// The exact value in square micrometres.
    #[must_use]
    pub const fn square_micrometres(self) -> i64 {
        self.0
    }

    /// Reads a plain decimal number of square feet, rounded once to a square micrometre, half away from zero.
    pub fn parse_square_feet(text: &str) -> Result<Self, AreaError> {
        Self::parse(text, PER_SQUARE_FOOT)
    }

    /// Reads a plain decimal number of square metres, rounded once to a square micrometre, half away from zero.
    pub fn parse_square_metres(text: &str) -> Result<Self, AreaError> {
        Self::parse(text, PER_SQUARE_METRE)
    }

    /// The area a decimal number of square feet in a request means: its shortest decimal text, read exactly.
    /// `None` if it is not finite or too large.
    #[must_use]
    pub fn from_square_feet_f64(square_feet: f64) -> Option<Self> {
        Self::from_f64(square_feet, PER_SQUARE_FOOT)
    }

    /// The area a decimal number of square metres in a request means: its shortest decimal text, read exactly.
    /// `None` if it is not finite or too large.
    #[must_use]
    pub fn from_square_metres_f64(square_metres: f64) -> Option<Self> {
        Self::from_f64(square_metres, PER_SQUARE_METRE)
    }

    /// A whole number of square feet; `None` beyond some 99 million.
    #[must_use]
    pub fn from_whole_square_feet(square_feet: i64) -> Option<Self> {
        square_feet.checked_mul(PER_SQUARE_FOOT).map(Self)
    }

    /// Half of a doubled ring area in square nanometres, rounded half away from zero; `None` if too large.
    #[must_use]
    pub fn from_doubled_square_nanometres(doubled: i128) -> Option<Self> {
        i64::try_from(div_round(doubled, DOUBLED_SQUARE_NANOMETRES)).ok().map(Self)
    }

    /// The nearest float in square feet: exact for a whole number of square feet.
    #[must_use]
    pub fn to_square_feet_f64(self) -> f64 {
        quotient_f64(i128::from(self.0), i128::from(PER_SQUARE_FOOT))
    }

    /// The nearest float in square metres: exact for a whole number of square metres.
    #[must_use]
    pub fn to_square_metres_f64(self) -> f64 {
        quotient_f64(i128::from(self.0), i128::from(PER_SQUARE_METRE))
    }

    /// Square feet as text, rounded once, half away from zero, without thousands separators; at most 18
    /// decimals.
    #[must_use]
    pub fn to_square_feet(self, decimals: u32) -> String {
        print(i128::from(self.0), i128::from(PER_SQUARE_FOOT), decimals)
    }

    /// Square metres as text, rounded once, half away from zero, without thousands separators; at most 18
    /// decimals.
    #[must_use]
    pub fn to_square_metres(self, decimals: u32) -> String {
        print(i128::from(self.0), i128::from(PER_SQUARE_METRE), decimals)
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

    /// The size of a difference, its sign left out.
    #[must_use]
    pub const fn abs(self) -> Self {
        Self(self.0.saturating_abs())
    }

    fn parse(text: &str, per_unit: i64) -> Result<Self, AreaError> {
        let found = || text.to_owned();
        let plain = Plain::read(text.trim(), None).ok_or_else(|| AreaError::NotANumber { found: found() })?;
        match Self::from_plain(&plain, per_unit) {
            Ok(area) => Ok(area),
            Err(Misfit::TooFine) => Err(AreaError::TooFine { found: found() }),
            Err(Misfit::TooLarge) => Err(AreaError::TooLarge { found: found() }),
        }
    }

    fn from_f64(value: f64, per_unit: i64) -> Option<Self> {
        if !value.is_finite() {
            return None;
        }
        let shortest = value.to_string();
        let decimals = shortest.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let text = if decimals > DECIMALS_MAX { format!("{value:.DECIMALS_MAX$}") } else { shortest };
        Self::from_plain(&Plain::read(&text, None)?, per_unit).ok()
    }

    fn from_plain(plain: &Plain<'_>, per_unit: i64) -> Result<Self, Misfit> {
        let (value, _) = plain.times(i128::from(per_unit))?;
        i64::try_from(value).map(Self).map_err(|_| Misfit::TooLarge)
    }

    pub(crate) fn from_plain_square_feet(plain: &Plain<'_>) -> Result<Self, Misfit> {
        Self::from_plain(plain, PER_SQUARE_FOOT)
    }

    pub(crate) fn from_plain_square_metres(plain: &Plain<'_>) -> Result<Self, Misfit> {
        Self::from_plain(plain, PER_SQUARE_METRE)
    }
}

/// A total over many areas, wide enough for every house there is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AreaSum(i128);

impl AreaSum {
    /// Adds one area. A sum of 64-bit areas cannot leave 128 bits.
    pub fn add(&mut self, area: Area) {
        self.0 = self.0.saturating_add(i128::from(area.0));
    }

    /// The nearest float in square feet.
    #[must_use]
    pub fn to_square_feet_f64(self) -> f64 {
        quotient_f64(self.0, i128::from(PER_SQUARE_FOOT))
    }

    /// The nearest float in square metres.
    #[must_use]
    pub fn to_square_metres_f64(self) -> f64 {
        quotient_f64(self.0, i128::from(PER_SQUARE_METRE))
    }

    /// The total as one area, `None` if it is beyond what one area can hold.
    #[must_use]
    pub fn to_area(self) -> Option<Area> {
        i64::try_from(self.0).ok().map(Area)
    }
}

impl Sum<Area> for AreaSum {
    fn sum<I: Iterator<Item = Area>>(areas: I) -> Self {
        let mut total = Self::default();
        for area in areas {
            total.add(area);
        }
        total
    }
}

//! An amount of money as whole cents, never a float.

use crate::area::decimal::{Misfit, Plain, print};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use thiserror::Error;

/// An amount in hundredths of the currency; which currency is known from the context, not kept here.
///
/// In JSON it is text with two decimals, so that no reader makes a float of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Money(i64);

/// Why a text is no amount.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MoneyError {
    /// The text is not a plain decimal number.
    #[error("{found:?} is not an amount: write digits with at most two decimals, such as 350000 or 1234.50")]
    NotANumber {
        /// The text as given.
        found: String,
    },
    /// Parts of a cent.
    #[error("{found:?} has parts of a cent: write at most two decimals")]
    TooFine {
        /// The text as given.
        found: String,
    },
    /// Beyond what an amount can hold.
    #[error("{found:?} is too large for an amount: check the digits")]
    TooLarge {
        /// The text as given.
        found: String,
    },
}

impl Money {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// An amount of so many cents, the unit it is stored in.
    #[must_use]
    pub const fn from_cents(cents: i64) -> Self {
        Self(cents)
    }

    /// The exact value in cents.
    #[must_use]
    pub const fn cents(self) -> i64 {
        self.0
    }

    /// Reads a plain decimal amount; parts of a cent are refused, never rounded.
    pub fn parse(text: &str) -> Result<Self, MoneyError> {
        let found = || text.to_owned();
        let plain =
            Plain::read(text.trim(), None).ok_or_else(|| MoneyError::NotANumber { found: found() })?;
        Self::from_plain(&plain).map_err(|misfit| match misfit {
            Misfit::TooFine => MoneyError::TooFine { found: found() },
            Misfit::TooLarge => MoneyError::TooLarge { found: found() },
        })
    }

    /// The amount with two decimals and no separators: `1234.50`.
    #[must_use]
    pub fn to_text(self) -> String {
        print(i128::from(self.0), 100, 2)
    }

    pub(crate) fn from_plain(plain: &Plain<'_>) -> Result<Self, Misfit> {
        let (cents, exact) = plain.times(100)?;
        if !exact {
            return Err(Misfit::TooFine);
        }
        i64::try_from(cents).map(Self).map_err(|_| Misfit::TooLarge)
    }
}

impl fmt::Display for Money {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(&self.to_text())
    }
}

impl Serialize for Money {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(de::Error::custom)
    }
}

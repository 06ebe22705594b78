//! How much of an area counts: an exact rational, written `1/2`, `0.66` or `1`.

use core::fmt;
use core::str::FromStr;
use std::borrow::Cow;

use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Zero};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A weight from 0 to 1.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Weight(BigRational);

impl Default for Weight {
    fn default() -> Self {
        Self(BigRational::one())
    }
}

impl Weight {
    /// Nothing counts.
    #[must_use]
    pub fn zero() -> Self {
        Self(BigRational::zero())
    }

    /// Whether all of it counts.
    #[must_use]
    pub fn is_one(&self) -> bool {
        self.0.is_one()
    }

    /// Both weights applied.
    #[must_use]
    pub fn product(one: &Self, other: &Self) -> Self {
        Self(&one.0 * &other.0)
    }

    /// The exact value.
    #[must_use]
    pub fn exact(&self) -> &BigRational {
        &self.0
    }
}

impl FromStr for Weight {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("{text:?} is no weight: write 1/2 or 0.66, from 0 to 1");
        let whole = |digits: &str| -> Result<BigInt, String> {
            let plain =
                !digits.is_empty() && digits.len() <= 9 && digits.bytes().all(|byte| byte.is_ascii_digit());
            if plain { digits.parse().map_err(|_| wrong()) } else { Err(wrong()) }
        };
        let value = if let Some((above, below)) = text.split_once('/') {
            let below = whole(below.trim())?;
            if below.is_zero() {
                return Err(wrong());
            }
            BigRational::new(whole(above.trim())?, below)
        } else if let Some((units, decimals)) = text.split_once('.') {
            let decimals_read = whole(decimals)?;
            let scale = BigInt::from(10_u32).pow(u32::try_from(decimals.len()).map_err(|_| wrong())?);
            BigRational::new(whole(units)? * &scale + decimals_read, scale)
        } else {
            BigRational::from_integer(whole(text)?)
        };
        if value > BigRational::one() { Err(wrong()) } else { Ok(Self(value)) }
    }
}

impl fmt::Display for Weight {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}", self.0)
    }
}

impl JsonSchema for Weight {
    fn schema_name() -> Cow<'static, str> {
        "Weight".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": "^[0-9]{1,9}( */ *[0-9]{1,9}|\\.[0-9]{1,9})?$",
            "description": "How much counts, from 0 to 1, exactly: 1/2, 0.66 or 1."
        })
    }
}

impl Serialize for Weight {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Weight {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_weight_is_read_exactly_and_written_as_a_fraction() {
        for (text, written) in [("1/2", "1/2"), ("0.66", "33/50"), ("1", "1"), ("0", "0"), ("0.250", "1/4")] {
            assert_eq!(text.parse::<Weight>().unwrap().to_string(), written);
        }
        for text in ["", "2", "3/2", "1/0", "-1/2", "1,5", "half", "0.", "1e3"] {
            assert!(text.parse::<Weight>().is_err(), "{text}");
        }
    }
}

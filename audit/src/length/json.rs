//! A length in JSON: text with its unit, so that no reader has to guess and no float rounds it.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use super::{Length, LengthNotation, NM_PER_MILLIMETRE, parse};
use crate::area::decimal::print;

impl Serialize for Length {
    /// Millimetres, exactly: `"7404.1 mm"`.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let exact = print(i128::from(self.0), i128::from(NM_PER_MILLIMETRE), 6);
        let shortest = exact.trim_end_matches('0').trim_end_matches('.');
        serializer.collect_str(&format_args!("{shortest} mm"))
    }
}

impl<'de> Deserialize<'de> for Length {
    /// Any text that names its unit.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        parse(&text, LengthNotation::Unstated).map_err(de::Error::custom)
    }
}

impl JsonSchema for Length {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Length".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "minLength": 1,
            "format": "length",
            "description": "A length with its unit: 24' 3 1/2\", 24.25 ft, 291 1/2 in, 7.39 m or 7391.4 mm.",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_comes_back_from_json_exactly() {
        for nanometres in [0, 1, 396_875, 25_400_000, 7_404_100_000, 3_048_000_000_000] {
            let length = Length::from_nanometres(nanometres);
            let text = serde_json::to_string(&length).unwrap();
            assert_eq!(serde_json::from_str::<Length>(&text).unwrap(), length, "{text}");
        }
        assert_eq!(serde_json::to_string(&Length::from_nanometres(7_404_100_000)).unwrap(), "\"7404.1 mm\"");
    }

    #[test]
    fn a_length_without_unit_is_refused_in_json() {
        let error = serde_json::from_str::<Length>("\"24.5\"").unwrap_err().to_string();
        assert!(error.contains("has no unit"), "{error}");
    }
}

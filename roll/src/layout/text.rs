//! How single settings of a layout are read from text, and where in the text a setting stands.

use super::LayoutError;
use crate::limits::{ROW_LINES_MAX_DEFAULT, ROW_LINES_MAX_LIMIT};
use serde::de::Error;
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use toml::de::{DeTable, DeValue};

/// One step on the way to a setting.
pub(super) enum Step {
    Key(&'static str),
    Item(usize),
}

/// A text that is not blank, trimmed.
pub(super) fn named<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let text = String::deserialize(deserializer)?;
    not_blank(&text).map_err(D::Error::custom)
}

pub(super) fn optional_name<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    named(deserializer).map(Some)
}

pub(super) fn names<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<String>, D::Error> {
    let texts = Vec::<String>::deserialize(deserializer)?;
    texts.iter().map(|text| not_blank(text)).collect::<Result<_, _>>().map_err(D::Error::custom)
}

pub(super) fn columns<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<String>, D::Error> {
    let columns = names(deserializer)?;
    if columns.is_empty() {
        return Err(D::Error::custom("no column is named: name at least one, or leave the table out"));
    }
    Ok(columns)
}

fn not_blank(text: &str) -> Result<String, &'static str> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err("a blank name: write the name as the file's header has it, or leave the setting out");
    }
    Ok(trimmed.to_owned())
}

pub(super) fn rounding<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    let rounding = f64::deserialize(deserializer)?;
    if !rounding.is_finite() || rounding < 0.0 {
        return Err(D::Error::custom(format!(
            "{rounding} is no rounding: give square feet, such as 1.0 or 10.0, or 0.0 for exact figures"
        )));
    }
    Ok(Some(rounding))
}

pub(super) fn row_lines<'de, D: Deserializer<'de>>(deserializer: D) -> Result<u32, D::Error> {
    let lines = i64::deserialize(deserializer)?;
    match u32::try_from(lines) {
        Ok(lines) if (1..=ROW_LINES_MAX_LIMIT).contains(&lines) => Ok(lines),
        Ok(_) | Err(_) => Err(D::Error::custom(format!(
            "{lines} lines for one row: give 1 (no line breaks in fields) to {ROW_LINES_MAX_LIMIT}, \
             commonly {ROW_LINES_MAX_DEFAULT}"
        ))),
    }
}

pub(super) fn thousands<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<char>, D::Error> {
    let text = String::deserialize(deserializer)?;
    let mut characters = text.chars();
    match (characters.next(), characters.next()) {
        (None, _) => Ok(None),
        (Some(separator), None) if !separator.is_alphanumeric() && !".-+".contains(separator) => {
            Ok(Some(separator))
        }
        _ => Err(D::Error::custom(format!(
            "{text:?} is no separator of thousands: give one character such as \",\", or leave it out"
        ))),
    }
}

/// A byte that may stand between or around fields.
fn byte(text: &str, what: &str) -> Result<u8, String> {
    match text.as_bytes() {
        [byte] if byte.is_ascii() && !byte.is_ascii_alphanumeric() && !b"\n\r\0\x1A".contains(byte) => {
            Ok(*byte)
        }
        _ => Err(format!(
            "{text:?} is no {what}: give one ASCII character that is no letter, digit or line end"
        )),
    }
}

pub(super) mod delimiter {
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(in super::super) fn serialize<S: Serializer>(
        delimiter: &u8,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(char::from(*delimiter).encode_utf8(&mut [0; 4]))
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<u8, D::Error> {
        super::byte(&String::deserialize(deserializer)?, "delimiter").map_err(D::Error::custom)
    }
}

pub(super) mod quote {
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(in super::super) fn serialize<S: Serializer>(
        quote: &Option<u8>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        match quote {
            Some(quote) => serializer.serialize_str(char::from(*quote).encode_utf8(&mut [0; 4])),
            None => serializer.serialize_str(""),
        }
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<u8>, D::Error> {
        match String::deserialize(deserializer)?.as_str() {
            "" => Ok(None),
            text => super::byte(text, "quote").map(Some).map_err(D::Error::custom),
        }
    }
}

/// A message with the line and column of a byte of the layout.
pub(super) fn error_at(toml: &str, byte: Option<usize>, message: String) -> LayoutError {
    let Some(before) = byte.and_then(|byte| toml.get(..byte)) else {
        return LayoutError { line: 0, column: 0, message };
    };
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    let line = before.matches('\n').count() + 1;
    let column = before.get(line_start..).unwrap_or_default().chars().count() + 1;
    LayoutError { line, column, message }
}

/// Where a setting, or else the nearest table above it, stands in the layout.
pub(super) fn position(toml: &str, path: &[Step]) -> Option<usize> {
    let document = DeTable::parse(toml).ok()?;
    let mut found = None;
    let mut table: Option<&DeTable<'_>> = Some(document.get_ref());
    let mut list: Option<&[toml::Spanned<DeValue<'_>>]> = None;
    for step in path {
        let value = match step {
            Step::Key(key) => table?.iter().find(|(name, _)| name.get_ref() == key).map(|(_, value)| value),
            Step::Item(at) => list.and_then(|items| items.get(*at)),
        };
        let Some(value) = value else { break };
        found = Some(value.span().start);
        table = value.get_ref().as_table();
        list = value.get_ref().as_array().map(|array| &**array);
    }
    found
}

/// JSON with sorted keys and no spaces.
pub(super) fn write_canonical(value: &Value, out: &mut String) {
    match value {
        Value::Object(members) => {
            let mut sorted: Vec<_> = members.iter().collect();
            sorted.sort_by_key(|(key, _)| key.as_str());
            out.push('{');
            for (at, (key, member)) in sorted.into_iter().enumerate() {
                if at > 0 {
                    out.push(',');
                }
                out.push_str(&Value::from(key.as_str()).to_string());
                out.push(':');
                write_canonical(member, out);
            }
            out.push('}');
        }
        Value::Array(items) => {
            out.push('[');
            for (at, item) in items.iter().enumerate() {
                if at > 0 {
                    out.push(',');
                }
                write_canonical(item, out);
            }
            out.push(']');
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {
            out.push_str(&value.to_string())
        }
    }
}

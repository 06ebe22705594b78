//! The lengths of a document, read by its notation before its types see them: every one that is wrong is told, each
//! at its place.

use std::borrow::Cow;

use serde_json::Value;

use super::Problem;
use crate::length::{LengthNotation, parse};

/// The fields that hold a length as text. A test holds them against the schema.
pub(super) const FIELDS: [&str; 14] = [
    "amount",
    "flat_at",
    "floor",
    "height",
    "height_sd",
    "knee",
    "length",
    "mark_sd",
    "reading_sd",
    "rounded_to",
    "sd",
    "thickness",
    "wall_thickness",
    "width",
];

/// Whether a document can hold lengths at all; most houses come as finished areas.
pub(super) fn may_hold(text: &str) -> bool {
    text.contains("\"field_notes\"") || text.contains("\"ceiling\"")
}

/// The document with every length in millimetres, exactly, and what is wrong with the others.
pub(super) fn with_units(document: &Value) -> (Cow<'_, Value>, Vec<Problem>) {
    let notation = match document.pointer("/field_notes/notation").and_then(Value::as_str) {
        Some("feet_inches") => LengthNotation::FeetInches,
        Some("decimal_feet") => LengthNotation::DecimalFeet,
        Some("metres") => LengthNotation::Metres,
        Some(_) | None => LengthNotation::Unstated,
    };
    let (mut found, mut problems) = (Vec::new(), Vec::new());
    look(document, &mut String::new(), notation, &mut found, &mut problems);
    if found.is_empty() {
        return (Cow::Borrowed(document), problems);
    }
    let mut read = document.clone();
    for (pointer, exact) in found {
        if let Some(place) = read.pointer_mut(&pointer) {
            *place = exact;
        }
    }
    (Cow::Owned(read), problems)
}

fn look(
    value: &Value,
    pointer: &mut String,
    notation: LengthNotation,
    found: &mut Vec<(String, Value)>,
    problems: &mut Vec<Problem>,
) {
    let length = pointer.len();
    match value {
        Value::Array(items) => {
            for (at, item) in items.iter().enumerate() {
                pointer.push_str(&format!("/{at}"));
                look(item, pointer, notation, found, problems);
                pointer.truncate(length);
            }
        }
        Value::Object(object) => {
            for (name, item) in object {
                pointer.push('/');
                pointer.push_str(&name.replace('~', "~0").replace('/', "~1"));
                match item {
                    Value::String(text) if FIELDS.contains(&name.as_str()) => match parse(text, notation) {
                        Ok(read) => {
                            if let Ok(exact) = serde_json::to_value(read) {
                                found.push((pointer.clone(), exact));
                            }
                        }
                        Err(error) => problems.push(wrong(pointer, &error.to_string())),
                    },
                    Value::Null
                    | Value::Bool(_)
                    | Value::Number(_)
                    | Value::String(_)
                    | Value::Array(_)
                    | Value::Object(_) => look(item, pointer, notation, found, problems),
                }
                pointer.truncate(length);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// An error of a length says what was found, then after a colon what would mend it.
fn wrong(pointer: &str, error: &str) -> Problem {
    let (detail, mend) = error.split_once(": ").unwrap_or((error, "write a length with its unit"));
    Problem { pointer: pointer.to_owned(), detail: detail.to_owned(), mend: mend.to_owned() }
}

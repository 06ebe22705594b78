//! The measurement document: what an office sends about one measured house, read strictly and all at once.
//!
//! The JSON Schema is derived from the types below and decides shape, types and bounds; what a schema cannot
//! say (a date that exists, two areas for one part) is checked afterwards. Every problem is reported, each with
//! the JSON pointer of its place and what would mend it.

mod drawn;
mod faces;
mod lengths;
mod level;
mod schema_fault;
mod shape;
mod take;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::house::House;
pub use shape::{
    BuildingDocument, FieldNotesDocument, LevelDocument, MeasurementDocument, NotationDocument,
    OpeningDocument, OutlineDocument, PartDocument, SideDocument, StairDocument,
};
use take::take;

/// Largest area that a part may have, in square feet; beyond it a unit was mistaken.
pub const PART_AREA_SQFT_MAX: f64 = 1_000_000.0;

/// A measurement as an office states it: whose house, when, and what was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// The office's own name for the property.
    pub reference: String,
    /// The parcel number as the office writes it.
    pub parcel: String,
    /// The situs address, where stated.
    pub address: Option<String>,
    /// The jurisdiction, for example `US-IA-169`, where stated.
    pub jurisdiction: Option<String>,
    /// The day of the visit.
    pub measured_on: Date,
    /// The year the house was built, where known.
    pub year_built: Option<i32>,
    /// What the house was measured for.
    pub purpose: Option<String>,
    /// What the measurement may be used for.
    pub permitted_use: Option<String>,
    /// Why this version follows an earlier one.
    pub reason: Option<String>,
    /// The house itself.
    pub house: House,
    /// What is worth a look, though nothing is refused for it.
    pub remarks: Vec<Problem>,
}

/// One thing wrong with a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// JSON pointer (RFC 6901) of the place.
    pub pointer: String,
    /// What was found.
    pub detail: String,
    /// What would mend it.
    pub mend: String,
}

/// The JSON Schema (2020-12) of the measurement document.
#[must_use]
pub fn schema() -> Value {
    schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<MeasurementDocument>()
        .to_value()
}

/// Why the reader of documents could not be made: the schema does not compile, which is a fault of this program.
#[derive(Debug, thiserror::Error)]
#[error("the schema of the measurement document does not compile: {0}")]
pub struct SchemaFault(String);

/// Reads measurement documents; holds the compiled schema.
#[derive(Debug)]
pub struct DocumentReader {
    validator: jsonschema::Validator,
}

impl DocumentReader {
    /// Compiles the schema once.
    ///
    /// # Errors
    /// [`SchemaFault`] if the schema does not compile.
    pub fn new() -> Result<DocumentReader, SchemaFault> {
        let validator = jsonschema::draft202012::new(&schema()).map_err(|e| SchemaFault(e.to_string()))?;
        Ok(DocumentReader { validator })
    }

    /// Reads one document.
    ///
    /// # Errors
    /// All problems of the document at once.
    pub fn read(&self, document: &Value) -> Result<Measurement, Vec<Problem>> {
        // nearly every document is good, and saying so costs a fraction of looking for all that is wrong
        let mut problems: Vec<Problem> = if self.validator.is_valid(document) {
            Vec::new()
        } else {
            self.validator.iter_errors(document).flat_map(|error| schema_fault::problems(&error)).collect()
        };
        problems.extend(zero_characters(document).into_iter().map(|pointer| Problem {
            pointer,
            detail: "there is a zero character in the text".to_owned(),
            mend: "leave it out".to_owned(),
        }));
        let (document, wrong) = lengths::with_units(document);
        // what is wrong with a length is told better than the types tell it
        let broken = !wrong.is_empty();
        problems.extend(wrong);
        let typed = if broken { None } else { MeasurementDocument::deserialize(&*document).ok() };
        match typed {
            None if problems.is_empty() => Err(vec![Problem {
                pointer: String::new(),
                detail: "the document does not have the shape of a measurement".to_owned(),
                mend: "compare it with schemas/measurement.schema.json".to_owned(),
            }]),
            // the types are wrong somewhere else: a day that does not exist is told all the same
            None => {
                if let Some(day) = document.get("measured_on").and_then(Value::as_str) {
                    let _told = calendar_day(day, &mut problems);
                }
                Err(problems)
            }
            Some(typed) => take(typed, problems),
        }
    }
}

/// The places (RFC 6901) of all texts with a zero character. JSON may hold it (RFC 8259, section 7: escaped), PostgreSQL's
/// `text` cannot (PostgreSQL 15, section 8.3: "the characters that can be stored ... cannot include ... code zero").
#[must_use]
pub fn zero_characters(value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    // nearly no document has one, and pointers cost more than looking
    if has_zero_character(value) {
        find_zero_characters(value, &mut String::new(), &mut found);
    }
    found
}

fn has_zero_character(value: &Value) -> bool {
    match value {
        Value::String(text) => text.contains('\0'),
        Value::Array(items) => items.iter().any(has_zero_character),
        Value::Object(object) => {
            object.iter().any(|(name, item)| name.contains('\0') || has_zero_character(item))
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => false,
    }
}

fn find_zero_characters(value: &Value, pointer: &mut String, found: &mut Vec<String>) {
    let length = pointer.len();
    match value {
        Value::String(text) if text.contains('\0') => found.push(pointer.clone()),
        Value::Array(items) => {
            for (n, item) in items.iter().enumerate() {
                pointer.push_str(&format!("/{n}"));
                find_zero_characters(item, pointer, found);
                pointer.truncate(length);
            }
        }
        Value::Object(object) => {
            // a name cannot be pointed at by a text without the character: the object is
            if object.keys().any(|name| name.contains('\0')) {
                found.push(pointer.clone());
            }
            for (name, item) in object {
                pointer.push('/');
                pointer.push_str(&name.replace('~', "~0").replace('/', "~1"));
                find_zero_characters(item, pointer, found);
                pointer.truncate(length);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Reads a document that was taken in before, without holding it against the schema again.
///
/// # Errors
/// What is wrong with it, when it is not such a document.
pub fn reread(text: &str) -> Result<Measurement, Vec<Problem>> {
    let unreadable = |e: serde_json::Error| {
        vec![Problem {
            pointer: String::new(),
            detail: e.to_string(),
            mend: "send the measurement again".to_owned(),
        }]
    };
    if !lengths::may_hold(text) {
        return take(serde_json::from_str(text).map_err(unreadable)?, Vec::new());
    }
    let value: Value = serde_json::from_str(text).map_err(unreadable)?;
    let (value, wrong) = lengths::with_units(&value);
    if !wrong.is_empty() {
        return Err(wrong);
    }
    take(MeasurementDocument::deserialize(&*value).map_err(unreadable)?, Vec::new())
}

fn remark(pointer: String, detail: String, mend: &str) -> Problem {
    Problem { pointer, detail, mend: mend.to_owned() }
}

/// The day, if it exists; else a problem, unless the schema found one at the same place.
fn calendar_day(text: &str, problems: &mut Vec<Problem>) -> Option<Date> {
    let day: Option<Date> = text.parse().ok();
    if day.is_none() && !problems.iter().any(|p| p.pointer == "/measured_on") {
        problems.push(Problem {
            pointer: "/measured_on".to_owned(),
            detail: format!("{text} is not a day of the calendar"),
            mend: "write the day of the visit as YYYY-MM-DD".to_owned(),
        });
    }
    day
}

#[cfg(test)]
mod tests;

//! The measurement document: what an office sends about one measured house, read strictly and all at once.
//!
//! The JSON Schema is derived from the types below and decides shape, types and bounds; what a schema cannot
//! say (a date that exists, two areas for one part) is checked afterwards. Every problem is reported, each with
//! the JSON pointer of its place and what would mend it.

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::area::Area;
use crate::house::{
    Access, Attachment, Building, BuildingKind, Enclosure, Finish, Grade, Heat, House, HowKnown, Level, Part,
    PartUse,
};

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

/// The JSON form of a measurement. Unknown fields are refused.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MeasurementDocument {
    /// The office's own name for the property; the same reference again is the same property.
    #[schemars(length(min = 1, max = 120))]
    pub reference: String,
    /// The parcel number, with or without hyphens. Always text: leading zeros count.
    #[schemars(length(min = 1, max = 120))]
    pub parcel: String,
    /// The situs address: number and street, then the town after a comma.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub address: Option<String>,
    /// The jurisdiction, for example `US-IA-169`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 60))]
    pub jurisdiction: Option<String>,
    /// The day of the visit, `YYYY-MM-DD`.
    #[schemars(regex(pattern = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"))]
    pub measured_on: String,
    /// The year the house was built.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1500, max = 2200))]
    pub year_built: Option<i32>,
    /// What the house was measured for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub purpose: Option<String>,
    /// What the measurement may be used for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub permitted_use: Option<String>,
    /// Why this version follows an earlier one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub reason: Option<String>,
    /// Relative standard deviation of the scale error shared by all parts, for example 0.002.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 0.2))]
    pub common_relative_sd: Option<f64>,
    /// The structures of the property.
    #[schemars(length(min = 1, max = 50))]
    pub buildings: Vec<BuildingDocument>,
}

/// A structure of the property.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BuildingDocument {
    /// What the office calls it.
    #[schemars(length(min = 1, max = 120))]
    pub name: String,
    /// What it is.
    pub kind: BuildingKind,
    /// Its storeys.
    #[schemars(length(min = 1, max = 60))]
    pub levels: Vec<LevelDocument>,
}

/// A storey of a building.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LevelDocument {
    /// 1 is the first level above grade; 0 and below are under it.
    #[schemars(range(min = -20, max = 200))]
    pub level: i32,
    /// Below as soon as any part of the level is below grade.
    pub grade: Grade,
    /// The regions of the level.
    #[schemars(length(min = 1, max = 500))]
    pub parts: Vec<PartDocument>,
}

/// A region of a level. Give its area either in square feet or in square metres.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PartDocument {
    /// What it is used as.
    #[serde(rename = "use")]
    pub part_use: PartUse,
    /// Area in square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = PART_AREA_SQFT_MAX))]
    pub area_sqft: Option<f64>,
    /// Area in square metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 92_903.04))]
    pub area_m2: Option<f64>,
    /// Standard deviation of the area in square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub sd_sqft: Option<f64>,
    /// Standard deviation of the area in square metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 9290.0))]
    pub sd_m2: Option<f64>,
    /// How far it is finished; finished if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish: Option<Finish>,
    /// How it is heated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat: Option<Heat>,
    /// How it is reached; from inside if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub access: Option<Access>,
    /// How far it is walled in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure: Option<Enclosure>,
    /// How it is joined to the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attachment: Option<Attachment>,
    /// The year it was built, where it is younger than the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1500, max = 2200))]
    pub built: Option<i32>,
    /// How the area is known; measured if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub how_known: Option<HowKnown>,
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
        let mut problems: Vec<Problem> =
            self.validator.iter_errors(document).map(|e| schema_problem(&e)).collect();
        problems.extend(zero_characters(document).into_iter().map(|pointer| Problem {
            pointer,
            detail: "there is a zero character in the text".to_owned(),
            mend: "leave it out".to_owned(),
        }));
        let typed = MeasurementDocument::deserialize(document).ok();
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
    let document: MeasurementDocument = serde_json::from_str(text).map_err(|e| {
        vec![Problem {
            pointer: String::new(),
            detail: e.to_string(),
            mend: "send the measurement again".to_owned(),
        }]
    })?;
    take(document, Vec::new())
}

#[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum: its other kinds are all about bounds")]
fn schema_problem(error: &jsonschema::ValidationError<'_>) -> Problem {
    use jsonschema::error::ValidationErrorKind as K;
    let mend = match error.kind() {
        K::AdditionalProperties { unexpected } | K::UnevaluatedProperties { unexpected } => {
            format!("leave out {}, or correct the spelling", unexpected.join(", "))
        }
        K::Required { property } => format!("add {property}"),
        K::Type { .. } => "give a value of the type named".to_owned(),
        K::Enum { .. } | K::Constant { .. } | K::AnyOf { .. } | K::OneOfNotValid { .. } => {
            "use one of the values named".to_owned()
        }
        K::Pattern { .. } => "write the date as YYYY-MM-DD".to_owned(),
        _ => "keep within the bounds named".to_owned(),
    };
    Problem { pointer: error.instance_path().to_string(), detail: shortened(&error.to_string()), mend }
}

fn shortened(text: &str) -> String {
    if text.chars().count() <= 300 {
        text.to_owned()
    } else {
        text.chars().take(297).chain("...".chars()).collect()
    }
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

fn take(document: MeasurementDocument, mut problems: Vec<Problem>) -> Result<Measurement, Vec<Problem>> {
    let measured_on = calendar_day(&document.measured_on, &mut problems);
    for (pointer, text) in [("/reference", &document.reference), ("/parcel", &document.parcel)] {
        if !text.is_empty() && text.trim().is_empty() {
            problems.push(Problem {
                pointer: pointer.to_owned(),
                detail: "only spaces".to_owned(),
                mend: "give it a value".to_owned(),
            });
        }
    }
    let buildings = document
        .buildings
        .into_iter()
        .enumerate()
        .map(|(b, building)| take_building(building, &format!("/buildings/{b}"), &mut problems))
        .collect();
    match measured_on {
        Some(measured_on) if problems.is_empty() => Ok(Measurement {
            reference: document.reference.trim().to_owned(),
            parcel: document.parcel.trim().to_owned(),
            address: document.address.filter(|a| !a.trim().is_empty()),
            jurisdiction: document.jurisdiction.filter(|j| !j.trim().is_empty()),
            measured_on,
            year_built: document.year_built,
            purpose: document.purpose,
            permitted_use: document.permitted_use,
            reason: document.reason,
            house: House { buildings, common_relative_sd: document.common_relative_sd, drawing: None },
        }),
        _ => Err(problems),
    }
}

fn take_building(building: BuildingDocument, pointer: &str, problems: &mut Vec<Problem>) -> Building {
    let levels = building
        .levels
        .into_iter()
        .enumerate()
        .map(|(l, level)| {
            let parts = level.parts.into_iter().enumerate();
            let parts = parts.filter_map(|(p, part)| {
                take_part(&part, &format!("{pointer}/levels/{l}/parts/{p}"), problems)
            });
            Level::stated(level.level, level.grade, parts.collect())
        })
        .collect();
    Building { name: building.name, kind: building.kind, levels }
}

fn take_part(part: &PartDocument, pointer: &str, problems: &mut Vec<Problem>) -> Option<Part> {
    let area = match (part.area_sqft, part.area_m2) {
        (Some(feet), None) => Area::from_square_feet_f64(feet),
        (None, Some(metres)) => Area::from_square_metres_f64(metres),
        (Some(_), Some(_)) => {
            problems.push(Problem {
                pointer: pointer.to_owned(),
                detail: "area_sqft and area_m2 are both given".to_owned(),
                mend: "keep the one that was measured".to_owned(),
            });
            return None;
        }
        (None, None) => {
            problems.push(Problem {
                pointer: pointer.to_owned(),
                detail: "no area is given".to_owned(),
                mend: "add area_sqft or area_m2".to_owned(),
            });
            return None;
        }
    };
    let sd_sqft = match (part.sd_sqft, part.sd_m2) {
        (Some(feet), None) => Some(feet),
        (None, Some(metres)) => Some(metres / crate::area::SQUARE_METRES_PER_SQUARE_FOOT),
        (None, None) => None,
        (Some(_), Some(_)) => {
            problems.push(Problem {
                pointer: pointer.to_owned(),
                detail: "sd_sqft and sd_m2 are both given".to_owned(),
                mend: "keep the one that was stated".to_owned(),
            });
            None
        }
    };
    let Some(area) = area else {
        problems.push(Problem {
            pointer: pointer.to_owned(),
            detail: "the area cannot be held exactly".to_owned(),
            mend: "give at most six decimals and at most a million square feet".to_owned(),
        });
        return None;
    };
    Some(Part {
        sd_sqft,
        finish: part.finish.unwrap_or(Finish::Finished),
        heat: part.heat,
        access: part.access.unwrap_or(Access::Inside),
        enclosure: part.enclosure,
        attachment: part.attachment,
        built: part.built,
        how_known: part.how_known.unwrap_or(HowKnown::Measured),
        ..Part::stated(part.part_use, area)
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn good() -> Value {
        json!({
            "reference": "A-1", "parcel": "07-0412-003", "measured_on": "2026-03-08", "common_relative_sd": 0.002,
            "buildings": [{ "name": "main house", "kind": "main", "levels": [
                { "level": 1, "grade": "above", "parts": [{ "use": "living", "area_sqft": 1284.5, "sd_sqft": 4.5 }] }] }]
        })
    }

    fn pointers(document: &Value) -> Vec<String> {
        let mut pointers: Vec<String> = DocumentReader::new()
            .unwrap()
            .read(document)
            .unwrap_err()
            .into_iter()
            .map(|p| p.pointer)
            .collect();
        pointers.sort();
        pointers
    }

    #[test]
    fn a_good_document_is_read_exactly() {
        let measurement = DocumentReader::new().unwrap().read(&good()).unwrap();
        let part = &measurement.house.buildings[0].levels[0].parts[0];
        assert_eq!(part.area, Area::parse_square_feet("1284.5").unwrap());
        assert_eq!(
            (part.finish, part.access, part.how_known),
            (Finish::Finished, Access::Inside, HowKnown::Measured)
        );
        assert_eq!(reread(&good().to_string()).unwrap(), measurement);
    }

    #[test]
    fn everything_wrong_is_reported_at_once_with_its_pointer() {
        let mut document = good();
        document["reference"] = json!(7);
        document["measured_on"] = json!("8 March");
        document["parcle"] = json!("07");
        document["buildings"][0]["kind"] = json!("castle");
        document["buildings"][0]["levels"][0]["parts"][0]["area_sqft"] = json!("1,284");
        document["buildings"][0]["levels"][0]["parts"][0]["sd_sqft"] = json!(-1);
        assert_eq!(
            pointers(&document),
            [
                "",
                "/buildings/0/kind",
                "/buildings/0/levels/0/parts/0/area_sqft",
                "/buildings/0/levels/0/parts/0/sd_sqft",
                "/measured_on",
                "/reference"
            ]
        );
    }

    #[test]
    fn a_day_that_does_not_exist_is_told_beside_a_wrong_type() {
        let mut document = good();
        document["measured_on"] = json!("2026-02-30");
        document["year_built"] = json!("old");
        assert_eq!(pointers(&document), ["/measured_on", "/year_built"]);
        document.as_object_mut().unwrap().remove("measured_on");
        assert_eq!(pointers(&document), ["", "/year_built"]);
    }

    #[test]
    fn what_a_schema_cannot_say_is_found_too() {
        let mut document = good();
        document["measured_on"] = json!("2026-02-30");
        document["parcel"] = json!("   ");
        document["buildings"][0]["levels"][0]["parts"][0]["area_m2"] = json!(100.0);
        document["buildings"][0]["levels"][0]["parts"][0]["sd_m2"] = json!(1.0);
        let parts = "/buildings/0/levels/0/parts/0";
        assert_eq!(pointers(&document), [parts, "/measured_on", "/parcel"]);
        let mut none = good();
        none["buildings"][0]["levels"][0]["parts"][0].as_object_mut().unwrap().remove("area_sqft");
        assert_eq!(pointers(&none), [parts]);
    }

    #[test]
    fn a_zero_character_is_told_wherever_it_stands() {
        let text_fields =
            ["reference", "parcel", "address", "jurisdiction", "purpose", "permitted_use", "reason"];
        for field in text_fields {
            let mut document = good();
            document[field] = json!("a\u{0}b");
            let problems = DocumentReader::new().unwrap().read(&document).unwrap_err();
            let [problem] = problems.as_slice() else { panic!("{field}: {problems:?}") };
            assert_eq!((&problem.pointer, problem.mend.as_str()), (&format!("/{field}"), "leave it out"));
        }
        let mut document = good();
        document["address"] = json!("\u{0}");
        document["buildings"][0]["name"] = json!("main\u{0}house");
        document["a~b/c\u{0}"] = json!({"x/y": "\u{0}"});
        // an unknown field is told beside it, at the whole
        assert_eq!(
            pointers(&document),
            ["", "", "/address", "/a~0b~1c\u{0}/x~1y", "/buildings/0/name"].map(str::to_owned)
        );
    }

    #[test]
    fn square_metres_are_taken_as_they_are_stated() {
        let mut document = good();
        let part = &mut document["buildings"][0]["levels"][0]["parts"][0];
        *part = json!({ "use": "living", "area_m2": 185.8, "sd_m2": 0.092_903_04 });
        let read = DocumentReader::new().unwrap().read(&document).unwrap();
        let part = &read.house.buildings[0].levels[0].parts[0];
        // NIST SP 811: the international foot is 0.3048 m, so 185.8 m2 are 1,999.9346 sq ft
        assert_eq!(part.area.to_square_feet(4), "1999.9346");
        assert!((part.sd_sqft.unwrap() - 1.0).abs() < 1e-12);
    }
}

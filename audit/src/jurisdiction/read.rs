//! Reading a year from TOML or JSON, or from rows of a table, with everything that is wrong told at its place.

use serde::Deserialize;
use toml::Spanned;

use super::{JurisdictionYear, Named, ValueKind, ValueUnit, YearValue, day, no_day};

/// Longest text, in characters.
const TEXT_CHARACTERS_MAX: usize = 2000;
/// More values than this no jurisdiction publishes for a year.
const VALUES_MAX: usize = 5000;

/// One thing that is wrong with a document.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{message}", place(*.line, *.column, pointer))]
pub struct YearError {
    /// The line of the text, from 1; 0 where there is none, as in JSON.
    pub line: usize,
    /// The character of the line, from 1.
    pub column: usize,
    /// JSON pointer of the place.
    pub pointer: String,
    /// What was found and what would mend it.
    pub message: String,
}

fn place(line: usize, column: usize, pointer: &str) -> String {
    match (line, pointer.is_empty()) {
        (0, true) => String::new(),
        (0, false) => format!("{pointer}: "),
        _ => format!("line {line}, column {column}: "),
    }
}

/// A document before it is checked: texts as they were written.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Draft {
    /// The jurisdiction.
    pub jurisdiction: String,
    /// The year.
    pub year: String,
    /// Its title.
    pub title: String,
    /// The values.
    pub values: Vec<DraftValue>,
}

/// A value before it is checked.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DraftValue {
    /// See [`YearValue`].
    pub kind: String,
    /// See [`YearValue`].
    pub name: String,
    /// See [`YearValue`].
    pub value: String,
    /// See [`YearValue`].
    pub unit: String,
    /// See [`YearValue`].
    pub source: String,
    /// See [`YearValue`].
    pub address: String,
    /// See [`YearValue`].
    pub read_on: String,
    /// See [`YearValue`].
    pub note: String,
}

/// What is wrong with a draft: the position of the value from 0 (none for the document itself), the field, and what would
/// mend it.
pub(super) type Fault = (Option<usize>, &'static str, String);

/// A place in a draft: of a value by its position from 0, or of the document, and the field.
pub(super) type Place = (Option<usize>, &'static str);

impl Draft {
    /// Checks everything.
    ///
    /// # Errors
    /// All that is wrong, each with the position of the value from 0 (none for the document itself), the field, and what
    /// would mend it.
    pub fn check(&self) -> Result<JurisdictionYear, Vec<Fault>> {
        let mut faults: Vec<Fault> = Vec::new();
        let mut wrong = |place: Place, message: String| faults.push((place.0, place.1, message));
        if self.jurisdiction.trim().is_empty() || self.jurisdiction.chars().count() > 200 {
            wrong(
                (None, "jurisdiction"),
                "name the jurisdiction as the layouts of its sources do".to_owned(),
            );
        }
        let year = self.year.trim().parse::<i32>().ok().filter(|year| (1500..=2200).contains(year));
        if year.is_none() {
            wrong((None, "year"), format!("{:?} is no year between 1500 and 2200", self.year));
        }
        if self.values.is_empty() {
            wrong((None, "value"), "there is no value: give at least one".to_owned());
        }
        if self.values.len() > VALUES_MAX {
            wrong((None, "value"), format!("more than {VALUES_MAX} values: leave out what nobody needs"));
        }
        if let Some(message) = unshowable(&self.title).or_else(|| unshowable(&self.jurisdiction)) {
            wrong((None, "title"), message);
        }
        let mut seen = Named::new();
        let mut values = Vec::with_capacity(self.values.len());
        for (at, draft) in self.values.iter().enumerate() {
            values.extend(draft.check(&mut seen, &mut |field, message| wrong((Some(at), field), message)));
        }
        match year {
            Some(year) if faults.is_empty() => Ok(JurisdictionYear {
                jurisdiction: self.jurisdiction.trim().to_owned(),
                year,
                title: self.title.trim().to_owned(),
                value: values,
            }),
            _ => Err(faults),
        }
    }
}

impl DraftValue {
    /// The fields with their names, in the order in which they are told.
    fn fields(&self) -> [(&'static str, &str); 8] {
        [
            ("kind", &self.kind),
            ("name", &self.name),
            ("value", &self.value),
            ("unit", &self.unit),
            ("source", &self.source),
            ("address", &self.address),
            ("read_on", &self.read_on),
            ("note", &self.note),
        ]
    }

    fn check(&self, seen: &mut Named, wrong: &mut dyn FnMut(&'static str, String)) -> Option<YearValue> {
        for (field, text) in self.fields() {
            if let Some(message) = unshowable(text) {
                wrong(field, message);
            }
        }
        let read_on = self.read_on.trim();
        if day(read_on).is_none() {
            wrong("read_on", no_day(read_on));
        }
        if self.source.trim().is_empty() {
            wrong("source", "the source is blank: name the law, the notice or the page".to_owned());
        }
        let Some(kind) = ValueKind::from_name(self.kind.trim()) else {
            let known = ValueKind::ALL.map(ValueKind::name).join(", ");
            wrong("kind", format!("{:?} is no kind of value: write one of {known}", self.kind));
            return None;
        };
        let (name, value) = (self.name.trim(), self.value.trim());
        if kind.needs_name() && name.is_empty() {
            wrong("name", format!("a {} needs a name: the district, or what it is for", kind.name()));
        }
        if let Some(message) = kind.fault(value) {
            wrong("value", message);
        }
        if !seen.insert((kind, name.to_owned())) {
            let which = if name.is_empty() { String::new() } else { format!(" for {name:?}") };
            wrong("kind", format!("{}{which} stands here twice: keep one of them", kind.name()));
        }
        let unit = self.unit(kind).unwrap_or_else(|message| {
            wrong("unit", message);
            None
        });
        Some(YearValue {
            kind,
            name: name.to_owned(),
            value: value.to_owned(),
            unit,
            source: self.source.trim().to_owned(),
            address: self.address.trim().to_owned(),
            read_on: read_on.to_owned(),
            note: self.note.trim().to_owned(),
        })
    }

    fn unit(&self, kind: ValueKind) -> Result<Option<ValueUnit>, String> {
        let (written, allowed) = (self.unit.trim(), kind.units());
        let known = || allowed.iter().map(|unit| unit.name()).collect::<Vec<_>>().join(", ");
        match ValueUnit::from_name(written) {
            Some(unit) if allowed.contains(&unit) => Ok(Some(unit)),
            None if written.is_empty() && allowed.is_empty() => Ok(None),
            _ if allowed.is_empty() => Err(format!("a {} has no unit: leave it out", kind.name())),
            _ => Err(format!("a {} needs a unit: write one of {}", kind.name(), known())),
        }
    }
}

pub(super) fn unshowable(text: &str) -> Option<String> {
    let bad = text.chars().any(char::is_control) || text.chars().count() > TEXT_CHARACTERS_MAX;
    bad.then(|| {
        format!("the text cannot be shown: at most {TEXT_CHARACTERS_MAX} characters, none of control")
    })
}

/// A value as TOML or JSON holds it: people write numbers and days bare.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
pub(super) enum Bare {
    Text(String),
    Whole(i64),
    Decimal(f64),
    Day(toml::value::Datetime),
}

impl Bare {
    pub(super) fn text(&self) -> String {
        match self {
            Bare::Text(text) => text.clone(),
            Bare::Whole(number) => number.to_string(),
            Bare::Decimal(number) => number.to_string(),
            Bare::Day(day) => day.to_string(),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    jurisdiction: String,
    year: Bare,
    #[serde(default)]
    title: String,
    #[serde(default)]
    value: Vec<WrittenValue>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenValue {
    kind: String,
    #[serde(default)]
    name: String,
    value: Option<Bare>,
    #[serde(default)]
    unit: Option<String>,
    #[serde(default)]
    source: String,
    #[serde(default)]
    address: String,
    read_on: Option<Bare>,
    #[serde(default)]
    note: String,
}

impl From<&WrittenValue> for DraftValue {
    fn from(written: &WrittenValue) -> DraftValue {
        let bare = |bare: &Option<Bare>| bare.as_ref().map(Bare::text).unwrap_or_default();
        DraftValue {
            kind: written.kind.clone(),
            name: written.name.clone(),
            value: bare(&written.value),
            unit: written.unit.clone().unwrap_or_default(),
            source: written.source.clone(),
            address: written.address.clone(),
            read_on: bare(&written.read_on),
            note: written.note.clone(),
        }
    }
}

/// Where the keys of the document and of its values stand in a text of TOML.
pub(super) struct Places<'t> {
    pub(super) text: &'t str,
    pub(super) document: Option<Spanned<toml::de::DeTable<'t>>>,
}

impl Places<'_> {
    pub(super) fn byte(&self, (at, field): Place) -> Option<usize> {
        let root = self.document.as_ref()?.get_ref();
        let Some(at) = at else { return find(root, field) };
        let value = root.iter().find(|(key, _)| key.get_ref() == "value")?.1.get_ref().as_array()?.get(at)?;
        // a field that is missing is told at its table
        value.get_ref().as_table().and_then(|table| find(table, field)).or(Some(value.span().start))
    }

    pub(super) fn line_and_column(&self, byte: usize) -> (usize, usize) {
        let before = self.text.get(..byte).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let begins = before.rfind('\n').map_or(0, |at| at + 1);
        (line, before.get(begins..).unwrap_or_default().chars().count() + 1)
    }
}

fn find(table: &toml::de::DeTable<'_>, field: &str) -> Option<usize> {
    table.iter().find(|(key, _)| key.get_ref() == field).map(|(_, value)| value.span().start)
}

fn pointer((at, field): Place) -> String {
    at.map_or_else(|| format!("/{field}"), |at| format!("/value/{at}/{field}"))
}

impl JurisdictionYear {
    /// Reads a year from TOML.
    ///
    /// # Errors
    /// Everything that is wrong, with line and column.
    pub fn from_toml(text: &str) -> Result<JurisdictionYear, Vec<YearError>> {
        let places = Places { text, document: toml::de::DeTable::parse(text).ok() };
        let written: Written = toml::from_str(text).map_err(|error| {
            let (line, column) = error.span().map_or((1, 1), |span| places.line_and_column(span.start));
            vec![YearError { line, column, pointer: String::new(), message: error.message().to_owned() }]
        })?;
        draft(&written).check().map_err(|faults| {
            let told = |(at, field, message): (Option<usize>, &'static str, String)| {
                let (line, column) =
                    places.byte((at, field)).map_or((1, 1), |byte| places.line_and_column(byte));
                YearError { line, column, pointer: pointer((at, field)), message }
            };
            faults.into_iter().map(told).collect()
        })
    }

    /// Reads a year from JSON.
    ///
    /// # Errors
    /// Everything that is wrong, each with its pointer.
    pub fn from_json(text: &str) -> Result<JurisdictionYear, Vec<YearError>> {
        let written: Written = serde_json::from_str(text).map_err(|error| {
            vec![YearError {
                line: error.line(),
                column: error.column(),
                pointer: String::new(),
                message: error.to_string(),
            }]
        })?;
        draft(&written).check().map_err(|faults| {
            let told = |(at, field, message): (Option<usize>, &'static str, String)| YearError {
                line: 0,
                column: 0,
                pointer: pointer((at, field)),
                message,
            };
            faults.into_iter().map(told).collect()
        })
    }
}

fn draft(written: &Written) -> Draft {
    Draft {
        jurisdiction: written.jurisdiction.clone(),
        year: written.year.text(),
        title: written.title.clone(),
        values: written.value.iter().map(DraftValue::from).collect(),
    }
}

#[cfg(test)]
mod tests;

//! How a jurisdiction's parcel numbers become keys: one rule for all its sources, with where it is published.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::read::{Bare, Places, YearError, unshowable};
use super::{day, no_day};
use crate::record::parcel_key::{KeyRule, KeyRuleError};

/// The rule for the parcel numbers of a jurisdiction: the fields of [`KeyRule`], and where they were read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct IdentifierRule {
    /// The jurisdiction, as layouts name it.
    #[schemars(length(min = 1, max = 200))]
    pub jurisdiction: String,
    /// The width each part is padded to with zeros on the left, one per column of the number; empty pads nothing.
    #[serde(default)]
    pub pad_left: Vec<usize>,
    /// The characters that only separate and are removed.
    #[serde(default = "strip_default")]
    pub strip: String,
    /// Whether letters are compared in upper case.
    #[serde(default = "upper_default")]
    pub upper: bool,
    /// What stands between the parts of the key.
    #[serde(default)]
    pub join: String,
    /// A constant end that every number of the jurisdiction carries, such as the unit `0000`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drop_tail: Option<String>,
    /// A regular expression every key must match.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pattern: Option<String>,
    /// Where the form of the number is published: the law, the manual or the page.
    #[schemars(length(min = 1))]
    pub citation: String,
    /// The address of the citation on the web, where it has one.
    #[serde(default)]
    pub address: String,
    /// The day on which it was read there, or empty.
    #[serde(default)]
    pub read_on: String,
    /// What else has to be known.
    #[serde(default)]
    pub note: String,
}

fn strip_default() -> String {
    KeyRule::default().strip
}

fn upper_default() -> bool {
    KeyRule::default().upper
}

/// As people write it: a day may stand bare in TOML, and what is missing is told with the rest.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    #[serde(default)]
    jurisdiction: String,
    #[serde(default)]
    pad_left: Vec<usize>,
    #[serde(default = "strip_default")]
    strip: String,
    #[serde(default = "upper_default")]
    upper: bool,
    #[serde(default)]
    join: String,
    drop_tail: Option<String>,
    pattern: Option<String>,
    #[serde(default)]
    citation: String,
    #[serde(default)]
    address: String,
    read_on: Option<Bare>,
    #[serde(default)]
    note: String,
}

/// A field at fault, and what would mend it.
type Fault = (&'static str, String);

impl Written {
    fn check(self) -> Result<IdentifierRule, Vec<Fault>> {
        let trimmed = |text: &str| text.trim().to_owned();
        let rule = IdentifierRule {
            jurisdiction: trimmed(&self.jurisdiction),
            pad_left: self.pad_left,
            strip: self.strip,
            upper: self.upper,
            join: self.join,
            drop_tail: self.drop_tail,
            pattern: self.pattern,
            citation: trimmed(&self.citation),
            address: trimmed(&self.address),
            read_on: self.read_on.as_ref().map(|read_on| trimmed(&read_on.text())).unwrap_or_default(),
            note: trimmed(&self.note),
        };
        let faults = rule.faults();
        if faults.is_empty() { Ok(rule) } else { Err(faults) }
    }
}

impl IdentifierRule {
    /// The rule without where it comes from.
    #[must_use]
    pub fn key_rule(&self) -> KeyRule {
        KeyRule {
            pad_left: self.pad_left.clone(),
            strip: self.strip.clone(),
            upper: self.upper,
            join: self.join.clone(),
            drop_tail: self.drop_tail.clone(),
            pattern: self.pattern.clone(),
        }
    }

    fn faults(&self) -> Vec<Fault> {
        let mut faults: Vec<Fault> = Vec::new();
        if self.jurisdiction.is_empty() || self.jurisdiction.chars().count() > 200 {
            let mend = "the jurisdiction is missing or too long: name it as the layouts of its sources do";
            faults.push(("jurisdiction", mend.to_owned()));
        }
        if self.citation.is_empty() {
            let mend = "the citation is blank: name the law, the manual or the page that says how numbers are written";
            faults.push(("citation", mend.to_owned()));
        }
        if !self.read_on.is_empty() && day(&self.read_on).is_none() {
            faults.push(("read_on", no_day(&self.read_on)));
        }
        let texts = [
            ("jurisdiction", self.jurisdiction.as_str()),
            ("strip", &self.strip),
            ("join", &self.join),
            ("drop_tail", self.drop_tail.as_deref().unwrap_or_default()),
            ("pattern", self.pattern.as_deref().unwrap_or_default()),
            ("citation", &self.citation),
            ("address", &self.address),
            ("note", &self.note),
        ];
        faults.extend(texts.into_iter().filter_map(|(field, text)| Some((field, unshowable(text)?))));
        match self.key_rule().compile() {
            Ok(_) => {}
            Err(KeyRuleError::Pattern { pattern, source }) => {
                let why = source.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
                faults.push(("pattern", format!("{pattern:?} is no regular expression: correct it ({why})")));
            }
            Err(error @ KeyRuleError::Width { .. }) => faults.push(("pad_left", error.to_string())),
        }
        faults
    }

    /// Reads a rule from TOML.
    ///
    /// # Errors
    /// Everything that is wrong, with line and column.
    pub fn from_toml(text: &str) -> Result<IdentifierRule, Vec<YearError>> {
        let places = Places { text, document: toml::de::DeTable::parse(text).ok() };
        let written: Written = toml::from_str(text).map_err(|error| {
            let (line, column) = error.span().map_or((1, 1), |span| places.line_and_column(span.start));
            vec![YearError { line, column, pointer: String::new(), message: error.message().to_owned() }]
        })?;
        let told = |(field, message): Fault| {
            let (line, column) =
                places.byte((None, field)).map_or((1, 1), |byte| places.line_and_column(byte));
            YearError { line, column, pointer: format!("/{field}"), message }
        };
        written.check().map_err(|faults| faults.into_iter().map(told).collect())
    }

    /// Reads a rule from JSON.
    ///
    /// # Errors
    /// Everything that is wrong, each with its pointer.
    pub fn from_json(text: &str) -> Result<IdentifierRule, Vec<YearError>> {
        let written: Written = serde_json::from_str(text).map_err(|error| {
            let (line, column) = (error.line(), error.column());
            vec![YearError { line, column, pointer: String::new(), message: error.to_string() }]
        })?;
        let told =
            |(field, message): Fault| YearError { line: 0, column: 0, pointer: format!("/{field}"), message };
        written.check().map_err(|faults| faults.into_iter().map(told).collect())
    }
}

/// The JSON Schema (2020-12) of a rule, in JSON or TOML.
#[must_use]
pub fn schema() -> serde_json::Value {
    schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<IdentifierRule>()
        .to_value()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(errors: Vec<YearError>) -> Vec<String> {
        errors.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn toml_and_json_come_to_the_same_rule() {
        let toml =
            "jurisdiction = \"basalt\"\npad_left = [4, 3]\ncitation = \"manual\"\nread_on = 2026-05-02\n";
        let json = r#"{"jurisdiction":"basalt","pad_left":[4,3],"citation":"manual","read_on":"2026-05-02"}"#;
        let rule = IdentifierRule::from_toml(toml).unwrap();
        assert_eq!(rule, IdentifierRule::from_json(json).unwrap());
        assert_eq!(rule.key_rule(), KeyRule { pad_left: vec![4, 3], ..KeyRule::default() });
        let kept: IdentifierRule = serde_json::from_str(&serde_json::to_string(&rule).unwrap()).unwrap();
        assert_eq!(kept, rule);
    }

    #[test]
    fn what_is_wrong_is_told_at_its_place_with_the_mend() {
        let toml = "jurisdiction = \"basalt\"\npad_left = [65]\ncitation = \" \"\nread_on = \"May\"\n";
        assert_eq!(
            told(IdentifierRule::from_toml(toml).unwrap_err()),
            [
                "line 3, column 12: the citation is blank: name the law, the manual or the page that says how numbers are written",
                "line 4, column 11: \"May\" is no day: write year, month and day, such as 2026-01-31",
                "line 2, column 12: parcel key part padded to 65 characters: the most is 64",
            ]
        );
        let json = r#"{"jurisdiction":"basalt","citation":"manual","pattern":"(["}"#;
        let found = told(IdentifierRule::from_json(json).unwrap_err());
        assert!(found[0].starts_with("/pattern: \"([\" is no regular expression: correct it"), "{found:?}");
        let unknown = told(IdentifierRule::from_toml("jurisdiction = \"b\"\npad = [6]\n").unwrap_err());
        assert!(unknown[0].starts_with("line 2, column 1: unknown field `pad`"), "{unknown:?}");
    }
}

//! Reading a standard, and what is wrong with one: everything that a file must say before anything is judged by it.

use super::{BUILT_IN, CountingVerdict, Standard, every_part};
use crate::length::Length;

/// More rules than this no published definition needs; the proof that every part falls under one looks at each.
const RULES_MAX: usize = 60;
/// Longest id, in characters.
const ID_CHARACTERS_MAX: usize = 60;
/// Longest text, in characters.
const TEXT_CHARACTERS_MAX: usize = 2000;

/// Why a file is no standard.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StandardError {
    /// The file cannot be read as TOML or JSON of this shape.
    #[error("the standard cannot be read: {0}")]
    Unreadable(String),
    /// The id could not stand in a layout or an address.
    #[error("{id:?} is no id of a standard: write lower case letters, digits and single hyphens, at most 60")]
    BadId {
        /// As written.
        id: String,
    },
    /// Some part would fall under no rule.
    #[error(
        "the standard {id} has no rule for {part}: add one, or let the last rule stand without conditions"
    )]
    NotTotal {
        /// The standard.
        id: String,
        /// An example of such a part.
        part: String,
    },
    /// A rule counts apart without a heading.
    #[error("rule {rule} of the standard {id} counts apart but has no heading: add one")]
    NoHeading {
        /// The standard.
        id: String,
        /// The rule.
        rule: String,
    },
    /// A weight stands where nothing is counted.
    #[error(
        "rule {rule} of the standard {id} weighs what it does not count: count it, or leave the weight out"
    )]
    IdleWeight {
        /// The standard.
        id: String,
        /// The rule.
        rule: String,
    },
    /// A text that people need is missing.
    #[error("the standard {id} leaves {field} blank: name its source and its reasons")]
    Blank {
        /// The standard.
        id: String,
        /// The field.
        field: String,
    },
    /// A text is too long, or holds a control character.
    #[error(
        "the standard {id} has a text in {field} that cannot be shown: at most {TEXT_CHARACTERS_MAX} characters, without control characters"
    )]
    Unshowable {
        /// The standard.
        id: String,
        /// The field.
        field: String,
    },
    /// Two rules have one name.
    #[error("two rules of the standard {id} are called {rule}: give each a name of its own")]
    NamedTwice {
        /// The standard.
        id: String,
        /// The rule.
        rule: String,
    },
    /// More rules than are looked at.
    #[error(
        "the standard {id} has {found} rules: at most {RULES_MAX} are read, so join those that decide alike"
    )]
    TooManyRules {
        /// The standard.
        id: String,
        /// How many.
        found: usize,
    },
    /// Bands of height that contradict each other, or none.
    #[error(
        "the ceiling rule of the standard {id} needs bands, each from a height of its own, none below zero"
    )]
    Bands {
        /// The standard.
        id: String,
    },
    /// Dimensions are rounded to nothing.
    #[error(
        "the standard {id} rounds dimensions to a step of nothing: write for example 1 ft, or leave it out"
    )]
    NoStep {
        /// The standard.
        id: String,
    },
}

/// The JSON Schema (2020-12) of a standard, in JSON or TOML.
#[must_use]
pub fn schema() -> serde_json::Value {
    schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<Standard>()
        .to_value()
}

impl Standard {
    /// Reads a standard from TOML and proves that every part falls under exactly one rule.
    ///
    /// # Errors
    /// [`StandardError`] with what would mend the file.
    pub fn from_toml(text: &str) -> Result<Standard, StandardError> {
        let standard: Standard =
            toml::from_str(text).map_err(|e| StandardError::Unreadable(e.to_string().trim().to_owned()))?;
        standard.checked()
    }

    /// Reads a standard from JSON of the same shape.
    ///
    /// # Errors
    /// As [`Standard::from_toml`].
    pub fn from_json(text: &str) -> Result<Standard, StandardError> {
        let standard: Standard =
            serde_json::from_str(text).map_err(|e| StandardError::Unreadable(e.to_string()))?;
        standard.checked()
    }

    fn checked(self) -> Result<Standard, StandardError> {
        self.check_texts()?;
        self.check_rules()?;
        self.check_figures()?;
        match every_part::without_rule(&self) {
            None => Ok(self),
            Some(part) => Err(StandardError::NotTotal { id: self.id.clone(), part }),
        }
    }

    fn check_texts(&self) -> Result<(), StandardError> {
        if !is_id(&self.id) {
            return Err(StandardError::BadId { id: self.id.chars().take(2 * ID_CHARACTERS_MAX).collect() });
        }
        for (field, text) in self.texts() {
            if text.trim().is_empty() && field != "edition" {
                return Err(StandardError::Blank { id: self.id.clone(), field });
            }
            let is_hidden = |character: char| character.is_control() && character != '\n';
            if text.chars().count() > TEXT_CHARACTERS_MAX || text.chars().any(is_hidden) {
                return Err(StandardError::Unshowable { id: self.id.clone(), field });
            }
        }
        Ok(())
    }

    /// Every text that people read, after the name of its field.
    fn texts(&self) -> Vec<(String, &str)> {
        let mut texts = vec![
            ("title".to_owned(), self.title.as_str()),
            ("publisher".to_owned(), self.publisher.as_str()),
            ("edition".to_owned(), self.edition.as_str()),
            ("source".to_owned(), self.source.as_str()),
        ];
        texts.extend(self.total.iter().map(|text| ("total".to_owned(), text.as_str())));
        texts.extend(self.cautions.iter().map(|text| ("cautions".to_owned(), text.as_str())));
        if let Some(rule) = &self.dimensions {
            texts.push(("because of dimensions".to_owned(), &rule.because));
        }
        let half = self.half_storey.iter().map(|rule| (&rule.id, &rule.because));
        let ceiling = self.ceiling.iter().map(|rule| (&rule.id, &rule.because));
        let rules = self.rule.iter().map(|rule| (&rule.id, &rule.because));
        for (id, because) in half.chain(ceiling).chain(rules) {
            texts.push(("the id of a rule".to_owned(), id));
            texts.push((format!("because of the rule {id}"), because));
        }
        let low = self.ceiling.iter().flat_map(|rule| &rule.low_heading);
        let fails = self.ceiling.iter().flat_map(|rule| &rule.room).flat_map(|room| &room.fails_heading);
        let headings = self.rule.iter().flat_map(|rule| &rule.heading);
        texts.extend(low.chain(fails).chain(headings).map(|text| ("a heading".to_owned(), text.as_str())));
        texts
    }

    fn check_rules(&self) -> Result<(), StandardError> {
        let id = || self.id.clone();
        if self.rule.len() > RULES_MAX {
            return Err(StandardError::TooManyRules { id: id(), found: self.rule.len() });
        }
        for (at, rule) in self.rule.iter().enumerate() {
            let name = || rule.id.clone();
            if rule.verdict == CountingVerdict::Apart && rule.heading.is_none() {
                return Err(StandardError::NoHeading { id: id(), rule: name() });
            }
            if rule.verdict != CountingVerdict::Counted && !rule.weight.is_one() {
                return Err(StandardError::IdleWeight { id: id(), rule: name() });
            }
            if self.rule.iter().take(at).any(|before| before.id == rule.id) {
                return Err(StandardError::NamedTwice { id: id(), rule: name() });
            }
        }
        Ok(())
    }

    fn check_figures(&self) -> Result<(), StandardError> {
        if self.dimensions.as_ref().is_some_and(|rule| rule.step <= Length::ZERO) {
            return Err(StandardError::NoStep { id: self.id.clone() });
        }
        if let Some(rule) = &self.ceiling {
            let mut from: Vec<Length> = rule.band.iter().map(|band| band.from).collect();
            from.sort_unstable();
            let is_twice = from.windows(2).any(|pair| pair.first() == pair.last());
            if is_twice || from.first().is_none_or(|lowest| *lowest < Length::ZERO) {
                return Err(StandardError::Bands { id: self.id.clone() });
            }
        }
        Ok(())
    }

    /// The definitions that come with the program.
    ///
    /// # Errors
    /// As [`Standard::from_toml`]; a test shows that it does not happen.
    pub fn built_in() -> Result<Vec<Standard>, StandardError> {
        BUILT_IN.iter().map(|text| Standard::from_toml(text)).collect()
    }
}

/// Whether a text can be the id of a standard.
fn is_id(text: &str) -> bool {
    let plain = |word: &str| {
        !word.is_empty() && word.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit())
    };
    text.len() <= ID_CHARACTERS_MAX && text.split('-').all(plain)
}

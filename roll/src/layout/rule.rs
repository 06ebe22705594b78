//! A layout that takes its rule for parcel numbers from the jurisdiction.

use super::{Layout, ParcelLayout};
use crossfoot_audit::record::parcel_key::KeyRule;
use serde::ser::SerializeStruct as _;
use serde::{Deserialize, Serialize, Serializer};
use toml::de::DeTable;

/// The word of a layout for the newest rule of its jurisdiction.
const NEWEST: &str = "jurisdiction";

/// Whose rule the parcel numbers follow; written `jurisdiction`, or `jurisdiction@3` in a layout that is kept with an
/// edition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum RuleOrigin {
    /// The jurisdiction's newest rule when files are handed in: the layout has no rule yet.
    Newest,
    /// The jurisdiction's rule of this version, which was written into the layout.
    Version(i64),
}

impl From<RuleOrigin> for String {
    fn from(origin: RuleOrigin) -> String {
        match origin {
            RuleOrigin::Newest => NEWEST.to_owned(),
            RuleOrigin::Version(version) => format!("{NEWEST}@{version}"),
        }
    }
}

impl TryFrom<String> for RuleOrigin {
    type Error = String;
    fn try_from(text: String) -> Result<RuleOrigin, String> {
        if text == NEWEST {
            return Ok(RuleOrigin::Newest);
        }
        let version = text.strip_prefix(NEWEST).and_then(|rest| rest.strip_prefix('@'));
        match version.and_then(|version| version.parse().ok()) {
            Some(version) if version > 0 => Ok(RuleOrigin::Version(version)),
            _ => Err(format!(
                "{text:?} is no rule: write rule = \"{NEWEST}\" for that of the jurisdiction, or leave rule out and \
                 give pad_left, strip and so on here"
            )),
        }
    }
}

/// The keys of `[parcel]` that a rule of the jurisdiction gives.
const KEYS: [&str; 6] = ["pad_left", "strip", "upper", "join", "drop_tail", "pattern"];

/// A field of a rule that stands beside `rule = "jurisdiction"`: the byte of its value, and what would mend it.
pub(super) fn beside(toml: &str) -> Option<(usize, String)> {
    let document = DeTable::parse(toml).ok()?;
    let parcel = document.get_ref().iter().find(|(name, _)| name.get_ref() == "parcel")?.1.get_ref();
    let found = parcel.as_table()?.iter().find(|(name, _)| KEYS.contains(&name.get_ref().as_ref()))?;
    let message = format!(
        "{} beside rule = \"{NEWEST}\": the jurisdiction's rule says it, leave one of the two out",
        found.0.get_ref()
    );
    Some((found.1.span().start, message))
}

impl Serialize for ParcelLayout {
    /// Without the fields of a rule where the jurisdiction is yet to give them. What is absent is left out, so that
    /// layouts with a rule of their own keep the version that they always had.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut parcel = serializer.serialize_struct("ParcelLayout", 8)?;
        parcel.serialize_field("columns", &self.columns)?;
        if let Some(rule) = self.rule {
            parcel.serialize_field("rule", &rule)?;
        }
        if self.rule != Some(RuleOrigin::Newest) {
            parcel.serialize_field("pad_left", &self.pad_left)?;
            parcel.serialize_field("strip", &self.strip)?;
            parcel.serialize_field("upper", &self.upper)?;
            parcel.serialize_field("join", &self.join)?;
            if let Some(tail) = &self.drop_tail {
                parcel.serialize_field("drop_tail", tail)?;
            }
            if let Some(pattern) = &self.pattern {
                parcel.serialize_field("pattern", pattern)?;
            }
        }
        parcel.end()
    }
}

impl Layout {
    /// The layout with its jurisdiction's rule written into it; nothing else of it changes.
    ///
    /// # Errors
    /// What does not go together, as a sentence with the mend: the number of widths and that of columns above all.
    pub fn with_rule(&self, rule: &KeyRule, version: i64) -> Result<Layout, String> {
        let mut resolved = self.clone();
        let parcel = &mut resolved.parcel;
        parcel.rule = Some(RuleOrigin::Version(version));
        parcel.pad_left.clone_from(&rule.pad_left);
        parcel.strip.clone_from(&rule.strip);
        parcel.upper = rule.upper;
        parcel.join.clone_from(&rule.join);
        parcel.drop_tail.clone_from(&rule.drop_tail);
        parcel.pattern.clone_from(&rule.pattern);
        if !rule.pad_left.is_empty() && rule.pad_left.len() != resolved.parcel.columns.len() {
            return Err(format!(
                "the rule of {} (version {version}) has {} widths, and [parcel] of the layout {} columns: name as many \
                 columns, or give the layout a rule of its own",
                self.jurisdiction,
                rule.pad_left.len(),
                resolved.parcel.columns.len()
            ));
        }
        match resolved.contradiction() {
            None => Ok(resolved),
            Some((_, message)) => {
                Err(format!("under the rule of {} (version {version}): {message}", self.jurisdiction))
            }
        }
    }
}

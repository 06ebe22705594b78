//! Reasons to keep an edition out of use until a person has looked at it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// A reason to hold an edition, or to refuse it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    /// Its kind, as a name to count by.
    pub kind: String,
    /// The figures that it rests on.
    pub figures: BTreeMap<String, f64>,
    /// What was found and what would mend it, for people.
    pub sentence: String,
    /// Whether no person could let it pass: the records themselves would be wrong.
    pub refuse: bool,
}

//! The form in which the further values of a record that was put together are kept, in [`crate::entry::Entry::rest`].
//!
//! A plain record keeps a JSON array there; this is a JSON object, so that readers can tell the two apart.

use serde::{Deserialize, Serialize};

/// The number of this form.
pub(crate) const FORM: u8 = 1;

/// The values of a record that was put together.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stored {
    /// [`FORM`].
    pub(crate) form: u8,
    /// The rows it was put together from; the first is the record's own.
    pub(crate) rows: Vec<StoredRow>,
    /// Values of the parcel.
    pub(crate) values: Vec<StoredValue>,
    /// Its buildings, the main one first.
    pub(crate) buildings: Vec<StoredBuilding>,
    /// Values that rows contradict each other in, by the field's number: no area is taken from these.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) contradicted: Vec<u16>,
    /// A row that the area comes from was set aside, so none is taken.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(crate) incomplete: bool,
    /// Fields that stood under another name than the layout's first, with it: field, file, name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) renamed: Vec<(u16, u16, String)>,
}

/// File, line, first byte, bytes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) struct StoredRow(pub(crate) u16, pub(crate) u64, pub(crate) u64, pub(crate) u32);

/// The field's number over all tables, places in the list of rows, text, its own heading or blank.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct StoredValue(pub(crate) u16, pub(crate) Vec<u32>, pub(crate) String, pub(crate) String);

/// A building.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct StoredBuilding {
    /// Its number as the source tells it.
    pub(crate) key: String,
    /// Its values.
    pub(crate) values: Vec<StoredValue>,
}

impl Stored {
    /// What a record says, whatever the rows that said it: a record that only moved within its file is unchanged.
    pub(crate) fn without_places(&self) -> Self {
        let bare = |values: &[StoredValue]| {
            values
                .iter()
                .map(|value| StoredValue(value.0, Vec::new(), value.2.clone(), value.3.clone()))
                .collect()
        };
        let buildings = self
            .buildings
            .iter()
            .map(|building| StoredBuilding { key: building.key.clone(), values: bare(&building.values) });
        Self {
            form: self.form,
            rows: Vec::new(),
            values: bare(&self.values),
            buildings: buildings.collect(),
            contradicted: self.contradicted.clone(),
            incomplete: self.incomplete,
            renamed: Vec::new(),
        }
    }

    /// As text.
    pub(crate) fn to_json(&self) -> String {
        // Texts and whole numbers: all of it has a form in JSON.
        serde_json::to_string(self).unwrap_or_default()
    }

    /// From text; `None` for the form of a plain record, and for what is no form at all.
    pub(crate) fn from_json(rest: &str) -> Option<Self> {
        if !rest.starts_with('{') {
            return None;
        }
        serde_json::from_str(rest).ok().filter(|stored: &Self| stored.form == FORM)
    }
}

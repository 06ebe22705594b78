//! Which columns of a file are read: each once, and no other leaves the reader.

use crate::header::{Header, HeaderError};
use crate::layout::Part;

/// The columns asked for so far.
#[derive(Debug)]
pub(super) struct Slots<'a> {
    header: &'a Header,
    delimiter: u8,
    /// Places in the header, in the order in which they were first asked for.
    pub(super) places: Vec<usize>,
    /// Columns that stand under another name than the layout's first, with that name.
    pub(super) renamed: Vec<(String, String)>,
}

impl<'a> Slots<'a> {
    pub(super) fn new(header: &'a Header, delimiter: u8) -> Self {
        Self { header, delimiter, places: Vec::new(), renamed: Vec::new() }
    }

    /// Where the texts of a column will stand.
    pub(super) fn of_column(&mut self, column: &str) -> Result<usize, HeaderError> {
        let place = self.header.place(column, self.delimiter)?;
        Ok(self.slot(place))
    }

    /// Where the text of a part will stand; `None` for a constant, and for a column that may be absent and is.
    pub(super) fn of_part(&mut self, part: &Part, group: u32) -> Result<Option<usize>, HeaderError> {
        let Some(column) = &part.column else { return Ok(None) };
        let named = |name: &str| name.replace("{n}", &group.to_string());
        let first = self.header.place(&named(column), self.delimiter);
        let missing = match first {
            Ok(place) => return Ok(Some(self.slot(place))),
            Err(error) => error,
        };
        for alias in &part.aliases {
            if let Ok(place) = self.header.place(&named(alias), self.delimiter) {
                let found = self.header.names.get(place).cloned().unwrap_or_default();
                self.renamed.push((named(column), found));
                return Ok(Some(self.slot(place)));
            }
        }
        if part.may_be_absent && matches!(missing, HeaderError::MissingColumn { .. }) {
            return Ok(None);
        }
        Err(missing)
    }

    fn slot(&mut self, place: usize) -> usize {
        match self.places.iter().position(|known| *known == place) {
            Some(slot) => slot,
            None => {
                self.places.push(place);
                self.places.len() - 1
            }
        }
    }
}

//! A look at files that nobody described: fixtures, shapes after published layouts with invented rows, and hostile bytes.
#![expect(
    clippy::unwrap_used,
    reason = "a test that fails shows its line; the helpers beside the tests are not seen as tests by clippy"
)]

#[path = "look/hostile.rs"]
mod hostile;
#[path = "look/proposals.rs"]
mod proposals;
#[path = "look/unnamed.rs"]
mod unnamed;
#[path = "look/writing.rs"]
mod writing;

use crossfoot_roll::layout::Layout;
use crossfoot_roll::look::{ColumnFound, Look, Options, ProposedPart, look};

/// What is found out about bytes, with no layout known.
fn at(bytes: &[u8]) -> Look {
    look(bytes, "roll.csv", &[], &Options::default()).unwrap()
}

fn column<'a>(look: &'a Look, name: &str) -> &'a ColumnFound {
    look.columns.iter().find(|column| column.name == name).unwrap()
}

fn part<'a>(look: &'a Look, name: &str) -> &'a ProposedPart {
    look.proposal.as_ref().unwrap().parts.iter().find(|part| part.part == name).unwrap()
}

/// The columns of a part of the proposed layout.
fn taken<'a>(look: &'a Look, name: &str) -> Vec<&'a str> {
    part(look, name).columns.iter().map(String::as_str).collect()
}

/// The proposed layout, which must be one.
fn proposed(look: &Look) -> Layout {
    let proposal = look.proposal.as_ref().unwrap();
    Layout::from_toml(&proposal.layout).unwrap_or_else(|error| panic!("{error}\n{}", proposal.layout))
}

/// All rows must come in under the proposed layout.
fn all_come_in(look: &Look, rows: u64) {
    let proposal = look.proposal.as_ref().unwrap();
    let reading = proposal.reading.as_ref().unwrap_or_else(|| panic!("{:?}", proposal.refusal));
    assert_eq!(
        (reading.rows, reading.entries),
        (rows, rows),
        "{:?}\n{}",
        reading.quarantined,
        proposal.layout
    );
}

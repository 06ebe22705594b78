//! Rows of one file with the same parcel number: copies, years, owners or buildings, or two numbers that a rule for keys
//! has made one.

use std::collections::BTreeMap;

use crossfoot_audit::record::key_merge::{MergeStep, merged_by};
use crossfoot_audit::record::parcel_key::KeyRule;
use serde::{Deserialize, Serialize};

use super::RollCheck;
use super::gates::Gate;
use super::remark::grouped;
use super::tally::whole;
use crate::layout::Layout;
use crate::published::PublishedField;

/// Where a row stands, and its parcel number as published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RowPlace {
    /// File of the edition, from 0.
    pub file: i64,
    /// Line of the file.
    pub line: i64,
    /// First byte of the row.
    pub byte_start: i64,
    /// Bytes of the row.
    pub byte_length: i64,
    /// The parcel number as published.
    pub parcel_raw: String,
}

/// Two rows with one key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DoublePair {
    /// The row that stands first.
    pub first: RowPlace,
    /// A later one.
    pub later: RowPlace,
}

/// Two different parcel numbers of one file that became one key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Collision {
    /// The rows.
    pub rows: DoublePair,
    /// The key that both have.
    pub key: String,
    /// The step of the rule that made them one.
    pub step: MergeStep,
}

/// What was seen of rows with the key of an earlier row of their file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct DoublesSeen {
    /// The first pairs, to be looked at in the file.
    pub pairs: Vec<DoublePair>,
    /// How often two numbers became one.
    pub collided: i64,
    /// The first of those.
    pub collisions: Vec<Collision>,
}

/// Pairs that are kept to be looked at: each is two reads of the kept original.
const PAIRS_KEPT: usize = 50;
/// Collisions that are kept to be shown.
const COLLISIONS_KEPT: usize = 5;

/// Looks at rows with one key, as a load finds them.
#[derive(Debug, Clone)]
pub struct Doubles {
    rule: KeyRule,
    columns: usize,
    seen: DoublesSeen,
}

impl Doubles {
    /// For the keys of a layout.
    #[must_use]
    pub fn new(layout: &Layout) -> Doubles {
        let rule = layout.parcel.key_rule();
        Doubles { rule, columns: layout.parcel.columns.len(), seen: DoublesSeen::default() }
    }

    /// Takes note of two rows of one file set with the same key.
    pub fn note(&mut self, key: &str, first: RowPlace, later: RowPlace) {
        let step = merged_by(&self.rule, self.columns, &first.parcel_raw, &later.parcel_raw);
        let rows = DoublePair { first, later };
        if let Some(step) = step {
            self.seen.collided += 1;
            if self.seen.collisions.len() < COLLISIONS_KEPT {
                self.seen.collisions.push(Collision { rows, key: key.to_owned(), step });
            }
        } else if self.seen.pairs.len() < PAIRS_KEPT {
            self.seen.pairs.push(rows);
        }
    }

    /// What was seen.
    #[must_use]
    pub fn finish(self) -> DoublesSeen {
        self.seen
    }
}

impl DoublesSeen {
    /// Why an edition in which two parcel numbers became one must not come into use.
    #[must_use]
    pub fn gate(&self) -> Option<Gate> {
        let first = self.collisions.first()?;
        let (one, other) = (&first.rows.first, &first.rows.later);
        let mend = match first.step {
            MergeStep::UpperCase => "letter case tells parcels apart here: set upper = false",
            MergeStep::Strip => {
                "the separators tell parcels apart here: set strip = \"\", or give each part its column and width"
            }
            MergeStep::Join => "the parts run together: set join = \"-\", or pad each part with pad_left",
            MergeStep::DropTail => "the end that is dropped tells parcels apart here: leave out drop_tail",
        };
        let more = match self.collided {
            0 | 1 => String::new(),
            n => format!(", as do {} more pairs", grouped(n - 1)),
        };
        let sentence = format!(
            "the parcel numbers {:?} ({}) and {:?} ({}) both become {:?} by {}{more}: {mend}, and hand the file in again; \
             if they are one parcel, the publisher must write it in one way",
            one.parcel_raw,
            place(one),
            other.parcel_raw,
            place(other),
            first.key,
            first.step.words()
        );
        let figures = BTreeMap::from([("collisions".to_owned(), whole(self.collided))]);
        Some(Gate { kind: "parcel_numbers_merged".to_owned(), figures, sentence, refuse: true })
    }
}

fn place(row: &RowPlace) -> String {
    if row.file == 0 {
        format!("line {}", row.line)
    } else {
        format!("line {} of file {}", row.line, row.file + 1)
    }
}

/// What tells two rows with one parcel number apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RowKind {
    /// Nothing: every column is the same.
    Copies,
    /// A column that holds the year of the roll or the tax.
    Years,
    /// Names or mailing addresses, and nothing that the layout reads: one row for each owner.
    Owners,
    /// A column that numbers buildings, cards or lines.
    Buildings,
    /// Only columns that the layout does not read.
    Unread,
    /// Figures, and no column that says why.
    Figures,
}

impl RowKind {
    /// In words, for several such rows.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            RowKind::Copies => "true copies",
            RowKind::Years => "other years of the same parcel",
            RowKind::Owners => "other owners of the same house",
            RowKind::Buildings => "other buildings of the same parcel",
            RowKind::Unread => "the same in all that the layout reads",
            RowKind::Figures => "with other figures and no column that says why",
        }
    }
}

/// What tells two rows with one parcel number apart, with the names of the columns that differ.
#[must_use]
pub fn kind_of_rows(first: &[PublishedField], later: &[PublishedField]) -> (RowKind, Vec<String>) {
    let differing: Vec<(&PublishedField, &PublishedField)> =
        first.iter().zip(later).filter(|(a, b)| !same(&a.value, &b.value)).collect();
    let names = differing.iter().map(|(field, _)| field.header.trim().to_owned()).collect();
    let any = |tells: fn(&str, &str, &str) -> bool| {
        differing.iter().any(|(a, b)| tells(&a.header.to_lowercase(), a.value.trim(), b.value.trim()))
    };
    let unread = differing.iter().all(|(field, _)| !field.mapped);
    let kind = if differing.is_empty() {
        RowKind::Copies
    } else if any(is_roll_year) {
        RowKind::Years
    } else if unread && any(is_owner) {
        RowKind::Owners
    } else if any(is_building_number) {
        RowKind::Buildings
    } else if unread {
        RowKind::Unread
    } else {
        RowKind::Figures
    };
    (kind, names)
}

/// The same but for blanks around and zeros on the left: a number that is padded in one row and not in the other tells
/// nothing apart.
fn same(a: &str, b: &str) -> bool {
    let (a, b) = (a.trim(), b.trim());
    let bare = |text: &str| text.trim_start_matches('0').to_owned();
    a == b || (!bare(a).is_empty() && bare(a) == bare(b))
}

/// Words in the names of columns, as publishers write them (common practice, no source).
fn is_roll_year(header: &str, a: &str, b: &str) -> bool {
    let year =
        |text: &str| text.len() == 4 && text.parse::<u32>().is_ok_and(|year| (1900..2100).contains(&year));
    let named = ["tax", "roll", "assess", "levy", "apprais"].iter().any(|word| header.contains(word));
    let alone = ["year", "yr"].contains(&header);
    (named || alone) && year(a) && year(b)
}

fn is_owner(header: &str, _: &str, _: &str) -> bool {
    let words = ["own", "name", "mail", "taxpayer", "grantee", "care_of"];
    words.iter().any(|word| header.contains(word))
}

fn is_building_number(header: &str, a: &str, b: &str) -> bool {
    let small = |text: &str| text.len() <= 3 && text.parse::<u32>().is_ok();
    let words = ["bldg", "build", "card", "impr", "dwel", "num", "nbr", "seq", "line", "unit", "_id"];
    words.iter().any(|word| header.contains(word)) && small(a) && small(b)
}

/// What rows with the key of an earlier one come to: counted, and told apart on those that were looked at.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct DoublesCheck {
    /// Rows that the layout reads the same as an earlier one.
    pub same: i64,
    /// Rows with something else under the number of an earlier one, in quarantine.
    pub other: i64,
    /// How many of them were looked at in the file, column by column.
    pub looked_at: i64,
    /// What those are.
    pub kinds: BTreeMap<RowKind, i64>,
    /// The columns in which those differ, with the rows; names only.
    pub columns: BTreeMap<String, i64>,
    /// What these rows are among the counts of the edition; those of the next one begin without them, since they are read
    /// every time. None of an edition that an earlier version of the program loaded.
    pub counts: Option<RollCheck>,
}

impl DoublesCheck {
    /// Counts a pair that was looked at.
    pub fn note(&mut self, first: &[PublishedField], later: &[PublishedField]) {
        let (kind, columns) = kind_of_rows(first, later);
        self.looked_at += 1;
        *self.kinds.entry(kind).or_default() += 1;
        for column in columns {
            *self.columns.entry(column).or_default() += 1;
        }
    }
}

//! Where the names of the columns stand, or that there are none.

use super::answer::{HeaderFound, Sureness};
use super::cell::{self, Cell};
use super::column::shortened;
use super::words::{self, Words};
use std::collections::HashSet;

/// Rows among which the header is looked for.
const ROWS_SEARCHED: usize = 20;
/// Lines of a title that are shown.
const TITLES_SHOWN: usize = 5;

/// One of the first rows.
#[derive(Debug)]
pub(super) struct FirstRow {
    pub(super) line: u64,
    pub(super) fields: Vec<String>,
}

/// The header, and how many of the first rows come before the first row of data.
pub(super) struct Names {
    pub(super) found: HeaderFound,
    pub(super) names: Vec<String>,
    /// How many cells the header has, whatever most rows have.
    pub(super) given: usize,
    pub(super) rows_before: usize,
}

/// Finds the header among the first rows, most of which have so many fields.
pub(super) fn find(rows: &[FirstRow], fields: usize) -> Names {
    let place = place(rows, fields);
    let titles: Vec<String> = rows
        .iter()
        .take(place)
        .map(|row| shortened(row.fields.iter().map(|cell| cell.trim()).collect::<Vec<_>>().join(" ").trim()))
        .collect();
    let body: Vec<&FirstRow> = rows.iter().skip(place + 1).filter(|row| row.fields.len() == fields).collect();
    let head = rows.get(place);
    let cells: Vec<&str> =
        head.map(|row| row.fields.iter().map(|cell| cell.trim()).collect()).unwrap_or_default();
    let (present, sure, reason) = verdict(&cells, &body);
    let mut found = HeaderFound {
        present,
        sure,
        reason,
        line: head.filter(|_| present).map(|row| row.line),
        title_lines: titles.into_iter().take(TITLES_SHOWN).collect(),
        repeated_on: Vec::new(),
        duplicates: Vec::new(),
    };
    if !present {
        return Names { found, given: fields, names: by_place(fields), rows_before: place };
    }
    let mut seen = HashSet::new();
    for name in cells.iter().filter(|name| !name.is_empty()) {
        if !seen.insert(name.to_lowercase()) && !found.duplicates.iter().any(|known| known == name) {
            found.duplicates.push((*name).to_owned());
        }
    }
    let mut names: Vec<String> = cells.iter().map(|name| (*name).to_owned()).collect();
    names.resize(fields.max(names.len()), String::new());
    Names { found, given: cells.len(), names, rows_before: place + 1 }
}

/// Records of fixed width have no names that are read. Were the first one taken for some, it would be shown.
pub(super) fn of_records(fields: usize) -> Names {
    let found = HeaderFound {
        present: false,
        sure: Sureness::Certain,
        reason: "records of fixed width are read from the first line on".to_owned(),
        line: None,
        title_lines: Vec::new(),
        repeated_on: Vec::new(),
        duplicates: Vec::new(),
    };
    Names { found, given: fields, names: by_place(fields), rows_before: 0 }
}

fn by_place(fields: usize) -> Vec<String> {
    (1..=fields).map(|place| format!("column {place}")).collect()
}

/// The first row that can be a header: with as many fields as most rows, not a title beside empty cells.
fn place(rows: &[FirstRow], fields: usize) -> usize {
    let filled = |row: &FirstRow| row.fields.iter().filter(|cell| !cell.trim().is_empty()).count();
    let wide = |row: &FirstRow| row.fields.len() == fields && (fields < 3 || filled(row) * 2 > fields);
    // a header may be one name short, where rows end with a delimiter
    if rows.first().is_some_and(|row| row.fields.len().abs_diff(fields) <= 1 && filled(row) * 2 > fields) {
        return 0;
    }
    rows.iter().take(ROWS_SEARCHED).position(wide).unwrap_or(0)
}

fn verdict(cells: &[&str], body: &[&FirstRow]) -> (bool, Sureness, String) {
    let filled: Vec<&str> = cells.iter().copied().filter(|cell| !cell.is_empty()).collect();
    if filled.is_empty() {
        return (false, Sureness::Certain, "the first row is blank".to_owned());
    }
    let is_figure = |cell: &str| matches!(cell::read(cell), Cell::Number(_) | Cell::Date | Cell::Scientific);
    let figures = filled.iter().filter(|cell| is_figure(cell)).count();
    let known = filled.iter().filter(|cell| known_word(cell)).count();
    if figures * 10 > filled.len() && known * 2 < filled.len() {
        let reason = format!("the first row holds {figures} numbers or dates, as data do");
        let sure = if known == 0 { Sureness::Certain } else { Sureness::Likely };
        return (false, sure, reason);
    }
    let contrast = (0..cells.len()).filter(|place| stands_out(cells, body, *place, is_figure)).count();
    if known > 0 && (contrast > 0 || known * 4 >= filled.len()) {
        let reason =
            format!("{known} of {} names are words that rolls use{}", filled.len(), over_numbers(contrast));
        return (true, Sureness::Certain, reason);
    }
    if contrast > 0 {
        let reason = format!("the first row is text{}", over_numbers(contrast));
        return (true, Sureness::Likely, reason);
    }
    let repeated = cells.iter().enumerate().any(|(place, cell)| {
        !cell.is_empty()
            && body.iter().any(|row| row.fields.get(place).is_some_and(|other| other.trim() == *cell))
    });
    let like_names = filled.iter().all(|cell| cell.chars().count() <= 40 && !cell.contains(['@', '$']));
    if body.is_empty() {
        return (true, Sureness::Guess, "there is one row only, and it holds no numbers".to_owned());
    }
    if like_names && !repeated && known > 0 {
        return (
            true,
            Sureness::Likely,
            format!("{known} of {} names are words that rolls use", filled.len()),
        );
    }
    if like_names && !repeated {
        return (
            true,
            Sureness::Guess,
            "all rows are text, and none of the first row's values comes again".to_owned(),
        );
    }
    (false, Sureness::Guess, "the first row is like the others".to_owned())
}

fn over_numbers(columns: usize) -> String {
    match columns {
        0 => String::new(),
        1 => ", above numbers in 1 column".to_owned(),
        columns => format!(", above numbers in {columns} columns"),
    }
}

/// Whether a column holds figures below a name that is none.
fn stands_out(cells: &[&str], body: &[&FirstRow], place: usize, is_figure: impl Fn(&str) -> bool) -> bool {
    let Some(name) = cells.get(place).filter(|name| !name.is_empty()) else { return false };
    let values = || {
        body.iter().filter_map(|row| row.fields.get(place)).map(|cell| cell.trim()).filter(|v| !v.is_empty())
    };
    let (all, figures) = (values().count(), values().filter(|value| is_figure(value)).count());
    !is_figure(name) && all > 0 && figures * 10 >= all * 8
}

/// Whether a cell is a word that rolls use as a name.
fn known_word(cell: &str) -> bool {
    let words = Words::of(cell);
    cell.chars().count() <= 40
        && (words::parcel(&words).is_some()
            || words::area(&words).is_some()
            || words::situs_whole(&words).is_some()
            || words::situs_part(&words).is_some()
            || words::value(&words).is_some()
            || words::year(&words).is_some()
            || words::class(&words).is_some()
            || words::personal(&words).is_some())
}

//! Where the fields of records of fixed width seem to stand: between blanks that all records have.

use super::column::{Column, Tally};
use super::words::Words;

/// Records that are looked at.
const RECORDS_MAX: usize = 20_000;
/// Letters beside each other that make a word.
const WORD_LETTERS: usize = 3;

/// Records of one length, and where their fields seem to stand.
pub(super) struct Records {
    /// Bytes of a record.
    pub(super) length: usize,
    /// The fields, in order.
    pub(super) places: Vec<FieldPlace>,
    /// Whether the first line holds names in place of values.
    pub(super) titled: bool,
}

/// Where a field stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct FieldPlace {
    /// Its first byte, from 1.
    pub(super) from: usize,
    /// Its last byte.
    pub(super) to: usize,
    /// Whether the blanks before it may as well belong to the field before.
    pub(super) unsure: bool,
}

/// A run of places that some record fills.
struct Run {
    /// From 0.
    first: usize,
    /// Behind its last place.
    end: usize,
    /// Whether all values begin at the first place.
    begins_even: bool,
    /// Whether all values end at the last place.
    ends_even: bool,
}

/// Finds the fields and counts their values, as columns named by their order.
///
/// # Errors
/// Why nothing can be seen, as a sentence.
pub(super) fn find(text: &[u8]) -> Result<(Records, Vec<Column>), String> {
    let text = text.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(text);
    let lines =
        || text.split(|byte| matches!(byte, b'\n' | b'\r')).filter(|line| !line.is_empty()).take(RECORDS_MAX);
    let length = super::dialect::fixed_length(text).ok_or(
        "No layout is proposed: the records are not equally long in bytes, so fields do not stand at fixed places as they are \
         read. Ask the publisher for delimited text.",
    )?;
    let titled = is_title(lines());
    let records: Vec<&[u8]> = lines().skip(usize::from(titled)).filter(|line| line.len() == length).collect();
    let runs = runs(&records, length);
    if runs.len() < 2 {
        return Err("No layout is proposed: the fields stand at fixed places without blanks between them that all records have, so \
                    values cannot show where one ends. The publisher's description of the file says it."
            .to_owned());
    }
    let places = places(&runs, length);
    let columns = places.iter().enumerate().map(|(place, at)| column(&records, place, *at, places.len()));
    let columns = columns.collect();
    Ok((Records { length, places, titled }, columns))
}

/// A first line without a figure, above lines that all have some.
fn is_title<'a>(mut lines: impl Iterator<Item = &'a [u8]>) -> bool {
    let figures = |line: &[u8]| line.iter().any(u8::is_ascii_digit);
    lines.next().is_some_and(|first| !figures(first)) && lines.all(figures)
}

fn runs(records: &[&[u8]], length: usize) -> Vec<Run> {
    let filled_at = |record: &[u8], at: usize| record.get(at).is_some_and(|byte| *byte != b' ');
    let used: Vec<bool> = (0..length).map(|at| records.iter().any(|record| filled_at(record, at))).collect();
    let mut runs = Vec::new();
    let mut at = 0;
    for stretch in used.chunk_by(|one, other| one == other) {
        let (first, end) = (at, at + stretch.len());
        at = end;
        if stretch.first() == Some(&true) {
            let values = || {
                records.iter().filter(move |record| {
                    record.get(first..end).is_some_and(|value| value.iter().any(|byte| *byte != b' '))
                })
            };
            runs.push(Run {
                first,
                end,
                begins_even: values().all(|record| filled_at(record, first)),
                ends_even: values().all(|record| filled_at(record, end - 1)),
            });
        }
    }
    runs
}

/// Blanks go to the field behind them where its values end evenly, as numbers that are filled up on the left do; else to
/// the one before them. No byte is left out.
fn places(runs: &[Run], length: usize) -> Vec<FieldPlace> {
    let mut places: Vec<FieldPlace> = Vec::new();
    for run in runs {
        let right = run.ends_even && !run.begins_even;
        let mut place = FieldPlace { from: run.first + 1, to: run.end, unsure: false };
        match places.last_mut() {
            Some(before) if right => {
                place.from = before.to + 1;
                let before_run = runs.get(places.len().saturating_sub(1));
                place.unsure = before_run.is_some_and(|before| before.begins_even && !before.ends_even);
            }
            Some(before) => before.to = run.first,
            None => place.from = 1,
        }
        places.push(place);
    }
    if let Some(last) = places.last_mut() {
        last.to = length;
    }
    places
}

fn column(records: &[&[u8]], place: usize, at: FieldPlace, columns: usize) -> Column {
    let mut tally = Tally::one_of(columns);
    let (mut filled, mut worded) = (0_u64, 0_u64);
    for record in records {
        let value = String::from_utf8_lossy(record.get(at.from - 1..at.to).unwrap_or_default());
        filled += u64::from(!value.trim().is_empty());
        worded += u64::from(holds_a_word(&value));
        tally.add(&value);
    }
    Column {
        place,
        name: format!("column {}", place + 1),
        words: Words::default(),
        named: false,
        // a number that runs into a word is part of a name, or of an address
        hidden: (worded * 10 > filled).then_some("it holds words, which may name people"),
        tally,
    }
}

fn holds_a_word(value: &str) -> bool {
    let mut letters = 0;
    value.chars().any(|letter| {
        letters = if letter.is_alphabetic() || letter == '\u{FFFD}' { letters + 1 } else { 0 };
        letters >= WORD_LETTERS
    })
}

//! What separates fields, and whether quotes stand around them: every pair is tried on the first rows, with the
//! framing by which rolls are read.

use super::answer::{Separation, Shape as ShapeFound};
use super::figures::share_text;
use crate::framing::{Dialect, Framer, Shape};
use crate::limits::ROW_LINES_MAX_DEFAULT;
use std::collections::HashMap;
use std::io;

/// Rows on which a pair is tried.
const ROWS_TRIED: u64 = 2_000;
/// Bytes on which a pair is tried.
const BYTES_TRIED: usize = 512 << 10;
/// Records that are shorter are no fixed-width records.
const FIXED_LENGTH_LEAST: usize = 20;

const SEPARATIONS: [Separation; 4] =
    [Separation::Comma, Separation::Tab, Separation::Pipe, Separation::Semicolon];

/// How one pair of delimiter and quote came out.
#[derive(Debug, Clone)]
struct Trial {
    separation: Separation,
    quote: Option<u8>,
    rows: u64,
    /// Fields of most rows, and how many rows have so many.
    fields: usize,
    at_fields: u64,
    /// Rows with a quote that does not close or has text behind it.
    broken: u64,
    /// Rows with a field that begins with a quote.
    quoted: u64,
    /// Whether the first row has so many fields.
    first_fits: bool,
    row_lines: u32,
}

impl Trial {
    /// Rows that do not come out well.
    fn cost(&self) -> u64 {
        let left_in = if self.quote.is_none() { self.quoted } else { 0 };
        (self.rows - self.at_fields + left_in).min(self.rows)
    }

    fn share(&self) -> f64 {
        super::column::ratio(self.rows - self.cost(), self.rows)
    }

    /// Many fields in all rows are better than few, or in some.
    fn score(&self) -> f64 {
        let first = if self.first_fits { 1.0 } else { 0.8 };
        self.share() * self.share() * (self.fields as f64).ln() * first
    }
}

/// How the rows of a text are written; `None` where there are no rows.
pub(super) fn find(text: &[u8]) -> io::Result<Option<(Dialect, ShapeFound)>> {
    let tried = text.get(..BYTES_TRIED).unwrap_or(text);
    let mut best: Vec<(Trial, Trial)> = Vec::new();
    for separation in SEPARATIONS {
        let Some(delimiter) = separation.byte() else { continue };
        let on = trial(tried, separation, delimiter, Some(b'"'))?;
        let off = trial(tried, separation, delimiter, None)?;
        let pair = if on.cost() + on.broken <= off.cost() { (on, off) } else { (off, on) };
        best.push(pair);
    }
    best.sort_by(|one, other| other.0.score().total_cmp(&one.0.score()));
    let Some((chosen, refused)) = best.first().cloned() else { return Ok(None) };
    if chosen.rows == 0 {
        return Ok(None);
    }
    let fixed = fixed_length(tried);
    let separation = match fixed {
        Some(_) if chosen.fields < 2 || chosen.share() < 0.9 => Separation::FixedWidth,
        Some(length) if chosen.separation.byte().is_some_and(|byte| of_a_value(tried, length, byte)) => {
            Separation::FixedWidth
        }
        _ if chosen.fields < 2 || chosen.share() < 0.5 => Separation::None,
        _ => chosen.separation,
    };
    let single = separation.byte().is_none();
    let others =
        best.iter().filter(|(trial, _)| single || trial.separation != separation).map(|(trial, _)| trial);
    let dialect = Dialect {
        // a byte that no text holds leaves rows whole
        delimiter: separation.byte().unwrap_or(0x1F),
        quote: if single { None } else { chosen.quote },
        row_lines_max: ROW_LINES_MAX_DEFAULT.max(chosen.row_lines),
    };
    let shape = ShapeFound {
        separation,
        fields: if single { 1 } else { chosen.fields },
        share: if single { 1.0 } else { super::column::ratio(chosen.at_fields, chosen.rows) },
        quote: dialect.quote.map(char::from),
        quoting: quoting(&chosen, &refused, single),
        line_ends: line_ends(text),
        row_lines: if single { 1 } else { chosen.row_lines },
        others: others.map(in_words).collect(),
    };
    Ok(Some((dialect, shape)))
}

fn trial(text: &[u8], separation: Separation, delimiter: u8, quote: Option<u8>) -> io::Result<Trial> {
    let dialect = Dialect { delimiter, quote, row_lines_max: ROW_LINES_MAX_DEFAULT };
    let mut framer = Framer::new(text, dialect)?;
    let mut counts: HashMap<usize, u64> = HashMap::new();
    let mut found = Trial {
        separation,
        quote,
        rows: 0,
        fields: 1,
        at_fields: 0,
        broken: 0,
        quoted: 0,
        first_fits: false,
        row_lines: 1,
    };
    let mut first = None;
    while found.rows < ROWS_TRIED {
        let Some(frame) = framer.next_frame()? else { break };
        found.rows += 1;
        let fields = match frame.shape {
            Shape::Plain { fields } | Shape::Quoted { fields, fault: None } => Some(fields),
            Shape::Quoted { fault: Some(_), .. } | Shape::Unclosed(_) | Shape::TooLong => None,
        };
        found.quoted += u64::from(has_quoted_field(framer.raw(&frame), delimiter));
        let line = frame.line;
        framer.advance(&frame);
        match fields {
            Some(fields) => {
                *counts.entry(fields).or_default() += 1;
                let lines = framer.lines() + 1 - line;
                found.row_lines = found.row_lines.max(u32::try_from(lines).unwrap_or(u32::MAX));
            }
            None => found.broken += 1,
        }
        if first.is_none() {
            first = fields;
        }
    }
    if let Some((fields, rows)) = counts.into_iter().max_by_key(|(fields, rows)| (*rows, *fields)) {
        found.fields = fields;
        found.at_fields = rows;
    }
    found.first_fits = first == Some(found.fields);
    Ok(found)
}

/// Whether a field begins and ends with a quote.
fn has_quoted_field(row: &[u8], delimiter: u8) -> bool {
    row.split(|byte| *byte == delimiter).any(|field| matches!(field, [b'"', .., b'"']))
}

fn quoting(chosen: &Trial, refused: &Trial, single: bool) -> String {
    if single {
        return "there is nothing to quote".to_owned();
    }
    match (chosen.quote, chosen.quoted, refused.broken) {
        (Some(_), 0, _) => {
            "no field is quoted in the rows looked at; quotes are read, should one be".to_owned()
        }
        (Some(_), quoted, _) => {
            format!("{} of the rows looked at have fields in double quotes", share_text(quoted, chosen.rows))
        }
        (None, _, broken) => format!(
            "off: double quotes belong to the text, such as inch marks; read as quotes they would break {broken} of {} rows",
            chosen.rows
        ),
    }
}

fn in_words(trial: &Trial) -> String {
    let name = trial.separation.name();
    if trial.fields < 2 {
        return format!("{name}: most rows have one field");
    }
    format!("{name}: {} fields in {} of the rows", trial.fields, share_text(trial.at_fields, trial.rows))
}

/// The length of nearly all lines, where they are equally long.
pub(super) fn fixed_length(text: &[u8]) -> Option<usize> {
    let mut counts: HashMap<usize, u64> = HashMap::new();
    let mut lines = 0;
    // the last line may be cut off
    let whole = text.iter().rposition(|byte| *byte == b'\n').and_then(|end| text.get(..end)).unwrap_or(text);
    for line in whole.split(|byte| *byte == b'\n') {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        *counts.entry(line.len()).or_default() += 1;
        lines += 1;
    }
    let (length, rows) = counts.into_iter().max_by_key(|(_, rows)| *rows)?;
    (lines >= 3 && rows * 20 >= lines * 19 && length >= FIXED_LENGTH_LEAST).then_some(length)
}

/// Whether a delimiter is part of a value, such as the comma in names of people: in lines that blanks make equally long
/// it does not stand at one place, as it does between fields that are filled up.
fn of_a_value(text: &[u8], length: usize, delimiter: u8) -> bool {
    let lines = || {
        let lines = text.split(|byte| *byte == b'\n').map(|line| line.strip_suffix(b"\r").unwrap_or(line));
        lines.filter(|line| line.len() == length)
    };
    let mut first: Option<Vec<usize>> = None;
    let mut moved = 0_u64;
    let mut all = 0_u64;
    for line in lines() {
        let places: Vec<usize> = memchr::memchr_iter(delimiter, line).collect();
        moved += u64::from(first.as_ref().is_some_and(|first| *first != places));
        first.get_or_insert(places);
        all += 1;
    }
    moved * 10 > all && lines().all(|line| memchr::memmem::find(line, b"  ").is_some())
}

fn line_ends(text: &[u8]) -> String {
    let (mut lf, mut crlf, mut cr) = (0_u64, 0_u64, 0_u64);
    let mut rest = text;
    while let Some(at) = memchr::memchr2(b'\n', b'\r', rest) {
        let end = rest.get(at..).unwrap_or_default();
        let length = match end {
            [b'\r', b'\n', ..] => {
                crlf += 1;
                2
            }
            [b'\r', ..] => {
                cr += 1;
                1
            }
            _ => {
                lf += 1;
                1
            }
        };
        rest = end.get(length..).unwrap_or_default();
    }
    let found: Vec<String> = [("LF", lf), ("CRLF", crlf), ("CR", cr)]
        .into_iter()
        .filter(|(_, count)| *count > 0)
        .map(|(name, count)| format!("{name} {count}"))
        .collect();
    match found.as_slice() {
        [] => "none".to_owned(),
        [one] => one.split(' ').next().unwrap_or_default().to_owned(),
        [..] => format!("mixed: {}", found.join(", ")),
    }
}

//! A chosen mapping as the text of a layout, with the reasons as comments.

use super::answer::{EncodingFound, Rejected, Shape};
use super::column::Column;
use super::figures::counted;
use super::proposal::{Choice, in_square_metres};
use crate::layout::BASIS_NOT_PUBLISHED;
use crate::limits::ROW_LINES_MAX_DEFAULT;

/// Columns that were not taken, of those that a comment names.
const OTHERS_NAMED: usize = 6;
/// Characters of a line of comment.
const COMMENT_CHARS: usize = 108;

/// The text of a layout, and what a person has to fill in or look up.
pub(super) struct Draft {
    pub(super) toml: String,
    pub(super) open: Vec<String>,
}

/// Writes the layout.
pub(super) fn write(name: &str, encoding: &EncodingFound, shape: &Shape, choice: &Choice<'_>) -> Draft {
    let mut draft = Draft::begun(name);
    draft.basis(choice);
    draft.line("");
    draft.line("[file]");
    draft.writing(shape);
    draft.encoding(encoding);
    if shape.row_lines > ROW_LINES_MAX_DEFAULT {
        draft.line(&format!("row_lines_max = {}", shape.row_lines));
    }
    draft.parcel(choice);
    if !choice.situs.is_empty() {
        draft.part("situs", choice);
        let names: Vec<&str> = choice.situs.iter().map(|column| column.name.as_str()).collect();
        draft.line(&format!("columns = {}", list(&names)));
    }
    draft.area(choice);
    draft.value(choice);
    draft.year(choice);
    draft.class(choice);
    for (column, what, kind) in &choice.keep {
        draft.line("");
        draft.comment(&format!("{what}; {}", column.summary()));
        draft.line("[[keep]]");
        draft.line(&format!("column = {}", quoted(&column.name)));
        draft.line(&format!("kind = {}", quoted(kind)));
        if *kind == "area" && in_square_metres(column) {
            draft.line("unit = \"m2\"");
        }
        if *kind != "text" {
            draft.figures(column, &[""]);
        }
        draft.line("optional = true");
    }
    draft
}

impl Draft {
    pub(super) fn line(&mut self, line: &str) {
        self.toml.push_str(line);
        self.toml.push('\n');
    }

    pub(super) fn comment(&mut self, text: &str) {
        // a comment is one line each, and holds no control characters (TOML 1.0)
        let plain: String =
            text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
        let mut line = String::from("#");
        for word in plain.split_whitespace() {
            if line.chars().count() + word.chars().count() >= COMMENT_CHARS && line.len() > 1 {
                self.line(&line);
                line = String::from("#");
            }
            line.push(' ');
            line.push_str(word);
        }
        self.line(&line);
    }

    pub(super) fn open(&mut self, what: &str) {
        self.comment(what);
        self.open.push(what.to_owned());
    }

    /// The heading of a part with its reasons.
    fn part(&mut self, part: &str, choice: &Choice<'_>) {
        self.line("");
        if let Some(found) = choice.parts.iter().find(|found| found.part == part) {
            self.comment(&found.reason);
            self.not_taken(&found.others);
        }
        self.line(&format!("[{part}]"));
    }

    pub(super) fn not_taken(&mut self, others: &[Rejected]) {
        for other in others.iter().take(OTHERS_NAMED) {
            self.comment(&format!("Not {}: {}", other.column, other.why_not));
        }
        let more = others.len().saturating_sub(OTHERS_NAMED);
        if more > 0 {
            self.comment(&format!("Nor {more} others."));
        }
    }

    /// A layout with its beginning: what the file is, and who publishes it.
    pub(super) fn begun(name: &str) -> Self {
        let mut draft = Self { toml: String::new(), open: Vec::new() };
        draft.comment(&format!("Proposed after a look at {name:?}. The reasons stand beside each part; read them before the first import."));
        draft.origin(name);
        draft
    }

    fn origin(&mut self, name: &str) {
        let id = id_of(name);
        self.line(&format!("id = {}", quoted(&id)));
        self.line(&format!("title = {}", quoted(name)));
        self.open("To fill in: who publishes the file, and where the meaning of its columns is published.");
        self.line("publisher = \"\"");
        self.line("citation = \"\"");
        self.open("To fill in: whose houses the file lists, such as \"basalt-county\".");
        self.line("jurisdiction = \"to-fill-in\"");
    }

    fn basis(&mut self, choice: &Choice<'_>) {
        match (choice.area, choice.basis) {
            (Some(area), Some((basis, word))) => {
                self.open(&format!(
                    "To look up: the basis is taken from the name of the column {}, which says {word}. Where the publisher says \
                     otherwise, write that; with \"{BASIS_NOT_PUBLISHED}\" nothing is judged.",
                    area.name
                ));
                self.line(&format!("basis = {}", quoted(basis)));
            }
            (Some(area), None) => {
                self.open(&format!(
                    "To look up: what {} counts is not said by its name. Until the basis names a standard, records are kept and \
                     nothing is judged (crossfoot standards lists them).",
                    area.name
                ));
                self.line(&format!("basis = {}", quoted(BASIS_NOT_PUBLISHED)));
            }
            (None, _) => {
                self.open("No column holds the area of a house: records are kept, and nothing is judged.");
                self.line(&format!("basis = {}", quoted(BASIS_NOT_PUBLISHED)));
            }
        }
        if let Some(area) = choice.area
            && let Some(share) = area.tally.tens().filter(|share| *share >= 0.9)
        {
            self.comment(&format!(
                "{:.0} % of the areas end in 0, where 10 % would by chance: rounded to tens.",
                share * 100.0
            ));
            self.line("rounding_sqft = 10.0");
        }
    }

    /// What separates fields, and whether they are quoted.
    pub(super) fn writing(&mut self, shape: &Shape) {
        if let Some(delimiter) = shape.separation.byte() {
            self.line(&format!("delimiter = {}", quoted(&char::from(delimiter).to_string())));
        }
        self.comment(&shape.quoting);
        self.line(&format!("quote = {}", quoted(&shape.quote.map(String::from).unwrap_or_default())));
    }

    pub(super) fn encoding(&mut self, encoding: &EncodingFound) {
        self.comment(&format!("{}: {}", encoding.sure.name(), encoding.reason));
        match encoding.name.as_str() {
            "utf-8" | "windows-1252" => self.line(&format!("encoding = {}", quoted(&encoding.name))),
            _ if encoding.read => {
                self.comment("An import sees that the file is in UTF-16, and reads the same text as UTF-8.");
                self.line("encoding = \"utf-8\"");
            }
            other => {
                self.open(&format!("The file is in {other}: save it as UTF-8 and import that."));
                self.line("encoding = \"utf-8\"");
            }
        }
    }

    fn parcel(&mut self, choice: &Choice<'_>) {
        self.part("parcel", choice);
        let names: Vec<&str> = choice.parcel.iter().map(|column| column.name.as_str()).collect();
        self.line(&format!("columns = {}", list(&names)));
        let widths: Option<Vec<usize>> =
            choice.parcel.iter().map(|column| width(column, choice.parcel.len() > 1)).collect();
        match (widths, choice.parcel.as_slice()) {
            (Some(widths), [column]) => {
                match column.tally.lost_zeros() {
                    Some((length, shorter)) => self.comment(&format!(
                        "{shorter} numbers have fewer than {length} digits: leading zeros were probably lost, and are put back."
                    )),
                    None => self.comment("All numbers have so many digits."),
                }
                self.line(&format!("pad_left = {widths:?}"));
            }
            (Some(widths), _) => {
                self.comment("Each part is padded with zeros to the length of its longest number.");
                self.line(&format!("pad_left = {widths:?}"));
            }
            (None, [_]) => {}
            (None, _) => {
                self.comment("The parts have no fixed lengths: without something between them 1-11 and 11-1 were the same.");
                self.line("join = \"-\"");
            }
        }
    }

    fn area(&mut self, choice: &Choice<'_>) {
        let Some(column) = choice.area else {
            self.line("");
            let part = choice.parts.iter().find(|part| part.part == "area");
            self.comment("No area: no column's name and figures say the area of a house.");
            self.not_taken(part.map(|part| part.others.as_slice()).unwrap_or_default());
            return;
        };
        self.part("area", choice);
        self.line(&format!("column = {}", quoted(&column.name)));
        self.line(if in_square_metres(column) { "unit = \"m2\"" } else { "unit = \"sqft\"" });
        self.figures(column, &[""]);
        if !choice.other_areas.is_empty() {
            self.open(&format!(
                "To look up: {} may be the area to compare with as well; the publisher's list of columns says which counts what.",
                choice.other_areas.join(", ")
            ));
        }
    }

    fn value(&mut self, choice: &Choice<'_>) {
        let Some(column) = choice.value else { return };
        self.part("value", choice);
        self.line(&format!("column = {}", quoted(&column.name)));
        self.figures(column, &[""]);
        self.optional(column, column.tally.numbers < column.tally.filled() || column.tally.negative > 0);
    }

    fn year(&mut self, choice: &Choice<'_>) {
        let Some(column) = choice.year else { return };
        self.part("year_built", choice);
        self.line(&format!("column = {}", quoted(&column.name)));
        let stand_in: Vec<String> = column
            .tally
            .year_sentinels()
            .map(|(year, _)| year)
            .filter(|year| [1, 9_999].contains(year))
            .map(|year| year.to_string())
            .collect();
        let doubtful: Vec<String> = column
            .tally
            .year_sentinels()
            .filter(|(year, _)| [1_800, 1_900].contains(year))
            .map(|(year, rows)| format!("{year} in {rows} rows"))
            .collect();
        if !doubtful.is_empty() {
            self.comment(&format!(
                "Kept as years, though they may stand for not known: {}.",
                doubtful.join(", ")
            ));
        }
        let nulls: Vec<&str> = ["", "0"].into_iter().chain(stand_in.iter().map(String::as_str)).collect();
        self.figures(column, &nulls);
        self.optional(column, column.tally.numbers < column.tally.filled() || column.tally.with_decimals > 0);
    }

    fn class(&mut self, choice: &Choice<'_>) {
        let Some(column) = choice.class else { return };
        self.part("class", choice);
        self.line(&format!("column = {}", quoted(&column.name)));
        let values = column.tally.values();
        let vacant: Vec<&str> = values
            .into_iter()
            .map(|(value, _)| value)
            .filter(|value| value.to_uppercase().contains("VACANT") || value.eq_ignore_ascii_case("land"))
            .collect();
        if vacant.is_empty() {
            self.open("To fill in, if the publisher's list says so: the classes that mean that there is no building.");
        }
        self.line(&format!("vacant = {}", list(&vacant)));
    }

    /// How a column writes missing values and thousands.
    pub(super) fn figures(&mut self, column: &Column, nulls: &[&str]) {
        let mut words: Vec<&str> = nulls.to_vec();
        words.extend(column.tally.missing_words());
        self.line(&format!("null = {}", list(&words)));
        if column.tally.grouped > 0 {
            self.line("thousands = \",\"");
        }
    }

    fn optional(&mut self, column: &Column, unreadable: bool) {
        if unreadable {
            let others = column.tally.filled() - column.tally.numbers.min(column.tally.filled());
            self.comment(&format!(
                "{}: such rows are kept without the figure.",
                counted(others, "unreadable value")
            ));
            self.line("optional = true");
        }
    }
}

/// The width to which a part of a parcel number is padded.
fn width(column: &Column, of_several: bool) -> Option<usize> {
    let tally = &column.tally;
    if tally.digits_only != tally.filled() || tally.scientific > 0 {
        return None;
    }
    let longest =
        usize::try_from(tally.length_longest()).ok().filter(|longest| (1..=32).contains(longest))?;
    let known = tally.lost_zeros().map(|(length, _)| length).or_else(|| tally.fixed_digits());
    if of_several { Some(longest) } else { known }
}

pub(super) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

pub(super) fn list(texts: &[&str]) -> String {
    let all: Vec<String> = texts.iter().map(|text| quoted(text)).collect();
    format!("[{}]", all.join(", "))
}

/// A name for the layout, after the file's.
fn id_of(name: &str) -> String {
    let stem = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let stem = stem.split('.').next().unwrap_or_default();
    let mut id = String::new();
    for letter in stem.chars().take(60) {
        if letter.is_ascii_alphanumeric() {
            id.push(letter.to_ascii_lowercase());
        } else if !id.is_empty() && !id.ends_with('-') {
            id.push('-');
        }
    }
    let id = id.trim_end_matches('-');
    if id.is_empty() { "new-roll".to_owned() } else { id.to_owned() }
}

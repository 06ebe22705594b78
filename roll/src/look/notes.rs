//! What is worth knowing before a file is imported, in sentences.

use super::answer::{Look, Sureness};
use super::figures::{counted, grouped, share_text};

/// The notes of a look. `names` is how many names the header has, `zeros` how many NUL bytes were seen.
/// `none` is why nothing is proposed.
pub(super) fn of(look: &Look, names: usize, zeros: usize, none: Option<String>) -> Vec<String> {
    let mut notes = Vec::new();
    if !look.whole {
        notes.push(format!(
            "Only the first {} bytes were looked at; all counts are of these. Look at the whole file before a large import.",
            grouped(look.bytes as f64)
        ));
    }
    about_writing(look, zeros, &mut notes);
    about_names(look, names, &mut notes);
    about_rows(look, &mut notes);
    let hidden = look.columns.iter().filter(|column| column.personal.is_some()).count();
    if hidden > 0 {
        notes.push(format!(
            "{hidden} {} about people: {} values are not shown, and no proposed layout reads them.",
            if hidden == 1 { "column seems to be" } else { "columns seem to be" },
            if hidden == 1 { "its" } else { "their" }
        ));
    }
    notes.extend(none);
    notes
}

fn about_writing(look: &Look, zeros: usize, notes: &mut Vec<String>) {
    let encoding = &look.encoding;
    if encoding.read && encoding.name.starts_with("utf-16") {
        notes.push(format!(
            "The file is in {}: imports read it as it is, whatever encoding the layout names. Lines and bytes of a row count \
             in the text as UTF-8.",
            encoding.name
        ));
    } else if !encoding.read {
        notes.push(format!("The file is in {}: save it as UTF-8 and import that.", encoding.name));
    }
    if encoding.sure == Sureness::Guess {
        notes.push(
            "The encoding is a guess: read the examples, and compare them with the publisher's own pages."
                .to_owned(),
        );
    }
    if look.shape.line_ends.starts_with("mixed") {
        notes.push(format!(
            "Line ends are {}: the file was put together from several; each of them ends a line.",
            look.shape.line_ends
        ));
    }
    if zeros > 0 {
        notes
            .push(format!("{}: the rows that hold them are quarantined.", counted(zeros as u64, "NUL byte")));
    }
    if look.rows.rows_over_lines > 0 {
        notes.push(format!(
            "{} going on over a line end inside quotes, at the most {} lines.",
            counted(look.rows.rows_over_lines, "row"),
            look.shape.row_lines
        ));
    }
}

fn about_names(look: &Look, names: usize, notes: &mut Vec<String>) {
    let header = &look.header;
    if !header.title_lines.is_empty() && header.present {
        notes.push(format!(
            "{} before the header: a layout takes the first line for the names, so take these out first.",
            counted(header.line.map_or(header.title_lines.len() as u64, |line| line - 1), "line")
        ));
    }
    if !header.repeated_on.is_empty() {
        let lines: Vec<String> = header.repeated_on.iter().take(5).map(u64::to_string).collect();
        notes.push(format!(
            "The header stands again on line {}: the file was put together from several. Those rows are quarantined.",
            lines.join(", ")
        ));
    }
    if !header.duplicates.is_empty() {
        notes.push(format!(
            "{} stands more than once in the header: which column is meant cannot be told, so a layout cannot read it.",
            header.duplicates.join(", ")
        ));
    }
    let blank = look.columns.iter().filter(|column| column.name.is_empty()).count();
    if blank > 0 {
        notes
            .push(format!("{} without a name, which a layout cannot read.", counted(blank as u64, "column")));
    }
    if header.present && names != look.shape.fields {
        notes.push(format!(
            "The header has {names} names, most rows have {} fields: rows are quarantined until the header fits them.",
            look.shape.fields
        ));
    }
}

fn about_rows(look: &Look, notes: &mut Vec<String>) {
    let rows = &look.rows;
    if rows.counted == 0 {
        notes.push("There is no row of data.".to_owned());
    }
    if rows.misfits > 0 {
        notes.push(format!(
            "{} ({}) without the usual {} fields: quarantined.",
            counted(rows.misfits, "row"),
            share_text(rows.misfits, rows.misfits + rows.counted),
            look.shape.fields
        ));
    }
    let repeated = look
        .proposal
        .as_ref()
        .and_then(|proposal| proposal.reading.as_ref())
        .map_or(0, |r| r.repeated_parcels);
    if repeated > 0 {
        notes.push(format!(
            "{} with the parcel number of an earlier row: several buildings, years or owners of one parcel. Identical rows \
             count once, others are quarantined until the layout says what the rows are.",
            counted(repeated, "row")
        ));
    }
}

/// Why nothing is proposed where there is one field a row.
pub(super) const NOT_SEPARATED: &str =
    "No layout is proposed: nothing separates fields. Check that this is the file with the rows.";
/// Why nothing is proposed where the columns have names.
pub(super) const NO_PARCEL: &str = "No layout is proposed: no column seems to be the number of the parcel.";
/// Why nothing is proposed where a guess was tried.
pub(super) const NOT_READ_BACK: &str = "No layout is proposed: nothing names the columns, and what their values suggest \
    reads no row. The publisher's description of the file says what stands where.";

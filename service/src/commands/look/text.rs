//! A look as text for a terminal of a hundred columns.

use std::path::Path;

use crossfoot_roll::look::{ColumnFound, ColumnKind, LayoutFit, Look, Proposal, ProposedPart, Reading};

use crate::table::{Side, Table};

/// Characters of a line.
const WIDTH: usize = 98;
/// Columns that are listed before the rest is left to --json.
const COLUMNS_SHOWN: usize = 120;
/// Rows shown side by side.
const ROWS_SHOWN: usize = 3;
/// Layouts that are listed.
const LAYOUTS_SHOWN: usize = 6;
/// Columns that were not taken, of those listed for a part.
const OTHERS_SHOWN: usize = 4;

/// The text. `written` is the file to which the proposed layout was written.
pub(super) fn text(look: &Look, file: &Path, written: Option<&Path>) -> String {
    let mut out = String::new();
    writing(look, &mut out);
    columns(look, &mut out);
    sample(look, &mut out);
    if !look.layouts.is_empty() {
        heading("Known layouts", &mut out);
        for fit in look.layouts.iter().take(LAYOUTS_SHOWN) {
            layout(fit, &mut out);
        }
        let more = look.layouts.len().saturating_sub(LAYOUTS_SHOWN);
        if more > 0 {
            wrapped("", &format!("… and {more} that fit less well"), &mut out);
        }
    }
    if let Some(found) = &look.proposal {
        proposal(found, &mut out);
        quarantine(found.reading.as_ref(), &mut out);
    }
    if !look.notes.is_empty() {
        heading("Worth knowing", &mut out);
        for note in &look.notes {
            wrapped("- ", note, &mut out);
        }
    }
    if look.proposal.is_some() {
        next_step(file, written, &mut out);
    }
    out
}

fn heading(text: &str, out: &mut String) {
    out.push_str(&format!("\n{text}\n{}\n", "─".repeat(text.chars().count())));
}

/// A paragraph whose further lines are indented as far as what stands before it.
fn wrapped(before: &str, text: &str, out: &mut String) {
    let indent = before.chars().count();
    let mut line = before.to_owned();
    let mut length = indent;
    // a name of the file must not move the cursor of the reader's terminal
    let text: String = text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    for word in text.split_whitespace() {
        let word_length = word.chars().count();
        if length > indent && length + 1 + word_length > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(indent);
            length = indent;
        }
        if length > indent {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += word_length;
    }
    out.push_str(line.trim_end());
    out.push('\n');
}

fn writing(look: &Look, out: &mut String) {
    let shape = &look.shape;
    let extent = if look.whole { "the whole file" } else { "its beginning" };
    wrapped(
        "",
        &format!("{}: {} bytes looked at, {extent}; nothing is stored", look.name, thousands(look.bytes)),
        out,
    );
    out.push('\n');
    let examples: Vec<String> = look
        .encoding
        .examples
        .iter()
        .map(|example| format!("{:?} in {} on line {}", example.value, example.column, example.line))
        .collect();
    let reads = if examples.is_empty() { String::new() } else { format!("; reads {}", examples.join(", ")) };
    let encoding = &look.encoding;
    wrapped(
        "encoding    ",
        &format!("{}, {}: {}{reads}", encoding.name, encoding.sure.name(), encoding.reason),
        out,
    );
    let fields = match shape.separation.byte() {
        Some(_) => format!(", {} fields in {:.1} % of the rows", shape.fields, 100.0 * shape.share),
        None => String::new(),
    };
    wrapped(
        "delimiter   ",
        &format!("{}{fields} (tried: {})", shape.separation.name(), shape.others.join("; ")),
        out,
    );
    wrapped("quoting     ", &shape.quoting, out);
    wrapped("line ends   ", &shape.line_ends, out);
    let header = &look.header;
    let place = header.line.map_or_else(|| "none".to_owned(), |line| format!("line {line}"));
    wrapped("header      ", &format!("{place}, {}: {}", header.sure.name(), header.reason), out);
    for title in &header.title_lines {
        wrapped("            ", &format!("before it: {title}"), out);
    }
    let misfits = if look.rows.misfits == 0 {
        String::new()
    } else {
        format!(", {} that do not fit", thousands(look.rows.misfits))
    };
    wrapped("rows        ", &format!("{}{misfits}", thousands(look.rows.counted)), out);
    for misfit in &look.rows.misfit_examples {
        wrapped("            ", &format!("line {}: {}", misfit.line, misfit.detail), out);
    }
}

fn columns(look: &Look, out: &mut String) {
    heading("Columns", out);
    let mut table = Table::new(vec![
        ("#", Side::Right),
        ("column", Side::Left),
        ("kind", Side::Left),
        ("blank %", Side::Right),
        ("zero %", Side::Right),
        ("different", Side::Right),
        ("least … median … most, or values", Side::Left),
    ]);
    let rows = look.rows.counted;
    for column in look.columns.iter().take(COLUMNS_SHOWN) {
        let least = if column.distinct_is_least { "≥ " } else { "" };
        table.row(vec![
            column.place.to_string(),
            cut(&column.name, 20),
            column.kind.name().to_owned(),
            percent(column.blank + column.null_words.iter().map(|word| word.rows).sum::<u64>(), rows),
            percent(column.zero, rows),
            format!("{least}{}", thousands(column.distinct)),
            cut(&values(column), 34),
        ]);
    }
    out.push_str(&table.text());
    let more = look.columns.len().saturating_sub(COLUMNS_SHOWN);
    if more > 0 {
        wrapped("", &format!("… and {more} more columns; --json has all of them"), out);
    }
    let doubtful: Vec<&ColumnFound> =
        look.columns.iter().filter(|column| !column.suspicions.is_empty()).collect();
    if !doubtful.is_empty() {
        out.push('\n');
    }
    for column in doubtful.iter().take(COLUMNS_SHOWN) {
        wrapped("  ", &format!("{}: {}", cut(&column.name, 40), column.suspicions.join("; ")), out);
    }
}

/// The range of figures, or values; of a column about people that they are not shown.
fn values(column: &ColumnFound) -> String {
    if column.personal.is_some() {
        return "(not shown)".to_owned();
    }
    let show = if column.kind == ColumnKind::Year { plain } else { grouped };
    let figures = !matches!(
        column.kind,
        ColumnKind::Identifier | ColumnKind::Code | ColumnKind::Text | ColumnKind::Date | ColumnKind::Empty
    );
    match (column.least, column.median, column.most) {
        (Some(least), Some(median), Some(most)) if figures => {
            format!("{} … {} … {}", show(least), show(median), show(most))
        }
        _ => column.examples.join(" · "),
    }
}

fn sample(look: &Look, out: &mut String) {
    let rows: Vec<_> = look.sample.rows.iter().take(ROWS_SHOWN).collect();
    // a file of fixed width has no columns before it has a layout: its lines stand with the proposal
    if rows.is_empty() || look.sample.columns.is_empty() {
        return;
    }
    heading("First rows", out);
    let lines: Vec<String> = rows.iter().map(|row| format!("{:<24}", format!("line {}", row.line))).collect();
    out.push_str(&format!("{:<20}  {}\n", "", lines.join("  ")).replace(" \n", "\n"));
    for (at, name) in look.sample.columns.iter().take(COLUMNS_SHOWN).enumerate() {
        let cells: Vec<String> = rows
            .iter()
            .map(|row| format!("{:<24}", cut(row.cells.get(at).map_or("", String::as_str), 24)))
            .collect();
        out.push_str(format!("{:<20}  {}", cut(name, 20), cells.join("  ")).trim_end());
        out.push('\n');
    }
    if look.sample.rows.len() > ROWS_SHOWN {
        wrapped("", &format!("--json has {} rows", look.sample.rows.len()), out);
    }
}

fn layout(fit: &LayoutFit, out: &mut String) {
    let missing =
        if fit.missing.is_empty() { String::new() } else { format!(", without {}", names(&fit.missing, 6)) };
    let columns = format!("{}: {} of its {} columns{missing}", fit.id, fit.columns_present, fit.columns);
    match (&fit.reading, &fit.refusal) {
        (Some(reading), _) => {
            wrapped(
                "- ",
                &format!(
                    "{columns}; {} of {} rows would come in",
                    thousands(reading.entries),
                    thousands(reading.rows)
                ),
                out,
            );
            reasons(reading, out);
        }
        (None, Some(refusal)) if fit.missing.is_empty() => {
            wrapped("- ", &format!("{columns}; refused: {refusal}"), out)
        }
        (None, _) => wrapped("- ", &format!("{columns}; the file would be refused"), out),
    }
}

fn proposal(found: &Proposal, out: &mut String) {
    heading("Proposed layout", out);
    let (kept, parts): (Vec<&ProposedPart>, Vec<&ProposedPart>) =
        found.parts.iter().partition(|part| part.part == "keep");
    for part in parts {
        let before = format!("{:<12}", part.part);
        let columns = if part.columns.is_empty() { "nothing".to_owned() } else { part.columns.join(", ") };
        wrapped(&before, &format!("{columns}: {}", part.reason), out);
        for other in part.others.iter().take(OTHERS_SHOWN) {
            wrapped("            ", &format!("not {}: {}", other.column, other.why_not), out);
        }
        let more = part.others.len().saturating_sub(OTHERS_SHOWN);
        if more > 0 {
            wrapped("            ", &format!("nor {more} others"), out);
        }
    }
    if !kept.is_empty() {
        let columns: Vec<String> = kept.iter().flat_map(|part| part.columns.clone()).collect();
        wrapped("keep        ", &columns.join(", "), out);
    }
    for open in &found.open {
        wrapped("!           ", open, out);
    }
}

fn quarantine(reading: Option<&Reading>, out: &mut String) {
    let Some(reading) = reading else { return };
    heading("What would be quarantined", out);
    let extent = if reading.whole { "rows" } else { "rows of its beginning" };
    wrapped(
        "",
        &format!(
            "By the proposed layout {} of {} {extent} would come in, {} of them with an area.",
            thousands(reading.entries),
            thousands(reading.rows),
            thousands(reading.with_area)
        ),
        out,
    );
    reasons(reading, out);
}

fn reasons(reading: &Reading, out: &mut String) {
    for reason in &reading.quarantined {
        wrapped("  ", &format!("{} {}", thousands(reason.rows), reason.reason.replace('_', " ")), out);
        for example in &reason.examples {
            wrapped("    ", &format!("line {}: {}", example.line, example.detail), out);
        }
    }
}

fn next_step(file: &Path, written: Option<&Path>, out: &mut String) {
    out.push('\n');
    let file = file.display();
    match written {
        Some(layout) => {
            let layout = layout.display();
            wrapped(
                "",
                &format!(
                    "The layout is written to {layout}. Fill in what is open, then: crossfoot import roll {file} --layout {layout}"
                ),
                out,
            );
        }
        None => wrapped(
            "",
            &format!("To have this layout as a file: crossfoot import look {file} --propose new-layout.toml"),
            out,
        ),
    }
}

fn names(all: &[String], most: usize) -> String {
    let shown: Vec<&str> = all.iter().take(most).map(String::as_str).collect();
    let more = all.len().saturating_sub(most);
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{rest}", shown.join(", "))
}

fn cut(text: &str, most: usize) -> String {
    match text.char_indices().nth(most.saturating_sub(1)) {
        Some((end, _)) if text.chars().count() > most => format!("{}…", text.get(..end).unwrap_or_default()),
        _ => text.to_owned(),
    }
}

fn percent(part: u64, whole: u64) -> String {
    match part {
        0 => "0".to_owned(),
        _ => format!("{:.1}", 100.0 * part as f64 / whole.max(1) as f64),
    }
}

fn thousands(count: u64) -> String {
    grouped(count as f64)
}

fn plain(figure: f64) -> String {
    let text = format!("{figure:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A figure with commas between thousands.
pub(crate) fn grouped(figure: f64) -> String {
    let plain = plain(figure);
    let (sign, rest) = plain.strip_prefix('-').map_or(("", plain.as_str()), |rest| ("-", rest));
    let (whole, fraction) = rest.split_once('.').map_or((rest, String::new()), |(w, f)| (w, format!(".{f}")));
    let mut out = sign.to_owned();
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    out + &fraction
}

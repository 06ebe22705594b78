//! A file that nobody has described is looked at before it is taken in: what it is, and a layout to download.

use axum::Form;
use axum::extract::{Multipart, State};
use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::look::{ColumnFound, ColumnKind, LayoutFit, Look, Proposal, Reading};
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, page};
use super::uploads::{arrived, in_idle, text};
use crate::api::look::look_at;
use crate::commands::look::grouped;
use crate::http::App;
use crate::http::problem::Problem;

/// Columns that the page lists.
const COLUMNS_SHOWN: usize = 300;
/// Columns of the first rows that the page shows.
const SAMPLE_COLUMNS: usize = 12;
/// Rows that the page shows.
const SAMPLE_ROWS: usize = 20;
/// Layouts that are listed.
const LAYOUTS_SHOWN: usize = 10;

/// Shows the form.
pub(super) async fn show(guest: Guest) -> Result<Response, Fail> {
    guest.0.operator()?;
    let body = html! {
        h1 { "Look at a file" }
        p {
            "Choose a file as you downloaded it. It is read here and not kept: the answer says how it is written, what its columns "
            "hold, and which layout reads it. Columns about people are named, and their values are not shown."
        }
        (form())
        p { a href="/uploads" { "Back to the uploads" } }
    };
    Ok(page(&guest, "Look at a file", "/uploads", &body))
}

fn form() -> Markup {
    html! {
        form.tall method="post" action="/uploads/look" enctype="multipart/form-data" {
            label { "How far" select name="whole" {
                option value="no" { "Its beginning (4 MiB), which takes a moment" }
                option value="yes" { "All rows, which takes longer" }
            } }
            label { "File, as published" input type="file" name="file" required; }
            div { button { "Look at it" } }
        }
    }
}

/// Looks at the file that was sent.
pub(super) async fn look(
    State(app): State<App>,
    guest: Guest,
    mut form: Multipart,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let mut whole = false;
    while let Some(field) = in_idle(&app, form.next_field()).await? {
        match field.name().unwrap_or_default() {
            "whole" => whole = text(&app, field).await? == "yes",
            "file" => {
                let name = field.file_name().filter(|name| !name.is_empty()).unwrap_or("roll").to_owned();
                let file = arrived(&app, field).await?;
                let found = look_at(&app, file, name, whole).await?;
                return Ok(page(&guest, "Look at a file", "/uploads", &answer(&found)));
            }
            _ => {}
        }
    }
    Err(Problem::wrong("/file", "there is no file in the form", "choose a file").into())
}

/// A layout as it was proposed, or as it was changed on the page.
#[derive(Debug, Deserialize)]
pub(super) struct Draft {
    layout: String,
}

/// Gives the layout of the page as a file, once it is one.
pub(super) async fn download(guest: Guest, Form(draft): Form<Draft>) -> Result<Response, Fail> {
    guest.0.operator()?;
    // a form sends its lines with CRLF
    let toml = draft.layout.replace("\r\n", "\n");
    let layout = Layout::from_toml(&toml).map_err(|error| {
        Problem::wrong(
            "/layout",
            error.to_string(),
            "go back, correct the layout at that place, and download it again",
        )
    })?;
    let plain =
        layout.id.chars().all(|letter| letter.is_ascii_alphanumeric() || letter == '-' || letter == '_');
    let name = if plain { layout.id.as_str() } else { "layout" };
    let headers = [
        (header::CONTENT_TYPE, "application/toml; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.toml\"")),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ];
    Ok((headers, toml).into_response())
}

fn answer(look: &Look) -> Markup {
    html! {
        h1 dir="auto" { (look.name) }
        p { "Looked at and not kept. " a href="/uploads/look" { "Look at another file" } " · " a href="/uploads" { "Uploads" } }
        @if !look.notes.is_empty() {
            div.warn { ul { @for note in &look.notes { li { (note) } } } }
        }
        (writing(look))
        @if let Some(found) = &look.proposal { (proposal(found)) }
        (columns(look))
        (sample(look))
        @if !look.layouts.is_empty() {
            h2 { "Known layouts" }
            @for fit in look.layouts.iter().take(LAYOUTS_SHOWN) { (layout(fit)) }
        }
    }
}

fn writing(look: &Look) -> Markup {
    let (encoding, shape, header) = (&look.encoding, &look.shape, &look.header);
    html! {
        h2 { "How it is written" }
        dl {
            dt { "Encoding" }
            dd {
                (encoding.name) ", " (encoding.sure.name()) ": " (encoding.reason)
                @for example in &encoding.examples { div { bdi { (example.value) } " in " bdi { (example.column) } ", line " (example.line) } }
            }
            dt { "Delimiter" }
            dd {
                (shape.separation.name())
                @if shape.separation.byte().is_some() { ", " (shape.fields) " fields in " (percent(shape.share)) " % of the rows" }
                details { summary { "What else was tried" } ul { @for other in &shape.others { li { (other) } } } }
            }
            dt { "Quoting" } dd { (shape.quoting) }
            dt { "Line ends" } dd { (shape.line_ends) }
            dt { "Header" }
            dd {
                @match header.line { Some(line) => { "line " (line) }, None => "none" } ", " (header.sure.name()) ": " (header.reason)
                @for title in &header.title_lines { div.soft { "before it: " bdi { (title) } } }
            }
            dt { "Rows" }
            dd {
                (thousands(look.rows.counted))
                @if look.rows.misfits > 0 { ", " (thousands(look.rows.misfits)) " that do not fit" }
                @for misfit in &look.rows.misfit_examples { div.soft { "line " (misfit.line) ": " (misfit.detail) } }
            }
        }
    }
}

fn proposal(found: &Proposal) -> Markup {
    let lines = found.layout.lines().count().clamp(12, 40);
    html! {
        h2 { "Proposed layout" }
        table.wide {
            thead { tr { th scope="col" { "Part" } th scope="col" { "Columns" } th scope="col" { "Why" } th scope="col" { "Not taken" } } }
            tbody { @for part in &found.parts { tr {
                td.head { (part.part.replace('_', " ")) }
                td data-l="Columns" dir="auto" { @if part.columns.is_empty() { "nothing" } @else { (part.columns.join(", ")) } }
                td data-l="Why" { (part.reason) }
                td data-l="Not taken" {
                    @if part.others.is_empty() { "–" } @else {
                        details {
                            summary { (part.others.len()) @if part.others.len() == 1 { " column" } @else { " columns" } }
                            ul { @for other in &part.others { li { bdi { (other.column) } ": " (other.why_not) } } }
                        }
                    }
                }
            } } }
        }
        @if !found.open.is_empty() {
            h3 { "Open" }
            ul { @for open in &found.open { li { (open) } } }
        }
        h3 { "What would be quarantined" }
        @if let Some(refusal) = &found.refusal { p.warn { (refusal) } }
        @if let Some(reading) = &found.reading { (quarantine(reading)) }
        form.tall.draft method="post" action="/uploads/look/layout" {
            label {
                "The layout (TOML); correct it here or in a file"
                textarea name="layout" rows=(lines) cols="110" spellcheck="false" { (found.layout) }
            }
            div { button { "Download the layout" } }
        }
        p { "With the layout as a file, take the roll in on the page " a href="/uploads" { "Uploads" } "." }
    }
}

fn quarantine(reading: &Reading) -> Markup {
    html! {
        p {
            (thousands(reading.entries)) " of " (thousands(reading.rows)) " rows" @if !reading.whole { " of its beginning" }
            " would come in, " (thousands(reading.with_area)) " of them with an area."
        }
        @if !reading.quarantined.is_empty() {
            ul { @for reason in &reading.quarantined { li {
                (thousands(reason.rows)) " " (reason.reason.replace('_', " "))
                ul { @for example in &reason.examples { li { "line " (example.line) ": " (example.detail) } } }
            } } }
        }
    }
}

fn columns(look: &Look) -> Markup {
    let rows = look.rows.counted;
    html! {
        h2 { "Columns" }
        table.wide {
            thead { tr {
                th.n scope="col" { "Place" } th scope="col" { "Column" } th scope="col" { "Holds" } th.n scope="col" { "Blank, %" }
                th.n scope="col" { "Zero, %" } th.n scope="col" { "Different" } th.n scope="col" { "Least" } th.n scope="col" { "Median" }
                th.n scope="col" { "Most" } th scope="col" { "Values" }
            } }
            tbody { @for column in look.columns.iter().take(COLUMNS_SHOWN) { (column_row(column, rows)) } }
        }
        @if look.columns.len() > COLUMNS_SHOWN { p { "The first " (COLUMNS_SHOWN) " of " (look.columns.len()) " columns." } }
    }
}

fn column_row(column: &ColumnFound, rows: u64) -> Markup {
    let missing: u64 = column.null_words.iter().map(|word| word.rows).sum();
    let share = |part: u64| if rows == 0 { "0".to_owned() } else { percent(part as f64 / rows as f64) };
    let figures = matches!(
        column.kind,
        ColumnKind::Whole | ColumnKind::Decimal | ColumnKind::Money | ColumnKind::Area | ColumnKind::Year
    );
    let show = |figure: Option<f64>| match figure.filter(|_| figures) {
        Some(figure) if column.kind == ColumnKind::Year => figure.to_string(),
        Some(figure) => grouped(figure),
        None => "–".to_owned(),
    };
    html! { tr {
        td.n data-l="Place" { (column.place) }
        td.head dir="auto" { @if column.name.is_empty() { "(no name)" } @else { (column.name) } }
        td.state data-l="Holds" { (column.kind.name()) }
        td.n data-l="Blank, %" { (share(column.blank + missing)) }
        td.n data-l="Zero, %" { (share(column.zero)) }
        td.n data-l="Different" { @if column.distinct_is_least { "at least " } (thousands(column.distinct)) }
        td.n data-l="Least" { (show(column.least)) }
        td.n data-l="Median" { (show(column.median)) }
        td.n data-l="Most" { (show(column.most)) }
        td.diff data-l="Values" {
            @match &column.personal {
                Some(why) => span.soft { "not shown: " (why) },
                None => bdi { (column.examples.join(" · ")) },
            }
            @for doubt in &column.suspicions { div { (doubt) } }
        }
    } }
}

fn sample(look: &Look) -> Markup {
    let names: Vec<&String> = look.sample.columns.iter().take(SAMPLE_COLUMNS).collect();
    html! {
        @if !look.sample.rows.is_empty() && !look.sample.columns.is_empty() {
            h2 { "First rows" }
            details {
                summary { (look.sample.rows.len().min(SAMPLE_ROWS)) " rows" @if names.len() < look.sample.columns.len() { ", the first " (names.len()) " columns" } }
                table.wide {
                    thead { tr { th.n scope="col" { "Line" } @for name in &names { th scope="col" dir="auto" { @if name.is_empty() { "(no name)" } @else { (name) } } } } }
                    tbody { @for row in look.sample.rows.iter().take(SAMPLE_ROWS) { tr {
                        td.n data-l="Line" { (row.line) }
                        @for (name, cell) in names.iter().zip(&row.cells) { td data-l=(name) dir="auto" { @if cell.is_empty() { "–" } @else { (cell) } } }
                    } } }
                }
            }
        }
    }
}

fn layout(fit: &LayoutFit) -> Markup {
    html! {
        section {
            h3 { bdi { (fit.id) } @if !fit.title.is_empty() { ": " bdi { (fit.title) } } }
            p {
                (fit.columns_present) " of its " (fit.columns) " columns are in the file"
                @if !fit.missing.is_empty() { "; missing: " bdi { (fit.missing.join(", ")) } } "."
            }
            @if let Some(refusal) = fit.refusal.as_ref().filter(|_| fit.missing.is_empty()) { p { "The file would be refused: " (refusal) } }
            @if let Some(reading) = &fit.reading { (quarantine(reading)) }
        }
    }
}

fn percent(share: f64) -> String {
    if share == 0.0 { "0".to_owned() } else { format!("{:.1}", 100.0 * share) }
}

fn thousands(count: u64) -> String {
    grouped(count as f64)
}

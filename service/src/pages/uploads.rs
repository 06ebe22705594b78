//! Uploads: measured houses for an office, rolls for the operator, and the progress of the jobs that follow.

use std::collections::BTreeMap;
use std::io::{Seek as _, SeekFrom};
use std::time::Duration;

use axum::extract::multipart::{Field, MultipartError};
use axum::extract::{Multipart, Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_roll::layout::Layout;
use crossfoot_store::access::Visitor;
use crossfoot_store::office::Role;
use crossfoot_store::source::{EditionArrival, EditionNotes, RollStatus};
use maud::{Markup, html};
use tokio::io::AsyncWriteExt as _;

use super::edition::edition_path;
use super::layout::{Fail, Guest, page, whole};
use super::state::state;
use crate::api::quarantine::may_read;
use crate::http::App;
use crate::http::problem::{Kind, Problem};
use crate::installation::Installation;

/// Bytes of a layout.
const LAYOUT_BYTES: usize = 256 * 1024;
/// Houses set aside that are shown on the page.
const ASIDE_SHOWN: usize = 200;
/// Editions of a source that are looked at.
const EDITIONS: i64 = 500;
/// Seconds after which the page of a running job looks again.
const AGAIN_SECONDS: u32 = 2;

/// Shows the forms and the last editions.
pub(super) async fn show(State(app): State<App>, guest: Guest) -> Result<Response, Fail> {
    let mut rows = Vec::new();
    for source in app.store.source_list().await? {
        let editions = app.store.edition_page(source.number, 0, EDITIONS).await?;
        let Some(last) = editions.last() else { continue };
        // a source whose first edition never came into use has no quarantine
        let rejects = match source.current_edition {
            Some(_) => app.store.reject_counts(&source, last.number).await?,
            None => BTreeMap::new(),
        };
        let here = edition_path(&source.id, last.number);
        rows.push(html! { tr {
            td { (source.id) @if !source.title.is_empty() { div.soft dir="auto" { (source.title) } } }
            td data-l="Edition" { a href=(here) { "Edition " (last.number) } ", " (state(&last.state)) @if !last.refusal.is_empty() { ": " (last.refusal) } }
            td.n data-l="Rows" { (last.counts.rows_total) }
            td.n data-l="New" { (last.counts.records_new) }
            td.n data-l="Changed" { (last.counts.records_changed) }
            td.n data-l="Gone" { (last.counts.records_ended) }
            td data-l="Quarantine" {
                @if last.counts.rows_rejected > 0 && may_read(&guest.0).is_ok() && matches!(last.state.as_str(), "current" | "held") {
                    a href={ (here) "/quarantine" } aria-label={ (last.counts.rows_rejected) " rows of " (source.id) " in quarantine" } { (last.counts.rows_rejected) }
                } @else { (last.counts.rows_rejected) }
                @for (reason, n) in &rejects { div { (n) " " (reason.replace('_', " ")) } }
            }
        } });
    }
    let body = html! {
        h1 { "Uploads" }
        @if guest.0.office(&[Role::Upload]).is_ok() { (houses_form()) }
        @if guest.0.operator().is_ok() { (roll_form()) }
        p { "An edition of several files may come file by file: " a href="/sets" { "sets that are gathering" } "." }
        h2 { "Last editions" }
        @if rows.is_empty() { p { "No roll is here yet." } } @else {
            table {
                thead { tr {
                    th scope="col" { "Source" } th scope="col" { "Edition" } th.n scope="col" { "Rows" } th.n scope="col" { "New" }
                    th.n scope="col" { "Changed" } th.n scope="col" { "Gone" } th scope="col" { "Quarantine" }
                } }
                tbody { @for row in &rows { (row) } }
            }
        }
    };
    Ok(page(&guest, "Uploads", "/uploads", &body))
}

fn houses_form() -> Markup {
    html! {
        h2 { "Measured houses" }
        form.tall method="post" action="/uploads/houses" enctype="multipart/form-data" {
            label { "File: a JSON array, one JSON object a line, or CSV" input type="file" name="file" required; }
            div { button { "Take the houses in" } }
        }
    }
}

fn roll_form() -> Markup {
    html! {
        h2 { "A roll" }
        p { "A file without a layout? " a href="/uploads/look" { "Look at it first" } ": its columns are told, and a layout is proposed." }
        form.tall method="post" action="/uploads/roll" enctype="multipart/form-data" {
            label { "Layout (TOML)" input type="file" name="layout" required; }
            label { "Year of the roll" input type="number" name="roll_year" min="1500" max="2200"; }
            label { "Status" select name="status" {
                @for status in RollStatus::ALL { option value=(status.name()) selected[status == RollStatus::NotStated] { (status.name()) } }
            } }
            label { "Roll, as published" input type="file" name="file" required; }
            div { button { "Take the roll in" } }
        }
    }
}

fn broken() -> Problem {
    Problem::new(Kind::BadRequest, "the upload broke off or is no form: send it again")
}

fn unkept(error: &std::io::Error) -> Problem {
    tracing::error!("an upload cannot be kept beside the data: {error}");
    Problem::new(Kind::Internal, "the cause is in the log of the service, under the id of this request")
}

/// Waits for the next piece of a form, but not for ever.
pub(super) async fn in_idle<T>(
    app: &App,
    piece: impl Future<Output = Result<T, MultipartError>>,
) -> Result<T, Problem> {
    let wait = Duration::from_secs(app.limits.idle_seconds);
    match tokio::time::timeout(wait, piece).await {
        Ok(piece) => piece.map_err(|_| broken()),
        Err(_) => {
            let detail = format!("nothing came for {} s: send the form again", app.limits.idle_seconds);
            Err(Problem::new(Kind::TooSlow, detail))
        }
    }
}

/// Takes a file of a form to a file without a name.
pub(super) async fn arrived(app: &App, mut field: Field<'_>) -> Result<std::fs::File, Problem> {
    let file = tempfile::tempfile_in(app.store.data_folder()).map_err(|error| unkept(&error))?;
    let (mut file, mut bytes) = (tokio::fs::File::from_std(file), 0usize);
    while let Some(chunk) = in_idle(app, field.chunk()).await? {
        bytes = bytes.saturating_add(chunk.len());
        if bytes > app.limits.upload_bytes {
            return Err(Problem::new(Kind::TooLarge, "the file is larger than allowed: send it in parts"));
        }
        file.write_all(&chunk).await.map_err(|error| unkept(&error))?;
    }
    file.flush().await.map_err(|error| unkept(&error))?;
    let mut file = file.into_std().await;
    file.seek(SeekFrom::Start(0)).map_err(|error| unkept(&error))?;
    if bytes == 0 {
        return Err(Problem::wrong("/file", "the file is empty", "choose a file with content"));
    }
    Ok(file)
}

/// A small field as text.
pub(super) async fn text(app: &App, mut field: Field<'_>) -> Result<String, Problem> {
    let mut bytes = Vec::new();
    while let Some(chunk) = in_idle(app, field.chunk()).await? {
        bytes.extend_from_slice(&chunk);
        if bytes.len() > LAYOUT_BYTES {
            return Err(Problem::new(Kind::TooLarge, "a field of the form is larger than allowed"));
        }
    }
    String::from_utf8(bytes).map_err(|_| Problem::new(Kind::BadRequest, "a field of the form is not UTF-8"))
}

/// Takes in measured houses and lists those set aside.
pub(super) async fn take_houses(
    State(app): State<App>,
    guest: Guest,
    mut form: Multipart,
) -> Result<Response, Fail> {
    let office = guest.0.office(&[Role::Upload])?.to_owned();
    while let Some(field) = in_idle(&app, form.next_field()).await? {
        if field.name() != Some("file") {
            continue;
        }
        let name = field.file_name().unwrap_or("file").to_owned();
        let file = arrived(&app, field).await?;
        let installation = Installation { store: app.store.clone(), office, worker: app.worker.clone() };
        let mut aside: Vec<u8> = Vec::new();
        let taken = crate::houses::take(&installation, file, &name, Some(&mut aside)).await;
        let taken = taken.map_err(|error| {
            tracing::error!("houses were not taken in: {error:#}");
            Problem::new(Kind::Internal, "the houses were not taken in whole: send the file again")
        })?;
        let body = html! {
            h1 dir="auto" { (name) }
            p {
                (taken.houses()) " houses: " (taken.new) " new, " (taken.new_version) " with a new version, "
                (taken.unchanged) " unchanged, " (taken.set_aside) " set aside."
            }
            @if taken.set_aside > 0 { (set_aside(&aside)) }
            p { a href="/uploads" { "Back to the uploads" } }
        };
        return Ok(page(&guest, "Houses taken in", "/uploads", &body));
    }
    Err(Problem::wrong("/file", "there is no file in the form", "choose a file").into())
}

fn set_aside(lines: &[u8]) -> Markup {
    let houses: Vec<serde_json::Value> = lines
        .split(|byte| *byte == b'\n')
        .filter_map(|line| serde_json::from_slice(line).ok())
        .take(ASIDE_SHOWN)
        .collect();
    let text = |value: &serde_json::Value, name: &str| {
        value.get(name).and_then(|text| text.as_str()).unwrap_or_default().to_owned()
    };
    html! {
        h2 { "Set aside" }
        ul {
            @for house in &houses {
                li {
                    (text(house, "place")) " "
                    @if let Some(document) = house.get("document") { bdi { (text(document, "reference")) } }
                    ul {
                        @for problem in house.get("problems").and_then(|p| p.as_array()).into_iter().flatten() {
                            li { code { (text(problem, "pointer")) } " " (text(problem, "detail")) "; " (text(problem, "mend")) }
                        }
                    }
                }
            }
        }
    }
}

/// Takes a roll in and leads to its job.
pub(super) async fn take_roll(
    State(app): State<App>,
    guest: Guest,
    mut form: Multipart,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let (mut layout, mut notes) = (None, EditionNotes::default());
    while let Some(field) = in_idle(&app, form.next_field()).await? {
        match field.name().unwrap_or_default() {
            "layout" => {
                let read = Layout::from_toml(&text(&app, field).await?);
                layout = Some(read.map_err(|error| {
                    Problem::wrong("/layout", error.to_string(), "mend the layout and send both again")
                })?);
            }
            "roll_year" => notes.roll_year = text(&app, field).await?.parse().ok(),
            "status" => notes.status = RollStatus::from_name(&text(&app, field).await?).unwrap_or_default(),
            "file" => {
                let Some(layout) = layout else { break };
                let name = field.file_name().unwrap_or("roll").replace(['/', '\\', '\0'], "_");
                let file = arrived(&app, field).await?;
                // what arrived whole is staged whole, also when the browser goes away
                let staging = tokio::spawn(stage(app, guest.0.0, layout, notes, (name, file)));
                let broken_off = |_| Problem::new(Kind::Internal, "the roll was not staged: send it again");
                return Ok(Redirect::to(&staging.await.map_err(broken_off)??).into_response());
            }
            _ => {}
        }
    }
    Err(Problem::wrong("/layout", "the layout or the roll is missing", "choose both files").into())
}

/// Stages a roll and gives the page that tells of it.
async fn stage(
    app: App,
    visitor: Visitor,
    layout: Layout,
    notes: EditionNotes,
    (name, file): (String, std::fs::File),
) -> Result<String, Problem> {
    let layout = app.store.layout_resolved(&layout).await?;
    let source = app.store.source_ensure(&layout.id, &layout).await?;
    let file = tokio::fs::File::from_std(file);
    let kept = app.store.object_keep_file(std::path::Path::new(&name), file).await?;
    let subject = format!("source {}", source.id);
    app.store.log_note(None, &visitor, "edition_handed_in", &subject, &name).await?;
    Ok(match app.store.edition_stage(&source, &layout, &[kept], &notes).await? {
        EditionArrival::Staged { job, .. } => format!("/jobs/{job}"),
        EditionArrival::Known { .. } => "/uploads".to_owned(),
    })
}

/// Shows a job and looks again while it runs.
pub(super) async fn job(
    State(app): State<App>,
    guest: Guest,
    Path(id): Path<String>,
) -> Result<Response, Fail> {
    if app.store.job_office(&id).await? != guest.0.0.office {
        return Err(Problem::not_found("job", &id).into());
    }
    let job = app.store.job_view(&id).await?;
    let again = matches!(job.state.as_str(), "queued" | "running").then_some(AGAIN_SECONDS);
    let body = html! {
        h1 { "Job: " (job.kind.name()) }
        p role="status" {
            (state(&job.state))
            @if let (Some(_), Some(total)) = (again, job.progress_total.filter(|total| *total > 0)) {
                ", " (job.progress.saturating_mul(100) / total) " %"
            }
        }
        @if !job.reason.is_empty() { p.warn { (job.reason) } }
        p { a href="/uploads" { "Uploads" } " · " a href="/runs" { "Runs and notices" } }
    };
    let markup = whole(Some(&guest), "Job", "", again, &body);
    Ok(([(header::CACHE_CONTROL, "no-store")], markup).into_response())
}

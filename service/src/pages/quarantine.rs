//! The quarantine of an edition: why rows were set aside, the rows to be mended, and mended ones taken in.

use axum::extract::{Multipart, Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_store::mend::MendNote;
use crossfoot_store::source::EditionArrival;
use maud::{Markup, html};

use super::edition::edition_path;
use super::layout::{Fail, Guest, page};
use super::state::{moment, state};
use super::uploads::{arrived, in_idle, text};
use crate::api::quarantine::{
    Group, NAME_CHARACTERS, REASON_CHARACTERS, check_note, groups, loaded, may_read, not_mended, stage,
};
use crate::edition_words::sentence;
use crate::http::App;
use crate::http::problem::{Kind, Problem};

/// Shows the quarantine.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path((id, n)): Path<(String, i64)>,
) -> Result<Response, Fail> {
    may_read(&guest.0)?;
    let (source, edition) = loaded(&app, &id, n).await?;
    let found = groups(app.store.reject_groups(&source, n).await?, &edition);
    let mend = app.store.mend(source.number, n).await?;
    let root = app.store.mend_root(source.number, n).await?;
    let current = source.current_edition.unwrap_or(n);
    let in_use = app.store.mend_root(source.number, current).await? == root;
    let refused = not_mended(&edition);
    let operator = guest.0.operator().is_ok();
    let here = edition_path(&source.id, n);
    let body = html! {
        h1 { "Quarantine of " bdi { (source.id) } ", edition " (n) }
        p { (state(&edition.state)) ": " (edition.counts.rows_total) " rows read, " (edition.counts.rows_rejected) " in quarantine" }
        @if let Some(mend) = &mend {
            p.warn dir="auto" {
                "These rows are not as published: " (mend.mended_by) " mended rows of edition " (mend.mends) " on "
                (moment(mend.mended_at)) ": " (mend.reason)
            }
        }
        @if found.is_empty() { p { "No row is in quarantine." } } @else {
            (reasons(&found, edition.files.len() > 1))
            @if !edition.layout.assembles() { (downloads(&here, operator, refused.is_none())) }
        }
        @if let Some(why) = refused.as_ref().filter(|_| !found.is_empty()) { p { (sentence(why)) } }
        @if operator && in_use && refused.is_none() { (form(&here)) }
        @if operator && !in_use && refused.is_none() && !found.is_empty() { p { "A later edition is in use: its quarantine is the one to work." } }
        p { a href=(here) { "Back to the edition" } }
    };
    Ok(page(&guest, &format!("Quarantine of {}, edition {n}", source.id), "/uploads", &body))
}

/// The rows in the form of their file; `mended` where they can be handed in again.
fn downloads(here: &str, operator: bool, mended: bool) -> Markup {
    html! {
        h2 { (if mended { "Rows to mend" } else { "The rows" }) }
        p {
            "The file has the publisher's own columns and a last one that says why each row was set aside."
            @if mended { " Mend the rows where they stand and hand the file in again; that column is left out when it is read." }
        }
        p { a href={ (here) "/to-mend.csv" } { "Download the rows" } ": columns that the layout does not read, such as an owner's name, are masked, and rows that cannot be taken apart are blank." }
        @if operator { p { a href={ (here) "/to-mend.csv?whole=true" } { "Download the rows whole" } ": byte for byte as published. That you took them is on record." } }
    }
}

/// Reasons with their first rows, each with its file where there are several.
fn reasons(found: &[Group], several: bool) -> Markup {
    html! {
        table {
            thead { tr { th scope="col" { "Reason" } th scope="col" { "Column" } th.n scope="col" { "Rows" } th scope="col" { "The first of them" } } }
            tbody { @for group in found { tr {
                td { (capital(&group.reason)) }
                td data-l="Column" dir="auto" { (group.column.as_deref().unwrap_or("the whole row")) }
                td.n data-l="Rows" { (group.rows) }
                td data-l="The first of them" { @for row in &group.examples { div dir="auto" { @if several { (row.file) ", line " } @else { "Line " } (row.line) ": " (row.detail) } } }
            } } }
        }
    }
}

/// A reason as it begins a line.
pub(super) fn capital(reason: &str) -> String {
    let mut letters = reason.chars().map(|letter| if letter == '_' { ' ' } else { letter });
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

fn form(here: &str) -> Markup {
    html! {
        h2 { "Mended rows" }
        p { "They become an edition of your own on top of this one. What the file does not name stays as it is, and a packet on a mended row says who mended it and why. The publisher's next edition replaces it." }
        form.tall method="post" action={ (here) "/mends" } enctype="multipart/form-data" {
            label { "Who mended them, as named in packets" input name="by" required maxlength=(NAME_CHARACTERS); }
            label { "Why they read as they do" input name="reason" required maxlength=(REASON_CHARACTERS); }
            label { "The mended rows with their header" input type="file" name="file" required; }
            div { button { "Take the mended rows in" } }
        }
    }
}

/// Takes mended rows in and leads to their job.
pub(super) async fn take(
    State(app): State<App>,
    guest: Guest,
    Path((id, n)): Path<(String, i64)>,
    mut form: Multipart,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let (source, edition) = loaded(&app, &id, n).await?;
    if let Some(why) = not_mended(&edition) {
        return Err(Problem::new(Kind::Conflict, why).into());
    }
    let (mut by, mut reason) = (String::new(), String::new());
    while let Some(field) = in_idle(&app, form.next_field()).await? {
        match field.name().unwrap_or_default() {
            "by" => by = text(&app, field).await?,
            "reason" => reason = text(&app, field).await?,
            "file" => {
                check_note(&by, &reason)?;
                let name = field.file_name().unwrap_or("mended").replace(['/', '\\', '\0'], "_");
                let file = arrived(&app, field).await?;
                // what arrived whole is staged whole, also when the browser goes away
                let who = guest.0.clone();
                let staging = tokio::spawn(async move {
                    let note = MendNote { mended_by: by.trim(), reason: reason.trim() };
                    stage(&app, &source, n, (&name, file), note, &who).await
                });
                let broken_off =
                    |_| Problem::new(Kind::Internal, "the rows were not staged: send them again");
                let to = match staging.await.map_err(broken_off)?? {
                    EditionArrival::Staged { job, .. } => format!("/jobs/{job}"),
                    EditionArrival::Known { .. } => "/uploads".to_owned(),
                };
                return Ok(Redirect::to(&to).into_response());
            }
            _ => {}
        }
    }
    Err(Problem::wrong("/file", "there is no file in the form", "choose the file of mended rows").into())
}

/// Sends the rows to be mended.
pub(super) async fn rows(
    State(app): State<App>,
    guest: Guest,
    path: crate::http::extract::P<(String, i64)>,
    query: crate::http::extract::Q<crate::api::quarantine::RowsQuery>,
) -> Result<Response, Fail> {
    Ok(crate::api::quarantine::get_rows_to_mend(State(app), guest.0, path, query).await?)
}

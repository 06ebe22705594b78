//! Sets: what is gathering, what is missing, and for the operator the missing files and the set's end.

use std::path::Path as FilePath;

use axum::Form;
use axum::extract::{Multipart, Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_store::edition_set::EditionSet;
use crossfoot_store::source::{EditionArrival, EditionNotes, RollStatus, Source};
use maud::{Markup, html};
use serde::Deserialize;

use super::edition::edition_path;
use super::layout::{Fail, Guest, as_segment, page};
use super::state::moment;
use super::uploads::{arrived, in_idle, text};
use crate::api::sets::{day, names_fit};
use crate::http::App;
use crate::http::problem::{Kind, Problem};

/// Shows the sets of all sources that are gathering.
pub(super) async fn show(State(app): State<App>, guest: Guest) -> Result<Response, Fail> {
    let sources = app.store.source_list().await?;
    let operator = guest.0.operator().is_ok();
    let mut gathering = Vec::new();
    for source in &sources {
        for set in app.store.edition_sets_open(source).await? {
            gathering.push(one(source, &set, operator));
        }
    }
    let body = html! {
        h1 { "Sets" }
        p { "Files that make one edition together and come one by one. A set becomes an edition when all its files are here." }
        @if gathering.is_empty() { p { "No set is gathering." } }
        @for set in &gathering { (set) }
        @if operator { (begin_form(&sources)) }
        p { a href="/uploads" { "Back to the uploads" } }
    };
    Ok(page(&guest, "Sets", "/uploads", &body))
}

fn one(source: &Source, set: &EditionSet, operator: bool) -> Markup {
    let here = format!("/sources/{}/sets/{}", as_segment(&source.id), set.number);
    let missing = set.missing();
    html! {
        section {
            h2 { bdi { (source.id) } ", set " (set.number) }
            @if set.overdue {
                p.warn { "It is overdue since " (moment(set.due_at)) ": send what is missing, or give it up." }
            }
            p {
                "Begun on " (moment(set.begun_at)) ", "
                @if !set.overdue { "due by " (moment(set.due_at)) ", " }
                "given up by itself on " (moment(set.expires_at)) "."
                @if set.mixed { " Its files may be of different days." }
            }
            p { @if missing.is_empty() { "All " (set.expected.len()) " files are here." } @else { (missing.len()) " of " (set.expected.len()) " files are missing." } }
            (files(set))
            @if operator {
                @if !missing.is_empty() { (put_form(&here, set)) }
                form.line method="post" action=(here) {
                    @if missing.is_empty() { button name="what" value="complete" { "Make it an edition" } }
                    button.quiet name="what" value="give_up" { "Give the set up" }
                }
            } @else if !missing.is_empty() { p { "The operator of the installation sends what is missing." } }
        }
    }
}

fn files(set: &EditionSet) -> Markup {
    html! {
        table.wide {
            thead { tr { th scope="col" { "File" } th scope="col" { "Here" } th.n scope="col" { "Bytes" } th scope="col" { "Figures as of" } th scope="col" { "SHA-256" } } }
            tbody { @for name in &set.expected {
                @match set.files.iter().find(|(file, _)| file.name == *name) {
                    Some((file, as_of)) => tr {
                        td.head dir="auto" { (name) }
                        td data-l="Here" { "here" }
                        td.n data-l="Bytes" { (file.bytes) }
                        td data-l="Figures as of" { (if as_of.is_empty() { "not stated" } else { as_of }) }
                        td data-l="SHA-256" { code { (file.sha256) } }
                    },
                    None => tr { td.head dir="auto" { (name) } td data-l="Here" { strong.state { "missing" } } td.no {} td.no {} td.no {} },
                }
            } }
        }
    }
}

fn put_form(here: &str, set: &EditionSet) -> Markup {
    html! {
        form.tall method="post" action={ (here) "/files" } enctype="multipart/form-data" {
            label { "Which file" select name="name" { @for name in set.missing() { option value=(name) { (name) } } } }
            label { "Day that its figures are of, where stated" input type="date" name="as_of"; }
            label { "The file, as published" input type="file" name="file" required; }
            div { button { "Send the file" } }
        }
    }
}

fn begin_form(sources: &[Source]) -> Markup {
    html! {
        h2 { "Begin a set" }
        @if sources.is_empty() { p { "No source is here yet: the first edition of one brings it." } } @else {
            form.tall method="post" action="/sets" {
                label { "Source" select name="source" { @for source in sources { option { (source.id) } } } }
                label { "Names of its files, one a line" textarea name="files" rows="4" required {} }
                label { "Year of the roll" input type="number" name="roll_year" min="1500" max="2200"; }
                label { "Status" select name="status" {
                    @for status in RollStatus::ALL { option value=(status.name()) selected[status == RollStatus::NotStated] { (status.name()) } }
                } }
                label { "Days of the files" select name="mixed" { option value="" { "one and the same" } option value="yes" { "may differ" } } }
                div { button { "Begin to gather" } }
            }
        }
    }
}

/// A set to be begun.
#[derive(Debug, Deserialize)]
pub(super) struct Begin {
    source: String,
    files: String,
    #[serde(default)]
    roll_year: String,
    #[serde(default)]
    status: String,
    #[serde(default)]
    mixed: String,
}

/// Begins a set.
pub(super) async fn begin(
    State(app): State<App>,
    guest: Guest,
    Form(form): Form<Begin>,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let source = app.store.source_by_id(&form.source).await?;
    let files: Vec<String> =
        form.files.lines().map(str::trim).filter(|name| !name.is_empty()).map(str::to_owned).collect();
    let layout = app.store.source_layout(source.number).await?;
    if let Err((what, mend)) = names_fit(&files, layout.as_ref()) {
        return Err(Problem::wrong("/files", what, mend).into());
    }
    let roll_year = match form.roll_year.trim() {
        "" => None,
        year => match year.parse::<i32>().ok().filter(|year| (1500..=2200).contains(year)) {
            Some(year) => Some(year),
            None => {
                let what = "it is no year between 1500 and 2200";
                return Err(Problem::wrong("/roll_year", what, "give the year, or leave it empty").into());
            }
        },
    };
    let status = RollStatus::from_name(&form.status).unwrap_or_default();
    let notes = EditionNotes { roll_year, status, as_of: String::new() };
    app.store.edition_set_begin(&source, &files, form.mixed == "yes", &notes, &guest.0.0).await?;
    Ok(Redirect::to("/sets").into_response())
}

/// Takes a file of a set.
pub(super) async fn put(
    State(app): State<App>,
    guest: Guest,
    Path((id, number)): Path<(String, i64)>,
    mut form: Multipart,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let set = app.store.edition_set(&source, number).await?;
    let (mut name, mut as_of) = (String::new(), String::new());
    while let Some(field) = in_idle(&app, form.next_field()).await? {
        match field.name().unwrap_or_default() {
            "name" => name = text(&app, field).await?,
            "as_of" => {
                as_of = day(text(&app, field).await?.trim()).ok_or_else(|| {
                    Problem::wrong(
                        "/as_of",
                        "it is no day",
                        "write one such as 2026-01-01, or leave it empty",
                    )
                })?;
            }
            "file" => {
                // before the bytes come: what is not expected is not kept
                if !set.expected.contains(&name) {
                    let expected = format!("choose one of {}", set.expected.join(", "));
                    return Err(Problem::wrong("/name", "the set does not expect it", &expected).into());
                }
                let file = arrived(&app, field).await?;
                // what arrived whole is kept whole, also when the browser goes away
                let keeping = tokio::spawn(async move {
                    let file = tokio::fs::File::from_std(file);
                    let kept = app.store.object_keep_file(FilePath::new(&name), file).await?;
                    app.store.edition_set_put(&source, number, &kept, &as_of).await
                });
                let lost = |_| Problem::new(Kind::Internal, "the file was not kept: send it again");
                keeping.await.map_err(lost)??;
                return Ok(Redirect::to("/sets").into_response());
            }
            _ => {}
        }
    }
    Err(Problem::wrong("/file", "there is no file in the form", "choose the file").into())
}

/// What becomes of a set.
#[derive(Debug, Deserialize)]
pub(super) struct End {
    what: String,
}

/// Completes a set and leads to the job that loads it, or gives it up.
pub(super) async fn end(
    State(app): State<App>,
    guest: Guest,
    Path((id, number)): Path<(String, i64)>,
    Form(form): Form<End>,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let by = &guest.0.0;
    let to = match form.what.as_str() {
        "complete" => {
            let Some(layout) = app.store.source_layout(source.number).await? else {
                let what = "the source has no layout: hand one file in with its layout first";
                return Err(Problem::new(Kind::Conflict, what).into());
            };
            match app.store.edition_set_complete(&source, number, &layout, by).await? {
                EditionArrival::Staged { job, .. } => format!("/jobs/{job}"),
                EditionArrival::Known { edition, .. } => edition_path(&source.id, edition),
            }
        }
        "give_up" => {
            app.store.edition_set_give_up(&source, number, by).await?;
            "/sets".to_owned()
        }
        _ => return Err(Problem::wrong("/what", "it is no decision", "use the buttons of the page").into()),
    };
    Ok(Redirect::to(&to).into_response())
}

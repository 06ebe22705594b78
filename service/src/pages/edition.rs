//! One edition of a source: what came of it, why it is held, what it changed, and what a person may do about it.

use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_store::history::ChangeEntry;
use crossfoot_store::office::Role;
use crossfoot_store::source::Edition;
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, page};
use super::state::state;
use crate::http::App;
use crate::http::extract::{Paging, cursor};
use crate::http::problem::Problem;

/// Changes of a page.
const LINES: u32 = 50;
/// Characters of a reason.
const REASON_CHARACTERS: usize = 1000;

/// Where the list of changes begins.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Place {
    cursor: Option<String>,
}

/// Shows an edition, named by the number of its source and its own.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path((source, number)): Path<(i64, i64)>,
    Query(place): Query<Place>,
) -> Result<Response, Fail> {
    let operator = guest.0.operator().is_ok();
    if !operator {
        guest.0.office(&[Role::Review, Role::Consult])?;
    }
    let source = app.store.source_by_number(source).await?;
    let edition = app.store.edition(source.number, number).await?;
    let paging = Paging { cursor: place.cursor, limit: Some(LINES) };
    let after: i64 = paging.place()?.unwrap_or_default();
    let changes = app.store.change_page(&source, number, after, paging.limit()).await?;
    let next = changes.last().filter(|_| paging.full(changes.len())).map(|last| cursor(&last.record));
    let body = html! {
        h1 { bdi { (source.id) } ", edition " (number) }
        p role="status" {
            (state(&edition.state)) ", " (edition.status)
            @if let Some(year) = edition.roll_year { ", roll of " (year) }
        }
        (why(&edition))
        @if operator { (decide(source.number, &edition)) }
        (counts(&edition))
        h2 { "Changes against the edition before" }
        @if changes.is_empty() { p { "None is listed: a first edition changes nothing, and of one out of use none is kept." } } @else { (list(&changes)) }
        @if let Some(next) = next { p.more { a href={ "/editions/" (source.number) "/" (number) "?cursor=" (next) } { "Next page" } } }
        p { a href="/uploads" { "Back to the uploads" } }
    };
    Ok(page(&guest, &format!("Edition {number}"), "/uploads", &body))
}

fn why(edition: &Edition) -> Markup {
    html! {
        @if edition.state == "held" {
            p { "It is held for a person and not in use:" }
            ul.warn { @for reason in &edition.held_for { li dir="auto" { (reason.sentence) } } }
        } @else if !edition.refusal.is_empty() {
            p.warn dir="auto" { (edition.refusal) }
        }
    }
}

fn decide(source: i64, edition: &Edition) -> Markup {
    html! {
        @if matches!(edition.state.as_str(), "held" | "current") {
            form.line method="post" action={ "/editions/" (source) "/" (edition.number) } {
                label { "Reason" input name="reason" maxlength=(REASON_CHARACTERS); }
                @if edition.state == "held" {
                    button name="what" value="accept" { "Accept" }
                    button.quiet name="what" value="refuse" { "Give up" }
                } @else {
                    button.quiet name="what" value="withdraw" { "Withdraw" }
                }
            }
        }
    }
}

fn counts(edition: &Edition) -> Markup {
    let c = &edition.counts;
    html! {
        dl {
            dt { "Files" } dd { ul { @for file in &edition.files { li dir="auto" { (file.name) " " code { (file.sha256) } } } } }
            dt { "Rows" } dd { (c.rows_total) ", " (c.rows_repeated) " repeated, " (c.rows_rejected) " in quarantine" }
            dt { "Records" } dd { (c.rows_entered) }
            dt { "Appeared" } dd { (c.records_new) }
            dt { "Changed" } dd { (c.records_changed) }
            dt { "Gone" } dd { (c.records_ended) }
            dt { "As before" } dd { (c.records_unchanged) }
        }
    }
}

fn list(changes: &[ChangeEntry]) -> Markup {
    let or_none = |text: &Option<String>| text.clone().unwrap_or_else(|| "not stated".to_owned());
    html! {
        table {
            thead { tr { th scope="col" { "Parcel key" } th scope="col" { "What" } th scope="col" { "Fields" } } }
            tbody {
                @for change in changes {
                    tr {
                        td dir="auto" { (change.parcel_key) }
                        td data-l="What" { (match change.what.as_str() { "new" => "appeared", "ended" => "gone", other => other }) }
                        td data-l="Fields" dir="auto" {
                            @for field in &change.fields { div { (field.field) ": " bdi { (or_none(&field.from)) } " → " bdi { (or_none(&field.to)) } } }
                        }
                    }
                }
            }
        }
    }
}

/// What a person decides.
#[derive(Debug, Deserialize)]
pub(super) struct Decision {
    what: String,
    #[serde(default)]
    reason: String,
}

/// Carries a decision out.
pub(super) async fn take(
    State(app): State<App>,
    guest: Guest,
    Path((source, number)): Path<(i64, i64)>,
    Form(decision): Form<Decision>,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let reason = decision.reason.trim();
    if reason.chars().count() > REASON_CHARACTERS || reason.contains('\0') {
        return Err(Problem::wrong("/reason", "it is longer than 1,000 characters", "say it shorter").into());
    }
    let found = app.store.source_by_number(source).await?;
    let by = &guest.0.0;
    match decision.what.as_str() {
        "accept" => {
            app.store.edition_accept(&found, number, by).await?;
            app.store.compaction_ask_when_due(&found).await?;
        }
        "refuse" => app.store.edition_reject(&found, number, by, reason).await?,
        "withdraw" => app.store.edition_withdraw(&found, number, by, reason).await?,
        _ => return Err(Problem::wrong("/what", "it is no decision", "use the buttons of the page").into()),
    }
    Ok(Redirect::to(&format!("/editions/{source}/{number}")).into_response())
}

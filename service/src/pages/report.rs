//! What happened in a night, as a page.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::edition::edition_path;
use super::layout::{Fail, Guest, office, page};
use super::state::moment_of;
use crate::api::report::{READERS, Since, night};
use crate::http::App;
use crate::http::extract::Q;
use crate::night::{EditionNight, Night, edition_line, run_line};

/// Shows the last night, or everything since a moment.
pub(super) async fn show(State(app): State<App>, guest: Guest, Q(since): Q<Since>) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let night = night(&app, office, &since).await?;
    Ok(page(&guest, "What happened", "/report", &body(&night)))
}

fn body(night: &Night) -> Markup {
    html! {
        h1 { "What happened" }
        p { "Since " (moment_of(&night.since)) ", until " (moment_of(&night.until)) "." }
        @for source in &night.sources {
            h2 dir="auto" { (source.source) }
            ul {
                @if source.editions.is_empty() { li { "no edition came" } }
                @if let Some(due) = source.due_at.as_ref().filter(|_| source.overdue) { li { "overdue: an edition was due at " (moment_of(due)) } }
                @for edition in &source.editions { (edition_item(&source.source, edition)) }
                @for run in &source.runs { li { a href="/runs" { (run_line(run)) } } }
            }
        }
        @if !night.failures.is_empty() {
            h2 { "Failed" }
            ul { @for failure in &night.failures {
                li dir="auto" { (moment_of(&failure.at)) " " (failure.kind.replace('_', " ")) @if let Some(source) = &failure.source { " of " (source) } ": " (failure.reason) }
            } }
        }
        h2 { "Schedules" }
        @if night.schedules.is_empty() { p { "Nothing is done by itself yet: " code { "crossfoot schedule add" } " on the host sets it up." } }
        ul { @for schedule in &night.schedules {
            li dir="auto" {
                (schedule.kind.replace('_', " ")) @if let Some(source) = &schedule.source { " of " (source) }
                ", " code { (schedule.cron) } " " (schedule.time_zone) "; next at " (moment_of(&schedule.next_at))
                @if let Some(last) = &schedule.last_at { "; last at " (moment_of(last)) ": " (schedule.last_result) }
            }
        } }
        @if !night.notices.is_empty() {
            h2 { "Notices" }
            ul { @for notice in &night.notices { li dir="auto" { (moment_of(&notice.at)) ", " (notice.kind.replace('_', " ")) ": " (notice.detail) } } }
        }
    }
}

/// An edition with what is worth telling of its files; all of it stands on its own page.
fn edition_item(source: &str, edition: &EditionNight) -> Markup {
    let here = edition_path(source, edition.edition);
    let (remarks, more) = edition.first_remarks();
    html! {
        li dir="auto" {
            a href=(here) { (edition_line(edition)) }
            @if !remarks.is_empty() {
                ul {
                    @for remark in remarks { li dir="auto" { (remark) } }
                    @if more > 0 { li { a href=(here) { (more) " more" } " on the page of edition " (edition.edition) } }
                }
            }
        }
    }
}

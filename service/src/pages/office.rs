//! Matches that a person must settle, and the runs and notices of the office.

use axum::Form;
use axum::extract::{Query, State};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_store::office::Role;
use crossfoot_store::queue::PairView;
use crossfoot_store::run::RunView;
use crossfoot_store::settle::Verdict;
use maud::{Markup, html};
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::edition::edition_path;
use super::layout::{Fail, Guest, office, page};
use super::state::{moment, state};
use crate::api::findings::READERS;
use crate::http::App;
use crate::http::extract::{Paging, cursor};
use crate::http::problem::Problem;

/// Lines of a page.
const LINES: i64 = 50;
/// Characters of a note.
const NOTE_CHARACTERS: usize = 1000;

/// Where the lists of a page begin.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Places {
    cursor: Option<String>,
    notices: Option<String>,
}

fn place<T: DeserializeOwned + Default>(cursor: Option<&String>) -> Result<T, Problem> {
    let paging = Paging { cursor: cursor.cloned(), limit: None };
    Ok(paging.place()?.unwrap_or_default())
}

fn full(items: usize) -> bool {
    i64::try_from(items).is_ok_and(|n| n >= LINES)
}

fn further(path: &str, name: &str, next: Option<&String>, words: &str) -> Markup {
    html! { @if let Some(next) = next { p.more { a href={ (path) "?" (name) "=" (next) } { (words) } } } }
}

/// Shows the matches to settle. What is settled leaves the page, so that the next ones move up.
pub(super) async fn matches(
    State(app): State<App>,
    guest: Guest,
    Query(places): Query<Places>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let (property, source): (String, i64) = place(places.cursor.as_ref())?;
    let held = app.store.held_page(office, (&property, source), LINES).await?;
    let next = held.last().filter(|_| full(held.len()));
    let next = next.map(|last| cursor(&(&last.property, last.source_number)));
    let may_settle = guest.0.office(&[Role::Review]).is_ok();
    let mut cards = Vec::with_capacity(held.len());
    for pair in &held {
        let source = app.store.source_by_number(pair.source_number).await?;
        let keys = std::slice::from_ref(&pair.parcel_key);
        let records = app.store.record_by_keys(&source, keys).await?;
        let situs = records.into_iter().next().map(|record| record.situs).unwrap_or_default();
        cards.push(card(pair, &situs, may_settle));
    }
    let body = html! {
        h1 { "Held matches" }
        p { "The parcel number leads to a record, and something speaks against it. Say whether both are the same property; the answer is kept for later editions." }
        @if cards.is_empty() { p { "Nothing is held." } }
        @for card in &cards { (card) }
        (further("/matches", "cursor", next.as_ref(), "Next page"))
    };
    Ok(page(&guest, "Held matches", "/matches", &body))
}

fn card(pair: &PairView, situs: &str, may_settle: bool) -> Markup {
    html! {
        section {
            h2 { a href={ "/properties/" (pair.property) } { bdi { (pair.reference) } } " and " (pair.source) }
            div.sides {
                dl { dt { "Office" } dd dir="auto" { (pair.address) } dt { "Parcel" } dd dir="auto" { (pair.parcel) } }
                dl { dt { "Record" } dd dir="auto" { (situs) } dt { "Parcel key" } dd { (pair.parcel_key) } }
            }
            p dir="auto" { (pair.conflict) }
            @if may_settle {
                form.line method="post" action="/matches" {
                    input type="hidden" name="property" value=(pair.property);
                    input type="hidden" name="source" value=(pair.source_number);
                    label { "Note" input name="note" maxlength=(NOTE_CHARACTERS); }
                    button name="verdict" value="same" { "Same property" }
                    button.quiet name="verdict" value="other" { "Another property" }
                }
            }
        }
    }
}

/// What is said about a match.
#[derive(Debug, Deserialize)]
pub(super) struct Settle {
    property: String,
    source: i64,
    verdict: String,
    #[serde(default)]
    note: String,
}

/// Settles a match.
pub(super) async fn settle(
    State(app): State<App>,
    guest: Guest,
    Form(form): Form<Settle>,
) -> Result<Response, Fail> {
    let office = office(&guest, &[Role::Review])?;
    let verdict = Verdict::from_name(&form.verdict)
        .ok_or_else(|| Problem::wrong("/verdict", "not a verdict", "use the buttons of the page"))?;
    let note: String = form.note.replace('\0', "").chars().take(NOTE_CHARACTERS).collect();
    app.store.match_settle(office, &form.property, form.source, verdict, &note, &guest.0.0).await?;
    Ok(Redirect::to("/matches").into_response())
}

/// Shows runs and notices.
pub(super) async fn runs(
    State(app): State<App>,
    guest: Guest,
    Query(places): Query<Places>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let runs = app.store.run_page(office, &place::<String>(places.cursor.as_ref())?, LINES).await?;
    let notices = app.store.notice_page(office, &place::<String>(places.notices.as_ref())?, LINES).await?;
    let next_run = runs.last().filter(|_| full(runs.len())).map(|(run, ..)| cursor(&run.id));
    let next_notice = notices.last().filter(|_| full(notices.len())).map(|notice| cursor(&notice.id));
    let sources = app.store.source_list().await?;
    let may_start = guest.0.office(&[Role::Review, Role::Batch]).is_ok();
    let body = html! {
        h1 { "Runs and notices" }
        @if may_start && !sources.is_empty() {
            form.line method="post" action="/runs" {
                label { "Source" select name="source" { @for source in &sources { option { (source.id) } } } }
                button { "Compare now" }
            }
        }
        h2 { "Runs" }
        @if runs.is_empty() { p { "No run yet." } } @else {
            table {
                thead { tr {
                    th scope="col" { "Source" } th.n scope="col" { "Judged" } th.n scope="col" { "Opened" }
                    th.n scope="col" { "Revised" } th scope="col" { "Closed, why" } th scope="col" { "State" } th scope="col" { "Began" }
                } }
                tbody { @for (run, began, _) in &runs { (line(run, *began, may_start)) } }
            }
        }
        (further("/runs", "cursor", next_run.as_ref(), "Earlier runs"))
        h2 { "Notices" }
        @if notices.is_empty() { p { "No notice yet." } }
        ul { @for notice in &notices { li { (moment(notice.at)) ", " (notice.kind.replace('_', " ")) ": " span dir="auto" { (notice.detail) } } } }
        (further("/runs", "notices", next_notice.as_ref(), "Earlier notices"))
    };
    Ok(page(&guest, "Runs and notices", "/runs", &body))
}

fn line(run: &RunView, began: i64, may_start: bool) -> Markup {
    html! {
        tr {
            td { a href=(edition_path(&run.source, run.edition)) { (run.source) ", edition " (run.edition) } }
            td.n data-l="Judged" { (run.counts.judged()) }
            td.n data-l="Opened" { (run.counts.opened + run.counts.reopened) }
            td.n data-l="Revised" { (run.counts.revised) }
            td data-l="Closed" {
                @if run.counts.closed.is_empty() { "none" }
                @for (reason, n) in &run.counts.closed { div { (n) " " (reason.replace('_', " ")) } }
            }
            td data-l="State" {
                (state(&run.state))
                @if run.state == "held" && may_start {
                    form method="post" action="/runs" {
                        input type="hidden" name="source" value=(run.source);
                        input type="hidden" name="release" value="yes";
                        button { "Release" }
                    }
                }
            }
            td data-l="Began" { (moment(began)) " (" (run.cause) ")" }
        }
    }
}

/// Which run is asked for.
#[derive(Debug, Deserialize)]
pub(super) struct Start {
    source: String,
    #[serde(default)]
    release: String,
}

/// Asks for a run, or releases a held one.
pub(super) async fn start_run(
    State(app): State<App>,
    guest: Guest,
    Form(form): Form<Start>,
) -> Result<Response, Fail> {
    let office = office(&guest, &[Role::Review, Role::Batch])?;
    let source = app.store.source_by_id(&form.source).await?;
    let job = app.store.run_request(office, &source, form.release == "yes").await?;
    Ok(Redirect::to(&format!("/jobs/{job}")).into_response())
}

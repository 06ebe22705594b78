//! One edition of a source: what was received, what it did to the records, what the file says about itself, its
//! quarantine, why it is held, and what a person may do about it.

use std::collections::BTreeMap;

use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_store::LogEntry;
use crossfoot_store::history::ChangeEntry;
use crossfoot_store::listing::EditionEntry;
use crossfoot_store::mend::Mend;
use crossfoot_store::office::Role;
use crossfoot_store::source::{Edition, Source};
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, as_segment, page};
use super::quarantine::capital;
use super::state::{moment, state};
use crate::api::editions::found;
use crate::api::quarantine::{may_read, not_mended, not_opened};
use crate::edition_words::{SelfReport, sentence};
use crate::http::App;
use crate::http::extract::{Paging, cursor};
use crate::http::problem::Problem;

/// Changes of a page.
const LINES: u32 = 50;
/// Characters of a reason.
const REASON_CHARACTERS: usize = 1000;

/// The page of an edition.
pub(super) fn edition_path(source: &str, number: i64) -> String {
    format!("/sources/{}/editions/{number}", as_segment(source))
}

/// Where the list of changes begins.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Place {
    cursor: Option<String>,
}

/// Leads from where an edition was before.
pub(super) async fn moved(
    State(app): State<App>,
    _guest: Guest,
    Path((source, number)): Path<(i64, i64)>,
) -> Result<Response, Fail> {
    let source = app.store.source_by_number(source).await?;
    Ok(Redirect::permanent(&edition_path(&source.id, number)).into_response())
}

/// What the page shows.
struct Shown {
    source: Source,
    edition: Edition,
    entry: EditionEntry,
    mend: Option<Mend>,
    decisions: Vec<LogEntry>,
    rejects: BTreeMap<String, i64>,
    report: Option<SelfReport>,
}

impl Shown {
    async fn read(app: &App, id: &str, number: i64) -> Result<Shown, Problem> {
        let (source, entry) = found(app, id, number).await?;
        let edition = app.store.edition(source.number, number).await?;
        // a source of which nothing ever came into use has no quarantine yet
        let rejects = match source.current_edition {
            Some(_) => app.store.reject_counts(&source, number).await?,
            None => BTreeMap::new(),
        };
        Ok(Shown {
            entry,
            mend: app.store.mend(source.number, number).await?,
            decisions: app.store.edition_decisions(&source, number).await?,
            rejects,
            report: SelfReport::read(&app.store, &edition).await?,
            source,
            edition,
        })
    }
}

/// Shows an edition, named by its source and its number.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path((id, number)): Path<(String, i64)>,
    Query(place): Query<Place>,
) -> Result<Response, Fail> {
    let shown = Shown::read(&app, &id, number).await?;
    let (source, edition) = (&shown.source, &shown.edition);
    let operator = guest.0.operator().is_ok();
    let here = edition_path(&source.id, number);
    // what an edition did to single records is for those who read records
    let changes = if operator || guest.0.office(&[Role::Review, Role::Consult]).is_ok() {
        Some(changes(&app, source, number, place, &here).await?)
    } else {
        None
    };
    let body = html! {
        h1 { bdi { (source.id) } ", edition " (number) }
        @if !source.title.is_empty() { p.soft dir="auto" { (source.title) } }
        p role="status" {
            (state(&edition.state)) ", " (status_words(&edition.status))
            @if let Some(year) = edition.roll_year { ", roll of " (year) }
        }
        (why(edition))
        (decided(&shown.decisions))
        @if operator { (decide(&here, edition)) }
        h2 { "What was received" }
        (received(&shown))
        h2 { "What it did to the records" }
        (counts(edition))
        h2 { "Quarantine" }
        (quarantine(&shown, &here, may_read(&guest.0).is_ok()))
        h2 { "What the file says about itself" }
        (says(&shown))
        @if let Some(changes) = changes { h2 { "Changes against the edition before" } (changes) }
        p { a href="/uploads" { "Back to the uploads" } }
    };
    Ok(page(&guest, &format!("{}, edition {number}", source.id), "/uploads", &body))
}

/// How final the roll is, behind a state.
fn status_words(status: &str) -> String {
    let words = status.replace('_', " ");
    if words == "not stated" { "status not stated".to_owned() } else { words }
}

fn why(edition: &Edition) -> Markup {
    let held = edition.state == "held";
    html! {
        @if !edition.held_for.is_empty() {
            p { (if held { "It is held for a person and not in use:" } else { "It was held for a person:" }) }
            ul.warn[held] { @for reason in &edition.held_for { li dir="auto" { (sentence(&reason.sentence)) } } }
        }
        @if !held && !edition.refusal.is_empty() { p.warn dir="auto" { (sentence(&edition.refusal)) } }
    }
}

/// What persons decided about it. Who is told by the log of the installation: labels of keys stay with their office.
fn decided(decisions: &[LogEntry]) -> Markup {
    html! {
        @for decision in decisions {
            p {
                (capital(decision.action.trim_start_matches("edition_"))) " on " (moment(decision.at))
                @if decision.detail.is_empty() { ", without a reason." } @else { ": " span dir="auto" { (decision.detail) } }
            }
        }
    }
}

fn decide(here: &str, edition: &Edition) -> Markup {
    html! {
        @if matches!(edition.state.as_str(), "held" | "current") {
            form.line method="post" action=(here) {
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

fn received(shown: &Shown) -> Markup {
    let edition = &shown.edition;
    html! {
        dl {
            dt { "Received" } dd { (moment(shown.entry.received_at)) }
            dt { "Year of the roll" } dd { (edition.roll_year.map_or("not stated".to_owned(), |year| year.to_string())) }
            dt { "Status" } dd { (edition.status.replace('_', " ")) }
            @if !edition.as_of.is_empty() { dt { "Figures as of" } dd { (edition.as_of) } }
            dt { "Area counts" } dd { (edition.layout.basis) }
            dt { "Layout" } dd dir="auto" { (edition.layout.id) ", version " code { (edition.layout.version()) } }
        }
        @if let Some(mend) = &shown.mend {
            p.warn dir="auto" {
                "Its rows are not as published: " (mend.mended_by) " mended rows of edition " (mend.mends) " on "
                (moment(mend.mended_at)) ": " (mend.reason)
            }
        }
        table {
            thead { tr { th scope="col" { "File" } th.n scope="col" { "Bytes" } th scope="col" { "SHA-256" } } }
            tbody { @for file in &edition.files { tr {
                td dir="auto" { (file.told()) }
                td.n data-l="Bytes" { (file.bytes) }
                td data-l="SHA-256" { code { (file.sha256) } }
            } } }
        }
    }
}

fn counts(edition: &Edition) -> Markup {
    let c = &edition.counts;
    html! {
        dl {
            dt { "Rows read" } dd { (c.rows_total) ", " (c.rows_repeated) " of them repeated" }
            dt { "Records" } dd { (c.rows_entered) }
            dt { "Appeared" } dd { (c.records_new) }
            dt { "Changed" } dd { (c.records_changed) }
            dt { "Gone" } dd { (c.records_ended) }
            dt { "As before" } dd { (c.records_unchanged) }
        }
    }
}

fn quarantine(shown: &Shown, here: &str, may_read: bool) -> Markup {
    let edition = &shown.edition;
    let opened = may_read && not_opened(&shown.source, edition).is_none();
    let refused = not_mended(edition);
    html! {
        @if edition.counts.rows_rejected == 0 { p { "No row is in quarantine." } } @else {
            p { (edition.counts.rows_rejected) " of " (edition.counts.rows_total) " rows are in quarantine." }
            ul { @for (reason, rows) in &shown.rejects { li { (capital(reason)) ": " (rows) } } }
            @if let Some(why) = &refused { p { (sentence(why)) } }
            @if opened { p { a href={ (here) "/quarantine" } {
                (if refused.is_none() { "See why, and mend the rows" } else { "See why they were set aside" })
            } } }
        }
    }
}

fn says(shown: &Shown) -> Markup {
    let Some(report) = &shown.report else {
        return html! { p { (match shown.edition.state.as_str() {
            "staged" => "It is told once the file was read.",
            _ => "Nothing is kept: the file was not read, or by a version that did not keep it.",
        }) } };
    };
    let remarks = &report.check.remarks;
    html! {
        @if !remarks.is_empty() {
            p { "Worth looking at:" }
            ul { @for remark in remarks { li dir="auto" { (sentence(&remark.sentence)) } } }
        }
        dl.said {
            @for said in report.said(&shown.edition) {
                dt { (said.about) }
                dd { @for sentence in &said.sentences { p dir="auto" { (sentence) } } }
            }
        }
    }
}

/// A page of what the edition changed, record by record.
async fn changes(
    app: &App,
    source: &Source,
    number: i64,
    place: Place,
    here: &str,
) -> Result<Markup, Problem> {
    let paging = Paging { cursor: place.cursor, limit: Some(LINES) };
    let after: i64 = paging.place()?.unwrap_or_default();
    let changes = app.store.change_page(source, number, after, paging.limit()).await?;
    let next = changes.last().filter(|_| paging.full(changes.len())).map(|last| cursor(&last.record));
    Ok(html! {
        @if changes.is_empty() { p { "None is listed: a first edition changes nothing, and of one out of use none is kept." } } @else { (list(&changes)) }
        @if let Some(next) = next { p.more { a href={ (here) "?cursor=" (next) } { "Next page" } } }
    })
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
                        td.no[change.fields.is_empty()] data-l="Fields" dir="auto" {
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
    Path((id, number)): Path<(String, i64)>,
    Form(decision): Form<Decision>,
) -> Result<Response, Fail> {
    guest.0.operator()?;
    let reason = decision.reason.trim();
    if reason.chars().count() > REASON_CHARACTERS || reason.contains('\0') {
        return Err(Problem::wrong("/reason", "it is longer than 1,000 characters", "say it shorter").into());
    }
    let source = app.store.source_by_id(&id).await?;
    let by = &guest.0.0;
    match decision.what.as_str() {
        "accept" => {
            app.store.edition_accept(&source, number, by).await?;
            app.store.compaction_ask_when_due(&source).await?;
        }
        "refuse" => app.store.edition_reject(&source, number, by, reason).await?,
        "withdraw" => app.store.edition_withdraw(&source, number, by, reason).await?,
        _ => return Err(Problem::wrong("/what", "it is no decision", "use the buttons of the page").into()),
    }
    Ok(Redirect::to(&edition_path(&source.id, number)).into_response())
}

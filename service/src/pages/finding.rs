//! One finding: what is found, both sides, the match, the computation, the parts, the history, and the decision.

use axum::Form;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_audit::area::Area;
use crossfoot_audit::document::reread;
use crossfoot_audit::judge::explain::{CAUTION, Step, explain, probability};
use crossfoot_store::finding::Decided;
use crossfoot_store::office::Role;
use crossfoot_store::queue::{FindingEvent, PairView};
use crossfoot_worker::{Rejudged, rejudge};
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, office, page};
use super::mark::{interval_95, mark, words};
use super::property::{not_as_published, or_none};
use super::queue::effect;
use super::state::{moment, state};
use super::statement::statement;
use crate::api::findings::{DecisionRequest, READERS, StateName, found};
use crate::api::packets;
use crate::http::App;
use crate::http::problem::{Kind, Problem};

/// Shows a finding.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path(id): Path<String>,
) -> Result<Response, Fail> {
    sheet(&app, &guest, &id, None).await
}

async fn sheet(app: &App, guest: &Guest, id: &str, notice: Option<&str>) -> Result<Response, Fail> {
    let office = office(guest, &READERS)?;
    let pair = found(app, office, id).await?;
    let history = app.store.finding_history(office, id).await?;
    let again = rejudge(&app.store, app.worker.standards(), office, &pair).await;
    let document = app.store.measurement_document(office, &pair.property, pair.measurement_version).await?;
    let standard = app.worker.standards().named(office, &pair.standard).await?;
    let stated = standard.zip(reread(&document).ok()).map(|(s, house)| s.state(&house.house));
    let steps = again.as_ref().map_or_else(
        |_| Vec::new(),
        |again| explain(&again.judgement, &again.measured, &again.recorded, &again.rule),
    );
    let mended = match pair.record_edition {
        Some(edition) => app.store.mend(pair.source_number, edition).await?,
        None => None,
    };
    let body = html! {
        h1 { bdi { (pair.reference) } ": " (words(&pair)) }
        @if let Some(mend) = &mended { (not_as_published(mend)) }
        @if let Some(notice) = notice { p.warn role="alert" { (notice) } }
        @if let Some(finding) = &pair.finding {
            p { "State: " (state(&finding.state)) @if let Some(why) = &finding.closing { ", " (why.replace('_', " ")) } }
        }
        p {
            a href={ "/properties/" (pair.property) } { "Measurements and all records of this property" } ", "
            a href={ "/properties/" (pair.property) "/measurements/" (pair.measurement_version) } { "plans and areas of this measurement" }
        }
        (mark(&pair))
        (figures(&pair, &steps))
        (match &again { Ok(again) => sides(&pair, again), Err(error) => html! { p.warn { "The pair cannot be judged again: " (error) } } })
        @if let Some(stated) = &stated { (statement(stated, pair.measured)) }
        (events(&history))
        h2 { "Before anything is done" }
        p.warn { (CAUTION) }
        @if guest.0.office(&packets::TAKERS).is_ok() { (evidence(id)) }
        @if guest.0.office(&[Role::Review]).is_ok() { (form(&pair)) }
    };
    Ok(page(guest, &pair.reference, "", &body))
}

/// Figures as they are shown, and the steps of the explanation that each of them opens to.
fn figures(pair: &PairView, steps: &[Step]) -> Markup {
    let area = |area: Option<Area>| {
        area.map_or("none".to_owned(), |area| format!("{} sq ft", area.to_square_feet(1)))
    };
    let ratio = |ppm: Option<i64>| ppm.map(|ppm| format!("{:.1} %", ppm as f64 / 1e4));
    let derived = [
        ("Measured less recorded", Some(area(pair.difference)), "difference"),
        (
            "Standard deviation of the difference",
            pair.sigma_sqft.map(|sigma| format!("{sigma:.1} sq ft")),
            "standard deviation of the difference",
        ),
        (
            "Difference in standard deviations",
            pair.z.map(|z| format!("{z:.1}")),
            "difference in standard deviations",
        ),
        ("Variance", ratio(pair.variance_ppm), "variance"),
        ("Matters beyond", Some(area(pair.threshold)), "threshold"),
        (
            "Probability of mattering",
            pair.exceedance_ppm.map(probability),
            "probability that the true difference is beyond the threshold",
        ),
        ("Effect on value, estimate", Some(effect(pair)), "estimated change of the recorded value"),
        ("Outcome", Some(pair.outcome.replace('_', " ")), "verdict"),
    ];
    html! {
        h2 { "Figures" }
        dl.figures {
            dt { "Measured" } dd { details {
                summary { (area(pair.measured)) }
                p { "The parts that count under " (pair.standard) ", version " (pair.measurement_version) " of the measurement: " a href="#parts" { "each part" } "." }
            } }
            dt { "Recorded" } dd { (area(pair.recorded)) @if let Some(edition) = pair.record_edition { ", in edition " (edition) } }
            @if let Some((low, high)) = interval_95(pair) {
                dt { "Interval of the difference, 95 %" } dd { details {
                    summary { (format!("{low:.1} to {high:.1} sq ft")) }
                    p { "d - 1.96 s to d + 1.96 s, with d the difference and s its standard deviation" }
                } }
            }
            @for (name, value, what) in &derived {
                @if let Some(value) = value { dt { (name) } dd { (opened(value, steps.iter().find(|step| step.what == *what))) } }
            }
            dt { "Policy" } dd { "version " (pair.policy_version) }
        }
    }
}

/// A figure that opens to the formula and the inputs it comes from.
fn opened(value: &str, step: Option<&Step>) -> Markup {
    let Some(step) = step else { return html! { (value) } };
    html! { details { summary { (value) } p { (step.how) " = " (step.result) } } }
}

fn sides(pair: &PairView, again: &Rejudged) -> Markup {
    let record = &again.record;
    html! {
        h2 { "Both sides" }
        div.sides {
            div {
                h3 { "The office" }
                dl {
                    dt { "Parcel" } dd dir="auto" { (pair.parcel) }
                    dt { "Address" } dd dir="auto" { (or_none(&pair.address)) }
                    dt { "Measurement" } dd { "version " (pair.measurement_version) }
                }
            }
            div {
                h3 { "The record of " (pair.source) }
                dl {
                    dt { "Parcel" } dd dir="auto" { (record.parcel_raw) }
                    dt { "Address" } dd dir="auto" { (or_none(&record.situs)) }
                    dt { "Class" } dd dir="auto" { (or_none(&record.class)) }
                    dt { "Value" } dd { (record.value.map_or("none".to_owned(), |value| value.to_text())) }
                    dt { "Edition" } dd { (pair.edition) ", line " (record.line) }
                }
            }
        }
        p { "Matched by the parcel key " code { (pair.parcel_key) } ", " (pair.match_state.replace('_', " ")) "." @if !pair.conflict.is_empty() { " " (pair.conflict) } }
    }
}

fn events(history: &[FindingEvent]) -> Markup {
    html! {
        h2 { "History" }
        ol {
            @for event in history {
                li {
                    (moment(event.at)) ": " (event.what) ", " (state(&event.state))
                    @if let Some(said) = said(event) { div.soft dir="auto" { (said) } }
                }
            }
        }
    }
}

/// What a person said with a decision, and who.
fn said(event: &FindingEvent) -> Option<String> {
    let detail: serde_json::Value = serde_json::from_str(&event.detail).ok()?;
    let decision = detail.get("decision")?;
    let mut said = vec![format!("by {}", detail.get("label")?.as_str()?)];
    for name in ["seen", "note", "filed_on", "case_number", "hearing_on", "outcome"] {
        if let Some(text) = decision.get(name).and_then(|text| text.as_str()) {
            said.push(format!("{}: {text}", name.replace('_', " ")));
        }
    }
    Some(said.join("; "))
}

fn evidence(id: &str) -> Markup {
    html! {
        h2 { "Evidence" }
        p {
            a href={ "/findings/" (id) "/packet.pdf" } { "Document (PDF)" } " to read, or "
            a href={ "/findings/" (id) "/packet.zip" } { "Packet (zip)" }
            " with the data, the row as published and the hashes, which " code { "crossfoot verify" } " checks."
        }
    }
}

fn form(pair: &PairView) -> Markup {
    let Some(finding) = pair.finding.as_ref().filter(|finding| finding.state != "closed") else {
        return html! {};
    };
    html! {
        h2.decide { "Decide" }
        form.tall method="post" {
            input type="hidden" name="row_version" value=(finding.row_version);
            label { "State"
                select name="state" {
                    @for name in ["open", "confirmed", "cleared", "referred"] {
                        option value=(name) selected[name == finding.state] { (name) }
                    }
                }
            }
            label { "What was seen: a sketch, a picture, a visit" input name="seen" maxlength="1000"; }
            label { "Note" textarea name="note" rows="3" maxlength="4000" {} }
            details {
                summary { "For a referred finding" }
                label { "Filed on" input type="date" name="filed_on"; }
                label { "Case number" input name="case_number" maxlength="200"; }
                label { "Hearing on" input type="date" name="hearing_on"; }
                label { "What came of it" input name="outcome" maxlength="1000"; }
            }
            div { button { "Save the decision" } }
        }
    }
}

/// The form of a decision.
#[derive(Debug, Deserialize)]
pub(super) struct Decide {
    row_version: i64,
    state: StateName,
    #[serde(default)]
    seen: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    filed_on: String,
    #[serde(default)]
    case_number: String,
    #[serde(default)]
    hearing_on: String,
    #[serde(default)]
    outcome: String,
}

/// Sends the document.
pub(super) async fn document(
    State(app): State<App>,
    guest: Guest,
    Path(id): Path<String>,
) -> Result<Response, Fail> {
    Ok(packets::document(&app, &guest.0, &id).await?)
}

/// Sends the packet.
pub(super) async fn packet(
    State(app): State<App>,
    guest: Guest,
    Path(id): Path<String>,
) -> Result<Response, Fail> {
    Ok(packets::packet(&app, &guest.0, &id).await?)
}

/// Takes a decision.
pub(super) async fn decide(
    State(app): State<App>,
    guest: Guest,
    Path(id): Path<String>,
    Form(form): Form<Decide>,
) -> Result<Response, Fail> {
    let office = office(&guest, &[Role::Review])?;
    let text = |text: String| {
        let kept = text.replace('\0', "");
        (!kept.trim().is_empty()).then_some(kept)
    };
    let request = DecisionRequest {
        state: form.state,
        seen: text(form.seen),
        note: text(form.note),
        filed_on: text(form.filed_on),
        case_number: text(form.case_number),
        hearing_on: text(form.hearing_on),
        outcome: text(form.outcome),
    };
    let decision = request.checked()?;
    match app.store.finding_decide(office, &id, form.row_version, &decision, &guest.0.0).await? {
        Decided::Taken(_) => Ok(Redirect::to(&format!("/findings/{id}")).into_response()),
        Decided::Overtaken(_) => {
            let notice = "Your decision was not saved: the finding has changed since you opened it. \
                          The history below ends with what changed; decide on that.";
            let mut response = sheet(&app, &guest, &id, Some(notice)).await?;
            *response.status_mut() = StatusCode::CONFLICT;
            Ok(response)
        }
        Decided::Closed | Decided::NotForPeople => {
            Err(Problem::new(Kind::Conflict, "the finding is closed: nothing is to be decided").into())
        }
    }
}

//! One property: its measurements, the record of each source, and what comes of comparing them.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use crossfoot_roll::record_view::NamedValue;
use crossfoot_store::StoreError;
use crossfoot_store::listing::{MeasurementEntry, PropertyEntry};
use crossfoot_store::queue::PairView;
use crossfoot_store::record::Record;
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, office, page};
use super::mark::{mark, words};
use super::state::{moment, state};
use crate::api::measurements::READERS;
use crate::http::App;
use crate::http::extract::{Paging, cursor};

/// Lines of a page.
const LINES: u32 = 50;

/// Where the list begins.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Place {
    cursor: Option<String>,
}

/// Lists the properties of the office in the order in which they came.
pub(super) async fn list(
    State(app): State<App>,
    guest: Guest,
    Query(place): Query<Place>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let paging = Paging { cursor: place.cursor, limit: Some(LINES) };
    let after: String = paging.place()?.unwrap_or_default();
    let properties = app.store.property_page(office, &after, paging.limit()).await?;
    let next = properties.last().filter(|_| paging.full(properties.len())).map(|last| cursor(&last.id));
    let body = html! {
        h1 { "Properties" }
        @if properties.is_empty() { p { "No measured house is here yet: upload some." } } @else {
            table {
                thead { tr {
                    th scope="col" { "Reference" } th scope="col" { "Address" } th scope="col" { "Parcel" }
                    th scope="col" { "Jurisdiction" } th scope="col" { "Measured on" } th.n scope="col" { "Version" }
                } }
                tbody { @for property in &properties { (line(property)) } }
            }
        }
        @if let Some(next) = next { p.more { a href={ "/properties?cursor=" (next) } { "Next page" } } }
    };
    Ok(page(&guest, "Properties", "/properties", &body))
}

fn line(property: &PropertyEntry) -> Markup {
    html! {
        tr.go {
            td { a.whole href={ "/properties/" (property.id) } dir="auto" { (property.reference) } }
            td data-l="Address" dir="auto" { (or_none(&property.address)) }
            td data-l="Parcel" dir="auto" { (property.parcel) }
            td data-l="Jurisdiction" dir="auto" { (or_none(&property.jurisdiction)) }
            td data-l="Measured on" { (property.measured_on) }
            td.n data-l="Version" { (property.measurement_version) }
        }
    }
}

/// Shows a property, named by its id or by the office's reference.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path(name): Path<String>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let property = match app.store.property_entry(office, &name).await {
        Err(StoreError::Missing { .. }) => {
            let id = app.store.property_by_reference(office, &name).await?;
            app.store.property_entry(office, &id).await?
        }
        found => found?,
    };
    let measurements = app.store.measurements_of_property(office, &property.id).await?;
    let mut records = Vec::new();
    for pair in app.store.pairs_of_property(office, &property.id).await? {
        let source = app.store.source_by_number(pair.source_number).await?;
        let keys = std::slice::from_ref(&pair.parcel_key);
        let found = app.store.record_by_keys(&source, keys).await?;
        let record = found.into_iter().next();
        let values = match &record {
            Some(record) => record.view(&app.store.edition(source.number, record.edition).await?.layout),
            None => Vec::new(),
        };
        records.push(html! { (record_of(&pair, &source.title, record.as_ref())) (all_values(&values)) });
    }
    let body = html! {
        h1 dir="auto" { (property.reference) }
        (header_of(&property))
        (measured(&property.id, &measurements))
        h2 { "Records" }
        @if records.is_empty() { p { "No source has been compared with this property yet." } }
        @for record in &records { (record) }
    };
    Ok(page(&guest, &property.reference, "", &body))
}

fn header_of(property: &PropertyEntry) -> Markup {
    html! {
        dl {
            dt { "Address" } dd dir="auto" { (or_none(&property.address)) }
            dt { "Parcel" } dd dir="auto" { (property.parcel) }
            dt { "Jurisdiction" } dd dir="auto" { (or_none(&property.jurisdiction)) }
            dt { "Year built" } dd { (property.year_built.map_or("not stated".to_owned(), |year| year.to_string())) }
        }
    }
}

/// A text that may be missing.
pub(super) fn or_none(text: &str) -> &str {
    if text.is_empty() { "not stated" } else { text }
}

fn measured(property: &str, measurements: &[MeasurementEntry]) -> Markup {
    html! {
        h2 { "Measurements" }
        table {
            thead { tr {
                th.n scope="col" { "Version" } th scope="col" { "Day of the visit" } th scope="col" { "Received" }
                th scope="col" { "Why it follows" } th scope="col" { "SHA-256 of the document" }
            } }
            tbody {
                @for entry in measurements {
                    tr.go {
                        td.n data-l="Version" { a.whole href={ "/properties/" (property) "/measurements/" (entry.version) } aria-label={ "Version " (entry.version) ": plans and areas" } { (entry.version) } }
                        td data-l="Day of the visit" { (entry.measured_on) }
                        td data-l="Received" { (moment(entry.received_at)) }
                        td data-l="Why it follows" dir="auto" { (if entry.reason.is_empty() { "first version" } else { &entry.reason }) }
                        td data-l="SHA-256 of the document" { code { (entry.sha256) } }
                    }
                }
            }
        }
    }
}

/// Everything the record says, folded away: values of the parcel, then building by building.
fn all_values(values: &[NamedValue]) -> Markup {
    let several = values.iter().any(|value| value.building.is_some());
    html! {
        @if !values.is_empty() {
            details {
                summary { "Everything the record says" }
                table {
                    thead { tr {
                        @if several { th scope="col" { "Building" } }
                        th scope="col" { "What" } th scope="col" { "As recorded" } th scope="col" { "Column" } th scope="col" { "Line" }
                    } }
                    tbody {
                        @for value in values {
                            tr {
                                @if several { td data-l="Building" dir="auto" { (value.building.as_deref().unwrap_or("parcel")) } }
                                td data-l="What" dir="auto" { (value.heading) }
                                td data-l="As recorded" dir="auto" {
                                    (value.text) @if let Some(unit) = value.unit { " " (unit) }
                                    @if value.contradicted { " (rows contradict each other)" }
                                }
                                td data-l="Column" dir="auto" { (column_of(value)) }
                                td data-l="Line" { (lines_of(value)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn column_of(value: &NamedValue) -> String {
    if value.table.is_empty() { value.column.clone() } else { format!("{}: {}", value.table, value.column) }
}

/// Lines that are named one by one; a sum over many is told by its first ones.
const LINES_NAMED: usize = 6;

fn lines_of(value: &NamedValue) -> String {
    let lines: Vec<String> = value.rows.iter().take(LINES_NAMED).map(|row| row.line.to_string()).collect();
    let more = if value.rows.len() > LINES_NAMED { ", …" } else { "" };
    format!("{}{more}", lines.join(", "))
}

fn record_of(pair: &PairView, title: &str, record: Option<&Record>) -> Markup {
    html! {
        section {
            h3 { bdi { (pair.source) } }
            @if !title.is_empty() { p.soft dir="auto" { (title) } }
            div.sides {
                @match record {
                    Some(record) => dl {
                        dt { "Parcel" } dd dir="auto" { (record.parcel_raw) }
                        dt { "Address" } dd dir="auto" { (or_none(&record.situs)) }
                        dt { "Class" } dd dir="auto" { (or_none(&record.class)) }
                        dt { "Year built" } dd { (record.year_built.map_or("not stated".to_owned(), |year| year.to_string())) }
                        dt { "Area" } dd { (record.area.map_or("none".to_owned(), |area| format!("{} sq ft", area.to_square_feet(1)))) }
                        dt { "Value" } dd { (record.value.map_or("none".to_owned(), |value| value.to_text())) }
                        dt { "Came with" } dd { "edition " (record.edition) ", line " (record.line) }
                    },
                    None => p { "No record under the parcel key " code { (pair.parcel_key) } "." },
                }
                div {
                    p { "Match: " (state(&pair.match_state)) @if !pair.conflict.is_empty() { ". " span dir="auto" { (pair.conflict) } } }
                    (mark(pair))
                    p {
                        @match &pair.finding {
                            Some(finding) => { a href={ "/findings/" (finding.id) } { (words(pair)) } ": " (state(&finding.state)) },
                            None => (words(pair)),
                        }
                    }
                    p.soft { "Outcome: " (pair.outcome.replace('_', " ")) ", by policy version " (pair.policy_version) " under " (pair.standard) "." }
                }
            }
        }
    }
}

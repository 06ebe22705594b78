//! One property: its measurements, the record of each source, and what comes of comparing them.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use crossfoot_audit::jurisdiction::ValueKind;
use crossfoot_roll::record_view::NamedValue;
use crossfoot_store::StoreError;
use crossfoot_store::jurisdiction::KeptYear;
use crossfoot_store::listing::{MeasurementEntry, PropertyEntry};
use crossfoot_store::mend::Mend;
use maud::{Markup, html};
use serde::Deserialize;

use super::edition::edition_path;
use super::layout::{Fail, Guest, office, page};
use super::mark::{mark, words};
use super::state::{moment, state};
use crate::api::measurements::READERS;
use crate::beside::{Side, Sides, sides};
use crate::http::App;
use crate::http::extract::{Paging, cursor};

/// Lines of a page.
const LINES: u32 = 50;
/// Years of a jurisdiction that are shown.
const YEARS_SHOWN: usize = 3;

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
    let pairs = app.store.pairs_of_property(office, &property.id).await?;
    let sides = sides(&app.store, pairs).await?;
    let years = app.store.jurisdiction_years(&jurisdiction(&property, &sides)).await?;
    let body = html! {
        h1 dir="auto" { (property.reference) }
        (header_of(&property))
        (measured(&property.id, &measurements))
        h2 { "Records" }
        @if sides.sides.is_empty() { p { "No source has been compared with this property yet." } }
        @if sides.sides.len() > 1 { (side_by_side(&sides)) }
        @for side in &sides.sides { (record_of(side)) (all_values(&side.record.as_ref().map(|record| record.view(&side.layout)).unwrap_or_default())) }
        (applies(&years))
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

/// Where the records lie; empty where nothing says so, and then nothing applies.
fn jurisdiction(property: &PropertyEntry, sides: &Sides) -> String {
    let of_source = || sides.sides.first().map(|side| side.layout.jurisdiction.clone());
    let known = Some(property.jurisdiction.clone()).filter(|name| !name.is_empty());
    // an empty name would list every jurisdiction
    known.or_else(of_source).unwrap_or_else(|| "-".to_owned())
}

/// A figure that may be missing.
fn figure(text: Option<String>) -> String {
    text.unwrap_or_else(|| "none".to_owned())
}

/// The records of all sources in one table, and what they say of each other.
fn side_by_side(sides: &Sides) -> Markup {
    let differs = |field: &str| sides.disagreements.iter().any(|found| found.field == field);
    let marked = |field: &str, text: String| {
        html! {
            @if differs(field) { strong { (text) } " " span.soft { "differs" } } @else { (text) }
        }
    };
    html! {
        table.wide {
            thead { tr {
                th scope="col" { "Source" } th scope="col" { "Edition" } th.n scope="col" { "Recorded" } th scope="col" { "Area counts" }
                th.n scope="col" { "Measured so" } th.n scope="col" { "Value" } th.n scope="col" { "Built" } th scope="col" { "Class" } th scope="col" { "Address" }
            } }
            tbody { @for side in &sides.sides { @let record = side.record.as_ref(); tr {
                td { bdi { (side.pair.source) } @if let Some(of) = &side.layout.derived_from { div.soft { "copies " bdi { (of) } } } }
                td data-l="Edition" { (edition_words(side)) }
                td.n data-l="Recorded" { (marked("area", figure(record.and_then(|r| r.area).map(|area| format!("{} sq ft", area.to_square_feet(0)))))) }
                td data-l="Area counts" { (basis_words(&side.layout.basis)) }
                td.n data-l="Measured so" { (figure(side.pair.measured.map(|area| format!("{} sq ft", area.to_square_feet(0))))) }
                td.n data-l="Value" { (marked("value", figure(record.and_then(|r| r.value).map(|value| value.to_text())))) }
                td.n data-l="Built" { (marked("year_built", figure(record.and_then(|r| r.year_built).map(|year| year.to_string())))) }
                td data-l="Class" dir="auto" { (marked("class", record.map_or("none", |r| or_none(&r.class)).to_owned())) }
                td data-l="Address" dir="auto" { (marked("situs", record.map_or("none", |r| or_none(&r.situs)).to_owned())) }
            } } }
        }
        @if sides.disagreements.is_empty() { p { "Where both state something, the records agree with each other." } } @else {
            ul { @for found in &sides.disagreements { li dir="auto" { (found.sentence) } } }
        }
        @for sentence in &sides.copies { p dir="auto" { (sentence) } }
    }
}

fn basis_words(basis: &str) -> String {
    if basis == crossfoot_roll::layout::BASIS_NOT_PUBLISHED {
        "not published".to_owned()
    } else {
        basis.to_owned()
    }
}

fn edition_words(side: &Side) -> String {
    let year = side.roll_year.map(|year| format!(", roll of {year}")).unwrap_or_default();
    let status = if side.status == "not stated" {
        ", status not stated".to_owned()
    } else {
        format!(", {}", side.status)
    };
    format!("{}{year}{status}", side.pair.edition)
}

/// What must be known of a row that an office mended.
pub(super) fn not_as_published(mend: &Mend) -> Markup {
    html! { p.warn dir="auto" {
        "The row of this record is not as published. As it stands in edition " (mend.mends) " of the publisher it could not be read; "
        (mend.mended_by) " mended it on " (moment(mend.mended_at)) ": " (mend.reason)
    } }
}

fn record_of(side: &Side) -> Markup {
    let (pair, record) = (&side.pair, side.record.as_ref());
    html! {
        section {
            h3 { bdi { (pair.source) } }
            @if !side.title.is_empty() { p.soft dir="auto" { (side.title) } }
            @if let Some(mend) = &side.mended { (not_as_published(mend)) }
            div.sides {
                @match record {
                    Some(record) => dl {
                        dt { "Parcel" } dd dir="auto" { (record.parcel_raw) }
                        dt { "Address" } dd dir="auto" { (or_none(&record.situs)) }
                        dt { "Class" } dd dir="auto" { (or_none(&record.class)) }
                        dt { "Year built" } dd { (record.year_built.map_or("not stated".to_owned(), |year| year.to_string())) }
                        dt { "Area" } dd { (figure(record.area.map(|area| format!("{} sq ft", area.to_square_feet(1))))) }
                        dt { "Value" } dd { (figure(record.value.map(|value| value.to_text()))) }
                        dt { "Edition in use" } dd { (edition_words(side)) }
                        dt { "Came with" } dd { a href=(edition_path(&pair.source, record.edition)) { "edition " (record.edition) } ", line " (record.line) }
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

/// What the jurisdiction says about the last years that are known.
fn applies(years: &[KeptYear]) -> Markup {
    html! {
        @if !years.is_empty() {
            h2 { "What applies here" }
            p { "Deadlines are those of the jurisdiction's own notice; what is shown was read where it says, on the day it says. No tax is worked out from it." }
            @for (at, kept) in years.iter().take(YEARS_SHOWN).enumerate() {
                details open[at == 0] {
                    summary dir="auto" { (kept.year.jurisdiction) ", " (kept.year.year) ", version " (kept.version) ", entered " (moment(kept.saved_at)) }
                    table {
                        thead { tr { th scope="col" { "What" } th scope="col" { "Value" } th scope="col" { "Source" } } }
                        tbody { @for kind in ValueKind::ALL { @for value in kept.year.value.iter().filter(|value| value.kind == kind) { tr {
                            td { (capital(kind.name())) @if !value.name.is_empty() { div.soft dir="auto" { (value.name) } } }
                            td data-l="Value" dir="auto" { (value) @if !value.note.is_empty() { div.soft { (value.note) } } }
                            td data-l="Source" dir="auto" {
                                (value.source) ", read on " (value.read_on)
                                @if value.address.starts_with("https://") { div { a href=(value.address) rel="noreferrer" { (value.address) } } }
                                @else if !value.address.is_empty() { div { (value.address) } }
                            }
                        } } } }
                    }
                }
            }
        }
    }
}

/// The name of a kind as it begins a line.
fn capital(name: &str) -> String {
    let mut letters = name.chars().map(|letter| if letter == '_' { ' ' } else { letter });
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

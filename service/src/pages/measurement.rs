//! One measurement: its plans, whether it balances, its walls, and its areas under any standard.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use crossfoot_audit::document::{Measurement, reread};
use crossfoot_audit::drawing::Drawing;
use crossfoot_audit::length::Length;
use crossfoot_audit::measure::telling::{ToldKind, tell};
use crossfoot_audit::plan::{Ground, of_house, svg};
use crossfoot_audit::standard::{AreaStatement, Standard};
use maud::{Markup, PreEscaped, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, office, page};
use super::property::or_none;
use super::statement::statement;
use crate::api::measurements::{READERS, standard};
use crate::http::App;
use crate::http::problem::Problem;

/// Standard deviations to either side of a figure that hold 95 % of what it may be.
const COVERAGE: f64 = 1.96;

/// Under which standard areas are stated.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Asked {
    standard: Option<String>,
}

/// Shows a version of a property's measurement.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Path((name, version)): Path<(String, i64)>,
    Query(asked): Query<Asked>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let property = app.store.property_entry(office, &name).await?;
    let document = app.store.measurement_document(office, &property.id, version).await?;
    let measurement = reread(&document)
        .map_err(|problems| Problem::invalid(problems.into_iter().map(Into::into).collect()))?;
    let standards = app.worker.standards().of_office(office).await?;
    let chosen = standard(&app, office, asked.standard.as_deref().filter(|name| !name.is_empty())).await?;
    let stated = chosen.state(&measurement.house);
    let body = html! {
        h1 dir="auto" { (measurement.reference) ", measured on " (measurement.measured_on) }
        p { a href={ "/properties/" (property.id) } { "All measurements and records of this property" } }
        (header_of(&measurement, version))
        (plans(&measurement, &chosen, &stated))
        @if let Some(drawing) = &measurement.house.drawing { (balance(drawing)) (walls(drawing)) }
        (remarks(&measurement))
        (choice(&standards, &chosen))
        (statement(&stated, None))
        (total(&stated))
        (comparison(&measurement, &standards))
    };
    Ok(page(&guest, &measurement.reference, "", &body))
}

fn header_of(measurement: &Measurement, version: i64) -> Markup {
    let text = |text: &Option<String>| or_none(text.as_deref().unwrap_or_default()).to_owned();
    html! {
        dl {
            dt { "Address" } dd dir="auto" { (text(&measurement.address)) }
            dt { "Parcel" } dd dir="auto" { (measurement.parcel) }
            dt { "Version" } dd { (version) }
            dt { "Measured for" } dd dir="auto" { (text(&measurement.purpose)) }
            dt { "May be used for" } dd dir="auto" { (text(&measurement.permitted_use)) }
        }
    }
}

fn plans(measurement: &Measurement, standard: &Standard, stated: &AreaStatement) -> Markup {
    let plans = of_house(measurement, standard, stated, Ground::Clear);
    html! {
        h2 { "Plans" }
        @if plans.is_empty() { p { "The areas were stated; no wall was read, so nothing can be drawn." } }
        // on a narrow screen a drawing is wider than the page, and is moved by touch or keys
        @for plan in &plans {
            figure.drawing tabindex="0" role="group" aria-label={ "Plan of " (plan.plan.level_name) } { (PreEscaped(svg(&plan.plan))) }
        }
    }
}

fn balance(drawing: &Drawing) -> Markup {
    let gap = |axis: Option<Length>| match axis {
        None => "not checked".to_owned(),
        Some(gap) if gap.nanometres() < 0 => format!("-{}", drawing.dimensions.difference(gap)),
        Some(gap) => drawing.dimensions.difference(gap),
    };
    let told = tell(&drawing.worked, drawing.dimensions);
    let told = || told.iter().filter(|told| told.kind != ToldKind::Balance);
    html! {
        h2 { "Does it balance" }
        p.soft { "What the readings of each outline lacked before they were adjusted." }
        table {
            thead { tr {
                th scope="col" { "Outline" } th.n scope="col" { "East less west" } th.n scope="col" { "North less south" }
                th.n scope="col" { "Share of the perimeter" } th scope="col" { "Judged" }
            } }
            tbody {
                @for outline in &drawing.worked.outlines {
                    @let found = &outline.misclosure;
                    tr {
                        td dir="auto" { (outline.name) }
                        td.n data-l="East less west" { (gap(found.east)) }
                        td.n data-l="North less south" { (gap(found.north)) }
                        td.n data-l="Share of the perimeter" { (found.ratio().map_or("no gap".to_owned(), |ratio| format!("1 in {ratio:.0}"))) }
                        td data-l="Judged" { (if found.is_poor() { "does not balance" } else { "balances" }) }
                    }
                }
            }
        }
        @for doubt in told().filter(|told| told.kind.is_doubt()) { p.warn dir="auto" { (doubt.text) } }
        ul { @for told in told().filter(|told| !told.kind.is_doubt()) { li dir="auto" { (told.text) } } }
    }
}

fn walls(drawing: &Drawing) -> Markup {
    html! {
        details {
            summary { "Walls after the adjustment" }
            table {
                thead { tr {
                    th scope="col" { "Wall" } th.n scope="col" { "Length" } th.n scope="col" { "Standard deviation, in" } th scope="col" { "How known" }
                } }
                tbody {
                    @for wall in &drawing.worked.walls {
                        tr {
                            td dir="auto" { (wall.name) }
                            td.n data-l="Length" { (drawing.dimensions.adjusted(wall.length)) }
                            td.n data-l="Standard deviation, in" { (format!("{:.2}", wall.sd_ft * 12.0)) }
                            td data-l="How known" { (if wall.is_derived { "not read: computed from the others" } else { "read" }) }
                        }
                    }
                }
            }
        }
    }
}

fn remarks(measurement: &Measurement) -> Markup {
    html! {
        @if !measurement.remarks.is_empty() {
            h2 { "Worth a look" }
            ul { @for remark in &measurement.remarks { li { (remark.detail) ": " (remark.mend) } } }
        }
    }
}

fn choice(standards: &[Standard], chosen: &Standard) -> Markup {
    html! {
        form.line method="get" {
            label { "Areas under" select name="standard" {
                @for standard in standards {
                    option value=(standard.id) selected[standard.id == chosen.id] { (standard.title) }
                }
            } }
            button { "Show" }
        }
        @if !chosen.cautions.is_empty() {
            ul.soft { @for caution in &chosen.cautions { li { (caution) } } }
        }
    }
}

fn total(stated: &AreaStatement) -> Markup {
    let sd = stated.spread.variance().sqrt();
    html! { p { "Standard deviation of the total: " (format!("{sd:.1}")) " sq ft." } }
}

/// The same house by every definition: what differs between two of them is no error.
fn comparison(measurement: &Measurement, standards: &[Standard]) -> Markup {
    html! {
        h2 { "The same house by every definition" }
        p.soft { "A difference between two of these is a difference of definition, and no error of either." }
        table {
            thead { tr {
                th scope="col" { "Definition" } th.n scope="col" { "Total, sq ft" } th.n scope="col" { "95 % interval, sq ft" }
            } }
            tbody {
                @for standard in standards {
                    @let stated = standard.state(&measurement.house);
                    @let (total, reach) = (stated.total.to_square_feet_f64(), COVERAGE * stated.spread.variance().sqrt());
                    tr {
                        td { (standard.title) }
                        td.n data-l="Total, sq ft" { (stated.total.to_square_feet(0)) }
                        td.n data-l="95 % interval, sq ft" { (format!("{:.0} to {:.0}", (total - reach).max(0.0), total + reach)) }
                    }
                }
            }
        }
    }
}

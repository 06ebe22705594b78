//! A further reading of a house that was measured before: it makes a new version, which holds the old readings too.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_audit::document::Problem as Fault;
use crossfoot_store::measurement::NewMeasurement;
use crossfoot_store::office::Role;
use serde::Deserialize;
use serde_json::{Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::measurements::{Saved, read};
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(add_readings))
}

/// Further readings.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Readings {
    /// Why they were taken.
    #[schema(min_length = 1, max_length = 300)]
    reason: String,
    /// Readings of walls.
    #[serde(default)]
    #[schema(max_items = 300)]
    walls: Vec<WallReading>,
    /// Readings of ties that are known.
    #[serde(default)]
    #[schema(max_items = 100)]
    ties: Vec<TieReading>,
    /// Ties that are new, as in the measurement document.
    #[serde(default)]
    #[schema(value_type = Vec<Object>, max_items = 100)]
    new_ties: Vec<Value>,
}

/// A further reading of a wall.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct WallReading {
    /// The wall's name.
    #[schema(min_length = 1, max_length = 120)]
    wall: String,
    /// What was read: its length if not said.
    #[serde(default)]
    along: Along,
    /// The reading, as in the measurement document.
    #[schema(value_type = Object)]
    reading: Value,
}

/// What was read of a wall.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Along {
    /// Its length.
    #[default]
    Length,
    /// Its run.
    Run,
    /// Its rise.
    Rise,
}

/// A further reading of a tie.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct TieReading {
    /// The tie's name.
    #[schema(min_length = 1, max_length = 120)]
    tie: String,
    /// The reading, as in the measurement document.
    #[schema(value_type = Object)]
    reading: Value,
}

/// Add further readings to the newest version of a measurement: a new version with all readings, old and new. What was
/// read before is never overwritten.
#[utoipa::path(post, path = "/measurements/{property}/{version}/readings", tag = "measurements", request_body = Readings,
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The newest version")),
    security(("key" = ["upload", "administer"])),
    responses((status = 201, description = "The new version", body = Saved, headers(("Location" = String, description = "The measurement"))),
        (status = 404, description = "No such measurement", body = Problem),
        (status = 409, description = "Another version followed already, or the house has no field notes", body = Problem)))]
pub(crate) async fn add_readings(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
    Body(readings): Body<Readings>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Upload])?;
    let document = app.store.measurement_document(office, &property, version).await?;
    let damaged = |_| Problem::new(Kind::Internal, "the measurement that is kept cannot be read");
    let mut document: Value = serde_json::from_str(&document).map_err(damaged)?;
    append(&mut document, readings)?;
    let measurement = read(&document)?;
    let new = NewMeasurement { measurement, document: document.to_string() };
    let saved = app.store.measurement_follow(office, &property, version, new).await?;
    let saved = Saved::from(saved.ok_or_else(|| {
        Problem::new(
            Kind::Conflict,
            format!("another version followed version {version}: add the readings to the newest"),
        )
    })?);
    let mut headers = HeaderMap::new();
    if let Ok(place) = format!("/v1/measurements/{}/{}", saved.property, saved.version).parse() {
        headers.insert(header::LOCATION, place);
    }
    Ok((StatusCode::CREATED, headers, Json(saved)))
}

/// Puts the readings into the document, each behind those of its wall or tie.
fn append(document: &mut Value, readings: Readings) -> Result<(), Problem> {
    if document.get("field_notes").is_none() {
        let detail =
            "this house has no field notes: its areas were stated, send a measurement with field notes";
        return Err(Problem::new(Kind::Conflict, detail));
    }
    let mut faults = Vec::new();
    if readings.reason.trim().is_empty() {
        faults.push(fault("/reason", "only spaces", "say why the readings were taken"));
    }
    if readings.walls.is_empty() && readings.ties.is_empty() && readings.new_ties.is_empty() {
        faults.push(fault("", "there is no reading", "add one to walls, ties or new_ties"));
    }
    for (at, one) in readings.walls.into_iter().enumerate() {
        let place = match one.along {
            Along::Length => "/length",
            Along::Run => "/direction/run_and_rise/run/distance",
            Along::Rise => "/direction/run_and_rise/rise/distance",
        };
        let pointer = format!("/walls/{at}");
        faults.extend(add(document, ("walls", &one.wall, place), one.reading, &pointer));
    }
    for (at, one) in readings.ties.into_iter().enumerate() {
        let pointer = format!("/ties/{at}");
        faults.extend(add(document, ("ties", &one.tie, "/distance"), one.reading, &pointer));
    }
    if let Some(notes) = document.get_mut("field_notes").and_then(Value::as_object_mut) {
        let ties = notes.entry("ties").or_insert_with(|| json!([]));
        if let Some(ties) = ties.as_array_mut() {
            ties.extend(readings.new_ties);
        }
    }
    if let Some(object) = document.as_object_mut() {
        object.insert("reason".to_owned(), Value::String(readings.reason));
    }
    if faults.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid(faults.into_iter().map(Into::into).collect()))
    }
}

fn fault(pointer: &str, detail: &str, mend: &str) -> Fault {
    Fault { pointer: pointer.to_owned(), detail: detail.to_owned(), mend: mend.to_owned() }
}

/// Adds a reading to what is called `name` in a list of the notes.
fn add(
    document: &mut Value,
    (list, name, place): (&str, &str, &str),
    reading: Value,
    pointer: &str,
) -> Option<Fault> {
    let items = document.pointer_mut(&format!("/field_notes/{list}")).and_then(Value::as_array_mut);
    let item = items.and_then(|items| {
        items.iter_mut().find(|item| item.get("name").and_then(Value::as_str) == Some(name))
    });
    let Some(item) = item else {
        return Some(fault(
            pointer,
            &format!("nothing in {list} is called {name:?}"),
            "use a name of the field notes",
        ));
    };
    if place == "/length"
        && let Some(wall) = item.as_object_mut()
    {
        wall.entry("length").or_insert_with(|| json!({}));
    }
    let Some(distance) = item.pointer_mut(place).and_then(Value::as_object_mut) else {
        return Some(fault(
            pointer,
            &format!("{name:?} has no such distance"),
            "a wall with run and rise has both, others a length",
        ));
    };
    let readings = distance.entry("readings").or_insert_with(|| json!([]));
    match readings.as_array_mut() {
        Some(readings) => {
            readings.push(reading);
            None
        }
        None => Some(fault(
            pointer,
            &format!("the readings of {name:?} are no list"),
            "send the measurement anew",
        )),
    }
}

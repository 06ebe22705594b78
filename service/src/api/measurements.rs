//! Measured houses: sending them one by one or many at once, and what areas they have under a standard.

use std::sync::LazyLock;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_audit::document::{DocumentReader, Measurement, reread};
use crossfoot_audit::house::PartUse;
use crossfoot_audit::standard::{AreaStatement, CountingVerdict, Note, Standard};
use crossfoot_store::listing::MeasurementEntry;
use crossfoot_store::measurement::{NewMeasurement, SavedMeasurement, Saving};
use crossfoot_store::office::Role;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::batch;
use super::checks::Checks;
use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, PageOf, Paging, Q, cursor, page};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_measurements, create_measurement))
        .routes(routes!(batch::create_measurements))
        .routes(routes!(preview_areas))
        .routes(routes!(get_measurement))
        .routes(routes!(get_areas))
}

/// Who reads measurements.
pub(crate) const READERS: [Role; 3] = [Role::Upload, Role::Review, Role::Consult];

static READER: LazyLock<Option<DocumentReader>> = LazyLock::new(|| DocumentReader::new().ok());

/// The reader of documents, made once.
pub(crate) fn reader() -> Result<&'static DocumentReader, Problem> {
    READER.as_ref().ok_or_else(|| Problem::new(Kind::Internal, "the schema of measurements is unusable"))
}

/// Reads a document, or names everything that is wrong with it.
pub(crate) fn read(document: &Value) -> Result<Measurement, Problem> {
    reader()?
        .read(document)
        .map_err(|problems| Problem::invalid(problems.into_iter().map(Into::into).collect()))
}

/// A measurement in a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MeasurementHead {
    /// The property's id.
    property: String,
    /// The office's reference.
    reference: String,
    /// The version, from 1.
    version: i64,
    /// The day of the visit.
    measured_on: String,
    /// When it arrived.
    received_at: String,
    /// SHA-256 of the document as received.
    sha256: String,
    /// Why this version follows an earlier one, or empty.
    reason: String,
}

impl From<MeasurementEntry> for MeasurementHead {
    fn from(entry: MeasurementEntry) -> MeasurementHead {
        MeasurementHead {
            property: entry.property,
            reference: entry.reference,
            version: entry.version,
            measured_on: entry.measured_on,
            received_at: time(entry.received_at),
            sha256: entry.sha256,
            reason: entry.reason,
        }
    }
}

/// List the measurements of the office by property and version.
#[utoipa::path(get, path = "/measurements", tag = "measurements", params(Paging),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "A page of measurements", body = PageOf<MeasurementHead>)))]
pub(crate) async fn list_measurements(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let (property, version): (String, i64) = paging.place()?.unwrap_or_default();
    let items = app.store.measurement_page(office, (&property, version), paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&(&last.property, last.version)));
    Ok(page("/v1/measurements", items.into_iter().map(MeasurementHead::from).collect(), next))
}

/// A measurement that was taken in.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Saved {
    /// The office's reference.
    pub(crate) reference: String,
    /// The property's id.
    pub(crate) property: String,
    /// The version of the measurement.
    pub(crate) version: i64,
    /// new, new_version or unchanged.
    pub(crate) what: &'static str,
}

impl From<SavedMeasurement> for Saved {
    fn from(saved: SavedMeasurement) -> Saved {
        let what = match saved.saving {
            Saving::New => "new",
            Saving::NewVersion => "new_version",
            Saving::Unchanged => "unchanged",
        };
        Saved { reference: saved.reference, property: saved.property, version: saved.version, what }
    }
}

/// Send one measured house. Everything that is wrong with it is named at once.
#[utoipa::path(post, path = "/measurements", tag = "measurements", request_body = Object,
    security(("key" = ["upload", "administer"])),
    responses((status = 200, description = "The property had this very document already", body = Saved),
        (status = 201, description = "It was taken in", body = Saved, headers(("Location" = String, description = "The measurement")))))]
pub(crate) async fn create_measurement(
    State(app): State<App>,
    who: Who,
    Body(document): Body<Value>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Upload])?;
    let measurement = read(&document)?;
    let new = NewMeasurement { measurement, document: document.to_string() };
    let saved = app.store.measurement_save(office, vec![new]).await?.into_iter().next();
    let saved =
        Saved::from(saved.ok_or_else(|| Problem::new(Kind::Internal, "the measurement was not taken in"))?);
    let status = if saved.what == "unchanged" { StatusCode::OK } else { StatusCode::CREATED };
    let mut headers = HeaderMap::new();
    if let Ok(place) = format!("/v1/measurements/{}/{}", saved.property, saved.version).parse() {
        headers.insert(header::LOCATION, place);
    }
    Ok((status, headers, Json(saved)))
}

/// Read a measurement as it was received.
#[utoipa::path(get, path = "/measurements/{property}/{version}", tag = "measurements",
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The version")),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The document", body = Object)))]
pub(crate) async fn get_measurement(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let document = app.store.measurement_document(office, &property, version).await?;
    Ok(([(header::CONTENT_TYPE, "application/json")], document))
}

/// Under which standard areas are stated.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct StandardQuery {
    /// The standard's id; the first of the list of standards if not said.
    #[param(max_length = 120)]
    standard: Option<String>,
}

/// The areas of a house under a standard.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Areas {
    /// The standard's id.
    standard: String,
    /// What the standard calls the area of the house.
    total_sqft: f64,
    /// Standard deviation of the total.
    sigma_sqft: f64,
    /// Whether part of it is assumed, since a part has no standard deviation.
    sigma_assumed: bool,
    /// The standard deviation by origin; their squares add up to that of `sigma_sqft`.
    sigma_by_origin: Vec<Origin>,
    /// Each part with what became of it.
    parts: Vec<PartArea>,
    /// What a reader must know about the figures.
    notes: Vec<String>,
}

/// A part of the standard deviation.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Origin {
    /// Where it comes from.
    origin: &'static str,
    /// Standard deviation from this origin alone.
    sigma_sqft: f64,
}

/// A part and what became of it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PartArea {
    /// The building's name.
    building: String,
    /// The level's number.
    level: i32,
    /// What it is used as.
    #[serde(rename = "use")]
    #[schema(value_type = String)]
    part_use: PartUse,
    /// What the office calls it; null for half a storey, which stands for all parts of its level.
    name: Option<String>,
    /// Its area, the weight applied.
    area_sqft: f64,
    /// How much of it counts, exactly, for example 1/2.
    weight: String,
    /// counted, apart or not_counted.
    #[schema(value_type = String)]
    verdict: CountingVerdict,
    /// The heading under which it is counted apart.
    heading: Option<String>,
    /// The rule that decided.
    rule: String,
    /// The rule in words, with its citation.
    because: String,
}

impl From<AreaStatement> for Areas {
    fn from(statement: AreaStatement) -> Areas {
        Areas {
            standard: statement.standard,
            total_sqft: rounded(statement.total.to_square_feet_f64()),
            sigma_sqft: rounded(statement.spread.variance().sqrt()),
            sigma_assumed: statement.spread.assumed > 0.0,
            sigma_by_origin: statement
                .spread
                .by_origin()
                .into_iter()
                .map(|(origin, variance)| Origin { origin, sigma_sqft: thousandths(variance.sqrt()) })
                .collect(),
            notes: statement.notes.iter().map(Note::text).collect(),
            parts: statement
                .lines
                .into_iter()
                .map(|line| PartArea {
                    building: line.building,
                    level: line.level,
                    part_use: line.part_use,
                    name: line.name,
                    area_sqft: rounded(line.area.to_square_feet_f64()),
                    weight: line.weight.to_string(),
                    verdict: line.verdict,
                    heading: line.heading,
                    rule: line.rule,
                    because: line.because,
                })
                .collect(),
        }
    }
}

/// Small origins would vanish in hundredths.
fn thousandths(figure: f64) -> f64 {
    (figure * 1000.0).round() / 1000.0
}

/// To hundredths, as areas are stated.
fn rounded(figure: f64) -> f64 {
    (figure * 100.0).round() / 100.0
}

/// The standard of this name that the office knows; the first of the list where none is named.
pub(crate) async fn standard(app: &App, office: &str, name: Option<&str>) -> Result<Standard, Problem> {
    let standards = app.worker.standards();
    let found = match name {
        None => standards.built_in().first().cloned(),
        Some(name) => standards.named(office, name).await?,
    };
    found.ok_or_else(|| Problem::not_found("standard", name.unwrap_or_default()))
}

/// State the areas of a measurement under a standard.
#[utoipa::path(get, path = "/measurements/{property}/{version}/areas", tag = "measurements",
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The version"), StandardQuery),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The areas", body = Areas)))]
pub(crate) async fn get_areas(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
    Q(query): Q<StandardQuery>,
) -> Result<Json<Areas>, Problem> {
    let office = who.office(&READERS)?;
    let document = app.store.measurement_document(office, &property, version).await?;
    let measurement = reread(&document)
        .map_err(|problems| Problem::invalid(problems.into_iter().map(Into::into).collect()))?;
    let standard = standard(&app, office, query.standard.as_deref()).await?;
    Ok(Json(standard.state(&measurement.house).into()))
}

/// A house that was not kept: its areas, and what its field notes say.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Preview {
    #[serde(flatten)]
    areas: Areas,
    #[serde(flatten)]
    checks: Checks,
}

/// State the areas of a house under a standard, and what its field notes say, without keeping anything.
#[utoipa::path(post, path = "/measurements/preview", tag = "measurements", params(StandardQuery), request_body = Object,
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The areas and the checks", body = Preview), (status = 404, description = "No such standard", body = Problem)))]
pub(crate) async fn preview_areas(
    State(app): State<App>,
    who: Who,
    Q(query): Q<StandardQuery>,
    Body(document): Body<Value>,
) -> Result<Json<Preview>, Problem> {
    let office = who.office(&READERS)?;
    let measurement = read(&document)?;
    let standard = standard(&app, office, query.standard.as_deref()).await?;
    let areas = standard.state(&measurement.house).into();
    Ok(Json(Preview { areas, checks: Checks::of(&measurement) }))
}

//! Properties: what was measured, and what comes of comparing it.

use axum::Json;
use axum::extract::State;
use axum::response::IntoResponse;
use crossfoot_audit::record::beside::Disagreement;
use crossfoot_store::listing::PropertyEntry;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::compare::ComparedRecord;
use super::measurements::{MeasurementHead, READERS};
use super::quarantine::MendView;
use super::views::Pair;
use crate::beside::{Side, sides};
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, PageOf, Paging, Q, cursor, page};
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_properties)).routes(routes!(get_property))
}

/// A property: the header of its newest measurement.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Property {
    /// Its id.
    id: String,
    /// The office's reference.
    reference: String,
    /// The parcel number as the office writes it.
    parcel: String,
    /// The situs address as the office writes it, or empty.
    address: String,
    /// The jurisdiction, or empty.
    jurisdiction: String,
    /// The year built, where known.
    year_built: Option<i64>,
    /// The day of the newest measurement.
    measured_on: String,
    /// Its version.
    measurement_version: i64,
}

impl From<PropertyEntry> for Property {
    fn from(entry: PropertyEntry) -> Property {
        Property {
            id: entry.id,
            reference: entry.reference,
            parcel: entry.parcel,
            address: entry.address,
            jurisdiction: entry.jurisdiction,
            year_built: entry.year_built,
            measured_on: entry.measured_on,
            measurement_version: entry.measurement_version,
        }
    }
}

/// A property with everything that belongs to it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PropertyWhole {
    /// The property.
    property: Property,
    /// Its measurements, the first version first.
    measurements: Vec<MeasurementHead>,
    /// What comes of comparing it with each source, findings included.
    pairs: Vec<Pair>,
    /// The record of each source, in the order of the pairs.
    records: Vec<RecordBeside>,
    /// Where the records disagree with each other. Records of matches that are not sure are left out.
    disagreements: Vec<DisagreementView>,
    /// Which sources copy another one: copies are one witness.
    copies: Vec<String>,
}

/// The record of one source beside those of the others.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RecordBeside {
    /// The source's name.
    source: String,
    /// The edition in use.
    edition: i64,
    /// The year of the roll, where stated.
    roll_year: Option<i64>,
    /// preliminary, certified, corrected or not stated.
    status: String,
    /// The standard that its area follows, or not-published.
    basis: String,
    /// The source that it copies, where it says so.
    copies: Option<String>,
    /// The record; null where the source has none under the key.
    record: Option<ComparedRecord>,
    /// Who mended its row, when and why; null where it is as published.
    mended: Option<MendView>,
}

/// A field in which records disagree.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DisagreementView {
    /// area, value, year_built, class or situs.
    field: &'static str,
    /// How they differ and what that means.
    sentence: String,
}

impl From<&Side> for RecordBeside {
    fn from(side: &Side) -> RecordBeside {
        RecordBeside {
            source: side.pair.source.clone(),
            edition: side.pair.edition,
            roll_year: side.roll_year,
            status: side.status.clone(),
            basis: side.layout.basis.clone(),
            copies: side.layout.derived_from.clone(),
            record: side.record.as_ref().map(ComparedRecord::from),
            mended: side.mended.as_ref().map(MendView::from),
        }
    }
}

/// List the properties of the office.
#[utoipa::path(get, path = "/properties", tag = "measurements", params(Paging),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "A page of properties", body = PageOf<Property>)))]
pub(crate) async fn list_properties(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let after: String = paging.place()?.unwrap_or_default();
    let items = app.store.property_page(office, &after, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&last.id));
    Ok(page("/v1/properties", items.into_iter().map(Property::from).collect(), next))
}

/// Read one property with its measurements, comparisons and findings.
#[utoipa::path(get, path = "/properties/{id}", tag = "measurements", params(("id" = String, Path, description = "The property's id")),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The property", body = PropertyWhole)))]
pub(crate) async fn get_property(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Json<PropertyWhole>, Problem> {
    let office = who.office(&READERS)?;
    let property = app.store.property_entry(office, &id).await?.into();
    let measurements = app.store.measurements_of_property(office, &id).await?;
    let pairs = app.store.pairs_of_property(office, &id).await?;
    let beside = sides(&app.store, pairs.clone()).await?;
    let disagreement =
        |found: Disagreement| DisagreementView { field: found.field, sentence: found.sentence };
    Ok(Json(PropertyWhole {
        property,
        measurements: measurements.into_iter().map(MeasurementHead::from).collect(),
        pairs: pairs.into_iter().map(Pair::from).collect(),
        records: beside.sides.iter().map(RecordBeside::from).collect(),
        disagreements: beside.disagreements.into_iter().map(disagreement).collect(),
        copies: beside.copies,
    }))
}

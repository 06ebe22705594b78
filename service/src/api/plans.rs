//! The plans of a measured house as drawings to scale.

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use crossfoot_audit::document::reread;
use crossfoot_audit::plan::{Ground, LevelPlan, of_house, svg};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::measurements::{READERS, standard};
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, Q};
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_plans)).routes(routes!(get_plan))
}

/// Which plan, and under which standard its parts are hatched.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PlanQuery {
    /// The building's place in the document, from 0; the first if not said.
    #[serde(default)]
    #[param(maximum = 1000)]
    building: Option<u32>,
    /// The level's number; the lowest that is drawn and above grade by custom, 1 and up, if not said.
    #[serde(default)]
    #[param(minimum = -20, maximum = 200)]
    level: Option<i32>,
    /// The standard's id; the first of the list of standards if not said.
    #[serde(default)]
    #[param(max_length = 120)]
    standard: Option<String>,
}

/// A plan that can be drawn.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PlanHead {
    /// The building's place in the document, from 0.
    building: usize,
    /// The building's name and the level.
    name: String,
    /// The level's number.
    level: i32,
    /// Where the drawing is.
    href: String,
}

/// List the levels of a measurement that can be drawn; none where its areas were stated and no wall was read.
#[utoipa::path(get, path = "/measurements/{property}/{version}/plans", tag = "measurements",
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The version")),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The plans", body = Vec<PlanHead>)))]
pub(crate) async fn list_plans(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
) -> Result<Json<Vec<PlanHead>>, Problem> {
    let office = who.office(&READERS)?;
    let document = app.store.measurement_document(office, &property, version).await?;
    let heads = plans(&app, office, &document, None).await?.into_iter().map(|plan| PlanHead {
        href: format!(
            "/v1/measurements/{property}/{version}/plan.svg?building={}&level={}",
            plan.building, plan.level
        ),
        building: plan.building,
        name: plan.plan.level_name,
        level: plan.level,
    });
    Ok(Json(heads.collect()))
}

/// Draw a level of a measurement to scale, hatched by how its parts count under a standard. The same measurement gives
/// the same bytes.
#[utoipa::path(get, path = "/measurements/{property}/{version}/plan.svg", tag = "measurements",
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The version"), PlanQuery),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The plan", body = String, content_type = "image/svg+xml"),
        (status = 404, description = "No such measurement, level or standard, or a house of stated areas", body = Problem)))]
pub(crate) async fn get_plan(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
    Q(query): Q<PlanQuery>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let document = app.store.measurement_document(office, &property, version).await?;
    let plans = plans(&app, office, &document, query.standard.as_deref()).await?;
    let building = query.building.unwrap_or(0) as usize;
    let of_building = || plans.iter().filter(|plan| plan.building == building);
    let found = match query.level {
        Some(level) => of_building().find(|plan| plan.level == level),
        None => of_building()
            .filter(|plan| plan.level >= 1)
            .min_by_key(|plan| plan.level)
            .or(of_building().next()),
    };
    let found = found.ok_or_else(|| {
        let asked =
            query.level.map_or_else(|| format!("{building}"), |level| format!("{building}, level {level}"));
        Problem::not_found("plan of building", &asked)
    })?;
    Ok((
        [(header::CONTENT_TYPE, "image/svg+xml"), (header::CONTENT_SECURITY_POLICY, "default-src 'none'")],
        svg(&found.plan),
    ))
}

/// The plans of a document that was taken in before.
async fn plans(
    app: &App,
    office: &str,
    document: &str,
    name: Option<&str>,
) -> Result<Vec<LevelPlan>, Problem> {
    let measurement = reread(document)
        .map_err(|problems| Problem::invalid(problems.into_iter().map(Into::into).collect()))?;
    let standard = standard(app, office, name).await?;
    let statement = standard.state(&measurement.house);
    Ok(of_house(&measurement, &standard, &statement, Ground::Paper))
}

//! What the operator of the installation looks at: health and readiness.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::App;
use crate::http::problem::Problem;

/// Routes that need no key.
pub(crate) fn open_router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_health)).routes(routes!(get_readiness))
}

/// The state of the service.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// `ok`.
    status: &'static str,
    /// The version of the program.
    version: &'static str,
}

const OK: Health = Health { status: "ok", version: env!("CARGO_PKG_VERSION") };

/// Whether the process lives.
#[utoipa::path(get, path = "/healthz", tag = "operator", responses((status = 200, description = "It lives", body = Health)))]
pub(crate) async fn get_health() -> Json<Health> {
    Json(OK)
}

/// Whether requests can be served: the database answers.
#[utoipa::path(get, path = "/readyz", tag = "operator",
    responses((status = 200, description = "It can serve", body = Health),
        (status = 503, description = "The database does not answer", body = Problem)))]
pub(crate) async fn get_readiness(State(app): State<App>) -> Result<Json<Health>, Problem> {
    app.store.source_list().await?;
    Ok(Json(OK))
}

//! The API under `/v1`: a file per resource. Handlers hold guards and calls only; the store holds the SQL.

mod batch;
pub(crate) mod findings;
pub(crate) mod measurements;
pub(crate) mod operator;
pub(crate) mod views;

use utoipa_axum::router::OpenApiRouter;

use crate::http::App;

/// All routes below `/v1`.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().merge(measurements::router()).merge(findings::router())
}

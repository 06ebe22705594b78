//! What the operator of the installation looks at: health and readiness.

use std::net::SocketAddr;

use axum::extract::{ConnectInfo, FromRequestParts as _, Request, State};
use axum::http::{HeaderName, header};
use axum::response::IntoResponse;
use axum::{Extension, Json};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::access::Who;
use crate::http::problem::{Kind, Problem};
use crate::http::{App, Leaving, measure};

/// Routes that need no key.
pub(crate) fn open_router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_health))
        .routes(routes!(get_readiness))
        .routes(routes!(get_metrics))
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

/// Whether requests can be served: the database answers, and the service was not told to stop.
#[utoipa::path(get, path = "/readyz", tag = "operator",
    responses((status = 200, description = "It can serve", body = Health),
        (status = 503, description = "The database does not answer, or the service is stopping", body = Problem)))]
pub(crate) async fn get_readiness(
    State(app): State<App>,
    leaving: Option<Extension<Leaving>>,
) -> Result<Json<Health>, Problem> {
    if leaving.is_some_and(|Extension(leaving)| leaving.is_so()) {
        return Err(Problem::new(Kind::Unavailable, "the service is stopping: ask another one"));
    }
    app.store.source_list().await?;
    Ok(Json(OK))
}

/// Figures about requests in the text form of Prometheus: for an operator's key, or without a key from this machine
/// itself when no proxy stands between.
#[utoipa::path(get, path = "/metrics", tag = "operator", security((), ("key" = ["operator"])),
    responses((status = 200, description = "The figures", body = String, content_type = "text/plain"),
        (status = 401, description = "No valid key", body = Problem), (status = 403, description = "The key does not allow it", body = Problem)))]
pub(crate) async fn get_metrics(
    State(app): State<App>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
) -> Result<impl IntoResponse, Problem> {
    let (mut parts, _) = request.into_parts();
    let through = [header::AUTHORIZATION, header::FORWARDED, HeaderName::from_static("x-forwarded-for")];
    if !peer.ip().is_loopback() || through.iter().any(|name| parts.headers.contains_key(name)) {
        Who::from_request_parts(&mut parts, &app).await?.operator()?;
    }
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], measure::text()))
}

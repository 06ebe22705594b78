//! The HTTP service: state, router, layers, and the server with its shutdown.

pub(crate) mod access;
mod describe;
pub(crate) mod extract;
mod gate;
pub(crate) mod measure;
pub(crate) mod problem;
pub(crate) mod rate;
mod retry;
pub(crate) mod upload;

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, MatchedPath, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Router};
use crossfoot_store::Store;
use crossfoot_worker::Worker;
use problem::{Kind, Problem};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tower::ServiceBuilder;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate as _};
use tower_http::request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::trace::TraceLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;

use crate::packets::Press;
use crate::{api, pages};

/// What every handler can reach.
#[derive(Clone)]
pub(crate) struct App {
    pub(crate) store: Store,
    pub(crate) worker: Worker,
    pub(crate) limits: Arc<Limits>,
    pub(crate) press: Press,
}

/// What requests may be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Limits {
    /// Bytes of an ordinary request body.
    pub(crate) body_bytes: usize,
    /// Bytes of an uploaded roll or file of houses.
    pub(crate) upload_bytes: usize,
    /// Requests a minute of one key, or of one address without a key.
    pub(crate) requests_a_minute: u32,
    /// An upload of which nothing came for so many seconds is given up.
    pub(crate) idle_seconds: u64,
    /// A request that is no upload is given up after so many seconds.
    pub(crate) answer_seconds: u64,
    /// After the signal to stop, requests are still taken for so many seconds.
    pub(crate) leave_seconds: u64,
    /// Whether the session's cookie travels over https only.
    pub(crate) secure_cookies: bool,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            body_bytes: 2 * 1024 * 1024,
            upload_bytes: 8 * 1024 * 1024 * 1024,
            requests_a_minute: 6000,
            idle_seconds: 30,
            answer_seconds: 30,
            leave_seconds: 0,
            secure_cookies: true,
        }
    }
}

/// The description of the API; the operations add themselves.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "crossfoot",
        description = "Finds the measured houses of an office whose public record is wrong enough to matter, and says on \
what evidence. Areas are decimal numbers with the unit in the name, money is text, ratios are decimal numbers, times are \
RFC 3339 UTC. Errors are application/problem+json (RFC 9457). Not a survey, an appraisal, or tax or legal advice; a \
corrected record can raise the tax as well as lower it.",
        license(name = "Apache-2.0", identifier = "Apache-2.0")
    ),
    modifiers(&KeyScheme),
    tags(
        (name = "findings", description = "The queue, findings and decisions"),
        (name = "measurements", description = "Measured houses and properties"),
        (name = "sources", description = "Public records and their editions"),
        (name = "office", description = "Policies, runs, matches, keys"),
        (name = "operator", description = "Of the installation")
    )
)]
struct Description;

struct KeyScheme;

impl utoipa::Modify for KeyScheme {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
        if let Some(components) = openapi.components.as_mut() {
            components.add_security_scheme("key", SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer)));
        }
    }
}

fn described() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Description::openapi())
        .nest("/v1", api::router())
        .merge(api::operator::open_router())
}

/// The description of the API as JSON, as `schemas/openapi.json` holds it.
pub(crate) fn description() -> anyhow::Result<String> {
    let (_, openapi) = described().split_for_parts();
    Ok(format!("{}\n", serde_json::to_string_pretty(&describe::whole(&openapi))?))
}

/// The whole router.
pub(crate) fn router(app: App) -> Router {
    let (api, openapi) = described().split_for_parts();
    let docs = utoipa_swagger_ui::SwaggerUi::new("/docs")
        .external_url_unchecked("/openapi.json", describe::whole(&openapi));
    let scopes = Arc::new(gate::scopes(&openapi));
    // the outermost last: who asks, whether it was asked before, how long it may take
    let api: Router<App> = api
        .layer(DefaultBodyLimit::max(app.limits.body_bytes))
        .route_layer(from_fn_with_state(app.clone(), in_time))
        .route_layer(from_fn_with_state(app.clone(), retry::idempotent))
        .route_layer(from_fn_with_state((app.clone(), scopes), gate::gate))
        .route_layer(from_fn_with_state(rate::Buckets::new(app.limits.requests_a_minute), rate::limit));
    let router: Router<App> =
        api.merge(docs).merge(pages::router()).fallback(unknown_path).method_not_allowed_fallback(|| async {
            Problem::new(Kind::MethodNotAllowed, "the path knows no such method: /docs lists them")
        });
    let request_id = HeaderName::from_static("x-request-id");
    // packets are told by the hash of their bytes as sent
    let compressible = DefaultPredicate::new()
        .and(NotForContentType::const_new("application/zip"))
        .and(NotForContentType::const_new("application/pdf"));
    router
        .layer(
            ServiceBuilder::new()
                .layer(SetRequestIdLayer::new(request_id.clone(), MakeRequestUuid))
                .layer(TraceLayer::new_for_http().make_span_with(span))
                .layer(PropagateRequestIdLayer::new(request_id))
                .layer(from_fn(measure::count))
                .layer(from_fn(shape_errors))
                .layer(SetResponseHeaderLayer::if_not_present(
                    header::X_CONTENT_TYPE_OPTIONS,
                    HeaderValue::from_static("nosniff"),
                ))
                .layer(SetResponseHeaderLayer::if_not_present(
                    header::REFERRER_POLICY,
                    HeaderValue::from_static("same-origin"),
                ))
                .layer(SetResponseHeaderLayer::if_not_present(
                    header::CONTENT_SECURITY_POLICY,
                    HeaderValue::from_static(CONTENT_POLICY),
                ))
                .layer(CatchPanicLayer::new())
                .layer(CompressionLayer::new().gzip(true).zstd(true).compress_when(compressible)),
        )
        .with_state(app)
}

/// A path that nothing answers: a page for a browser, a problem for a program.
async fn unknown_path(request: Request) -> Response {
    let accepts = request.headers().get(header::ACCEPT).and_then(|v| v.to_str().ok()).unwrap_or("");
    if accepts.contains("text/html") && !request.uri().path().starts_with("/v1/") {
        return pages::no_such_page();
    }
    Problem::new(Kind::NotFound, "there is no such path: /docs lists them").into_response()
}

/// Gives a request up that takes too long. Uploads have a limit of their own, on how slowly they may come.
async fn in_time(State(app): State<App>, request: Request, next: Next) -> Result<Response, Problem> {
    if retry::is_upload(request.extensions().get::<MatchedPath>()) {
        return Ok(next.run(request).await);
    }
    let most = Duration::from_secs(app.limits.answer_seconds);
    tokio::time::timeout(most, next.run(request)).await.map_err(|_| {
        Problem::new(Kind::Timeout, format!("no answer within {} s: ask for less", most.as_secs()))
    })
}

/// Nothing from elsewhere, nothing inline, no frames.
const CONTENT_POLICY: &str =
    "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";

fn span(request: &Request) -> tracing::Span {
    let id = request.headers().get("x-request-id").and_then(|v| v.to_str().ok()).unwrap_or("");
    tracing::info_span!("request", method = %request.method(), path = %request.uri().path(), request.id = id)
}

/// Answers of layers that are no problem+json become one: too large, timed out, panicked.
async fn shape_errors(request: Request, next: Next) -> Response {
    let path_is_api = !request.uri().path().starts_with("/docs");
    let response = next.run(request).await;
    let status = response.status();
    let failed = status.is_client_error() || status.is_server_error();
    let content = response.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    if !failed || !path_is_api || content.contains("json") || content.starts_with("text/html") {
        return response;
    }
    let kind = Kind::of_status(status);
    let detail = if kind == Kind::TooLarge {
        "send less at once"
    } else if kind == Kind::MethodNotAllowed {
        "the path knows no such method: /docs lists them"
    } else if kind == Kind::Internal {
        "the cause is in the log of the service, under the id of this request"
    } else if status == StatusCode::FORBIDDEN {
        "the request comes from another site: open the page here and send it again"
    } else {
        "the request could not be handled as it was sent"
    };
    let allow = response.headers().get(header::ALLOW).cloned();
    let mut shaped = Problem::new(kind, detail).into_response();
    if let Some(allow) = allow {
        shaped.headers_mut().insert(header::ALLOW, allow);
    }
    shaped
}

/// Ports tried when the wanted one is taken.
const PORTS_TRIED: u16 = 20;

/// Binds the wanted port of an address, or the next one that is free; 0 takes any.
pub(crate) async fn bind(address: Ipv4Addr, port: u16) -> std::io::Result<TcpListener> {
    let mut last = None;
    for port in port..=port.saturating_add(if port == 0 { 0 } else { PORTS_TRIED }) {
        match TcpListener::bind(SocketAddr::from((address, port))).await {
            Ok(listener) => return Ok(listener),
            Err(error) => last = Some(error),
        }
    }
    Err(last.unwrap_or_else(|| std::io::Error::other("no port was tried")))
}

/// How long running requests may take after the service has stopped taking new ones.
const DRAIN: Duration = Duration::from_secs(30);

/// Whether the service was told to stop.
#[derive(Debug, Clone)]
pub(crate) struct Leaving(CancellationToken);

impl Leaving {
    /// Whether new requests had better go elsewhere.
    pub(crate) fn is_so(&self) -> bool {
        self.0.is_cancelled()
    }
}

/// Serves until told to stop, says for a while that it leaves, then lets running requests finish.
pub(crate) async fn serve(listener: TcpListener, app: App, stop: CancellationToken) -> anyhow::Result<()> {
    let leave = Duration::from_secs(app.limits.leave_seconds);
    let router = router(app).layer(Extension(Leaving(stop.clone())));
    let stopped = stop.clone();
    let server = axum::serve(listener, router.into_make_service_with_connect_info::<SocketAddr>())
        .with_graceful_shutdown(async move {
            stopped.cancelled().await;
            tokio::time::sleep(leave).await;
        });
    let server = tokio::spawn(async move { server.await });
    stop.cancelled().await;
    match tokio::time::timeout(leave.saturating_add(DRAIN), server).await {
        Ok(ended) => Ok(ended??),
        Err(_) => Ok(()),
    }
}

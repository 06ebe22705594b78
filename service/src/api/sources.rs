//! Sources of public records, and the jobs that work on them.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_roll::layout::Layout;
use crossfoot_store::job::JobView;
use crossfoot_store::office::Role;
use crossfoot_store::source::Source;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::P;
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_sources, create_source)).routes(routes!(get_job))
}

/// A source.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SourceView {
    /// Its name.
    id: String,
    /// Its title for people.
    title: String,
    /// Where its records lie.
    jurisdiction: String,
    /// The standard that its area follows, or not-published.
    basis: String,
    /// The edition in use, once there is one.
    current_edition: Option<i64>,
    /// When the next edition is due, where one is expected.
    due_at: Option<String>,
    /// Whether that is past, with the tolerance.
    overdue: bool,
}

impl From<Source> for SourceView {
    fn from(source: Source) -> SourceView {
        SourceView {
            id: source.id,
            title: source.title,
            jurisdiction: source.jurisdiction,
            basis: source.basis,
            current_edition: source.current_edition,
            due_at: None,
            overdue: false,
        }
    }
}

/// List the sources by name.
#[utoipa::path(get, path = "/sources", tag = "sources",
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "All sources", body = Vec<SourceView>)))]
pub(crate) async fn list_sources(
    State(app): State<App>,
    _who: Who,
) -> Result<Json<Vec<SourceView>>, Problem> {
    let expected = app.store.expected_editions().await?;
    let mut views: Vec<SourceView> =
        app.store.source_list().await?.into_iter().map(SourceView::from).collect();
    for view in &mut views {
        if let Some(expected) = expected.iter().find(|expected| expected.source == view.id) {
            (view.due_at, view.overdue) = (Some(time(expected.due_at)), expected.overdue);
        }
    }
    Ok(Json(views))
}

/// Make a source of a layout, as TOML or as JSON, or give a known source a new layout. The layout's id is the source's.
#[utoipa::path(post, path = "/sources", tag = "sources",
    request_body(content((String = "application/toml"), (Object = "application/json"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The source was known; its layout is this one from now on", body = SourceView),
        (status = 201, description = "It was made", body = SourceView)))]
pub(crate) async fn create_source(
    State(app): State<App>,
    who: Who,
    headers: HeaderMap,
    body: Bytes,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let layout = layout(&headers, &body)?;
    let known = app.store.source_list().await?.iter().any(|source| source.id == layout.id);
    let source = app.store.source_ensure(&layout.id, &layout).await?;
    app.store.source_layout_keep(source.number, &layout).await?;
    app.store
        .log_note(None, &who.0, "source_layout", &format!("source {}", source.id), &layout.version())
        .await?;
    let status = if known { StatusCode::OK } else { StatusCode::CREATED };
    Ok((status, Json(SourceView::from(source))))
}

pub(crate) fn layout(headers: &HeaderMap, body: &[u8]) -> Result<Layout, Problem> {
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let text = std::str::from_utf8(body)
        .map_err(|_| Problem::new(Kind::BadRequest, "the body is not UTF-8: save it as UTF-8"))?;
    let toml = match content.split(';').next().unwrap_or_default().trim() {
        "application/toml" | "text/plain" => text.to_owned(),
        "application/json" => {
            let value: serde_json::Value = serde_json::from_str(text)
                .map_err(|error| Problem::new(Kind::BadRequest, format!("the body is no JSON: {error}")))?;
            toml::to_string(&value).map_err(|error| {
                Problem::wrong("", format!("the layout cannot be read: {error}"), "leave nulls out")
            })?
        }
        _ => {
            return Err(Problem::new(
                Kind::UnsupportedMediaType,
                "send application/toml or application/json as Content-Type",
            ));
        }
    };
    let layout = Layout::from_toml(&toml)
        .map_err(|error| Problem::wrong("", error.message, "correct the layout at that place"))?;
    if toml.contains('\0') || toml.contains("\\u0000") {
        return Err(Problem::wrong("", "there is a zero character in the text", "leave it out"));
    }
    Ok(layout)
}

/// A job.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Job {
    /// Its id.
    pub(crate) id: String,
    /// import, reconcile or compact.
    pub(crate) kind: &'static str,
    /// queued, running, done or failed.
    pub(crate) state: String,
    /// How often it was begun.
    pub(crate) attempts: i64,
    /// Done so far: bytes of an import, pairs of a reconciliation.
    pub(crate) progress: i64,
    /// Of so many, where known.
    pub(crate) progress_total: Option<i64>,
    /// Why it failed, or empty.
    pub(crate) reason: String,
}

impl From<JobView> for Job {
    fn from(job: JobView) -> Job {
        Job {
            id: job.id,
            kind: job.kind.name(),
            state: job.state,
            attempts: job.attempts,
            progress: job.progress,
            progress_total: job.progress_total,
            reason: job.reason,
        }
    }
}

/// Read a job: of the office, or of the installation for its operator.
#[utoipa::path(get, path = "/jobs/{id}", tag = "sources", params(("id" = String, Path, description = "The job's id")),
    security(("key" = ["review", "batch", "administer", "operator"])),
    responses((status = 200, description = "The job", body = Job)))]
pub(crate) async fn get_job(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Json<Job>, Problem> {
    let asks = if who.0.role == Role::Operator {
        None
    } else {
        Some(who.office(&[Role::Review, Role::Batch])?.to_owned())
    };
    if app.store.job_office(&id).await? != asks {
        return Err(Problem::not_found("job", &id));
    }
    Ok(Json(app.store.job_view(&id).await?.into()))
}

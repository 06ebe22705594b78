//! What everybody may look up: the standards that come with the program and the office's own, which it may add to,
//! and the layouts of the sources.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_audit::standard::Standard;
use crossfoot_roll::layout::shipped;
use crossfoot_store::office::Role;
use crossfoot_store::standard::versioned_name;
use crossfoot_worker::standards::AddError;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_standards, save_standard)).routes(routes!(list_layouts))
}

/// A definition of floor area.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StandardView {
    /// Its name in layouts; judgements by an own one add `@` and the version.
    id: String,
    /// Its title for people.
    title: String,
    /// Who publishes it.
    publisher: String,
    /// Which edition.
    edition: String,
    /// The newest version, for one of the office's own.
    version: Option<i64>,
    /// When that was saved.
    saved_at: Option<String>,
    /// The whole definition: rules in order, with citations and cautions.
    #[schema(value_type = Object)]
    definition: Standard,
}

impl StandardView {
    fn of(definition: Standard, version: Option<i64>, saved_at: Option<i64>) -> StandardView {
        StandardView {
            id: definition.id.clone(),
            title: definition.title.clone(),
            publisher: definition.publisher.clone(),
            edition: definition.edition.clone(),
            version,
            saved_at: saved_at.map(time),
            definition,
        }
    }
}

/// List the standards under which areas can be stated: those that come with the program, and the office's own.
#[utoipa::path(get, path = "/standards", tag = "sources",
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "All standards", body = Vec<StandardView>)))]
pub(crate) async fn list_standards(
    State(app): State<App>,
    who: Who,
) -> Result<Json<Vec<StandardView>>, Problem> {
    let standards = app.worker.standards();
    let built_in = standards.built_in().iter().cloned();
    let mut views: Vec<StandardView> =
        built_in.map(|standard| StandardView::of(standard, None, None)).collect();
    if let Some(office) = &who.0.office {
        let own = standards.own(office).await?.into_iter();
        views.extend(own.map(|own| StandardView::of(own.standard, Some(own.version), Some(own.saved_at))));
    }
    Ok(Json(views))
}

/// Keep a definition of floor area of the office's own, as TOML or as JSON of the same shape
/// (schemas/standard.schema.json). A known id gets a new version, beside the old ones; what is judged by it is then
/// judged again.
#[utoipa::path(post, path = "/standards", tag = "sources",
    request_body(content((String = "application/toml"), (Object = "application/json"))), security(("key" = ["administer"])),
    responses((status = 200, description = "The newest version was this one already", body = StandardView),
        (status = 201, description = "It is kept as the next version", body = StandardView)))]
pub(crate) async fn save_standard(
    State(app): State<App>,
    who: Who,
    headers: HeaderMap,
    body: Bytes,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Administer])?;
    let standard = read(&headers, body).await?;
    let before = app.store.standard_in_force(office, &standard.id).await?.map_or(0, |own| own.version);
    let version = app.worker.standards().add(office, &standard).await.map_err(|error| match error {
        AddError::Store(error) => Problem::from(error),
        AddError::BuiltIn(_) | AddError::Reserved(_) => {
            Problem::wrong("/id", error.to_string(), "give it an id of its own")
        }
    })?;
    let status = if version == before { StatusCode::OK } else { StatusCode::CREATED };
    if version != before {
        let about = format!("standard {}", versioned_name(&standard.id, version));
        app.store.log_note(Some(office), &who.0, "standard_saved", &about, &standard.title).await?;
    }
    let saved = app.store.standard_of_version(office, &standard.id, version).await?;
    let saved_at = saved.map(|own| own.saved_at);
    Ok((status, Json(StandardView::of(standard, Some(version), saved_at))))
}

/// Reads a definition off the threads that answer requests: the proof that every part falls under a rule may look
/// at a million kinds of parts.
async fn read(headers: &HeaderMap, body: Bytes) -> Result<Standard, Problem> {
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let is_toml = match content.split(';').next().unwrap_or_default().trim() {
        "application/toml" | "text/plain" => true,
        "application/json" => false,
        _ => {
            let how = "send application/toml or application/json as Content-Type";
            return Err(Problem::new(Kind::UnsupportedMediaType, how));
        }
    };
    let text = String::from_utf8(body.to_vec())
        .map_err(|_| Problem::new(Kind::BadRequest, "the body is not UTF-8: save it as UTF-8"))?;
    if !is_toml && let Err(error) = serde_json::from_str::<serde::de::IgnoredAny>(&text) {
        return Err(Problem::new(Kind::BadRequest, format!("the body is no JSON: {error}")));
    }
    let read = move || if is_toml { Standard::from_toml(&text) } else { Standard::from_json(&text) };
    let standard = tokio::task::spawn_blocking(read)
        .await
        .map_err(|_| Problem::new(Kind::Internal, "the standard was not read"))?;
    standard.map_err(|error| Problem::wrong("", error.to_string(), "correct the standard at that place"))
}

/// A layout, in use or not.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LayoutView {
    /// `source`: the one by which files of a source are read; `program`: one that comes with the program, in use or not.
    origin: &'static str,
    /// The source's name; null for one that comes with the program.
    source: Option<String>,
    /// SHA-256 of the layout's canonical form: a source whose layout has the version of a shipped one uses that.
    version: String,
    /// The layout.
    #[schema(value_type = Object)]
    layout: crossfoot_roll::layout::Layout,
}

/// List the layouts by which rolls are read, of each source that has one, and then those that come with the program.
#[utoipa::path(get, path = "/layouts", tag = "sources",
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "All layouts", body = Vec<LayoutView>)))]
pub(crate) async fn list_layouts(
    State(app): State<App>,
    _who: Who,
) -> Result<Json<Vec<LayoutView>>, Problem> {
    let mut layouts = Vec::new();
    for source in app.store.source_list().await? {
        if let Some(layout) = app.store.source_layout(source.number).await? {
            let (source, version) = (Some(source.id), layout.version());
            layouts.push(LayoutView { origin: "source", source, version, layout });
        }
    }
    layouts.extend(shipped().iter().map(|shipped| LayoutView {
        origin: "program",
        source: None,
        version: shipped.layout.version(),
        layout: shipped.layout.clone(),
    }));
    Ok(Json(layouts))
}

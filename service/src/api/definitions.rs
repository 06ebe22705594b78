//! What everybody may look up: the standards that come with the program, and the layouts of the sources.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::App;
use crate::http::access::Who;
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_standards)).routes(routes!(list_layouts))
}

/// A definition of floor area.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StandardView {
    /// Its name in layouts and judgements.
    id: String,
    /// Its title for people.
    title: String,
    /// Who publishes it.
    publisher: String,
    /// Which edition.
    edition: String,
    /// Its rules in order.
    #[schema(value_type = Vec<Object>)]
    rules: Vec<crossfoot_audit::standard::CountingRule>,
}

/// List the standards under which areas can be stated.
#[utoipa::path(get, path = "/standards", tag = "sources",
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "All standards", body = Vec<StandardView>)))]
pub(crate) async fn list_standards(State(app): State<App>, _who: Who) -> Json<Vec<StandardView>> {
    let standards = app.worker.standards().iter().map(|standard| StandardView {
        id: standard.id.clone(),
        title: standard.title.clone(),
        publisher: standard.publisher.clone(),
        edition: standard.edition.clone(),
        rules: standard.rule.clone(),
    });
    Json(standards.collect())
}

/// The layout of a source.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LayoutView {
    /// The source's name.
    source: String,
    /// SHA-256 of the layout's canonical form.
    version: String,
    /// The layout.
    #[schema(value_type = Object)]
    layout: crossfoot_roll::layout::Layout,
}

/// List the layouts by which rolls are read, of each source that has one.
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
            layouts.push(LayoutView { source: source.id, version: layout.version(), layout });
        }
    }
    Ok(Json(layouts))
}

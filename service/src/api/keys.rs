//! Keys of the office and the log of who did what.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_store::LogEntry;
use crossfoot_store::office::{KeyEntry, Role};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, PageOf, Paging, Q, cursor, page};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_keys, create_key))
        .routes(routes!(end_key))
        .routes(routes!(list_log))
}

/// A key, without its secret.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Key {
    /// Its id.
    id: String,
    /// What it allows.
    role: String,
    /// What it is for.
    label: String,
    /// When it was made.
    created_at: String,
}

impl From<KeyEntry> for Key {
    fn from(key: KeyEntry) -> Key {
        Key { id: key.id, role: key.role, label: key.label, created_at: time(key.created_at) }
    }
}

/// List the keys of the office.
#[utoipa::path(get, path = "/keys", tag = "office", security(("key" = ["administer"])),
    responses((status = 200, description = "All keys, oldest first", body = Vec<Key>)))]
pub(crate) async fn list_keys(State(app): State<App>, who: Who) -> Result<Json<Vec<Key>>, Problem> {
    let office = who.office(&[Role::Administer])?;
    Ok(Json(app.store.key_list(office).await?.into_iter().map(Key::from).collect()))
}

/// A key to be made.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KeyRequest {
    /// What it allows.
    role: RoleName,
    /// What it is for.
    #[schema(min_length = 1, max_length = 200)]
    label: String,
}

/// A role within an office.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum RoleName {
    Upload,
    Review,
    Consult,
    Administer,
    Batch,
}

impl From<RoleName> for Role {
    fn from(name: RoleName) -> Role {
        match name {
            RoleName::Upload => Role::Upload,
            RoleName::Review => Role::Review,
            RoleName::Consult => Role::Consult,
            RoleName::Administer => Role::Administer,
            RoleName::Batch => Role::Batch,
        }
    }
}

/// A key just made.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct KeyMade {
    /// Its id.
    id: String,
    /// The key itself; it is shown this once and not kept.
    secret: String,
}

/// Make a key of the office. The answer alone holds it; it is not kept.
#[utoipa::path(post, path = "/keys", tag = "office", request_body = KeyRequest, security(("key" = ["administer"])),
    responses((status = 201, description = "It is made", body = KeyMade)))]
pub(crate) async fn create_key(
    State(app): State<App>,
    who: Who,
    Body(request): Body<KeyRequest>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Administer])?;
    if !(1..=200).contains(&request.label.chars().count()) {
        return Err(Problem::wrong("/label", "not between 1 and 200 characters", "say what it is for"));
    }
    let role = Role::from(request.role);
    let key = app.store.key_create(Some(office), role, &request.label).await?;
    app.store.log_note(Some(office), &who.0, "key_made", &format!("key {}", key.id), role.name()).await?;
    let mut headers = HeaderMap::new();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok((StatusCode::CREATED, headers, Json(KeyMade { id: key.id, secret: key.secret })))
}

/// End a key of the office at once, with its sessions.
#[utoipa::path(delete, path = "/keys/{id}", tag = "office", params(("id" = String, Path, description = "The key's id")),
    security(("key" = ["administer"])), responses((status = 204, description = "It is ended"), (status = 409, description = "It is the key that asks", body = Problem)))]
pub(crate) async fn end_key(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<StatusCode, Problem> {
    let office = who.office(&[Role::Administer])?;
    if id == who.0.key {
        return Err(Problem::new(
            Kind::Conflict,
            "a key does not end itself, lest nobody is left to make another: use another administrator's key",
        ));
    }
    if !app.store.key_end(office, &id).await? {
        return Err(Problem::not_found("valid key", &id));
    }
    app.store.log_note(Some(office), &who.0, "key_ended", &format!("key {id}"), "").await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Something that was done.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogView {
    /// Its id.
    id: String,
    /// When.
    at: String,
    /// The key that did it.
    actor: String,
    /// What was done.
    action: String,
    /// To what.
    subject: String,
    /// Further words.
    detail: String,
}

impl From<LogEntry> for LogView {
    fn from(entry: LogEntry) -> LogView {
        LogView {
            id: entry.id,
            at: time(entry.at),
            actor: entry.actor,
            action: entry.action,
            subject: entry.subject,
            detail: entry.detail,
        }
    }
}

/// List what was done in the office, newest first.
#[utoipa::path(get, path = "/audit-log", tag = "office", params(Paging), security(("key" = ["administer"])),
    responses((status = 200, description = "A page of the log", body = PageOf<LogView>)))]
pub(crate) async fn list_log(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Administer])?;
    let before: String = paging.place()?.unwrap_or_default();
    let items = app.store.log_page(office, &before, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&last.id));
    Ok(page("/v1/audit-log", items.into_iter().map(LogView::from).collect(), next))
}

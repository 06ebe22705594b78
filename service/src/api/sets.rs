//! Sets: files that make one edition together, sent one by one and staged when they are complete.

use std::path::Path;

use axum::Json;
use axum::body::Body as RawBody;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::IntoResponse;
use crossfoot_roll::assemble::{TWICE_MEND, named_twice};
use crossfoot_roll::layout::Layout;
use crossfoot_store::edition_set::EditionSet;
use crossfoot_store::source::EditionNotes;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::editions::{Arrival, StatusName, arrival};
use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, Q};
use crate::http::problem::{Kind, Problem};
use crate::http::upload;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_sets, begin_set))
        .routes(routes!(get_set, give_set_up))
        .routes(routes!(put_file))
        .routes(routes!(complete_set))
}

/// Files of a set, at the most.
const FILES_MAX: usize = 100;

/// A set to be begun.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewSet {
    /// The names of the files that make it complete, each once.
    #[schema(min_items = 1, max_items = 100)]
    files: Vec<String>,
    /// Whether its files may be of different days.
    #[serde(default)]
    mixed: bool,
    /// The year of the roll.
    #[schema(minimum = 1500, maximum = 2200)]
    roll_year: Option<i32>,
    /// How final it is.
    status: Option<StatusName>,
}

/// A file of a set.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SetFile {
    /// Its name.
    name: String,
    /// SHA-256 of its bytes.
    sha256: String,
    /// Its length.
    bytes: i64,
    /// The day that its figures are of, or empty.
    as_of: String,
}

/// A set.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SetView {
    /// Its number within the source.
    number: i64,
    /// gathering, complete, expired or given up.
    state: String,
    /// The names of the files that make it complete.
    expected: Vec<String>,
    /// Those that are not here yet.
    missing: Vec<String>,
    /// Those that are.
    files: Vec<SetFile>,
    /// Whether its files may be of different days.
    mixed: bool,
    /// When it is overdue.
    due_at: String,
    /// When it expires.
    expires_at: String,
    /// Whether it is overdue.
    overdue: bool,
    /// The edition that it became.
    edition: Option<i64>,
}

impl From<EditionSet> for SetView {
    fn from(set: EditionSet) -> SetView {
        SetView {
            missing: set.missing().into_iter().map(str::to_owned).collect(),
            number: set.number,
            state: set.state,
            expected: set.expected,
            files: set
                .files
                .into_iter()
                .map(|(file, as_of)| SetFile {
                    name: file.name,
                    sha256: file.sha256,
                    bytes: file.bytes,
                    as_of,
                })
                .collect(),
            mixed: set.mixed,
            due_at: time(set.due_at),
            expires_at: time(set.expires_at),
            overdue: set.overdue,
            edition: set.edition,
        }
    }
}

/// List the sets of a source that are gathering, the oldest first.
#[utoipa::path(get, path = "/sources/{id}/sets", tag = "sources", params(("id" = String, Path, description = "The source's name")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The sets", body = Vec<SetView>)))]
pub(crate) async fn list_sets(
    State(app): State<App>,
    _who: Who,
    P(id): P<String>,
) -> Result<Json<Vec<SetView>>, Problem> {
    let source = app.store.source_by_id(&id).await?;
    Ok(Json(app.store.edition_sets_open(&source).await?.into_iter().map(SetView::from).collect()))
}

/// Begin to gather the files of an edition.
#[utoipa::path(post, path = "/sources/{id}/sets", tag = "sources", params(("id" = String, Path, description = "The source's name")),
    request_body = NewSet, security(("key" = ["operator"])),
    responses((status = 201, description = "It gathers", body = SetView)))]
pub(crate) async fn begin_set(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    Body(new): Body<NewSet>,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let layout = app.store.source_layout(source.number).await?;
    if let Err((what, mend)) = names_fit(&new.files, layout.as_ref()) {
        return Err(Problem::wrong("/files", what, mend));
    }
    if new.roll_year.is_some_and(|year| !(1500..=2200).contains(&year)) {
        return Err(Problem::wrong("/roll_year", "it is not between 1500 and 2200", "give the year"));
    }
    let status = new.status.map(StatusName::status).unwrap_or_default();
    let notes = EditionNotes { roll_year: new.roll_year, status, as_of: String::new() };
    let set = app.store.edition_set_begin(&source, &new.files, new.mixed, &notes, &who.0).await?;
    Ok((StatusCode::CREATED, Json(SetView::from(set))))
}

/// Whether these can be the names of a set's files under the source's layout; else what is wrong with them and what would
/// mend it.
pub(crate) fn names_fit(names: &[String], layout: Option<&Layout>) -> Result<(), (String, &'static str)> {
    if names.len() > FILES_MAX || names.iter().any(|name| !fit(name)) {
        let what = "a name is empty, longer than 200 characters or holds a slash, or there are more than 100";
        return Err((what.to_owned(), "give the names of the files alone"));
    }
    let mut sorted = names.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    if sorted.is_empty() || sorted.len() != names.len() {
        return Err(("no file is named, or one twice".to_owned(), "name each once"));
    }
    match layout.and_then(|layout| named_twice(layout, names.iter().map(String::as_str))) {
        Some(what) => Err((what, TWICE_MEND)),
        None => Ok(()),
    }
}

fn fit(name: &str) -> bool {
    !name.is_empty() && name.chars().count() <= 200 && !name.contains(['/', '\\', '\0'])
}

/// Read a set.
#[utoipa::path(get, path = "/sources/{id}/sets/{n}", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The set's number")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The set", body = SetView)))]
pub(crate) async fn get_set(
    State(app): State<App>,
    _who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Json<SetView>, Problem> {
    let source = app.store.source_by_id(&id).await?;
    Ok(Json(app.store.edition_set(&source, n).await?.into()))
}

/// Give a set up.
#[utoipa::path(delete, path = "/sources/{id}/sets/{n}", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The set's number")), security(("key" = ["operator"])),
    responses((status = 204, description = "It gathers no more"), (status = 409, description = "It gathered no more already", body = Problem)))]
pub(crate) async fn give_set_up(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<StatusCode, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    app.store.edition_set_give_up(&source, n, &who.0).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// What is said about a file.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct FileQuery {
    /// The day that its figures are of. Files of one set are of one day, unless the set was begun as mixed.
    #[param(format = Date)]
    as_of: Option<String>,
}

/// A day as it is kept, or an empty text where none is said; none where it is no day.
pub(crate) fn day(said: &str) -> Option<String> {
    if said.is_empty() {
        return Some(String::new());
    }
    said.parse::<jiff::civil::Date>().ok().map(|day| day.to_string())
}

/// Send a file of a set: the body is the file as published. The same bytes again change nothing.
#[utoipa::path(put, path = "/sources/{id}/sets/{n}/files/{name}", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The set's number"), ("name" = String, Path, description = "The file's name"), FileQuery),
    request_body(content((serde_json::Value = "application/octet-stream"), (serde_json::Value = "text/csv"))), security(("key" = ["operator"])),
    responses((status = 200, description = "It is kept", body = SetView), (status = 409, description = "The set does not expect it, or it is of another day", body = Problem)))]
pub(crate) async fn put_file(
    State(app): State<App>,
    who: Who,
    P((id, n, name)): P<(String, i64, String)>,
    Q(query): Q<FileQuery>,
    headers: HeaderMap,
    body: RawBody,
) -> Result<Json<SetView>, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let set = app.store.edition_set(&source, n).await?;
    if !set.expected.contains(&name) {
        return Err(Problem::not_found("expected file", &name));
    }
    let as_of = day(query.as_of.as_deref().unwrap_or_default())
        .ok_or_else(|| Problem::new(Kind::BadRequest, "as_of is no day: write one such as 2026-01-01"))?;
    let arrived = upload::take(&app, &headers, body, app.limits.upload_bytes).await?;
    if arrived.bytes == 0 {
        return Err(Problem::wrong("", "the file is empty", "send the file as published as the body"));
    }
    // what arrived whole is kept whole, also when the client goes away
    let keeping = tokio::spawn(async move {
        let file = tokio::fs::File::from_std(arrived.file);
        let kept = app.store.object_keep_file(Path::new(&name), file).await?;
        Ok::<_, Problem>(app.store.edition_set_put(&source, n, &kept, &as_of).await?)
    });
    let set =
        keeping.await.map_err(|_| Problem::new(Kind::Internal, "the file was not kept: send it again"))??;
    Ok(Json(set.into()))
}

/// Stage a set whose files are all here as an edition. It is read by the source's layout.
#[utoipa::path(post, path = "/sources/{id}/sets/{n}/complete", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The set's number")), security(("key" = ["operator"])),
    responses((status = 200, description = "The same files are here already", body = Arrival),
        (status = 202, description = "It is staged; the job loads it", body = Arrival, headers(("Location" = String, description = "The job"))),
        (status = 409, description = "Files are missing, or the source has no layout yet", body = Problem)))]
pub(crate) async fn complete_set(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let Some(layout) = app.store.source_layout(source.number).await? else {
        return Err(Problem::new(Kind::Conflict, "the source has no layout: POST /v1/sources gives it one"));
    };
    Ok(arrival(app.store.edition_set_complete(&source, n, &layout, &who.0).await?))
}

//! Editions of a source: handing one in, what came of it, its quarantine and its changes.

use std::path::Path;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_store::history::{ChangeEntry, FieldChange};
use crossfoot_store::listing::EditionEntry;
use crossfoot_store::object::KeptFile;
use crossfoot_store::office::Role;
use crossfoot_store::source::{EditionArrival, EditionCounts, EditionNotes, RollStatus, Source};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::exports::{Form, Rows, streamed};
use super::life::HoldView;
use super::quarantine::MendView;
use super::sources::Job;
use super::views::{square_feet, time};
use crate::commands::export::reject_json;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, PageOf, Paging, Q, cursor, page};
use crate::http::problem::{Kind, Problem};
use crate::http::upload;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_editions, create_edition))
        .routes(routes!(get_edition))
        .routes(routes!(get_rejects))
        .routes(routes!(list_changes))
}

/// An edition in a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EditionView {
    /// Its number within the source.
    number: i64,
    /// staged, held, current, past, refused or withdrawn.
    state: String,
    /// The year of the roll, where stated.
    roll_year: Option<i64>,
    /// preliminary, certified, corrected or not stated.
    status: String,
    /// The version of the layout by which it is read.
    layout_version: String,
    /// When it arrived.
    received_at: String,
    /// Why it was refused, is held or was withdrawn, or empty.
    refusal: String,
    /// Data rows read.
    rows_total: i64,
    /// Rows that became records.
    rows_entered: i64,
    /// Rows that repeat an earlier row.
    rows_repeated: i64,
    /// Rows in quarantine.
    rows_rejected: i64,
    /// Records that were not there before.
    records_new: i64,
    /// Records with other content than before.
    records_changed: i64,
    /// Records that are gone.
    records_ended: i64,
    /// Records as before.
    records_unchanged: i64,
    /// Who mended its rows, when and why; null for one that was published.
    mended: Option<MendView>,
}

impl From<EditionEntry> for EditionView {
    fn from(edition: EditionEntry) -> EditionView {
        let EditionCounts {
            rows_total,
            rows_entered,
            rows_repeated,
            rows_rejected,
            records_new,
            records_changed,
            records_ended,
            records_unchanged,
        } = edition.counts;
        EditionView {
            number: edition.number,
            state: edition.state,
            roll_year: edition.roll_year,
            status: edition.status,
            layout_version: edition.layout_version,
            received_at: time(edition.received_at),
            refusal: edition.refusal,
            rows_total,
            rows_entered,
            rows_repeated,
            rows_rejected,
            records_new,
            records_changed,
            records_ended,
            records_unchanged,
            mended: None,
        }
    }
}

/// List the editions of a source.
#[utoipa::path(get, path = "/sources/{id}/editions", tag = "sources", params(("id" = String, Path, description = "The source's name"), Paging),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "A page of editions, oldest first", body = PageOf<EditionView>)))]
pub(crate) async fn list_editions(
    State(app): State<App>,
    _who: Who,
    P(id): P<String>,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let source = app.store.source_by_id(&id).await?;
    let after: i64 = paging.place()?.unwrap_or_default();
    let items = app.store.edition_page(source.number, after, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&last.number));
    let path = format!("/v1/sources/{}/editions", source.id);
    let mends = app.store.mends(source.number).await?;
    let view = |edition: EditionEntry| {
        let mended = mends.get(&edition.number).map(MendView::from);
        EditionView { mended, ..edition.into() }
    };
    Ok(page(&path, items.into_iter().map(view).collect(), next))
}

/// What is said about an edition that is handed in.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct EditionQuery {
    /// The year of the roll.
    #[param(minimum = 1500, maximum = 2200)]
    roll_year: Option<i32>,
    /// How final it is.
    #[param(inline)]
    status: Option<StatusName>,
    /// The name of the file, for people.
    #[param(max_length = 200)]
    name: Option<String>,
}

/// How final a roll is.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum StatusName {
    Preliminary,
    Certified,
    Corrected,
    NotStated,
}

impl StatusName {
    /// What it means.
    pub(crate) fn status(self) -> RollStatus {
        match self {
            StatusName::Preliminary => RollStatus::Preliminary,
            StatusName::Certified => RollStatus::Certified,
            StatusName::Corrected => RollStatus::Corrected,
            StatusName::NotStated => RollStatus::NotStated,
        }
    }
}

/// What became of an edition that was handed in.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Arrival {
    /// Its number.
    pub(crate) edition: i64,
    /// Its state.
    pub(crate) state: String,
    /// The job that loads it, if it is new.
    pub(crate) job: Option<String>,
}

/// Hand in an edition: the body is the roll as published. It is read by the source's layout.
#[utoipa::path(post, path = "/sources/{id}/editions", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), EditionQuery),
    request_body(content((serde_json::Value = "application/octet-stream"), (serde_json::Value = "text/csv"), (serde_json::Value = "text/plain"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The same bytes are here already", body = Arrival),
        (status = 202, description = "It is staged; the job loads it", body = Arrival, headers(("Location" = String, description = "The job"))),
        (status = 409, description = "The source has no layout yet, or its jurisdiction no rule for parcel numbers that fits it", body = Problem)))]
pub(crate) async fn create_edition(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    Q(query): Q<EditionQuery>,
    headers: HeaderMap,
    body: Body,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let notes = notes(&query)?;
    let name = file_name(&query, &source)?;
    let Some(layout) = app.store.source_layout(source.number).await? else {
        return Err(Problem::new(Kind::Conflict, "the source has no layout: POST /v1/sources gives it one"));
    };
    // what its jurisdiction's rule refuses is told before the file is sent
    let layout = app.store.layout_resolved(&layout).await?;
    content_is_a_file(&headers)?;
    let arrived = upload::take(&app, &headers, body, app.limits.upload_bytes).await?;
    if arrived.bytes == 0 {
        return Err(Problem::wrong("", "the roll is empty", "send the file as published as the body"));
    }
    // what arrived whole is staged whole, also when the client goes away
    let staging = tokio::spawn(async move {
        let file = tokio::fs::File::from_std(arrived.file);
        let kept = app.store.object_keep_file(Path::new(&name), file).await?;
        let arrival = app.store.edition_stage(&source, &layout, &[kept], &notes).await?;
        let subject = format!("source {}", source.id);
        app.store.log_note(None, &who.0, "edition_handed_in", &subject, &arrived.sha256).await?;
        Ok::<_, Problem>(arrival)
    });
    let arrival = staging.await.map_err(|_| Problem::new(Kind::Internal, "the edition was not staged"))??;
    Ok(self::arrival(arrival))
}

/// What became of an edition, as it is answered.
pub(crate) fn arrival(arrival: EditionArrival) -> (StatusCode, HeaderMap, Json<Arrival>) {
    let mut headers = HeaderMap::new();
    match arrival {
        EditionArrival::Known { edition, state } => {
            (StatusCode::OK, headers, Json(Arrival { edition, state, job: None }))
        }
        EditionArrival::Staged { edition, job } => {
            if let Ok(place) = format!("/v1/jobs/{job}").parse() {
                headers.insert(header::LOCATION, place);
            }
            let arrival = Arrival { edition, state: "staged".to_owned(), job: Some(job) };
            (StatusCode::ACCEPTED, headers, Json(arrival))
        }
    }
}

/// Refuses a body that is not said to be a file.
pub(crate) fn content_is_a_file(headers: &HeaderMap) -> Result<(), Problem> {
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let content = content.split(';').next().unwrap_or_default().trim();
    if ["application/octet-stream", "text/csv", "text/plain"].contains(&content) {
        return Ok(());
    }
    Err(Problem::new(
        Kind::UnsupportedMediaType,
        "send application/octet-stream, text/csv or text/plain as Content-Type",
    ))
}

fn notes(query: &EditionQuery) -> Result<EditionNotes, Problem> {
    if query.roll_year.is_some_and(|year| !(1500..=2200).contains(&year)) {
        return Err(Problem::new(Kind::BadRequest, "roll_year is not between 1500 and 2200"));
    }
    let status = query.status.map(StatusName::status).unwrap_or_default();
    Ok(EditionNotes { roll_year: query.roll_year, status, as_of: String::new() })
}

fn file_name(query: &EditionQuery, source: &Source) -> Result<String, Problem> {
    file_name_of(query.name.as_deref(), &source.id)
}

/// The name of a file that is handed in, or another one.
pub(crate) fn file_name_of(given: Option<&str>, otherwise: &str) -> Result<String, Problem> {
    let name = given.unwrap_or(otherwise).to_owned();
    if name.chars().count() > 200 || name.contains(['/', '\\', '\0']) {
        return Err(Problem::new(
            Kind::BadRequest,
            "name is longer than 200 characters or holds a slash: give the name of the file alone",
        ));
    }
    Ok(name)
}

/// An edition with the job that loads it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EditionWhole {
    /// The edition.
    edition: EditionView,
    /// Its job, with its progress.
    job: Option<Job>,
    /// Why it is or was held for a person.
    held_for: Vec<HoldView>,
}

pub(crate) async fn found(app: &App, id: &str, number: i64) -> Result<(Source, EditionEntry), Problem> {
    let source = app.store.source_by_id(id).await?;
    let editions = match number.checked_sub(1) {
        Some(before) => app.store.edition_page(source.number, before, 1).await?,
        None => Vec::new(),
    };
    let edition = editions.into_iter().next().filter(|edition| edition.number == number);
    Ok((source, edition.ok_or_else(|| Problem::not_found("edition", &format!("{id}/{number}")))?))
}

/// Read one edition: its counts, its state, and the progress of its job.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The edition", body = EditionWhole)))]
pub(crate) async fn get_edition(
    State(app): State<App>,
    _who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Json<EditionWhole>, Problem> {
    let (source, edition) = found(&app, &id, n).await?;
    let job = app.store.edition_job(source.number, n).await?.map(Job::from);
    let mended = app.store.mend(source.number, n).await?.as_ref().map(MendView::from);
    let held_for = app.store.edition(source.number, n).await?.held_for;
    let held_for = held_for.into_iter().map(HoldView::from).collect();
    Ok(Json(EditionWhole { edition: EditionView { mended, ..edition.into() }, job, held_for }))
}

/// Download the quarantine of an edition as CSV, without the rows themselves: they may hold what the layout does not map.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/rejects.csv", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")),
    security(("key" = ["review", "administer", "operator"])),
    responses((status = 200, description = "The quarantine, a row a line", body = String, content_type = "text/csv")))]
pub(crate) async fn get_rejects(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<impl IntoResponse, Problem> {
    if who.0.role != Role::Operator {
        who.office(&[Role::Review])?;
    }
    let (source, _) = found(&app, &id, n).await?;
    let files = app.store.edition(source.number, n).await?.files;
    let names: Vec<String> = files.iter().map(KeptFile::told).collect();
    if source.current_edition.is_none() {
        return Ok(streamed(Form::Csv, (), |()| async { Ok(None::<Rows<()>>) }));
    }
    Ok(streamed(Form::Csv, (String::new(), 0i64), move |(_, after)| {
        let (store, source, names) = (app.store.clone(), source.clone(), names.clone());
        async move {
            let rejects = store.reject_list(&source, n, after, super::exports::ROWS_A_PAGE).await?;
            let Some(last) = rejects.last().map(|reject| reject.number) else { return Ok(None) };
            let rows = rejects
                .iter()
                .map(|reject| {
                    let file = usize::try_from(reject.file).ok().and_then(|file| names.get(file));
                    reject_json(reject, file.map_or("", String::as_str))
                })
                .collect();
            Ok(Some(Rows { rows, next: (String::new(), last) }))
        }
    }))
}

/// What an edition changed about a record.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Change {
    /// The record's number within the source.
    record: i64,
    /// new, changed or ended.
    what: String,
    /// The parcel number under the source's rule.
    parcel_key: String,
    /// The recorded area after it.
    recorded_sqft: Option<f64>,
    /// The recorded value after it.
    value: Option<String>,
    /// The line of the file.
    line: i64,
    /// The fields that changed, of a record that did.
    fields: Vec<Field>,
}

/// A field that an edition changed.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Field {
    /// Its name.
    field: String,
    /// What it was; null where it was not stated.
    from: Option<String>,
    /// What it is.
    to: Option<String>,
}

impl From<FieldChange> for Field {
    fn from(change: FieldChange) -> Field {
        Field { field: change.field, from: change.from, to: change.to }
    }
}

/// A change as rows: one for each field, or one without a field.
pub(crate) fn change_json(change: &ChangeEntry) -> Vec<serde_json::Value> {
    let row = |field: Option<&FieldChange>| {
        serde_json::json!({
            "parcel_key": change.parcel_key,
            "what": change.what,
            "field": field.map(|f| f.field.as_str()),
            "from": field.and_then(|f| f.from.as_deref()),
            "to": field.and_then(|f| f.to.as_deref()),
            "line": change.line,
        })
    };
    if change.fields.is_empty() {
        vec![row(None)]
    } else {
        change.fields.iter().map(|f| row(Some(f))).collect()
    }
}

impl From<ChangeEntry> for Change {
    fn from(change: ChangeEntry) -> Change {
        Change {
            record: change.record,
            what: change.what,
            parcel_key: change.parcel_key,
            recorded_sqft: square_feet(change.area),
            value: change.value.map(|value| value.to_text()),
            line: change.line,
            fields: change.fields.into_iter().map(Field::from).collect(),
        }
    }
}

/// List what an edition changed against the one before; a first edition changes nothing.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/changes", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number"), Paging),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "A page of changes", body = PageOf<Change>)))]
pub(crate) async fn list_changes(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    if who.0.role != Role::Operator {
        who.office(&[Role::Review, Role::Consult])?;
    }
    let (source, _) = found(&app, &id, n).await?;
    let after: i64 = paging.place()?.unwrap_or_default();
    let items = app.store.change_page(&source, n, after, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&last.record));
    let path = format!("/v1/sources/{}/editions/{n}/changes", source.id);
    Ok(page(&path, items.into_iter().map(Change::from).collect(), next))
}

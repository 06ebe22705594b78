//! When the office is reconciled by itself. Folders from which files are taken belong to the installation: who may name
//! a folder may have it read, so they are set on the command line only.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use crossfoot_store::office::Role;
use crossfoot_store::schedule::{Schedule as Entry, ScheduleKind};
use crossfoot_worker::nightly::{ClockError, next_after};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P};
use crate::http::problem::{Fault, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_schedules)).routes(routes!(put_schedule, delete_schedule))
}

/// Longest expression, zone or name.
const TEXT_MAX: usize = 120;

/// When the office is reconciled by itself.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ScheduleView {
    /// Its id.
    id: String,
    /// The source's name; none means every source that has an edition.
    source: Option<String>,
    /// The cron expression.
    cron: String,
    /// The time zone that it is meant in.
    time_zone: String,
    /// When it is next due.
    next_at: String,
    /// When it last was.
    last_at: Option<String>,
    /// What came of it, or empty.
    last_result: String,
}

async fn view(app: &App, entry: Entry) -> Result<ScheduleView, Problem> {
    let source = match entry.source {
        Some(number) => Some(app.store.source_by_number(number).await?.id),
        None => None,
    };
    Ok(ScheduleView {
        id: entry.id,
        source,
        cron: entry.cron,
        time_zone: entry.time_zone,
        next_at: time(entry.next_at),
        last_at: entry.last_at.map(time),
        last_result: entry.last_result,
    })
}

/// The schedules of an office, without those of the installation.
async fn of_office(app: &App, office: &str) -> Result<Vec<Entry>, Problem> {
    let mut entries = app.store.schedule_list().await?;
    entries.retain(|entry| entry.office.as_deref() == Some(office));
    Ok(entries)
}

/// List the schedules of the office, the next one first.
#[utoipa::path(get, path = "/schedules", tag = "office", security(("key" = ["batch", "administer"])),
    responses((status = 200, description = "All schedules", body = Vec<ScheduleView>)))]
pub(crate) async fn list_schedules(
    State(app): State<App>,
    who: Who,
) -> Result<Json<Vec<ScheduleView>>, Problem> {
    let mut views = Vec::new();
    for entry in of_office(&app, who.office(&[Role::Batch])?).await? {
        views.push(view(&app, entry).await?);
    }
    Ok(Json(views))
}

/// When the office is to be reconciled.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ScheduleRequest {
    /// With this source only, by name; with all that have an edition if not said.
    #[schema(max_length = 120)]
    source: Option<String>,
    /// Minute, hour, day, month, day of the week, such as `30 2 * * *` for every day at 02:30; a sixth field before them
    /// counts seconds.
    #[schema(max_length = 120, example = "30 2 * * *")]
    cron: String,
    /// The time zone that it is meant in, as the IANA database names it; UTC if not said.
    #[schema(max_length = 120, example = "America/Chicago")]
    time_zone: Option<String>,
}

/// Make a schedule of the office, or change one. The id of a new one is a UUID of your choice, so that the same request
/// again makes no second one.
#[utoipa::path(put, path = "/schedules/{id}", tag = "office",
    params(("id" = String, Path, description = "The schedule's id, a UUID")),
    request_body = ScheduleRequest, security(("key" = ["batch", "administer"])),
    responses((status = 200, description = "It was there, and is as sent from now on", body = ScheduleView),
        (status = 201, description = "It was made", body = ScheduleView),
        (status = 413, description = "The body is too large", body = Problem),
        (status = 422, description = "The expression, the zone or the source is wrong", body = Problem)))]
pub(crate) async fn put_schedule(
    State(app): State<App>,
    who: Who,
    P(id): P<Uuid>,
    Body(request): Body<ScheduleRequest>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Batch])?;
    let time_zone = request.time_zone.clone().unwrap_or_else(|| "UTC".to_owned());
    let (source, next_at) = checked(&app, &request, &time_zone).await?;
    let known = of_office(&app, office).await?.iter().any(|entry| entry.id == id.to_string());
    let entry = Entry {
        id: id.to_string(),
        office: Some(office.to_owned()),
        source,
        kind: ScheduleKind::Reconcile,
        cron: request.cron,
        time_zone,
        folder: String::new(),
        layout: String::new(),
        next_at,
        last_at: None,
        last_result: String::new(),
    };
    if !app.store.schedule_put(&entry).await? {
        return Err(Problem::not_found("schedule", &id.to_string()));
    }
    let (subject, what) = (format!("schedule {id}"), format!("{} {}", entry.cron, entry.time_zone));
    app.store.log_note(Some(office), &who.0, "schedule_saved", &subject, &what).await?;
    let kept = of_office(&app, office).await?.into_iter().find(|kept| kept.id == entry.id);
    let status = if known { StatusCode::OK } else { StatusCode::CREATED };
    Ok((status, Json(view(&app, kept.unwrap_or(entry)).await?)))
}

/// The source's number and the first time, or everything that is wrong.
async fn checked(
    app: &App,
    request: &ScheduleRequest,
    time_zone: &str,
) -> Result<(Option<i64>, i64), Problem> {
    let mut faults = Vec::new();
    let mut fault = |pointer: &str, detail: String, mend: &str| {
        faults.push(Fault { pointer: pointer.to_owned(), detail, mend: mend.to_owned() });
    };
    let source = request.source.as_deref().unwrap_or_default();
    for (pointer, text) in [("/source", source), ("/cron", &request.cron), ("/time_zone", time_zone)] {
        if text.chars().count() > TEXT_MAX {
            fault(pointer, format!("longer than {TEXT_MAX} characters"), "shorten it");
        }
    }
    let named = match &request.source {
        Some(name) => app.store.source_list().await?.into_iter().find(|source| source.id == *name),
        None => None,
    };
    if request.source.is_some() && named.is_none() {
        fault("/source", format!("there is no source {source:?}"), "name one that GET /v1/sources lists");
    }
    let mut next = 0;
    match next_after(&request.cron, time_zone, app.store.clock_us().await?) {
        Ok(at) => next = at,
        Err(ClockError::Cron { expression, why }) => fault(
            "/cron",
            format!("the cron expression {expression:?} cannot be read: {why}"),
            "give minute, hour, day, month and day of the week, such as 30 2 * * * for every day at 02:30",
        ),
        Err(ClockError::Never(expression)) => fault(
            "/cron",
            format!("the cron expression {expression:?} names no time that comes"),
            "look at the day and the month",
        ),
        Err(ClockError::Zone(zone)) => fault(
            "/time_zone",
            format!("there is no time zone {zone:?}"),
            "give a name of the IANA database, such as America/Chicago, Europe/Zurich or UTC",
        ),
    }
    if faults.is_empty() {
        Ok((named.map(|source| source.number), next))
    } else {
        Err(Problem::invalid(faults))
    }
}

/// Remove a schedule of the office.
#[utoipa::path(delete, path = "/schedules/{id}", tag = "office",
    params(("id" = String, Path, description = "The schedule's id, a UUID")),
    security(("key" = ["batch", "administer"])),
    responses((status = 204, description = "It is removed")))]
pub(crate) async fn delete_schedule(
    State(app): State<App>,
    who: Who,
    P(id): P<Uuid>,
) -> Result<StatusCode, Problem> {
    let office = who.office(&[Role::Batch])?;
    let id = id.to_string();
    let known = of_office(&app, office).await?.iter().any(|entry| entry.id == id);
    if !known || !app.store.schedule_remove(&id).await? {
        return Err(Problem::not_found("schedule", &id));
    }
    app.store.log_note(Some(office), &who.0, "schedule_removed", &format!("schedule {id}"), "").await?;
    Ok(StatusCode::NO_CONTENT)
}

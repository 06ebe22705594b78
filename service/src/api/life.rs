//! What becomes of editions: accepted, given up, withdrawn, read again by another layout; the limits of a source; and
//! the history of a parcel.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use crossfoot_store::StoreError;
use crossfoot_store::edition::HoldReason;
use crossfoot_store::history::{FieldChange, RecordVersion};
use crossfoot_store::limits::Limits;
use crossfoot_store::office::Role;
use crossfoot_store::source::{EditionNotes, RollStatus};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::editions::{Arrival, Field, arrival, change_json, found};
use super::exports::{Form, ROWS_A_PAGE, Rows, streamed};
use super::sources::layout;
use super::views::square_feet;
use crate::commands::edition::parcel_key;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, Q};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(accept_edition))
        .routes(routes!(refuse_edition))
        .routes(routes!(withdraw_edition))
        .routes(routes!(read_again))
        .routes(routes!(get_limits, put_limits))
        .routes(routes!(get_record_history))
        .routes(routes!(get_changes_csv))
}

/// Why an edition is held.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HoldView {
    /// A word for the kind of reason.
    kind: String,
    /// The reason as a sentence.
    sentence: String,
    /// The figures behind it, by name.
    figures: std::collections::BTreeMap<String, f64>,
}

impl From<HoldReason> for HoldView {
    fn from(reason: HoldReason) -> HoldView {
        HoldView { kind: reason.kind, sentence: reason.sentence, figures: reason.figures }
    }
}

/// Why a person decides so.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Why {
    /// The reason, kept with the edition.
    #[param(max_length = 1000)]
    #[serde(default)]
    reason: Option<String>,
}

impl Why {
    fn text(&self) -> Result<&str, Problem> {
        let text = self.reason.as_deref().unwrap_or_default();
        if text.chars().count() > 1000 || text.contains('\0') {
            return Err(Problem::new(
                Kind::BadRequest,
                "reason is longer than 1,000 characters: say it shorter",
            ));
        }
        Ok(text)
    }
}

/// Put a held edition in use.
#[utoipa::path(post, path = "/sources/{id}/editions/{n}/accept", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")), security(("key" = ["operator"])),
    responses((status = 204, description = "It is in use"), (status = 409, description = "It is not held", body = Problem)))]
pub(crate) async fn accept_edition(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<StatusCode, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    app.store.edition_accept(&source, n, &who.0).await?;
    app.store.compaction_ask_when_due(&source).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Give a held edition up: it is refused, and leaves nothing.
#[utoipa::path(post, path = "/sources/{id}/editions/{n}/refuse", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number"), Why), security(("key" = ["operator"])),
    responses((status = 204, description = "It is refused"), (status = 409, description = "It is not held", body = Problem)))]
pub(crate) async fn refuse_edition(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    Q(why): Q<Why>,
) -> Result<StatusCode, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    app.store.edition_reject(&source, n, &who.0, why.text()?).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Take the newest edition out of use: the one before it is in use again, and what it had changed is judged again.
#[utoipa::path(post, path = "/sources/{id}/editions/{n}/withdraw", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number"), Why), security(("key" = ["operator"])),
    responses((status = 204, description = "It is withdrawn"), (status = 409, description = "It is not the newest in use", body = Problem)))]
pub(crate) async fn withdraw_edition(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    Q(why): Q<Why>,
) -> Result<StatusCode, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    app.store.edition_withdraw(&source, n, &who.0, why.text()?).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Read the kept files of the edition in use again, by the layout that is sent: a mended one makes a new edition, the
/// same one does nothing and says so.
#[utoipa::path(post, path = "/sources/{id}/editions/again", tag = "sources", params(("id" = String, Path, description = "The source's name")),
    request_body(content((String = "application/toml"), (Object = "application/json"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The layout is the same: nothing to do", body = Arrival),
        (status = 202, description = "It is staged; the job loads it", body = Arrival, headers(("Location" = String, description = "The job"))),
        (status = 409, description = "The source has no edition in use", body = Problem)))]
pub(crate) async fn read_again(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let layout = layout(&headers, &body)?;
    let Some(current) = source.current_edition else {
        return Err(Problem::new(Kind::Conflict, "no edition of the source is in use: hand its files in"));
    };
    let edition = app.store.edition(source.number, current).await?;
    let notes = EditionNotes {
        roll_year: edition.roll_year.and_then(|year| i32::try_from(year).ok()),
        status: RollStatus::from_name(&edition.status).unwrap_or_default(),
        as_of: edition.as_of,
    };
    let result = app.store.edition_stage(&source, &layout, &edition.files, &notes).await?;
    app.store.source_layout_keep(source.number, &layout).await?;
    let subject = format!("source {}", source.id);
    app.store.log_note(None, &who.0, "edition_read_again", &subject, &layout.version()).await?;
    Ok(arrival(result))
}

/// What editions of a source may change before a person is asked, and when the next one is expected.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct LimitsView {
    /// Held when more than this share of the records is gone; 0.05 if not said.
    #[schema(minimum = 0.0, maximum = 1.0)]
    shrink_share: Option<f64>,
    /// Held when more than so many columns that are not read appear or are gone; none if not said.
    #[schema(minimum = 0, maximum = 10000)]
    header_columns: Option<i64>,
    /// Held when the median area moves by more than this share; 0.03 if not said.
    #[schema(minimum = 0.0, maximum = 1.0)]
    median_share: Option<f64>,
    /// Held when the areas of more than this share of the records change alike; 0.02 if not said.
    #[schema(minimum = 0.0, maximum = 1.0)]
    definition_share: Option<f64>,
    /// Fewer records than this that change alike hold nothing; 200 if not said.
    #[schema(minimum = 1, maximum = 1000000000)]
    definition_records: Option<i64>,
    /// An edition is expected every so many days; not, if null or not said.
    #[schema(minimum = 1, maximum = 3660)]
    every_days: Option<i64>,
    /// Overdue after so many days more; 7 if not said.
    #[schema(minimum = 0, maximum = 3660)]
    tolerance_days: Option<i64>,
    /// Changes are folded into the base beyond this share of the records; 0.5 if not said.
    #[schema(minimum = 0.01, maximum = 100.0)]
    compact_share: Option<f64>,
}

impl From<Limits> for LimitsView {
    fn from(limits: Limits) -> LimitsView {
        LimitsView {
            shrink_share: Some(limits.shrink_share),
            header_columns: Some(limits.header_columns),
            median_share: Some(limits.median_share),
            definition_share: Some(limits.definition_share),
            definition_records: Some(limits.definition_records),
            every_days: limits.every_days,
            tolerance_days: Some(limits.tolerance_days),
            compact_share: Some(limits.compact_share),
        }
    }
}

impl From<LimitsView> for Limits {
    fn from(view: LimitsView) -> Limits {
        let usual = Limits::default();
        Limits {
            shrink_share: view.shrink_share.unwrap_or(usual.shrink_share),
            header_columns: view.header_columns.unwrap_or(usual.header_columns),
            median_share: view.median_share.unwrap_or(usual.median_share),
            definition_share: view.definition_share.unwrap_or(usual.definition_share),
            definition_records: view.definition_records.unwrap_or(usual.definition_records),
            every_days: view.every_days,
            tolerance_days: view.tolerance_days.unwrap_or(usual.tolerance_days),
            compact_share: view.compact_share.unwrap_or(usual.compact_share),
        }
    }
}

/// Read the limits of a source.
#[utoipa::path(get, path = "/sources/{id}/limits", tag = "sources", params(("id" = String, Path, description = "The source's name")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The limits in force", body = LimitsView)))]
pub(crate) async fn get_limits(
    State(app): State<App>,
    _who: Who,
    P(id): P<String>,
) -> Result<Json<LimitsView>, Problem> {
    let source = app.store.source_by_id(&id).await?;
    Ok(Json(app.store.limits(source.number).await?.into()))
}

/// Set the limits of a source; what is not said has its usual value.
#[utoipa::path(put, path = "/sources/{id}/limits", tag = "sources", params(("id" = String, Path, description = "The source's name")),
    request_body = LimitsView, security(("key" = ["operator"])),
    responses((status = 200, description = "The limits in force", body = LimitsView),
        (status = 422, description = "A limit is out of bounds", body = Problem)))]
pub(crate) async fn put_limits(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    Body(view): Body<LimitsView>,
) -> Result<Json<LimitsView>, Problem> {
    who.operator()?;
    let source = app.store.source_by_id(&id).await?;
    let limits = Limits::from(view);
    if let Some((name, fault)) = limits.faults().into_iter().next() {
        let (what, mend) = fault.split_once(": ").unwrap_or((fault, "correct it"));
        return Err(Problem::wrong(&format!("/{name}"), format!("it {what}"), mend));
    }
    app.store.limits_keep(&source, &limits, &who.0).await?;
    Ok(Json(limits.into()))
}

/// A version of a record.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Version {
    /// The record's number within the source.
    record: i64,
    /// The edition that this version came with.
    edition: i64,
    /// new, changed or ended.
    what: String,
    /// The parcel number as published.
    parcel: String,
    /// The situs address as published.
    situs: String,
    /// The recorded area.
    recorded_sqft: Option<f64>,
    /// The recorded value.
    value: Option<String>,
    /// The year built.
    year_built: Option<i64>,
    /// The class of use as published.
    class: String,
    /// The line of the file.
    line: i64,
    /// The fields that changed against the version before: figures, further columns, and values of buildings.
    fields: Vec<Field>,
}

impl From<(RecordVersion, Vec<FieldChange>)> for Version {
    fn from((version, fields): (RecordVersion, Vec<FieldChange>)) -> Version {
        let record = version.record;
        Version {
            record: record.number,
            edition: record.edition,
            what: version.what,
            parcel: record.parcel_raw,
            situs: record.situs,
            recorded_sqft: square_feet(record.area),
            value: record.value.map(|value| value.to_text()),
            year_built: record.year_built,
            class: record.class,
            line: record.line,
            fields: fields.into_iter().map(Field::from).collect(),
        }
    }
}

/// Read every version of the record of a parcel, the oldest first.
#[utoipa::path(get, path = "/sources/{id}/records/{parcel}", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("parcel" = String, Path, description = "The parcel number as published, or its key")),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "The versions", body = Vec<Version>)))]
pub(crate) async fn get_record_history(
    State(app): State<App>,
    who: Who,
    P((id, parcel)): P<(String, String)>,
) -> Result<Json<Vec<Version>>, Problem> {
    if who.0.role != Role::Operator {
        who.office(&[Role::Review, Role::Consult])?;
    }
    let source = app.store.source_by_id(&id).await?;
    if parcel.contains('\0') {
        return Err(Problem::not_found("parcel", "with a zero character"));
    }
    let key = parcel_key(&app.store, &source, &parcel).await?;
    let versions = app.store.record_history(&source, &key).await?;
    if versions.is_empty() {
        return Err(Problem::not_found("parcel", &parcel));
    }
    Ok(Json(versions.into_iter().map(Version::from).collect()))
}

/// Download what an edition changed against the one before as CSV: a row for each record, and for each of its fields
/// that changed.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/changes.csv", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "The changes, one a line", body = String, content_type = "text/csv")))]
pub(crate) async fn get_changes_csv(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Response, Problem> {
    if who.0.role != Role::Operator {
        who.office(&[Role::Review, Role::Consult])?;
    }
    let (source, _) = found(&app, &id, n).await?;
    Ok(streamed(Form::Csv, 0i64, move |after| {
        let (store, source) = (app.store.clone(), source.clone());
        async move {
            let changes = store.change_page(&source, n, after, ROWS_A_PAGE).await?;
            let Some(last) = changes.last().map(|change| change.record) else { return Ok(None) };
            let rows = changes.iter().flat_map(change_json).collect();
            Ok::<_, StoreError>(Some(Rows { rows, next: last }))
        }
    }))
}

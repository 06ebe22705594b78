//! The quarantine of an edition as work: reasons counted, rows in the file's own form, mended rows handed in again.

use std::path::Path;

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use crossfoot_store::StoreError;
use crossfoot_store::mend::{Mend, MendArrival, MendNote, RejectGroup};
use crossfoot_store::object::KeptFile;
use crossfoot_store::office::Role;
use crossfoot_store::source::{Edition, EditionArrival, Source};
use crossfoot_worker::quarantine::{MendFormError, MendForms, Shown};
use futures_util::{StreamExt as _, stream};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::editions::{Arrival, content_is_a_file, file_name_of};
use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, Q};
use crate::http::problem::{Kind, Problem};
use crate::http::upload;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_quarantine))
        .routes(routes!(get_rows_to_mend))
        .routes(routes!(create_mends))
}

/// Who may see what stands in quarantine, unmapped columns masked. Whole rows are for the operator, who keeps the
/// originals.
pub(crate) const READERS: [Role; 1] = [Role::Review];
/// Longest name of who mends, and longest reason, in characters.
pub(crate) const NAME_CHARACTERS: usize = 200;
pub(crate) const REASON_CHARACTERS: usize = 1000;

/// Who mended rows, when and why.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct MendView {
    /// The publisher's edition whose rows were mended.
    pub(crate) mends: i64,
    /// Who mended them.
    pub(crate) by: String,
    /// When they were handed in.
    pub(crate) at: String,
    /// Why they read as they do.
    pub(crate) reason: String,
}

impl From<&Mend> for MendView {
    fn from(mend: &Mend) -> MendView {
        MendView {
            mends: mend.mends,
            by: mend.mended_by.clone(),
            at: time(mend.mended_at),
            reason: mend.reason.clone(),
        }
    }
}

/// The quarantine of an edition.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Quarantine {
    /// The source's name.
    source: String,
    /// The edition's number.
    edition: i64,
    /// Rows in quarantine.
    rows: i64,
    /// The rows by reason and column, the most frequent first.
    groups: Vec<Group>,
    /// Who mended the rows of the edition; null for one that was published.
    mended: Option<MendView>,
}

/// Rows in quarantine for one reason, in one column.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Group {
    /// The reason.
    pub(crate) reason: String,
    /// The column at fault, where one is.
    pub(crate) column: Option<String>,
    /// How many rows.
    pub(crate) rows: i64,
    /// The first of them.
    pub(crate) examples: Vec<Example>,
}

/// A row in quarantine.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Example {
    /// The file; the name of the text in it first, where it holds several.
    pub(crate) file: String,
    /// Its line.
    pub(crate) line: i64,
    /// What was found and what would mend it.
    pub(crate) detail: String,
}

/// Groups with the names of the files that their rows stand in.
pub(crate) fn groups(groups: Vec<RejectGroup>, edition: &Edition) -> Vec<Group> {
    let file = |number: i64| {
        let file = usize::try_from(number).ok().and_then(|place| edition.files.get(place));
        file.map(KeptFile::told).unwrap_or_default()
    };
    let group = |group: RejectGroup| Group {
        reason: group.reason,
        column: group.column,
        rows: group.rows,
        examples: group
            .examples
            .into_iter()
            .map(|row| Example { file: file(row.file), line: row.line, detail: row.detail })
            .collect(),
    };
    groups.into_iter().map(group).collect()
}

/// A source and an edition of it that is in use, was, or is held.
pub(crate) async fn loaded(app: &App, id: &str, number: i64) -> Result<(Source, Edition), Problem> {
    let source = app.store.source_by_id(id).await?;
    let missing = |error: StoreError| {
        if let StoreError::Missing { .. } = error {
            Problem::not_found("edition", &format!("{id}/{number}"))
        } else {
            error.into()
        }
    };
    let edition = app.store.edition(source.number, number).await.map_err(missing)?;
    match not_opened(&source, &edition) {
        Some(why) => Err(Problem::new(Kind::Conflict, why)),
        None => Ok((source, edition)),
    }
}

/// Why the quarantine of an edition cannot be opened, where it cannot.
pub(crate) fn not_opened(source: &Source, edition: &Edition) -> Option<String> {
    // what is held lies beside what is in use, its quarantine included
    let beside = edition.state == "held";
    let opened = beside || source.current_edition.is_some_and(|current| edition.number <= current);
    (!opened).then(|| {
        format!(
            "edition {} is {}: the quarantine can be opened of an edition that is in use, was, or is held",
            edition.number, edition.state
        )
    })
}

/// Count the rows in quarantine of an edition by reason and column, with the first rows of each.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/quarantine", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")),
    security(("key" = ["review", "administer", "operator"])),
    responses((status = 200, description = "The counts", body = Quarantine),
        (status = 409, description = "The edition is neither in use, nor was it, nor is it held", body = Problem)))]
pub(crate) async fn get_quarantine(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Json<Quarantine>, Problem> {
    may_read(&who)?;
    let (source, edition) = loaded(&app, &id, n).await?;
    let found = app.store.reject_groups(&source, n).await?;
    let mend = app.store.mend(source.number, n).await?;
    Ok(Json(Quarantine {
        source: source.id,
        edition: n,
        rows: edition.counts.rows_rejected,
        groups: groups(found, &edition),
        mended: mend.as_ref().map(MendView::from),
    }))
}

pub(crate) fn may_read(who: &Who) -> Result<(), Problem> {
    if who.0.role != Role::Operator {
        who.office(&READERS)?;
    }
    Ok(())
}

/// Which rows, and how much of them.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct RowsQuery {
    /// Rows byte for byte as published, columns that are not mapped included: for the operator.
    #[serde(default)]
    whole: bool,
    /// The file of the edition, from 1, where its files have different headers.
    #[param(minimum = 1)]
    file: Option<usize>,
}

/// Download the rows in quarantine in the form of their own file, with a last column that says why: to be mended in
/// place and handed in again. Columns that the layout does not read are masked unless whole rows are asked for.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/to-mend.csv", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number"), RowsQuery),
    security(("key" = ["review", "administer", "operator"])),
    responses((status = 200, description = "Header and rows in the encoding of the file", body = String, content_type = "text/csv"),
        (status = 409, description = "The edition is neither in use, nor was it, nor is it held; its files have different headers; or its layout puts rows of tables together", body = Problem)))]
pub(crate) async fn get_rows_to_mend(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    Q(query): Q<RowsQuery>,
) -> Result<Response, Problem> {
    may_read(&who)?;
    let (source, edition) = loaded(&app, &id, n).await?;
    let shown = if query.whole { Shown::Whole } else { Shown::Mapped };
    if shown == Shown::Whole {
        who.operator()?;
        let subject = format!("source {} edition {n}", source.id);
        app.store.log_note(None, &who.0, "rows_taken_whole", &subject, "").await?;
    }
    rows_to_mend(app, source, edition, query.file, shown).await
}

/// The rows of an edition's quarantine as a download.
pub(crate) async fn rows_to_mend(
    app: App,
    source: Source,
    edition: Edition,
    file: Option<usize>,
    shown: Shown,
) -> Result<Response, Problem> {
    let forms = MendForms::open(&app.store, &source, &edition, file, shown).await;
    let forms = forms.map_err(|error| match error {
        MendFormError::Store(error) => Problem::from(error),
        MendFormError::NoSuchFile { .. } => Problem::new(Kind::BadRequest, error.to_string()),
        MendFormError::Tables => Problem::new(Kind::Conflict, error.to_string()),
        MendFormError::Apart => Problem::new(Kind::Conflict, format!("{error}, with file=1 for the first")),
        MendFormError::Header { .. } => {
            tracing::error!("rows cannot be written out to be mended: {error}");
            Problem::new(
                Kind::Internal,
                "the cause is in the log of the service, under the id of this request",
            )
        }
    })?;
    let charset = forms.charset();
    let name = format!("{}_edition_{}_to_mend.csv", ascii(&source.id), edition.number);
    let (number, store) = (edition.number, app.store);
    let header = forms.header();
    let rows = stream::unfold(Some(0i64), move |place| {
        let (store, source, forms) = (store.clone(), source.clone(), forms.clone());
        async move {
            let after = place?;
            let page = async {
                let rejects = store.reject_list(&source, number, after, super::exports::ROWS_A_PAGE).await?;
                let last = rejects.last().map(|reject| reject.number);
                Ok::<_, StoreError>((forms.rows(&store, &rejects).await?, last))
            };
            match page.await {
                Ok((_, None)) => None,
                Ok((rows, last)) => Some((Ok(Bytes::from(rows)), last)),
                Err(error) => {
                    // the answer has begun: it can only break off, which the client sees
                    tracing::error!("a download broke off: {}", crate::outcome::with_causes(&error));
                    Some((Err(std::io::Error::other("broken off")), None))
                }
            }
        }
    });
    let begin = stream::once(async move { Ok(Bytes::from(header)) });
    let headers = [
        (header::CONTENT_TYPE, format!("text/csv; charset={charset}")),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((headers, Body::from_stream(begin.chain(rows.fuse()))).into_response())
}

/// A name with letters that every file system takes.
fn ascii(name: &str) -> String {
    let plain = |letter: char| if letter.is_ascii_alphanumeric() || letter == '-' { letter } else { '_' };
    name.chars().take(60).map(plain).collect()
}

/// What is said about mended rows.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct MendQuery {
    /// Who mended them, as that person is to be named in packets.
    #[param(min_length = 1, max_length = 200)]
    by: String,
    /// Why they read as they do.
    #[param(min_length = 1, max_length = 1000)]
    reason: String,
    /// The name of the file, for people.
    #[param(max_length = 200)]
    name: Option<String>,
}

/// Hand in mended rows of an edition's quarantine: the body is the file of rows to mend, mended. It becomes an edition on
/// top of the one in use; what it does not name stays as it is.
#[utoipa::path(post, path = "/sources/{id}/editions/{n}/mends", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number"), MendQuery),
    request_body(content((serde_json::Value = "application/octet-stream"), (serde_json::Value = "text/csv"), (serde_json::Value = "text/plain"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The same rows are here already", body = Arrival),
        (status = 202, description = "They are staged; the job loads them", body = Arrival, headers(("Location" = String, description = "The job"))),
        (status = 409, description = "The edition is not the one in use, or its layout puts rows of tables together", body = Problem)))]
pub(crate) async fn create_mends(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    Q(query): Q<MendQuery>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    who.operator()?;
    let (source, edition) = loaded(&app, &id, n).await?;
    if let Some(why) = not_mended(&edition) {
        return Err(Problem::new(Kind::Conflict, why));
    }
    check_note(&query.by, &query.reason)?;
    content_is_a_file(&headers)?;
    let name = file_name_of(query.name.as_deref(), &format!("{}-mended", source.id))?;
    let arrived = upload::take(&app, &headers, body, app.limits.upload_bytes).await?;
    if arrived.bytes == 0 {
        return Err(Problem::wrong(
            "",
            "there are no rows",
            "send the mended rows with their header as the body",
        ));
    }
    // what arrived whole is staged whole, also when the client goes away
    let staging = tokio::spawn(async move {
        let note = MendNote { mended_by: query.by.trim(), reason: query.reason.trim() };
        stage(&app, &source, n, (&name, arrived.file), note, &who).await
    });
    let arrival = staging.await.map_err(|_| Problem::new(Kind::Internal, "the rows were not staged"))??;
    let mut headers = HeaderMap::new();
    Ok(match arrival {
        EditionArrival::Known { edition, state } => {
            (StatusCode::OK, headers, Json(Arrival { edition, state, job: None })).into_response()
        }
        EditionArrival::Staged { edition, job } => {
            if let Ok(place) = format!("/v1/jobs/{job}").parse() {
                headers.insert(header::LOCATION, place);
            }
            let arrival = Arrival { edition, state: "staged".to_owned(), job: Some(job) };
            (StatusCode::ACCEPTED, headers, Json(arrival)).into_response()
        }
    })
}

/// Keeps a file of mended rows and stages it.
pub(crate) async fn stage(
    app: &App,
    source: &Source,
    edition: i64,
    (name, file): (&str, std::fs::File),
    note: MendNote<'_>,
    who: &Who,
) -> Result<EditionArrival, Problem> {
    let file = tokio::fs::File::from_std(file);
    let kept = app.store.object_keep_file(Path::new(name), file).await?;
    match app.store.mend_stage(source, edition, &kept, note, &who.0).await? {
        MendArrival::Taken(arrival) => Ok(arrival),
        MendArrival::Overtaken { current } => Err(Problem::new(Kind::Conflict, overtaken(edition, current))),
        MendArrival::Held => Err(Problem::new(Kind::Conflict, held(edition))),
    }
}

/// Why rows of an edition cannot be mended, where they cannot whatever they are.
pub(crate) fn not_mended(edition: &Edition) -> Option<String> {
    if edition.layout.assembles() {
        return Some(MendFormError::Tables.to_string());
    }
    (edition.state == "held").then(|| held(edition.number))
}

/// Why rows of a held edition are not taken.
pub(crate) fn held(edition: i64) -> String {
    format!(
        "edition {edition} is held for a person: accept it or give it up first, rows are mended of the edition in use"
    )
}

/// Why rows of an edition are not taken once another one followed.
pub(crate) fn overtaken(edition: i64, current: i64) -> String {
    format!("edition {current} of the publisher followed edition {edition}: mend the rows in its quarantine")
}

/// Who and why must be said, in a line each.
pub(crate) fn check_note(by: &str, reason: &str) -> Result<(), Problem> {
    for (name, text, most) in [("by", by, NAME_CHARACTERS), ("reason", reason, REASON_CHARACTERS)] {
        let length = text.trim().chars().count();
        if length == 0 || length > most || text.chars().any(char::is_control) {
            return Err(Problem::new(
                Kind::BadRequest,
                format!(
                    "{name} is blank, longer than {most} characters or more than a line: say it in one line"
                ),
            ));
        }
    }
    Ok(())
}

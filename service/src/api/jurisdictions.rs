//! What jurisdictions say about a year, each value with its source.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_audit::jurisdiction::{JurisdictionYear, YearError};
use crossfoot_store::jurisdiction::KeptYear;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, Q};
use crate::http::problem::{Fault, Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list_years)).routes(routes!(get_year, put_year))
}

/// A year of a jurisdiction.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct YearView {
    /// The jurisdiction.
    jurisdiction: String,
    /// The year of the roll.
    year: i32,
    /// The version, from 1.
    version: i64,
    /// When it was entered.
    saved_at: String,
    /// The key that entered it.
    by: String,
    /// The document: values with their sources (schemas/jurisdiction-year.schema.json).
    #[schema(value_type = Object)]
    document: JurisdictionYear,
}

impl From<KeptYear> for YearView {
    fn from(kept: KeptYear) -> YearView {
        YearView {
            jurisdiction: kept.year.jurisdiction.clone(),
            year: kept.year.year,
            version: kept.version,
            saved_at: time(kept.saved_at),
            by: if kept.label.is_empty() { kept.actor } else { kept.label },
            document: kept.year,
        }
    }
}

/// A year of a jurisdiction with its versions.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct YearWhole {
    /// The newest version.
    newest: YearView,
    /// The versions that it superseded, the newest first.
    earlier: Vec<YearView>,
}

/// Of which jurisdiction.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct YearsQuery {
    /// Only this jurisdiction's.
    #[serde(default)]
    jurisdiction: String,
}

/// List what is known of the years of jurisdictions, the newest version of each, the latest year first.
#[utoipa::path(get, path = "/jurisdictions", tag = "sources", params(YearsQuery),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The years", body = Vec<YearView>)))]
pub(crate) async fn list_years(
    State(app): State<App>,
    _who: Who,
    Q(query): Q<YearsQuery>,
) -> Result<Json<Vec<YearView>>, Problem> {
    let years = app.store.jurisdiction_years(&query.jurisdiction).await?;
    Ok(Json(years.into_iter().map(YearView::from).collect()))
}

/// Read what is known of a jurisdiction's year, with the versions that were superseded.
#[utoipa::path(get, path = "/jurisdictions/{id}/years/{n}", tag = "sources",
    params(("id" = String, Path, description = "The jurisdiction, as layouts name it"), ("n" = i64, Path, description = "The year")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The year", body = YearWhole)))]
pub(crate) async fn get_year(
    State(app): State<App>,
    _who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Json<YearWhole>, Problem> {
    let mut versions = app.store.jurisdiction_year_versions(&id, n).await?.into_iter().map(YearView::from);
    let newest =
        versions.next().ok_or_else(|| Problem::not_found("year of a jurisdiction", &format!("{id}/{n}")))?;
    Ok(Json(YearWhole { newest, earlier: versions.collect() }))
}

/// Enter what is known of a jurisdiction's year, as TOML or as JSON of the same shape
/// (schemas/jurisdiction-year.schema.json). It supersedes the version before, which stays on record.
#[utoipa::path(put, path = "/jurisdictions/{id}/years/{n}", tag = "sources",
    params(("id" = String, Path, description = "The jurisdiction, as layouts name it"), ("n" = i64, Path, description = "The year")),
    request_body(content((String = "application/toml"), (Object = "application/json"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The newest version says this already", body = YearView),
        (status = 201, description = "It is kept as the next version", body = YearView)))]
pub(crate) async fn put_year(
    State(app): State<App>,
    who: Who,
    P((id, n)): P<(String, i64)>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let year = read(&headers, &body)?;
    for (pointer, same, named) in [
        ("/jurisdiction", year.jurisdiction == id, &id),
        ("/year", i64::from(year.year) == n, &n.to_string()),
    ] {
        if !same {
            let detail = format!("the document is not of {named}, which the path names");
            return Err(Problem::wrong(
                pointer,
                detail,
                "send it to the path of its own jurisdiction and year",
            ));
        }
    }
    let before = app.store.jurisdiction_year_versions(&id, n).await?.first().map_or(0, |kept| kept.version);
    let version = app.store.jurisdiction_year_save(&year, &who.0).await?;
    let status = if version == before { StatusCode::OK } else { StatusCode::CREATED };
    let kept = app.store.jurisdiction_year_versions(&id, n).await?;
    let kept = kept.into_iter().find(|kept| kept.version == version);
    let kept = kept.ok_or_else(|| Problem::new(Kind::Internal, "the year was not kept: send it again"))?;
    Ok((status, Json(YearView::from(kept))))
}

fn read(headers: &HeaderMap, body: &[u8]) -> Result<JurisdictionYear, Problem> {
    read_by(headers, body, JurisdictionYear::from_toml, JurisdictionYear::from_json)
}

/// A document as TOML or JSON, by its type.
pub(super) fn read_by<T>(
    headers: &HeaderMap,
    body: &[u8],
    from_toml: impl FnOnce(&str) -> Result<T, Vec<YearError>>,
    from_json: impl FnOnce(&str) -> Result<T, Vec<YearError>>,
) -> Result<T, Problem> {
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let text = std::str::from_utf8(body)
        .map_err(|_| Problem::new(Kind::BadRequest, "the body is not UTF-8: save it as UTF-8"))?;
    let document = match content.split(';').next().unwrap_or_default().trim() {
        "application/toml" | "text/plain" => from_toml(text),
        "application/json" => {
            if let Err(error) = serde_json::from_str::<serde::de::IgnoredAny>(text) {
                return Err(Problem::new(Kind::BadRequest, format!("the body is no JSON: {error}")));
            }
            from_json(text)
        }
        _ => {
            let how = "send application/toml or application/json as Content-Type";
            return Err(Problem::new(Kind::UnsupportedMediaType, how));
        }
    };
    document.map_err(|errors| Problem::invalid(errors.iter().map(fault).collect()))
}

fn fault(error: &YearError) -> Fault {
    // the message says what was found, then behind its first colon what would mend it
    let (detail, mend) =
        error.message.split_once(": ").unwrap_or((&error.message, "correct it at that place"));
    let place = if error.line == 0 {
        String::new()
    } else {
        format!("line {}, column {}: ", error.line, error.column)
    };
    Fault { pointer: error.pointer.clone(), detail: format!("{place}{detail}"), mend: mend.to_owned() }
}

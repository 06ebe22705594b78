//! What happened in a night.

use axum::Json;
use axum::extract::State;
use crossfoot_store::office::Role;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::Q;
use crate::http::problem::{Kind, Problem};
use crate::night::{Night, last_night};

/// Who reads what the nights come to.
pub(crate) const READERS: [Role; 3] = [Role::Review, Role::Consult, Role::Batch];

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_report))
}

/// From when on.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct Since {
    /// From this moment on; from some hours before the newest nightly run, if not said.
    #[param(format = DateTime)]
    pub(crate) since: Option<String>,
}

/// Read what happened: editions that came, what runs opened, changed and closed and why, what failed, what is due.
#[utoipa::path(get, path = "/report", tag = "office", params(Since), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The report", body = Night)))]
pub(crate) async fn get_report(
    State(app): State<App>,
    who: Who,
    Q(since): Q<Since>,
) -> Result<Json<Night>, Problem> {
    let office = who.office(&READERS)?;
    Ok(Json(night(&app, office, &since).await?))
}

/// The report of an office.
pub(crate) async fn night(app: &App, office: &str, since: &Since) -> Result<Night, Problem> {
    let since = match since.since.as_deref().map(str::parse::<jiff::Timestamp>) {
        Some(Ok(since)) => since.as_microsecond(),
        Some(Err(_)) => {
            let mend = "since is no moment: write one such as 2026-11-25T02:00:00Z";
            return Err(Problem::new(Kind::BadRequest, mend));
        }
        None => last_night(&app.store, office).await?,
    };
    Ok(Night::read(&app.store, office, since).await?)
}

//! A look at a file before anything is stored.

use std::io::{Seek as _, SeekFrom};

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use crossfoot_roll::layout::shipped;
use crossfoot_roll::look::{Look, LookError, Options, look};
use crossfoot_roll::unpack::{UnpackError, text_within};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::commands::look::layouts_of;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::Q;
use crate::http::problem::{Kind, Problem};
use crate::http::upload;

/// Types that a file may be sent as.
const TYPES: [&str; 4] = ["application/octet-stream", "text/csv", "text/plain", "text/tab-separated-values"];

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(look_at_file))
}

/// How a file is looked at.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct LookQuery {
    /// The name of the file; the proposed layout is named after it.
    #[param(max_length = 200)]
    name: Option<String>,
    /// Whether all rows are counted and read, not only those of the first 4 MiB.
    whole: Option<bool>,
}

/// Look at a file that nobody has described: the body is the file as it was downloaded. The answer says how it is
/// written, what its columns hold, which known layout fits, proposes a layout with reasons, and says what would be
/// quarantined. Nothing is stored; values of columns about people are not shown.
#[utoipa::path(post, path = "/layouts/look", tag = "sources", params(LookQuery),
    request_body(content((serde_json::Value = "application/octet-stream"), (serde_json::Value = "text/csv"), (serde_json::Value = "text/plain"), (serde_json::Value = "text/tab-separated-values"))),
    security(("key" = ["operator"])),
    responses((status = 200, description = "What the file is", body = serde_json::Value)))]
pub(crate) async fn look_at_file(
    State(app): State<App>,
    who: Who,
    Q(query): Q<LookQuery>,
    headers: HeaderMap,
    body: Body,
) -> Result<Json<Look>, Problem> {
    who.operator()?;
    let name = query.name.unwrap_or_else(|| "roll".to_owned());
    if name.chars().count() > 200 {
        return Err(Problem::new(
            Kind::BadRequest,
            "name is longer than 200 characters: give the name of the file alone",
        ));
    }
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    if !TYPES.contains(&content.split(';').next().unwrap_or_default().trim()) {
        return Err(Problem::new(
            Kind::UnsupportedMediaType,
            "send application/octet-stream, text/csv, text/plain or text/tab-separated-values as Content-Type",
        ));
    }
    let arrived = upload::take(&app, &headers, body, app.limits.upload_bytes).await?;
    look_at(&app, arrived.file, name, query.whole.unwrap_or(false)).await.map(Json)
}

/// Looks at a file with the layouts of the installation, off the threads that answer requests.
pub(crate) async fn look_at(
    app: &App,
    file: std::fs::File,
    name: String,
    whole: bool,
) -> Result<Look, Problem> {
    let mut known = layouts_of(&app.store).await?;
    known.extend(shipped().iter().map(|shipped| shipped.layout.clone()));
    let scratch = app.store.scratch();
    let looking = move || {
        let begun = || {
            let mut again = file.try_clone()?;
            again.seek(SeekFrom::Start(0))?;
            text_within(Box::new(again), &name, &scratch).map_err(std::io::Error::other)
        };
        let mut found =
            look(begun().map_err(LookError::Read)?, &name, &known, &Options { whole, ..Options::default() })?;
        if whole {
            found.read_whole(&known, &scratch, begun)?;
        }
        Ok(found)
    };
    let found: Result<Look, LookError> = tokio::task::spawn_blocking(looking)
        .await
        .map_err(|_| Problem::new(Kind::Internal, "the file was not looked at: send it again"))?;
    found.map_err(|error| match error {
        LookError::Read(error) if UnpackError::within(&error).is_some() => Problem::wrong(
            "",
            crate::outcome::with_causes(&error),
            "send the table of the roll as its publisher gives it",
        ),
        LookError::Read(error) => {
            tracing::error!("a file that was sent cannot be read back: {error}");
            Problem::new(
                Kind::Internal,
                "the cause is in the log of the service, under the id of this request",
            )
        }
        LookError::Empty | LookError::NotText { .. } | LookError::TooManyColumns { .. } => Problem::wrong(
            "",
            error.to_string(),
            "send the table of the roll as text, as its publisher gives it",
        ),
    })
}

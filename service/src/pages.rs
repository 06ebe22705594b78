//! The pages: server-rendered, usable without script. A page calls the same functions as the API.

mod assets;
mod compare;
mod edition;
mod finding;
mod layout;
mod look;
mod mark;
mod measurement;
mod office;
mod property;
mod quarantine;
mod queue;
mod report;
mod sets;
mod sign_in;
mod state;
mod statement;
mod uploads;

use std::sync::Arc;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tower_http::csrf::CsrfLayer;

use crate::http::App;
use crate::http::problem::{Kind, Problem};
use crate::http::rate;

/// Bytes of a form without files.
const FORM_BYTES: usize = 64 * 1024;

/// Bytes of a form with a layout, which is longer as a form than as a file.
const LAYOUT_FORM_BYTES: usize = 1024 * 1024;

/// Attempts to sign in that one address may make in a minute. A key has 256 random bits and is not guessed; this
/// bounds the work that guessing causes, and leaves room for an office behind one address.
const SIGN_INS_A_MINUTE: u32 = 60;

/// All pages.
pub(crate) fn router() -> Router<App> {
    let files = Router::new()
        .route("/uploads/houses", post(uploads::take_houses))
        .route("/uploads/roll", post(uploads::take_roll))
        .route("/uploads/look", get(look::show).post(look::look))
        .route("/sources/{id}/editions/{n}/mends", post(quarantine::take))
        .route("/sources/{id}/sets/{n}/files", post(sets::put))
        // their handlers count the bytes as they come
        .layer(DefaultBodyLimit::disable())
        .route("/uploads/look/layout", post(look::download).layer(DefaultBodyLimit::max(LAYOUT_FORM_BYTES)));
    let attempts = rate::Buckets::new(SIGN_INS_A_MINUTE);
    let sign_in_post = post(sign_in::sign_in).layer(from_fn_with_state(attempts, count_attempt));
    let forms = Router::new()
        .route("/", get(queue::start))
        .route("/queue", get(queue::show))
        .route("/findings/{id}", get(finding::show).post(finding::decide))
        .route("/properties", get(property::list))
        .route("/properties/{id}", get(property::show))
        .route("/properties/{id}/measurements/{version}", get(measurement::show))
        .route("/findings/{id}/packet.pdf", get(finding::document))
        .route("/findings/{id}/packet.zip", get(finding::packet))
        .route("/matches", get(office::matches).post(office::settle))
        .route("/runs", get(office::runs).post(office::start_run))
        .route("/report", get(report::show))
        .route("/uploads", get(uploads::show))
        .route("/sources/{id}/editions/{n}", get(edition::show).post(edition::take))
        .route("/sources/{id}/editions/{n}/quarantine", get(quarantine::show))
        .route("/sources/{id}/editions/{n}/to-mend.csv", get(quarantine::rows))
        .route("/sources/{id}/sets/{n}", post(sets::end))
        .route("/sets", get(sets::show).post(sets::begin))
        .route("/compare", get(compare::show))
        .route("/compare.csv", get(compare::download))
        .route("/editions/{source}/{number}", get(edition::moved))
        .route("/jobs/{id}", get(uploads::job))
        .route("/signin", get(sign_in::show).merge(sign_in_post))
        .route("/signout", post(sign_in::sign_out))
        .route("/assets/{name}", get(assets::asset))
        .layer(DefaultBodyLimit::max(FORM_BYTES));
    files.merge(forms).layer(CsrfLayer::new()).layer(from_fn(shape))
}

/// Refuses an address that tries too often.
async fn count_attempt(State(attempts): State<Arc<rate::Buckets>>, request: Request, next: Next) -> Response {
    match rate::of_address(&attempts, &request) {
        Ok(()) => next.run(request).await,
        Err(problem) => layout::Fail(problem).into_response(),
    }
}

/// The page of a path that nothing answers.
pub(crate) fn no_such_page() -> Response {
    layout::Fail(Problem::new(Kind::NotFound, "there is no such page: the address may be misspelt, or old"))
        .into_response()
}

/// Answers without a page become one: from another site, too large, unreadable, no such method.
async fn shape(request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    let status = response.status();
    let content = response.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    if !(status.is_client_error() || status.is_server_error()) || content.starts_with("text/html") {
        return response;
    }
    let detail = match status {
        StatusCode::FORBIDDEN => "the request comes from another site: open the page here and send it again",
        StatusCode::PAYLOAD_TOO_LARGE => "send less at once",
        StatusCode::METHOD_NOT_ALLOWED => "the page knows no such method: open it from the queue",
        StatusCode::NOT_FOUND => "there is no such page",
        _ => "the request could not be read as it was sent: go back and send the form again",
    };
    layout::Fail(Problem::new(Kind::of_status(status), detail)).into_response()
}

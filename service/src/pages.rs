//! The pages: server-rendered, usable without script. A page calls the same functions as the API.

mod assets;
mod finding;
mod layout;
mod mark;
mod office;
mod queue;
mod report;
mod sign_in;
mod uploads;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::{StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tower_http::csrf::CsrfLayer;

use crate::http::App;
use crate::http::problem::{Kind, Problem};

/// Bytes of a form without files.
const FORM_BYTES: usize = 64 * 1024;

/// All pages.
pub(crate) fn router() -> Router<App> {
    let files = Router::new()
        .route("/uploads/houses", post(uploads::take_houses))
        .route("/uploads/roll", post(uploads::take_roll))
        // their handlers count the bytes as they come
        .layer(DefaultBodyLimit::disable());
    let forms = Router::new()
        .route("/", get(queue::show))
        .route("/queue", get(queue::show))
        .route("/findings/{id}", get(finding::show).post(finding::decide))
        .route("/findings/{id}/packet.pdf", get(finding::document))
        .route("/findings/{id}/packet.zip", get(finding::packet))
        .route("/matches", get(office::matches).post(office::settle))
        .route("/runs", get(office::runs).post(office::start_run))
        .route("/report", get(report::show))
        .route("/uploads", get(uploads::show))
        .route("/jobs/{id}", get(uploads::job))
        .route("/signin", get(sign_in::show).post(sign_in::sign_in))
        .route("/signout", post(sign_in::sign_out))
        .route("/assets/{name}", get(assets::asset))
        .layer(DefaultBodyLimit::max(FORM_BYTES));
    files.merge(forms).layer(CsrfLayer::new()).layer(from_fn(shape))
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

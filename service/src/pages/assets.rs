//! Style and script, built in; their names carry a hash of their content, so that they may be kept for ever.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest as _, Sha256};

const STYLE: &[u8] = include_bytes!("style.css");
const SCRIPT: &[u8] = include_bytes!("script.js");

static STYLE_PATH: LazyLock<String> = LazyLock::new(|| named("style", STYLE, "css"));
static SCRIPT_PATH: LazyLock<String> = LazyLock::new(|| named("script", SCRIPT, "js"));

fn named(stem: &str, bytes: &[u8], ending: &str) -> String {
    let hash: String = hex::encode(Sha256::digest(bytes)).chars().take(16).collect();
    format!("/assets/{stem}-{hash}.{ending}")
}

/// The path of the style.
pub(super) fn style() -> &'static str {
    &STYLE_PATH
}

/// The path of the script.
pub(super) fn script() -> &'static str {
    &SCRIPT_PATH
}

/// Serves one of the two.
pub(super) async fn asset(Path(name): Path<String>) -> Response {
    let path = format!("/assets/{name}");
    let (content, bytes) = if path == *STYLE_PATH {
        ("text/css; charset=utf-8", STYLE)
    } else if path == *SCRIPT_PATH {
        ("text/javascript; charset=utf-8", SCRIPT)
    } else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let headers =
        [(header::CONTENT_TYPE, content), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")];
    (headers, bytes).into_response()
}

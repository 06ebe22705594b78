//! The pages: server-rendered, usable without script. A page calls the same functions as the API.

use axum::Router;

use crate::http::App;

/// All pages.
pub(crate) fn router() -> Router<App> {
    Router::new()
}

//! Figures about requests for Prometheus.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use axum::extract::{MatchedPath, Request};
use axum::middleware::Next;
use axum::response::Response;
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};

static REQUESTS: AtomicU64 = AtomicU64::new(0);
/// After so many requests the recorder folds its samples, which would pile up if nobody asked for the figures.
const FOLD_EVERY: u64 = 1024;
static RECORDER: OnceLock<Option<PrometheusHandle>> = OnceLock::new();

fn recorder() -> Option<&'static PrometheusHandle> {
    RECORDER.get_or_init(|| PrometheusBuilder::new().install_recorder().ok()).as_ref()
}

/// The figures as text.
pub(crate) fn text() -> String {
    recorder().map(PrometheusHandle::render).unwrap_or_default()
}

/// Counts a request and its time under the pattern of its path, never under the path itself.
pub(crate) async fn count(request: Request, next: Next) -> Response {
    if let Some(recorder) = recorder()
        && REQUESTS.fetch_add(1, Ordering::Relaxed).is_multiple_of(FOLD_EVERY)
    {
        recorder.run_upkeep();
    }
    let path = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let method = request.method().as_str().to_owned();
    let begun = Instant::now();
    let response = next.run(request).await;
    let status = response.status().as_str().to_owned();
    metrics::counter!("crossfoot_requests_total", "method" => method.clone(), "path" => path.clone(), "status" => status)
        .increment(1);
    metrics::histogram!("crossfoot_request_seconds", "method" => method, "path" => path)
        .record(begun.elapsed().as_secs_f64());
    response
}

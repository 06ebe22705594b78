//! Downloads of any length: rows are read page by page while they are sent.

use std::future::Future;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use crossfoot_store::StoreError;
use futures_util::{StreamExt as _, stream};
use serde_json::Value;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::findings::READERS;
use crate::commands::export::{csv_cell, pair_json};
use crate::http::App;
use crate::http::access::Who;
use crate::http::problem::Problem;
use crate::recorded::{Recorded, with_values};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(export_findings_csv)).routes(routes!(export_findings_ndjson))
}

/// Rows read at once.
pub(crate) const ROWS_A_PAGE: i64 = 1000;

/// How rows are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// RFC 4180, with a header.
    Csv,
    /// One JSON object a line.
    Ndjson,
}

/// Rows, and where the next ones begin.
pub(crate) struct Rows<C> {
    /// The rows, each an object with the same names.
    pub(crate) rows: Vec<Value>,
    /// Where the next page begins.
    pub(crate) next: C,
}

/// Sends rows page by page until there are none.
pub(crate) fn streamed<C, F, R>(form: Form, begin: C, read: F) -> Response
where
    C: Send + 'static,
    F: Fn(C) -> R + Send + Sync + Clone + 'static,
    R: Future<Output = Result<Option<Rows<C>>, StoreError>> + Send + 'static,
{
    let pages = stream::unfold(Some((begin, true)), move |state| {
        let read = read.clone();
        async move {
            let (place, first) = state?;
            match read(place).await {
                Ok(None) => None,
                Ok(Some(page)) => {
                    let bytes = written(form, &page.rows, first).map_err(std::io::Error::other);
                    let headed = !(first && page.rows.is_empty());
                    Some((bytes, Some((page.next, !headed))))
                }
                Err(error) => {
                    // the answer has begun: it can only break off, which the client sees
                    tracing::error!("a download broke off: {}", crate::outcome::with_causes(&error));
                    Some((Err(std::io::Error::other("broken off")), None))
                }
            }
        }
    });
    let content = match form {
        Form::Csv => "text/csv; charset=utf-8",
        Form::Ndjson => "application/x-ndjson",
    };
    ([(header::CONTENT_TYPE, content)], Body::from_stream(pages.fuse())).into_response()
}

fn written(form: Form, rows: &[Value], first: bool) -> Result<Bytes, csv::Error> {
    let mut out = Vec::new();
    match form {
        Form::Ndjson => {
            for row in rows {
                out.extend_from_slice(row.to_string().as_bytes());
                out.push(b'\n');
            }
        }
        Form::Csv => {
            let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(&mut out);
            let mut head = first;
            for row in rows.iter().filter_map(Value::as_object) {
                if std::mem::take(&mut head) {
                    csv.write_record(row.keys())?;
                }
                csv.write_record(row.values().map(csv_cell))?;
            }
            csv.flush()?;
        }
    }
    Ok(out.into())
}

fn findings(app: App, office: String, form: Form) -> Response {
    streamed(form, (String::new(), 0i64), move |(property, source)| {
        let (store, office) = (app.store.clone(), office.clone());
        async move {
            let pairs = store.pair_page(&office, (&property, source), ROWS_A_PAGE).await?;
            let Some(last) = pairs.last() else { return Ok(None) };
            let next = (last.property.clone(), last.source_number);
            let pairs: Vec<_> = pairs.into_iter().filter(|pair| pair.finding.is_some()).collect();
            let rows = match form {
                Form::Csv => pairs.iter().map(pair_json).collect(),
                Form::Ndjson => with_values(&pairs, &Recorded::new(&store).of(&pairs).await?),
            };
            Ok(Some(Rows { rows, next }))
        }
    })
}

/// Download all findings as CSV. A text that a spreadsheet would take for a formula gets a leading apostrophe.
#[utoipa::path(get, path = "/findings.csv", tag = "findings", security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The findings, one a line", body = String, content_type = "text/csv")))]
pub(crate) async fn export_findings_csv(State(app): State<App>, who: Who) -> Result<Response, Problem> {
    let office = who.office(&READERS)?.to_owned();
    Ok(findings(app, office, Form::Csv))
}

/// Download all findings as JSON, one object a line, without loss: each with everything that its record says, as
/// `recorded`.
#[utoipa::path(get, path = "/findings.ndjson", tag = "findings", security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The findings, one a line", body = String, content_type = "application/x-ndjson")))]
pub(crate) async fn export_findings_ndjson(State(app): State<App>, who: Who) -> Result<Response, Problem> {
    let office = who.office(&READERS)?.to_owned();
    Ok(findings(app, office, Form::Ndjson))
}

//! Idempotency-Key on every POST: the same request again gets the answer of the first.

use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use crossfoot_store::idempotency::Known;
use futures_util::StreamExt as _;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use tokio_util::io::ReaderStream;

use super::App;
use super::access::Who;
use super::problem::{Kind, Problem};
use super::upload;

const KEY: &str = "idempotency-key";
/// Between two notes that a request is still running: several within the time after which it is taken for dead.
const RENEWED: Duration = Duration::from_secs(15);
/// Longest key.
const KEY_BYTES_MAX: usize = 255;
/// Longest answer that is kept; that a longer one was given is kept instead.
const ANSWER_BYTES_MAX: usize = 4 * 1024 * 1024;
/// Headers of an answer that are kept with it.
const KEPT_HEADERS: [HeaderName; 4] =
    [header::CONTENT_TYPE, header::LOCATION, header::ETAG, header::RETRY_AFTER];

/// An answer as it is kept.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    headers: Vec<(String, String)>,
    body: String,
}

/// A request that may come again.
#[derive(Debug, Clone)]
struct Repeatable {
    scope: String,
    route: String,
    key: String,
}

/// Answers a request that came before as it was answered then.
pub(crate) async fn idempotent(
    State(app): State<App>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    if request.method() != Method::POST {
        return Ok(next.run(request).await);
    }
    let Some(key) = key(request.headers())? else { return Ok(next.run(request).await) };
    let Some(who) = request.extensions().get::<Who>() else { return Ok(next.run(request).await) };
    let scope = format!("{}/{}", who.scope(), who.0.key);
    let route = request.uri().path_and_query().map(|p| p.as_str().to_owned()).unwrap_or_default();
    let secret = request.extensions().get::<MatchedPath>().is_some_and(|path| path.as_str() == "/v1/keys");
    let repeatable = Repeatable { scope, route, key };
    let (parts, body) = request.into_parts();
    let most = if is_upload(parts.extensions.get::<MatchedPath>()) {
        app.limits.upload_bytes
    } else {
        app.limits.body_bytes
    };
    let arrived = upload::take(&app, &parts.headers, body, most).await?;
    let mut hash = Sha256::new();
    for name in [header::CONTENT_TYPE, header::IF_MATCH] {
        hash.update(parts.headers.get(&name).map(HeaderValue::as_bytes).unwrap_or_default());
        hash.update([0]);
    }
    hash.update(arrived.sha256.as_bytes());
    let sha256 = hex::encode(hash.finalize());
    let Repeatable { scope, route, key } = &repeatable;
    match app.store.idempotency_take(scope, route, key, &sha256).await? {
        Known::Answered { status, answer } => return Ok(again(status, &answer)),
        Known::Running => {
            return Err(Problem::new(
                Kind::Conflict,
                "the same request is still running: ask again in a moment",
            ));
        }
        Known::OtherRequest => {
            return Err(Problem::new(
                Kind::Invalid,
                "this Idempotency-Key was used for another request: take a new one",
            ));
        }
        Known::Fresh => {}
    }
    let body = Body::from_stream(ReaderStream::new(tokio::fs::File::from_std(arrived.file)));
    let request = Request::from_parts(parts, body);
    // a client that goes away must not leave the key behind as running
    let running = tokio::spawn(async move {
        let answered = async {
            let response = next.run(request).await;
            keep(&app, &repeatable, response, secret).await
        };
        tokio::select! {
            answer = answered => answer,
            never = renewed(&app, &repeatable) => match never {},
        }
    });
    running.await.map_err(|_| {
        Problem::new(Kind::Internal, "the cause is in the log of the service, under the id of this request")
    })?
}

/// Says from time to time that a request is still running, so that its key is free soon after this process dies.
async fn renewed(app: &App, repeatable: &Repeatable) -> std::convert::Infallible {
    let Repeatable { scope, route, key } = repeatable;
    loop {
        tokio::time::sleep(RENEWED).await;
        if let Err(error) = app.store.idempotency_renew(scope, route, key).await {
            tracing::warn!(
                "a running request was not noted as such: {}",
                crate::outcome::with_causes(&error)
            );
        }
    }
}

/// Whether a route takes files.
pub(crate) fn is_upload(path: Option<&MatchedPath>) -> bool {
    path.is_some_and(|path| {
        [
            "/v1/measurements/batch",
            "/v1/sources/{id}/editions",
            "/v1/sources/{id}/editions/{n}/mends",
            "/v1/layouts/look",
        ]
        .contains(&path.as_str())
    })
}

fn key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let Some(value) = headers.get(KEY) else { return Ok(None) };
    match value.to_str() {
        Ok(key) if (1..=KEY_BYTES_MAX).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_graphic()) => {
            Ok(Some(key.to_owned()))
        }
        _ => Err(Problem::new(
            Kind::BadRequest,
            format!(
                "Idempotency-Key cannot be read: up to {KEY_BYTES_MAX} letters without spaces, such as a UUID"
            ),
        )),
    }
}

fn again(status: i64, answer: &str) -> Response {
    let status = u16::try_from(status).ok().and_then(|s| StatusCode::from_u16(s).ok());
    let (Some(status), Ok(kept)) = (status, serde_json::from_str::<Kept>(answer)) else {
        return Problem::new(Kind::Internal, "the kept answer cannot be read").into_response();
    };
    let mut response = (status, kept.body).into_response();
    response.headers_mut().remove(header::CONTENT_TYPE);
    for (name, value) in kept.headers {
        if let (Ok(name), Ok(value)) = (name.parse::<HeaderName>(), value.parse::<HeaderValue>()) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

/// Keeps an answer that another attempt would get too, and gives the key up otherwise.
async fn keep(
    app: &App,
    repeatable: &Repeatable,
    response: Response,
    secret: bool,
) -> Result<Response, Problem> {
    let Repeatable { scope, route, key } = repeatable;
    let status = response.status();
    let passing = status.is_server_error()
        || [StatusCode::TOO_MANY_REQUESTS, StatusCode::REQUEST_TIMEOUT].contains(&status);
    if passing {
        app.store.idempotency_give_up(scope, route, key).await?;
        return Ok(response);
    }
    let (parts, body) = response.into_parts();
    let (mut chunks, mut bytes, mut rest) = (Vec::<Bytes>::new(), 0, body.into_data_stream().fuse());
    while bytes <= ANSWER_BYTES_MAX
        && let Some(Ok(chunk)) = rest.next().await
    {
        bytes += chunk.len();
        chunks.push(chunk);
    }
    let not_kept = if secret && status.is_success() {
        Some("its answer held a new key, which is not kept: end that key and make another")
    } else if bytes > ANSWER_BYTES_MAX {
        Some("its answer was too long to be kept: read what it did")
    } else {
        None
    };
    let (status, kept) = match not_kept {
        Some(why) => {
            let problem = Problem::new(Kind::Conflict, format!("this request was carried out; {why}"));
            let headers = vec![("content-type".to_owned(), "application/problem+json".to_owned())];
            let body = serde_json::to_string(&problem).unwrap_or_default();
            (StatusCode::CONFLICT, Kept { headers, body })
        }
        None => {
            let headers = KEPT_HEADERS.iter().filter_map(|name| {
                let value = parts.headers.get(name)?.to_str().ok()?;
                Some((name.as_str().to_owned(), value.to_owned()))
            });
            let body = String::from_utf8_lossy(&chunks.concat()).into_owned();
            (status, Kept { headers: headers.collect(), body })
        }
    };
    let answer = serde_json::to_string(&kept).unwrap_or_default();
    app.store.idempotency_keep(scope, route, key, i64::from(status.as_u16()), &answer).await?;
    let body = futures_util::stream::iter(chunks.into_iter().map(Ok)).chain(rest);
    Ok(Response::from_parts(parts, Body::from_stream(body)))
}

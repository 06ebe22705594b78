//! Extractors whose rejections are problems, and what lists have in common.

use axum::body::Bytes;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Path, Query, Request};
use axum::http::{HeaderMap, header};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use crossfoot_audit::document::zero_characters;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::problem::{Kind, Problem};

/// A path whose parts are of the right type.
#[derive(FromRequestParts)]
#[from_request(via(Path), rejection(Problem))]
pub(crate) struct P<T>(pub(crate) T);

/// A query without unknown parameters.
#[derive(FromRequestParts)]
#[from_request(via(Query), rejection(Problem))]
pub(crate) struct Q<T>(pub(crate) T);

/// A JSON body.
pub(crate) struct Body<T>(pub(crate) T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Body<T>, Problem> {
        let (parts, body) = request.into_parts();
        let bytes = Bytes::from_request(Request::from_parts(parts.clone(), body), state)
            .await
            .map_err(|rejection| Problem::new(Kind::of_status(rejection.status()), rejection.body_text()))?;
        // databases hold no zero character; it can only come escaped
        if memchr_zero(&bytes)
            && let Some(pointer) =
                serde_json::from_slice(&bytes).ok().and_then(|v| zero_characters(&v).into_iter().next())
        {
            return Err(Problem::wrong(&pointer, "there is a zero character in the text", "leave it out"));
        }
        let request = Request::from_parts(parts, bytes.into());
        let axum::Json(value) = axum::Json::<T>::from_request(request, state).await?;
        Ok(Body(value))
    }
}

/// Whether the escape of a zero character stands in a body.
fn memchr_zero(bytes: &[u8]) -> bool {
    bytes.windows(ZERO.len()).any(|window| window == ZERO)
}

const ZERO: &[u8] = b"\\u0000";

/// A number within bounds, as its parameter documents them.
pub(crate) fn bounded<'de, D, const LEAST: u32, const MOST: u32>(from: D) -> Result<Option<u32>, D::Error>
where
    D: serde::Deserializer<'de>,
{
    let number = Option::<u32>::deserialize(from)?;
    match number.filter(|n| !(LEAST..=MOST).contains(n)) {
        Some(n) => Err(serde::de::Error::custom(format!("{n} is not between {LEAST} and {MOST}"))),
        None => Ok(number),
    }
}

impl From<PathRejection> for Problem {
    fn from(rejection: PathRejection) -> Problem {
        Problem::new(Kind::NotFound, format!("the path cannot be read: {}", rejection.body_text()))
    }
}

impl From<QueryRejection> for Problem {
    fn from(rejection: QueryRejection) -> Problem {
        Problem::new(Kind::BadRequest, format!("the parameters cannot be read: {}", rejection.body_text()))
    }
}

#[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum that may grow")]
impl From<JsonRejection> for Problem {
    fn from(rejection: JsonRejection) -> Problem {
        let kind = match &rejection {
            JsonRejection::JsonSyntaxError(_) => Kind::BadRequest,
            JsonRejection::JsonDataError(_) => Kind::Invalid,
            JsonRejection::MissingJsonContentType(_) => Kind::UnsupportedMediaType,
            other => Kind::of_status(other.status()),
        };
        Problem::new(kind, rejection.body_text())
    }
}

/// Where a list begins and how long a page is.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Paging {
    /// Where the page begins: `next` of the page before. Opaque.
    #[param(max_length = 1000)]
    pub(crate) cursor: Option<String>,
    /// Items of a page, at most 500.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default, deserialize_with = "bounded::<_, 1, 500>")]
    pub(crate) limit: Option<u32>,
}

/// Items of a page if not said, and at the most.
const PAGE_DEFAULT: u32 = 50;
const PAGE_MAX: u32 = 500;

impl Paging {
    /// Items of the page.
    pub(crate) fn limit(&self) -> i64 {
        i64::from(self.limit.unwrap_or(PAGE_DEFAULT).clamp(1, PAGE_MAX))
    }

    /// Whether so many items fill the page, so that there may be another one.
    pub(crate) fn full(&self, items: usize) -> bool {
        i64::try_from(items).is_ok_and(|n| n == self.limit())
    }

    /// The place at which the page begins.
    pub(crate) fn place<T: DeserializeOwned>(&self) -> Result<Option<T>, Problem> {
        let Some(cursor) = &self.cursor else { return Ok(None) };
        let read = URL_SAFE_NO_PAD
            .decode(cursor)
            .ok()
            .filter(|bytes| !memchr_zero(bytes))
            .and_then(|bytes| serde_json::from_slice(&bytes).ok());
        read.map(Some).ok_or_else(|| {
            Problem::new(
                Kind::BadRequest,
                "the cursor cannot be read: take it from `next` of the page before, unchanged",
            )
        })
    }
}

/// A place in a list as a cursor.
pub(crate) fn cursor(place: &impl Serialize) -> String {
    URL_SAFE_NO_PAD.encode(serde_json::to_vec(place).unwrap_or_default())
}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PageOf<T> {
    /// The items.
    pub(crate) items: Vec<T>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) next: Option<String>,
}

/// A page as it is answered, with a `Link` to the next one (RFC 8288).
pub(crate) fn page<T: Serialize>(
    path: &str,
    items: Vec<T>,
    next: Option<String>,
) -> (HeaderMap, axum::Json<PageOf<T>>) {
    let mut headers = HeaderMap::new();
    if let Some(link) =
        next.as_ref().and_then(|next| format!("<{path}?cursor={next}>; rel=\"next\"").parse().ok())
    {
        headers.insert(header::LINK, link);
    }
    (headers, axum::Json(PageOf { items, next }))
}

/// The row version that If-Match names.
pub(crate) fn if_match(headers: &HeaderMap) -> Result<i64, Problem> {
    let Some(value) = headers.get(header::IF_MATCH) else {
        return Err(Problem::new(
            Kind::PreconditionRequired,
            "send the ETag of what was read as If-Match, so that a change meanwhile is noticed",
        ));
    };
    let tag = value.to_str().unwrap_or_default().trim();
    tag.trim_matches('"').parse().map_err(|_| {
        Problem::new(Kind::PreconditionFailed, format!("If-Match {tag} is no ETag of this: read it again"))
    })
}

//! The only map from errors to HTTP: every failure is `application/problem+json` (RFC 9457) with a stable type.

use axum::Json;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use crossfoot_store::StoreError;
use serde::Serialize;
use utoipa::ToSchema;

use crate::outcome::with_causes;

/// The kinds of problem. Each has its own type, status and title, which do not change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The request cannot be read: its syntax, a header, a parameter.
    BadRequest,
    /// No key, or one that is not valid.
    Unauthorized,
    /// The key does not allow it.
    Forbidden,
    /// There is no such thing, or it belongs to another office.
    NotFound,
    /// The path knows no such method.
    MethodNotAllowed,
    /// It conflicts with what is there.
    Conflict,
    /// The thing has changed since it was read.
    PreconditionFailed,
    /// The request is larger than allowed.
    TooLarge,
    /// The content type is not understood.
    UnsupportedMediaType,
    /// The content is understood and wrong; `errors` says where.
    Invalid,
    /// If-Match is required.
    PreconditionRequired,
    /// Too many requests.
    TooMany,
    /// A fault of this program.
    Internal,
    /// Busy, or the database cannot be reached: try again.
    Unavailable,
    /// It took too long.
    Timeout,
    /// The request came too slowly.
    TooSlow,
}

impl Kind {
    /// Every kind.
    pub(crate) const ALL: [Kind; 16] = [
        Kind::BadRequest,
        Kind::Unauthorized,
        Kind::Forbidden,
        Kind::NotFound,
        Kind::MethodNotAllowed,
        Kind::Conflict,
        Kind::PreconditionFailed,
        Kind::TooLarge,
        Kind::UnsupportedMediaType,
        Kind::Invalid,
        Kind::PreconditionRequired,
        Kind::TooMany,
        Kind::Internal,
        Kind::Unavailable,
        Kind::Timeout,
        Kind::TooSlow,
    ];

    fn row(self) -> (StatusCode, &'static str, &'static str) {
        match self {
            Kind::BadRequest => (StatusCode::BAD_REQUEST, "bad-request", "The request cannot be read"),
            Kind::Unauthorized => (StatusCode::UNAUTHORIZED, "unauthorized", "A valid key is needed"),
            Kind::Forbidden => (StatusCode::FORBIDDEN, "forbidden", "The key does not allow this"),
            Kind::NotFound => (StatusCode::NOT_FOUND, "not-found", "There is no such thing"),
            Kind::MethodNotAllowed => {
                (StatusCode::METHOD_NOT_ALLOWED, "method-not-allowed", "The path knows no such method")
            }
            Kind::Conflict => (StatusCode::CONFLICT, "conflict", "It conflicts with what is there"),
            Kind::PreconditionFailed => {
                (StatusCode::PRECONDITION_FAILED, "changed-meanwhile", "It has changed since it was read")
            }
            Kind::TooLarge => {
                (StatusCode::PAYLOAD_TOO_LARGE, "too-large", "The request is larger than allowed")
            }
            Kind::UnsupportedMediaType => (
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "unsupported-media-type",
                "The content type is not understood",
            ),
            Kind::Invalid => (StatusCode::UNPROCESSABLE_ENTITY, "invalid", "The content is wrong"),
            Kind::PreconditionRequired => {
                (StatusCode::PRECONDITION_REQUIRED, "if-match-required", "If-Match is required")
            }
            Kind::TooMany => (StatusCode::TOO_MANY_REQUESTS, "too-many-requests", "Too many requests"),
            Kind::Internal => (StatusCode::INTERNAL_SERVER_ERROR, "internal", "A fault of this program"),
            Kind::Unavailable => (StatusCode::SERVICE_UNAVAILABLE, "unavailable", "Busy, try again"),
            Kind::Timeout => (StatusCode::GATEWAY_TIMEOUT, "timeout", "It took too long"),
            Kind::TooSlow => (StatusCode::REQUEST_TIMEOUT, "too-slow", "The request came too slowly"),
        }
    }

    /// The status.
    pub(crate) fn status(self) -> StatusCode {
        self.row().0
    }

    /// The kind that answers with a status, for answers of layers that know nothing of problems.
    pub(crate) fn of_status(status: StatusCode) -> Kind {
        Kind::ALL.into_iter().find(|kind| kind.status() == status).unwrap_or(if status.is_client_error() {
            Kind::BadRequest
        } else {
            Kind::Internal
        })
    }
}

/// A failure as it is answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Problem {
    /// Stable name of the kind, `urn:crossfoot:problem:…`.
    #[serde(rename = "type")]
    #[schema(example = "urn:crossfoot:problem:invalid")]
    pub(crate) problem_type: String,
    /// The kind in words.
    pub(crate) title: String,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    pub(crate) status: u16,
    /// What was found in this case, and what would mend it.
    pub(crate) detail: String,
    /// Where the content is wrong, all of it at once.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) errors: Vec<Fault>,
    #[serde(skip)]
    retry_after_seconds: Option<u32>,
}

/// One place where content is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Fault {
    /// JSON pointer (RFC 6901) of the place, or the name of a parameter.
    pub(crate) pointer: String,
    /// What was found.
    pub(crate) detail: String,
    /// What would mend it.
    pub(crate) mend: String,
}

/// Seconds after which a busy service is asked again.
const RETRY_SECONDS: u32 = 2;

impl Problem {
    /// A problem of a kind with what was found and what would mend it.
    pub(crate) fn new(kind: Kind, detail: impl Into<String>) -> Problem {
        let (status, slug, title) = kind.row();
        Problem {
            problem_type: format!("urn:crossfoot:problem:{slug}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            errors: Vec::new(),
            retry_after_seconds: matches!(kind, Kind::Unavailable | Kind::TooMany).then_some(RETRY_SECONDS),
        }
    }

    /// The same, to be tried again after so many seconds.
    pub(crate) fn retry_after(mut self, seconds: u32) -> Problem {
        self.retry_after_seconds = Some(seconds);
        self
    }

    /// Seconds after which it may be tried again, where that helps.
    pub(crate) fn retry_after_seconds(&self) -> Option<u32> {
        self.retry_after_seconds
    }

    /// There is no such thing for this office.
    pub(crate) fn not_found(what: &str, id: &str) -> Problem {
        Problem::new(Kind::NotFound, format!("there is no {what} {id}: list them to find its id"))
    }

    /// Content that is wrong in so many places.
    pub(crate) fn invalid(errors: Vec<Fault>) -> Problem {
        let detail = match errors.len() {
            1 => "one place is wrong, see errors".to_owned(),
            n => format!("{n} places are wrong, see errors"),
        };
        Problem { errors, ..Problem::new(Kind::Invalid, detail) }
    }

    /// Content that is wrong in one place.
    pub(crate) fn wrong(pointer: &str, detail: impl Into<String>, mend: impl Into<String>) -> Problem {
        Problem::invalid(vec![Fault {
            pointer: pointer.to_owned(),
            detail: detail.into(),
            mend: mend.into(),
        }])
    }
}

impl From<crossfoot_audit::document::Problem> for Fault {
    fn from(problem: crossfoot_audit::document::Problem) -> Fault {
        Fault { pointer: problem.pointer, detail: problem.detail, mend: problem.mend }
    }
}

impl From<StoreError> for Problem {
    /// The cause goes to the log in full and to the client as a fixed phrase.
    fn from(error: StoreError) -> Problem {
        match &error {
            StoreError::Missing { what, id } => Problem::not_found(what, id),
            StoreError::Conflict(why) => Problem::new(Kind::Conflict, why.clone()),
            _ if error.passes() => {
                tracing::warn!("the store is busy: {}", with_causes(&error));
                Problem::new(
                    Kind::Unavailable,
                    "the database is busy or cannot be reached: send the request again",
                )
            }
            StoreError::Unavailable(_)
            | StoreError::LeaseLost
            | StoreError::MovedOn
            | StoreError::Settings(_)
            | StoreError::Damaged { .. }
            | StoreError::Database(_)
            | StoreError::Statement(_)
            | StoreError::Migration(_)
            | StoreError::SourceFile(_)
            | StoreError::File { .. }
            | StoreError::Object { .. }
            | StoreError::Task(_) => {
                tracing::error!("a request failed: {}", with_causes(&error));
                Problem::new(
                    Kind::Internal,
                    "the cause is in the log of the service, under the id of this request",
                )
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut headers = HeaderMap::new();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some(seconds) = self.retry_after_seconds {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        (status, headers, Json(self)).into_response()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_a_status_and_a_type_of_its_own() {
        let mut seen = std::collections::BTreeSet::new();
        for kind in Kind::ALL {
            let problem = Problem::new(kind, "x");
            assert!(seen.insert(problem.problem_type.clone()), "{}", problem.problem_type);
            assert_eq!(Kind::of_status(kind.status()), kind);
        }
    }
}

//! What all pages have in common: head, navigation, foot, errors, and who looks at them.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use crossfoot_audit::judge::explain::CAUTION;
use crossfoot_store::StoreError;
use crossfoot_store::office::Role;
use maud::{DOCTYPE, Markup, html};

use super::assets;
use crate::api::{compare, findings, measurements, report};
use crate::http::App;
use crate::http::access::Who;
use crate::http::problem::Problem;

/// Pages in the navigation, and the roles they are for; those without roles are for everybody.
const PLACES: [(&str, &str, &[Role]); 7] = [
    ("/queue", "Queue", &findings::READERS),
    ("/matches", "Held matches", &findings::READERS),
    ("/properties", "Properties", &measurements::READERS),
    ("/compare", "Sources", &compare::READERS),
    ("/uploads", "Uploads", &[]),
    ("/runs", "Runs and notices", &findings::READERS),
    ("/report", "What happened", &report::READERS),
];

/// A visitor of the pages, with the name of the office; who is not signed in is led to the sign-in page.
pub(super) struct Guest(pub(super) Who, String);

impl FromRequestParts<App> for Guest {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Guest, Response> {
        match Who::from_request_parts(parts, app).await {
            Ok(who) => {
                let name = match &who.0.office {
                    Some(office) => app.store.office_name(office).await,
                    None => Ok("Installation".to_owned()),
                };
                name.map(|name| Guest(who, name)).map_err(|error| Fail::from(error).into_response())
            }
            Err(problem) if problem.status == StatusCode::UNAUTHORIZED.as_u16() => {
                let next = if parts.method == axum::http::Method::GET {
                    parts.uri.path_and_query().map_or("/", |p| p.as_str())
                } else {
                    "/"
                };
                let query = as_parameter(next);
                Err(Redirect::to(&format!("/signin?next={query}")).into_response())
            }
            Err(problem) => Err(Fail(problem).into_response()),
        }
    }
}

/// A path as the value of a parameter.
pub(super) fn as_parameter(path: &str) -> String {
    let mut out = String::with_capacity(path.len());
    for byte in path.bytes() {
        if byte.is_ascii_alphanumeric() || b"/-_.".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// A name as one part of a path.
pub(super) fn as_segment(name: &str) -> String {
    as_parameter(name).replace('/', "%2F")
}

/// A failure as a page.
pub(super) struct Fail(pub(super) Problem);

impl From<Problem> for Fail {
    fn from(problem: Problem) -> Fail {
        Fail(problem)
    }
}

impl From<StoreError> for Fail {
    fn from(error: StoreError) -> Fail {
        Fail(error.into())
    }
}

impl IntoResponse for Fail {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = html! {
            h1 { (self.0.title) }
            p { (self.0.detail) }
            @if !self.0.errors.is_empty() {
                ul { @for fault in &self.0.errors { li { code { (fault.pointer) } ": " (fault.detail) "; " (fault.mend) } } }
            }
            p { a href="/" { "Go to the first page" } }
        };
        let page = whole(None, &self.0.title, "", None, &body);
        let mut response = (status, [(header::CACHE_CONTROL, "no-store")], page).into_response();
        if let Some(seconds) = self.0.retry_after_seconds() {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}

/// A page for somebody who is signed in.
pub(super) fn page(guest: &Guest, title: &str, place: &str, body: &Markup) -> Response {
    let markup = whole(Some(guest), title, place, None, body);
    ([(header::CACHE_CONTROL, "no-store")], markup).into_response()
}

/// The whole document; `again` refreshes it after so many seconds.
pub(super) fn whole(
    guest: Option<&Guest>,
    title: &str,
    place: &str,
    again: Option<u32>,
    body: &Markup,
) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                @if let Some(seconds) = again { noscript { meta http-equiv="refresh" content=(seconds); } }
                title { (title) @if let Some(Guest(_, office)) = guest { " · " (office) } " · crossfoot" }
                link rel="stylesheet" href=(assets::style());
                script src=(assets::script()) defer {}
            }
            body {
                a.skip href="#main" { "Skip to the content" }
                header {
                    span.name { "crossfoot" }
                    @if let Some(Guest(who, office)) = guest { (navigation(who, office, place)) }
                }
                main #main tabindex="-1" data-again=[again] { (body) }
                footer { p { (CAUTION) } }
            }
        }
    }
}

fn navigation(who: &Who, office: &str, place: &str) -> Markup {
    let open = |roles: &[Role]| roles.is_empty() || who.office(roles).is_ok();
    html! {
        span.office dir="auto" { (office) }
        nav aria-label="Pages" {
            ul {
                @for (path, name, _) in PLACES.into_iter().filter(|(_, _, roles)| open(roles)) {
                    li { a href=(path) aria-current=[(path == place).then_some("page")] { (name) } }
                }
                li { form method="post" action="/signout" { button.quiet { "Sign out" } } }
            }
        }
        span.who dir="auto" {
            (who.0.role.name()) @if !who.0.label.is_empty() { ": " (who.0.label) }
        }
    }
}

/// The visitor's office, for readers of findings.
pub(super) fn office<'g>(guest: &'g Guest, roles: &[Role]) -> Result<&'g str, Fail> {
    Ok(guest.0.office(roles)?)
}

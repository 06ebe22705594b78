//! Who asks, and what they may do. A key comes as `Authorization: Bearer …`, or as the cookie of a session that was
//! signed in with a key.

use axum::extract::FromRequestParts;
use axum::http::header;
use axum::http::request::Parts;
use axum_extra::extract::CookieJar;
use crossfoot_store::access::Visitor;
use crossfoot_store::office::Role;

use super::App;
use super::problem::{Kind, Problem};

/// Name of the session's cookie.
pub(crate) const COOKIE: &str = "crossfoot_session";

/// A visitor with a valid key.
#[derive(Debug, Clone)]
pub(crate) struct Who(pub(crate) Visitor);

impl Who {
    /// The visitor's office, if the role is one of these. An administrator may do what the roles of the office may.
    pub(crate) fn office(&self, roles: &[Role]) -> Result<&str, Problem> {
        let allowed = roles.contains(&self.0.role) || self.0.role == Role::Administer;
        match (&self.0.office, allowed) {
            (Some(office), true) => Ok(office),
            (Some(_), false) | (None, _) => Err(self.refusal(roles)),
        }
    }

    /// The office of the visitor, or the installation for an operator: what its idempotency keys belong to.
    pub(crate) fn scope(&self) -> &str {
        self.0.office.as_deref().unwrap_or("*")
    }

    /// Refuses everybody but operators.
    pub(crate) fn operator(&self) -> Result<(), Problem> {
        if self.0.role == Role::Operator { Ok(()) } else { Err(self.refusal(&[Role::Operator])) }
    }

    /// Why the role is not enough.
    pub(crate) fn refusal(&self, roles: &[Role]) -> Problem {
        let names: Vec<&str> = roles.iter().map(|role| role.name()).collect();
        let detail = format!(
            "the key has the role {}; this needs {}: use another key",
            self.0.role.name(),
            names.join(" or ")
        );
        Problem::new(Kind::Forbidden, detail)
    }
}

impl FromRequestParts<App> for Who {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Who, Problem> {
        // the gate has found it out already
        if let Some(who) = parts.extensions.get::<Who>() {
            return Ok(who.clone());
        }
        let bearer = parts.headers.get(header::AUTHORIZATION).map(|value| {
            let text = value.to_str().ok()?;
            let (scheme, secret) = text.split_once(' ')?;
            scheme.eq_ignore_ascii_case("bearer").then(|| secret.trim().to_owned())
        });
        let visitor = match bearer {
            Some(Some(secret)) => app.store.visitor_by_secret(&secret).await?,
            Some(None) => None,
            None => match CookieJar::from_headers(&parts.headers).get(COOKIE) {
                Some(cookie) => app.store.visitor_by_session(cookie.value()).await?,
                None => None,
            },
        };
        visitor.map(Who).ok_or_else(|| {
            Problem::new(
                Kind::Unauthorized,
                "send a key as Authorization: Bearer KEY; crossfoot key create makes one on the host",
            )
        })
    }
}

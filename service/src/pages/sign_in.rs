//! Signing in with a key, and out again.

use axum::Form;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum_extra::extract::CookieJar;
use axum_extra::extract::cookie::{Cookie, SameSite};
use crossfoot_store::office::Role;
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, whole};
use crate::http::App;
use crate::http::access::COOKIE;

/// How long a session lasts: a working day.
const SESSION_SECONDS: i64 = 12 * 3600;

/// Where to go after signing in.
#[derive(Debug, Deserialize)]
pub(super) struct Next {
    #[serde(default)]
    next: String,
}

/// The form of the sign-in page.
#[derive(Deserialize)]
pub(super) struct Key {
    key: String,
    #[serde(default)]
    next: String,
}

/// A path of this service, never of another: `//host` and `/\host` lead away in browsers.
fn local(next: &str) -> &str {
    let second = next.chars().nth(1);
    let here =
        next.starts_with('/') && !matches!(second, Some('/' | '\\')) && !next.chars().any(|c| c.is_control());
    if here { next } else { "/queue" }
}

fn form(next: &str, wrong: bool) -> Markup {
    let body = html! {
        h1 { "Sign in" }
        @if !next.is_empty() && next != "/" && !wrong {
            p { "This page is for people who are signed in. A session ends after twelve hours." }
        }
        @if wrong {
            p.warn #wrong role="alert" { "This key is not known, or it has expired. An administrator of your office makes a new one." }
        }
        form.tall method="post" action="/signin" {
            input type="hidden" name="next" value=(local(next));
            label { "Key" input type="password" name="key" autocomplete="current-password" required maxlength="200" aria-describedby=[wrong.then_some("wrong")]; }
            div { button { "Sign in" } }
        }
    };
    whole(None, "Sign in", "", None, &body)
}

/// Shows the form.
pub(super) async fn show(Query(next): Query<Next>) -> Markup {
    form(&next.next, false)
}

/// Begins a session.
pub(super) async fn sign_in(
    State(app): State<App>,
    jar: CookieJar,
    Form(key): Form<Key>,
) -> Result<Response, Fail> {
    let Some(visitor) = app.store.visitor_by_secret(key.key.trim()).await? else {
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, form(&key.next, true)).into_response());
    };
    let secret = app.store.session_begin(&visitor.key, SESSION_SECONDS).await?;
    let cookie = cookie(secret, app.limits.secure_cookies);
    let next = match (visitor.role, local(&key.next)) {
        // these do not read findings
        (Role::Operator | Role::Upload, "/" | "/queue") => "/uploads",
        (_, next) => next,
    };
    Ok((jar.add(cookie), Redirect::to(next)).into_response())
}

fn cookie(secret: String, secure: bool) -> Cookie<'static> {
    Cookie::build((COOKIE, secret))
        .path("/")
        .http_only(true)
        .same_site(SameSite::Strict)
        .secure(secure)
        .build()
}

/// Ends the session.
pub(super) async fn sign_out(State(app): State<App>, jar: CookieJar) -> Result<Response, Fail> {
    if let Some(session) = jar.get(COOKIE) {
        app.store.session_end(session.value()).await?;
    }
    let gone = cookie(String::new(), app.limits.secure_cookies);
    Ok((jar.remove(gone), Redirect::to("/signin")).into_response())
}

#[cfg(test)]
mod tests {
    use super::local;

    #[test]
    fn only_paths_of_this_service_are_followed() {
        assert_eq!(local("/findings/1?a=b"), "/findings/1?a=b");
        for away in ["//elsewhere", "/\\elsewhere", "https://elsewhere", "", "javascript:1", "/\n/x"] {
            assert_eq!(local(away), "/queue", "{away:?}");
        }
    }
}

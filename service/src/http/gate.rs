//! The gate before every operation: who asks is found out once, and whose role the description does not name is
//! refused before anything of the body is read. The handlers check again.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use axum::extract::{FromRequestParts as _, MatchedPath, Request, State};
use axum::http::Method;
use axum::middleware::Next;
use axum::response::Response;
use crossfoot_store::office::Role;
use utoipa::openapi::OpenApi;
use utoipa::openapi::path::Operation;

use super::App;
use super::access::Who;
use super::problem::{Kind, Problem};

/// The roles that an operation is for, by method and path. Operations that are open are not in it.
pub(crate) type Scopes = BTreeMap<(Method, String), BTreeSet<String>>;

/// Reads the scopes from the description of the API.
pub(crate) fn scopes(openapi: &OpenApi) -> Scopes {
    let mut scopes = Scopes::new();
    for (path, item) in &openapi.paths.paths {
        let operations = [
            (Method::GET, &item.get),
            (Method::POST, &item.post),
            (Method::PUT, &item.put),
            (Method::DELETE, &item.delete),
        ];
        for (method, operation) in operations {
            if let Some(roles) = operation.as_ref().and_then(roles) {
                scopes.insert((method, path.clone()), roles);
            }
        }
    }
    scopes
}

fn roles(operation: &Operation) -> Option<BTreeSet<String>> {
    let security = serde_json::to_value(operation.security.as_ref()?).ok()?;
    let requirements = security.as_array()?;
    // an empty requirement among them: a key is not needed
    if requirements.iter().any(|r| r.as_object().is_some_and(serde_json::Map::is_empty)) {
        return None;
    }
    let named = requirements.iter().filter_map(|r| r.get("key")?.as_array());
    Some(named.flatten().filter_map(|role| role.as_str().map(str::to_owned)).collect())
}

/// The zero character as it comes in an address.
const ZERO: &str = "%00";

/// Lets through who may; the visitor goes along with the request.
pub(crate) async fn gate(
    State((app, scopes)): State<(App, Arc<Scopes>)>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    // no name has a zero character, and databases hold none
    if request.uri().path().contains(ZERO) {
        return Err(Problem::new(Kind::NotFound, "a name in the path has a zero character: leave it out"));
    }
    if request.uri().query().is_some_and(|query| query.contains(ZERO)) {
        return Err(Problem::new(Kind::BadRequest, "a parameter has a zero character: leave it out"));
    }
    let Some(path) = request.extensions().get::<MatchedPath>() else { return Ok(next.run(request).await) };
    let method = if request.method() == Method::HEAD { Method::GET } else { request.method().clone() };
    let Some(allowed) = scopes.get(&(method, path.as_str().to_owned())) else {
        return Ok(next.run(request).await);
    };
    let (mut parts, body) = request.into_parts();
    let who = Who::from_request_parts(&mut parts, &app).await?;
    if !allowed.contains(who.0.role.name()) {
        let needed: Vec<Role> = Role::ALL.into_iter().filter(|role| allowed.contains(role.name())).collect();
        return Err(who.refusal(&needed));
    }
    parts.extensions.insert(who);
    Ok(next.run(Request::from_parts(parts, body)).await)
}

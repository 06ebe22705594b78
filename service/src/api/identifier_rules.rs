//! How the parcel numbers of jurisdictions become keys: one rule for all sources of each that follow it.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::IntoResponse;
use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_store::identifier::{KeptRule, RuleArrival};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::jurisdictions::read_by;
use super::views::time;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{P, Q};
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_identifier_rules))
        .routes(routes!(get_identifier_rule, create_identifier_rule))
}

/// A version of a jurisdiction's rule.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct IdentifierRuleView {
    /// The jurisdiction.
    jurisdiction: String,
    /// The version, from 1; layouts kept with editions name it as `jurisdiction@VERSION`.
    version: i64,
    /// When it was entered.
    saved_at: String,
    /// The key that entered it.
    by: String,
    /// The rule with its citation (schemas/identifier-rule.schema.json).
    #[schema(value_type = Object)]
    document: IdentifierRule,
}

impl From<KeptRule> for IdentifierRuleView {
    fn from(kept: KeptRule) -> IdentifierRuleView {
        IdentifierRuleView {
            jurisdiction: kept.rule.jurisdiction.clone(),
            version: kept.version,
            saved_at: time(kept.saved_at),
            by: if kept.label.is_empty() { kept.actor } else { kept.label },
            document: kept.rule,
        }
    }
}

/// A jurisdiction's rule with its versions.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct IdentifierRuleWhole {
    /// The newest version.
    newest: IdentifierRuleView,
    /// The versions that it superseded, the newest first.
    earlier: Vec<IdentifierRuleView>,
}

/// What became of a rule.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct IdentifierRuleArrival {
    /// Its version.
    version: i64,
    /// Records of sources that follow the jurisdiction's rule on which it was tried.
    tried: i64,
    /// Records on which it could not be tried: their numbers are kept joined from several columns that hold blanks, and
    /// come apart in several ways that it gives different keys.
    untried: i64,
    /// Sources that follow it and were loaded under another version. What is loaded stays so until their next edition,
    /// or until POST /v1/sources/{id}/editions/again.
    loaded_before: Vec<String>,
}

/// Of which jurisdiction.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct IdentifierRulesQuery {
    /// Only this jurisdiction's.
    #[serde(default)]
    jurisdiction: String,
}

/// List the rules by which parcel numbers become keys, the newest version of each jurisdiction's.
#[utoipa::path(get, path = "/identifier-rules", tag = "sources", params(IdentifierRulesQuery),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The rules", body = Vec<IdentifierRuleView>)))]
pub(crate) async fn list_identifier_rules(
    State(app): State<App>,
    _who: Who,
    Q(query): Q<IdentifierRulesQuery>,
) -> Result<Json<Vec<IdentifierRuleView>>, Problem> {
    let rules = app.store.identifier_rules(&query.jurisdiction).await?;
    Ok(Json(rules.into_iter().map(IdentifierRuleView::from).collect()))
}

/// Read a jurisdiction's rule for parcel numbers, with the versions that were superseded.
#[utoipa::path(get, path = "/jurisdictions/{id}/identifier-rule", tag = "sources",
    params(("id" = String, Path, description = "The jurisdiction, as layouts name it")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The rule", body = IdentifierRuleWhole)))]
pub(crate) async fn get_identifier_rule(
    State(app): State<App>,
    _who: Who,
    P(id): P<String>,
) -> Result<Json<IdentifierRuleWhole>, Problem> {
    let versions = app.store.identifier_rule_versions(&id).await?;
    let mut versions = versions.into_iter().map(IdentifierRuleView::from);
    let newest = versions.next().ok_or_else(|| Problem::not_found("rule for parcel numbers of", &id))?;
    Ok(Json(IdentifierRuleWhole { newest, earlier: versions.collect() }))
}

/// Enter a jurisdiction's rule for parcel numbers, as TOML or as JSON of the same shape
/// (schemas/identifier-rule.schema.json). It is tried on the records of every source whose layout follows it, and holds
/// for files that are handed in from then on.
#[utoipa::path(post, path = "/jurisdictions/{id}/identifier-rule", tag = "sources",
    params(("id" = String, Path, description = "The jurisdiction, as layouts name it")),
    request_body(content((String = "application/toml"), (Object = "application/json"))), security(("key" = ["operator"])),
    responses((status = 200, description = "The newest version says this already", body = IdentifierRuleArrival),
        (status = 201, description = "It is kept as the next version", body = IdentifierRuleArrival),
        (status = 409, description = "It makes one key of two parcels, leaves a number without key, or does not fit a source's columns", body = Problem)))]
pub(crate) async fn create_identifier_rule(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<impl IntoResponse, Problem> {
    who.operator()?;
    let rule = read_by(&headers, &body, IdentifierRule::from_toml, IdentifierRule::from_json)?;
    if rule.jurisdiction != id {
        let detail = format!("the document is not of {id}, which the path names");
        return Err(Problem::wrong("/jurisdiction", detail, "send it to the path of its own jurisdiction"));
    }
    let arrival = app.store.identifier_rule_save(&rule, &who.0).await?;
    let status = if arrival.known { StatusCode::OK } else { StatusCode::CREATED };
    let RuleArrival { version, tried, untried, loaded_before, .. } = arrival;
    Ok((status, Json(IdentifierRuleArrival { version, tried, untried, loaded_before })))
}

//! What an office sets and looks at: policies, matches to settle, runs, notices, and how its pairs came out.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use crossfoot_audit::judge::policy::Policy;
use crossfoot_store::notice::Notice;
use crossfoot_store::office::Role;
use crossfoot_store::run::RunView;
use crossfoot_store::settle::Verdict;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::{Pair, time};
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, PageOf, Paging, Q, bounded, cursor, page};
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_policies, save_policy))
        .routes(routes!(list_matches))
        .routes(routes!(settle_match))
        .routes(routes!(list_runs, start_runs))
        .routes(routes!(get_run))
        .routes(routes!(list_notices))
        .routes(routes!(count_outcomes))
}

/// Who reads how the office judges and what its runs did.
const READERS: [Role; 3] = [Role::Review, Role::Consult, Role::Batch];

/// A policy with its version.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PolicyVersion {
    /// The version; 0 is the default that every office has before it saves one.
    version: i64,
    /// When it was saved; none for the default.
    saved_at: Option<String>,
    /// Its rules.
    #[schema(value_type = Object)]
    policy: Policy,
}

/// List the policies of the office, the one in force first.
#[utoipa::path(get, path = "/policies", tag = "office", params(Paging), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "A page of policies, newest first", body = PageOf<PolicyVersion>)))]
pub(crate) async fn list_policies(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let before: i64 = paging.place()?.unwrap_or(i64::MAX);
    let found = app.store.policy_page(office, before, paging.limit()).await?;
    let full = paging.full(found.len());
    let next = found.last().filter(|_| full).map(|(last, _)| cursor(&last.version));
    let mut items: Vec<PolicyVersion> = found
        .into_iter()
        .map(|(policy, at)| PolicyVersion {
            version: policy.version,
            saved_at: Some(time(at)),
            policy: policy.policy,
        })
        .collect();
    // the default stands behind them all
    if !full && before > 0 {
        items.push(PolicyVersion { version: 0, saved_at: None, policy: Policy::default() });
    }
    Ok(page("/v1/policies", items, next))
}

/// Save a policy as the office's next version; everything is then judged again by it.
#[utoipa::path(post, path = "/policies", tag = "office", request_body = Object, security(("key" = ["administer"])),
    responses((status = 200, description = "The policy in force was this one already", body = PolicyVersion),
        (status = 201, description = "It is in force", body = PolicyVersion)))]
pub(crate) async fn save_policy(
    State(app): State<App>,
    who: Who,
    Body(document): Body<Value>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Administer])?;
    let wrong = |detail: String| Problem::wrong("", detail, "correct the policy at that place");
    let text = toml::to_string(&document).map_err(|error| wrong(error.to_string()))?;
    let policy = Policy::from_toml(&text).map_err(|error| wrong(error.to_string()))?;
    let before = app.store.policy_in_force(office).await?.version;
    let version = app.store.policy_save(office, &policy).await?;
    let status = if version == before { StatusCode::OK } else { StatusCode::CREATED };
    if version != before {
        app.store
            .log_note(Some(office), &who.0, "policy_saved", &format!("policy {version}"), &policy.name)
            .await?;
    }
    let saved = app.store.policy_page(office, version.saturating_add(1), 1).await?;
    let saved_at = saved.first().filter(|(p, _)| p.version == version).map(|(_, at)| time(*at));
    Ok((status, Json(PolicyVersion { version, saved_at, policy })))
}

/// Which matches are asked for.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct MatchQuery {
    /// Where the page begins: `next` of the page before.
    #[param(max_length = 1000)]
    cursor: Option<String>,
    /// Items of a page, at most 500.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default, deserialize_with = "bounded::<_, 1, 500>")]
    limit: Option<u32>,
    /// Of this state; those to settle if not said.
    #[param(inline)]
    #[expect(dead_code, reason = "there is one value; others are refused")]
    state: Option<MatchName>,
}

/// A state of a match that can be asked for.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum MatchName {
    ToSettle,
}

/// List the matches that a person must settle.
#[utoipa::path(get, path = "/matches", tag = "office", params(MatchQuery), security(("key" = ["review", "administer"])),
    responses((status = 200, description = "A page of pairs", body = PageOf<Pair>)))]
pub(crate) async fn list_matches(
    State(app): State<App>,
    who: Who,
    Q(query): Q<MatchQuery>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Review])?;
    let paging = Paging { cursor: query.cursor, limit: query.limit };
    let (property, source): (String, i64) = paging.place()?.unwrap_or_default();
    let items = app.store.held_page(office, (&property, source), paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&(&last.property, last.source_number)));
    Ok(page("/v1/matches", items.into_iter().map(Pair::from).collect(), next))
}

/// What a person says about a match.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SettleRequest {
    /// Whether property and record are the same; undone takes back what was said before.
    verdict: VerdictName,
    /// A note.
    #[schema(max_length = 4000)]
    note: Option<String>,
}

/// A verdict on a match.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum VerdictName {
    Same,
    Other,
    Undone,
}

/// Settle whether a property is the record that its parcel number leads to.
#[utoipa::path(post, path = "/matches/{property}/{source}/settle", tag = "office",
    params(("property" = String, Path, description = "The property's id"), ("source" = String, Path, description = "The source's name")),
    request_body = SettleRequest, security(("key" = ["review", "administer"])),
    responses((status = 204, description = "It is settled; the pair is judged again")))]
pub(crate) async fn settle_match(
    State(app): State<App>,
    who: Who,
    P((property, source)): P<(String, String)>,
    Body(request): Body<SettleRequest>,
) -> Result<StatusCode, Problem> {
    let office = who.office(&[Role::Review])?;
    let note = request.note.unwrap_or_default();
    if note.chars().count() > 4000 {
        return Err(Problem::wrong("/note", "longer than 4000 characters", "shorten it"));
    }
    let verdict = match request.verdict {
        VerdictName::Same => Verdict::Same,
        VerdictName::Other => Verdict::Other,
        VerdictName::Undone => Verdict::Undone,
    };
    let source = app.store.source_by_id(&source).await?;
    app.store.match_settle(office, &property, source.number, verdict, &note, &who.0).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// A run.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Run {
    /// Its id.
    id: String,
    /// The source's name.
    source: String,
    /// Why it ran.
    cause: String,
    /// counting, applying, held or done.
    state: String,
    /// The edition that it read.
    edition: i64,
    /// The policy that it judged by.
    policy_version: i64,
    /// What it did, or would have done where it is held.
    #[schema(value_type = Object)]
    counts: crossfoot_store::run::RunCounts,
    /// When it began.
    started_at: String,
    /// When it ended, where it did.
    ended_at: Option<String>,
}

impl From<(RunView, i64, Option<i64>)> for Run {
    fn from((run, started, ended): (RunView, i64, Option<i64>)) -> Run {
        Run {
            id: run.id,
            source: run.source,
            cause: run.cause,
            state: run.state,
            edition: run.edition,
            policy_version: run.policy_version,
            counts: run.counts,
            started_at: time(started),
            ended_at: ended.map(time),
        }
    }
}

/// List the runs of the office, newest first.
#[utoipa::path(get, path = "/runs", tag = "office", params(Paging), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "A page of runs", body = PageOf<Run>)))]
pub(crate) async fn list_runs(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let before: String = paging.place()?.unwrap_or_default();
    let items = app.store.run_page(office, &before, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|(last, ..)| cursor(&last.id));
    Ok(page("/v1/runs", items.into_iter().map(Run::from).collect(), next))
}

/// Read one run.
#[utoipa::path(get, path = "/runs/{id}", tag = "office", params(("id" = String, Path, description = "The run's id")),
    security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The run", body = Run)))]
pub(crate) async fn get_run(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Json<Run>, Problem> {
    let office = who.office(&READERS)?;
    Ok(Json(app.store.run_entry(office, &id).await?.into()))
}

/// What is to be run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct RunRequest {
    /// With this source only, by name; with all that have an edition if not said.
    #[schema(max_length = 120)]
    source: Option<String>,
    /// Let a run that is held pass the brake.
    #[serde(default)]
    release: bool,
}

/// Jobs that were asked for.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunsAsked {
    /// A job for each source, by name.
    jobs: Vec<RunAsked>,
}

/// A job that was asked for.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunAsked {
    /// The source's name.
    source: String,
    /// The job's id.
    job: String,
}

/// Judge what stands to be judged, with one source or with all.
#[utoipa::path(post, path = "/runs", tag = "office", request_body = RunRequest, security(("key" = ["review", "batch", "administer"])),
    responses((status = 202, description = "The jobs are queued", body = RunsAsked),
        (status = 404, description = "There is no such source", body = Problem)))]
pub(crate) async fn start_runs(
    State(app): State<App>,
    who: Who,
    Body(request): Body<RunRequest>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Review, Role::Batch])?;
    let sources = match &request.source {
        Some(source) => vec![app.store.source_by_id(source).await?],
        None => app.store.source_list().await?,
    };
    let mut jobs = Vec::new();
    for source in sources.into_iter().filter(|source| source.current_edition.is_some()) {
        let job = app.store.run_request(office, &source, request.release).await?;
        jobs.push(RunAsked { source: source.id, job });
    }
    let mut headers = HeaderMap::new();
    if let Some(place) = jobs.first().and_then(|first| format!("/v1/jobs/{}", first.job).parse().ok()) {
        headers.insert(header::LOCATION, place);
    }
    Ok((StatusCode::ACCEPTED, headers, Json(RunsAsked { jobs })))
}

/// A notice: an event of a source or an edition, not of a house.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct NoticeView {
    /// Its id.
    id: String,
    /// Whether it is for this office alone.
    own: bool,
    /// The source's name, where it is about one.
    source: Option<String>,
    /// The kind of event.
    kind: String,
    /// The event as a sentence.
    detail: String,
    /// When.
    at: String,
}

impl From<Notice> for NoticeView {
    fn from(notice: Notice) -> NoticeView {
        NoticeView {
            id: notice.id,
            own: notice.office.is_some(),
            source: notice.source,
            kind: notice.kind,
            detail: notice.detail,
            at: time(notice.at),
        }
    }
}

/// List notices, newest first.
#[utoipa::path(get, path = "/notices", tag = "office", params(Paging), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "A page of notices", body = PageOf<NoticeView>)))]
pub(crate) async fn list_notices(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let before: String = paging.place()?.unwrap_or_default();
    let items = app.store.notice_page(office, &before, paging.limit()).await?;
    let full = paging.full(items.len());
    let next = items.last().filter(|_| full).map(|last| cursor(&last.id));
    Ok(page("/v1/notices", items.into_iter().map(NoticeView::from).collect(), next))
}

/// How many pairs came out in a way.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OutcomeCount {
    /// The source's name.
    source: String,
    /// The outcome.
    outcome: String,
    /// Pairs.
    pairs: i64,
}

/// Count the pairs of the office by source and outcome.
#[utoipa::path(get, path = "/statistics/outcomes", tag = "office", security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The counts", body = Vec<OutcomeCount>)))]
pub(crate) async fn count_outcomes(
    State(app): State<App>,
    who: Who,
) -> Result<Json<Vec<OutcomeCount>>, Problem> {
    let counts = app.store.outcome_counts(who.office(&READERS)?).await?;
    let counts = counts.into_iter().map(|(source, outcome, pairs)| OutcomeCount { source, outcome, pairs });
    Ok(Json(counts.collect()))
}

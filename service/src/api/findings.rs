//! The queue, findings, their history and explanation, and what people decide.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::IntoResponse;
use crossfoot_audit::judge::explain::{CAUTION, explain};
use crossfoot_audit::judge::transition::State as FindingState;
use crossfoot_store::finding::{Decided, Decision, FindingFilter};
use crossfoot_store::office::Role;
use crossfoot_store::queue::{PairView, QueueCursor};
use crossfoot_worker::{RejudgeError, rejudge};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::views::{Event, Pair};
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{Body, P, PageOf, Paging, Q, bounded, cursor, if_match, page};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_queue))
        .routes(routes!(list_findings))
        .routes(routes!(get_finding))
        .routes(routes!(decide_finding))
        .routes(routes!(get_history))
        .routes(routes!(get_explanation))
}

/// Who may read findings.
pub(crate) const READERS: [Role; 3] = [Role::Review, Role::Consult, Role::Batch];

/// A property in the queue.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct QueuedProperty {
    /// The property's id.
    property: String,
    /// The office's reference.
    reference: String,
    /// Its open findings, the largest difference first.
    findings: Vec<Pair>,
}

/// List the queue: properties with open findings, the largest estimated effect first, then by difference in area.
#[utoipa::path(get, path = "/queue", tag = "findings", params(Paging), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "A page of the queue", body = PageOf<QueuedProperty>),
        (status = 400, description = "The parameters cannot be read", body = Problem),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem)))]
pub(crate) async fn list_queue(
    State(app): State<App>,
    who: Who,
    Q(paging): Q<Paging>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let after: Option<QueueCursor> = paging.place()?;
    let items = app.store.queue_page(office, after.as_ref(), paging.limit()).await?;
    let full = i64::try_from(items.len()).is_ok_and(|n| n == paging.limit());
    let next = items.last().filter(|_| full).map(|item| cursor(&item.cursor));
    let items = items
        .into_iter()
        .map(|item| QueuedProperty {
            property: item.pairs.first().map(|pair| pair.property.clone()).unwrap_or_default(),
            reference: item.pairs.first().map(|pair| pair.reference.clone()).unwrap_or_default(),
            findings: item.pairs.into_iter().map(Pair::from).collect(),
        })
        .collect();
    Ok(page("/v1/queue", items, next))
}

/// Which findings are asked for.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct FindingQuery {
    /// Where the page begins: `next` of the page before.
    #[param(max_length = 1000)]
    cursor: Option<String>,
    /// Items of a page, at most 500.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default, deserialize_with = "bounded::<_, 1, 500>")]
    limit: Option<u32>,
    /// Of this state.
    #[param(inline)]
    state: Option<StateName>,
    /// Of this kind.
    #[param(inline)]
    kind: Option<KindName>,
    /// Of this source, by name.
    #[param(max_length = 120)]
    source: Option<String>,
    /// Of houses larger or smaller than recorded.
    #[param(inline)]
    direction: Option<DirectionName>,
    /// With at least this variance either way, as a ratio: 0.05 is 5 %.
    #[param(minimum = 0.0, maximum = 1000.0)]
    #[serde(default, deserialize_with = "share")]
    variance_min: Option<f64>,
    /// With at least this estimated effect either way, in whole currency units.
    #[param(minimum = 0, maximum = 1_000_000_000)]
    #[serde(default, deserialize_with = "bounded::<_, 0, 1_000_000_000>")]
    effect_min: Option<u32>,
}

/// A variance that can be asked for.
fn share<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    let share = Option::<f64>::deserialize(from)?;
    match share.filter(|share| !(0.0..=1000.0).contains(share)) {
        Some(share) => Err(serde::de::Error::custom(format!("{share} is not between 0 and 1000"))),
        None => Ok(share),
    }
}

/// A state of a finding.
#[derive(Debug, Clone, Copy, Deserialize, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum StateName {
    Open,
    Confirmed,
    Cleared,
    Referred,
    Closed,
}

/// A kind of finding.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum KindName {
    Variance,
    NoArea,
    RecordedVacant,
}

/// A direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum DirectionName {
    Larger,
    Smaller,
}

impl From<StateName> for FindingState {
    fn from(name: StateName) -> FindingState {
        match name {
            StateName::Open => FindingState::Open,
            StateName::Confirmed => FindingState::Confirmed,
            StateName::Cleared => FindingState::Cleared,
            StateName::Referred => FindingState::Referred,
            StateName::Closed => FindingState::Closed,
        }
    }
}

/// List findings, in the order in which they were opened.
#[utoipa::path(get, path = "/findings", tag = "findings", params(FindingQuery), security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "A page of findings", body = PageOf<Pair>),
        (status = 400, description = "The parameters cannot be read", body = Problem),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such source", body = Problem)))]
pub(crate) async fn list_findings(
    State(app): State<App>,
    who: Who,
    Q(query): Q<FindingQuery>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&READERS)?;
    let paging = Paging { cursor: query.cursor.clone(), limit: query.limit };
    let after: String = paging.place()?.unwrap_or_default();
    let filter = filter(&app, &query).await?;
    let pairs = app.store.finding_page(office, &filter, &after, paging.limit()).await?;
    let full = i64::try_from(pairs.len()).is_ok_and(|n| n == paging.limit());
    let next = pairs.last().filter(|_| full).and_then(|pair| pair.finding.as_ref()).map(|f| cursor(&f.id));
    Ok(page("/v1/findings", pairs.into_iter().map(Pair::from).collect(), next))
}

async fn filter(app: &App, query: &FindingQuery) -> Result<FindingFilter, Problem> {
    let source = match &query.source {
        Some(source) => Some(app.store.source_by_id(source).await?.number),
        None => None,
    };
    #[expect(clippy::cast_possible_truncation, reason = "bounded by the parameter's maximum")]
    let variance_ppm_min = query.variance_min.map(|share| (share.clamp(0.0, 1000.0) * 1e6).round() as i64);
    Ok(FindingFilter {
        state: query.state.map(FindingState::from),
        kind: query.kind.map(|kind| {
            match kind {
                KindName::Variance => "variance",
                KindName::NoArea => "no_area",
                KindName::RecordedVacant => "recorded_vacant",
            }
            .to_owned()
        }),
        source,
        larger: query.direction.map(|direction| direction == DirectionName::Larger),
        variance_ppm_min,
        effect_cents_min: query.effect_min.map(|units| i64::from(units) * 100),
    })
}

pub(crate) async fn found(app: &App, office: &str, id: &str) -> Result<PairView, Problem> {
    app.store.finding_pair(office, id).await?.ok_or_else(|| Problem::not_found("finding", id))
}

fn tagged(row_version: i64, body: impl Serialize) -> Result<impl IntoResponse, Problem> {
    let mut headers = HeaderMap::new();
    let tag = HeaderValue::from_str(&format!("\"{row_version}\""))
        .map_err(|_| Problem::new(Kind::Internal, "an ETag could not be made"))?;
    headers.insert(header::ETAG, tag);
    Ok((headers, Json(serde_json::to_value(body).unwrap_or_default())))
}

/// Read one finding; its ETag is what a decision must name.
#[utoipa::path(get, path = "/findings/{id}", tag = "findings", params(("id" = String, Path, description = "The finding's id")),
    security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The finding", body = Pair),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem)))]
pub(crate) async fn get_finding(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<impl IntoResponse, Problem> {
    let pair = found(&app, who.office(&READERS)?, &id).await?;
    let version = pair.finding.as_ref().map_or(0, |f| f.row_version);
    tagged(version, Pair::from(pair))
}

/// What is decided.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct DecisionRequest {
    /// The state that the finding goes to: open, confirmed, cleared or referred.
    pub(crate) state: StateName,
    /// What was seen: the publisher's sketch, an aerial picture, a visit.
    #[schema(max_length = 1000)]
    pub(crate) seen: Option<String>,
    /// A note.
    #[schema(max_length = 4000)]
    pub(crate) note: Option<String>,
    /// For referred: the day it was filed, YYYY-MM-DD.
    #[schema(format = Date)]
    pub(crate) filed_on: Option<String>,
    /// For referred: the case number of the record holder.
    #[schema(max_length = 200)]
    pub(crate) case_number: Option<String>,
    /// For referred: the day of the hearing, YYYY-MM-DD.
    #[schema(format = Date)]
    pub(crate) hearing_on: Option<String>,
    /// For referred: what came of it.
    #[schema(max_length = 1000)]
    pub(crate) outcome: Option<String>,
}

impl DecisionRequest {
    /// Checks what the schema only documents.
    pub(crate) fn checked(self) -> Result<Decision, Problem> {
        let mut faults = Vec::new();
        let mut fault = |pointer: &str, detail: String, mend: &str| {
            faults.push(crate::http::problem::Fault {
                pointer: pointer.to_owned(),
                detail,
                mend: mend.to_owned(),
            });
        };
        for (pointer, text, most) in [
            ("/seen", &self.seen, 1000),
            ("/note", &self.note, 4000),
            ("/case_number", &self.case_number, 200),
            ("/outcome", &self.outcome, 1000),
        ] {
            let length = text.as_ref().map_or(0, |text| text.chars().count());
            if length > most {
                fault(pointer, format!("{length} characters, at most {most} are kept"), "shorten it");
            }
        }
        for (pointer, day) in [("/filed_on", &self.filed_on), ("/hearing_on", &self.hearing_on)] {
            if day.as_ref().is_some_and(|day| day.parse::<jiff::civil::Date>().is_err()) {
                fault(pointer, "not a day of the calendar".to_owned(), "write it as YYYY-MM-DD");
            }
        }
        if matches!(self.state, StateName::Closed) {
            fault(
                "/state",
                "a finding is closed by a run, not by a person".to_owned(),
                "use cleared when nothing is to be done",
            );
        }
        if !faults.is_empty() {
            return Err(Problem::invalid(faults));
        }
        Ok(Decision {
            state: self.state.into(),
            seen: self.seen,
            note: self.note,
            filed_on: self.filed_on,
            case_number: self.case_number,
            hearing_on: self.hearing_on,
            outcome: self.outcome,
        })
    }
}

/// Decide a finding. If-Match must name the ETag that was read.
#[utoipa::path(post, path = "/findings/{id}/decisions", tag = "findings", params(("id" = String, Path, description = "The finding's id"),
        ("If-Match" = Option<String>, Header, description = "The ETag of the finding as it was read")),
    request_body = DecisionRequest, security(("key" = ["review", "administer"])),
    responses((status = 200, description = "The finding after the decision", body = Pair),
        (status = 400, description = "The body is no JSON", body = Problem),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem),
        (status = 409, description = "The finding is closed", body = Problem),
        (status = 412, description = "It has changed since it was read", body = Problem),
        (status = 413, description = "The body is too large", body = Problem),
        (status = 415, description = "The body is not JSON", body = Problem),
        (status = 422, description = "The decision is wrong", body = Problem),
        (status = 428, description = "If-Match is missing", body = Problem)))]
pub(crate) async fn decide_finding(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
    headers: HeaderMap,
    Body(request): Body<DecisionRequest>,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Review])?;
    found(&app, office, &id).await?;
    let version = if_match(&headers)?;
    let decision = request.checked()?;
    match app.store.finding_decide(office, &id, version, &decision, &who.0).await? {
        Decided::Taken(version) => tagged(version, Pair::from(found(&app, office, &id).await?)),
        Decided::Overtaken(now) => Err(Problem::new(
            Kind::PreconditionFailed,
            format!(
                "the finding is at version {now}: read it again, look at what changed, and decide on that"
            ),
        )),
        Decided::Closed => {
            Err(Problem::new(Kind::Conflict, "the finding is closed: nothing is to be decided"))
        }
        Decided::NotForPeople => Err(Problem::wrong("/state", "a finding is closed by a run", "use cleared")),
    }
}

/// Read the history of a finding, oldest event first.
#[utoipa::path(get, path = "/findings/{id}/history", tag = "findings", params(("id" = String, Path, description = "The finding's id")),
    security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The events", body = Vec<Event>),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem)))]
pub(crate) async fn get_history(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Json<Vec<Event>>, Problem> {
    let office = who.office(&READERS)?;
    found(&app, office, &id).await?;
    Ok(Json(app.store.finding_history(office, &id).await?.into_iter().map(Event::from).collect()))
}

/// A judgement in numbers.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Explanation {
    /// The steps, in the order in which they can be followed with a pocket calculator.
    pub(crate) steps: Vec<StepView>,
    /// What a reader must know before acting on it.
    pub(crate) caution: String,
}

/// One step of an explanation.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StepView {
    /// What is computed.
    pub(crate) what: String,
    /// The formula with its inputs.
    pub(crate) how: String,
    /// The result with its unit.
    pub(crate) result: String,
}

/// Explain a finding in numbers, from the facts as they stand.
#[utoipa::path(get, path = "/findings/{id}/explanation", tag = "findings", params(("id" = String, Path, description = "The finding's id")),
    security(("key" = ["review", "consult", "batch", "administer"])),
    responses((status = 200, description = "The explanation", body = Explanation),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem),
        (status = 409, description = "The pair cannot be judged any more", body = Problem)))]
pub(crate) async fn get_explanation(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Json<Explanation>, Problem> {
    let office = who.office(&READERS)?;
    let pair = found(&app, office, &id).await?;
    Ok(Json(explanation(&app, office, &pair).await?))
}

/// The explanation of a pair.
pub(crate) async fn explanation(app: &App, office: &str, pair: &PairView) -> Result<Explanation, Problem> {
    let again =
        rejudge(&app.store, app.worker.standards(), office, pair).await.map_err(|error| match error {
            RejudgeError::Store(error) => Problem::from(error),
            RejudgeError::NotJudged(_) | RejudgeError::NoRecord | RejudgeError::Layout(_) => {
                Problem::new(Kind::Conflict, format!("the pair cannot be judged any more: {error}"))
            }
        })?;
    let steps = explain(&again.judgement, &again.measured, &again.recorded, &again.rule)
        .into_iter()
        .map(|step| StepView { what: step.what, how: step.how, result: step.result })
        .collect();
    Ok(Explanation { steps, caution: CAUTION.to_owned() })
}

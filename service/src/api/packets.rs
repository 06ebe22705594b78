//! The evidence packet of a finding: the document, or the whole as a zip file.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use crossfoot_store::office::Role;
use crossfoot_store::queue::PairView;
use crossfoot_worker::EvidenceError;
use sha2::{Digest as _, Sha256};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::findings::found;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::P;
use crate::http::problem::{Kind, Problem};
use crate::packets::PacketError;

/// The roles that may take evidence out of the office.
pub(crate) const TAKERS: [Role; 2] = [Role::Review, Role::Consult];

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_document)).routes(routes!(get_packet))
}

impl From<PacketError> for Problem {
    fn from(error: PacketError) -> Problem {
        match error {
            PacketError::Evidence(EvidenceError::Store(error)) => Problem::from(error),
            PacketError::NoFinding | PacketError::Evidence(_) => {
                Problem::new(Kind::Conflict, error.to_string())
            }
            PacketError::Seal(_) => Problem::new(Kind::Conflict, crate::outcome::with_causes(&error)),
            PacketError::BrokenOff => Problem::new(Kind::Unavailable, error.to_string()),
        }
    }
}

/// Read the evidence on a finding as a document: PDF/A-3a and PDF/UA-1, with the data attached. The same finding gives
/// the same bytes until something happens to it.
#[utoipa::path(get, path = "/findings/{id}/packet.pdf", tag = "findings", params(("id" = String, Path, description = "The finding's id")),
    security(("key" = ["review", "consult", "administer"])),
    responses((status = 200, description = "The document; Repr-Digest (RFC 9530) has its SHA-256", body = Vec<u8>, content_type = "application/pdf"),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem),
        (status = 409, description = "The pair cannot be judged any more", body = Problem)))]
pub(crate) async fn get_document(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Response, Problem> {
    document(&app, &who, &id).await
}

/// Read the evidence packet of a finding: a zip file that is a bag after RFC 8493, with the document, the data, the row
/// as published and the hashes. `crossfoot verify` checks every byte of it. The same finding gives the same bytes until
/// something happens to it.
#[utoipa::path(get, path = "/findings/{id}/packet.zip", tag = "findings", params(("id" = String, Path, description = "The finding's id")),
    security(("key" = ["review", "consult", "administer"])),
    responses((status = 200, description = "The packet; Repr-Digest (RFC 9530) has its SHA-256", body = Vec<u8>, content_type = "application/zip"),
        (status = 401, description = "No valid key", body = Problem),
        (status = 403, description = "The key does not allow it", body = Problem),
        (status = 404, description = "No such finding", body = Problem),
        (status = 409, description = "The pair cannot be judged any more", body = Problem)))]
pub(crate) async fn get_packet(
    State(app): State<App>,
    who: Who,
    P(id): P<String>,
) -> Result<Response, Problem> {
    packet(&app, &who, &id).await
}

/// The document of a finding as an answer.
pub(crate) async fn document(app: &App, who: &Who, id: &str) -> Result<Response, Problem> {
    let office = who.office(&TAKERS)?;
    let pair = found(app, office, id).await?;
    let (name, bytes) = app.press.document(&app.store, &app.worker, office, &pair).await?;
    taken(app, who, &pair, office, File { name: &name, content: "application/pdf", bytes }).await
}

/// The packet of a finding as an answer.
pub(crate) async fn packet(app: &App, who: &Who, id: &str) -> Result<Response, Problem> {
    let office = who.office(&TAKERS)?;
    let pair = found(app, office, id).await?;
    let packet = app.press.packet(&app.store, &app.worker, office, &pair).await?;
    let file = File { name: &packet.name, content: "application/zip", bytes: packet.bytes };
    taken(app, who, &pair, office, file).await
}

struct File<'a> {
    name: &'a str,
    content: &'static str,
    bytes: Vec<u8>,
}

/// Evidence leaves the office: who took it, and which bytes, goes on record.
async fn taken(
    app: &App,
    who: &Who,
    pair: &PairView,
    office: &str,
    file: File<'_>,
) -> Result<Response, Problem> {
    let hash = Sha256::digest(&file.bytes);
    let subject = pair.finding.as_ref().map_or("", |finding| finding.id.as_str());
    let detail = format!("{} sha256 {}", file.name, hex::encode(hash));
    app.store.log_note(Some(office), &who.0, "packet taken", subject, &detail).await?;
    let digest = format!("sha-256=:{}:", base64::engine::general_purpose::STANDARD.encode(hash));
    let disposition = format!("attachment; filename=\"{}\"", file.name);
    let mut headers = HeaderMap::new();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(file.content));
    for (name, value) in [("content-disposition", disposition), ("repr-digest", digest)] {
        let value = HeaderValue::from_str(&value)
            .map_err(|_| Problem::new(Kind::Internal, "the name of the packet is no header"))?;
        headers.insert(name, value);
    }
    Ok((headers, file.bytes).into_response())
}

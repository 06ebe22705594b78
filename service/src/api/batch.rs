//! Many measured houses at once. The file is taken whole before anything of it is saved, so that one that breaks off
//! leaves nothing behind; then a result is sent for each house in the order of the file.

use std::collections::HashMap;
use std::io::BufReader;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::IntoResponse;
use crossfoot_audit::document::DocumentReader;
use crossfoot_store::Store;
use crossfoot_store::measurement::NewMeasurement;
use crossfoot_store::office::Role;
use serde::Serialize;
use tokio::sync::mpsc;
use utoipa::ToSchema;

use super::measurements::{Saved, reader};
use crate::houses::{self, Form, Placed};
use crate::http::App;
use crate::http::access::Who;
use crate::http::problem::{Fault, Kind, Problem};
use crate::http::upload;

/// Houses saved in one transaction.
const HOUSES_A_BATCH: usize = 500;
/// Results that wait for the transaction of the houses before them, at the most.
const RESULTS_WAITING: usize = 2000;
/// A JSON array is read whole, so it may be so long; NDJSON and CSV have the limit of uploads.
const ARRAY_BYTES_MAX: usize = 64 * 1024 * 1024;

/// What became of one house of a file.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HouseResult {
    /// Where it stands, such as `line 12` or `house 3`.
    place: String,
    /// new, new_version, unchanged, set_aside or failed.
    result: &'static str,
    /// The office's reference, where it can be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    reference: Option<String>,
    /// The property's id, where it was taken in.
    #[serde(skip_serializing_if = "Option::is_none")]
    property: Option<String>,
    /// The version of the measurement, where it was taken in.
    #[serde(skip_serializing_if = "Option::is_none")]
    version: Option<i64>,
    /// Everything that is wrong with it, where it was set aside.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    errors: Vec<Fault>,
}

/// Send many measured houses: a JSON array, one JSON object a line, or CSV with a part or a wall a row. The answer has
/// a JSON object a line for each house, in the order of the file: what became of it, or everything that is wrong with
/// it.
#[utoipa::path(post, path = "/measurements/batch", tag = "measurements",
    request_body(content((serde_json::Value = "application/x-ndjson"), (serde_json::Value = "text/csv"), (Vec<serde_json::Value> = "application/json"))),
    security(("key" = ["upload", "administer"])),
    responses((status = 200, description = "A result for each house, one a line", body = HouseResult, content_type = "application/x-ndjson")))]
pub(crate) async fn create_measurements(
    State(app): State<App>,
    who: Who,
    headers: HeaderMap,
    body: Body,
) -> Result<impl IntoResponse, Problem> {
    let office = who.office(&[Role::Upload])?.to_owned();
    let form = form(&headers)?;
    let most = match form {
        Form::Array => app.limits.upload_bytes.min(ARRAY_BYTES_MAX),
        Form::Lines | Form::Csv => app.limits.upload_bytes,
    };
    let arrived = upload::take(&app, &headers, body, most).await?;
    let (houses, mut placed) = mpsc::channel(64);
    tokio::task::spawn_blocking(move || {
        let file = BufReader::with_capacity(1 << 20, arrived.file);
        for house in houses::documents_as(form, file) {
            if houses.blocking_send(house).is_err() {
                return;
            }
        }
    });
    let mut next = placed.recv().await;
    if form == Form::Array
        && let Some(Placed { document: Err((_, problems)), .. }) = &next
    {
        let why = problems.first().map(|problem| format!("{}: {}", problem.detail, problem.mend));
        return Err(Problem::new(Kind::BadRequest, why.unwrap_or_default()));
    }
    let reader = reader()?;
    let (lines, mut answer) = mpsc::channel::<Bytes>(16);
    // what was sent whole is taken in whole, also when nobody waits for the answer
    tokio::spawn(async move {
        let mut taking = Taking { store: app.store, office, reader, places: HashMap::new(), waiting: vec![] };
        while let Some(house) = next.take() {
            taking.one(house);
            if taking.full() {
                let _nobody_waits = lines.send(taking.save().await).await;
            }
            next = placed.recv().await;
        }
        let _nobody_waits = lines.send(taking.save().await).await;
    });
    let stream = futures_util::stream::poll_fn(move |context| {
        answer.poll_recv(context).map(|bytes| bytes.map(Ok::<_, std::convert::Infallible>))
    });
    Ok(([(header::CONTENT_TYPE, "application/x-ndjson")], Body::from_stream(stream)))
}

fn form(headers: &HeaderMap) -> Result<Form, Problem> {
    let content = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    match content.split(';').next().unwrap_or_default().trim().to_ascii_lowercase().as_str() {
        "application/json" => Ok(Form::Array),
        "application/x-ndjson" | "application/jsonl" => Ok(Form::Lines),
        "text/csv" => Ok(Form::Csv),
        _ => Err(Problem::new(
            Kind::UnsupportedMediaType,
            "send application/x-ndjson, text/csv or application/json as Content-Type",
        )),
    }
}

/// A house that was read, or the result of one that was set aside.
enum Waiting {
    Read(String, Box<NewMeasurement>),
    Aside(HouseResult),
}

struct Taking {
    store: Store,
    office: String,
    reader: &'static DocumentReader,
    places: HashMap<String, String>,
    waiting: Vec<Waiting>,
}

impl Taking {
    fn full(&self) -> bool {
        let read = self.waiting.iter().filter(|w| matches!(w, Waiting::Read(..))).count();
        read >= HOUSES_A_BATCH || self.waiting.len() >= RESULTS_WAITING
    }

    fn one(&mut self, placed: Placed) {
        let place = placed.place;
        let (reference, problems) = match placed.document {
            Err((_, problems)) => (None, problems),
            Ok(document) => match self.reader.read(&document) {
                Err(problems) => {
                    let reference = document.get("reference").and_then(|r| r.as_str()).map(str::to_owned);
                    (reference, placed.lines.mark(problems))
                }
                Ok(measurement) => match self.places.get(&measurement.reference) {
                    Some(first) => {
                        let problem = houses::repeated(&measurement.reference, first);
                        (Some(measurement.reference), vec![problem])
                    }
                    None => {
                        self.places.insert(measurement.reference.clone(), place.clone());
                        let new = NewMeasurement { measurement, document: document.to_string() };
                        self.waiting.push(Waiting::Read(place, Box::new(new)));
                        return;
                    }
                },
            },
        };
        self.waiting.push(Waiting::Aside(HouseResult {
            place,
            result: "set_aside",
            reference,
            property: None,
            version: None,
            errors: problems.into_iter().map(Fault::from).collect(),
        }));
    }

    /// Saves what waits in one transaction and gives the results as lines.
    async fn save(&mut self) -> Bytes {
        let waiting = std::mem::take(&mut self.waiting);
        let (mut houses, mut results, mut at) = (Vec::new(), Vec::new(), Vec::new());
        for item in waiting {
            match item {
                Waiting::Aside(result) => results.push(result),
                Waiting::Read(place, new) => {
                    at.push(results.len());
                    results.push(HouseResult {
                        place,
                        result: "failed",
                        reference: Some(new.measurement.reference.clone()),
                        property: None,
                        version: None,
                        errors: Vec::new(),
                    });
                    houses.push(*new);
                }
            }
        }
        match self.store.measurement_save(&self.office, houses).await {
            Ok(saved) => {
                for (at, saved) in at.into_iter().zip(saved) {
                    let saved = Saved::from(saved);
                    if let Some(result) = results.get_mut(at) {
                        result.result = saved.what;
                        result.property = Some(saved.property);
                        result.version = Some(saved.version);
                    }
                }
            }
            Err(error) => {
                let problem = Problem::from(error);
                for at in at {
                    if let Some(result) = results.get_mut(at) {
                        result.errors.push(Fault {
                            pointer: String::new(),
                            detail: problem.title.clone(),
                            mend: "send the house again".to_owned(),
                        });
                    }
                }
            }
        }
        let mut lines = Vec::new();
        for result in results {
            lines.extend(serde_json::to_vec(&result).unwrap_or_default());
            lines.push(b'\n');
        }
        lines.into()
    }
}

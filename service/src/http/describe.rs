//! The description of the API: what the operations say of themselves, and what all of them have in common.

use serde_json::{Map, Value, json};
use utoipa::openapi::OpenApi;

/// Responses that operations of a kind share, with their descriptions.
const ALWAYS: [(&str, &str); 4] = [
    ("400", "The request cannot be read"),
    ("429", "Too many requests; Retry-After says when to come again"),
    ("504", "No answer in time"),
    ("503", "The database is busy or cannot be reached; Retry-After says when to come again"),
];
const WITH_KEY: [(&str, &str); 2] = [("401", "No valid key"), ("403", "The key does not allow it")];
const WITH_PATH: [(&str, &str); 1] = [("404", "There is no such thing")];
const WITH_POST: [(&str, &str); 4] = [
    ("408", "The body came too slowly"),
    ("409", "The same Idempotency-Key is still being worked on, or its answer was not kept"),
    ("413", "The body is too large"),
    ("422", "The content is wrong, or the Idempotency-Key was used for another request"),
];
const WITH_BODY: [(&str, &str); 1] = [("415", "The content type is not understood")];

/// The description as JSON.
pub(crate) fn whole(openapi: &OpenApi) -> Value {
    let mut document = serde_json::to_value(openapi).unwrap_or_default();
    add_schemas(&mut document);
    let paths = document.get_mut("paths").and_then(Value::as_object_mut);
    for (path, item) in paths.into_iter().flatten() {
        for (method, operation) in item.as_object_mut().into_iter().flatten() {
            if let Some(operation) = operation.as_object_mut() {
                complete(path, method, operation);
            }
        }
    }
    document
}

fn complete(path: &str, method: &str, operation: &mut Map<String, Value>) {
    let mut common = ALWAYS.to_vec();
    if operation.contains_key("security") {
        common.extend(WITH_KEY);
    }
    if path.contains('{') {
        common.extend(WITH_PATH);
    }
    if method == "post" {
        common.extend(WITH_POST);
        let parameters = operation.entry("parameters").or_insert_with(|| json!([]));
        if let Some(parameters) = parameters.as_array_mut() {
            parameters.push(json!({
                "name": "Idempotency-Key", "in": "header", "required": false,
                "description": "The same key with the same request again gets the answer of the first, for a day",
                "schema": { "type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[!-~]+$" }
            }));
        }
    }
    if operation.contains_key("requestBody") {
        common.extend(WITH_BODY);
    }
    let Some(responses) = operation.get_mut("responses").and_then(Value::as_object_mut) else { return };
    for (status, description) in common {
        let problem = json!({ "description": description, "content": problem_content() });
        responses.entry(status).or_insert(problem);
    }
    for (status, response) in responses.iter_mut() {
        if status.starts_with(['4', '5'])
            && let Some(content) = response.get_mut("content")
        {
            *content = problem_content();
        }
    }
    responses.sort_keys();
}

fn problem_content() -> Value {
    json!({ "application/problem+json": { "schema": { "$ref": "#/components/schemas/Problem" } } })
}

/// Bodies that have a schema of their own: measurements, policies, and the answer of a look at a file.
fn add_schemas(document: &mut Value) {
    let documents = [
        ("MeasurementDocument", crossfoot_audit::document::schema()),
        ("PolicyDocument", crossfoot_audit::judge::policy::schema()),
        ("Look", crossfoot_roll::look::schema()),
    ];
    for (name, mut schema) in documents {
        let definitions = schema.as_object_mut().and_then(|s| s.remove("$defs"));
        if let Some(object) = schema.as_object_mut() {
            object.remove("$schema");
        }
        let parts = definitions.as_ref().and_then(Value::as_object).into_iter().flatten();
        let mut all: Vec<(String, Value)> = parts.map(|(n, s)| (n.clone(), s.clone())).collect();
        all.push((name.to_owned(), schema));
        let Some(schemas) = document.pointer_mut("/components/schemas").and_then(Value::as_object_mut) else {
            return;
        };
        for (name, mut schema) in all {
            refer(&mut schema);
            schemas.insert(name, schema);
        }
    }
    for (path, name) in [
        ("/v1/measurements", "MeasurementDocument"),
        ("/v1/measurements/preview", "MeasurementDocument"),
        ("/v1/policies", "PolicyDocument"),
    ] {
        let operation = document.pointer_mut("/paths").and_then(|paths| paths.get_mut(path));
        let schema =
            operation.and_then(|item| item.pointer_mut("/post/requestBody/content/application~1json/schema"));
        if let Some(schema) = schema {
            *schema = json!({ "$ref": format!("#/components/schemas/{name}") });
        }
    }
    if let Some(schema) = document.pointer_mut(LOOK) {
        *schema = json!({ "$ref": "#/components/schemas/Look" });
    }
}

/// Where the answer of a look at a file is described.
const LOOK: &str = "/paths/~1v1~1layouts~1look/post/responses/200/content/application~1json/schema";

/// Definitions beside a schema become components of the description.
fn refer(schema: &mut Value) {
    match schema {
        Value::Object(object) => {
            if let Some(Value::String(reference)) = object.get_mut("$ref") {
                *reference = reference.replace("#/$defs/", "#/components/schemas/");
            }
            object.values_mut().for_each(refer);
        }
        Value::Array(items) => items.iter_mut().for_each(refer),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

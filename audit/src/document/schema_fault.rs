//! What the schema finds wrong, at the place where it is wrong: a value that may be missing, or that has one of
//! several forms, is told by the form that was meant.

use jsonschema::ValidationError;
use jsonschema::error::ValidationErrorKind as K;
use serde_json::Value;

use super::Problem;

/// The problems of one finding, at least one.
pub(super) fn problems(error: &ValidationError<'_>) -> Vec<Problem> {
    if let K::AnyOf { context } | K::OneOfNotValid { context } = error.kind() {
        if let Some(meant) = meant(error, context) {
            return meant.iter().flat_map(problems).collect();
        }
        let names = names(context);
        if !names.is_empty() {
            let detail = format!(
                "{} is none of the values that it can have",
                shortened(&error.instance().to_string())
            );
            let has_more = context.iter().flatten().any(|error| matches!(error.kind(), K::Type { .. }));
            let more = if has_more { ", or one of its other forms" } else { "" };
            let mend = format!("use one of {}{more}", names.join(", "));
            return vec![Problem { pointer: error.instance_path().to_string(), detail, mend }];
        }
    }
    let detail = shortened(&error.to_string());
    vec![Problem { pointer: error.instance_path().to_string(), detail, mend: mend(error) }]
}

/// The form that was meant: the only one beside null, or the only one whose faults all lie within the value.
fn meant<'e>(
    error: &ValidationError<'_>,
    context: &'e [Vec<ValidationError<'static>>],
) -> Option<&'e [ValidationError<'static>]> {
    let place = error.instance_path();
    let forms = || context.iter().filter(|form| !form.is_empty() && !form.iter().all(is_null));
    let mut beside_null = forms();
    if let (Some(only), None) = (beside_null.next(), beside_null.next()) {
        return Some(only);
    }
    let mut within = forms().filter(|form| form.iter().all(|fault| fault.instance_path() != place));
    match (within.next(), within.next()) {
        (Some(only), None) => Some(only),
        (_, _) => None,
    }
}

/// Whether a form is only that of a value left out.
fn is_null(error: &ValidationError<'static>) -> bool {
    matches!(error.kind(), K::Type { .. }) && error.to_string().ends_with("is not of type \"null\"")
}

/// The values, or the names of the forms, that would have been taken.
#[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum: its other kinds name nothing")]
fn names(context: &[Vec<ValidationError<'static>>]) -> Vec<String> {
    let word = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let mut names = Vec::new();
    for error in context.iter().flatten() {
        match error.kind() {
            K::Constant { expected_value } => names.push(word(expected_value)),
            K::Enum { options } => names.extend(options.as_array().into_iter().flatten().map(word)),
            K::Required { property } => names.push(word(property)),
            _ => {}
        }
    }
    names
}

#[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum: its other kinds are all about bounds")]
fn mend(error: &ValidationError<'_>) -> String {
    match error.kind() {
        K::AdditionalProperties { unexpected } | K::UnevaluatedProperties { unexpected } => {
            format!("leave out {}, or correct the spelling", unexpected.join(", "))
        }
        K::Required { property } => format!("add {property}"),
        K::Type { .. } => "give a value of the type named".to_owned(),
        K::Enum { .. } | K::Constant { .. } | K::AnyOf { .. } | K::OneOfNotValid { .. } => {
            "use one of the values named".to_owned()
        }
        K::Pattern { .. } => "write the date as YYYY-MM-DD".to_owned(),
        _ => "keep within the bounds named".to_owned(),
    }
}

fn shortened(text: &str) -> String {
    if text.chars().count() <= 300 {
        text.to_owned()
    } else {
        text.chars().take(297).chain("...".chars()).collect()
    }
}

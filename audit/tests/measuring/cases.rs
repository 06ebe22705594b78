//! The cases, read from their file.

use serde_json::Value;

const CASES: &str = include_str!("cases.json");

/// One case: what goes in, what must come out, and how close.
pub(crate) struct Case {
    id: String,
    pub(crate) input: Value,
    expected: Value,
    tolerance: Value,
}

/// The case whose id begins with `id` and a dash.
pub(crate) fn case(id: &str) -> Case {
    let cases: Vec<Value> = serde_json::from_str(CASES).unwrap();
    let found = cases.into_iter().find(|case| case["id"].as_str().unwrap().starts_with(&format!("{id}-")));
    let case = found.unwrap_or_else(|| panic!("no case {id}"));
    let take = |key: &str| case[key].clone();
    Case { id: id.to_owned(), input: take("input"), expected: take("expected"), tolerance: take("tolerance") }
}

impl Case {
    pub(crate) fn expected(&self, field: &str) -> &Value {
        let value = &self.expected[field];
        assert!(!value.is_null(), "{}: no field {field}", self.id);
        value
    }

    /// Asserts one figure of the case.
    pub(crate) fn holds(&self, field: &str, found: f64) {
        self.close(field, found, number(self.expected(field)));
    }

    /// Asserts a list of figures.
    pub(crate) fn all_hold(&self, field: &str, found: &[f64]) {
        let wanted = self.expected(field).as_array().unwrap();
        assert_eq!(found.len(), wanted.len(), "{}: {field}", self.id);
        for (one, wanted) in found.iter().zip(wanted) {
            self.close(field, *one, number(wanted));
        }
    }

    /// Asserts that figures found are as near as the case's tolerance allows; "exact" allows for the last digits
    /// of a float.
    pub(crate) fn close(&self, field: &str, found: f64, wanted: f64) {
        let by_field = self.tolerance.as_object();
        let stated = number(by_field.map_or(&self.tolerance, |by_field| &by_field[field]));
        let apart = (found - wanted).abs();
        let allowed = stated.max(1e-11 * wanted.abs().max(1.0));
        assert!(apart <= allowed, "{}: {field} is {found}, wanted {wanted} within {allowed}", self.id);
    }
}

/// A number, or a fraction written as text.
pub(crate) fn number(value: &Value) -> f64 {
    let Some(text) = value.as_str() else {
        return value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    };
    match text.split_once('/') {
        Some((above, below)) => above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap(),
        None => text.parse().unwrap(),
    }
}

#[test]
fn every_case_is_used_and_names_its_source() {
    let users = [
        include_str!("area.rs"),
        include_str!("closing.rs"),
        include_str!("mistakes.rs"),
        include_str!("spread.rs"),
    ]
    .concat();
    let cases: Vec<Value> = serde_json::from_str(CASES).unwrap();
    assert_eq!(cases.len(), 43);
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let short = id.splitn(3, '-').take(2).collect::<Vec<_>>().join("-");
        assert!(users.contains(&format!("case(\"{short}\")")), "{id} is not used");
        assert!(case["source"].as_str().is_some_and(|source| source.len() > 10), "{id} has no source");
    }
}

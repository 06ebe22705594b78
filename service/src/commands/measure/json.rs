//! Everything about the house as one JSON object.

use serde_json::{Value, json};

use super::{CAUTIONS, Worked, interval};
use crate::api::checks::Checks;
use crate::api::measurements::Areas;

/// The object: checks and areas as the API gives them.
pub(super) fn object(worked: &Worked<'_>) -> anyhow::Result<Value> {
    let house = worked.measurement;
    let mut areas = Vec::with_capacity(worked.stated.len());
    for (standard, statement) in &worked.stated {
        let mut one = serde_json::to_value(Areas::from(statement.clone()))?;
        if let Some(one) = one.as_object_mut() {
            let (low, high) = interval(statement);
            one.insert("title".to_owned(), json!(standard.title));
            one.insert("interval_95_sqft".to_owned(), json!([hundredths(low), hundredths(high)]));
            one.insert("cautions".to_owned(), json!(standard.cautions));
        }
        areas.push(one);
    }
    let compared = worked.compared.iter().map(|(standard, statement)| {
        let (low, high) = interval(statement);
        json!({
            "standard": standard.id,
            "title": standard.title,
            "total_sqft": hundredths(statement.total.to_square_feet_f64()),
            "interval_95_sqft": [hundredths(low), hundredths(high)],
        })
    });
    let mut object = json!({
        "reference": house.reference,
        "parcel": house.parcel,
        "address": house.address,
        "measured_on": house.measured_on.to_string(),
        "areas": areas,
        "comparison": compared.collect::<Vec<_>>(),
        "plans": worked.plans,
        "cautions": CAUTIONS,
    });
    let checks = serde_json::to_value(Checks::of(house))?;
    if let (Some(object), Value::Object(checks)) = (object.as_object_mut(), checks) {
        object.extend(checks);
    }
    Ok(object)
}

fn hundredths(figure: f64) -> f64 {
    (figure * 100.0).round() / 100.0
}

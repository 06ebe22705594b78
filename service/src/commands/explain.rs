//! `crossfoot explain`: one property in numbers.

use std::fmt::Write as _;

use crossfoot_audit::area::Area;
use crossfoot_audit::judge::explain::{CAUTION, Step, explain};
use crossfoot_store::queue::{FindingEvent, PairView};
use crossfoot_worker::rejudge;
use crossfoot_worker::settings::Settings;
use serde_json::{Value, json};

use super::export::{decimal, pair_json};
use crate::arguments::Explain;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Explain) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let (store, office) = (&installation.store, installation.office.as_str());
    let property = match store.property_by_reference(office, &arguments.reference).await {
        Ok(property) => property,
        Err(crossfoot_store::StoreError::Missing { .. }) => {
            complain(&format!("the office has no property {}", arguments.reference));
            return Ok(Outcome::Refused);
        }
        Err(error) => return Err(error.into()),
    };
    let pairs = store.pairs_of_property(office, &property).await?;
    if pairs.is_empty() {
        complain("the property was not judged against any source yet: crossfoot reconcile");
        return Ok(Outcome::Refused);
    }
    for pair in &pairs {
        let steps = match rejudge(store, installation.worker.standards(), office, pair).await {
            Ok(again) => explain(&again.judgement, &again.measured, &again.recorded, &again.rule),
            Err(_) => Vec::new(),
        };
        let events = match &pair.finding {
            Some(finding) => store.finding_history(office, &finding.id).await?,
            None => Vec::new(),
        };
        let history = events.iter().map(event_json).collect::<anyhow::Result<Vec<_>>>()?;
        if arguments.json {
            let mut object = pair_json(pair);
            if let Some(map) = object.as_object_mut() {
                map.insert("explanation".to_owned(), serde_json::to_value(&steps)?);
                map.insert("history".to_owned(), Value::Array(history));
            }
            say(&format!("{object}\n"))?;
        } else {
            say(&text(pair, &steps, &history)?)?;
        }
    }
    if !arguments.json {
        say(&format!("{CAUTION}\n"))?;
    }
    Ok(Outcome::Done)
}

/// An event of a finding: when, what, why, and the state and difference after it.
fn event_json(event: &FindingEvent) -> anyhow::Result<Value> {
    let detail: Value = serde_json::from_str(&event.detail)?;
    let difference = detail.get("difference_um2").and_then(Value::as_i64).map(Area::from_square_micrometres);
    Ok(json!({
        "at": format!("{:.0}", jiff::Timestamp::from_microsecond(event.at)?),
        "what": event.what,
        "why": detail.get("why"),
        "state": event.state,
        "difference_sqft": difference.map(|area| decimal(&area.to_square_feet(2))),
    }))
}

fn text(pair: &PairView, steps: &[Step], history: &[Value]) -> anyhow::Result<String> {
    let mut text = String::new();
    writeln!(text, "{} against {} (edition {})", pair.reference, pair.source, pair.edition)?;
    writeln!(
        text,
        "  basis: {}; policy version {}; measurement version {}",
        pair.standard, pair.policy_version, pair.measurement_version
    )?;
    match pair.match_state.as_str() {
        "sure" => writeln!(text, "  match: parcel {} = {}", pair.parcel, pair.parcel_key)?,
        state => writeln!(text, "  match: {}: {}", state.replace('_', " "), pair.conflict)?,
    }
    for step in steps {
        writeln!(text, "  {}\n      {}\n      = {}", step.what, step.how, step.result)?;
    }
    if steps.is_empty() {
        writeln!(text, "  not judged: {}", pair.outcome.replace('_', " "))?;
    }
    if let Some(finding) = &pair.finding {
        let why =
            finding.closing.as_deref().map(|c| format!(" ({})", c.replace('_', " "))).unwrap_or_default();
        writeln!(text, "  finding: {}{why}", finding.state)?;
        for event in history {
            let word =
                |name: &str| event.get(name).and_then(Value::as_str).unwrap_or_default().replace('_', " ");
            writeln!(text, "      {} {} {}", word("at"), word("what"), word("why"))?;
        }
    }
    text.push('\n');
    Ok(text)
}

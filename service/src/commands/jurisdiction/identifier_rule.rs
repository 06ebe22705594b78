//! `crossfoot jurisdiction rule` and `rules`: how a jurisdiction's parcel numbers become keys.

use std::fmt::Write as _;
use std::path::Path;

use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_store::StoreError;
use crossfoot_store::identifier::KeptRule;
use crossfoot_worker::settings::Settings;
use serde_json::json;

use crate::api::views::time;
use crate::installation::{Installation, host};
use crate::outcome::{Outcome, complain, say};

/// Enters a rule, if it holds on what is loaded.
pub(super) async fn enter(settings: &Settings, file: &Path) -> anyhow::Result<Outcome> {
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) => {
            complain(&format!("{}: {error}", file.display()));
            return Ok(Outcome::Refused);
        }
    };
    let json = file.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("json"));
    let read = if json { IdentifierRule::from_json(&text) } else { IdentifierRule::from_toml(&text) };
    let rule = match read {
        Ok(rule) => rule,
        Err(errors) => {
            for error in errors {
                complain(&format!("{}: {error}", file.display()));
            }
            return Ok(Outcome::Refused);
        }
    };
    let installation = Installation::open(settings).await?;
    let arrival = match installation.store.identifier_rule_save(&rule, &host()).await {
        Err(StoreError::Conflict(why)) => {
            complain(&format!("{}: {why}", file.display()));
            return Ok(Outcome::Refused);
        }
        arrival => arrival?,
    };
    let jurisdiction = &rule.jurisdiction;
    let mut told = if arrival.known {
        format!(
            "{jurisdiction}: the rule for parcel numbers is here already as version {}\n",
            arrival.version
        )
    } else {
        format!(
            "{jurisdiction}: the rule for parcel numbers is kept as version {}, tried on {} records\n",
            arrival.version, arrival.tried
        )
    };
    if arrival.untried > 0 {
        writeln!(
            told,
            "  it could not be tried on {} records: their numbers are kept joined from several columns that hold blanks, \
             and come apart in several ways; look at those of the next edition",
            arrival.untried
        )?;
    }
    for source in &arrival.loaded_before {
        writeln!(
            told,
            "  {source}: what is loaded stays under the rule it was loaded by, until its next edition or \
             crossfoot import again {source}"
        )?;
    }
    say(&told)?;
    Ok(Outcome::Done)
}

/// Shows the newest rule of each jurisdiction, or every version of one.
pub(super) async fn show(
    installation: &Installation,
    jurisdiction: Option<&str>,
    history: bool,
    as_json: bool,
) -> anyhow::Result<Outcome> {
    let kept = match jurisdiction {
        Some(id) if history => installation.store.identifier_rule_versions(id).await?,
        id => installation.store.identifier_rules(id.unwrap_or_default()).await?,
    };
    if kept.is_empty() && jurisdiction.is_some() {
        complain("no rule for parcel numbers is kept of that: crossfoot jurisdiction rule FILE enters it");
        return Ok(Outcome::Refused);
    }
    for kept in &kept {
        if as_json {
            let line =
                json!({ "version": kept.version, "saved_at": time(kept.saved_at), "document": kept.rule });
            say(&format!("{line}\n"))?;
        } else {
            say(&text(kept)?)?;
        }
    }
    Ok(Outcome::Done)
}

fn text(kept: &KeptRule) -> anyhow::Result<String> {
    let mut text = String::new();
    let rule = &kept.rule;
    writeln!(text, "{}, version {} of {}", rule.jurisdiction, kept.version, time(kept.saved_at))?;
    if !rule.pad_left.is_empty() {
        let widths: Vec<String> = rule.pad_left.iter().map(ToString::to_string).collect();
        writeln!(text, "  padded with zeros to {}", widths.join(", "))?;
    }
    writeln!(
        text,
        "  removed: {:?}; letters {}",
        rule.strip,
        if rule.upper { "in upper case" } else { "as written" }
    )?;
    if !rule.join.is_empty() {
        writeln!(text, "  {:?} between the parts", rule.join)?;
    }
    if let Some(tail) = &rule.drop_tail {
        writeln!(text, "  {tail:?} dropped at the end")?;
    }
    if let Some(pattern) = &rule.pattern {
        writeln!(text, "  keys match {pattern}")?;
    }
    let address = if rule.address.is_empty() { String::new() } else { format!(", {}", rule.address) };
    let read_on = if rule.read_on.is_empty() { String::new() } else { format!(", read on {}", rule.read_on) };
    writeln!(text, "      {}{address}{read_on}", rule.citation)?;
    if !rule.note.is_empty() {
        writeln!(text, "      {}", rule.note)?;
    }
    // a text from a file must not move the cursor of the reader's terminal
    Ok(text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect())
}

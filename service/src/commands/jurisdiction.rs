//! `crossfoot jurisdiction`: what jurisdictions say about a year, each value with its source; their rules for parcel
//! numbers.

use std::fmt::Write as _;
use std::path::Path;

use crossfoot_audit::jurisdiction::{JurisdictionYear, ValueKind};
use crossfoot_store::jurisdiction::KeptYear;
use crossfoot_worker::settings::Settings;
use serde_json::json;

use crate::api::views::time;
use crate::arguments::Jurisdiction;
use crate::installation::{Installation, host};
use crate::jurisdictions;
use crate::outcome::{Outcome, complain, say};

mod identifier_rule;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Jurisdiction) -> anyhow::Result<Outcome> {
    match arguments {
        Jurisdiction::Import { files } => {
            let mut years = Vec::new();
            for file in files {
                let Some(read) = read(file) else { return Ok(Outcome::Refused) };
                years.extend(read);
            }
            import(&Installation::open(settings).await?, &years).await
        }
        Jurisdiction::Show { jurisdiction, year, history, json } => {
            let installation = Installation::open(settings).await?;
            let kept = match (jurisdiction, year) {
                (Some(id), Some(year)) => {
                    let versions = installation.store.jurisdiction_year_versions(id, *year).await?;
                    versions.into_iter().take(if *history { usize::MAX } else { 1 }).collect()
                }
                (id, _) => installation.store.jurisdiction_years(id.as_deref().unwrap_or_default()).await?,
            };
            show(jurisdiction.as_deref(), *year, &kept, *json)
        }
        Jurisdiction::Rule { file } => identifier_rule::enter(settings, file).await,
        Jurisdiction::Rules { jurisdiction, history, json } => {
            let installation = Installation::open(settings).await?;
            identifier_rule::show(&installation, jurisdiction.as_deref(), *history, *json).await
        }
    }
}

/// All files are read before anything of them is kept.
fn read(file: &Path) -> Option<Vec<JurisdictionYear>> {
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) => {
            complain(&format!("{}: {error}", file.display()));
            return None;
        }
    };
    match jurisdictions::read(file, &text) {
        Ok(years) => Some(years),
        Err(errors) => {
            for error in errors {
                complain(&format!("{}: {error}", file.display()));
            }
            None
        }
    }
}

async fn import(installation: &Installation, years: &[JurisdictionYear]) -> anyhow::Result<Outcome> {
    for year in years {
        let before =
            installation.store.jurisdiction_year_versions(&year.jurisdiction, i64::from(year.year)).await?;
        let version = installation.store.jurisdiction_year_save(year, &host()).await?;
        let known = before.first().is_some_and(|newest| newest.version == version);
        let what = if known { "is here already as" } else { "is kept as" };
        say(&format!(
            "{} {}: {} values, {what} version {version}\n",
            year.jurisdiction,
            year.year,
            year.value.len()
        ))?;
    }
    Ok(Outcome::Done)
}

fn show(
    jurisdiction: Option<&str>,
    year: Option<i64>,
    kept: &[KeptYear],
    as_json: bool,
) -> anyhow::Result<Outcome> {
    let shown: Vec<&KeptYear> =
        kept.iter().filter(|kept| year.is_none_or(|year| i64::from(kept.year.year) == year)).collect();
    if shown.is_empty() && (jurisdiction.is_some() || year.is_some()) {
        complain("nothing is known of that: crossfoot jurisdiction import FILE enters it");
        return Ok(Outcome::Refused);
    }
    for kept in shown {
        if as_json {
            let line =
                json!({ "version": kept.version, "saved_at": time(kept.saved_at), "document": kept.year });
            say(&format!("{line}\n"))?;
        } else {
            say(&text(kept)?)?;
        }
    }
    Ok(Outcome::Done)
}

fn text(kept: &KeptYear) -> anyhow::Result<String> {
    let mut text = String::new();
    let year = &kept.year;
    let title = if year.title.is_empty() { String::new() } else { format!(" ({})", year.title) };
    writeln!(
        text,
        "{}{title}, {}, version {} of {}",
        year.jurisdiction,
        year.year,
        kept.version,
        time(kept.saved_at)
    )?;
    for kind in ValueKind::ALL {
        for value in year.value.iter().filter(|value| value.kind == kind) {
            let name = if value.name.is_empty() { String::new() } else { format!(", {}", value.name) };
            writeln!(text, "  {}{name}: {value}", kind.name().replace('_', " "))?;
            let address =
                if value.address.is_empty() { String::new() } else { format!(", {}", value.address) };
            writeln!(text, "      {}{address}, read on {}", value.source, value.read_on)?;
            if !value.note.is_empty() {
                writeln!(text, "      {}", value.note)?;
            }
        }
    }
    writeln!(text, "  Deadlines are those of the jurisdiction's own notice.\n")?;
    // a text from a file must not move the cursor of the reader's terminal
    Ok(text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect())
}

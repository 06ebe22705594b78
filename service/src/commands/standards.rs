//! `crossfoot standards`: the definitions of floor area, and the office's own.

use std::fmt::Write as _;
use std::path::Path;

use crossfoot_audit::house::WallFace;
use crossfoot_audit::standard::{CountingRule, CountingVerdict, Standard};
use crossfoot_worker::settings::Settings;
use crossfoot_worker::standards::AddError;
use serde_json::json;

use crate::arguments::{Standards, StandardsWhat};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Standards) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    match (&arguments.what, &arguments.id) {
        (Some(StandardsWhat::Add { file }), _) => add(&installation, file).await,
        (None, Some(id)) => one(&installation, id, arguments.json).await,
        (None, None) => list(&installation, arguments.json).await,
    }
}

async fn add(installation: &Installation, file: &Path) -> anyhow::Result<Outcome> {
    let refused = |why: &dyn std::fmt::Display| {
        complain(&format!("{}: {why}", file.display()));
        Ok(Outcome::Refused)
    };
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) => return refused(&error),
    };
    let standard = match Standard::from_toml(&text) {
        Ok(standard) => standard,
        Err(error) => return refused(&error),
    };
    match installation.worker.standards().add(&installation.office, &standard).await {
        Ok(version) => {
            say(&format!("{} is kept as version {version}: {}\n", standard.id, standard.title))?;
            Ok(Outcome::Done)
        }
        Err(AddError::Store(error)) => Err(error.into()),
        Err(error) => refused(&error),
    }
}

/// The standards of the office with their versions; none of those that come with the program.
async fn all(installation: &Installation) -> anyhow::Result<Vec<(Option<i64>, Standard)>> {
    let standards = installation.worker.standards();
    let mut all: Vec<(Option<i64>, Standard)> =
        standards.built_in().iter().map(|standard| (None, standard.clone())).collect();
    let own = standards.own(&installation.office).await?;
    all.extend(own.into_iter().map(|own| (Some(own.version), own.standard)));
    Ok(all)
}

async fn list(installation: &Installation, as_json: bool) -> anyhow::Result<Outcome> {
    let heads = ["standard", "version", "measured to", "rules", "title", "edition", "publisher"];
    let side = |head: &str| if head == "rules" { Side::Right } else { Side::Left };
    let mut table = Table::new(heads.into_iter().map(|head| (head, side(head))).collect());
    for (version, standard) in all(installation).await? {
        let rules = standard.rule.len();
        if as_json {
            let line = json!({
                "id": standard.id, "version": version, "title": standard.title, "publisher": standard.publisher,
                "edition": standard.edition, "measured_to": standard.measured_to, "rules": rules,
            });
            say(&format!("{line}\n"))?;
            continue;
        }
        table.row(vec![
            standard.id,
            version.map_or_else(|| "built in".to_owned(), |version| version.to_string()),
            face(standard.measured_to).to_owned(),
            rules.to_string(),
            standard.title,
            standard.edition,
            standard.publisher,
        ]);
    }
    if !as_json {
        say(&table.text())?;
    }
    Ok(Outcome::Done)
}

async fn one(installation: &Installation, id: &str, as_json: bool) -> anyhow::Result<Outcome> {
    let Some(standard) = installation.worker.standards().named(&installation.office, id).await? else {
        complain(&format!("the office has no standard {id}: crossfoot standards lists them"));
        return Ok(Outcome::Refused);
    };
    if as_json {
        say(&format!("{}\n", serde_json::to_string_pretty(&standard)?))?;
    } else {
        say(&text(&standard)?)?;
    }
    Ok(Outcome::Done)
}

fn face(face: WallFace) -> &'static str {
    match face {
        WallFace::Outside => "outer face",
        WallFace::Inside => "inner face",
    }
}

/// A definition with its citations and what is not sure about it.
fn text(standard: &Standard) -> anyhow::Result<String> {
    let mut text = String::new();
    writeln!(text, "{} ({})", standard.title, standard.id)?;
    writeln!(text, "  published by {}", standard.publisher)?;
    if !standard.edition.is_empty() {
        writeln!(text, "  edition: {}", standard.edition)?;
    }
    writeln!(text, "  read in: {}", standard.source)?;
    writeln!(text, "  measured to the {} of outer walls", face(standard.measured_to))?;
    writeln!(text, "\nRules, of which the first that fits a part decides:")?;
    for rule in &standard.rule {
        writeln!(text, "  {}: {}\n      {}", rule.id, becomes(rule), rule.because)?;
    }
    let half = standard.half_storey.iter().map(|rule| (rule.id.as_str(), "half storeys", &rule.because));
    let ceiling = standard.ceiling.iter().map(|rule| (rule.id.as_str(), "ceilings", &rule.because));
    let dimensions = standard.dimensions.iter().map(|rule| ("rounding", "dimensions", &rule.because));
    for (id, about, because) in half.chain(ceiling).chain(dimensions) {
        writeln!(text, "  {id}: {about}\n      {because}")?;
    }
    if !standard.cautions.is_empty() {
        writeln!(text, "\nCautions:")?;
        for caution in &standard.cautions {
            writeln!(text, "  - {caution}")?;
        }
    }
    Ok(text)
}

fn becomes(rule: &CountingRule) -> String {
    match rule.verdict {
        CountingVerdict::Counted if rule.weight.is_one() => "counted".to_owned(),
        CountingVerdict::Counted => format!("counted, {} of it", rule.weight),
        CountingVerdict::Apart => format!("stated apart: {}", rule.heading.as_deref().unwrap_or_default()),
        CountingVerdict::NotCounted => "not counted".to_owned(),
    }
}

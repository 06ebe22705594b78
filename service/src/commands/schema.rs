//! `crossfoot schema`: the generated files of `schemas/`.

use crossfoot_audit::document;
use crossfoot_audit::judge::policy;
use crossfoot_audit::jurisdiction;
use crossfoot_audit::standard;

use crate::arguments::Schema;
use crate::http;
use crate::outcome::{Outcome, complain, say};

/// Writes the schemas, or compares them with the files.
pub(crate) fn run(arguments: &Schema) -> anyhow::Result<Outcome> {
    let mut outcome = Outcome::Done;
    let pretty = |schema| Ok::<_, anyhow::Error>(format!("{}\n", serde_json::to_string_pretty(&schema)?));
    for (name, text) in [
        ("measurement.schema.json", pretty(document::schema())?),
        ("identifier-rule.schema.json", pretty(jurisdiction::identifier::schema())?),
        ("jurisdiction-year.schema.json", pretty(jurisdiction::schema())?),
        ("policy.schema.json", pretty(policy::schema())?),
        ("standard.schema.json", pretty(standard::schema())?),
        ("openapi.json", http::description()?),
    ] {
        let path = arguments.folder.join(name);
        if !arguments.check {
            std::fs::write(&path, text)?;
            say(&format!("{}\n", path.display()))?;
        } else if std::fs::read_to_string(&path).ok().as_deref() != Some(&text) {
            complain(&format!(
                "{} is not what the code says: run crossfoot schema and commit it",
                path.display()
            ));
            outcome = Outcome::Refused;
        }
    }
    Ok(outcome)
}

//! `crossfoot schema`: the generated files of `schemas/`.

use crossfoot_audit::document;
use crossfoot_audit::judge::policy;

use crate::arguments::Schema;
use crate::outcome::{Outcome, complain, say};

/// Writes the schemas, or compares them with the files.
pub(crate) fn run(arguments: &Schema) -> anyhow::Result<Outcome> {
    let mut outcome = Outcome::Done;
    for (name, schema) in [("measurement", document::schema()), ("policy", policy::schema())] {
        let path = arguments.folder.join(format!("{name}.schema.json"));
        let text = format!("{}\n", serde_json::to_string_pretty(&schema)?);
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

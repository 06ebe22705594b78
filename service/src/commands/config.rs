//! `crossfoot config`: the settings in force.

use crossfoot_worker::settings::{FILE, Settings};

use crate::outcome::{Outcome, say};

/// Prints the settings as TOML, without secrets.
pub(crate) fn run(settings: &Settings) -> anyhow::Result<Outcome> {
    let text = toml::to_string(&settings.without_secrets())?;
    say(&format!(
        "# in force; in this order each place overrides the one before: defaults, {FILE} (or --config FILE),\n\
         # CROSSFOOT_DATA and the like in the environment, flags\n{text}"
    ))?;
    Ok(Outcome::Done)
}

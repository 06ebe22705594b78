//! `crossfoot policy`: what the office holds to be material.

use crossfoot_audit::judge::policy::Policy as Materiality;
use crossfoot_worker::settings::Settings;

use crate::arguments::Policy;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, policy: &Policy) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    match policy {
        Policy::Show => {
            let in_force = installation.store.policy_in_force(&installation.office).await?;
            say(&format!("# version {}\n{}", in_force.version, toml::to_string(&in_force.policy)?))?;
            Ok(Outcome::Done)
        }
        Policy::Set { file } => {
            let text = match std::fs::read_to_string(file) {
                Ok(text) => text,
                Err(error) => {
                    complain(&format!("{}: {error}", file.display()));
                    return Ok(Outcome::Refused);
                }
            };
            match Materiality::from_toml(&text) {
                Ok(policy) => {
                    let version = installation.store.policy_save(&installation.office, &policy).await?;
                    say(&format!("policy {version} is in force: {}\n", policy.name))?;
                    Ok(Outcome::Done)
                }
                Err(error) => {
                    complain(&format!("{}: {error}", file.display()));
                    Ok(Outcome::Refused)
                }
            }
        }
    }
}

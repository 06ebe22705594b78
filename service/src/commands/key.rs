//! `crossfoot key`: keys of the office.

use crossfoot_store::office::Role;
use crossfoot_worker::settings::Settings;

use crate::arguments::Key;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, key: &Key) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    match key {
        Key::Create { role, label } => create(&installation, role, label).await,
        Key::List => list(&installation).await,
    }
}

async fn create(installation: &Installation, role: &str, label: &str) -> anyhow::Result<Outcome> {
    let Some(role) = Role::from_name(role) else {
        complain("no such role");
        return Ok(Outcome::Usage);
    };
    let office = (role != Role::Operator).then_some(installation.office.as_str());
    let key = installation.store.key_create(office, role, label).await?;
    say(&format!("{}\n", key.secret))?;
    complain(&format!(
        "this is key {} for the role {}; it is shown this once and not kept",
        key.id,
        role.name()
    ));
    Ok(Outcome::Done)
}

async fn list(installation: &Installation) -> anyhow::Result<Outcome> {
    let mut table = Table::new(vec![
        ("key", Side::Left),
        ("role", Side::Left),
        ("made", Side::Left),
        ("for", Side::Left),
    ]);
    for key in installation.store.key_list(&installation.office).await? {
        let made = jiff::Timestamp::from_microsecond(key.created_at)?;
        table.row(vec![key.id, key.role, format!("{made:.0}"), key.label]);
    }
    say(&table.text())?;
    Ok(Outcome::Done)
}

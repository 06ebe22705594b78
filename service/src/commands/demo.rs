//! `crossfoot demo`: the main job on an invented county.

use std::fmt::Write as _;
use std::path::PathBuf;

use crossfoot_audit::judge::policy::Policy;
use crossfoot_roll::layout::Layout;
use crossfoot_worker::settings::Settings;

use super::{import, queue, reconcile};
use crate::arguments::{Demo, ImportRoll, Status};
use crate::houses;
use crate::installation::Installation;
use crate::outcome::{Outcome, say};

const HOUSES: &str = include_str!("../../../fixtures/demo/houses.json");
const POLICY: &str = include_str!("../../../fixtures/demo/policy.toml");
const ROLLS: [(&str, &[u8], &str); 2] = [
    (
        "county-roll.csv",
        include_bytes!("../../../fixtures/demo/county-roll.csv"),
        include_str!("../../../fixtures/layouts/basalt-county-roll.toml"),
    ),
    (
        "treasurer.csv",
        include_bytes!("../../../fixtures/demo/treasurer.csv"),
        include_str!("../../../fixtures/layouts/basalt-treasurer.toml"),
    ),
];
/// The year of the invented rolls.
const ROLL_YEAR: i32 = 2026;

/// Runs the demonstration; running it again changes nothing.
pub(crate) async fn run(settings: &Settings, _demo: &Demo) -> anyhow::Result<Outcome> {
    say("Basalt County is an invented place; its figures only show how the program works.\n\n")?;
    let installation = Installation::open(settings).await?;
    let policy = Policy::from_toml(POLICY)?;
    installation.store.policy_save(&installation.office, &policy).await?;
    let taken = houses::take(&installation, HOUSES.as_bytes(), "houses.json", None).await?;
    say(&format!("houses.json: {} measured houses, {} of them new\n", taken.houses(), taken.new))?;
    for (name, bytes, layout) in ROLLS {
        let path = settings.data.join(name);
        std::fs::write(&path, bytes)?;
        let arguments = ImportRoll {
            files: vec![path],
            layout: PathBuf::new(),
            source: None,
            roll_year: Some(ROLL_YEAR),
            status: Status::Certified,
            detach: false,
            strict: false,
        };
        import::roll(&installation, &Layout::from_toml(layout)?, &arguments).await?;
    }
    say("\n")?;
    let outcome = reconcile::reconcile(&installation, None, false).await?;
    say("\n")?;
    say(&queue::text(&installation, usize::MAX).await?)?;
    say(&beside_the_queue(&installation).await?)?;
    say(&format!(
        "\nNext: crossfoot --data {} --office {} explain DAO-001\n",
        settings.data.display(),
        settings.office
    ))?;
    Ok(outcome)
}

/// Pairs shown beside the queue at the most.
const PAIRS_MAX: i64 = 1000;

/// What is not in the queue and yet wants a person: matches to settle, houses on no roll.
async fn beside_the_queue(installation: &Installation) -> anyhow::Result<String> {
    let mut text = String::from("\nNot in the queue, for a person to settle first:\n");
    for pair in installation.store.pair_page(&installation.office, ("", 0), PAIRS_MAX).await? {
        if pair.match_state != "sure" {
            writeln!(text, "  {} against {}: {}", pair.reference, pair.source, pair.conflict)?;
        }
    }
    Ok(text)
}

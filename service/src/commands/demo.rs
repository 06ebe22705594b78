//! `crossfoot demo`: the main job on an invented county.

use std::fmt::Write as _;
use std::net::Ipv4Addr;
use std::path::PathBuf;

use crossfoot_audit::judge::policy::Policy;
use crossfoot_audit::jurisdiction::JurisdictionYear;
use crossfoot_roll::layout::Layout;
use crossfoot_store::office::Role;
use crossfoot_worker::settings::Settings;

use super::serve::{self, Serving};
use super::{import, queue, reconcile};
use crate::arguments::{Demo, ImportRoll, Status};
use crate::houses;
use crate::http::{self, Limits};
use crate::installation::{Installation, host};
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
const YEAR: &str = include_str!("../../../fixtures/jurisdictions/basalt-county-2026.toml");
/// The office that the demonstration plays in.
const OFFICE: &str = "Demonstration Appraisal Office";
/// Where the pages are looked for first.
const PORT: u16 = 8080;
/// The year of the invented rolls.
const ROLL_YEAR: i32 = 2026;

/// Runs the demonstration; running it again changes nothing but for a new key. Then serves the pages.
pub(crate) async fn run(settings: &Settings, demo: &Demo) -> anyhow::Result<Outcome> {
    say("Basalt County is an invented place; its figures only show how the program works.\n\n")?;
    let settings = Settings { office_name: OFFICE.to_owned(), ..settings.clone() };
    let installation = Installation::open(&settings).await?;
    let outcome = main_job(&settings, &installation).await?;
    if demo.no_serve { Ok(outcome) } else { serve_pages(&settings, installation).await }
}

/// Serves the pages on this machine alone, with a key to sign in with.
async fn serve_pages(settings: &Settings, installation: Installation) -> anyhow::Result<Outcome> {
    let stop = serve::stop_on_signals()?;
    let listener = http::bind(Ipv4Addr::LOCALHOST, PORT).await?;
    let key = installation.store.key_create(Some(&installation.office), Role::Administer, OFFICE).await?;
    say(&format!(
        "\nThe pages: http://{}/\nSign in with the key {}\nThis machine alone can reach them; end with Ctrl-C.\n",
        listener.local_addr()?,
        key.secret
    ))?;
    // plain http on this machine: no certificate, so the cookie must go without
    let limits = Limits { secure_cookies: false, ..Limits::default() };
    serve::until_stopped(settings, installation, listener, Serving { limits, jobs: true, stop }).await
}

/// Files in, judged, the queue out.
async fn main_job(settings: &Settings, installation: &Installation) -> anyhow::Result<Outcome> {
    let policy = Policy::from_toml(POLICY)?;
    installation.store.policy_save(&installation.office, &policy).await?;
    let taken = houses::take(installation, HOUSES.as_bytes(), "houses.json", None).await?;
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
            keep_later: false,
            strict: false,
        };
        import::roll(installation, &Layout::from_toml(layout)?, &arguments).await?;
    }
    let year = JurisdictionYear::from_toml(YEAR).map_err(|errors| {
        anyhow::anyhow!("{}", errors.first().map(ToString::to_string).unwrap_or_default())
    })?;
    installation.store.jurisdiction_year_save(&year, &host()).await?;
    say("\n")?;
    let outcome = reconcile::reconcile(installation, None, false).await?;
    say("\n")?;
    say(&queue::text(installation, usize::MAX).await?)?;
    say(&beside_the_queue(installation).await?)?;
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

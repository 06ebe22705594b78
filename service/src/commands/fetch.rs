//! `crossfoot fetch`: files that are taken from their publisher's address. Who may name an address may have it fetched,
//! so it is set here, on the host, and not over HTTP.

use crossfoot_roll::layout::Layout;
use crossfoot_store::fetch::SourceFetch;
use crossfoot_worker::nightly::next_after;
use crossfoot_worker::settings::Settings;
use crossfoot_worker::{JobEnd, Progress};

use super::schedule::local;
use crate::arguments::{AddFetch, Fetch};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, fetch: &Fetch) -> anyhow::Result<Outcome> {
    match fetch {
        Fetch::Add(arguments) => add(settings, arguments).await,
        Fetch::Now { source } => now(&Installation::open(settings).await?, source).await,
        Fetch::List => list(&Installation::open(settings).await?).await,
        Fetch::Remove { source } => remove(&Installation::open(settings).await?, source).await,
    }
}

async fn add(settings: &Settings, arguments: &AddFetch) -> anyhow::Result<Outcome> {
    let read = std::fs::read_to_string(&arguments.layout).map_err(|e| e.to_string());
    let layout = read
        .and_then(|text| Layout::from_toml(&text).map(|layout| (layout, text)).map_err(|e| e.to_string()));
    let (layout, text) = match layout {
        Ok(layout) => layout,
        Err(error) => {
            complain(&format!("{}: {error}", arguments.layout.display()));
            return Ok(Outcome::Refused);
        }
    };
    let rules = settings.fetch_rules()?;
    for url in std::iter::once(&arguments.url).chain(&arguments.checksum_url) {
        if let Err(why) = rules.allows(url) {
            complain(&why);
            return Ok(Outcome::Usage);
        }
    }
    let installation = Installation::open(settings).await?;
    let cron = arguments.cron.clone().unwrap_or_default();
    let mut next_at = None;
    if !cron.is_empty() {
        match next_after(&cron, &arguments.time_zone, installation.store.clock_us().await?) {
            Ok(next) => next_at = Some(next),
            Err(error) => {
                complain(&error.to_string());
                return Ok(Outcome::Usage);
            }
        }
    }
    let name = arguments.source.as_deref().unwrap_or(&layout.id);
    let source = installation.store.source_ensure(name, &layout).await?;
    let fetch = SourceFetch {
        source: source.number,
        url: arguments.url.clone(),
        checksum_url: arguments.checksum_url.clone().unwrap_or_default(),
        layout: text,
        bytes_max: arguments.bytes,
        cron,
        time_zone: arguments.time_zone.clone(),
        next_at,
        etag: String::new(),
        last_modified: String::new(),
        tried_at: None,
        result: String::new(),
    };
    installation.store.fetch_put(&fetch).await?;
    let when = match next_at {
        Some(next) => format!("next at {}", local(next, &arguments.time_zone)?),
        None => "on demand".to_owned(),
    };
    say(&format!("{}: is fetched, {when}\n", source.id))?;
    Ok(Outcome::Done)
}

/// Fetches once, and loads what came.
async fn now(installation: &Installation, name: &str) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_by_id(name).await?;
    if store.fetch_of(source.number).await?.is_none() {
        complain(&format!("{name} has no address: crossfoot fetch add gives it one"));
        return Ok(Outcome::Refused);
    }
    let job = store.fetch_request(source.number).await?;
    let end = installation.worker.run_next(Some(&job), &Progress::default()).await?;
    let result = store.fetch_of(source.number).await?.map(|fetch| fetch.result).unwrap_or_default();
    match end.map(|(_, end)| end) {
        Some(JobEnd::Done) => say(&format!("{name}: {result}\n"))?,
        Some(JobEnd::Failed { reason, .. }) => {
            let told = if result.is_empty() { reason } else { result };
            complain(&format!("{name}: {told}"));
            return Ok(Outcome::Failed);
        }
        Some(JobEnd::Held(_) | JobEnd::Refused(_) | JobEnd::Lost) | None => {
            say(&format!(
                "{name}: a worker has it, or waits to try again: crossfoot fetch list shows what comes of it\n"
            ))?;
            return Ok(Outcome::Done);
        }
    }
    load(installation, source.number, name).await
}

/// Loads the edition that is staged, if one is.
async fn load(installation: &Installation, source: i64, name: &str) -> anyhow::Result<Outcome> {
    let mut outcome = Outcome::Done;
    for job in installation.store.import_jobs(source).await? {
        match installation.run_job(&job, &format!("loading {name}")).await? {
            JobEnd::Failed { reason, .. } | JobEnd::Refused(reason) => {
                complain(&format!("{name}: {reason}"));
                outcome = Outcome::Refused;
            }
            JobEnd::Done | JobEnd::Held(_) | JobEnd::Lost => say(&format!("{name}: loaded\n"))?,
        }
    }
    Ok(outcome)
}

async fn list(installation: &Installation) -> anyhow::Result<Outcome> {
    let mut table = Table::new(vec![
        ("source", Side::Left),
        ("address", Side::Left),
        ("when", Side::Left),
        ("next", Side::Left),
        ("last", Side::Left),
        ("what came of it", Side::Left),
    ]);
    for fetch in installation.store.fetch_list().await? {
        let at = |at: Option<i64>| at.map_or_else(|| Ok("–".to_owned()), |at| local(at, &fetch.time_zone));
        let when = if fetch.cron.is_empty() {
            "on demand".to_owned()
        } else {
            format!("{} {}", fetch.cron, fetch.time_zone)
        };
        table.row(vec![
            installation.store.source_by_number(fetch.source).await?.id,
            crossfoot_worker::fetch::shown_text(&fetch.url),
            when,
            at(fetch.next_at)?,
            at(fetch.tried_at)?,
            fetch.result.clone(),
        ]);
    }
    say(&table.text())?;
    Ok(Outcome::Done)
}

async fn remove(installation: &Installation, name: &str) -> anyhow::Result<Outcome> {
    let source = installation.store.source_by_id(name).await?;
    if installation.store.fetch_remove(source.number).await? {
        say(&format!("{name} is fetched no more\n"))?;
        return Ok(Outcome::Done);
    }
    complain(&format!("{name} is not fetched: crossfoot fetch list names what is"));
    Ok(Outcome::Refused)
}

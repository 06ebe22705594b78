//! `crossfoot schedule`: what is done by itself, and when.

use crossfoot_roll::layout::{Layout, shipped};
use crossfoot_store::StoreError;
use crossfoot_store::schedule::{Schedule as Entry, ScheduleKind};
use crossfoot_store::source::Source;
use crossfoot_worker::nightly::next_after;
use crossfoot_worker::settings::Settings;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::arguments::{AddDropFolder, AddReconcile, AddSchedule, Schedule, When};
use crate::installation::Installation;
use crate::night::schedules_of;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, schedule: &Schedule) -> anyhow::Result<Outcome> {
    match schedule {
        Schedule::Add(AddSchedule::Reconcile(arguments)) => reconcile(settings, arguments).await,
        Schedule::Add(AddSchedule::DropFolder(arguments)) => drop_folder(settings, arguments).await,
        Schedule::List => list(&Installation::open(settings).await?).await,
        Schedule::Remove { id } => remove(&Installation::open(settings).await?, id).await,
    }
}

async fn reconcile(settings: &Settings, arguments: &AddReconcile) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let source = match &arguments.source {
        None => None,
        Some(name) => match installation.store.source_by_id(name).await {
            Ok(source) => Some(source.number),
            Err(StoreError::Missing { .. }) => {
                complain(&format!("there is no source {name}: import an edition of it first"));
                return Ok(Outcome::Refused);
            }
            Err(error) => return Err(error.into()),
        },
    };
    let office = Some(installation.office.clone());
    let entry = Entry { office, source, ..blank(ScheduleKind::Reconcile, &arguments.when) };
    put(&installation, entry).await
}

fn blank(kind: ScheduleKind, when: &When) -> Entry {
    Entry {
        id: String::new(),
        office: None,
        source: None,
        kind,
        cron: when.cron.clone(),
        time_zone: when.time_zone.clone(),
        folder: String::new(),
        layout: String::new(),
        next_at: 0,
        last_at: None,
        last_result: String::new(),
    }
}

/// The text of a layout that comes with the program.
fn shipped_text(id: &str) -> Option<&'static str> {
    shipped().iter().find(|shipped| shipped.layout.id == id).map(|shipped| shipped.toml)
}

async fn drop_folder(settings: &Settings, arguments: &AddDropFolder) -> anyhow::Result<Outcome> {
    let shipped = arguments.layout.to_str().filter(|_| !arguments.layout.exists()).and_then(shipped_text);
    let read = match shipped {
        Some(text) => Ok(text.to_owned()),
        None => std::fs::read_to_string(&arguments.layout).map_err(|e| e.to_string()),
    };
    let layout = match read.and_then(|text| match Layout::from_toml(&text) {
        Ok(layout) => Ok((layout, text)),
        Err(error) => Err(error.to_string()),
    }) {
        Ok(layout) => layout,
        Err(error) => {
            complain(&format!("{}: {error}", arguments.layout.display()));
            return Ok(Outcome::Refused);
        }
    };
    // the workers run elsewhere: the folder is named from the root
    let folder = match std::fs::canonicalize(&arguments.folder) {
        Ok(folder) if folder.is_dir() => folder,
        Ok(folder) => {
            complain(&format!("{}: it is no folder", folder.display()));
            return Ok(Outcome::Refused);
        }
        Err(error) => {
            complain(&format!("{}: {error}: make the folder first", arguments.folder.display()));
            return Ok(Outcome::Refused);
        }
    };
    let Some(folder) = folder.to_str() else {
        complain("the folder's name is not UTF-8: give it another one");
        return Ok(Outcome::Refused);
    };
    let installation = Installation::open(settings).await?;
    let mut entry = blank(ScheduleKind::DropFolder, &arguments.when);
    entry.folder = folder.to_owned();
    let (layout, text) = layout;
    // an expression or zone that cannot be read leaves nothing behind, no source either
    if let Err(error) = next_after(&entry.cron, &entry.time_zone, installation.store.clock_us().await?) {
        complain(&error.to_string());
        return Ok(Outcome::Usage);
    }
    let name = arguments.source.as_deref().unwrap_or(&layout.id);
    let source: Source = installation.store.source_ensure(name, &layout).await?;
    entry.source = Some(source.number);
    entry.layout = text;
    put(&installation, entry).await
}

/// Writes a schedule with its first time; the same schedule again changes nothing.
async fn put(installation: &Installation, mut entry: Entry) -> anyhow::Result<Outcome> {
    let now = installation.store.clock_us().await?;
    entry.next_at = match next_after(&entry.cron, &entry.time_zone, now) {
        Ok(next) => next,
        Err(error) => {
            complain(&error.to_string());
            return Ok(Outcome::Usage);
        }
    };
    let same = |other: &Entry| {
        other.kind == entry.kind
            && other.office == entry.office
            && other.source == entry.source
            && other.folder == entry.folder
            && other.cron == entry.cron
            && other.time_zone == entry.time_zone
            && other.layout == entry.layout
    };
    if let Some(known) = installation.store.schedule_list().await?.iter().find(|other| same(other)) {
        say(&format!("schedule {} is here already: nothing to do\n", known.id))?;
        return Ok(Outcome::Done);
    }
    entry.id = uuid::Uuid::now_v7().to_string();
    installation.store.schedule_put(&entry).await?;
    say(&format!("schedule {}: next at {}\n", entry.id, local(entry.next_at, &entry.time_zone)?))?;
    Ok(Outcome::Done)
}

async fn list(installation: &Installation) -> anyhow::Result<Outcome> {
    let mut table = Table::new(vec![
        ("schedule", Side::Left),
        ("what", Side::Left),
        ("when", Side::Left),
        ("next", Side::Left),
        ("last", Side::Left),
        ("what came of it", Side::Left),
    ]);
    for entry in schedules_of(&installation.store, &installation.office).await? {
        let what = match entry.kind {
            ScheduleKind::Reconcile => match entry.source {
                None => "reconcile".to_owned(),
                Some(number) => {
                    format!("reconcile with {}", installation.store.source_by_number(number).await?.id)
                }
            },
            ScheduleKind::DropFolder => {
                let source = installation.store.source_by_number(entry.source.unwrap_or_default()).await?;
                format!("{} from {}", source.id, entry.folder)
            }
        };
        let last = match entry.last_at {
            None => "never".to_owned(),
            Some(at) => local(at, &entry.time_zone)?,
        };
        let next = local(entry.next_at, &entry.time_zone)?;
        table.row(vec![
            entry.id,
            what,
            format!("{} {}", entry.cron, entry.time_zone),
            next,
            last,
            entry.last_result,
        ]);
    }
    say(&table.text())?;
    Ok(Outcome::Done)
}

async fn remove(installation: &Installation, id: &str) -> anyhow::Result<Outcome> {
    let known =
        schedules_of(&installation.store, &installation.office).await?.iter().any(|entry| entry.id == id);
    if known && installation.store.schedule_remove(id).await? {
        say(&format!("schedule {id} is removed\n"))?;
        return Ok(Outcome::Done);
    }
    complain(&format!("the office has no schedule {id}: crossfoot schedule list names them"));
    Ok(Outcome::Refused)
}

/// A time as people of the zone read it.
pub(crate) fn local(at: i64, zone: &str) -> anyhow::Result<String> {
    let time_zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    let time = Timestamp::from_microsecond(at)?.to_zoned(time_zone);
    Ok(time.strftime("%Y-%m-%d %H:%M:%S %Z").to_string())
}

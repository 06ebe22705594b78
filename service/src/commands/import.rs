//! `crossfoot import`: rolls and measured houses.

use std::io::Write;
use std::path::Path;

use crossfoot_roll::layout::Layout;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{Edition, EditionArrival, EditionNotes, RollStatus, Source};
use crossfoot_worker::JobEnd;
use crossfoot_worker::settings::Settings;

use crate::arguments::{Import, ImportHouses, ImportRoll, ImportWhat, Status};
use crate::houses;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, import: &Import) -> anyhow::Result<Outcome> {
    match &import.what {
        ImportWhat::Roll(arguments) => {
            let Some(layout) = read_layout(&arguments.layout) else { return Ok(Outcome::Refused) };
            for file in &arguments.files {
                if let Err(error) = std::fs::File::open(file) {
                    complain(&format!("{}: {error}", file.display()));
                    return Ok(Outcome::Refused);
                }
                if file.is_dir() {
                    complain(&format!("{} is a folder: name the files in it", file.display()));
                    return Ok(Outcome::Refused);
                }
            }
            let installation = Installation::open(settings).await?;
            roll(&installation, &layout, arguments).await
        }
        ImportWhat::Houses(arguments) => {
            let installation = Installation::open(settings).await?;
            all_houses(&installation, arguments).await
        }
    }
}

fn read_layout(path: &Path) -> Option<Layout> {
    let read = std::fs::read_to_string(path).map_err(|e| e.to_string());
    match read.and_then(|text| Layout::from_toml(&text).map_err(|e| e.to_string())) {
        Ok(layout) => Some(layout),
        Err(error) => {
            complain(&format!("{}: {error}", path.display()));
            None
        }
    }
}

/// Takes in the files of one edition of a roll.
pub(crate) async fn roll(
    installation: &Installation,
    layout: &Layout,
    arguments: &ImportRoll,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_ensure(arguments.source.as_deref().unwrap_or(&layout.id), layout).await?;
    let mut files: Vec<KeptFile> = Vec::with_capacity(arguments.files.len());
    for path in &arguments.files {
        files.push(store.object_keep(path).await?);
    }
    let status = match arguments.status {
        Status::Preliminary => RollStatus::Preliminary,
        Status::Certified => RollStatus::Certified,
        Status::Corrected => RollStatus::Corrected,
        Status::NotStated => RollStatus::NotStated,
    };
    let notes = EditionNotes { roll_year: arguments.roll_year, status };
    let (edition, job) = match store.edition_stage(&source, layout, &files, &notes).await? {
        EditionArrival::Known { edition, state } => {
            say(&format!(
                "{}: these files are here already as edition {edition} ({state}): nothing to do\n",
                source.id
            ))?;
            return Ok(quarantine(&store.edition(source.number, edition).await?, arguments));
        }
        EditionArrival::Staged { edition, job } => (edition, job),
    };
    if arguments.detach {
        say(&format!("{}: edition {edition} is staged; job {job} loads it\n", source.id))?;
        return Ok(Outcome::Done);
    }
    let end = installation.run_job(&job, &format!("loading {}", source.id)).await?;
    let edition = store.edition(source.number, edition).await?;
    match end {
        JobEnd::Failed { reason, .. } => {
            complain(&format!("{}: {reason}", source.id));
            return Ok(Outcome::Failed);
        }
        JobEnd::Refused(_) | JobEnd::Done | JobEnd::Held(_) | JobEnd::Lost if edition.state == "refused" => {
            complain(&format!("{}: refused, nothing was taken in. {}", source.id, edition.refusal));
            return Ok(Outcome::Refused);
        }
        JobEnd::Refused(_) | JobEnd::Done | JobEnd::Held(_) | JobEnd::Lost => {}
    }
    report(installation, &source, &edition).await?;
    Ok(quarantine(&edition, arguments))
}

/// How it ends for scripts that asked to be told of quarantined rows; the same file again ends the same way.
fn quarantine(edition: &Edition, arguments: &ImportRoll) -> Outcome {
    if edition.counts.rows_rejected > 0 && arguments.strict { Outcome::Partly } else { Outcome::Done }
}

/// Rows in quarantine that are shown at once.
const REJECTS_SHOWN: i64 = 5;

async fn report(installation: &Installation, source: &Source, edition: &Edition) -> anyhow::Result<()> {
    let c = &edition.counts;
    say(&format!(
        "{}: edition {}, {} rows read, {} records ({} new, {} changed, {} unchanged, {} gone), {} rows repeated, {} in quarantine\n",
        source.id,
        edition.number,
        c.rows_total,
        c.rows_entered,
        c.records_new,
        c.records_changed,
        c.records_unchanged,
        c.records_ended,
        c.rows_repeated,
        c.rows_rejected
    ))?;
    if let Some(check) = installation.store.check_of(source.number, edition.number).await? {
        for remark in &check.remarks {
            say(&format!("  {}\n", remark.sentence))?;
        }
    }
    if c.rows_rejected == 0 {
        return Ok(());
    }
    let source = installation.store.source_by_number(source.number).await?;
    for (reason, n) in installation.store.reject_counts(&source, edition.number).await? {
        say(&format!("  {n} {}\n", reason.replace('_', " ")))?;
    }
    for reject in installation.store.reject_list(&source, edition.number, 0, REJECTS_SHOWN).await? {
        say(&format!("  line {}: {}\n", reject.line, reject.detail))?;
    }
    if c.rows_rejected > REJECTS_SHOWN {
        say(&format!("  … all of them: crossfoot export rejects --source {}\n", source.id))?;
    }
    Ok(())
}

async fn all_houses(installation: &Installation, arguments: &ImportHouses) -> anyhow::Result<Outcome> {
    let mut aside = match &arguments.set_aside {
        None => None,
        Some(path) => Some(std::io::BufWriter::new(std::fs::File::create(path)?)),
    };
    let mut outcomes = Vec::with_capacity(arguments.files.len());
    for path in &arguments.files {
        let file = match std::fs::File::open(path) {
            Ok(file) => file,
            Err(error) => {
                complain(&format!("{}: {error}", path.display()));
                outcomes.push(Outcome::Refused);
                continue;
            }
        };
        let name = path.display().to_string();
        let taken =
            houses::take(installation, file, &name, aside.as_mut().map(|a| a as &mut (dyn Write + Send)))
                .await?;
        say(&format!(
            "{name}: {} houses: {} new, {} with a new version, {} unchanged, {} set aside\n",
            taken.houses(),
            taken.new,
            taken.new_version,
            taken.unchanged,
            taken.set_aside
        ))?;
        outcomes.push(taken.outcome());
    }
    let (refused, all) = (outcomes.iter().filter(|o| **o == Outcome::Refused).count(), outcomes.len());
    // of several files one that is refused is part of the input
    Ok(if refused > 0 && refused < all {
        Outcome::Partly
    } else {
        outcomes.into_iter().fold(Outcome::Done, Outcome::and)
    })
}

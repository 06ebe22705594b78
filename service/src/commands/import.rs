//! `crossfoot import`: rolls and measured houses, and a look at a file first.

use std::io::Write;
use std::path::Path;

use crossfoot_roll::assemble::{TWICE_MEND, named_twice};
use crossfoot_roll::layout::Layout;
use crossfoot_store::in_place::FileInPlace;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{Edition, EditionArrival, EditionNotes, RollStatus, Source};
use crossfoot_store::{Store, StoreError};
use crossfoot_worker::JobEnd;
use crossfoot_worker::settings::Settings;

use super::look;
use crate::arguments::{Import, ImportAgain, ImportHouses, ImportRoll, ImportWhat, Status};
use crate::houses;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, import: &Import) -> anyhow::Result<Outcome> {
    let Some(what) = &import.what else { return look_without_word(settings, import).await };
    if import.look.is_some() {
        complain("--look and a command after import are one too many: leave one of them out");
        return Ok(Outcome::Usage);
    }
    match what {
        ImportWhat::Look(arguments) => look::run(settings, &arguments.file, &arguments.how).await,
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
            let names = arguments.files.iter().filter_map(|file| file.file_name()?.to_str());
            if let Some(what) = named_twice(&layout, names) {
                complain(&format!("{what}: {TWICE_MEND}"));
                return Ok(Outcome::Refused);
            }
            let installation = Installation::open(settings).await?;
            let Some(layout) = resolved(&installation, &layout).await? else { return Ok(Outcome::Refused) };
            roll(&installation, &layout, arguments).await
        }
        ImportWhat::Mend(arguments) => {
            let installation = Installation::open(settings).await?;
            super::mend::run(&installation, arguments).await
        }
        ImportWhat::Again(arguments) => {
            let Some(layout) = read_layout(&arguments.layout) else { return Ok(Outcome::Refused) };
            let installation = Installation::open(settings).await?;
            let Some(layout) = resolved(&installation, &layout).await? else { return Ok(Outcome::Refused) };
            again(&installation, &layout, arguments).await
        }
        ImportWhat::Houses(arguments) => {
            let installation = Installation::open(settings).await?;
            all_houses(&installation, arguments).await
        }
    }
}

/// `import --look FILE`.
async fn look_without_word(settings: &Settings, import: &Import) -> anyhow::Result<Outcome> {
    match &import.look {
        Some(file) => look::run(settings, file, &import.how).await,
        None => {
            complain("name what is imported (roll, houses), or the file to look at: --look FILE");
            Ok(Outcome::Usage)
        }
    }
}

/// The layout of a file; where there is no such file, the one of that name that comes with the program.
pub(crate) fn read_layout(path: &Path) -> Option<Layout> {
    if let Some(shipped) = path.to_str().filter(|_| !path.exists()).and_then(Layout::shipped) {
        return Some(shipped.clone());
    }
    let read = std::fs::read_to_string(path).map_err(|e| e.to_string());
    match read.and_then(|text| Layout::from_toml(&text).map_err(|e| e.to_string())) {
        Ok(layout) => Some(layout),
        Err(error) => {
            complain(&format!("{}: {error}", path.display()));
            if !path.exists() {
                complain("crossfoot layouts lists those that come with the program");
            }
            None
        }
    }
}

/// A layout with its jurisdiction's rule for parcel numbers, where it follows that: what is refused leaves no source.
async fn resolved(installation: &Installation, layout: &Layout) -> anyhow::Result<Option<Layout>> {
    match installation.store.layout_resolved(layout).await {
        Err(StoreError::Conflict(why)) => {
            complain(&why);
            Ok(None)
        }
        resolved => Ok(Some(resolved?)),
    }
}

/// How final a roll is, as it is kept.
pub(crate) fn status(said: Status) -> RollStatus {
    match said {
        Status::Preliminary => RollStatus::Preliminary,
        Status::Certified => RollStatus::Certified,
        Status::Corrected => RollStatus::Corrected,
        Status::NotStated => RollStatus::NotStated,
    }
}

/// Follows an edition whose files are kept already.
pub(crate) async fn follow_kept(
    installation: &Installation,
    source: &Source,
    arrival: EditionArrival,
    files: &[KeptFile],
    detach: bool,
) -> anyhow::Result<Outcome> {
    follow(installation, source, arrival, &Following { files, keep_later: true, detach, strict: false }).await
}

/// Takes in the files of one edition of a roll.
pub(crate) async fn roll(
    installation: &Installation,
    layout: &Layout,
    arguments: &ImportRoll,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_ensure(arguments.source.as_deref().unwrap_or(&layout.id), layout).await?;
    let status = status(arguments.status);
    let notes = EditionNotes { roll_year: arguments.roll_year, status, as_of: String::new() };
    let files = files_of(store, &source, layout, arguments).await?;
    let arrival = store.edition_stage_in_place(&source, layout, &files, &notes, arguments.keep_later).await?;
    let following = Following {
        files: &files,
        keep_later: arguments.keep_later,
        detach: arguments.detach,
        strict: arguments.strict,
    };
    follow(installation, &source, arrival, &following).await
}

/// Reads the kept files of the edition in use again.
async fn again(
    installation: &Installation,
    layout: &Layout,
    arguments: &ImportAgain,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = match store.source_by_id(&arguments.source).await {
        Err(StoreError::Missing { .. }) => {
            complain(&format!("there is no source {}", arguments.source));
            return Ok(Outcome::Refused);
        }
        found => found?,
    };
    let Some(current) = source.current_edition else {
        complain(&format!("{}: no edition is in use: import its files", source.id));
        return Ok(Outcome::Refused);
    };
    let edition = store.edition(source.number, current).await?;
    let notes = EditionNotes {
        roll_year: edition.roll_year.and_then(|year| i32::try_from(year).ok()),
        status: RollStatus::from_name(&edition.status).unwrap_or_default(),
        as_of: edition.as_of,
    };
    let arrival = store.edition_stage(&source, layout, &edition.files, &notes).await?;
    follow_kept(installation, &source, arrival, &edition.files, arguments.detach).await
}

/// How an edition that was handed in is followed.
struct Following<'a> {
    files: &'a [KeptFile],
    keep_later: bool,
    detach: bool,
    strict: bool,
}

/// Waits until an edition that was handed in is loaded, and tells what came of it.
async fn follow(
    installation: &Installation,
    source: &Source,
    arrival: EditionArrival,
    following: &Following<'_>,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let Following { files, keep_later, detach, strict } = *following;
    let (edition, job) = match arrival {
        EditionArrival::Known { edition, state } => {
            let keeping = store.edition_supply(source.number, edition, files, keep_later).await?;
            if let Some(job) = keeping.filter(|_| !keep_later) {
                let outcome = keep(installation, source, edition, &job, strict).await?;
                return held(source, &store.edition(source.number, edition).await?, outcome);
            }
            say(&format!(
                "{}: these files are here already as edition {edition} ({state}): nothing to do\n",
                source.id
            ))?;
            let edition = store.edition(source.number, edition).await?;
            return held(source, &edition, quarantine(&edition, strict));
        }
        EditionArrival::Staged { edition, job } => (edition, job),
    };
    if detach {
        say(&format!("{}: edition {edition} is staged; job {job} loads it\n", source.id))?;
        return Ok(Outcome::Done);
    }
    let end = installation.run_job(&job, &format!("loading {}", source.id)).await?;
    let edition = store.edition(source.number, edition).await?;
    if let Some(outcome) = ended(source, &edition, end) {
        return Ok(outcome);
    }
    report(installation, source, &edition).await?;
    let outcome = match store.edition_keeping(source.number, edition.number).await? {
        Some(job) if !keep_later => keep(installation, source, edition.number, &job, strict).await?,
        Some(_) | None => quarantine(&edition, strict),
    };
    held(source, &edition, outcome)
}

/// The files of the command: read where they lie, or kept first where a worker is to read them, they cannot be read
/// twice, or a bucket keeps them, which may be away. A file as long as one that is here already is hashed first, and then nothing is done if it is the same.
async fn files_of(
    store: &Store,
    source: &Source,
    layout: &Layout,
    arguments: &ImportRoll,
) -> anyhow::Result<Vec<KeptFile>> {
    let mut places = Vec::with_capacity(arguments.files.len());
    let first_kept = arguments.detach || store.originals_in_a_bucket();
    for path in arguments.files.iter().filter(|_| !first_kept) {
        places.extend(FileInPlace::look(path)?);
    }
    if places.len() < arguments.files.len() {
        let mut files = Vec::with_capacity(arguments.files.len());
        for path in &arguments.files {
            files.push(store.object_keep(path).await?);
        }
        return Ok(files);
    }
    let files: Vec<KeptFile> = places.iter().map(FileInPlace::unread).collect();
    if !store.edition_may_be_known(source.number, &layout.version(), &files).await? {
        return Ok(files);
    }
    let hash_all = move || places.iter().map(FileInPlace::hashed).collect::<std::io::Result<Vec<_>>>();
    let hashed = tokio::task::spawn_blocking(hash_all).await??;
    Ok(if store.edition_of_files(source.number, layout, &hashed).await?.is_some() { hashed } else { files })
}

/// Keeps the files of an edition that was read where they lie.
async fn keep(
    installation: &Installation,
    source: &Source,
    edition: i64,
    job: &str,
    strict: bool,
) -> anyhow::Result<Outcome> {
    match installation.run_job(job, &format!("keeping the files of {}", source.id)).await? {
        JobEnd::Failed { reason, .. } => {
            complain(&format!("{}: {reason}", source.id));
            Ok(Outcome::Failed)
        }
        JobEnd::Done | JobEnd::Refused(_) | JobEnd::Held(_) | JobEnd::Lost => {
            Ok(quarantine(&installation.store.edition(source.number, edition).await?, strict))
        }
    }
}

/// Says why an edition was not taken in; none where it was.
pub(crate) fn ended(source: &Source, edition: &Edition, end: JobEnd) -> Option<Outcome> {
    match end {
        JobEnd::Failed { reason, .. } => {
            complain(&format!("{}: {reason}", source.id));
            Some(Outcome::Failed)
        }
        JobEnd::Refused(_) | JobEnd::Done | JobEnd::Held(_) | JobEnd::Lost if edition.state == "refused" => {
            complain(&format!("{}: refused, nothing was taken in. {}", source.id, edition.refusal));
            Some(Outcome::Refused)
        }
        JobEnd::Refused(_) | JobEnd::Done | JobEnd::Held(_) | JobEnd::Lost => None,
    }
}

/// Tells why an edition is held, if it is.
fn held(source: &Source, edition: &Edition, otherwise: Outcome) -> anyhow::Result<Outcome> {
    if edition.state != "held" {
        return Ok(otherwise);
    }
    say(&format!("{}: edition {} is held for a person and not in use:\n", source.id, edition.number))?;
    for reason in &edition.held_for {
        say(&format!("  {}\n", reason.sentence))?;
    }
    say(&format!("  put it in use: crossfoot edition accept {} {}\n", source.id, edition.number))?;
    say(&format!("  give it up:    crossfoot edition refuse {} {}\n", source.id, edition.number))?;
    Ok(Outcome::Held)
}

/// How it ends for scripts that asked to be told of quarantined rows; the same file again ends the same way.
fn quarantine(edition: &Edition, strict: bool) -> Outcome {
    if edition.counts.rows_rejected > 0 && strict { Outcome::Partly } else { Outcome::Done }
}

/// Rows in quarantine that are shown at once.
const REJECTS_SHOWN: i64 = 5;

pub(crate) async fn report(
    installation: &Installation,
    source: &Source,
    edition: &Edition,
) -> anyhow::Result<()> {
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
        say(&format!("  line {}{}: {}\n", reject.line, of_file(edition, reject.file), reject.detail))?;
    }
    let held = edition.state == "held";
    if c.rows_rejected > REJECTS_SHOWN {
        let which = if held { format!(" --edition {}", edition.number) } else { String::new() };
        say(&format!("  … all of them: crossfoot export rejects --source {}{which}\n", source.id))?;
    }
    // rows of tables cannot be read one by one, and those of a held edition are not mended before it is decided on
    if c.rows_rejected > 0 && !edition.layout.assembles() && !held {
        say(&format!(
            "  to mend them: crossfoot export rejects --source {} --to-mend --out mend.csv, then crossfoot import mend mend.csv\n",
            source.id
        ))?;
    }
    Ok(())
}

/// Which file a line is of, where an edition has several.
fn of_file(edition: &Edition, file: i64) -> String {
    let file = usize::try_from(file).ok().and_then(|file| edition.files.get(file));
    let told = file.filter(|_| edition.files.len() > 1).map(|file| format!(" of {}", file.told()));
    told.unwrap_or_default()
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

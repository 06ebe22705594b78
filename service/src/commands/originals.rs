//! `crossfoot originals`: the files as received, how they are kept, and their bytes back.

use std::io::{Read, Write as _};
use std::path::Path;

use crossfoot_store::object::keeping::Original;
use crossfoot_worker::JobEnd;
use crossfoot_worker::settings::Settings;
use sha2::{Digest as _, Sha256};

use crate::arguments::{GetOriginal, Originals};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Bytes read at once.
const READ_BYTES: usize = 1024 * 1024;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, originals: &Originals) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    match originals {
        Originals::List { source } => list(&installation, source.as_deref()).await,
        Originals::Pack { source } => pack(&installation, source.as_deref()).await,
        Originals::Get(arguments) => get(&installation, arguments).await,
    }
}

async fn chosen(installation: &Installation, source: Option<&str>) -> anyhow::Result<Vec<Original>> {
    let number = match source {
        None => None,
        Some(name) => Some(installation.store.source_by_id(name).await?.number),
    };
    Ok(installation.store.original_list(number).await?)
}

async fn list(installation: &Installation, source: Option<&str>) -> anyhow::Result<Outcome> {
    let mut table = Table::new(vec![
        ("source", Side::Left),
        ("edition", Side::Right),
        ("file", Side::Left),
        ("bytes", Side::Right),
        ("takes", Side::Right),
        ("kept", Side::Left),
        ("SHA-256", Side::Left),
    ]);
    for original in chosen(installation, source).await? {
        let kept = kept(&original);
        table.row(vec![
            original.source,
            original.edition.to_string(),
            original.file.name,
            original.file.bytes.to_string(),
            original.kept_bytes.to_string(),
            kept.to_owned(),
            original.file.sha256,
        ]);
    }
    say(&table.text())?;
    Ok(Outcome::Done)
}

/// How an original is kept, in a word or two.
fn kept(original: &Original) -> &'static str {
    match (original.packed, original.in_place()) {
        (true, _) => "packed",
        (false, true) => "not yet, where it lies",
        (false, false) => "as received",
    }
}

async fn pack(installation: &Installation, source: Option<&str>) -> anyhow::Result<Outcome> {
    let originals = chosen(installation, source).await?;
    let asked = installation.store.original_keep_asked().await?;
    let place = |original: &Original| (original.source_number, original.edition);
    let mut editions: Vec<(&str, (i64, i64))> = originals
        .iter()
        .filter(|original| !original.packed || asked.contains(&place(original)))
        .map(|original| (original.source.as_str(), place(original)))
        .collect();
    editions.dedup();
    if editions.is_empty() {
        say("every original is packed: nothing to do\n")?;
        return Ok(Outcome::Done);
    }
    let mut outcome = Outcome::Done;
    for (source, (number, edition)) in editions {
        if matches!(installation.store.edition(number, edition).await?.state.as_str(), "staged") {
            say(&format!("{source}: edition {edition} is not loaded yet: left for later\n"))?;
            continue;
        }
        if let Some(file) = originals.iter().find(|o| place(o) == (number, edition) && o.in_place()) {
            let name = &file.file.name;
            say(&format!(
                "{source}: edition {edition}: {name} lies where it was handed in and is not kept yet: left for later, \
                 when the same import or a worker has kept it\n"
            ))?;
            continue;
        }
        let job = installation.store.original_keep_request(number, edition).await?;
        match installation.run_job(&job, &format!("packing {source}")).await? {
            JobEnd::Failed { reason, .. } => {
                complain(&format!("{source}: edition {edition}: {reason}"));
                outcome = Outcome::Failed;
            }
            JobEnd::Done | JobEnd::Held(_) | JobEnd::Refused(_) | JobEnd::Lost => {
                say(&format!("{source}: edition {edition} is packed\n"))?;
            }
        }
    }
    Ok(outcome)
}

async fn get(installation: &Installation, arguments: &GetOriginal) -> anyhow::Result<Outcome> {
    let originals = chosen(installation, Some(&arguments.source)).await?;
    let wanted = |original: &&Original| {
        original.edition == arguments.edition
            && arguments.name.as_ref().is_none_or(|name| *name == original.file.name)
    };
    let found: Vec<&Original> = originals.iter().filter(wanted).collect();
    let [original] = found[..] else {
        let names: Vec<&str> = found.iter().map(|original| original.file.name.as_str()).collect();
        complain(&match names[..] {
            [] => format!(
                "{} has no such file in edition {}: crossfoot originals list names them",
                arguments.source, arguments.edition
            ),
            _ => format!(
                "edition {} has several files: say --name, one of {}",
                arguments.edition,
                names.join(", ")
            ),
        });
        return Ok(Outcome::Refused);
    };
    let reader = installation.store.object_open(&original.file.object_key).await?;
    let (out, expected) = (arguments.out.clone(), original.file.sha256.clone());
    let written = tokio::task::spawn_blocking(move || write_out(reader, &out, &expected)).await?;
    if let Err(error) = written {
        complain(&format!("{}: {error}", arguments.out.display()));
        return Ok(Outcome::Failed);
    }
    say(&format!("{}  {}\n", original.file.sha256, arguments.out.display()))?;
    Ok(Outcome::Done)
}

/// Writes the bytes as received; a file that is there is not written over. Blocking.
fn write_out(mut original: impl Read, out: &Path, expected: &str) -> std::io::Result<()> {
    let mut file = std::fs::File::create_new(out)?;
    let (mut hash, mut piece) = (Sha256::new(), vec![0; READ_BYTES]);
    loop {
        let read = original.read(&mut piece)?;
        let bytes = piece.get(..read).unwrap_or_default();
        if bytes.is_empty() {
            break;
        }
        hash.update(bytes);
        file.write_all(bytes)?;
    }
    let found = hex::encode(hash.finalize());
    if found == expected {
        return Ok(());
    }
    Err(std::io::Error::other(format!(
        "the kept original has SHA-256 {found} now and had {expected} when it was received: hand it in again"
    )))
}

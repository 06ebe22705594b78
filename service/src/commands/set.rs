//! `crossfoot set`: files that make one edition together and come one by one.

use crossfoot_store::edition_set::EditionSet;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::EditionNotes;
use crossfoot_worker::settings::Settings;

use super::edition::host;
use super::import::{follow_kept, read_layout, status};
use crate::api::sets::{day, names_fit};
use crate::api::views::time;
use crate::arguments::{BeginSet, CompleteSet, PutIntoSet, Set};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say, unless_mendable};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, what: &Set) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    unless_mendable(carry_out(&installation, what).await)
}

async fn carry_out(installation: &Installation, what: &Set) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    match what {
        Set::List { source } => {
            let sets = store.edition_sets_open(&store.source_by_id(source).await?).await?;
            if sets.is_empty() {
                say(&format!("{source}: no set is gathering\n"))?;
            }
            for set in &sets {
                say(&text(source, set))?;
            }
        }
        Set::Begin(begin) => return self::begin(installation, begin).await,
        Set::Put(put) => return self::put(installation, put).await,
        Set::Complete(complete) => return self::complete(installation, complete).await,
        Set::GiveUp { source, set } => {
            store.edition_set_give_up(&store.source_by_id(source).await?, *set, &host()).await?;
            say(&format!("{source}: set {set} is given up\n"))?;
        }
    }
    Ok(Outcome::Done)
}

async fn begin(installation: &Installation, begin: &BeginSet) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let given = match &begin.layout {
        None => None,
        Some(path) => match read_layout(path) {
            Some(layout) => Some(layout),
            None => return Ok(Outcome::Refused),
        },
    };
    let known = match &given {
        None => {
            let source = store.source_by_id(&begin.source).await?;
            store.source_layout(source.number).await?
        }
        Some(_) => None,
    };
    // what is refused leaves no source
    if let Err((what, mend)) = names_fit(&begin.files, given.as_ref().or(known.as_ref())) {
        complain(&format!("{what}: {mend}"));
        return Ok(Outcome::Usage);
    }
    let source = match &given {
        None => store.source_by_id(&begin.source).await?,
        Some(layout) => {
            let source = store.source_ensure(&begin.source, layout).await?;
            store.source_layout_keep(source.number, layout).await?;
            source
        }
    };
    let notes =
        EditionNotes { roll_year: begin.roll_year, status: status(begin.status), as_of: String::new() };
    let set = store.edition_set_begin(&source, &begin.files, begin.mixed, &notes, &host()).await?;
    say(&text(&source.id, &set))?;
    Ok(Outcome::Done)
}

async fn put(installation: &Installation, put: &PutIntoSet) -> anyhow::Result<Outcome> {
    let Some(as_of) = day(put.as_of.as_deref().unwrap_or_default()) else {
        complain("--as-of is no day: write one such as 2026-01-01");
        return Ok(Outcome::Usage);
    };
    let store = &installation.store;
    let source = store.source_by_id(&put.source).await?;
    let set = store.edition_set(&source, put.set).await?;
    let own = put.file.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    let name = put.name.as_deref().unwrap_or(own);
    // before its bytes are kept: a name that is not expected is mostly a slip
    if !set.expected.iter().any(|expected| expected == name) {
        complain(&format!(
            "set {} does not expect {name}: it expects {}; --name says which of them the file is",
            set.number,
            set.expected.join(", ")
        ));
        return Ok(Outcome::Refused);
    }
    match tokio::fs::metadata(&put.file).await {
        Err(error) => {
            complain(&format!("{}: {error}", put.file.display()));
            return Ok(Outcome::Refused);
        }
        Ok(about) if about.is_dir() => {
            complain(&format!("{} is a folder: name the file in it", put.file.display()));
            return Ok(Outcome::Refused);
        }
        Ok(about) if about.is_file() && about.len() == 0 => {
            complain(&format!("{} is empty: put the file as published", put.file.display()));
            return Ok(Outcome::Refused);
        }
        Ok(_) => {}
    }
    let kept = KeptFile { name: name.to_owned(), ..store.object_keep(&put.file).await? };
    let set = store.edition_set_put(&source, put.set, &kept, &as_of).await?;
    say(&text(&source.id, &set))?;
    Ok(Outcome::Done)
}

async fn complete(installation: &Installation, complete: &CompleteSet) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_by_id(&complete.source).await?;
    let Some(layout) = store.source_layout(source.number).await? else {
        complain(&format!(
            "{}: the source has no layout: begin a set with --layout, which gives it one",
            source.id
        ));
        return Ok(Outcome::Refused);
    };
    let arrival = store.edition_set_complete(&source, complete.set, &layout, &host()).await?;
    let set = store.edition_set(&source, complete.set).await?;
    let files: Vec<KeptFile> = set.files.into_iter().map(|(file, _)| file).collect();
    follow_kept(installation, &source, arrival, &files, complete.detach).await
}

/// A set with its files.
fn text(source: &str, set: &EditionSet) -> String {
    let overdue = if set.overdue { "overdue since" } else { "due by" };
    let mut text = format!(
        "{source}: set {} is {}, {overdue} {}, expires {}\n",
        set.number,
        set.state,
        time(set.due_at),
        time(set.expires_at)
    );
    for name in &set.expected {
        match set.files.iter().find(|(file, _)| file.name == *name) {
            None => text.push_str(&format!("  missing: {name}\n")),
            Some((file, as_of)) => {
                let of = if as_of.is_empty() { String::new() } else { format!(", of {as_of}") };
                text.push_str(&format!("  here:    {name}, {} bytes{of}\n", file.bytes));
            }
        }
    }
    if set.state == "gathering" && set.missing().is_empty() {
        text.push_str(&format!("  complete it: crossfoot set complete {source} {}\n", set.number));
    }
    text
}

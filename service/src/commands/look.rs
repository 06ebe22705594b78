//! `crossfoot import look`: what a file is, before anything is stored.

mod text;

pub(crate) use text::grouped;

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write as _};
use std::path::Path;

use anyhow::Context as _;
use crossfoot_roll::layout::{Layout, shipped};
use crossfoot_roll::look::{Look, Options, look};
use crossfoot_roll::unpack::text_within;
use crossfoot_store::{Store, StoreError};
use crossfoot_worker::settings::Settings;

use super::import::read_layout;
use crate::arguments::LookHow;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, file: &Path, how: &LookHow) -> anyhow::Result<Outcome> {
    let mut known = Vec::with_capacity(how.layouts.len());
    for path in &how.layouts {
        let Some(layout) = read_layout(path) else { return Ok(Outcome::Refused) };
        known.push(layout);
    }
    known.extend(layouts_of_the_installation(settings).await);
    known.extend(shipped().iter().map(|shipped| shipped.layout.clone()));
    let piped = file == Path::new("-");
    let name = if piped { "standard input".to_owned() } else { name_of(file) };
    let source: Box<dyn Read + Send> = if piped {
        Box::new(io::stdin())
    } else {
        match open(file) {
            Ok(opened) => Box::new(opened),
            Err(why) => {
                complain(&format!("{}: {why}", file.display()));
                return Ok(Outcome::Refused);
            }
        }
    };
    let scratch = std::env::temp_dir();
    let source = match text_within(source, &name, &scratch) {
        Ok(text) => text,
        Err(error) => {
            complain(&format!("{name}: {}", crate::outcome::with_causes(&error)));
            return Ok(Outcome::Refused);
        }
    };
    let options = Options { whole: how.whole, ..Options::default() };
    let mut found = match look(source, &name, &known, &options) {
        Ok(found) => found,
        Err(error) => {
            complain(&format!("{name}: {}", crate::outcome::with_causes(&error)));
            return Ok(Outcome::Refused);
        }
    };
    if how.whole && !piped {
        found.read_whole(&known, &scratch, || {
            text_within(Box::new(File::open(file)?), &name, &scratch).map_err(io::Error::other)
        })?;
    }
    let written = match &how.propose {
        Some(path) => match propose(path, &found)? {
            true => Some(path.as_path()),
            false => return Ok(Outcome::Refused),
        },
        None => None,
    };
    if how.json {
        say(&format!("{}\n", serde_json::to_string(&found)?))?;
    } else {
        say(&text::text(&found, file, written))?;
    }
    Ok(Outcome::Done)
}

fn open(path: &Path) -> Result<File, String> {
    let file = File::open(path).map_err(|error| error.to_string())?;
    match file.metadata() {
        Ok(about) if about.is_dir() => Err("it is a folder: name a file in it".to_owned()),
        Ok(_) => Ok(file),
        Err(error) => Err(error.to_string()),
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// Layouts of the sources that the installation has. A look needs no installation: where there is none, none is made.
async fn layouts_of_the_installation(settings: &Settings) -> Vec<Layout> {
    if settings.database.is_empty() && !settings.data.is_dir() {
        return Vec::new();
    }
    let read = async {
        let store = Store::open(&settings.store()).await?;
        layouts_of(&store).await
    };
    read.await.unwrap_or_else(|error| {
        complain(&format!(
            "the layouts of the installation are left out: {}",
            crate::outcome::with_causes(&error)
        ));
        Vec::new()
    })
}

/// Layouts by which the sources of an installation are read.
pub(crate) async fn layouts_of(store: &Store) -> Result<Vec<Layout>, StoreError> {
    let mut layouts = Vec::new();
    for source in store.source_list().await? {
        let Some(layout) = store.source_layout(source.number).await? else { continue };
        match store.layout_resolved(&layout).await {
            // a layout without the rule that it follows says nothing about a file
            Err(StoreError::Conflict(_)) => {}
            resolved => layouts.push(resolved?),
        }
    }
    Ok(layouts)
}

/// Writes the proposed layout to a new file; false where that was refused.
fn propose(path: &Path, found: &Look) -> anyhow::Result<bool> {
    let Some(proposal) = &found.proposal else {
        complain(&format!(
            "{}: nothing is written. {}",
            path.display(),
            found.notes.last().map_or("", String::as_str)
        ));
        return Ok(false);
    };
    match OpenOptions::new().write(true).create_new(true).open(path) {
        Ok(mut file) => {
            file.write_all(proposal.layout.as_bytes())
                .with_context(|| format!("{} was not written", path.display()))?;
            Ok(true)
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            complain(&format!("{} is there already and is left as it is: name another file", path.display()));
            Ok(false)
        }
        Err(error) => {
            complain(&format!("{}: {error}", path.display()));
            Ok(false)
        }
    }
}

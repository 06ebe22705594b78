//! Taking files out of a drop folder: open without following links, keep the bytes, stage an edition, move the file.
//!
//! Nothing is deleted. A file that was staged goes to `taken/`, and on to `refused/`, with a text that says why, when
//! its edition is refused; who stops in between finds the reason in the report. Two processes that take the same file
//! stage the same edition once, since bytes and layout are its identity, and one of them moves it.

use std::fs::File;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crossfoot_roll::layout::Layout;
use crossfoot_store::schedule::Schedule;
use crossfoot_store::source::{EditionArrival, EditionNotes, Source};
use crossfoot_store::{Store, StoreError};
use jiff::Timestamp;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use super::sighting::{Marks, Sighting, Sorted, look};
use super::{Nightly, Outcome, locked};
use crate::runner::with_causes;

/// A file whose edition is being loaded.
#[derive(Debug)]
pub(super) struct Staged {
    source: i64,
    edition: i64,
    job: String,
    folder: PathBuf,
    /// Where it lies.
    path: PathBuf,
}

/// Where a file goes.
#[derive(Debug, Clone, Copy)]
enum Place {
    Taken,
    Refused,
}

impl Place {
    fn name(self) -> &'static str {
        match self {
            Place::Taken => "taken",
            Place::Refused => "refused",
        }
    }
}

/// How often is looked whether an edition is loaded.
const FOLLOW_EVERY: Duration = Duration::from_millis(500);

impl Nightly {
    /// Takes the complete files of a drop folder, looking a second time where the first cannot tell.
    pub(super) async fn drop_folder(&self, schedule: &Schedule, stop: &CancellationToken) -> Outcome {
        let mut outcome = Outcome::default();
        let (layout, source) = match self.reads_by(schedule).await {
            Ok(both) => both,
            Err(reason) => {
                outcome.failed.push(reason);
                return outcome;
            }
        };
        let folder = PathBuf::from(&schedule.folder);
        for again in [false, true] {
            let sorted = match self.look_into(&schedule.id, &folder).await {
                Ok(sorted) => sorted,
                Err(error) => {
                    outcome.failed.push(format!("the folder {} cannot be read: {error}", folder.display()));
                    return outcome;
                }
            };
            for sighting in &sorted.complete {
                match self.take(&source, &layout, &folder, sighting, &mut outcome.staged).await {
                    Ok(what) => outcome.done.push(format!("{}: {what}", sighting.name.to_string_lossy())),
                    Err(why) => outcome.failed.push(format!("{}: {why}", sighting.name.to_string_lossy())),
                }
            }
            if sorted.waiting.is_empty() {
                break;
            }
            if again {
                let still = |name: &std::ffi::OsString| {
                    format!("{}: still changing, left for the next time", name.to_string_lossy())
                };
                outcome.done.extend(sorted.waiting.iter().map(still));
                break;
            }
            tokio::select! {
                () = stop.cancelled() => {
                    outcome.broken_off = true;
                    return outcome;
                }
                () = tokio::time::sleep(self.pace.settle) => {}
            }
        }
        if outcome.done.is_empty() && outcome.failed.is_empty() {
            outcome.done.push("nothing to take".to_owned());
        }
        outcome
    }

    /// The layout and the source of a drop folder.
    async fn reads_by(&self, schedule: &Schedule) -> Result<(Layout, Source), String> {
        let layout = Layout::from_toml(&schedule.layout)
            .map_err(|e| format!("its layout: {}: remove the schedule and add it again", with_causes(&e)))?;
        let number = schedule.source.ok_or("the schedule names no source: remove it and add it again")?;
        let source = self.store.source_by_number(number).await.map_err(|e| with_causes(&e))?;
        Ok((layout, source))
    }

    async fn look_into(&self, schedule: &str, folder: &Path) -> std::io::Result<Sorted> {
        let before = locked(&self.looks).remove(schedule).unwrap_or_default();
        let (folder, now) = (folder.to_owned(), Instant::now());
        let seen = tokio::task::spawn_blocking(move || look(&folder, &before, now))
            .await
            .map_err(std::io::Error::other)??;
        let sorted = seen.sort(now, self.pace.settle);
        locked(&self.looks).insert(schedule.to_owned(), seen);
        Ok(sorted)
    }

    /// Takes one file; gives what came of it.
    async fn take(
        &self,
        source: &Source,
        layout: &Layout,
        folder: &Path,
        sighting: &Sighting,
        staged: &mut Vec<Staged>,
    ) -> Result<String, String> {
        let path = folder.join(&sighting.name);
        let (opening, marks) = (path.clone(), sighting.marks.clone());
        let file = tokio::task::spawn_blocking(move || open_as_seen(&opening, &marks))
            .await
            .map_err(|e| with_causes(&e))??;
        let kept = self
            .store
            .object_keep_file(&path, tokio::fs::File::from_std(file))
            .await
            .map_err(|e| with_causes(&e))?;
        // a file that moved on while it was read is no edition
        if marks_of(&path).as_ref() != Some(&sighting.marks)
            || u64::try_from(kept.bytes) != Ok(sighting.marks.bytes)
        {
            return Err("it changed while it was read: left for the next time".to_owned());
        }
        let arrival = self
            .store
            .edition_stage(source, layout, std::slice::from_ref(&kept), &EditionNotes::default())
            .await
            .map_err(|e| with_causes(&e))?;
        let at = self.store.clock_us().await.map_err(|e| with_causes(&e))?;
        // another file may have come under the same name meanwhile: it is left for the next time
        let moved = match marks_of(&path) {
            Some(marks) if marks == sighting.marks => put(folder, Place::Taken, &path, at).map_err(|e| {
                format!("it is staged, but cannot be moved to {}: {e}", folder.join("taken").display())
            })?,
            Some(_) | None => None,
        };
        Ok(match arrival {
            EditionArrival::Known { edition, state } => {
                let known =
                    format!("the same bytes are here already as edition {edition} ({state}): nothing to do");
                let detail = format!("{}: {known}", sighting.name.to_string_lossy());
                let told = self.store.notice_write(None, Some(source.number), "edition_known", &detail).await;
                told.map_err(|e| with_causes(&e))?;
                known
            }
            EditionArrival::Staged { edition, job } => {
                if let Some(path) = moved {
                    let folder = folder.to_owned();
                    staged.push(Staged { source: source.number, edition, job, folder, path });
                }
                format!("taken as edition {edition}")
            }
        })
    }
}

/// Opens a file that is still the one that was seen; never a link, and without waiting for a pipe. Blocking.
fn open_as_seen(path: &Path, seen: &Marks) -> Result<File, String> {
    let file = std::fs::OpenOptions::new()
        .read(true)
        .custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK)
        .open(path)
        .map_err(|e| format!("it cannot be opened: {e}"))?;
    let metadata = file.metadata().map_err(|e| format!("it cannot be opened: {e}"))?;
    if !metadata.is_file() || Marks::of(&metadata) != *seen {
        return Err("it changed since it was seen: left for the next time".to_owned());
    }
    Ok(file)
}

fn marks_of(path: &Path) -> Option<Marks> {
    std::fs::symlink_metadata(path).ok().map(|metadata| Marks::of(&metadata))
}

/// Moves a file into a folder within the drop folder under a name that nobody has; none when another process moved it.
fn put(folder: &Path, place: Place, path: &Path, at: i64) -> std::io::Result<Option<PathBuf>> {
    let within = folder.join(place.name());
    match std::fs::create_dir(&within) {
        Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => return Err(error),
        Ok(()) | Err(_) => {}
    }
    if !std::fs::symlink_metadata(&within)?.is_dir() {
        return Err(std::io::Error::other("it is no folder"));
    }
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let target = match place {
        Place::Taken => within.join(format!("{}-{name}", stamp(at))),
        Place::Refused => within.join(&name),
    };
    match std::fs::rename(path, &target) {
        Ok(()) => Ok(Some(target)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// A time for the begin of a name: sorts as it passes, and nothing else was taken in the same microsecond.
fn stamp(at: i64) -> String {
    let time = Timestamp::from_microsecond(at).unwrap_or_default();
    format!("{time:.6}").chars().filter(|c| !matches!(c, '-' | ':')).collect()
}

/// Waits until an edition is loaded or refused; a refused one takes its file to `refused/`.
pub(super) async fn follow(store: &Store, staged: Staged, stop: &CancellationToken) {
    loop {
        match state_of(store, &staged).await {
            Ok(Some(refusal)) => return refuse(&staged, &refusal),
            Ok(None) => return,
            Err(()) => {}
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(FOLLOW_EVERY) => {}
        }
    }
}

/// Why an edition was refused, nothing when it was loaded or given up, an error while it is not known.
async fn state_of(store: &Store, staged: &Staged) -> Result<Option<String>, ()> {
    let both = async {
        let edition = store.edition(staged.source, staged.edition).await?;
        let job = store.job_view(&staged.job).await?;
        Ok::<_, StoreError>((edition, job))
    };
    match both.await {
        Ok((edition, _)) if edition.state == "refused" => Ok(Some(edition.refusal)),
        Ok((edition, job)) if edition.state != "staged" || job.state == "failed" => Ok(None),
        Ok(_) => Err(()),
        Err(StoreError::Missing { .. }) => Ok(None),
        Err(_passing) => Err(()),
    }
}

fn refuse(staged: &Staged, refusal: &str) {
    let moved = put(&staged.folder, Place::Refused, &staged.path, 0).and_then(|moved| {
        let Some(moved) = moved else { return Ok(()) };
        let mut why = moved.into_os_string();
        why.push(".why.txt");
        std::fs::write(
            why,
            format!("Refused as edition {}; nothing was taken in.\n{refusal}\n", staged.edition),
        )
    });
    if let Err(error) = moved {
        warn!(edition.id = staged.edition, "{} was refused but not moved: {error}", staged.path.display());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(path: &Path) -> Marks {
        marks_of(path).unwrap()
    }

    #[test]
    fn only_the_file_that_was_seen_is_opened() {
        let folder = tempfile::tempdir().unwrap();
        let (path, other) = (folder.path().join("roll.csv"), folder.path().join("other.csv"));
        std::fs::write(&path, "a").unwrap();
        std::fs::write(&other, "b").unwrap();
        let marks = seen(&path);
        assert!(open_as_seen(&path, &marks).is_ok());
        // the same name, another file
        std::fs::rename(&other, &path).unwrap();
        assert!(open_as_seen(&path, &marks).unwrap_err().contains("changed since it was seen"));
        // it grew
        let marks = seen(&path);
        std::fs::write(&path, "bb").unwrap();
        assert!(open_as_seen(&path, &marks).is_err());
    }

    #[test]
    fn a_link_and_a_pipe_in_place_of_the_file_are_not_read() {
        let folder = tempfile::tempdir().unwrap();
        let (path, target) = (folder.path().join("roll.csv"), folder.path().join("target"));
        std::fs::write(&target, "secret").unwrap();
        let marks = seen(&target);
        std::os::unix::fs::symlink(&target, &path).unwrap();
        // the link leads to the very file that the marks are of, and is refused all the same
        assert!(open_as_seen(&path, &marks).unwrap_err().contains("cannot be opened"));
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        assert!(open_as_seen(&pipe, &seen(&pipe)).is_err());
    }

    #[test]
    fn files_are_not_moved_through_a_link() {
        let (folder, outside) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let path = folder.path().join("roll.csv");
        std::fs::write(&path, "a").unwrap();
        std::os::unix::fs::symlink(outside.path(), folder.path().join("taken")).unwrap();
        assert!(put(folder.path(), Place::Taken, &path, 0).is_err());
        assert!(path.exists());
        std::fs::remove_file(folder.path().join("taken")).unwrap();
        let moved = put(folder.path(), Place::Taken, &path, 1_000_000).unwrap().unwrap();
        assert_eq!(moved, folder.path().join("taken/19700101T000001.000000Z-roll.csv"));
        assert_eq!(put(folder.path(), Place::Taken, &path, 2_000_000).unwrap(), None);
    }
}

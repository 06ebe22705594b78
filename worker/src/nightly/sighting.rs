//! What lies in a drop folder, and which files of it are complete.
//!
//! A file is complete when it got its name by being renamed within the folder, which is how careful programs hand a
//! file over, or when its size and time have not moved between two looks. Links, folders, pipes and names that begin
//! with a dot or end like unfinished downloads are never taken.

use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::fs::Metadata;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::time::{Duration, Instant};

/// Ends of names that programs give to what they have not finished writing.
const UNFINISHED: [&str; 9] =
    [".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".download", ".swp", "~"];

/// The file itself, its length and the time of its last change: when one of them moves, it is another file or it grew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Marks {
    file: (u64, u64),
    pub(super) bytes: u64,
    pub(super) changed: (i64, i64),
}

impl Marks {
    pub(super) fn of(metadata: &Metadata) -> Marks {
        Marks {
            file: (metadata.dev(), metadata.ino()),
            bytes: metadata.len(),
            changed: (metadata.mtime(), metadata.mtime_nsec()),
        }
    }
}

/// A file as it was seen.
#[derive(Debug, Clone)]
pub(super) struct Sighting {
    pub(super) name: OsString,
    pub(super) marks: Marks,
    /// Since when it has been seen like that.
    since: Instant,
    renamed: bool,
}

/// What was seen in a folder at a moment.
#[derive(Debug, Clone, Default)]
pub(super) struct Look {
    files: HashMap<(u64, u64), Sighting>,
}

/// The files of a folder that could be taken.
#[derive(Debug, Default)]
pub(super) struct Sorted {
    /// Complete, the oldest first.
    pub(super) complete: Vec<Sighting>,
    /// Not known to be complete.
    pub(super) waiting: Vec<OsString>,
}

/// Looks into a folder; what the look before saw tells since when files are as they are. Blocking.
pub(super) fn look(folder: &Path, before: &Look, now: Instant) -> std::io::Result<Look> {
    let mut files = HashMap::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        // of the entry itself: a link is not followed
        let metadata = match entry.metadata() {
            Ok(metadata) => metadata,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error),
        };
        if metadata.is_file() {
            let (name, marks) = (entry.file_name(), Marks::of(&metadata));
            let file = marks.file;
            let (since, renamed) = match before.files.get(&file) {
                Some(seen) if seen.name != name => (now, true),
                Some(seen) if seen.marks == marks => (seen.since, seen.renamed),
                Some(_) | None => (now, false),
            };
            files.insert(file, Sighting { name, marks, since, renamed });
        }
    }
    Ok(Look { files })
}

impl Look {
    /// Which files are complete, when they must have stayed as they are for `settle`.
    pub(super) fn sort(&self, now: Instant, settle: Duration) -> Sorted {
        let mut sorted = Sorted::default();
        for sighting in self.files.values().filter(|sighting| !ignored(&sighting.name)) {
            if sighting.renamed || now.saturating_duration_since(sighting.since) >= settle {
                sorted.complete.push(sighting.clone());
            } else {
                sorted.waiting.push(sighting.name.clone());
            }
        }
        sorted.complete.sort_by(|a, b| (a.marks.changed, &a.name).cmp(&(b.marks.changed, &b.name)));
        sorted.waiting.sort();
        sorted
    }
}

/// Whether a name says that its file is not meant, or not yet.
fn ignored(name: &OsStr) -> bool {
    let name = name.to_string_lossy().to_lowercase();
    name.starts_with('.') || UNFINISHED.iter().any(|end| name.ends_with(end))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTLE: Duration = Duration::from_secs(10);

    fn names(sorted: &Sorted) -> Vec<String> {
        sorted.complete.iter().map(|s| s.name.to_string_lossy().into_owned()).collect()
    }

    #[test]
    fn a_file_is_complete_once_it_has_not_moved_for_long_enough() {
        let folder = tempfile::tempdir().unwrap();
        let (path, begun) = (folder.path().join("a.csv"), Instant::now());
        std::fs::write(&path, "a").unwrap();
        let first = look(folder.path(), &Look::default(), begun).unwrap();
        assert_eq!(first.sort(begun, SETTLE).waiting, ["a.csv"]);
        std::fs::write(&path, "a\nb").unwrap();
        let grown = look(folder.path(), &first, begun + SETTLE).unwrap();
        assert_eq!(names(&grown.sort(begun + SETTLE, SETTLE)), [""; 0]);
        let stayed = look(folder.path(), &grown, begun + SETTLE * 2).unwrap();
        assert_eq!(names(&stayed.sort(begun + SETTLE * 2, SETTLE)), ["a.csv"]);
    }

    #[test]
    fn a_file_that_was_renamed_in_is_complete_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let now = Instant::now();
        std::fs::write(folder.path().join("a.csv.part"), "a").unwrap();
        let first = look(folder.path(), &Look::default(), now).unwrap();
        assert_eq!(first.sort(now + SETTLE, SETTLE).waiting, [""; 0]);
        std::fs::rename(folder.path().join("a.csv.part"), folder.path().join("a.csv")).unwrap();
        let second = look(folder.path(), &first, now).unwrap();
        assert_eq!(names(&second.sort(now, SETTLE)), ["a.csv"]);
    }

    #[test]
    fn links_folders_and_unfinished_names_are_never_seen_as_files_to_take() {
        let folder = tempfile::tempdir().unwrap();
        let now = Instant::now();
        std::fs::create_dir(folder.path().join("taken")).unwrap();
        std::os::unix::fs::symlink("/etc/hostname", folder.path().join("link.csv")).unwrap();
        for name in [".hidden.csv", "b.csv.PART", "c.tmp", "d.csv~"] {
            std::fs::write(folder.path().join(name), "x").unwrap();
        }
        let sorted = look(folder.path(), &Look::default(), now).unwrap().sort(now + SETTLE, SETTLE);
        assert!(sorted.complete.is_empty() && sorted.waiting.is_empty(), "{sorted:?}");
    }
}

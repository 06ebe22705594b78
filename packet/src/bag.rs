//! Bags: files with the hashes that hold them together, after RFC 8493, in one zip file.
//!
//! The zip file is a plain one: entries stored, sorted by name, dated 1980-01-01, without extra fields or comments.
//! The same files always give the same bytes.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Cursor, Write as _};

use sha2::{Digest as _, Sha256, Sha512};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

/// The declaration of a bag, to the byte (RFC 8493, section 2.1.1).
pub const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
/// The name of the declaration.
pub const DECLARATION_NAME: &str = "bagit.txt";
/// The name of the bag's description.
pub const INFO_NAME: &str = "bag-info.txt";

/// The files of a bag by their paths, `data/…` the payload, in the order of the zip file.
pub type Files = BTreeMap<String, Vec<u8>>;

/// What is wrong with a bag.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BagFault {
    /// The declaration is missing or says something else.
    #[error("{DECLARATION_NAME} is not the declaration of a bag of version 1.0")]
    NotABag,
    /// There is no manifest at all.
    #[error("the bag has no manifest")]
    NoManifest,
    /// A manifest that cannot be read.
    #[error("{manifest}, line {line}: {wrong}")]
    Manifest {
        /// The manifest.
        manifest: String,
        /// The line, from 1.
        line: usize,
        /// What is wrong.
        wrong: &'static str,
    },
    /// A path that leads out of the bag, or could on some machine.
    #[error("{path:?} is no safe path")]
    UnsafePath {
        /// The path.
        path: String,
    },
    /// A file that a manifest names is missing.
    #[error("{path} is missing: {manifest} names it")]
    Missing {
        /// The file.
        path: String,
        /// Who names it.
        manifest: String,
    },
    /// A file that a manifest should name and does not.
    #[error("{path} is not named in {manifest}")]
    Unlisted {
        /// The file.
        path: String,
        /// Where it is not named.
        manifest: String,
    },
    /// A file with other bytes than its manifest says.
    #[error("{path} has been changed: its hash is not the one in {manifest}")]
    Changed {
        /// The file.
        path: String,
        /// Who says so.
        manifest: String,
    },
    /// The size of the payload is not the one stated.
    #[error("the payload is {found} (bytes.files), {INFO_NAME} says {stated}")]
    Oxum {
        /// As stated.
        stated: String,
        /// As found.
        found: String,
    },
}

/// A bag of payload files (`data/…`) and what is said about them: adds declaration, description and manifests.
///
/// `info` are the lines of the description; `Payload-Oxum` is added. Line breaks in values become spaces.
#[must_use]
pub fn fill(payload: Files, info: &[(&str, &str)]) -> Files {
    let oxum = oxum(&payload);
    let mut lines: Vec<(&str, &str)> = info.to_vec();
    lines.push(("Payload-Oxum", &oxum));
    lines.sort_unstable();
    let line = |(label, value): &(&str, &str)| format!("{label}: {}\n", one_line(value));
    let mut tags = Files::new();
    tags.insert(DECLARATION_NAME.to_owned(), DECLARATION.as_bytes().to_vec());
    tags.insert(INFO_NAME.to_owned(), lines.iter().map(line).collect::<String>().into_bytes());
    tags.insert("manifest-sha256.txt".to_owned(), manifest(&payload).into_bytes());
    let tag_manifest = manifest(&tags);
    tags.insert("tagmanifest-sha256.txt".to_owned(), tag_manifest.into_bytes());
    tags.extend(payload);
    tags
}

/// `hash  path` for each file, sorted by path.
fn manifest(files: &Files) -> String {
    let line = |(path, bytes): (&String, &Vec<u8>)| {
        format!("{}  {}\n", hex::encode(Sha256::digest(bytes)), encoded(path))
    };
    files.iter().map(line).collect()
}

/// Per cent signs and line breaks of a path as a manifest writes them (RFC 8493, section 2.1.3).
fn encoded(path: &str) -> String {
    path.replace('%', "%25").replace('\r', "%0D").replace('\n', "%0A")
}

fn decoded(path: &str) -> String {
    let line_breaks =
        path.replace("%0D", "\r").replace("%0d", "\r").replace("%0A", "\n").replace("%0a", "\n");
    line_breaks.replace("%25", "%")
}

/// Size of the payload: bytes, a point, files (RFC 8493, section 2.2.2).
fn oxum(files: &Files) -> String {
    let payload = files.iter().filter(|(path, _)| path.starts_with("data/"));
    let (bytes, count) = payload.fold((0usize, 0usize), |(bytes, count), (_, file)| {
        (bytes.saturating_add(file.len()), count.saturating_add(1))
    });
    format!("{bytes}.{count}")
}

fn one_line(value: &str) -> String {
    value
        .split(|c: char| c.is_control() || c.is_whitespace())
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

/// Checks a bag: complete and valid after RFC 8493, section 3. None of the faults is left out.
///
/// # Errors
/// Every [`BagFault`].
pub fn check(files: &Files) -> Result<(), Vec<BagFault>> {
    let mut faults = Vec::new();
    if files.get(DECLARATION_NAME).map(Vec::as_slice) != Some(DECLARATION.as_bytes()) {
        faults.push(BagFault::NotABag);
    }
    let unsafe_paths = files.keys().filter(|path| !is_safe(path));
    faults.extend(unsafe_paths.map(|path| BagFault::UnsafePath { path: path.clone() }));
    let (tag_manifests, manifests): (Vec<&String>, Vec<&String>) = files
        .keys()
        .filter(|path| algorithm(path).is_some())
        .partition(|path| path.starts_with("tagmanifest-"));
    if manifests.is_empty() {
        faults.push(BagFault::NoManifest);
    }
    for name in manifests {
        let payload = files.keys().filter(|path| path.starts_with("data/"));
        check_manifest(files, name, payload.collect(), &mut faults);
    }
    for name in tag_manifests {
        let tags =
            files.keys().filter(|path| !path.starts_with("data/") && !path.starts_with("tagmanifest-"));
        check_manifest(files, name, tags.collect(), &mut faults);
    }
    check_oxum(files, &mut faults);
    if faults.is_empty() { Ok(()) } else { Err(faults) }
}

/// The algorithm that a manifest is of, from its name.
fn algorithm(path: &str) -> Option<&str> {
    let name = path.strip_prefix("tag").unwrap_or(path);
    name.strip_prefix("manifest-")?.strip_suffix(".txt")
}

/// Checks one manifest against the files that it must name.
fn check_manifest(files: &Files, name: &str, expected: BTreeSet<&String>, faults: &mut Vec<BagFault>) {
    let mut expected = expected;
    let text = files.get(name).map(Vec::as_slice).unwrap_or_default();
    let wrong = |line, wrong| BagFault::Manifest { manifest: name.to_owned(), line, wrong };
    let Ok(text) = std::str::from_utf8(text) else {
        faults.push(wrong(1, "is no text in UTF-8"));
        return;
    };
    let mut seen = BTreeSet::new();
    for (number, line) in (1..).zip(text.lines()) {
        let Some((hash, path)) = line.split_once([' ', '\t']) else {
            faults.push(wrong(number, "is no hash and path"));
            continue;
        };
        let path = decoded(path.trim_start_matches([' ', '\t', '*']));
        if !is_safe(&path) {
            faults.push(BagFault::UnsafePath { path });
        } else if !seen.insert(path.clone()) {
            faults.push(wrong(number, "names a file a second time"));
        } else if let Some(bytes) = files.get(&path) {
            expected.remove(&path);
            match digest(algorithm(name).unwrap_or_default(), bytes) {
                None => faults
                    .push(wrong(number, "is of an algorithm that is not known here: sha256 and sha512 are")),
                Some(digest) if digest.eq_ignore_ascii_case(hash) => {}
                Some(_) => faults.push(BagFault::Changed { path, manifest: name.to_owned() }),
            }
        } else {
            faults.push(BagFault::Missing { path, manifest: name.to_owned() });
        }
    }
    faults.extend(
        expected.into_iter().map(|path| BagFault::Unlisted { path: path.clone(), manifest: name.to_owned() }),
    );
}

fn digest(algorithm: &str, bytes: &[u8]) -> Option<String> {
    match algorithm {
        "sha256" => Some(hex::encode(Sha256::digest(bytes))),
        "sha512" => Some(hex::encode(Sha512::digest(bytes))),
        _ => None,
    }
}

fn check_oxum(files: &Files, faults: &mut Vec<BagFault>) {
    let found = oxum(files);
    let stated = info(files, "Payload-Oxum");
    if stated.as_deref().is_some_and(|stated| stated != found) {
        faults.push(BagFault::Oxum { stated: stated.unwrap_or_default(), found });
    }
}

/// The value of a line of the bag's description.
#[must_use]
pub fn info(files: &Files, label: &str) -> Option<String> {
    let text = std::str::from_utf8(files.get(INFO_NAME)?).ok()?;
    let mut lines = text.lines().filter_map(|line| line.split_once(": "));
    lines.find(|(known, _)| *known == label).map(|(_, value)| value.trim().to_owned())
}

/// Whether a path stays in the bag on every machine: no way up, no root, no home, no drive, no control character.
#[must_use]
pub fn is_safe(path: &str) -> bool {
    let well = |part: &str| !part.is_empty() && part != "." && part != "..";
    !path.starts_with('~')
        && !path.contains(['\\', ':'])
        && !path.chars().any(char::is_control)
        && path.split('/').all(well)
}

/// The files in one zip file, under one folder.
///
/// # Errors
/// As the zip writer, where a file or the whole is beyond what a plain zip file holds (4 GiB).
pub fn zip(folder: &str, files: &Files) -> Result<Vec<u8>, zip::result::ZipError> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (path, bytes) in files {
        writer.start_file(format!("{folder}/{path}"), options)?;
        writer.write_all(bytes)?;
    }
    Ok(writer.finish()?.into_inner())
}

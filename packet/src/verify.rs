//! Verifying: every byte of a packet accounted for, and its figures computed again.
//!
//! The cheap checks come first: the zip file's form, the bag's hashes, the zip file written again from its own
//! entries. What passes them is made again from `finding.json`, document included.

use crossfoot_audit::judge::ENGINE_VERSION;
use sha2::{Digest as _, Sha256};

use crate::archive::{self, ArchiveFault};
use crate::bag::{self, BagFault, Files};
use crate::data::{Flaw, PacketData};
use crate::document::{DocumentError, render, software};
use crate::figure::{Recomputed, recompute};
use crate::packet::{DOCUMENT, FINDING, MEASUREMENT, POLICY, SOFTWARE, fill, folder, texts};

/// What is wrong with a packet.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// It is no zip file of the form that packets have.
    #[error(transparent)]
    Archive(#[from] ArchiveFault),
    /// Its entries do not lie in one folder.
    #[error("{path:?} does not lie in the packet's one folder")]
    Folder {
        /// The entry.
        path: String,
    },
    /// The bag is not complete or not valid.
    #[error(transparent)]
    Bag(#[from] BagFault),
    /// The zip file has bytes that its files do not give.
    #[error("the zip file differs at byte {at} from what its own files give")]
    Container {
        /// The first byte that differs.
        at: usize,
    },
    /// `finding.json` is missing.
    #[error("{FINDING} is missing: without it nothing can be made again")]
    NoFinding,
    /// `finding.json` cannot be read.
    #[error("{FINDING} cannot be read: {0}")]
    Unreadable(String),
    /// `finding.json` does not hold what a packet must.
    #[error("{FINDING}: {0}")]
    Data(Flaw),
    /// A file is not the one that the data give.
    #[error("{path} is not what {FINDING} gives")]
    NotFromData {
        /// The file, or the folder.
        path: String,
    },
    /// The document could not be made again.
    #[error(transparent)]
    Document(DocumentError),
    /// A figure does not come out.
    #[error("{}: {} is written, {} comes out (within {})", .0.what, .0.written, .0.computed, .0.within)]
    Figure(Recomputed),
}

/// Whether the document was made again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DocumentCheck {
    /// It was, and is the same to the byte.
    MadeAgain,
    /// Another version made it: its hash holds, and the data in the packet agree, but it was not made again.
    HashOnly {
        /// What made it.
        made_by: String,
        /// What is here.
        here: String,
    },
}

/// Whether the figures were computed again.
#[derive(Debug, Clone, PartialEq)]
pub enum FigureCheck {
    /// They were, and all hold.
    Computed(Vec<Recomputed>),
    /// They follow another version of the judging rules.
    OtherEngine {
        /// Which.
        engine: String,
    },
}

/// A packet that verifies.
#[derive(Debug, Clone, PartialEq)]
pub struct Verified {
    /// The data in it.
    pub data: PacketData,
    /// SHA-256 of the zip file: to be compared with what the office says.
    pub sha256: String,
    /// SHA-256 of `finding.json`, which stands at the foot of every page.
    pub data_sha256: String,
    /// The files that were checked.
    pub files: Vec<String>,
    /// What was done about the document.
    pub document: DocumentCheck,
    /// What was done about the figures.
    pub figures: FigureCheck,
}

/// Verifies a packet.
///
/// # Errors
/// Every [`Fault`] that can be told at the first stage that has one.
pub fn verify(bytes: &[u8]) -> Result<Verified, Vec<Fault>> {
    let entries = archive::read(bytes).map_err(|fault| vec![fault.into()])?;
    let (top, files) = unfold(entries)?;
    bag::check(&files).map_err(|faults| faults.into_iter().map(Fault::from).collect::<Vec<_>>())?;
    same_container(bytes, &top, &files).map_err(|fault| vec![fault])?;
    let data = finding(&files).map_err(|fault| vec![fault])?;
    let figures = figures(&data)?;
    let document = made_again(&data, &top, &files)?;
    let finding = files.get(FINDING).map(Vec::as_slice).unwrap_or_default();
    Ok(Verified {
        sha256: hex::encode(Sha256::digest(bytes)),
        data_sha256: hex::encode(Sha256::digest(finding)),
        files: files.keys().cloned().collect(),
        data,
        document,
        figures,
    })
}

/// The one folder of the zip file, and the files in it.
fn unfold(entries: Files) -> Result<(String, Files), Vec<Fault>> {
    let mut top = None;
    let mut files = Files::new();
    let mut faults = Vec::new();
    for (path, bytes) in entries {
        match path.split_once('/') {
            _ if !bag::is_safe(&path) => faults.push(BagFault::UnsafePath { path }.into()),
            Some((folder, rest)) if *top.get_or_insert_with(|| folder.to_owned()) == folder => {
                files.insert(rest.to_owned(), bytes);
            }
            Some(_) | None => faults.push(Fault::Folder { path }),
        }
    }
    if faults.is_empty() { Ok((top.unwrap_or_default(), files)) } else { Err(faults) }
}

/// The zip file written again from its own files must be the zip file.
fn same_container(bytes: &[u8], top: &str, files: &Files) -> Result<(), Fault> {
    let again = bag::zip(top, files).map_err(|_| Fault::Container { at: 0 })?;
    if again == bytes {
        return Ok(());
    }
    let differs = again.iter().zip(bytes).position(|(a, b)| a != b);
    Err(Fault::Container { at: differs.unwrap_or_else(|| again.len().min(bytes.len())) })
}

fn finding(files: &Files) -> Result<PacketData, Fault> {
    let bytes = files.get(FINDING).ok_or(Fault::NoFinding)?;
    let data = PacketData::from_bytes(bytes).map_err(|e| Fault::Unreadable(e.to_string()))?;
    data.check().map_err(Fault::Data)?;
    Ok(data)
}

fn figures(data: &PacketData) -> Result<FigureCheck, Vec<Fault>> {
    if data.engine != ENGINE_VERSION {
        return Ok(FigureCheck::OtherEngine { engine: data.engine.clone() });
    }
    let all = recompute(data);
    let wrong: Vec<Fault> = all.iter().filter(|figure| !figure.holds).cloned().map(Fault::Figure).collect();
    if wrong.is_empty() { Ok(FigureCheck::Computed(all)) } else { Err(wrong) }
}

/// Makes the packet again from its data, as far as the same version is here.
fn made_again(data: &PacketData, top: &str, files: &Files) -> Result<DocumentCheck, Vec<Fault>> {
    let mut payload = texts(data).map_err(|e| vec![Fault::Unreadable(e.to_string())])?;
    let made_by = bag::info(files, SOFTWARE).unwrap_or_default();
    let here = software();
    if made_by != here {
        // The wording of the other files may have changed since; these three are the data themselves.
        payload.retain(|path, _| [FINDING, MEASUREMENT, POLICY].contains(&path.as_str()));
        same_files(&payload, files)?;
        return Ok(DocumentCheck::HashOnly { made_by, here });
    }
    if top != folder(data) {
        return Err(vec![Fault::NotFromData { path: top.to_owned() }]);
    }
    same_files(&payload, files)?;
    let foreign =
        |path: &&String| path.starts_with("data/") && *path != DOCUMENT && !payload.contains_key(*path);
    let foreign: Vec<Fault> =
        files.keys().filter(foreign).map(|path| Fault::NotFromData { path: path.clone() }).collect();
    if !foreign.is_empty() {
        return Err(foreign);
    }
    payload.insert(DOCUMENT.to_owned(), render(data).map_err(|e| vec![Fault::Document(e)])?);
    let bag = fill(data, payload);
    same_files(&bag, files)?;
    same_files(files, &bag)?;
    Ok(DocumentCheck::MadeAgain)
}

/// Every one of `files` is among the `others` and the same.
fn same_files(files: &Files, others: &Files) -> Result<(), Vec<Fault>> {
    let other = files.iter().filter(|(path, bytes)| others.get(*path) != Some(bytes));
    let faults: Vec<Fault> = other.map(|(path, _)| Fault::NotFromData { path: path.clone() }).collect();
    if faults.is_empty() { Ok(()) } else { Err(faults) }
}

//! Sealing: the files of a packet, their bag and their zip file, from the data alone.

use sha2::{Digest as _, Sha256};

use crate::bag::{self, Files};
use crate::caution::CAUTIONS;
use crate::data::{Flaw, PacketData};
use crate::document::{DocumentError, render, software};
use crate::view;

/// The paths of the payload.
pub(crate) const DOCUMENT: &str = "data/finding.pdf";
pub(crate) const FINDING: &str = "data/finding.json";
pub(crate) const MEASUREMENT: &str = "data/measurement.json";
pub(crate) const POLICY: &str = "data/policy.json";
const RECORD: &str = "data/record.txt";
const EXPLANATION: &str = "data/explanation.txt";
const README: &str = "data/README.txt";
/// The line of the bag's description that names what made it.
pub(crate) const SOFTWARE: &str = "Bag-Software-Agent";

/// The folder's name is cut to this many letters, half for the reference and half for the source: old unpackers
/// stop at paths of 255.
const NAME_PART_MAX: usize = 60;

/// A sealed packet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packet {
    /// A name for the file: letters, digits, hyphens, `.zip`.
    pub name: String,
    /// The file.
    pub bytes: Vec<u8>,
    /// SHA-256 of the file: what a receiver is told by another way than the file's own.
    pub sha256: String,
}

/// Why no packet came about.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// The data cannot be put into a packet.
    #[error("the finding cannot be put into a packet")]
    Data(#[from] Flaw),
    /// The document could not be set.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The data could not be written down.
    #[error("the finding cannot be written as JSON")]
    Json(#[from] serde_json::Error),
    /// The zip file could not be written.
    #[error("the packet cannot be written as a zip file")]
    Zip(#[from] zip::result::ZipError),
}

/// Seals a finding. The same data give the same bytes.
///
/// # Errors
/// [`SealError`].
pub fn seal(data: &PacketData) -> Result<Packet, SealError> {
    data.check()?;
    let mut payload = texts(data)?;
    payload.insert(DOCUMENT.to_owned(), render(data)?);
    let bytes = bag::zip(&folder(data), &fill(data, payload))?;
    let sha256 = hex::encode(Sha256::digest(&bytes));
    Ok(Packet { name: format!("{}.zip", folder(data)), bytes, sha256 })
}

/// The document alone with a name for its file; the same bytes as in the packet.
///
/// # Errors
/// [`SealError`].
pub fn document_of(data: &PacketData) -> Result<(String, Vec<u8>), SealError> {
    data.check()?;
    Ok((format!("{}.pdf", folder(data)), render(data)?))
}

/// The bag of a packet, from its payload.
pub(crate) fn fill(data: &PacketData, payload: Files) -> Files {
    let agent = software();
    let identifier = data.to_string();
    bag::fill(
        payload,
        &[
            (SOFTWARE, &agent),
            ("Bagging-Date", data.dated()),
            (
                "External-Description",
                "Evidence on one difference between a measured house and a public record",
            ),
            ("External-Identifier", &identifier),
            ("Source-Organization", &data.office),
        ],
    )
}

/// The payload without the document.
pub(crate) fn texts(data: &PacketData) -> Result<Files, serde_json::Error> {
    let mut files = Files::new();
    files.insert(FINDING.to_owned(), data.to_bytes()?);
    files.insert(MEASUREMENT.to_owned(), data.measurement.document.clone().into_bytes());
    files.insert(POLICY.to_owned(), data.policy.rule.clone().into_bytes());
    files.insert(RECORD.to_owned(), record(data).into_bytes());
    files.insert(EXPLANATION.to_owned(), explanation(data).into_bytes());
    files.insert(README.to_owned(), readme(data).into_bytes());
    Ok(files)
}

/// The folder in the zip file: reference and source in letters that every file system takes.
pub(crate) fn folder(data: &PacketData) -> String {
    let plain = |text: &str| {
        let words = text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty());
        let joined = words.collect::<Vec<_>>().join("-").to_ascii_lowercase();
        let cut: String = joined.chars().take(NAME_PART_MAX).collect();
        if cut.is_empty() { "x".to_owned() } else { cut }
    };
    format!("packet_{}_{}", plain(&data.property.reference), plain(&data.source.id))
}

/// The row as published. No table that a spreadsheet opens by itself: a published value may begin with `=`.
fn record(data: &PacketData) -> String {
    let (file, record) = (&data.source.file, &data.record);
    let heading = record.mended.as_ref().map_or_else(
        || "The row as published".to_owned(),
        |mended| format!("{}\n\nThe row as mended", view::mended_words(mended)),
    );
    let mut text = format!(
        "{heading}: each column, a tab, its value.\n\
         Columns that are not used read \"…\". In names and values \\t is a tab, \\n and \\r are line breaks, \\\\ is \\.\n\n\
         File: {}\nSHA-256 of the file: {}\nLine: {}\nFirst byte: {}\nLength in bytes: {}\nSHA-256 of the row: {}\n\n",
        escaped(&file.name),
        file.sha256,
        file.line,
        file.byte_start,
        file.byte_length,
        record.row_sha256
    );
    for field in &record.fields {
        text.push_str(&format!("{}\t{}\n", escaped(&field.header), escaped(&field.value)));
    }
    text
}

fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('\t', "\\t").replace('\n', "\\n").replace('\r', "\\r")
}

fn explanation(data: &PacketData) -> String {
    let mut text = format!("{data}: {}.\n\n", view::result(data));
    for (number, step) in (1..).zip(&data.explanation) {
        text.push_str(&format!("{number}. {}\n   {}\n   = {}\n", step.what, step.how, step.result));
    }
    text
}

fn readme(data: &PacketData) -> String {
    let row_is = if data.record.mended.is_some() { "as the office mended it" } else { "as published" };
    let cautions: String = CAUTIONS.iter().map(|caution| format!("- {caution}\n")).collect();
    format!(
        "Evidence on one finding: {data}.

What is in this folder
- finding.pdf: the document to read; finding.json and measurement.json are attached to it.
- finding.json: every figure of it, with what it was computed from.
- measurement.json: the measurement as it was taken in.
- record.txt: the row of the public record {row_is}.
- policy.json: the rule by which the difference was held to matter.
- explanation.txt: how the figures come about, step by step.

Before acting on this
{cautions}
How to check it
The folder above this one is a bag after RFC 8493. Any program that reads bags can validate it. By hand, in that folder:
    sha256sum --check manifest-sha256.txt tagmanifest-sha256.txt
This says whether a file was changed, not whether one was added. The whole check is
    crossfoot verify {}.zip
which also recomputes the figures and makes the packet again from finding.json. A packet says by itself only that it
belongs together. Who it is from is shown by the SHA-256 of the zip file, asked of the office by another way.
",
        folder(data)
    )
}

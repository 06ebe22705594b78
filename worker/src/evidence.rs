//! What goes into the evidence packet of a finding: both sides, the match, the judgement made again, the row as
//! published, and what happened.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::Range;

use crossfoot_audit::document;
use crossfoot_audit::judge::ENGINE_VERSION;
use crossfoot_audit::judge::policy::Rule;
use crossfoot_audit::judge::transition::State;
use crossfoot_audit::record::address::{Agreement, StreetAddress, agreement};
use crossfoot_packet::data::{self, PacketData, area_text, money_text};
use crossfoot_roll::original::{OriginalError, Quoted, quoted};
use crossfoot_roll::{PublishedError, PublishedField, published_row, published_row_of};
use crossfoot_store::mend::Mend;
use crossfoot_store::object::KeptFile;
use crossfoot_store::queue::{FindingEvent, FindingView, PairView};
use crossfoot_store::record::Record;
use crossfoot_store::source::Edition;
use crossfoot_store::{Store, StoreError};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::judging::{RejudgeError, Rejudged, rejudge};
use crate::original::{FileAgain, FromOriginal};
use crate::standards::Standards;

/// What stands for a value of a column that the layout does not read.
const MASKED: &str = "…";

/// Why there is no evidence on a finding.
#[derive(Debug, thiserror::Error)]
pub enum EvidenceError {
    /// The store fails, or there is no such thing.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The pair cannot be judged as it was.
    #[error("the pair cannot be judged any more: {0}")]
    Rejudge(RejudgeError),
    /// What it was judged from has changed since.
    #[error("the house or the record has changed since the finding was judged: reconcile first")]
    Overtaken,
    /// The row cannot be read again from the kept original.
    #[error("the row as published cannot be read again: {0}")]
    Published(#[from] PublishedError),
    /// The kept original cannot be opened again.
    #[error("the row as published cannot be read again: {0}")]
    Original(#[from] OriginalError),
}

impl From<FromOriginal> for EvidenceError {
    fn from(error: FromOriginal) -> EvidenceError {
        match error {
            FromOriginal::Store(error) => EvidenceError::Store(error),
            FromOriginal::Original(error) => EvidenceError::Original(error),
        }
    }
}

impl From<RejudgeError> for EvidenceError {
    fn from(error: RejudgeError) -> EvidenceError {
        match error {
            RejudgeError::Store(error) => EvidenceError::Store(error),
            RejudgeError::NotJudged(_) | RejudgeError::NoRecord | RejudgeError::Layout(_) => {
                EvidenceError::Rejudge(error)
            }
        }
    }
}

/// The data of the packet on a pair with a finding, frozen as they stand.
///
/// An office's notes and the names of its keys stay in the office: what was seen, and what was filed, goes in.
///
/// # Errors
/// [`EvidenceError`].
pub async fn evidence(
    store: &Store,
    standards: &Standards,
    office: &str,
    pair: &PairView,
    finding: &FindingView,
) -> Result<PacketData, EvidenceError> {
    let again = rejudge(store, standards, office, pair).await?;
    let compared = &again.judgement.comparison;
    if pair.measured != Some(compared.measured) || pair.recorded != compared.recorded {
        return Err(EvidenceError::Overtaken);
    }
    let source = store.source_by_number(pair.source_number).await?;
    let edition = store.edition(source.number, again.record.edition).await?;
    let document = store.measurement_document(office, &pair.property, pair.measurement_version).await?;
    let house = document::reread(&document).map_err(|_| EvidenceError::Overtaken)?;
    let standard = standards.named(office, &pair.standard).await?.ok_or(EvidenceError::Overtaken)?;
    let row = Row::read(store, &edition, &again.record).await?;
    let mended =
        store.mend(source.number, edition.number).await?.map(|mend| mended_data(&mend)).transpose()?;
    let policy = store.policy_of_version(office, pair.policy_version).await?;
    let history = store.finding_history(office, &finding.id).await?;
    Ok(PacketData {
        format: data::FORMAT.to_owned(),
        engine: ENGINE_VERSION.to_owned(),
        office: store.office_name(office).await?,
        property: data::Property {
            reference: pair.reference.clone(),
            parcel: pair.parcel.clone(),
            address: pair.address.clone(),
            jurisdiction: house.jurisdiction.clone().unwrap_or_default(),
        },
        source: source_data(pair, &edition, &row),
        matched: match_data(pair, &again.record),
        record: record_data(&again.record, &row, mended),
        measurement: data::Measurement {
            measured_on: house.measured_on.to_string(),
            version: small(pair.measurement_version),
            sha256: hex::encode(Sha256::digest(document.as_bytes())),
            document,
            permitted_use: house.permitted_use.clone().unwrap_or_default(),
        },
        statement: data::Statement::of(&standard.state(&house.house)),
        standard: (&standard).into(),
        comparison: (&again.judgement).into(),
        explanation: steps(&again),
        effect: again.judgement.effect.map(|effect| data::Effect {
            low: money_text(effect.low),
            high: money_text(effect.high),
            assumption: assumption(&again.rule),
        }),
        policy: data::Policy {
            version: small(pair.policy_version),
            name: policy.policy.name.clone(),
            rule_number: small(i64::try_from(again.judgement.rule).unwrap_or(0).saturating_add(1)),
            rule: serde_json::to_string_pretty(&again.rule).map_err(|e| damaged("rule of a policy", &e))?,
        },
        finding: data::Finding {
            kind: again.judgement.kind,
            state: State::from_name(&finding.state).ok_or_else(|| damaged("state", &finding.state))?,
            closing: finding.closing.clone(),
        },
        history: history.iter().map(event_data).collect::<Result<_, _>>()?,
    })
}

fn damaged(what: &'static str, why: &impl ToString) -> StoreError {
    StoreError::Damaged { what, why: why.to_string() }
}

/// Versions and numbers of the store start from 1 and stay small.
fn small(number: i64) -> u32 {
    u32::try_from(number).unwrap_or_default()
}

fn far(number: i64) -> u64 {
    u64::try_from(number).unwrap_or_default()
}

/// The row of a record in the kept original.
struct Row {
    fields: Vec<PublishedField>,
    sha256: String,
    place: data::SourceFile,
}

impl Row {
    /// The record's own row; of one that was put together the other rows too, each column told with its file and line.
    async fn read(store: &Store, edition: &Edition, record: &Record) -> Result<Row, EvidenceError> {
        let file = usize::try_from(record.file).ok().and_then(|place| edition.files.get(place));
        let file = file.ok_or_else(|| damaged("file of a record", &record.file))?;
        let (start, length) = (far(record.byte_start), far(record.byte_length));
        let (name, fields, sha256) = if edition.layout.assembles() {
            assembled_fields(store, edition, record).await?
        } else {
            let row = start..start.saturating_add(length);
            match quote(store, file, edition, row).await? {
                Quoted::AsReceived { head_end } => {
                    let head = store.object_range(&file.object_key, 0, head_end).await?;
                    let bytes = store.object_range(&file.object_key, start, length).await?;
                    let fields = published_row(&edition.layout, &head, &bytes)?;
                    (file.name.clone(), fields, hex::encode(Sha256::digest(&bytes)))
                }
                Quoted::Unpacked { head, row, within, layout } => {
                    let fields = published_row(&layout, &head, &row)?;
                    let name = unpacked_name(&file.name, within.as_deref());
                    (name, fields, hex::encode(Sha256::digest(&row)))
                }
            }
        };
        let place = data::SourceFile {
            name,
            sha256: file.sha256.clone(),
            line: far(record.line),
            byte_start: start,
            byte_length: length,
        };
        Ok(Row { fields, sha256, place })
    }
}

/// Further rows of a record that a packet quotes; a house has a dozen.
const ROWS_QUOTED: usize = 200;

/// A row of an edition: its file, its line and its bytes.
type RowAt = (i64, u64, Range<u64>);

/// The name of the file of a record's first row, the columns of all its rows, and the hash of the bytes of the first.
async fn assembled_fields(
    store: &Store,
    edition: &Edition,
    record: &Record,
) -> Result<(String, Vec<PublishedField>, String), EvidenceError> {
    let range = |start: u64, length: u64| start..start.saturating_add(length);
    let first = range(far(record.byte_start), far(record.byte_length));
    let mut rows: Vec<RowAt> = vec![(record.file, far(record.line), first)];
    rows.extend(
        record
            .rows()
            .into_iter()
            .skip(1)
            .take(ROWS_QUOTED)
            .map(|row| (i64::from(row.file), row.line, range(row.byte_start, u64::from(row.byte_length)))),
    );
    let mut files: BTreeMap<i64, FileAgain> = BTreeMap::new();
    let (mut fields, mut told, mut sha256) = (Vec::new(), String::new(), String::new());
    for (place, (file, line, row)) in rows.iter().enumerate() {
        let kept = usize::try_from(*file).ok().and_then(|place| edition.files.get(place));
        let kept = kept.ok_or_else(|| damaged("file of a record", file))?;
        let again = match files.entry(*file) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => {
                let of_file = rows.iter().filter(|(other, _, _)| other == file);
                let of_file = of_file.map(|(_, _, row)| row.clone()).collect();
                new.insert(FileAgain::open(store, kept, &edition.layout, of_file).await?)
            }
        };
        let bytes = again.row(store, kept, row.clone()).await?;
        let columns = published_row_of(&again.layout, &again.name, &again.head, &bytes)?;
        if place == 0 {
            told = file_name(kept, again);
            sha256 = hex::encode(Sha256::digest(&bytes));
            fields = columns;
        } else {
            let name = file_name(kept, again);
            fields.extend(columns.into_iter().map(|field| PublishedField {
                header: format!("{name}, line {line}: {}", field.header),
                ..field
            }));
        }
    }
    Ok((told, fields, sha256))
}

/// What a file is called where its lines and bytes are told.
fn file_name(kept: &KeptFile, again: &FileAgain) -> String {
    if again.is_packed() { unpacked_name(&kept.name, again.within.as_deref()) } else { kept.name.clone() }
}

/// Finds a row in the kept original, which is unpacked up to it where it is packed.
async fn quote(
    store: &Store,
    file: &KeptFile,
    edition: &Edition,
    row: Range<u64>,
) -> Result<Quoted, EvidenceError> {
    let original = Box::new(store.object_open(&file.object_key).await?);
    let (name, layout, scratch) = (file.name.clone(), edition.layout.clone(), store.scratch());
    let read = tokio::task::spawn_blocking(move || quoted(original, &name, &layout, &scratch, row));
    Ok(read.await.map_err(|e| damaged("header", &e))??)
}

/// What a packed file is called where its lines and bytes are told: they count in the text that comes out of it.
fn unpacked_name(file: &str, within: Option<&str>) -> String {
    match within {
        Some(within) => format!("{within} in {file}, lines and bytes as unpacked"),
        None => format!("{file}, lines and bytes as unpacked"),
    }
}

fn source_data(pair: &PairView, edition: &Edition, row: &Row) -> data::Source {
    let layout = &edition.layout;
    let mut status = edition.status.clone();
    if pair.edition > edition.number {
        status = format!("{status}; unchanged through edition {}", pair.edition);
    }
    data::Source {
        id: pair.source.clone(),
        title: if layout.title.is_empty() { pair.source.clone() } else { layout.title.clone() },
        publisher: layout.publisher.clone(),
        citation: layout.citation.clone(),
        jurisdiction: layout.jurisdiction.clone(),
        basis: layout.basis.clone(),
        roll_year: edition.roll_year.map(|year| year.to_string()).unwrap_or_default(),
        status,
        edition: small(edition.number),
        file: row.place.clone(),
    }
}

fn match_data(pair: &PairView, record: &Record) -> data::Match {
    let addresses =
        match agreement(&StreetAddress::parse(&pair.address), &StreetAddress::parse(&record.situs)) {
            Agreement::Agree => "house number and street agree".to_owned(),
            Agreement::Unknown => "the addresses say too little to agree or disagree".to_owned(),
            Agreement::Disagree(why) => format!("the addresses disagree ({why})"),
        };
    let settled =
        if pair.match_state == "settled" { "; a person settled that they are one property" } else { "" };
    data::Match {
        how: format!("the parcel number; {addresses}{settled}"),
        state: pair.match_state.clone(),
        measured_address: pair.address.clone(),
        recorded_address: record.situs.clone(),
    }
}

fn record_data(record: &Record, row: &Row, mended: Option<data::Mended>) -> data::Record {
    let field = |field: &PublishedField| data::Field {
        header: field.header.clone(),
        value: if field.mapped { field.value.clone() } else { MASKED.to_owned() },
    };
    data::Record {
        parcel: record.parcel_raw.clone(),
        parcel_key: record.parcel_key.clone(),
        situs: record.situs.clone(),
        area_sqft: record.area.map(area_text),
        value: record.value.map(money_text),
        year_built: record.year_built.map(|year| year.to_string()).unwrap_or_default(),
        class: record.class.clone(),
        fields: row.fields.iter().map(field).collect(),
        row_sha256: row.sha256.clone(),
        mended,
    }
}

fn mended_data(mend: &Mend) -> Result<data::Mended, StoreError> {
    let at = jiff::Timestamp::from_microsecond(mend.mended_at).map_err(|e| damaged("time of a mend", &e))?;
    Ok(data::Mended {
        edition: small(mend.mends),
        by: mend.mended_by.clone(),
        at: format!("{at:.0}"),
        why: mend.reason.clone(),
    })
}

fn steps(again: &Rejudged) -> Vec<data::Step> {
    use crossfoot_audit::judge::explain::explain;
    explain(&again.judgement, &again.measured, &again.recorded, &again.rule)
        .into_iter()
        .map(data::Step::from)
        .collect()
}

fn assumption(rule: &Rule) -> String {
    format!(
        "value follows area with an elasticity between {} and {}",
        rule.elasticity_low, rule.elasticity_high
    )
}

fn event_data(event: &FindingEvent) -> Result<data::Event, StoreError> {
    let at = jiff::Timestamp::from_microsecond(event.at).map_err(|e| damaged("time of an event", &e))?;
    Ok(data::Event {
        at: format!("{at:.0}"),
        what: event.what.clone(),
        state: event.state.clone(),
        why: why(&event.detail),
    })
}

/// What was seen and filed with a decision, or why a run moved the finding.
fn why(detail: &str) -> Option<String> {
    let detail: Value = serde_json::from_str(detail).ok()?;
    if let Some(why) = detail.get("why").and_then(Value::as_str) {
        return Some(why.replace('_', " "));
    }
    let decision = detail.get("decision")?;
    let said = ["seen", "filed_on", "case_number", "hearing_on", "outcome"].into_iter().filter_map(|name| {
        let text = decision.get(name)?.as_str()?;
        Some(format!("{}: {text}", name.replace('_', " ")))
    });
    let said = said.collect::<Vec<_>>().join("; ");
    (!said.is_empty()).then_some(said)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_and_names_stay_in_the_office() {
        let detail = r#"{"by": "k1", "label": "Jo", "decision": {"seen": "the sketch lacks the loft", "note": "call Ann",
            "filed_on": "2026-11-25", "case_number": null}}"#;
        assert_eq!(why(detail).unwrap(), "seen: the sketch lacks the loft; filed on: 2026-11-25");
        assert_eq!(why(r#"{"decision": {"note": "call Ann"}}"#), None);
        assert_eq!(why(r#"{"why": "no_longer_material"}"#).unwrap(), "no longer material");
        assert_eq!(why("{}"), None);
    }
}

//! The layouts that come with the program, each on files with its publisher's columns, against a reading by pandas that
//! knows nothing of the layouts (`tests/oracle/published_read.py`).

use crate::account::check_file;
use crossfoot_roll::assemble::{Assembled, AssembledBatch, NamedFile, Totals};
use crossfoot_roll::check::{DoublesCheck, RollChecker, remarks};
use crossfoot_roll::entry::{Entry, Reason, Reject};
use crossfoot_roll::layout::{Layout, shipped};
use crossfoot_roll::record_view::{NamedValue, StoredRecord, record_rows, record_view};
use crossfoot_testbed::{python, repository};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

fn fixtures(id: &str) -> PathBuf {
    repository().join("fixtures/published").join(id)
}

/// The files of a fixture by name.
pub(crate) fn files(id: &str) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> = std::fs::read_dir(fixtures(id))
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), std::fs::read(entry.path()).unwrap()))
        .collect();
    files.sort();
    files
}

pub(crate) fn open(files: &[(String, Vec<u8>)]) -> Vec<NamedFile> {
    files
        .iter()
        .map(|(name, bytes)| (name.clone(), Box::new(std::io::Cursor::new(bytes.clone())) as Box<_>))
        .collect()
}

/// All records and all rows set aside.
pub(crate) struct Read {
    pub(crate) entries: Vec<(u16, Entry)>,
    pub(crate) rejects: Vec<(u16, Reject)>,
    pub(crate) totals: Totals,
}

pub(crate) fn read(files: &[(String, Vec<u8>)], layout: &Layout, sort_bytes: usize) -> Read {
    let temp = tempfile::tempdir().unwrap();
    let mut assembled = Assembled::open_within(open(files), layout, temp.path(), sort_bytes).unwrap();
    let (mut entries, mut rejects) = (Vec::new(), Vec::new());
    let mut batch = AssembledBatch::default();
    while assembled.next_batch(&mut batch, 7).unwrap() {
        entries.append(&mut batch.entries);
        rejects.append(&mut batch.rejects);
    }
    let (summaries, totals) = assembled.finish().unwrap();
    for (summary, (name, bytes)) in summaries.iter().zip(files) {
        check_file(&summary.summary, bytes, name);
    }
    let rows: u64 = summaries.iter().map(|file| file.summary.rows_total).sum();
    let rejected: u64 = rejects.len() as u64;
    assert_eq!(totals.records, entries.len() as u64);
    let of_reading: u64 = summaries.iter().map(|file| file.summary.rejects_total()).sum();
    assert_eq!(of_reading + totals.rejects.values().sum::<u64>(), rejected);
    assert!(rows >= totals.records);
    Read { entries, rejects, totals }
}

fn expected() -> &'static Value {
    static EXPECTED: OnceLock<Value> = OnceLock::new();
    EXPECTED.get_or_init(|| {
        let mut command = Command::new(python());
        command.arg(repository().join("tests/oracle/published_read.py"));
        let output = command.arg(repository().join("fixtures/published")).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    })
}

fn shortest(figure: String) -> String {
    figure.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// What a record says, in the oracle's form.
fn told(layout: &Layout, file: u16, entry: &Entry) -> Value {
    let field = &layout.record.as_ref().unwrap().area.as_ref().unwrap().field;
    let view = record_view(layout, &StoredRecord::of(file, entry));
    let mut buildings: BTreeMap<String, Value> = BTreeMap::new();
    for value in &view {
        if let Some(building) = &value.building {
            let area = buildings.entry(building.clone()).or_insert(Value::Null);
            if &value.name == field {
                *area = json!(value.text);
            }
        }
    }
    json!({
        "situs": entry.situs,
        "area": entry.area.map(|area| shortest(area.to_square_feet(6))),
        "value": entry.value.map(|value| shortest(format!("{}.{:02}", value.cents() / 100, value.cents() % 100))),
        "year": entry.year_built,
        "class": entry.class,
        "buildings": buildings,
    })
}

#[test]
fn every_published_layout_reads_what_an_independent_reading_reads() {
    let expected = expected();
    let ids: Vec<&str> = shipped().iter().map(|shipped| shipped.layout.id.as_str()).collect();
    assert!(ids.len() >= 8);
    assert_eq!(expected.as_object().unwrap().len(), ids.len(), "a source is read by one side only");
    for id in ids {
        let layout = Layout::shipped(id).unwrap();
        let (theirs, files) = (&expected[id], files(id));
        let ours = read(&files, layout, 1 << 20);
        let mut records = BTreeMap::new();
        for (file, entry) in &ours.entries {
            assert!(records.insert(entry.parcel_key.clone(), told(layout, *file, entry)).is_none());
        }
        let mut theirs_records: BTreeMap<String, Value> =
            serde_json::from_value(theirs["records"].clone()).unwrap();
        for (key, record) in &mut theirs_records {
            if record["buildings"].is_null() {
                // two rows contradict each other: which one stays is not told by the oracle
                record["buildings"] = records[key]["buildings"].clone();
            }
        }
        assert!(records.len() >= 15, "{id}: {} records", records.len());
        for (key, record) in &theirs_records {
            assert_eq!(records.get(key), Some(record), "{id}, parcel {key}");
        }
        assert_eq!(records.len(), theirs_records.len(), "{id}");
        let mut rejects: BTreeMap<&str, u64> = BTreeMap::new();
        for (_, reject) in &ours.rejects {
            *rejects.entry(reject.reason.name()).or_default() += 1;
        }
        assert_eq!(json!(rejects), theirs["rejects"], "{id}: {:#?}", ours.rejects);
        assert_eq!(json!(ours.totals.repeated), theirs["repeated"], "{id}");
    }
}

/// Every value says where it comes from, and stands there.
#[test]
fn every_value_knows_its_column_its_row_and_its_file() {
    for shipped in shipped() {
        let layout = &shipped.layout;
        let files = files(&layout.id);
        let read = read(&files, layout, 1 << 20);
        let mut looked_at = 0;
        let heads: Vec<&[u8]> = files
            .iter()
            .map(|(name, bytes)| {
                let source = Box::new(std::io::Cursor::new(bytes.clone()));
                let head = crossfoot_roll::head_length(layout, name, source).unwrap();
                &bytes[..usize::try_from(head).unwrap()]
            })
            .collect();
        for (file, entry) in read.entries.iter().take(8) {
            let stored = StoredRecord::of(*file, entry);
            let rows = record_rows(&stored);
            assert_eq!((rows[0].file, rows[0].line), (*file, entry.line));
            for row in &rows {
                let bytes = &files[usize::from(row.file)].1;
                let start = usize::try_from(row.byte_start).unwrap();
                let line = bytes[..start].iter().filter(|byte| **byte == b'\n').count() as u64 + 1;
                assert_eq!(line, row.line, "{}", layout.id);
            }
            for value in record_view(layout, &stored) {
                assert!(!value.rows.is_empty() && !value.column.is_empty(), "{value:?}");
                looked_at += usize::from(stands_there(layout, &files, &heads, &value));
            }
        }
        assert!(looked_at > 30, "{}: {looked_at}", layout.id);
    }
}

/// Whether a value that is one column's text as it is was looked up in its row, and found.
fn stands_there(layout: &Layout, files: &[(String, Vec<u8>)], heads: &[&[u8]], value: &NamedValue) -> bool {
    let Some((table, field)) =
        layout.fields().find(|(table, field)| table.name == value.table && field.name == value.name)
    else {
        return false;
    };
    let part = &field.from.0[0];
    let plain =
        field.from.0.len() == 1 && part.lookup.is_empty() && part.slice.is_none() && part.pad_left == 0;
    let [row] = value.rows.as_slice() else { return false };
    if !plain || part.trim_zeros || field.scale.is_some() || field.thousands.is_some() || part.upper {
        return false;
    }
    let (name, bytes) = &files[usize::from(row.file)];
    let (start, length) = (row.byte_start as usize, row.byte_length as usize);
    let head = heads[usize::from(row.file)];
    let fields = crossfoot_roll::published_row_of(layout, name, head, &bytes[start..start + length]).unwrap();
    let column = fields.iter().find(|found| found.header.eq_ignore_ascii_case(&value.column)).unwrap();
    assert!(column.mapped, "{}", table.name);
    let same = column.value.trim() == value.text
        || column.value.trim().parse::<f64>().ok() == value.text.parse::<f64>().ok()
        || field.kind == crossfoot_roll::layout::ValueKind::Date;
    assert!(same, "{} in {name}, line {}: {:?}", value.text, row.line, column.value);
    true
}

#[test]
fn owners_never_leave_the_reader() {
    for shipped in shipped() {
        let files = files(&shipped.layout.id);
        let read = read(&files, &shipped.layout, 1 << 20);
        for (_, entry) in &read.entries {
            assert!(!format!("{entry:?}").contains("OWNER LEFT OUT"), "{}", shipped.layout.id);
        }
        for (_, reject) in &read.rejects {
            assert!(!reject.detail.contains("OWNER LEFT OUT"), "{}", shipped.layout.id);
        }
    }
}

#[test]
fn an_identity_fails_where_a_figure_is_off() {
    // One house of the fixture has a total of ten square feet more than its floors make.
    let layout = Layout::shipped("us-wa-033-king").unwrap();
    let read = read(&files("us-wa-033-king"), layout, 1 << 20);
    let (mut checked, mut failed) = (0, Vec::new());
    for (file, entry) in &read.entries {
        let view = record_view(layout, &StoredRecord::of(*file, entry));
        let (held, failures) = crossfoot_roll::identity::identity_failures(layout, &view);
        checked += held.len();
        failed.extend(failures.into_iter().map(|failure| (entry.parcel_key.clone(), failure)));
    }
    assert!(checked > 20, "{checked}");
    let [(key, failure)] = failed.as_slice() else { panic!("{failed:?}") };
    assert_eq!((key.as_str(), failure.identity, failure.building.as_deref()), ("0925030010", 0, Some("1")));
    assert_eq!((failure.left - failure.right).to_string(), "10");

    // the check of the roll counts the same, takes it off again, and names it for people
    let mut checker = RollChecker::new(layout);
    read.entries.iter().for_each(|(file, entry)| checker.record(layout, &StoredRecord::of(*file, entry), 1));
    let check = checker.finish();
    let [(name, identity)] = check.identities.iter().collect::<Vec<_>>()[..] else { panic!("{check:?}") };
    assert_eq!((identity.checked, identity.failed), (checked as i64, 1));
    assert_eq!(name.split(" = ").next(), Some("living_area"));
    let told = remarks(&check, &DoublesCheck::default(), layout);
    assert!(
        told.iter().any(|remark| remark.sentence.contains(&format!("{name} does not hold in 1 of"))),
        "{told:?}"
    );
    let mut checker = RollChecker::resume(layout, check);
    read.entries.iter().for_each(|(file, entry)| checker.record(layout, &StoredRecord::of(*file, entry), -1));
    assert_eq!(checker.finish().identities.len(), 0);
}

#[test]
fn a_row_set_aside_says_both_lines_and_a_part_of_a_total_is_no_total() {
    let layout = Layout::shipped("us-tx-201-harris").unwrap();
    let read = read(&files("us-tx-201-harris"), layout, 1 << 20);
    let broken = read.entries.iter().find(|(_, entry)| entry.parcel_key == "0021440000004").unwrap();
    assert_eq!(broken.1.area, None, "one of its two buildings was set aside");
    let orphans = read.rejects.iter().filter(|(_, reject)| reject.reason == Reason::OrphanRow).count();
    assert_eq!(orphans, 3);
    let denver = Layout::shipped("us-co-031-denver").unwrap();
    let read = self::read(&files("us-co-031-denver"), denver, 1 << 20);
    let twice = read.rejects.iter().find(|(_, reject)| reject.reason == Reason::DuplicateParcel).unwrap();
    assert_eq!(
        twice.1.detail,
        "parcel 02292-27-051-000, building 2 stands on line 14 already, with other figures: this row on line 26 is set \
         aside; ask the publisher which is right, or name the column that tells the rows apart"
    );
}

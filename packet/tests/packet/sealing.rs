//! The same data give the same packet, and a packet gives its data back.

use crossfoot_audit::judge::transition::State;
use crossfoot_packet::data::{Event, PacketData};
use crossfoot_packet::{DocumentCheck, FigureCheck, SealError, seal, verify};

use serde_json::Value;

use super::sample::{no_area, recorded_vacant, sha256, variance};

#[test]
fn the_same_finding_gives_the_same_bytes() {
    let (once, again) = (seal(&variance()).unwrap(), seal(&variance()).unwrap());
    assert_eq!(once, again);
    assert_eq!(once.name, "packet_dao-001_basalt-county-roll.zip");
    assert_eq!(once.sha256, sha256(&once.bytes));
}

/// A finding as it was written down under version 1 of the form. Never changed: it must go on being read.
const FROZEN: &[u8] = include_bytes!("finding-1.json");

/// Bytes may change only together with `DOCUMENT_VERSION`: verifying makes old packets again under the same version.
#[test]
fn the_bytes_change_only_with_the_version_of_the_document() {
    let known = [
        ("1 (typst 0.15.1)", "86f74a4d48378abd3e5c1b687f0521326a061bae4aaa4b4950913e9d9821ee34"),
        ("2 (typst 0.15.1)", "d0c081edd01a12e315fabaccf938eacb31c47ec636b0bbef0e981c813a270028"),
    ];
    let data = PacketData::from_bytes(FROZEN).unwrap();
    assert_eq!(data.to_bytes().unwrap(), FROZEN);
    let found = seal(&data).unwrap().sha256;
    let software = crossfoot_packet::document::software();
    let version = software.strip_prefix("crossfoot-packet ").unwrap();
    let pinned = known.iter().find(|(known, _)| *known == version).map(|(_, hash)| *hash);
    assert_eq!(
        pinned,
        Some(found.as_str()),
        "{version}: raise DOCUMENT_VERSION where it is known, and add the hash"
    );
}

#[test]
fn data_read_back_as_they_were_written() {
    for data in [variance(), no_area(), recorded_vacant()] {
        let bytes = data.to_bytes().unwrap();
        let again = PacketData::from_bytes(&bytes).unwrap();
        assert_eq!(again, data);
        assert_eq!(again.to_bytes().unwrap(), bytes);
    }
}

#[test]
fn a_field_that_is_not_of_the_form_is_refused() {
    let text = String::from_utf8(variance().to_bytes().unwrap()).unwrap();
    let more = text.replacen("\"office\"", "\"database_id\": 7,\n  \"office\"", 1);
    let error = PacketData::from_bytes(more.as_bytes()).unwrap_err().to_string();
    assert!(error.contains("database_id"), "{error}");
}

#[test]
fn the_form_of_the_data_is_as_agreed() {
    let value: Value = serde_json::from_slice(&variance().to_bytes().unwrap()).unwrap();
    let mut paths = Vec::new();
    collect("", &value, &mut paths);
    paths.dedup();
    assert_eq!(paths.join("\n"), include_str!("form.txt").trim_end(), "the form has changed: raise FORMAT");
}

/// Every path of a document; the entries of a list under one name.
fn collect(path: &str, value: &Value, paths: &mut Vec<String>) {
    match value {
        Value::Object(map) => {
            for (key, value) in map {
                collect(&format!("{path}/{key}"), value, paths);
            }
        }
        Value::Array(list) => {
            if let Some(first) = list.first() {
                collect(&format!("{path}[]"), first, paths);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => paths.push(path.to_owned()),
    }
}

#[test]
fn a_packet_verifies_with_its_figures_computed_again() {
    for data in [variance(), no_area(), recorded_vacant()] {
        let verified = verify(&seal(&data).unwrap().bytes).unwrap();
        assert_eq!(verified.document, DocumentCheck::MadeAgain);
        assert_eq!(verified.data_sha256, sha256(&data.to_bytes().unwrap()));
        let FigureCheck::Computed(figures) = &verified.figures else { panic!("{:?}", verified.figures) };
        let has = |what: &str| figures.iter().any(|figure| figure.what.contains(what));
        for what in
            ["sum of the counted parts", "parts of the measurement", "difference", "threshold", "probability"]
        {
            assert!(has(what), "{what}");
        }
        assert_eq!(verified.data, data);
        assert_eq!(verified.files.len(), 11);
    }
}

#[test]
fn data_that_make_no_packet_are_refused_by_field() {
    let check = |field: &str, change: &dyn Fn(&mut PacketData)| {
        let mut data = variance();
        change(&mut data);
        match seal(&data) {
            Err(SealError::Data(flaw)) => assert_eq!(flaw.field, field, "{flaw}"),
            other => panic!("{field}: {other:?}"),
        }
    };
    check("format", &|data| data.format = "2".to_owned());
    check("history", &|data| data.history.clear());
    check("history.at", &|data| data.history[0].at = "2026-11-25T16:44:38+01:00".to_owned());
    check("statement.lines.area_sqft", &|data| data.statement.lines[0].area_sqft = "1e3".to_owned());
    check("statement.total_sqft", &|data| data.statement.total_sqft = "12 97".to_owned());
    check("comparison", &|data| data.comparison.variance_ppm = None);
    check("comparison.sigma_sqft", &|data| data.comparison.sigma_sqft = "NaN".to_owned());
    check("comparison.sigma_recorded_sqft", &|data| data.comparison.sigma_recorded_sqft = "-1".to_owned());
    check("comparison.exceedance_ppm", &|data| data.comparison.exceedance_ppm = 1_000_001);
    check("record.value", &|data| data.record.value = Some("$1".to_owned()));
    check("record.row_sha256", &|data| data.record.row_sha256 = "AB".repeat(32));
    check("measurement.sha256", &|data| data.measurement.document.push(' '));
    check("measurement.document", &|data| data.measurement.document = "{".to_owned());
    check("policy.rule", &|data| data.policy.rule = "{\"percnt\": 5}".to_owned());
    check("property.reference", &|data| data.property.reference = " ".to_owned());
    let rows = |data: &mut PacketData| data.history = vec![data.history[0].clone(); 1_001];
    check("history", &rows);
    check("office", &|data| data.office = "x".repeat(8 * 1024 + 1));
    let shown = |data: &mut PacketData| {
        let long = Event { why: Some("x".repeat(8 * 1024)), ..data.history[0].clone() };
        data.history = vec![long; 32];
    };
    check("format", &shown);
    check("format", &|data| data.measurement.document = format!("\"{}\"", "x".repeat(4 << 20)));
}

#[test]
fn the_date_is_that_of_the_newest_event_wherever_it_stands() {
    let mut data = variance();
    data.history.reverse();
    assert_eq!(data.dated(), "2026-11-26");
    data.finding.state = State::Closed;
    data.finding.closing = Some("no_longer_material".to_owned());
    assert!(verify(&seal(&data).unwrap().bytes).is_ok());
}

//! Findings of the invented county, judged as the program judges them.

use std::fs;

use crossfoot_audit::area::Area;
use crossfoot_audit::document::reread;
use crossfoot_audit::judge::explain::explain;
use crossfoot_audit::judge::policy::{Policy as Rules, Scope};
use crossfoot_audit::judge::transition::State;
use crossfoot_audit::judge::{ENGINE_VERSION, Measured, Recorded, judge};
use crossfoot_audit::money::Money;
use crossfoot_audit::standard::Standard as Definition;
use crossfoot_packet::data::{
    Effect, Event, FORMAT, Field, Finding, Match, Measurement, PacketData, Policy, Property, Record, Source,
    SourceFile, Statement, area_text,
};
use crossfoot_testbed::repository;
use sha2::{Digest as _, Sha256};

/// A variance: DAO-001, 1,297.8 sq ft measured, 912 recorded.
pub(super) fn variance() -> PacketData {
    of_demo("DAO-001", Money::parse("216000").ok())
}

/// The same house, judged by an office's own definition in its second version.
pub(super) fn by_own(definition: &str) -> PacketData {
    let definition = Definition::from_toml(definition).unwrap();
    let definition = Definition { id: format!("{}@2", definition.id), ..definition };
    stated_by(&definition, "DAO-001", Money::parse("216000").ok())
}

/// DAO-034, whose row has no area.
pub(super) fn no_area() -> PacketData {
    of_demo("DAO-034", Money::parse("191200").ok())
}

/// DAO-017, whose row is of a class without a building.
pub(super) fn recorded_vacant() -> PacketData {
    of_demo("DAO-017", Money::parse("63500").ok())
}

pub(super) fn sha256(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

/// The row of a parcel in the county's file.
struct Row {
    fields: Vec<Field>,
    file: SourceFile,
    sha256: String,
}

impl Row {
    fn of(parcel: &str) -> Row {
        let text = fs::read_to_string(repository().join("fixtures/demo/county-roll.csv")).unwrap();
        let start = text.find(&format!("\n{parcel},")).unwrap() + 1;
        let row = text[start..].lines().next().unwrap();
        let record = |line: &str| {
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(line.as_bytes());
            reader.records().next().unwrap().unwrap()
        };
        let (headers, values) = (record(text.lines().next().unwrap()), record(row));
        let masked = ["LEGAL", "LAND_VALUE", "IMPR_VALUE"];
        let value = |header: &str, value: &str| if masked.contains(&header) { "…" } else { value }.to_owned();
        let fields =
            headers.iter().zip(&values).map(|(h, v)| Field { header: h.to_owned(), value: value(h, v) });
        Row {
            fields: fields.collect(),
            file: SourceFile {
                name: "county-roll.csv".to_owned(),
                sha256: sha256(text.as_bytes()),
                line: text[..start].lines().count() as u64 + 1,
                byte_start: start as u64,
                byte_length: row.len() as u64,
            },
            sha256: sha256(row.as_bytes()),
        }
    }

    fn get(&self, header: &str) -> String {
        self.fields.iter().find(|field| field.header == header).unwrap().value.clone()
    }
}

fn document_of(reference: &str) -> String {
    let text = fs::read_to_string(repository().join("fixtures/demo/houses.json")).unwrap();
    let houses: serde_json::Value = serde_json::from_str(&text).unwrap();
    let houses = houses.as_array().or_else(|| houses["houses"].as_array()).unwrap();
    let house = houses.iter().find(|house| house["reference"] == reference).unwrap();
    serde_json::to_string_pretty(house).unwrap()
}

fn of_demo(reference: &str, value: Option<Money>) -> PacketData {
    let standards = Definition::built_in().unwrap();
    let standard = standards.into_iter().find(|standard| standard.id == "finished-above-grade").unwrap();
    stated_by(&standard, reference, value)
}

fn stated_by(standard: &Definition, reference: &str, value: Option<Money>) -> PacketData {
    let document = document_of(reference);
    let house = reread(&document).unwrap();
    let statement = standard.state(&house.house);
    let row = Row::of(&house.parcel);
    let measured = Measured { area: statement.total, spread: statement.spread };
    let class = row.get("CLASS");
    let recorded = Recorded {
        area: Area::parse_square_feet(&row.get("FIN_AREA")).ok(),
        rounding_sqft: 1.0,
        value,
        vacant: class == "100",
        class: class.clone(),
    };
    let rules = Rules::from_toml(include_str!("../../../fixtures/demo/policy.toml")).unwrap();
    let scope = Scope { jurisdiction: "basalt-county", class: &class, source: "basalt-county-roll" };
    let judgement = judge(&measured, &recorded, &rules, &scope).unwrap();
    let rule = &rules.rule[judgement.rule];
    let steps = explain(&judgement, &measured, &recorded, rule).into_iter().map(Into::into);
    let address = house.address.clone().unwrap();
    PacketData {
        format: FORMAT.to_owned(),
        engine: ENGINE_VERSION.to_owned(),
        office: "Demonstration Appraisal Office".to_owned(),
        property: Property {
            reference: house.reference.clone(),
            parcel: house.parcel.clone(),
            address: address.clone(),
            jurisdiction: house.jurisdiction.clone().unwrap(),
        },
        source: source(row.file.clone()),
        matched: Match {
            how: "the parcel number; house number and street agree".to_owned(),
            state: "sure".to_owned(),
            measured_address: address,
            recorded_address: format!(
                "{} {}, {}",
                row.get("SITUS_NO"),
                row.get("SITUS_STREET"),
                row.get("TOWN")
            ),
        },
        record: record(&row, &recorded),
        measurement: Measurement {
            measured_on: house.measured_on.to_string(),
            version: 1,
            sha256: sha256(document.as_bytes()),
            document,
            permitted_use: house.permitted_use.clone().unwrap_or_default(),
        },
        statement: Statement::of(&statement),
        standard: standard.into(),
        comparison: (&judgement).into(),
        explanation: steps.collect(),
        effect: judgement.effect.map(|effect| Effect {
            low: effect.low.to_text(),
            high: effect.high.to_text(),
            assumption: "value follows area with an elasticity between 0.4 and 1".to_owned(),
        }),
        policy: Policy {
            version: 1,
            name: rules.name.clone(),
            rule_number: 1,
            rule: serde_json::to_string_pretty(rule).unwrap(),
        },
        finding: Finding { kind: judgement.kind, state: State::Confirmed, closing: None },
        history: history(),
    }
}

fn source(file: SourceFile) -> Source {
    Source {
        id: "basalt-county-roll".to_owned(),
        title: "Assessment roll 2026".to_owned(),
        publisher: "Basalt County, Office of the Assessor (invented)".to_owned(),
        citation: "fixtures/demo/county-roll.csv, made by tests/oracle/demo.py".to_owned(),
        jurisdiction: "basalt-county".to_owned(),
        basis: "finished-above-grade".to_owned(),
        roll_year: "2026".to_owned(),
        status: "certified".to_owned(),
        edition: 1,
        file,
    }
}

fn record(row: &Row, recorded: &Recorded) -> Record {
    let parcel = row.get("PARCEL_NO");
    Record {
        parcel_key: parcel.replace('-', ""),
        parcel,
        situs: format!("{} {}", row.get("SITUS_NO"), row.get("SITUS_STREET")),
        area_sqft: recorded.area.map(area_text),
        value: recorded.value.map(Money::to_text),
        year_built: row.get("YR_BLT"),
        class: row.get("CLASS"),
        fields: row.fields.clone(),
        row_sha256: row.sha256.clone(),
        mended: None,
    }
}

fn history() -> Vec<Event> {
    let event = |at: &str, what: &str, state: &str, why: Option<&str>| Event {
        at: at.to_owned(),
        what: what.to_owned(),
        state: state.to_owned(),
        why: why.map(str::to_owned),
    };
    vec![
        event("2026-11-25T16:44:38Z", "opened", "open", None),
        event(
            "2026-11-26T09:10:02Z",
            "decided",
            "confirmed",
            Some("the upper level is not in the publisher's sketch"),
        ),
    ]
}

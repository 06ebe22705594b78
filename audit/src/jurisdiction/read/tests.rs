use super::*;

const GOOD: &str = r#"jurisdiction = "basalt-county"
year = 2026

[[value]]
kind = "valuation_date"
value = 2026-01-01
source = "Notice of values 2026"
read_on = "2026-05-02"

[[value]]
kind = "tax_rate"
name = "Town of Mica Falls"
value = 9.1
unit = "per_1000"
source = "Tax levy 2026"
address = "https://mica-falls.example/levy"
read_on = 2026-05-03
"#;

fn told(text: &str) -> Vec<String> {
    JurisdictionYear::from_toml(text).unwrap_err().iter().map(ToString::to_string).collect()
}

#[test]
fn bare_numbers_and_days_are_read_as_they_stand() {
    let year = JurisdictionYear::from_toml(GOOD).unwrap();
    assert_eq!((year.year, year.value.len()), (2026, 2));
    assert_eq!((year.value[0].value.as_str(), year.value[0].unit), ("2026-01-01", None));
    assert_eq!(year.value[1].to_string(), "9.1 of each 1,000 of value");
    assert_eq!(year.value[1].read_on, "2026-05-03");
    // the same through JSON, as it is kept
    let json = serde_json::to_string(&year).unwrap();
    assert_eq!(JurisdictionYear::from_json(&json).unwrap(), year);
    assert_eq!(serde_json::from_str::<JurisdictionYear>(&json).unwrap(), year);
}

#[test]
fn all_that_is_wrong_is_told_at_its_line_and_column() {
    let bad = GOOD
        .replace("2026-01-01", "\"1 January\"")
        .replace("\"per_1000\"", "\"percent\"")
        .replace("\"Tax levy 2026\"", "\" \"");
    let told = told(&bad);
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(told[0].starts_with("line 6, column 9: \"1 January\" is no day"), "{told:?}");
    assert!(told[1].starts_with("line 15, column 10: the source is blank"), "{told:?}");
    assert!(
        told[2].starts_with("line 14, column 8: a tax_rate needs a unit: write one of per_1"),
        "{told:?}"
    );
}

#[test]
fn a_value_without_a_field_is_told_where_it_begins() {
    let bad = GOOD.replace("read_on = 2026-05-03\n", "");
    let told = told(&bad);
    assert_eq!(told.len(), 1);
    assert!(told[0].starts_with("line 10, column ") && told[0].contains("is no day: write year"), "{told:?}");
}

#[test]
fn what_is_no_document_is_told_once() {
    let unknown = told(&format!("{GOOD}deadline = \"soon\"\n"));
    assert_eq!(unknown.len(), 1);
    assert!(unknown[0].starts_with("line 18, column 1: unknown field `deadline`"), "{unknown:?}");
    assert!(told("jurisdiction = \"x\"\nyear = ")[0].starts_with("line 2, "));
    assert_eq!(told("jurisdiction = \"x\"\nyear = 26").len(), 2);
}

#[test]
fn each_kind_checks_its_value() {
    let value = |kind: &str, name: &str, value: &str, unit: &str| {
        let value = DraftValue {
            kind: kind.to_owned(),
            name: name.to_owned(),
            value: value.to_owned(),
            unit: unit.to_owned(),
            source: "law".to_owned(),
            read_on: "2026-01-02".to_owned(),
            ..DraftValue::default()
        };
        let draft = Draft {
            jurisdiction: "x".to_owned(),
            year: "2026".to_owned(),
            values: vec![value],
            ..Draft::default()
        };
        draft.check().map_err(|faults| faults.iter().map(|fault| fault.1).collect::<Vec<_>>()).err()
    };
    assert_eq!(value("assessment_ratio", "", "1", ""), None);
    assert_eq!(value("assessment_ratio", "110", "0.4", ""), None);
    for wrong in ["0", "1.01", "-0.4", "40 %", "1e-1", "", "0,4"] {
        assert_eq!(value("assessment_ratio", "", wrong, ""), Some(vec!["value"]), "{wrong}");
    }
    assert_eq!(value("cap", "growth of a homestead's value", "3", "percent"), None);
    assert_eq!(value("cap", "", "3", ""), Some(vec!["name", "unit"]));
    assert_eq!(value("exemption", "homestead", "25000", "money"), None);
    assert_eq!(value("exemption", "homestead", "25,000", "money"), Some(vec!["value"]));
    assert_eq!(value("appeal_deadline", "", "2026-02-30", ""), Some(vec!["value"]));
    assert_eq!(value("appeal_deadline", "", "2026-02-28", "percent"), Some(vec!["unit"]));
    assert_eq!(value("appeal_rule", "", "within 30 days of the notice", ""), None);
    assert_eq!(value("assesment_ratio", "", "1", ""), Some(vec!["kind"]));
    assert_eq!(value("appeal_rule", "", "a\u{7}b", ""), Some(vec!["value"]));
}

#[test]
fn one_kind_and_name_stands_once() {
    let twice = format!(
        "{GOOD}\n[[value]]\nkind = \"valuation_date\"\nvalue = 2026-02-01\nsource = \"x\"\nread_on = 2026-01-01\n"
    );
    let told = told(&twice);
    assert_eq!(told.len(), 1);
    assert!(told[0].contains("valuation_date stands here twice"), "{told:?}");
}

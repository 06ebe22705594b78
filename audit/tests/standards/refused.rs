//! What is no standard, and what its author is told.

use crossfoot_audit::standard::Standard;

const SOUND: &str = r#"
id = "town-living-area"
title = "Living area of a town"
publisher = "the town's assessor"
edition = ""
source = "a letter of the office"
measured_to = "outside"

[ceiling]
id = "height"
band = [{ from = "5 ft", weight = "1" }]
under_stairs = true
because = "as the office writes"

[[rule]]
id = "garage"
when = { use = ["garage"] }
verdict = "not_counted"
because = "as the office writes"

[[rule]]
id = "all-else"
verdict = "counted"
weight = "1/2"
because = "as the office writes"
"#;

fn told(changed: &str, into: &str) -> String {
    let text = SOUND.replacen(changed, into, 1);
    assert_ne!(text, SOUND, "{changed}");
    Standard::from_toml(&text).unwrap_err().to_string()
}

#[test]
fn a_sound_definition_is_read_from_toml_and_from_json_alike() {
    let standard = Standard::from_toml(SOUND).unwrap();
    let json = serde_json::to_string(&standard).unwrap();
    assert_eq!(Standard::from_json(&json).unwrap(), standard);
}

#[test]
fn each_fault_is_told_with_what_mends_it() {
    for (changed, into, told_of) in [
        ("weight = \"1/2\"", "weight = \"3/2\"", "write 1/2 or 0.66, from 0 to 1"),
        ("weight = \"1/2\"", "weight = \"half\"", "write 1/2 or 0.66, from 0 to 1"),
        ("weight = \"1/2\"", "weigth = \"1/2\"", "unknown field `weigth`"),
        ("id = \"all-else\"", "id = \"garage\"", "give each a name of its own"),
        ("id = \"all-else\"", "id = \" \"", "leaves the id of a rule blank"),
        (
            "because = \"as the office writes\"\n\n[[rule]]\nid = \"all",
            "because = \"\"\n\n[[rule]]\nid = \"all",
            "leaves because of the rule garage blank",
        ),
        ("title = \"Living area of a town\"", "title = \"\"", "leaves title blank"),
        ("\"not_counted\"", "\"apart\"", "has no heading: add one"),
        ("\"not_counted\"", "\"apart\"\nheading = \" \"", "leaves a heading blank"),
        ("\"not_counted\"", "\"not_counted\"\nweight = \"1/2\"", "weighs what it does not count"),
        ("\"not_counted\"", "\"left_out\"", "unknown variant `left_out`"),
        ("use = [\"garage\"]", "use = [\"stable\"]", "unknown variant `stable`"),
        (
            "id = \"all-else\"\n",
            "id = \"all-else\"\nwhen = { finish = [\"finished\"] }\n",
            "let the last rule stand without conditions",
        ),
        (
            "id = \"all-else\"\n",
            "id = \"all-else\"\nwhen = { origin = [\"original\"] }\n",
            "built Some(2000)",
        ),
        ("id = \"town-living-area\"", "id = \"Town area\"", "lower case letters, digits and single hyphens"),
        ("id = \"town-living-area\"", "id = \"town--area\"", "lower case letters, digits and single hyphens"),
        ("measured_to = \"outside\"", "measured_to = \"the middle\"", "unknown variant `the middle`"),
        ("measured_to = \"outside\"\n", "", "missing field `measured_to`"),
        ("band = [{ from = \"5 ft\", weight = \"1\" }]", "band = []", "needs bands"),
        (
            "weight = \"1\" }]",
            "weight = \"1\" }, { from = \"60 in\", weight = \"1/2\" }]",
            "each from a height of its own",
        ),
        (
            "[ceiling]",
            "dimensions = { step = \"0 ft\", half = \"up\", because = \"b\" }\n[ceiling]",
            "to a step of nothing",
        ),
        ("a letter of the office", "a letter\\u0000", "without control characters"),
    ] {
        let told = told(changed, into);
        assert!(told.contains(told_of), "{into}: {told}");
    }
}

#[test]
fn more_rules_than_can_be_looked_at_are_refused() {
    let rule = |at: usize| format!("[[rule]]\nid = \"r{at}\"\nverdict = \"counted\"\nbecause = \"b\"\n");
    let text = format!("{SOUND}\n{}", (0..60).map(rule).collect::<String>());
    assert!(Standard::from_toml(&text).unwrap_err().to_string().contains("at most 60"));
}

#[test]
fn every_definition_that_comes_with_the_program_cites_and_cautions() {
    let standards = Standard::built_in().unwrap();
    assert_eq!(standards.len(), 12);
    for standard in &standards {
        assert!(standard.source.contains('.') && !standard.cautions.is_empty(), "{}", standard.id);
        assert!(standard.total.is_some(), "{}", standard.id);
        for rule in &standard.rule {
            assert!(rule.because.contains('('), "{}: {} cites nothing", standard.id, rule.id);
        }
        assert_eq!(standards.iter().filter(|other| other.id == standard.id).count(), 1);
    }
}

#[test]
fn the_schema_takes_every_definition_and_refuses_what_the_reader_refuses_by_shape() {
    let validator = jsonschema::draft202012::new(&crossfoot_audit::standard::schema()).unwrap();
    for standard in Standard::built_in().unwrap() {
        let json = serde_json::to_value(&standard).unwrap();
        let faults: Vec<String> = validator.iter_errors(&json).map(|fault| fault.to_string()).collect();
        assert!(faults.is_empty(), "{}: {faults:?}", standard.id);
    }
    let sound = serde_json::to_value(Standard::from_toml(SOUND).unwrap()).unwrap();
    for (pointer, value) in [
        ("/rule/1/weight", serde_json::json!("half")),
        ("/id", serde_json::json!("Town area")),
        ("/measured_to", serde_json::json!("the middle")),
        ("/rule", serde_json::json!([])),
    ] {
        let mut wrong = sound.clone();
        *wrong.pointer_mut(pointer).unwrap() = value;
        assert!(!validator.is_valid(&wrong), "{pointer}");
    }
}

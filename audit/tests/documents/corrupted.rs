//! Good documents spoiled at random: nothing panics, and what is refused is told at a place that is there.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde_json::{Value, json};

use super::house::{push, read, standards};
use super::loft::{to_the_railing, to_the_wall};
use super::sketch::{Written, houses};

/// All places of a document.
fn pointers(value: &Value, at: &str, found: &mut Vec<String>) {
    let below: Vec<(String, &Value)> = match value {
        Value::Array(items) => items.iter().enumerate().map(|(n, item)| (n.to_string(), item)).collect(),
        Value::Object(fields) => fields.iter().map(|(name, item)| (name.clone(), item)).collect(),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => Vec::new(),
    };
    for (name, item) in below {
        let pointer = format!("{at}/{}", name.replace('~', "~0").replace('/', "~1"));
        pointers(item, &pointer, found);
        found.push(pointer);
    }
}

/// One way to spoil a document.
#[derive(Debug, Clone)]
enum Spoil {
    Delete,
    Replace(Value),
    Append(String),
    /// The value of another place.
    Copy(usize),
    /// Once more in its list.
    Again,
}

fn spoils() -> impl Strategy<Value = (usize, Spoil)> {
    let values = vec![
        json!(null),
        json!(true),
        json!(-1),
        json!(0),
        json!(7),
        json!(1e300),
        json!(1e-300),
        json!(""),
        json!("6"),
        json!("40 yd"),
        json!("0 ft"),
        json!("-3 ft"),
        json!("100000 ft"),
        json!("1/64 in"),
        json!("inside"),
        json!("railing"),
        json!("garage"),
        json!("ground"),
        json!("front"),
        json!([]),
        json!({}),
        json!(["ground"]),
        json!({ "toward": "north" }),
        json!({ "free": { "about_degrees": 45.0 } }),
        json!({ "turn": { "side": "left", "degrees": 90.0 } }),
        json!({ "readings": [] }),
        json!({ "flat": { "height": "6 ft" } }),
    ];
    let spoil = prop_oneof![
        Just(Spoil::Delete),
        proptest::sample::select(values).prop_map(Spoil::Replace),
        "[ ~/a-z\u{0}\"]{1,3}".prop_map(Spoil::Append),
        any::<prop::sample::Index>().prop_map(|at| Spoil::Copy(at.index(usize::MAX))),
        Just(Spoil::Again),
    ];
    (any::<prop::sample::Index>().prop_map(|at| at.index(usize::MAX)), spoil)
}

fn spoil(document: &mut Value, place: usize, how: &Spoil) {
    let mut all = Vec::new();
    pointers(document, "", &mut all);
    let Some(pointer) = all.get(place % all.len().max(1)).cloned() else { return };
    let (parent, name) = pointer.rsplit_once('/').unwrap();
    let value = document.pointer(&pointer).unwrap().clone();
    let new = match how {
        Spoil::Replace(new) => new.clone(),
        Spoil::Append(text) => {
            json!(value.as_str().map_or_else(|| text.clone(), |old| format!("{old}{text}")))
        }
        Spoil::Copy(from) => document.pointer(&all[from % all.len()]).unwrap().clone(),
        Spoil::Delete | Spoil::Again => value,
    };
    match (how, document.pointer_mut(parent).unwrap()) {
        (Spoil::Delete, Value::Object(fields)) => {
            fields.remove(&name.replace("~1", "/").replace("~0", "~"));
        }
        (Spoil::Delete, Value::Array(items)) => {
            items.remove(name.parse::<usize>().unwrap());
        }
        (Spoil::Again, Value::Array(items)) => items.push(new),
        (_, _) => *document.pointer_mut(&pointer).unwrap() = new,
    }
}

/// Whether a place, or the one that it would stand in, is there.
fn is_there(document: &Value, pointer: &str) -> bool {
    let parent = pointer.rsplit_once('/').map_or("", |(parent, _)| parent);
    document.pointer(pointer).is_some() || document.pointer(parent).is_some()
}

fn good() -> impl Strategy<Value = Value> {
    let ceilings = vec![
        json!({ "sloped": { "width": "24 ft", "sides": [{ "knee": "4 ft", "rise": 6, "run": 12 }], "flat_at": "9 ft" } }),
        json!({ "widths": { "floor": "24 ft", "at": [{ "height": "5 ft", "width": "20 ft" }, { "height": "7 ft", "width": "12 ft" }] } }),
        json!({ "flat": { "height": "8 ft", "beams": [{ "height": "6 ft", "area_sqft": 12.0 }] } }),
    ];
    let lofts = proptest::sample::select(ceilings).prop_flat_map(|ceiling| {
        prop_oneof![Just(to_the_wall()), Just(to_the_railing())].prop_map(move |mut house| {
            house["buildings"][0]["levels"][1]["parts"][0]["ceiling"] = ceiling.clone();
            house["field_notes"]["wall_thickness"] = json!("6 in");
            house["field_notes"]["outlines"][0]["sides"][1]["read_at"] = json!("centre");
            let corner = |corner: usize| json!({ "outline": "ground", "corner": corner });
            house["field_notes"]["ties"] = json!([]);
            let reading = json!({ "pieces": [{ "length": "48 ft 9 7/8 in", "instrument": "laser" }] });
            push(
                &mut house,
                "/field_notes/ties",
                json!({ "name": "diagonal", "along": "straight",
                "from": corner(0), "to": corner(2), "distance": { "readings": [reading] } }),
            );
            house
        })
    });
    prop_oneof![lofts, houses().prop_map(|house| house.document(&Written::default()))]
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 256,
        rng_seed: RngSeed::Fixed(20_260_309),
        failure_persistence: None,
        max_shrink_iters: 400,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_spoiled_document_is_taken_or_told_where_it_is_wrong(
        good in good(),
        spoiling in proptest::collection::vec(spoils(), 1..4),
    ) {
        let mut document = good;
        for (place, how) in &spoiling {
            spoil(&mut document, *place, how);
        }
        match read(&document) {
            Ok(measurement) => {
                for standard in standards() {
                    let statement = standard.state(&measurement.house);
                    prop_assert!(statement.spread.variance().is_finite(), "{}", standard.id);
                }
                for remark in &measurement.remarks {
                    prop_assert!(document.pointer(&remark.pointer).is_some(), "{remark:?}");
                }
            }
            Err(problems) => {
                prop_assert!(!problems.is_empty());
                for problem in &problems {
                    prop_assert!(is_there(&document, &problem.pointer), "{problem:?}\n{document}");
                    prop_assert!(!problem.detail.is_empty() && !problem.mend.is_empty(), "{problem:?}");
                    prop_assert!(problem.detail.chars().count() < 700, "{problem:?}");
                }
            }
        }
    }
}

#[test]
fn the_good_documents_are_good() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    for _ in 0..24 {
        let tree = good().new_tree(&mut runner).unwrap();
        let document = proptest::strategy::ValueTree::current(&tree);
        let problems = read(&document).err();
        assert_eq!(problems, None, "{document}");
    }
}

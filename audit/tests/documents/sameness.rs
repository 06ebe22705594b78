//! What must not change an area: how a house is turned, mirrored, walked, begun and named; what lies beside it; and
//! whether it was drawn or stated.

use std::collections::BTreeMap;

use crossfoot_audit::house::WallFace;
use crossfoot_audit::standard::{AreaStatement, Standard};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde_json::{Value, json};

use super::house::{read, standards};
use super::sketch::{House, Written, houses};

/// Square feet: nanometres of a corner are a hundredth of this over 100 ft.
const WITHIN: f64 = 1e-6;

fn config() -> ProptestConfig {
    ProptestConfig {
        cases: 24,
        rng_seed: RngSeed::Fixed(20_260_308),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

fn statements(document: &Value) -> Vec<(&'static Standard, AreaStatement)> {
    let measurement = read(document).unwrap_or_else(|problems| panic!("{problems:#?}\n{document}"));
    assert_eq!(measurement.remarks, []);
    standards().iter().map(|standard| (standard, standard.state(&measurement.house))).collect()
}

type Lines = BTreeMap<(i32, String), (f64, f64, String)>;

/// Area, area before its weight, and rule, of each part.
fn lines(statement: &AreaStatement) -> Lines {
    let line = |line: &crossfoot_audit::standard::StatementLine| {
        let name = line.name.clone().unwrap_or_default();
        let areas = (line.area.to_square_feet_f64(), line.unweighted.to_square_feet_f64());
        ((line.level, name), (areas.0, areas.1, line.rule.clone()))
    };
    statement.lines.iter().map(line).collect()
}

fn written() -> impl Strategy<Value = Written> {
    let turned = prop_oneof![(0_i32..360).prop_map(f64::from), 0.0..360.0];
    (turned, any::<bool>(), any::<bool>(), 0_usize..6, "[a-z~/\" ]{0,6}").prop_map(
        |(turned_degrees, mirrored, reversed, start, prefix)| Written {
            turned_degrees,
            mirrored,
            reversed,
            start,
            prefix,
        },
    )
}

fn same(one: &Lines, other: &Lines, of: &str) -> Result<(), TestCaseError> {
    prop_assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    for ((place, (area, unweighted, rule)), (also, also_unweighted, also_rule)) in
        one.iter().zip(other.values())
    {
        prop_assert!((area - also).abs() < WITHIN, "{of} {place:?}: {area} {also}");
        prop_assert!((unweighted - also_unweighted).abs() < WITHIN, "{of} {place:?}");
        prop_assert_eq!(rule, also_rule);
    }
    Ok(())
}

const INCHES_PER_FOOT: f64 = 12.0;

fn sqft(width: i64, depth: i64) -> f64 {
    width as f64 * depth as f64 / (INCHES_PER_FOOT * INCHES_PER_FOOT)
}

/// The ground floor to the standard's face, by hand: a rectilinear ring moved by t loses P t less 4 t t.
fn outline_sqft(house: &House, face: WallFace) -> f64 {
    let (width, depth) = house.size;
    let drawn = sqft(width, depth) - house.notch.map_or(0.0, |(width, depth)| sqft(width, depth));
    match face {
        WallFace::Outside => drawn,
        WallFace::Inside => {
            let thickness = house.thickness;
            drawn - sqft(2 * (width + depth), thickness) + 4.0 * sqft(thickness, thickness)
        }
    }
}

/// What belongs to neither side: partitions beside the garage, between inner faces.
fn partitions_sqft(house: &House, face: WallFace) -> f64 {
    let t = house.thickness;
    match (house.garage, face) {
        (Some((width, depth)), WallFace::Inside) => {
            sqft(width - t, depth - t) - sqft(width - 2 * t, depth - 2 * t)
        }
        (Some(_), WallFace::Outside) | (None, _) => 0.0,
    }
}

/// The same parts with the areas that the standard found for them.
fn as_stated(document: &Value, statement: &AreaStatement) -> Value {
    let mut stated = document.clone();
    stated.as_object_mut().unwrap().remove("field_notes");
    for level in stated["buildings"][0]["levels"].as_array_mut().unwrap() {
        let number = level["level"].as_i64().unwrap();
        let found = statement.lines.iter().filter(|line| i64::from(line.level) == number);
        let parts: Vec<Value> = found
            .map(|line| {
                let area = (line.unweighted.to_square_feet_f64() * 1e6).round() / 1e6;
                json!({ "name": line.name, "use": line.part_use.name(), "area_sqft": area })
            })
            .collect();
        *level = json!({ "level": number, "grade": "above", "parts": parts });
    }
    stated
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn how_a_house_is_written_down_changes_no_area(house in houses(), written in written()) {
        let plain = statements(&house.document(&Written::default()));
        let other = statements(&house.document(&written));
        for ((standard, one), (_, other)) in plain.iter().zip(&other) {
            same(&lines(one), &lines(other), &standard.id)?;
            let (total, other_total) = (one.total.to_square_feet_f64(), other.total.to_square_feet_f64());
            prop_assert!((total - other_total).abs() < WITHIN, "{}: {total} {other_total}", standard.id);
            let (sd, other_sd) = (one.spread.variance().sqrt(), other.spread.variance().sqrt());
            prop_assert!((sd - other_sd).abs() < 1e-4 * sd, "{}: {sd} {other_sd}", standard.id);
            prop_assert_eq!(one.notes.len(), other.notes.len());
        }
    }

    #[test]
    fn a_porch_beside_the_house_changes_only_its_own_line(house in houses(), depth in 36_i64..120) {
        let without = House { porch: None, ..house.clone() };
        let with = House { porch: Some(depth), ..house };
        let (without, with) =
            (statements(&without.document(&Written::default())), statements(&with.document(&Written::default())));
        for ((standard, without), (_, with)) in without.iter().zip(&with) {
            let mut lines_with = lines(with);
            let porch = lines_with.remove(&(1, "porch".to_owned())).unwrap();
            same(&lines(without), &lines_with, &standard.id)?;
            let more = with.total.to_square_feet_f64() - without.total.to_square_feet_f64();
            prop_assert!(more.abs() < WITHIN || (more - porch.0).abs() < WITHIN, "{}: {more} {porch:?}", standard.id);
        }
    }

    #[test]
    fn parts_and_openings_make_up_the_outline_of_their_level(house in houses()) {
        for (standard, statement) in statements(&house.document(&Written::default())) {
            let face = standard.measured_to;
            for level in 1..=if house.opening.is_some() { 2 } else { 1 } {
                let in_it = statement.lines.iter().filter(|line| line.level == level);
                let inside = in_it.filter(|line| line.name.as_deref() != Some("porch"));
                let sum: f64 = inside.map(|line| line.unweighted.to_square_feet_f64()).sum();
                let neither = if level == 1 { partitions_sqft(&house, face) } else { 0.0 };
                let expected = outline_sqft(&house, face) - neither;
                prop_assert!((sum - expected).abs() < WITHIN, "{} level {level}: {sum} {expected}", standard.id);
            }
        }
    }

    #[test]
    fn a_drawn_house_and_the_same_as_stated_areas_have_equal_totals(house in houses()) {
        let drawn = house.document(&Written::default());
        for (standard, statement) in statements(&drawn) {
            let stated = read(&as_stated(&drawn, &statement)).unwrap();
            let total = standard.state(&stated.house).total.to_square_feet_f64();
            let expected = statement.total.to_square_feet_f64();
            // areas are stated to a millionth of a square foot each
            prop_assert!((total - expected).abs() < 1e-5, "{}: {total} {expected}", standard.id);
        }
    }
}

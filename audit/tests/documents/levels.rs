//! Levels: what lies over what, stairs, garages, openings known by their area alone, and names of every kind.

use serde_json::{Value, json};

use super::house::{push, rectangle, stated, total};
use super::loft::{to_the_railing, to_the_wall};
use super::refused::{add_rectangle, put, refused, remarks};

const ANSI: &str = "finished-above-grade";

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
}

fn owned(pointer: &str, detail: &str) -> (String, String) {
    (pointer.to_owned(), detail.to_owned())
}

#[test]
fn an_upper_level_drawn_over_the_open_part_is_remarked_on_when_it_lists_nothing() {
    let mut house = to_the_wall();
    let level = house["buildings"][0]["levels"][1].as_object_mut().unwrap();
    level.remove("openings");
    level.remove("stairs");
    let place = "/buildings/0/levels/1";
    assert_eq!(remarks(&house), [owned(place, "level 2 lists neither a stair nor an opening")]);
    // a stair across which floor was measured counts with the floor, and nothing is remarked
    put(&mut house, "/buildings/0/levels/1/stairs", json!([{ "name": "main stair" }]));
    assert_eq!(remarks(&house), []);
    near(total(&house, ANSI), 2240.0);
    // so does a stair stated as a part
    put(&mut house, "/buildings/0/levels/1/stairs", json!([]));
    push(&mut house, "/buildings/0/levels/1/parts", json!({ "use": "stair", "area_sqft": 0.0 }));
    assert_eq!(remarks(&house), []);
}

#[test]
fn an_opening_without_a_stair_is_remarked_on() {
    let mut house = to_the_wall();
    put(&mut house, "/buildings/0/levels/1/stairs", json!([]));
    assert_eq!(
        remarks(&house),
        [owned("/buildings/0/levels/1/openings/0", "no stair goes through the opening \"hall\"")]
    );
    near(total(&house, ANSI), 2072.0);
}

#[test]
fn a_stair_is_counted_once() {
    let mut twice = to_the_wall();
    put(&mut twice, "/buildings/0/levels/0/stairs", json!([{ "name": "main stair" }]));
    assert_eq!(
        refused(&twice),
        [owned("/buildings/0/levels/1/stairs/0", "the stair \"main stair\" stands on level 1 already")]
    );
    let mut part = to_the_wall();
    push(
        &mut part,
        "/buildings/0/levels/1/parts",
        json!({ "name": "main stair", "use": "stair", "area_sqft": 48.0 }),
    );
    assert_eq!(
        refused(&part),
        [owned(
            "/buildings/0/levels/1/parts/1/use",
            "the level lists its openings and stairs, and has a part of use stair as well"
        )]
    );
}

#[test]
fn a_loft_drawn_half_to_the_railing_and_half_to_the_wall_is_refused_with_the_place() {
    let mut house = to_the_railing();
    add_rectangle(&mut house, "shifted", ("12 ft", "14 ft"), &[("east", "6 ft")]);
    let opening = "/buildings/0/levels/1/openings/0";
    put(&mut house, opening, json!({ "name": "hall", "outlines": ["shifted"] }));
    let over = "\"loft\" was drawn over the opening \"hall\", which is not cut out of it: 84.0 sq ft between 12.0 ft east and 0.0 ft north of the origin and 18.0 ft east and 14.0 ft north of the origin has no floor";
    assert_eq!(refused(&house), [owned(opening, over)]);
    put(&mut house, &format!("{opening}/cut_from"), json!("loft"));
    let both = "\"loft\" was drawn partly to the railing and partly over the void, and the opening \"hall\" is cut out of it: 84.0 sq ft between 6.0 ft east and 0.0 ft north of the origin and 12.0 ft east and 14.0 ft north of the origin would be taken off twice";
    assert_eq!(refused(&house), [owned(opening, both)]);
}

/// 20 x 20 ft of the ground floor are a garage, finished and heated; its walls to the house are partitions of 6 in,
/// drawn to the face on the side of the house, and belong to the house.
pub(crate) fn with_garage() -> Value {
    let mut house = rectangle("40 ft", "28 ft");
    add_rectangle(&mut house, "garage", ("20 ft", "20 ft"), &[]);
    put(&mut house, "/field_notes/wall_thickness", json!("6 in"));
    for side in [1, 2] {
        put(&mut house, &format!("/field_notes/outlines/1/sides/{side}/edge"), json!("partition"));
    }
    push(
        &mut house,
        "/buildings/0/levels/0/parts",
        json!({ "name": "garage", "use": "garage", "outlines": ["garage"],
                "finish": "finished", "heat": "main_system" }),
    );
    house
}

#[test]
fn a_garage_counts_nowhere_as_living_area_because_it_is_finished() {
    let house = with_garage();
    // 40 x 28 less 19.5 x 19.5 (ANSI Z765, garages); Miami-Dade weighs a garage by half, the United Kingdom counts it
    // (the rules of the standards name their sources)
    for (id, expected) in [
        (ANSI, 739.75),
        ("north-carolina-living-area", 739.75),
        ("alberta-rms", 739.75),
        ("cook-county-building-area", 739.75),
        ("miami-dade-adjusted-area", 739.75 + 380.25 / 2.0),
        ("uk-gea", 1120.0),
    ] {
        let found = total(&house, id);
        assert!((found - expected).abs() < 1e-6, "{id}: {found}");
    }
    let line = stated(&house, ANSI).lines.into_iter().find(|line| line.name.as_deref() == Some("garage"));
    assert_eq!(line.unwrap().rule, "garage");
}

#[test]
fn an_opening_known_by_its_area_lies_beyond_a_railing_or_is_cut_from_a_part() {
    let stated = json!({ "name": "hall", "area_sqft": 168.0 });
    let opening = "/buildings/0/levels/1/openings/0";
    let mut railing = to_the_railing();
    put(&mut railing, opening, stated.clone());
    for outline in ["loft", "ground"] {
        put(&mut railing, "/buildings/0/levels/1/outline", json!([outline]));
        assert_eq!(remarks(&railing), [], "{outline}");
        near(total(&railing, ANSI), 2120.0);
    }
    put(&mut railing, &format!("{opening}/cut_from"), json!("loft"));
    assert_eq!(
        refused(&railing),
        [owned(
            opening,
            "\"loft\" was drawn to a railing, and the opening \"hall\" is cut out of it: the void would be taken off twice"
        )]
    );
    let mut wall = to_the_wall();
    put(&mut wall, opening, stated);
    assert_eq!(
        remarks(&wall),
        [owned("/buildings/0/levels/1", "168.0 sq ft of the level's outline belong to more than one part")]
    );
    put(&mut wall, &format!("{opening}/cut_from"), json!("loft"));
    assert_eq!(remarks(&wall), []);
    near(total(&wall, ANSI), 2120.0);
}

#[test]
fn an_opening_drawn_in_a_stated_part_leaves_its_spread_as_stated() {
    let mut house = to_the_wall();
    let level = &mut house["buildings"][0]["levels"][1];
    level.as_object_mut().unwrap().remove("outline");
    level["parts"] = json!([{ "name": "loft", "use": "living", "area_sqft": 1120.0, "sd_sqft": 11.2 }]);
    let areas = stated(&house, ANSI);
    near(areas.total.to_square_feet_f64(), 2120.0);
    near(areas.spread.stated, 11.2 * 11.2);
}

#[test]
fn a_rest_leaves_out_parts_less_their_cut_outs_and_the_opening() {
    let mut house = to_the_wall();
    add_rectangle(&mut house, "attic", ("10 ft", "10 ft"), &[("east", "30 ft"), ("north", "18 ft")]);
    add_rectangle(&mut house, "chase", ("2 ft", "2 ft"), &[("east", "34 ft"), ("north", "22 ft")]);
    push(
        &mut house,
        "/buildings/0/levels/1/parts",
        json!({ "name": "attic", "use": "storage", "finish": "unfinished", "outlines": ["attic"], "less": ["chase"] }),
    );
    let lines = stated(&house, ANSI).lines;
    let area = |name: &str| {
        let line = lines.iter().find(|line| line.name.as_deref() == Some(name));
        line.unwrap().unweighted.to_square_feet_f64()
    };
    // what is cut out of the attic belongs to the rest: 1,120 - (100 - 4) - 168
    near(area("loft"), 856.0);
    near(area("attic"), 96.0);
    near(total(&house, ANSI), 1120.0 + 856.0 + 48.0);
}

#[test]
fn a_level_of_two_touching_outlines_has_a_rest_across_both() {
    let mut house = rectangle("40 ft", "28 ft");
    add_rectangle(&mut house, "wing", ("20 ft", "20 ft"), &[("east", "40 ft")]);
    put(&mut house, "/buildings/0/levels/0/outline", json!(["ground", "wing"]));
    near(total(&house, ANSI), 1520.0);
    add_rectangle(&mut house, "den", ("10 ft", "10 ft"), &[("east", "35 ft"), ("north", "5 ft")]);
    push(
        &mut house,
        "/buildings/0/levels/0/parts",
        json!({ "name": "den", "use": "storage", "finish": "unfinished", "outlines": ["den"] }),
    );
    near(total(&house, ANSI), 1420.0);
}

#[test]
fn parts_may_be_drawn_without_an_outline_of_the_level_but_not_its_rest() {
    let mut house = with_garage();
    house["buildings"][0]["levels"][0].as_object_mut().unwrap().remove("outline");
    assert_eq!(
        refused(&house),
        [owned("/buildings/0/levels/0/parts/0/rest", "the level has no outline to be the rest of")]
    );
    put(&mut house, "/buildings/0/levels/0/parts/0", json!({ "use": "living", "outlines": ["ground"] }));
    assert_eq!(
        refused(&house),
        [owned(
            "/buildings/0/levels/0/parts/1",
            "\"garage\" overlaps part 0 (living): 400.0 sq ft between 0.0 ft east and 0.0 ft north of the origin and 20.0 ft east and 20.0 ft north of the origin"
        )]
    );
    put(&mut house, "/buildings/0/levels/0/parts/0/less", json!(["garage"]));
    near(total(&house, ANSI), 739.75);
}

#[test]
fn a_stated_part_beside_the_rest_is_remarked_on() {
    let mut house = rectangle("40 ft", "28 ft");
    push(&mut house, "/buildings/0/levels/0/parts", json!({ "use": "stair", "area_sqft": 40.0 }));
    assert_eq!(
        remarks(&house),
        [owned("/buildings/0/levels/0", "40.0 sq ft of the level's outline belong to more than one part")]
    );
}

#[test]
fn several_buildings_are_read_from_one_set_of_notes() {
    let mut house = with_garage();
    add_rectangle(&mut house, "barn", ("30 ft", "40 ft"), &[("east", "100 ft")]);
    push(
        &mut house,
        "/buildings",
        json!({ "name": "barn", "kind": "outbuilding", "levels": [
            { "level": 1, "grade": "above", "outline": ["barn"], "parts": [{ "use": "storage", "rest": true }] }] }),
    );
    let areas = stated(&house, ANSI);
    near(areas.total.to_square_feet_f64(), 739.75);
    let barn = areas.lines.iter().find(|line| line.building == "barn").unwrap();
    near(barn.area.to_square_feet_f64(), 1200.0);
}

#[test]
fn names_of_every_kind_are_told_apart() {
    for name in
        ["a/b", "a~1b", "\"quoted\"", "tilde~", "\u{1f3e0}", " spaced ", "\u{e9}t\u{e9}", "0", "../..", "\\"]
    {
        let mut house = to_the_wall();
        put(&mut house, "/field_notes/outlines/1/name", json!(name));
        put(&mut house, "/buildings/0/levels/1/openings/0/outlines/0", json!(name));
        put(&mut house, "/buildings/0/levels/1/openings/0/name", json!(name));
        put(&mut house, "/buildings/0/levels/1/stairs/0/opening", json!(name));
        put(&mut house, "/buildings/0/levels/1/parts/0/name", json!(name));
        put(&mut house, "/buildings/0/levels/1/openings/0/cut_from", json!(name));
        near(total(&house, ANSI), 2120.0);
        put(&mut house, "/buildings/0/levels/1/openings/0/outlines/0", json!(format!("{name}?")));
        let found = refused(&house);
        let problem = owned(
            "/buildings/0/levels/1/openings/0/outlines/0",
            &format!("no outline is named {:?}", format!("{name}?")),
        );
        assert!(found.contains(&problem), "{found:#?}");
    }
}

#[test]
fn walls_inside_a_level_that_pass_for_outer_walls_are_remarked_on_once() {
    let mut house = with_garage();
    assert_eq!(remarks(&house), []);
    for side in [1, 2] {
        let side = house["field_notes"]["outlines"][1]["sides"][side].as_object_mut().unwrap();
        side.remove("edge");
    }
    let again = house["buildings"][0]["levels"][0].clone();
    push(&mut house, "/buildings/0/levels", again);
    let detail = "of \"garage\", \"garage right\", \"garage rear\" would pass for outer walls and have the level on both sides";
    let found = remarks(&house);
    let once = owned("/field_notes/outlines/1/sides", detail);
    assert_eq!(found.iter().filter(|one| **one == once).count(), 1, "{found:?}");
    // the level was pasted twice
    let pasted = "\"ground\" is the floor of level 1 of \"main house\" already";
    assert!(found.contains(&owned("/buildings/0/levels/1/outline/0", pasted)), "{found:?}");
    // two outlines of a level that touch, each with the wall between them
    let mut house = rectangle("40 ft", "28 ft");
    add_rectangle(&mut house, "wing", ("20 ft", "20 ft"), &[("east", "40 ft")]);
    put(&mut house, "/buildings/0/levels/0/outline", json!(["ground", "wing"]));
    let detail = "of \"wing\", \"wing left\" would pass for outer walls and have the level on both sides";
    assert!(
        remarks(&house).contains(&owned("/field_notes/outlines/1/sides", detail)),
        "{:?}",
        remarks(&house)
    );
}

#[test]
fn one_floor_in_two_buildings_is_remarked_on() {
    let mut house = rectangle("40 ft", "28 ft");
    let mut shed = house["buildings"][0].clone();
    put(&mut shed, "/name", json!("shed"));
    put(&mut shed, "/levels/0/level", json!(2));
    push(&mut house, "/buildings", shed);
    let detail = "\"ground\" is the floor of level 1 of \"main house\" already";
    assert_eq!(remarks(&house), [owned("/buildings/1/levels/0/outline/0", detail)]);
}

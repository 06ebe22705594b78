//! The same loft drawn to the railing with the stair added, and to the outer wall with the void cut out: one total.
//! Mixing the two is refused. Rule: openings have no floor, treads and landings count up to the size of the opening
//! (ANSI Z765, stairs and openings, as quoted at appraisersforum.com and mckissock.com).

use serde_json::{Value, json};

use super::house::{outline, push, read, rectangle, total, wall};

const SQUARE_FOOT_MILLIONTH: f64 = 1e-6;

/// 40 x 28 ft with a loft over it; the void is 12 x 14 ft in the corner at the front and the left, 48 sq ft of treads.
fn house() -> Value {
    let mut house = rectangle("40 ft", "28 ft");
    for wall in [
        wall("void front", "east", "12 ft"),
        wall("void right", "north", "14 ft"),
        wall("void rear", "west", "12 ft"),
        wall("void left", "south", "14 ft"),
    ] {
        push(&mut house, "/field_notes/walls", wall);
    }
    push(
        &mut house,
        "/field_notes/outlines",
        outline("void", &["void front", "void right", "void rear", "void left"]),
    );
    house
}

fn loft(mut house: Value, level: Value) -> Value {
    push(&mut house, "/buildings/0/levels", level);
    house
}

fn stair() -> Value {
    json!([{ "name": "main stair", "opening": "hall", "treads_sqft": 48.0 }])
}

pub(crate) fn to_the_wall() -> Value {
    loft(
        house(),
        json!({
            "level": 2, "grade": "above", "outline": ["ground"],
            "parts": [{ "name": "loft", "use": "living", "rest": true }],
            "openings": [{ "name": "hall", "outlines": ["void"], "cut_from": "loft" }],
            "stairs": stair(),
        }),
    )
}

/// The floor ends at a railing along the void: an L of six sides that shares walls with the ground floor and the void.
pub(crate) fn to_the_railing() -> Value {
    let mut house = house();
    for wall in [wall("loft front", "east", "28 ft"), wall("loft left", "south", "14 ft")] {
        push(&mut house, "/field_notes/walls", wall);
    }
    push(
        &mut house,
        "/field_notes/outlines",
        json!({
            "name": "loft",
            "from": { "outline": "void", "corner": 1 },
            "sides": [
                { "wall": "loft front" }, { "wall": "right" }, { "wall": "rear" }, { "wall": "loft left" },
                { "wall": "void rear", "backwards": true, "edge": "railing" },
                { "wall": "void right", "backwards": true, "edge": "railing" },
            ],
        }),
    );
    loft(
        house,
        json!({
            "level": 2, "grade": "above", "outline": ["loft"],
            "parts": [{ "name": "loft", "use": "living", "outlines": ["loft"] }],
            "openings": [{ "name": "hall", "outlines": ["void"] }],
            "stairs": stair(),
        }),
    )
}

#[test]
fn both_drawings_of_a_loft_have_one_total() {
    // 2 x 1,120 - 168 + 48, by hand
    for house in [to_the_wall(), to_the_railing()] {
        let area = total(&house, "finished-above-grade");
        assert!((area - 2120.0).abs() < SQUARE_FOOT_MILLIONTH, "{area}");
    }
}

#[test]
fn a_void_that_is_left_out_and_cut_out_is_refused_with_its_place() {
    let mut mixed = to_the_railing();
    mixed["buildings"][0]["levels"][1]["openings"][0]["cut_from"] = json!("loft");
    let problems = read(&mixed).unwrap_err();
    let [problem] = problems.as_slice() else { panic!("{problems:#?}") };
    assert_eq!(problem.pointer, "/buildings/0/levels/1/openings/0");
    assert!(
        problem.detail.contains("drawn to the railing") && problem.detail.contains("168.0 sq ft"),
        "{problem:?}"
    );
    assert!(problem.detail.contains("12.0 ft east and 14.0 ft north"), "{problem:?}");
}

#[test]
fn a_loft_drawn_over_its_void_is_refused() {
    let mut over = to_the_wall();
    over["buildings"][0]["levels"][1]["openings"][0].as_object_mut().unwrap().remove("cut_from");
    let problems = read(&over).unwrap_err();
    assert!(problems[0].detail.contains("drawn over the opening \"hall\""), "{problems:#?}");
}

#[test]
fn a_stair_counts_no_more_than_its_opening() {
    let mut wide = to_the_wall();
    wide["buildings"][0]["levels"][1]["stairs"][0]["treads_sqft"] = json!(200.0);
    assert!((total(&wide, "finished-above-grade") - 2240.0).abs() < SQUARE_FOOT_MILLIONTH);
}

#[test]
fn what_is_cut_out_of_a_part_stays_with_the_rest() {
    // a garage of 12 x 14 ft in which a closet of 4 x 5 ft belongs to the house: 1,120 - 168 + 20, by hand
    let mut house = house();
    for wall in [
        wall("closet front", "east", "4 ft"),
        wall("closet right", "north", "5 ft"),
        wall("closet rear", "west", "4 ft"),
        wall("closet left", "south", "5 ft"),
    ] {
        push(&mut house, "/field_notes/walls", wall);
    }
    let closet = ["closet front", "closet right", "closet rear", "closet left"];
    push(&mut house, "/field_notes/outlines", outline("closet", &closet));
    let garage = json!({ "name": "garage", "use": "garage", "outlines": ["void"], "less": ["closet"] });
    push(&mut house, "/buildings/0/levels/0/parts", garage);
    let closet_stair = json!([{ "name": "hatch", "outlines": ["closet"], "cut_from": "rooms" }]);
    assert!((total(&house, "finished-above-grade") - 972.0).abs() < SQUARE_FOOT_MILLIONTH);
    // an opening there lies in the rest, which it is cut out of
    house["buildings"][0]["levels"][0]["openings"] = closet_stair;
    assert!((total(&house, "finished-above-grade") - 952.0).abs() < SQUARE_FOOT_MILLIONTH);
}

#[test]
fn an_outline_that_is_level_and_part_is_no_part_of_the_rest() {
    // house and garage make up the level; whatever face is asked for, the rest is the house alone
    let mut house = house();
    house["field_notes"]["wall_thickness"] = json!("6 in");
    house["buildings"][0]["levels"][0]["outline"] = json!(["ground", "garage"]);
    for wall in [
        wall("garage front", "east", "20 ft"),
        wall("garage right", "north", "28 ft"),
        wall("garage rear", "west", "20 ft"),
    ] {
        push(&mut house, "/field_notes/walls", wall);
    }
    push(
        &mut house,
        "/field_notes/outlines",
        json!({ "name": "garage", "from": { "outline": "ground", "corner": 1 }, "sides": [
            { "wall": "garage front" }, { "wall": "garage right" }, { "wall": "garage rear" },
            { "wall": "right", "backwards": true, "edge": "partition" } ] }),
    );
    let garage = json!({ "name": "garage", "use": "garage", "outlines": ["garage"] });
    push(&mut house, "/buildings/0/levels/0/parts", garage);
    assert!((total(&house, "finished-above-grade") - 1120.0).abs() < SQUARE_FOOT_MILLIONTH);
    // to inner faces: 39 x 27 of the house, 19 x 27 of the garage, which this definition states apart
    let inside = super::house::stated(&house, "uk-gia");
    let rooms = inside.lines.iter().find(|line| line.name.as_deref() == Some("rooms")).unwrap();
    assert!((rooms.area.to_square_feet_f64() - 1053.0).abs() < SQUARE_FOOT_MILLIONTH, "{:?}", inside.lines);
}

//! From one face of a wall to another, by hand: a rectilinear ring moved by t loses P t less 4 t t.

use crossfoot_audit::standard::Note;
use serde_json::{Value, json};

use super::angle::{AREA, with_error};
use super::house::{outline, push, rectangle, stated, total, wall};
use super::levels::with_garage;
use super::refused::{add_rectangle, put, refused, remarks};

const OUTSIDE: &str = "finished-above-grade";
const INSIDE: &str = "uk-gia";

fn check(house: &Value, id: &str, expected: f64) {
    let found = total(house, id);
    assert!((found - expected).abs() < 1e-6, "{id}: {found} for {expected}");
}

/// Six inches all round.
fn half_a_foot(mut house: Value) -> Value {
    put(&mut house, "/field_notes/wall_thickness", json!("6 in"));
    house
}

fn area_of(house: &Value, id: &str, name: &str) -> f64 {
    let lines = stated(house, id).lines;
    let line = lines.iter().find(|line| line.name.as_deref() == Some(name));
    line.unwrap().unweighted.to_square_feet_f64()
}

#[test]
fn a_rectangle_and_an_angle_lose_perimeter_times_thickness_less_four_squares() {
    check(&half_a_foot(rectangle("40 ft", "28 ft")), INSIDE, 1120.0 - 136.0 * 0.5 + 1.0);
    // the perimeter of the L is that of the box around it
    check(&half_a_foot(with_error(2, "front", 0.0)), INSIDE, AREA - 140.0 * 0.5 + 1.0);
    check(&half_a_foot(with_error(2, "front", 0.0)), OUTSIDE, AREA);
}

#[test]
fn a_walk_clockwise_has_the_same_areas() {
    let mut house = half_a_foot(with_error(1, "front", 0.0));
    let mut sides = house["field_notes"]["outlines"][0]["sides"].as_array().unwrap().clone();
    sides.reverse();
    for side in &mut sides {
        side["backwards"] = json!(true);
    }
    put(&mut house, "/field_notes/outlines/0/sides", json!(sides));
    check(&house, OUTSIDE, AREA);
    check(&house, INSIDE, AREA - 140.0 * 0.5 + 1.0);
}

#[test]
fn an_outline_along_another_line_is_brought_to_the_line_that_is_asked_for() {
    let mut house = half_a_foot(rectangle("40 ft", "28 ft"));
    for (line, outside, inside) in [
        ("outside", 1120.0, 39.0 * 27.0),
        ("centre", 40.5 * 28.5, 39.5 * 27.5),
        ("inside", 41.0 * 29.0, 1120.0),
    ] {
        put(&mut house, "/field_notes/outlines/0/line", json!(line));
        check(&house, OUTSIDE, outside);
        check(&house, INSIDE, inside);
    }
}

#[test]
fn the_wall_to_a_garage_belongs_to_the_house_outside_and_to_neither_inside() {
    let house = with_garage();
    let near = |id: &str, name: &str, expected: f64| {
        let found = area_of(&house, id, name);
        assert!((found - expected).abs() < 1e-6, "{id} {name}: {found}");
    };
    near(OUTSIDE, "garage", 19.5 * 19.5);
    near(OUTSIDE, "rooms", 1120.0 - 19.5 * 19.5);
    near(INSIDE, "garage", 19.0 * 19.0);
    near(INSIDE, "rooms", 39.0 * 27.0 - 19.5 * 19.5);
}

#[test]
fn a_common_wall_is_measured_to_its_middle_outside_and_its_face_inside() {
    let mut house = half_a_foot(rectangle("40 ft", "28 ft"));
    put(&mut house, "/field_notes/outlines/0/sides/1/edge", json!("common_wall"));
    put(&mut house, "/field_notes/outlines/0/sides/1/thickness", json!("12 in"));
    // its far face was drawn: half a foot to its middle, a foot to the near face
    check(&house, OUTSIDE, 39.5 * 28.0);
    check(&house, INSIDE, 38.5 * 27.0);
}

/// A rectangle whose front is two walls in one line, the second a foot thick.
fn two_in_line(right: &str) -> Value {
    let mut house = half_a_foot(rectangle("20 ft", "28 ft"));
    push(&mut house, "/field_notes/walls", wall("front right", "east", "20 ft"));
    put(&mut house, "/field_notes/walls/1", wall("right", "north", right));
    put(&mut house, "/field_notes/walls/2", wall("rear", "west", "40 ft"));
    let drawn = outline("ground", &["front", "front right", "right", "rear", "left"]);
    put(&mut house, "/field_notes/outlines/0", drawn);
    put(&mut house, "/field_notes/outlines/0/sides/1/thickness", json!("12 in"));
    house
}

#[test]
fn sides_in_one_line_of_different_thickness_are_joined_by_a_step() {
    // 39 x 27 less half a foot along 19.5 ft
    let expected = 39.0 * 27.0 - 9.75;
    check(&two_in_line("28 ft"), INSIDE, expected);
    // a house that is out by 2 in turns its walls a little, and its corners do not run away
    for right in ["28 ft 2 in", "27 ft 10 in"] {
        let house = two_in_line(right);
        let (outside, inside) = (stated(&house, OUTSIDE), stated(&house, INSIDE));
        assert_eq!(inside.notes, []);
        let lost = outside.total.to_square_feet_f64() - inside.total.to_square_feet_f64();
        // by the same hand, with walls up to 2 in longer or shorter
        assert!((lost - (1120.0 - expected)).abs() < 0.25, "{right}: {lost}");
    }
}

#[test]
fn a_porch_that_shares_an_outer_wall_leaves_the_house_as_it_is() {
    let mut house = half_a_foot(rectangle("40 ft", "28 ft"));
    for wall in [
        wall("porch right", "south", "8 ft"),
        wall("porch front", "west", "40 ft"),
        wall("porch left", "north", "8 ft"),
    ] {
        push(&mut house, "/field_notes/walls", wall);
    }
    let open = |wall: &str| json!({ "wall": wall, "edge": "open" });
    push(
        &mut house,
        "/field_notes/outlines",
        json!({ "name": "porch", "sides": [
            open("front"), open("porch right"), open("porch front"), open("porch left")] }),
    );
    push(
        &mut house,
        "/buildings/0/levels/0/parts",
        json!({ "name": "porch", "use": "porch", "outlines": ["porch"] }),
    );
    assert_eq!(remarks(&house), []);
    check(&house, OUTSIDE, 1120.0);
    check(&house, INSIDE, 1053.0);
    for id in [OUTSIDE, INSIDE] {
        assert!((area_of(&house, id, "porch") - 320.0).abs() < 1e-6);
    }
}

#[test]
fn a_thickness_that_is_not_stated_is_noted_and_widens_the_spread_only_where_it_is_used() {
    let house = rectangle("40 ft", "28 ft");
    let outside = stated(&house, OUTSIDE);
    assert_eq!((outside.notes.len(), outside.spread.thickness), (0, 0.0));
    let inside = stated(&house, INSIDE);
    assert_eq!(inside.notes, [Note::ThicknessAssumed { place: "main house, level 1, rooms".to_owned() }]);
    // 8 in assumed, with 8 in over the root of 12: the inner perimeter times that
    let (width, depth) = (40.0 - 4.0 / 3.0, 28.0 - 4.0 / 3.0);
    assert!((inside.total.to_square_feet_f64() - width * depth).abs() < 1e-6);
    let sd = 2.0 * (width + depth) * (2.0 / 3.0) / 12.0_f64.sqrt();
    assert!((inside.spread.thickness.sqrt() - sd).abs() < 1e-6, "{}", inside.spread.thickness.sqrt());
    assert_eq!(stated(&half_a_foot(house), INSIDE).spread.thickness, 0.0);
}

#[test]
fn the_thickness_that_a_garage_and_its_house_share_moves_both_at_once() {
    let mut house = with_garage();
    house["field_notes"].as_object_mut().unwrap().remove("wall_thickness");
    // counted together, only the outer walls and both faces of the partitions matter: by hand at t = 2/3
    let areas = stated(&house, INSIDE);
    let t = 2.0 / 3.0;
    let sum = |t: f64| {
        let whole = (40.0 - 2.0 * t) * (28.0 - 2.0 * t);
        let garage = 20.0 - 2.0 * t;
        whole - (20.0 - t) * (20.0 - t) + garage * garage
    };
    assert!((areas.total.to_square_feet_f64() - sum(t)).abs() < 1e-6);
    let slope = (sum(t + 1e-4) - sum(t - 1e-4)) / 2e-4;
    let sd = (slope * (2.0 / 3.0) / 12.0_f64.sqrt()).abs();
    assert!((areas.spread.thickness.sqrt() - sd).abs() < 1e-3, "{} for {sd}", areas.spread.thickness.sqrt());
}

#[test]
fn walls_thicker_than_the_house_are_not_moved_and_that_is_noted() {
    let mut house = rectangle("40 ft", "28 ft");
    put(&mut house, "/field_notes/wall_thickness", json!("60 ft"));
    let areas = stated(&house, INSIDE);
    assert_eq!(areas.notes, [Note::NotMoved { place: "main house, level 1, rooms".to_owned() }]);
    assert!((areas.total.to_square_feet_f64() - 1120.0).abs() < 1e-6);
}

#[test]
fn a_side_read_at_another_face_needs_the_thickness_and_square_corners() {
    let mut house = rectangle("40 ft", "28 ft");
    put(&mut house, "/field_notes/outlines/0/sides/1/read_at", json!("inside"));
    let place = "/field_notes/outlines/0/sides/1/read_at";
    assert_eq!(refused(&house), [(place.to_owned(), "the thickness of \"front\" is not stated".to_owned())]);
    let mut house = half_a_foot(house);
    put(&mut house, "/field_notes/walls/1", wall("right", "north", "27 ft"));
    check(&house, OUTSIDE, 1120.0);
    // between the middles of the walls at its ends: half of their thickness at each
    put(&mut house, place, json!("centre"));
    put(&mut house, "/field_notes/walls/1", wall("right", "north", "27 ft 6 in"));
    check(&house, OUTSIDE, 1120.0);
    put(&mut house, "/field_notes/walls/0/direction", json!({ "bearing": { "degrees": 85.0 } }));
    let found = refused(&house);
    assert_eq!(
        found[0],
        (place.to_owned(), "the corner with \"front\" is not square: thickness cannot be added".to_owned())
    );
}

#[test]
fn a_room_within_the_level_shares_its_outer_walls() {
    let mut house = half_a_foot(rectangle("40 ft", "28 ft"));
    add_rectangle(&mut house, "den", ("10 ft", "10 ft"), &[("east", "30 ft")]);
    for (side, edge) in [(2, "open"), (3, "open")] {
        put(&mut house, &format!("/field_notes/outlines/1/sides/{side}/edge"), json!(edge));
    }
    push(
        &mut house,
        "/buildings/0/levels/0/parts",
        json!({ "name": "den", "use": "recreation", "outlines": ["den"] }),
    );
    check(&house, INSIDE, 39.0 * 27.0);
    assert!((area_of(&house, INSIDE, "den") - 9.5 * 9.5).abs() < 1e-6);
}

#[test]
fn a_court_takes_its_walls_from_the_inside_of_the_house() {
    let mut house = half_a_foot(rectangle("40 ft", "28 ft"));
    add_rectangle(&mut house, "court", ("10 ft", "10 ft"), &[("east", "15 ft"), ("north", "9 ft")]);
    put(
        &mut house,
        "/buildings/0/levels/0/parts/0",
        json!({ "name": "rooms", "use": "living", "outlines": ["ground"], "less": ["court"] }),
    );
    // 10 x 10 ft under the sky; between inner faces the house begins half a foot beyond
    check(&house, OUTSIDE, 1120.0 - 100.0);
    check(&house, INSIDE, 39.0 * 27.0 - 11.0 * 11.0);
    // the same court read in the rooms around it
    let mut rooms = house.clone();
    for (wall, toward) in [("front", "east"), ("right", "north"), ("rear", "west"), ("left", "south")] {
        let name = format!("court {wall}");
        let at = rooms["field_notes"]["walls"]
            .as_array()
            .unwrap()
            .iter()
            .position(|one| one["name"] == name.as_str());
        put(
            &mut rooms,
            &format!("/field_notes/walls/{}", at.unwrap()),
            super::house::wall(&name, toward, "11 ft"),
        );
    }
    let mut read_at = rooms.clone();
    for side in 0..4 {
        put(&mut read_at, &format!("/field_notes/outlines/1/sides/{side}/read_at"), json!("inside"));
    }
    check(&read_at, OUTSIDE, 1020.0);
    put(&mut rooms, "/field_notes/outlines/1/line", json!("inside"));
    check(&rooms, OUTSIDE, 1020.0);
    check(&rooms, INSIDE, 932.0);
    // what is a part itself is no court: its walls are walls of the house
    let mut shed = house;
    push(
        &mut shed,
        "/buildings/0/levels/0/parts",
        json!({ "name": "shed", "use": "storage", "finish": "unfinished", "outlines": ["court"] }),
    );
    assert!((area_of(&shed, INSIDE, "rooms") - (1053.0 - 81.0)).abs() < 1e-6);
}

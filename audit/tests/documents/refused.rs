//! Documents that cannot be taken: each fault with its place.

use serde_json::{Value, json};

use super::house::{outline, push, read, rectangle, wall};
use super::loft::{to_the_railing, to_the_wall};

/// A rectangle of `width` by `depth` whose corner 0 lies at the end of `way` from the origin; walls are named after it.
pub(crate) fn add_rectangle(
    house: &mut Value,
    name: &str,
    (width, depth): (&str, &str),
    way: &[(&str, &str)],
) {
    let names = ["front", "right", "rear", "left"].map(|side| format!("{name} {side}"));
    for (side, (toward, length)) in
        names.iter().zip([("east", width), ("north", depth), ("west", width), ("south", depth)])
    {
        push(house, "/field_notes/walls", wall(side, toward, length));
    }
    let mut drawn = outline(name, &names.each_ref().map(String::as_str));
    let mut walked = Vec::new();
    for (at, (toward, length)) in way.iter().enumerate() {
        let wall_name = format!("{name} way {at}");
        push(house, "/field_notes/walls", wall(&wall_name, toward, length));
        walked.push(json!({ "wall": wall_name }));
    }
    drawn["way"] = json!(walked);
    push(house, "/field_notes/outlines", drawn);
}

/// What is refused: pointer and words.
pub(crate) fn refused(document: &Value) -> Vec<(String, String)> {
    let problems = read(document).unwrap_err();
    assert!(problems.iter().all(|problem| !problem.mend.is_empty()), "{problems:#?}");
    problems.into_iter().map(|problem| (problem.pointer, problem.detail)).collect()
}

/// Pointer and words of the remarks of a document that is taken.
pub(crate) fn remarks(document: &Value) -> Vec<(String, String)> {
    let measurement = read(document).unwrap_or_else(|problems| panic!("{problems:#?}"));
    measurement.remarks.into_iter().map(|remark| (remark.pointer, remark.detail)).collect()
}

/// Writes a value at a place whose parent is there.
pub(crate) fn put(document: &mut Value, pointer: &str, value: Value) {
    let (parent, name) = pointer.rsplit_once('/').unwrap();
    let place = document.pointer_mut(parent).unwrap();
    if place.is_array() {
        place[name.parse::<usize>().unwrap()] = value;
    } else {
        place[name] = value;
    }
}

fn under_a_slope() -> Value {
    let mut house = rectangle("40 ft", "28 ft");
    house["buildings"][0]["levels"][0]["parts"][0]["ceiling"] =
        json!({ "sloped": { "width": "24 ft", "sides": [{ "knee": "4 ft", "rise": 6, "run": 12 }] } });
    house
}

#[test]
fn a_fault_of_the_notes_is_told_at_its_own_place() {
    // the notes may be left out and a ceiling has several forms: neither may hide the place
    let good = under_a_slope();
    assert!(read(&good).is_ok());
    for (pointer, value) in [
        ("/field_notes/wall_thickness", json!(6)),
        ("/field_notes/walls/1/length/readings/0/pieces/0/length", json!(28)),
        ("/field_notes/walls/1/direction/compass/toward", json!("up")),
        ("/field_notes/walls/1/direction", json!({ "kompass": { "toward": "north" } })),
        ("/field_notes/instruments/0/kind", json!("ruler")),
        ("/field_notes/outlines/0/line", json!("middle")),
        ("/field_notes/outlines/0/sides/2/backwards", json!("yes")),
        ("/field_notes/notation", json!("inches")),
        ("/buildings/0/levels/0/parts/0/ceiling/sloped/sides/0/rise", json!("six")),
        ("/buildings/0/levels/0/parts/0/ceiling", json!({ "slanted": {} })),
        ("/buildings/0/levels/0/parts/0/ceiling", json!("flat")),
        ("/buildings/0/levels/0/parts/0/use", json!("bedroom")),
        ("/buildings/0/levels/0/storey", json!("one and a half")),
        ("/buildings/0/levels/0/outline", json!("ground")),
    ] {
        let mut wrong = good.clone();
        put(&mut wrong, pointer, value);
        let problems = read(&wrong).unwrap_err();
        let places: Vec<&str> = problems.iter().map(|p| p.pointer.as_str()).collect();
        assert_eq!(places, [pointer], "{problems:#?}");
    }
}

#[test]
fn a_value_of_a_list_is_refused_with_the_list() {
    let mut wrong = under_a_slope();
    put(&mut wrong, "/field_notes/notation", json!("inches"));
    let problems = read(&wrong).unwrap_err();
    assert_eq!(problems[0].detail, "\"inches\" is none of the values that it can have");
    assert_eq!(problems[0].mend, "use one of feet_inches, decimal_feet, metres");
}

const LEVEL: &str = "/buildings/0/levels/0";

fn owned(pointer: &str, detail: &str) -> (String, String) {
    (pointer.to_owned(), detail.to_owned())
}

fn part(name: &str, part_use: &str) -> Value {
    json!({ "name": name, "use": part_use, "outlines": [name] })
}

#[test]
fn parts_that_overlap_are_refused_with_the_place() {
    let mut house = rectangle("40 ft", "28 ft");
    add_rectangle(&mut house, "garage", ("20 ft", "20 ft"), &[]);
    add_rectangle(&mut house, "den", ("10 ft", "10 ft"), &[("east", "15 ft"), ("north", "5 ft")]);
    push(&mut house, "/buildings/0/levels/0/parts", part("garage", "garage"));
    push(&mut house, "/buildings/0/levels/0/parts", part("den", "living"));
    assert_eq!(
        refused(&house),
        [owned(
            "/buildings/0/levels/0/parts/2",
            "\"den\" overlaps \"garage\": 50.0 sq ft between 15.0 ft east and 5.0 ft north of the origin and 20.0 ft east and 15.0 ft north of the origin"
        )]
    );
}

#[test]
fn a_part_outside_its_level_is_refused_and_a_porch_beside_it_is_not() {
    let with = |part_use: &str, east: &str| {
        let mut house = rectangle("40 ft", "28 ft");
        add_rectangle(&mut house, "den", ("10 ft", "10 ft"), &[("east", east), ("north", "5 ft")]);
        push(&mut house, "/buildings/0/levels/0/parts", part("den", part_use));
        house
    };
    let out = "\"den\" lies outside its level: 50.0 sq ft between 40.0 ft east and 5.0 ft north of the origin and 45.0 ft east and 15.0 ft north of the origin";
    for part_use in ["living", "porch"] {
        let found = refused(&with(part_use, "35 ft"));
        assert_eq!(found[0], owned("/buildings/0/levels/0/parts/1", out));
    }
    let beside = "\"den\" lies outside its level: 100.0 sq ft between 40.0 ft east and 5.0 ft north of the origin and 50.0 ft east and 15.0 ft north of the origin";
    assert_eq!(refused(&with("living", "40 ft")), [owned("/buildings/0/levels/0/parts/1", beside)]);
    assert_eq!(remarks(&with("porch", "40 ft")), []);
}

#[test]
fn an_outline_that_crosses_itself_is_refused_where_it_does() {
    let mut house = rectangle("40 ft", "28 ft");
    // an hourglass: 40 ft east, back on the slant, 40 ft east, back on the slant
    let slant = |name: &str, toward: &str| {
        let leg = |toward: &str, length: &str| {
            let pieces = json!([{ "length": length, "instrument": "laser" }]);
            json!({ "toward": toward, "distance": { "readings": [{ "pieces": pieces }] } })
        };
        json!({ "name": name, "direction": { "run_and_rise": {
            "run": leg("west", "40 ft"), "rise": leg(toward, "28 ft") } } })
    };
    put(&mut house, "/field_notes/walls/1", slant("right", "north"));
    put(&mut house, "/field_notes/walls/2", wall("rear", "east", "40 ft"));
    put(&mut house, "/field_notes/walls/3", slant("left", "south"));
    assert_eq!(
        refused(&house),
        [owned(
            "/field_notes/outlines/0/sides",
            "\"ground\" crosses itself: \"right\" and \"left\" meet at 20.0 ft east and 14.0 ft north of the origin"
        )]
    );
}

#[test]
fn outlines_of_one_part_level_or_opening_do_not_overlap() {
    let mut house = rectangle("40 ft", "28 ft");
    add_rectangle(&mut house, "wing", ("20 ft", "20 ft"), &[("east", "30 ft")]);
    let detail = "the outline \"wing\" overlaps \"ground\": 200.0 sq ft between 30.0 ft east and 0.0 ft north of the origin and 40.0 ft east and 20.0 ft north of the origin stands in both";
    let mut of_part = house.clone();
    of_part["buildings"][0]["levels"][0] = json!({ "level": 1, "grade": "above", "parts": [
        { "use": "living", "outlines": ["ground", "wing"] }] });
    assert_eq!(refused(&of_part), [owned("/buildings/0/levels/0/parts/0/outlines/1", detail)]);
    put(&mut house, "/buildings/0/levels/0/outline", json!(["ground", "wing"]));
    assert_eq!(refused(&house), [owned("/buildings/0/levels/0/outline/1", detail)]);
}

#[test]
fn cut_outs_lie_within_and_apart() {
    let with = |first: &str, second: &str| {
        let mut house = rectangle("40 ft", "28 ft");
        add_rectangle(&mut house, "a", ("10 ft", "10 ft"), &[("east", first), ("north", "5 ft")]);
        add_rectangle(&mut house, "b", ("10 ft", "10 ft"), &[("east", second), ("north", "5 ft")]);
        house["buildings"][0]["levels"][0]["parts"] =
            json!([{ "name": "all", "use": "living", "outlines": ["ground"], "less": ["a", "b"] }]);
        house
    };
    let overlap = "the outline \"b\" overlaps \"a\": 50.0 sq ft between 10.0 ft east and 5.0 ft north of the origin and 15.0 ft east and 15.0 ft north of the origin stands in both";
    let less = "/buildings/0/levels/0/parts/0/less";
    assert_eq!(refused(&with("5 ft", "10 ft")), [(format!("{less}/1"), overlap.to_owned())]);
    let out = "what is cut out of \"all\" lies outside it: 20.0 sq ft between 40.0 ft east and 5.0 ft north of the origin and 42.0 ft east and 15.0 ft north of the origin";
    assert_eq!(refused(&with("5 ft", "32 ft")), [owned(less, out)]);
    let good = with("5 ft", "15 ft");
    assert_eq!(remarks(&good), [owned(LEVEL, "200.0 sq ft of the level's outline belong to no part")]);
    assert!((super::house::total(&good, "finished-above-grade") - 920.0).abs() < 1e-6);
}

#[test]
fn voids_are_drawn_once() {
    let mut house = to_the_wall();
    let again = house["buildings"][0]["levels"][1]["openings"][0].clone();
    push(&mut house, "/buildings/0/levels/1/openings", again);
    let place = "168.0 sq ft between 0.0 ft east and 0.0 ft north of the origin and 12.0 ft east and 14.0 ft north of the origin";
    let openings = "/buildings/0/levels/1/openings/1";
    assert_eq!(
        refused(&house),
        [
            (format!("{openings}/name"), "two openings of the level are called \"hall\"".to_owned()),
            (openings.to_owned(), format!("the opening \"hall\" overlaps \"hall\": {place}")),
        ]
    );
    put(&mut house, "/buildings/0/levels/1/openings/1/name", json!("shaft"));
    assert_eq!(
        refused(&house),
        [(openings.to_owned(), format!("the opening \"shaft\" overlaps \"hall\": {place}"))]
    );
}

#[test]
fn an_opening_larger_than_its_part_is_refused() {
    let mut house = to_the_wall();
    put(
        &mut house,
        "/buildings/0/levels/1/openings/0",
        json!({ "name": "hall", "area_sqft": 2000.0, "cut_from": "loft" }),
    );
    assert_eq!(
        refused(&house),
        [owned("/buildings/0/levels/1/openings/0", "the opening is larger than \"loft\"")]
    );
}

#[test]
fn a_stair_outside_its_opening_is_refused() {
    let mut house = to_the_wall();
    add_rectangle(&mut house, "flight", ("3 ft", "12 ft"), &[("east", "10 ft")]);
    put(
        &mut house,
        "/buildings/0/levels/1/stairs/0",
        json!({ "name": "main stair", "opening": "hall", "outlines": ["flight"] }),
    );
    assert_eq!(
        refused(&house),
        [owned(
            "/buildings/0/levels/1/stairs/0/outlines",
            "the stair \"main stair\" lies outside its opening: 12.0 sq ft between 12.0 ft east and 0.0 ft north of the origin and 13.0 ft east and 12.0 ft north of the origin"
        )]
    );
}

#[test]
fn unknown_names_are_all_told_at_their_places() {
    let mut house = to_the_wall();
    let level = "/buildings/0/levels/1";
    put(&mut house, &format!("{level}/outline/0"), json!("grond"));
    put(&mut house, &format!("{level}/openings/0/cut_from"), json!("lofft"));
    put(&mut house, &format!("{level}/openings/0/outlines/0"), json!("voit"));
    put(&mut house, &format!("{level}/stairs/0/opening"), json!("hal"));
    put(&mut house, "/measured_on", json!("2026-02-30"));
    put(&mut house, "/parcel", json!(" "));
    put(&mut house, "/buildings/0/levels/0/parts/0/area_sqft", json!(1120.0));
    let found = refused(&house);
    for (pointer, detail) in [
        ("/measured_on", "2026-02-30 is not a day of the calendar"),
        ("/parcel", "only spaces"),
        ("/buildings/0/levels/0/parts/0", "its area is given in more than one way"),
        ("/buildings/0/levels/1/outline/0", "no outline is named \"grond\""),
        ("/buildings/0/levels/1/openings/0/cut_from", "no part of the level is called \"lofft\""),
        ("/buildings/0/levels/1/openings/0/outlines/0", "no outline is named \"voit\""),
        ("/buildings/0/levels/1/stairs/0/opening", "no opening of the level is called \"hal\""),
    ] {
        assert!(found.contains(&owned(pointer, detail)), "{pointer}: {found:#?}");
    }
}

#[test]
fn everything_wrong_with_the_notes_is_told_together() {
    let mut house = to_the_wall();
    put(&mut house, "/field_notes/outlines/0/sides/1/wall", json!("rigth"));
    put(&mut house, "/field_notes/outlines/1/name", json!("ground"));
    put(&mut house, "/field_notes/walls/4/name", json!("front"));
    put(&mut house, "/field_notes/walls/2/length/readings/0/pieces/0/instrument", json!("tape"));
    put(&mut house, "/measured_on", json!("2026-02-30"));
    let found = refused(&house);
    let mut pointers: Vec<&str> = found.iter().map(|(pointer, _)| pointer.as_str()).collect();
    pointers.sort_unstable();
    assert_eq!(
        pointers,
        [
            "/field_notes/outlines/0/sides/1/wall",
            "/field_notes/outlines/1/name",
            "/field_notes/outlines/1/sides/0/wall",
            "/field_notes/walls/2/length/readings/0/pieces/0/instrument",
            "/field_notes/walls/4/name",
            "/measured_on",
        ],
        "{found:#?}"
    );
}

#[test]
fn thickness_below_zero_or_without_unit_is_refused() {
    for (thickness, detail) in [("-6 in", "\"-6 in\" is negative"), ("6", "\"6\" has no unit")] {
        let mut house = rectangle("40 ft", "28 ft");
        put(&mut house, "/field_notes/wall_thickness", json!(thickness));
        let found = refused(&house);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].0, "/field_notes/wall_thickness");
        assert!(found[0].1.starts_with(detail), "{found:?}");
    }
}

#[test]
fn a_corner_of_an_outline_without_sides_is_refused() {
    let mut house = to_the_railing();
    put(&mut house, "/field_notes/outlines/1/sides", json!([]));
    let found = refused(&house);
    assert!(found.iter().any(|(pointer, _)| pointer == "/field_notes/outlines/2/from/corner"), "{found:#?}");
    assert!(found.iter().any(|(pointer, _)| pointer == "/field_notes/outlines/1/sides"), "{found:#?}");
}

#[test]
fn two_stairs_in_one_opening_do_not_overlap() {
    let mut house = to_the_wall();
    add_rectangle(&mut house, "up", ("3 ft", "12 ft"), &[("east", "1 ft")]);
    add_rectangle(&mut house, "again", ("3 ft", "12 ft"), &[("east", "2 ft")]);
    let stairs: Vec<Value> =
        ["up", "again"].map(|name| json!({ "name": name, "opening": "hall", "outlines": [name] })).to_vec();
    put(&mut house, "/buildings/0/levels/1/stairs", json!(stairs));
    let place = "24.0 sq ft between 2.0 ft east and 0.0 ft north of the origin and 4.0 ft east and 12.0 ft north of the origin";
    assert_eq!(
        refused(&house),
        [(
            "/buildings/0/levels/1/stairs/1/outlines".to_owned(),
            format!("the stair \"again\" overlaps \"up\": {place}")
        )]
    );
}

//! Ceilings through documents: areas by hand, and notes only where a reader needs them. Heights and shares are those
//! of the standards, which name their sources; half storeys after Maryland's manual.

use crossfoot_audit::standard::Note;
use serde_json::{Value, json};

use super::house::{push, rectangle, stated};
use super::refused::{add_rectangle, put, refused};

const ANSI: &str = "finished-above-grade";
const GROUND: f64 = 1120.0;

/// 40 x 28 ft with a level of 40 x 24 ft under the roof, which is the part that is given.
fn under_the_roof(part: Value) -> Value {
    let mut house = rectangle("40 ft", "28 ft");
    // walls without thickness: every face is one
    put(&mut house, "/field_notes/wall_thickness", json!("0 in"));
    add_rectangle(&mut house, "attic", ("40 ft", "24 ft"), &[("north", "2 ft")]);
    push(
        &mut house,
        "/buildings/0/levels",
        json!({ "level": 2, "grade": "above", "outline": ["attic"], "parts": [part],
                "stairs": [{ "name": "stair" }] }),
    );
    house
}

fn rooms(ceiling: Value) -> Value {
    under_the_roof(json!({ "name": "bonus", "use": "living", "rest": true, "ceiling": ceiling }))
}

/// Two equal slopes over 24 ft, above knee walls of 4 ft.
fn slopes(rise: u32) -> Value {
    let side = json!({ "knee": "4 ft", "rise": rise, "run": 12 });
    json!({ "sloped": { "width": "24 ft", "sides": [side.clone(), side] } })
}

fn widths(at: &[(&str, &str)]) -> Value {
    let at: Vec<Value> =
        at.iter().map(|(height, width)| json!({ "height": height, "width": width })).collect();
    json!({ "widths": { "floor": "24 ft", "at": at } })
}

/// What counts above the ground floor, and the notes.
fn check(house: &Value, id: &str, expected: f64, notes: &[Note]) {
    let areas = stated(house, id);
    let upper: f64 = areas.total.to_square_feet_f64() - GROUND;
    assert!((upper - expected).abs() < 1e-6, "{id}: {upper} for {expected}\n{:#?}", areas.lines);
    assert_eq!(areas.notes, notes, "{id}");
}

fn place() -> String {
    "main house, level 2, bonus".to_owned()
}

#[test]
fn a_sloped_room_counts_from_five_feet_when_half_of_it_has_seven() {
    // W(t) = 24 - 2 (t - 4) 12 / rise, over 40 ft. 6 over 12: 20 ft at 5 ft, 12 ft at 7 ft
    check(&rooms(slopes(6)), ANSI, 20.0 * 40.0, &[]);
    // 4 over 12: 18 and 6 ft, less than half: all of it stands apart
    let failing = rooms(slopes(4));
    check(&failing, ANSI, 0.0, &[]);
    let line = stated(&failing, ANSI).lines.into_iter().find(|line| line.level == 2).unwrap();
    assert_eq!(line.heading.as_deref(), Some("finished area under low ceilings"));
    // 5 over 12: 19.2 and 9.6 ft, half exactly, of the floor from 5 ft on and not of all of it
    let notes = [Note::BaseMatters { place: place() }, Note::HeightDecides { place: place() }];
    check(&rooms(slopes(5)), ANSI, 19.2 * 40.0, &notes);
}

#[test]
fn widths_read_at_five_and_seven_feet_are_what_slopes_give() {
    let read = rooms(widths(&[("5 ft", "20 ft"), ("7 ft", "12 ft")]));
    check(&read, ANSI, 800.0, &[]);
    // by heights of 1 and 2 m the floor counts by half and in full; below 5 ft the slope is drawn out
    let at_two_metres = 20.0 - 4.0 * (2.0 / 0.3048 - 5.0);
    let expected = 40.0 * (at_two_metres + (24.0 - at_two_metres) / 2.0);
    let areas = stated(&read, "woflv");
    let upper: f64 =
        areas.lines.iter().filter(|line| line.level == 2).map(|line| line.area.to_square_feet_f64()).sum();
    assert!((upper - expected).abs() < 1e-6, "{upper} for {expected}");
    assert_eq!(areas.notes, [Note::Extrapolated { place: place() }]);
    // the order in which widths were written is of no matter
    check(&rooms(widths(&[("7 ft", "12 ft"), ("5 ft", "20 ft")])), ANSI, 800.0, &[]);
}

#[test]
fn a_dormer_counts_with_the_room_that_it_belongs_to() {
    // alone, 18 ft at 5 ft and 6 ft at 7 ft fail; with a dormer of 12 x 24 ft at 8 ft, 6 x 28 + 288 = 456 are more than
    // half of 18 x 28 + 288 = 792, and less than half of the 960 of the floor
    let mut house = under_the_roof(
        json!({ "name": "bonus", "room": "bonus", "use": "living", "rest": true, "ceiling": slopes(4) }),
    );
    add_rectangle(&mut house, "dormer", ("12 ft", "24 ft"), &[("east", "10 ft"), ("north", "2 ft")]);
    let dormer = json!({ "name": "dormer", "room": "bonus", "use": "living", "outlines": ["dormer"],
                         "ceiling": { "flat": { "height": "8 ft" } } });
    push(&mut house, "/buildings/0/levels/1/parts", dormer);
    check(&house, ANSI, 18.0 * 28.0 + 288.0, &[Note::BaseMatters { place: place() }]);
    house["buildings"][0]["levels"][1]["parts"][1].as_object_mut().unwrap().remove("room");
    check(&house, ANSI, 288.0, &[]);
}

#[test]
fn flat_ceilings_count_from_seven_feet_and_beams_from_six_feet_four() {
    let flat = |height: &str, beam: &str| {
        rooms(json!({ "flat": { "height": height, "beams": [{ "height": beam, "area_sqft": 30.0 }] } }))
    };
    check(&flat("7 ft", "6 ft 4 in"), ANSI, 960.0, &[]);
    check(&flat("7 ft", "6 ft 3 15/16 in"), ANSI, 930.0, &[]);
    check(&flat("6 ft 11 15/16 in", "6 ft 4 in"), ANSI, 0.0, &[]);
    check(&rooms(json!({ "flat": { "height": "7 ft" } })), ANSI, 960.0, &[]);
}

#[test]
fn floor_under_stairs_counts_as_the_standard_says() {
    let mut house = rectangle("40 ft", "28 ft");
    put(&mut house, "/field_notes/wall_thickness", json!("0 in"));
    add_rectangle(&mut house, "closet", ("3 ft", "10 ft"), &[("east", "20 ft"), ("north", "10 ft")]);
    let closet =
        json!({ "name": "closet", "use": "storage", "outlines": ["closet"], "ceiling": "under_stairs" });
    push(&mut house, "/buildings/0/levels/0/parts", closet);
    check(&house, ANSI, 0.0, &[]);
    check(&house, "woflv", -30.0, &[]);
}

#[test]
fn half_a_storey_counts_by_the_ground_that_it_stands_over() {
    const MARYLAND: &str = "maryland-living-area";
    let mut house = rooms(slopes(6));
    put(&mut house, "/buildings/0/levels/1/storey", json!("half"));
    let taken = [Note::FootprintTaken { place: "main house, level 2".to_owned() }];
    check(&house, MARYLAND, GROUND / 2.0, &taken);
    // stated: as outlines, or as a figure
    put(&mut house, "/buildings/0/levels/1/over", json!(["attic"]));
    check(&house, MARYLAND, 480.0, &[]);
    house["buildings"][0]["levels"][1].as_object_mut().unwrap().remove("over");
    put(&mut house, "/buildings/0/levels/1/over_sqft", json!(900.0));
    check(&house, MARYLAND, 450.0, &[]);
    // a standard without half storeys looks at the slopes
    check(&house, ANSI, 800.0, &[]);
    // with both, or for a whole storey, it is refused
    put(&mut house, "/buildings/0/levels/1/over", json!(["attic"]));
    let place = "/buildings/0/levels/1/over";
    assert_eq!(refused(&house), [(place.to_owned(), "the ground area is given in two ways".to_owned())]);
    house["buildings"][0]["levels"][1].as_object_mut().unwrap().remove("over");
    put(&mut house, "/buildings/0/levels/1/storey", json!("full"));
    assert_eq!(
        refused(&house),
        [(
            "/buildings/0/levels/1/over_sqft".to_owned(),
            "only half a storey states the ground area that it stands over".to_owned()
        )]
    );
}

#[test]
fn half_a_storey_over_nothing_is_noted() {
    let mut house = rooms(slopes(6));
    put(&mut house, "/buildings/0/levels/1/storey", json!("half"));
    house["buildings"][0]["levels"].as_array_mut().unwrap().remove(0);
    let areas = stated(&house, "maryland-living-area");
    assert!(areas.total.to_square_feet_f64().abs() < 1e-9);
    assert_eq!(areas.notes, [Note::NoFootprint { place: "main house, level 2".to_owned() }]);
}

#[test]
fn the_ground_below_half_a_storey_is_what_counts_of_it() {
    let mut house = rooms(slopes(6));
    put(&mut house, "/buildings/0/levels/1/storey", json!("half"));
    add_rectangle(&mut house, "garage", ("20 ft", "20 ft"), &[]);
    let garage = json!({ "name": "garage", "use": "garage", "outlines": ["garage"] });
    push(&mut house, "/buildings/0/levels/0/parts", garage);
    let areas = stated(&house, "maryland-living-area");
    assert!((areas.total.to_square_feet_f64() - 720.0 * 1.5).abs() < 1e-6);
}

#[test]
fn ceilings_that_cannot_be_are_refused_at_their_place() {
    let place = "/buildings/0/levels/1/parts/0/ceiling";
    let side = |knee: &str| json!({ "knee": knee, "rise": 6, "run": 12 });
    for (ceiling, detail) in [
        (json!({ "flat": { "height": "0 ft" } }), "the ceiling has no height"),
        (
            json!({ "sloped": { "width": "0 ft", "sides": [side("4 ft")] } }),
            "the floor under the slopes has no width",
        ),
        (
            json!({ "sloped": { "width": "24 ft", "sides": [side("4 ft")], "flat_at": "3 ft" } }),
            "the flat piece lies below a knee wall",
        ),
        (widths(&[("5 ft", "25 ft")]), "a width is larger than the floor"),
        (widths(&[("5 ft", "12 ft"), ("7 ft", "20 ft")]), "the room becomes wider with height"),
        (widths(&[("5 ft", "12 ft"), ("5 ft", "12 ft")]), "the room becomes wider with height"),
    ] {
        assert_eq!(refused(&rooms(ceiling)), [(place.to_owned(), detail.to_owned())]);
    }
}

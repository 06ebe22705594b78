//! Staircases of whole inches: writing a house down differently, or drawing it in place of stating it, changes no area.
//! Unlike the houses of `sketch`, they are rewritten as JSON: the same walls are walked backwards or under other names.

use std::collections::BTreeMap;

use crossfoot_audit::house::WallFace;
use crossfoot_audit::standard::{AreaStatement, Standard};
use proptest::prelude::*;
use proptest::sample::{Index, select};
use proptest::test_runner::RngSeed;
use serde_json::{Value, json};

use super::house::{outline, push, read, rectangle, standards, total, wall};
use super::refused::put;

/// Square feet: corners are kept to nanometres.
const WITHIN: f64 = 1e-6;

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        rng_seed: RngSeed::Fixed(20_260_311),
        failure_persistence: None,
        max_shrink_iters: 200,
        ..ProptestConfig::default()
    }
}

/// A house whose rear descends to the right in steps, each `(west, north)` in inches, from the right rear to the left.
#[derive(Debug, Clone)]
struct Staircase {
    steps: Vec<(i64, i64)>,
    /// In the corner at the front and the left, where the house is as deep and as wide as it gets.
    garage: Option<(i64, i64)>,
    /// Beside the garage, with a stair a foot from its sides.
    stairwell: Option<(i64, i64)>,
    thickness: i64,
}

/// West and north of the stairwell's corner: beyond every garage.
const STAIRWELL_AT: (i64, i64) = (210, 30);

fn staircases() -> impl Strategy<Value = Staircase> {
    // the first step north and the last one west leave room for garage and stairwell; all are wider than two walls
    let right = (30_i64..150, 240_i64..400);
    let between = (30_i64..150, 30_i64..150);
    let left = (320_i64..500, 240_i64..400);
    let steps = (0_usize..3, right, between, left).prop_map(|(more, right, between, left)| match more {
        0 => vec![left],
        1 => vec![right, left],
        _ => vec![right, between, left],
    });
    let garage = proptest::option::of((100_i64..200, 100_i64..200));
    let stairwell = proptest::option::of((40_i64..100, 40_i64..200));
    (steps, garage, stairwell, 3_i64..13).prop_map(|(steps, garage, stairwell, thickness)| Staircase {
        steps,
        garage,
        stairwell,
        thickness,
    })
}

fn inches(length: i64) -> String {
    format!("{length} in")
}

fn sqft(square_inches: i64) -> f64 {
    square_inches as f64 / 144.0
}

/// A rectangle with walls of its own, reached from the corner of the house at the front and the left.
fn add_box(document: &mut Value, name: &str, at: (i64, i64), (width, depth): (i64, i64), edges: [&str; 4]) {
    let mut way = Vec::new();
    for (toward, step) in [("east", at.0), ("north", at.1)] {
        let length = inches(step.abs());
        let toward = match (toward, step.signum()) {
            (_, 0) => continue,
            ("east", -1) => "west",
            ("north", -1) => "south",
            (toward, _) => toward,
        };
        let walk = format!("{name} way {toward}");
        push(document, "/field_notes/walls", wall(&walk, toward, &length));
        way.push(json!({ "wall": walk }));
    }
    let sides = [("east", width), ("north", depth), ("west", width), ("south", depth)];
    let sides = sides.into_iter().zip(edges).map(|((toward, length), edge)| {
        let side = format!("{name} {toward}");
        push(document, "/field_notes/walls", wall(&side, toward, &inches(length)));
        json!({ "wall": side, "edge": edge })
    });
    let sides: Vec<Value> = sides.collect();
    let from = json!({ "outline": "ground", "corner": 0 });
    push(
        document,
        "/field_notes/outlines",
        json!({ "name": name, "from": from, "way": way, "sides": sides }),
    );
}

impl Staircase {
    fn plain(steps: &[(i64, i64)], thickness: i64) -> Self {
        Staircase { steps: steps.to_vec(), garage: None, stairwell: None, thickness }
    }

    fn width(&self) -> i64 {
        self.steps.iter().map(|(west, _)| west).sum()
    }

    fn depth(&self) -> i64 {
        self.steps.iter().map(|(_, north)| north).sum()
    }

    /// Each tread is a strip from the front to its own depth.
    fn square_inches(&self) -> i64 {
        let mut depth = 0;
        let strip = |(west, north): &(i64, i64)| {
            depth += north;
            west * depth
        };
        self.steps.iter().map(strip).sum()
    }

    fn document(&self) -> Value {
        let mut walls = vec![wall("side 0", "east", &inches(self.width()))];
        for (west, north) in &self.steps {
            walls.push(wall(&format!("side {}", walls.len()), "north", &inches(*north)));
            walls.push(wall(&format!("side {}", walls.len()), "west", &inches(*west)));
        }
        walls.push(wall(&format!("side {}", walls.len()), "south", &inches(self.depth())));
        let names: Vec<String> = (0..walls.len()).map(|side| format!("side {side}")).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let mut document = rectangle("40 ft", "28 ft");
        put(&mut document, "/field_notes/walls", json!(walls));
        put(&mut document, "/field_notes/outlines", json!([outline("ground", &names)]));
        put(&mut document, "/field_notes/wall_thickness", json!(inches(self.thickness)));
        if let Some(size) = self.garage {
            let edges = ["outer_wall", "partition", "partition", "outer_wall"];
            add_box(&mut document, "garage", (0, 0), size, edges);
            let garage = json!({ "name": "garage", "use": "garage", "outlines": ["garage"] });
            push(&mut document, "/buildings/0/levels/0/parts", garage);
        }
        if let Some((width, depth)) = self.stairwell {
            let (east, north) = STAIRWELL_AT;
            add_box(&mut document, "well", STAIRWELL_AT, (width, depth), ["open"; 4]);
            add_box(&mut document, "treads", (east + 12, north + 12), (width - 24, depth - 24), ["open"; 4]);
            put(
                &mut document,
                "/buildings/0/levels/0/openings",
                json!([{ "name": "well", "outlines": ["well"], "cut_from": "rooms" }]),
            );
            put(
                &mut document,
                "/buildings/0/levels/0/stairs",
                json!([{ "name": "stair", "opening": "well", "outlines": ["treads"] }]),
            );
        }
        document
    }

    /// The parts by hand, to outer faces: the walls to the garage belong to the rooms.
    fn stated(&self) -> Value {
        let mut rooms = self.square_inches();
        let mut parts = Vec::new();
        let t = self.thickness;
        if let Some((width, depth)) = self.garage {
            let garage = (width - t) * (depth - t);
            rooms -= garage;
            parts.push(json!({ "name": "garage", "use": "garage", "area_sqft": sqft(garage) }));
        }
        if let Some((width, depth)) = self.stairwell {
            let treads = (width - 24) * (depth - 24);
            rooms -= width * depth;
            parts.push(json!({ "name": "stair", "use": "stair", "area_sqft": sqft(treads) }));
            let open = width * depth - treads;
            parts.push(json!({ "name": "well", "use": "opening", "area_sqft": sqft(open) }));
        }
        parts.push(json!({ "name": "rooms", "use": "living", "area_sqft": sqft(rooms) }));
        let mut document = self.document();
        document.as_object_mut().unwrap().remove("field_notes");
        put(&mut document, "/buildings/0/levels/0", json!({ "level": 1, "grade": "above", "parts": parts }));
        document
    }
}

/// Other ways to write one house down.
#[derive(Debug, Clone)]
struct Rewriting {
    bearing: Option<f64>,
    is_reflected: bool,
    is_backwards: bool,
    start: usize,
    name: Option<String>,
}

fn rewritings() -> impl Strategy<Value = Rewriting> {
    let bearing = proptest::option::of(0.0..360.0);
    let name = proptest::option::of("[a-z/~ ]{1,5}");
    (bearing, any::<bool>(), any::<bool>(), 0_usize..8, name).prop_map(
        |(bearing, is_reflected, is_backwards, start, name)| Rewriting {
            bearing,
            is_reflected,
            is_backwards,
            start,
            name,
        },
    )
}

fn items<'d>(document: &'d mut Value, pointer: &str) -> &'d mut Vec<Value> {
    document.pointer_mut(pointer).unwrap().as_array_mut().unwrap()
}

impl Rewriting {
    fn of(&self, document: &Value) -> Value {
        let mut document = document.clone();
        for wall in items(&mut document, "/field_notes/walls") {
            self.wall(wall);
        }
        let outlines = items(&mut document, "/field_notes/outlines");
        let count = outlines[0]["sides"].as_array().unwrap().len();
        let start = self.start % count;
        outlines[0]["sides"].as_array_mut().unwrap().rotate_left(start);
        let first = (count - start) % count;
        // walked backwards from the same corner, the others count from the other end
        let first = if self.is_backwards { (count - first) % count } else { first };
        for outline in outlines {
            if let Some(corner) = outline.pointer_mut("/from/corner") {
                *corner = json!(first);
            }
            self.walks(outline);
        }
        document
    }

    fn wall(&self, wall: &mut Value) {
        if let Some(name) = &self.name {
            wall["name"] = json!(format!("{name}{}", wall["name"].as_str().unwrap()));
        }
        let toward = wall["direction"]["compass"]["toward"].as_str().unwrap().to_owned();
        let toward = match toward.as_str() {
            "east" if self.is_reflected => "west",
            "west" if self.is_reflected => "east",
            toward => toward,
        };
        let degrees = match toward {
            "north" => 0.0,
            "east" => 90.0,
            "south" => 180.0,
            _ => 270.0,
        };
        wall["direction"] = match self.bearing {
            Some(bearing) => json!({ "bearing": { "degrees": (degrees + bearing) % 360.0 } }),
            None => json!({ "compass": { "toward": toward } }),
        };
    }

    fn walks(&self, outline: &mut Value) {
        if self.is_backwards {
            let sides = items(outline, "/sides");
            sides.reverse();
            for side in sides {
                side["backwards"] = json!(true);
            }
        }
        let Some(name) = &self.name else { return };
        for list in ["way", "sides"] {
            for walk in outline.get_mut(list).and_then(Value::as_array_mut).into_iter().flatten() {
                walk["wall"] = json!(format!("{name}{}", walk["wall"].as_str().unwrap()));
            }
        }
    }
}

fn statements(document: &Value) -> Vec<(&'static Standard, AreaStatement)> {
    let measurement = read(document).unwrap_or_else(|problems| panic!("{problems:#?}\n{document}"));
    standards().iter().map(|standard| (standard, standard.state(&measurement.house))).collect()
}

/// Counted and unweighted area of each part, by its name.
fn areas(statement: &AreaStatement) -> BTreeMap<String, [f64; 2]> {
    let line = |line: &crossfoot_audit::standard::StatementLine| {
        let areas = [line.area.to_square_feet_f64(), line.unweighted.to_square_feet_f64()];
        (line.name.clone().unwrap(), areas)
    };
    statement.lines.iter().map(line).collect()
}

fn same(one: &AreaStatement, other: &AreaStatement) -> Result<(), TestCaseError> {
    let (one_areas, other_areas) = (areas(one), areas(other));
    prop_assert_eq!(one_areas.keys().collect::<Vec<_>>(), other_areas.keys().collect::<Vec<_>>());
    for ((name, [area, whole]), [also, also_whole]) in one_areas.iter().zip(other_areas.values()) {
        prop_assert!((area - also).abs() < WITHIN, "{} {name}: {area} {also}", one.standard);
        prop_assert!((whole - also_whole).abs() < WITHIN, "{} {name}: {whole} {also_whole}", one.standard);
    }
    let (total, also) = (one.total.to_square_feet_f64(), other.total.to_square_feet_f64());
    prop_assert!((total - also).abs() < WITHIN, "{}: {total} {also}", one.standard);
    Ok(())
}

proptest! {
    #![proptest_config(config(20))]

    #[test]
    fn walls_walked_backwards_turned_mirrored_or_renamed_enclose_the_same(
        house in staircases(),
        rewriting in rewritings(),
    ) {
        let plain = house.document();
        for ((_, one), (_, other)) in statements(&plain).iter().zip(&statements(&rewriting.of(&plain))) {
            same(one, other)?;
        }
    }

    #[test]
    fn a_porch_to_the_left_changes_only_its_own_line(
        house in staircases(),
        (width, depth) in (30_i64..120, 30_i64..200),
    ) {
        let without = house.document();
        let mut with = without.clone();
        add_box(&mut with, "porch", (-width, 0), (width, depth), ["open"; 4]);
        let porch = json!({ "name": "porch", "use": "porch", "enclosure": "open", "outlines": ["porch"] });
        push(&mut with, "/buildings/0/levels/0/parts", porch);
        for ((_, without), (_, mut with)) in statements(&without).into_iter().zip(statements(&with)) {
            let at = with.lines.iter().position(|line| line.name.as_deref() == Some("porch")).unwrap();
            let porch = with.lines.remove(at);
            let whole = porch.unweighted.to_square_feet_f64();
            prop_assert!((whole - sqft(width * depth)).abs() < WITHIN, "{}: {whole}", with.standard);
            if porch.verdict == crossfoot_audit::standard::CountingVerdict::Counted {
                with.total = with.total.checked_sub(porch.area).unwrap();
            }
            same(&without, &with)?;
        }
    }

    #[test]
    fn to_outer_faces_the_parts_are_the_outline_and_each_is_as_by_hand(house in staircases()) {
        let (drawn, stated) = (statements(&house.document()), statements(&house.stated()));
        for ((standard, drawn), (_, stated)) in drawn.iter().zip(&stated) {
            if standard.measured_to != WallFace::Outside {
                continue;
            }
            let sum: f64 = areas(drawn).values().map(|[_, whole]| whole).sum();
            prop_assert!((sum - sqft(house.square_inches())).abs() < WITHIN, "{}: {sum}", standard.id);
            same(drawn, stated)?;
        }
    }
}

/// A slip of whoever wrote the document, at a place that it makes sense for.
#[derive(Debug, Clone, Copy)]
enum Slip {
    KeyLeftOut,
    OtherText(&'static str),
    NumberAsTextOrTextAsNumber,
    OtherUnit(&'static str),
}

fn slips() -> impl Strategy<Value = (Slip, Index)> {
    let texts = select(vec!["", "6", "ground", "side 1", "north", "unfinished", "living", "\u{0}", "24-6"]);
    let units = select(vec!["", " yd", " m", " ft ft", "\"", " °", " in 3 ft", "e400 in"]);
    let slip = prop_oneof![
        Just(Slip::KeyLeftOut),
        texts.prop_map(Slip::OtherText),
        Just(Slip::NumberAsTextOrTextAsNumber),
        units.prop_map(Slip::OtherUnit),
    ];
    (slip, any::<Index>())
}

/// The places at which a slip can be made, as pointers.
fn places(value: &Value, at: &str, slip: Slip, found: &mut Vec<String>) {
    let fits = match (slip, value) {
        (Slip::KeyLeftOut, _) => !at.is_empty() && at.rsplit('/').next().unwrap().parse::<usize>().is_err(),
        (Slip::OtherText(_), Value::String(_))
        | (Slip::NumberAsTextOrTextAsNumber, Value::String(_) | Value::Number(_)) => true,
        (Slip::OtherUnit(_), Value::String(text)) => text.ends_with(" in"),
        (_, _) => false,
    };
    if fits {
        found.push(at.to_owned());
    }
    match value {
        // no name of the form needs to be escaped
        Value::Object(fields) => {
            fields.iter().for_each(|(name, below)| places(below, &format!("{at}/{name}"), slip, found));
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(n, below)| places(below, &format!("{at}/{n}"), slip, found));
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn slip_in(document: &mut Value, slip: Slip, index: Index) {
    let mut all = Vec::new();
    places(document, "", slip, &mut all);
    if all.is_empty() {
        return;
    }
    let pointer = index.get(&all);
    let value = document.pointer_mut(pointer).unwrap();
    *value = match (slip, &*value) {
        (Slip::KeyLeftOut, _) => {
            let (parent, name) = pointer.rsplit_once('/').unwrap();
            document.pointer_mut(parent).unwrap().as_object_mut().unwrap().remove(name);
            return;
        }
        (Slip::OtherUnit(unit), Value::String(text)) => json!(text.replace(" in", unit)),
        (Slip::OtherText(text), _) => json!(text),
        (_, Value::String(text)) => {
            let digits: String = text.chars().filter(char::is_ascii_digit).collect();
            json!(digits.parse::<u64>().unwrap_or(0))
        }
        (_, number) => json!(number.to_string()),
    };
}

proptest! {
    #![proptest_config(config(160))]

    #[test]
    fn a_slip_is_taken_or_told_at_its_place_with_a_mend(
        house in staircases(),
        slips in proptest::collection::vec(slips(), 1..3),
    ) {
        let mut document = house.document();
        for (slip, index) in &slips {
            slip_in(&mut document, *slip, *index);
        }
        match read(&document) {
            Ok(measurement) => {
                for standard in standards() {
                    let total = standard.state(&measurement.house).total;
                    prop_assert!(total >= crossfoot_audit::area::Area::ZERO, "{}", standard.id);
                }
            }
            Err(problems) => {
                prop_assert!(!problems.is_empty());
                for problem in &problems {
                    let parent = problem.pointer.rsplit_once('/').map_or("", |(parent, _)| parent);
                    let is_there = document.pointer(&problem.pointer).or_else(|| document.pointer(parent));
                    prop_assert!(is_there.is_some(), "{problem:?}\n{document}");
                    prop_assert!(!problem.mend.trim().is_empty(), "{problem:?}");
                }
            }
        }
    }
}

#[test]
fn between_inner_faces_a_ring_loses_perimeter_times_thickness_less_four_squares() {
    // a rectilinear ring has four more outer corners than inner ones, whatever its shape: A - P t + 4 t t
    for (steps, thickness, square_inches) in [
        // 40 x 28 ft, 6 in: 161,280 - 1,632 x 6 + 4 x 36
        (vec![(480, 336)], 6, 151_632),
        // 10 ft at 20 ft and 30 ft at 28 ft: 28,800 + 120,960 - 1,632 x 6 + 144
        (vec![(120, 240), (360, 96)], 6, 140_112),
        // 5, 5 and 30 ft at 20, 24 and 28 ft, 1 ft: 14,400 + 17,280 + 120,960 - 1,632 x 12 + 576
        (vec![(60, 240), (60, 48), (360, 48)], 12, 133_632),
    ] {
        let house = Staircase::plain(&steps, thickness);
        let found = total(&house.document(), "uk-gia");
        assert!((found - sqft(square_inches)).abs() < WITHIN, "{steps:?}: {found}");
    }
}

#[test]
fn a_common_wall_that_was_drawn_to_its_far_face_counts_to_its_centre() {
    let steps = [(120, 240), (360, 96)];
    let drawn = Staircase::plain(&steps, 8);
    for (side, length) in [(0, 480), (1, 240), (5, 336)] {
        let mut house = drawn.document();
        put(&mut house, &format!("/field_notes/outlines/0/sides/{side}/edge"), json!("common_wall"));
        // 4 in of the wall along its length belong to the neighbour: 149,760 - 4 x length
        let found = total(&house, "finished-above-grade");
        assert!((found - sqft(149_760 - 4 * length)).abs() < WITHIN, "{side}: {found}");
    }
}

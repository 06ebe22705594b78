//! Published and worked values of `cases.json`: ceilings, stairs and what is counted.

use std::sync::Arc;

use crossfoot_audit::area::Area;
use crossfoot_audit::ceiling::{Beam, Ceiling, WidthAt};
use crossfoot_audit::drawing::{Dimensions, Drawing, Edge, EdgeKind, WallLine};
use crossfoot_audit::house::{
    Access, BuildingKind, Enclosure, Finish, Grade, Heat, House, Level, Part, PartUse, Storey,
};
use crossfoot_audit::length::Length;
use crossfoot_audit::measure::area_spread::Share;
use crossfoot_audit::measure::field_notes::{Compass, Direction, Distance, FieldNotes, Outline, Walk, Wall};
use crossfoot_audit::measure::instrument::{Instrument, InstrumentKind};
use crossfoot_audit::measure::reading::Reading;
use crossfoot_audit::measure::work_up;
use crossfoot_audit::standard::{AreaStatement, Base, CountingVerdict, Note, Standard};
use serde_json::Value;

use crate::houses::{
    above, around_a_stair, below, building, flat, house, length, living, named, part, slopes, standard, under,
};

const CASES: &str = include_str!("cases.json");

struct Case {
    id: String,
    input: Value,
    expected: Value,
    tolerance: f64,
}

fn case(id: &str) -> Case {
    let cases: Vec<Value> = serde_json::from_str(CASES).unwrap();
    let found = cases.into_iter().find(|case| case["id"].as_str().unwrap().starts_with(&format!("{id}-")));
    let case = found.unwrap_or_else(|| panic!("no case {id}"));
    Case {
        id: id.to_owned(),
        input: case["input"].clone(),
        expected: case["expected"].clone(),
        tolerance: case["tolerance"].as_f64().unwrap(),
    }
}

impl Case {
    fn number(&self, field: &str) -> f64 {
        number(&self.input[field])
    }

    /// Square feet, or what the field is in; areas are whole square micrometres, which are 1e-11 square feet.
    fn holds(&self, field: &str, found: f64) {
        let wanted = number(&self.expected[field]);
        let allowed = self.tolerance.max(1e-9);
        assert!((found - wanted).abs() <= allowed, "{}: {field} is {found}, wanted {wanted}", self.id);
    }

    fn total(&self, field: &str, statement: &AreaStatement) {
        self.holds(field, statement.total.to_square_feet_f64());
    }
}

/// A number, or one written as text.
fn number(value: &Value) -> f64 {
    value.as_f64().or_else(|| value.as_str()?.parse().ok()).unwrap_or_else(|| panic!("{value} is no number"))
}

fn total(standard: &Standard, house: &House) -> f64 {
    standard.state(house).total.to_square_feet_f64()
}

/// The names of the parts with a verdict, in the order of the house.
fn names(statement: &AreaStatement, verdict: CountingVerdict) -> Vec<String> {
    let lines = statement.lines.iter().filter(|line| line.verdict == verdict);
    lines.map(|line| line.name.clone().unwrap()).collect()
}

fn sum(statement: &AreaStatement, verdict: CountingVerdict) -> f64 {
    let lines = statement.lines.iter().filter(|line| line.verdict == verdict);
    lines.map(|line| line.area.to_square_feet_f64()).sum()
}

/// The room of a ceiling case: its ceiling, and its floor in square feet.
fn room(case: &Case) -> (Ceiling, f64) {
    let feet = |field: &str| format!("{} ft", case.number(field));
    let slope = case.input["slope"].as_str().unwrap();
    let (rise, run) = slope.split_once(' ').unwrap().0.split_once(':').unwrap();
    let ceiling = slopes(
        &feet("width_between_knee_walls_ft"),
        &feet("knee_ft"),
        rise.parse().unwrap(),
        run.parse().unwrap(),
    );
    (ceiling, case.number("width_between_knee_walls_ft") * case.number("length_ft"))
}

fn check_half_rule(case: &Case) {
    let (ceiling, floor) = room(case);
    for (field, height) in [("area_ge5_sf", "5 ft"), ("area_ge7_sf", "7 ft"), ("area_floor_sf", "0 ft")] {
        let share = ceiling.share_from(length(height)).share;
        case.holds(field, num_traits::ToPrimitive::to_f64(&share).unwrap() * floor);
    }
    let by_banded = standard("finished-above-grade");
    let mut by_finished = by_banded.clone();
    by_finished.ceiling.as_mut().unwrap().room.as_mut().unwrap().of = Base::Finished;
    let house = house(vec![above(2, vec![under(ceiling, living(floor))])]);
    let mut totals = Vec::new();
    for (standard, base) in [(&by_banded, "base_ge5"), (&by_finished, "base_all_finished")] {
        let statement = standard.state(&house);
        case.total(&format!("counted_sf_{base}"), &statement);
        let passes = case.expected[format!("half_rule_{base}")].as_bool().unwrap();
        assert_eq!(statement.total > Area::ZERO, passes, "{}: {base}", case.id);
        totals.push(statement.total);
    }
    // where the clause is not clear and it matters, the reader is told
    let told = by_banded.state(&house).notes.iter().any(|note| matches!(note, Note::BaseMatters { .. }));
    assert_eq!(told, totals[0] != totals[1], "{}", case.id);
}

#[test]
fn half_of_a_sloped_room_needs_7_ft() {
    check_half_rule(&case("ceiling-01"));
    check_half_rule(&case("ceiling-02"));
    check_half_rule(&case("ceiling-03"));
    check_half_rule(&case("ceiling-04"));
}

/// A spot of 100 square feet at one height, beside a room high enough for the rule of half.
fn spot(height: &str, what: &str) -> (&'static str, Part) {
    let spot = living(100.0);
    match what {
        "ceiling" => ("alone", under(flat(height), spot)),
        "beam" | "duct" => {
            let beams = vec![Beam { height: length(height), area_sqft: 100.0 }];
            ("alone", under(Ceiling::Flat { height: length("8 ft"), beams }, spot))
        }
        "stairs" => ("alone", under(Ceiling::UnderStairs, spot)),
        _ => {
            // as good as flat at its height: a sixteenth of an inch higher nothing is left of its width
            let next = length(height).nanometres() + length("1/16 in").nanometres();
            let at = [(length(height), length("10 ft")), (Length::from_nanometres(next), Length::ZERO)];
            let at = at.map(|(height, width)| WidthAt { height, width }).to_vec();
            ("with a room", under(Ceiling::Widths { floor: length("10 ft"), at, height_sd: None }, spot))
        }
    }
}

#[test]
fn heights_decide_to_the_sixteenth_of_an_inch() {
    let case = case("ceiling-05");
    let ansi = standard("finished-above-grade");
    let wanted = case.expected["counted"].as_array().unwrap();
    for (one, wanted) in case.input["spots"].as_array().unwrap().iter().zip(wanted) {
        let (how, part) = spot(one["height"].as_str().unwrap(), one["under"].as_str().unwrap());
        let in_room = |part: Part| Part { room: Some("room".to_owned()), ..part };
        let mut parts = vec![in_room(part)];
        if how == "with a room" {
            parts.push(in_room(living(1000.0)));
        }
        let statement = ansi.state(&house(vec![above(1, parts)]));
        let counted = statement.lines[0].verdict == CountingVerdict::Counted;
        assert_eq!(counted, wanted.as_bool().unwrap(), "{one}: {:?}", statement.lines);
    }
}

#[test]
fn alberta_asks_for_7_ft_somewhere_and_for_no_half() {
    let case = case("ceiling-06");
    let (ceiling, floor) = room(&case);
    let rms = standard("alberta-rms");
    case.total("counted_sf", &rms.state(&house(vec![above(2, vec![under(ceiling, living(floor))])])));
    // 3 ft + 6 ft x 6/12 = 6 ft at the ridge: 7 ft are not reached
    let low = under(slopes("12 ft", "3 ft", 6, 12), living(120.0));
    assert_eq!(total(&rms, &house(vec![above(2, vec![low])])), 0.0);
}

#[test]
fn the_german_ordinance_weighs_by_height_and_a_balcony_to_a_quarter() {
    let case = case("ceiling-07");
    let metres = |value: f64| Area::from_square_metres_f64(value).unwrap();
    let mut parts = Vec::new();
    for (band, height) in case.input["bands"].as_array().unwrap().iter().zip(["2 m", "1.99 m", "0.99 m"]) {
        parts.push(under(flat(height), Part::stated(PartUse::Living, metres(number(&band["area_m2"])))));
    }
    parts.push(Part::stated(PartUse::Deck, metres(case.number("balcony_m2"))));
    let statement = standard("woflv").state(&house(vec![above(1, parts)]));
    case.holds("counted_m2", statement.total.to_square_metres_f64());
}

fn outline(case: &Case) -> f64 {
    number(&case.input["outline_ft"][0]) * number(&case.input["outline_ft"][1])
}

fn opening(case: &Case) -> f64 {
    number(&case.input["opening_ft"][0]) * number(&case.input["opening_ft"][1])
}

fn by_level(statement: &AreaStatement, level: i32) -> f64 {
    let counted = |line: &&crossfoot_audit::standard::StatementLine| {
        line.level == level && line.verdict == CountingVerdict::Counted
    };
    statement.lines.iter().filter(counted).map(|line| line.area.to_square_feet_f64()).sum()
}

#[test]
fn a_stair_counts_on_the_level_from_which_it_descends() {
    let case = case("stairs-01");
    let upper = around_a_stair(outline(&case), 30.0, 30.0);
    let levels = vec![above(1, vec![living(outline(&case))]), above(2, upper)];
    let statement = standard("finished-above-grade").state(&house(levels));
    case.holds("level_1_sf", by_level(&statement, 1));
    case.holds("level_2_sf", by_level(&statement, 2));
    case.total("total_sf", &statement);
}

#[test]
fn a_stair_to_an_unfinished_basement_counts_on_the_first_level_and_nothing_is_taken_from_the_basement() {
    let case = case("stairs-02");
    let stair = number(&case.input["stair_ft"][0]) * number(&case.input["stair_ft"][1]);
    let first = around_a_stair(outline(&case), opening(&case), stair);
    // the floor under the stair stays inside the basement
    let unfinished = |part: Part| Part { finish: Finish::Unfinished, ..part };
    let basement = vec![
        unfinished(living(outline(&case) - stair)),
        unfinished(under(Ceiling::UnderStairs, living(stair))),
    ];
    let statement = standard("finished-above-grade").state(&house(vec![below(0, basement), above(1, first)]));
    case.holds("level_1_sf", by_level(&statement, 1));
    case.holds("deducted_from_level_1_sf", outline(&case) - by_level(&statement, 1));
    case.holds("deducted_from_basement_sf", outline(&case) - sum(&statement, CountingVerdict::Apart));
}

#[test]
fn an_opening_is_left_out_but_for_its_stair_and_a_stair_is_bounded_by_its_opening() {
    for id in ["stairs-03", "stairs-04"] {
        let case = case(id);
        let parts = around_a_stair(outline(&case), opening(&case), case.number("treads_and_landings_sf"));
        let statement = standard("finished-above-grade").state(&house(vec![above(2, parts)]));
        case.holds("level_2_sf", by_level(&statement, 2));
        let of = |part_use: PartUse| {
            let lines = statement.lines.iter().filter(|line| line.part_use == part_use);
            lines.map(|line| line.area.to_square_feet_f64()).sum::<f64>()
        };
        if id == "stairs-03" {
            case.holds("open_to_below_sf", of(PartUse::Opening));
        } else {
            case.holds("stair_counted_sf", of(PartUse::Stair));
        }
    }
}

#[test]
fn maryland_rounds_dimensions_and_takes_half_the_ground_for_half_a_storey() {
    let rounding = case("class-01");
    let maryland = standard("maryland-living-area");
    let rule = maryland.dimensions.clone().unwrap();
    let feet = rounding.expected["feet"].as_array().unwrap();
    for (text, feet) in rounding.input["dims"].as_array().unwrap().iter().zip(feet) {
        assert_eq!(rule.rounded(length(text.as_str().unwrap())).to_feet_f64(), number(feet), "{text}");
    }
    let case = case("class-02");
    let ground = number(&case.input["foundation_ft"][0]) * number(&case.input["foundation_ft"][1]);
    let with = |dormer: Option<Part>| {
        let mut half = above(2, [Some(living(400.0)), dormer].into_iter().flatten().collect());
        half.storey = Storey::Half;
        maryland.state(&house(vec![above(1, vec![living(ground)]), half]))
    };
    let dormer = named("dormer", living(case.number("dormer_sf")));
    case.total("living_area_sf", &with(Some(dormer.clone())));
    let added = with(Some(dormer)).total.checked_sub(with(None).total).unwrap();
    case.holds("dormer_added_sf", added.to_square_feet_f64());
}

#[test]
fn ontario_includes_the_open_space_over_a_room() {
    let case = case("class-03");
    let upper =
        around_a_stair(outline(&case), case.number("open_to_below_sf"), case.number("stair_treads_sf"));
    let house = house(vec![above(1, vec![living(outline(&case))]), above(2, upper)]);
    let (record, ansi) =
        (total(&standard("ontario-living-area"), &house), total(&standard("finished-above-grade"), &house));
    case.holds("record_sf", record);
    case.holds("ansi_sf", ansi);
    case.holds("difference_explained_sf", record - ansi);
}

#[test]
fn an_adjusted_area_is_neither_the_living_area_nor_the_total() {
    let case = case("class-04");
    let sf = |at: usize| number(&case.input["parts"][at]["sf"]);
    let porch = Part { enclosure: Some(Enclosure::Open), ..part(PartUse::Porch, sf(3)) };
    let house = house(vec![
        above(1, vec![living(sf(0)), part(PartUse::Garage, sf(2)), porch]),
        above(2, vec![living(sf(1))]),
    ]);
    let adjusted = standard("miami-dade-adjusted-area").state(&house);
    case.total("adjusted_sf", &adjusted);
    case.holds("total_sf", adjusted.lines.iter().map(|line| line.unweighted.to_square_feet_f64()).sum());
    case.holds("living_sf", total(&standard("finished-above-grade"), &house));
}

#[test]
fn a_level_partly_below_grade_is_below_grade() {
    let case = case("class-05");
    let mut levels = Vec::new();
    for (one, number_of_level) in case.input["levels"].as_array().unwrap().iter().zip([2, 1, 0]) {
        let grade = if one["any_part_below_grade"].as_bool().unwrap() { Grade::Below } else { Grade::Above };
        levels.push(Level::stated(number_of_level, grade, vec![living(number(&one["finished_sf"]))]));
    }
    let statement = standard("finished-above-grade").state(&house(levels));
    case.total("above_grade_finished_sf", &statement);
    case.holds("below_grade_finished_sf", sum(&statement, CountingVerdict::Apart));
}

#[test]
fn north_carolina_asks_for_heat_and_access() {
    let case = case("class-06");
    let one = |one: &Value| Part {
        heat: Some(if one["heat"] == "central" { Heat::MainSystem } else { Heat::Portable }),
        access: if one["access"] == "direct" { Access::Inside } else { Access::Outside },
        ..named(one["name"].as_str().unwrap(), living(number(&one["sf"])))
    };
    let parts = case.input["parts"].as_array().unwrap().iter().map(one).collect();
    let statement = standard("north-carolina-living-area").state(&house(vec![above(1, parts)]));
    case.total("living_area_sf", &statement);
    let wanted: Vec<String> = serde_json::from_value(case.expected["not_counted"].clone()).unwrap();
    assert_eq!(names(&statement, CountingVerdict::NotCounted), wanted);
}

/// A rectangle drawn by its outer faces, with walls of one thickness.
fn drawn(width_m: f64, depth_m: f64, wall_m: f64) -> Drawing {
    let metres = |value: f64| length(&format!("{value} m"));
    let mut notes = FieldNotes {
        instruments: vec![Instrument::assumed("tape", InstrumentKind::Tape)],
        ..FieldNotes::default()
    };
    let mut walks = Vec::new();
    let walls = [
        (Compass::East, width_m),
        (Compass::North, depth_m),
        (Compass::West, width_m),
        (Compass::South, depth_m),
    ];
    for (at, (toward, long)) in walls.into_iter().enumerate() {
        let name = format!("wall {at}");
        walks.push(Walk { wall: name.clone(), backwards: false });
        let readings = vec![Reading::of(metres(long), "tape")];
        let length = Distance { readings, obstacle: None };
        notes.walls.push(Wall { name, direction: Direction::Compass { toward, sd_degrees: None }, length });
    }
    notes.outlines.push(Outline { name: "house".to_owned(), from: None, way: Vec::new(), walls: walks });
    let edge = Edge {
        kind: EdgeKind::OuterWall,
        line: WallLine::Outside,
        thickness: Some(metres(wall_m)),
        ..Edge::default()
    };
    Drawing {
        worked: work_up(&notes).unwrap(),
        edges: vec![vec![edge; 4]],
        dimensions: Dimensions::Metres,
        north_degrees: None,
    }
}

#[test]
fn gross_areas_inside_and_outside_differ_by_the_walls_and_not_by_a_percentage() {
    let case = case("class-07");
    let outer = (number(&case.input["outer_m"][0]), number(&case.input["outer_m"][1]));
    let drawing = Arc::new(drawn(outer.0, outer.1, case.number("wall_m")));
    let metres = |value: f64| Area::from_square_metres_f64(value).unwrap();
    let low = case.number("low_headroom_under_1_5_m2");
    let whole = drawing.worked.outlines[0].polygon.area().unwrap();
    let shares = vec![Share { outline: 0, weight: 1.0 }];
    let floor = |area: Area| Part { shares: shares.clone(), ..Part::stated(PartUse::Living, area) };
    let balcony = named("balcony", Part::stated(PartUse::Deck, metres(case.number("balcony_m2"))));
    let headroom = named("low headroom", under(flat("1.4 m"), Part::stated(PartUse::Living, metres(low))));
    let upper = vec![floor(whole.checked_sub(metres(low)).unwrap()), headroom, balcony];
    let house =
        House { drawing: Some(drawing), ..house(vec![above(1, vec![floor(whole)]), above(2, upper)]) };
    for (id, field) in [("uk-gea", "gea_m2"), ("uk-gia", "gia_m2")] {
        let statement = standard(id).state(&house);
        case.holds(field, statement.total.to_square_metres_f64());
        let apart = statement.lines.iter().filter(|line| line.verdict == CountingVerdict::Apart);
        let apart: Vec<(String, f64)> =
            apart.map(|line| (line.name.clone().unwrap(), line.area.to_square_metres_f64())).collect();
        let shown = &case.expected["shown_apart_m2"];
        assert_eq!(
            apart,
            [
                ("low headroom".to_owned(), number(&shown["low_headroom"])),
                ("balcony".to_owned(), number(&shown["balcony"])),
            ]
        );
    }
}

/// The part of a case by its words.
fn worded(name: &str, square_feet: f64) -> (BuildingKind, i32, Part) {
    let (kind, level, part_use, finish) = match name {
        "finished upper level, continuous" => (BuildingKind::Main, 2, PartUse::Living, Finish::Finished),
        "attached garage" => (BuildingKind::Main, 1, PartUse::Garage, Finish::Finished),
        "detached finished studio" => (BuildingKind::Outbuilding, 1, PartUse::Living, Finish::Finished),
        "deck" => (BuildingKind::Main, 1, PartUse::Deck, Finish::Finished),
        "covered walkway" => (BuildingKind::Main, 1, PartUse::CoveredWalk, Finish::Finished),
        "unfinished attic" => (BuildingKind::Main, 3, PartUse::Storage, Finish::Unfinished),
        "box window without floor" => (BuildingKind::Main, 1, PartUse::Protrusion, Finish::Finished),
        "finished main level" | "bay with floor" => {
            (BuildingKind::Main, 1, PartUse::Living, Finish::Finished)
        }
        other => panic!("what is {other}?"),
    };
    (kind, level, Part { finish, ..named(name, part(part_use, square_feet)) })
}

#[test]
fn each_part_of_a_house_by_the_voluntary_standard() {
    let case = case("class-08");
    let mut house = House::default();
    for one in case.input["parts"].as_array().unwrap() {
        let (kind, level, part) = worded(one[0].as_str().unwrap(), number(&one[1]));
        house.buildings.push(building(kind, vec![above(level, vec![part])]));
    }
    let statement = standard("finished-above-grade").state(&house);
    case.total("above_grade_finished_sf", &statement);
    let apart = case.expected["stated_apart"].as_object().unwrap();
    assert_eq!(names(&statement, CountingVerdict::Apart), apart.keys().cloned().collect::<Vec<_>>());
    assert_eq!(sum(&statement, CountingVerdict::Apart), apart.values().map(number).sum::<f64>());
    let wanted: Vec<String> = serde_json::from_value(case.expected["not_counted"].clone()).unwrap();
    assert_eq!(names(&statement, CountingVerdict::NotCounted), wanted);
}

#[test]
fn half_a_storey_is_not_the_same_share_in_every_office() {
    let case = case("class-09");
    let mut house = House::default();
    for one in case.input["components"].as_array().unwrap() {
        let ground = number(&one["ground_sf"]);
        let mut levels = vec![above(1, vec![living(ground)])];
        if number(&one["storeys"]) == 1.5 {
            let mut half = above(2, vec![living(ground / 3.0)]);
            half.storey = Storey::Half;
            levels.push(half);
        }
        house.buildings.push(building(BuildingKind::Main, levels));
    }
    let monee = standard("monee-living-area");
    let mut by_half = monee.clone();
    by_half.half_storey.as_mut().unwrap().share = "1/2".parse().unwrap();
    case.holds("record_living_sf", total(&monee, &house));
    case.holds("same_house_with_factor_1_5_sf", total(&by_half, &house));
    case.holds("definition_difference_sf", total(&monee, &house) - total(&by_half, &house));
}

#[test]
fn a_garage_inside_the_building_is_taken_out_in_cook_county() {
    let case = case("class-10");
    let garage = case.number("garage_inside_outline_sf");
    let parts = vec![living(case.number("outline_sf") - garage), part(PartUse::Garage, garage)];
    case.holds(
        "expected_record_sf",
        total(&standard("cook-county-building-area"), &house(vec![above(1, parts)])),
    );
}

#[test]
fn every_case_is_used_and_names_its_source() {
    let users = include_str!("published.rs");
    let cases: Vec<Value> = serde_json::from_str(CASES).unwrap();
    assert_eq!(cases.len(), 21);
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let short = id.splitn(3, '-').take(2).collect::<Vec<_>>().join("-");
        assert!(users.contains(&format!("\"{short}\"")), "{id} is not used");
        assert!(case["source"].as_str().is_some_and(|source| source.len() > 10), "{id} has no source");
    }
}

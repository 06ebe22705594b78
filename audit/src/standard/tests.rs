//! The rules of standards, on houses whose areas are stated.

use super::*;
use crate::area::Area;
use crate::house::{Building, House, HowKnown, Level};

fn standard() -> Standard {
    Standard::built_in().unwrap().into_iter().find(|s| s.id == "finished-above-grade").unwrap()
}

fn part(part_use: PartUse, sqft: i64, sd_sqft: Option<f64>) -> Part {
    Part { sd_sqft, ..Part::stated(part_use, Area::from_whole_square_feet(sqft).unwrap()) }
}

fn house(levels: Vec<(i32, Grade, Vec<Part>)>) -> House {
    let levels =
        levels.into_iter().map(|(number, grade, parts)| Level::stated(number, grade, parts)).collect();
    let main = Building { name: "main house".to_owned(), kind: BuildingKind::Main, levels };
    House { buildings: vec![main], ..House::default() }
}

fn check(levels: Vec<(i32, Grade, Vec<Part>)>, expected_sqft: i64) {
    let statement = standard().state(&house(levels));
    assert_eq!(
        statement.total,
        Area::from_whole_square_feet(expected_sqft).unwrap(),
        "{:?}",
        statement.lines
    );
}

#[test]
fn every_part_falls_under_a_rule_and_every_rule_decides_some_part() {
    for standard in Standard::built_in().unwrap() {
        let mut decided = std::collections::BTreeSet::new();
        let mut parts = 0;
        every_part::each(&standard, &mut |placed| {
            parts += 1;
            decided.insert(standard.rule_for(placed).unwrap().id.clone());
        });
        assert!(parts > 40, "{}: {parts}", standard.id);
        let idle: Vec<&str> =
            standard.rule.iter().map(|rule| rule.id.as_str()).filter(|id| !decided.contains(*id)).collect();
        assert!(idle.is_empty(), "{}: rules that decide nothing: {idle:?}", standard.id);
    }
}

#[test]
fn a_standard_that_leaves_parts_out_is_refused_with_an_example() {
    let text = "id = \"x\"\ntitle = \"t\"\npublisher = \"p\"\nedition = \"\"\nsource = \"s\"\nmeasured_to = \"outside\"\n\
                [[rule]]\nid = \"living\"\nwhen = { use = [\"living\"] }\nverdict = \"counted\"\nbecause = \"b\"\n";
    assert!(matches!(Standard::from_toml(text), Err(StandardError::NotTotal { .. })));
    let apart = text.replace("\"counted\"", "\"apart\"");
    assert!(matches!(Standard::from_toml(&apart), Err(StandardError::NoHeading { .. })));
    assert!(matches!(Standard::from_toml("id = 1"), Err(StandardError::Unreadable(_))));
}

#[test]
fn two_equal_storeys_count_twice_with_the_stair_on_the_level_it_descends_from() {
    // ANSI Z765, annex example of a two-storey house 28 x 42 ft: 1,176 and 1,176 sq ft while the opening is not
    // larger than the stair (excerpt as published)
    let upper = vec![part(PartUse::Living, 1176 - 48, None), part(PartUse::Stair, 48, None)];
    check(vec![(1, Grade::Above, vec![part(PartUse::Living, 1176, None)]), (2, Grade::Above, upper)], 2352);
}

#[test]
fn an_opening_to_the_level_below_is_not_area() {
    // the same house with an opening of 12 x 14 ft: 1,176 - 168 + 48 = 1,056 sq ft upstairs (arithmetic by hand)
    let upper = vec![
        part(PartUse::Living, 1176 - 168, None),
        part(PartUse::Stair, 48, None),
        part(PartUse::Opening, 120, None),
    ];
    check(vec![(1, Grade::Above, vec![part(PartUse::Living, 1176, None)]), (2, Grade::Above, upper)], 2232);
}

#[test]
fn garage_area_never_counts_however_finished_and_heated() {
    let garage = Part { heat: Some(Heat::MainSystem), ..part(PartUse::Garage, 400, None) };
    check(vec![(1, Grade::Above, vec![part(PartUse::Living, 1000, None), garage])], 1000);
}

#[test]
fn below_grade_unfinished_and_otherwise_reached_area_is_stated_apart() {
    // selling guide B4-1.3: above-grade and below-grade finished area are separate totals
    let unfinished = Part { finish: Finish::Unfinished, ..part(PartUse::Living, 300, None) };
    let outside = Part { access: Access::Outside, ..part(PartUse::Living, 150, None) };
    let low = Part { finish: Finish::LowQuality, ..part(PartUse::Living, 80, None) };
    let levels = vec![
        (0, Grade::Below, vec![part(PartUse::Recreation, 700, None), unfinished.clone()]),
        (1, Grade::Above, vec![part(PartUse::Living, 1000, None), unfinished, outside, low]),
    ];
    let statement = standard().state(&house(levels.clone()));
    let headings: Vec<&str> = statement.lines.iter().filter_map(|line| line.heading.as_deref()).collect();
    assert_eq!(
        headings,
        ["finished area below grade", "unfinished area below grade", "finished area not joined to the house"]
    );
    check(levels, 1080);
}

#[test]
fn stated_spreads_add_in_quadrature_and_a_missing_one_is_assumed_never_zero() {
    let levels = vec![(
        1,
        Grade::Above,
        vec![part(PartUse::Living, 600, Some(3.0)), part(PartUse::Living, 400, Some(4.0))],
    )];
    let mut stated = house(levels);
    assert!((standard().state(&stated).spread.variance() - 25.0).abs() < 1e-9);
    stated.common_relative_sd = Some(0.012);
    // sqrt(3^2 + 4^2 + (1000 x 0.012)^2) = 13
    assert!((standard().state(&stated).spread.variance() - 169.0).abs() < 1e-9);
    let none = house(vec![(
        1,
        Grade::Above,
        vec![part(PartUse::Living, 600, None), part(PartUse::Living, 400, None)],
    )]);
    let spread = standard().state(&none).spread;
    assert_eq!((spread.stated, spread.common), (0.0, 0.0));
    // shared by all parts, so it adds linearly: 1 % of 1,000
    assert!((spread.variance() - 100.0).abs() < 1e-9);
}

#[test]
fn a_part_that_is_not_counted_adds_no_spread() {
    let garage =
        Part { sd_sqft: Some(50.0), how_known: HowKnown::Estimated, ..part(PartUse::Garage, 400, None) };
    let levels = vec![(1, Grade::Above, vec![part(PartUse::Living, 1000, Some(2.0)), garage])];
    assert!((standard().state(&house(levels)).spread.variance() - 4.0).abs() < 1e-9);
}

//! The same plan gives the same bytes, and whatever the texts are, the file is XML with these texts in it.

use crossfoot_audit::measure::polygon::{Point, Polygon};
use crossfoot_audit::plan::{self, Ground, Plan};
use proptest::prelude::*;
use roxmltree::Document;

use super::houses;

fn moved(plan: &Plan, east: i64, north: i64) -> Plan {
    let mut moved = plan.clone();
    let shift = |point: &mut Point| {
        point.east += east;
        point.north += north;
    };
    let shift_all = |polygon: &mut Polygon| polygon.corners.iter_mut().for_each(shift);
    moved.regions.iter_mut().flat_map(|region| &mut region.rings).for_each(shift_all);
    moved.openings.iter_mut().for_each(|opening| shift_all(&mut opening.polygon));
    for stair in &mut moved.stairs {
        shift_all(&mut stair.polygon);
        stair.towards.iter_mut().for_each(shift);
    }
    for edge in &mut moved.edges {
        shift(&mut edge.from);
        shift(&mut edge.to);
    }
    moved
}

#[test]
fn the_same_plan_gives_the_same_bytes_wherever_it_lies() {
    for (name, plan) in houses::all() {
        let svg = plan::svg(&plan);
        assert_eq!(svg, plan::svg(&plan.clone()), "{name}");
        let far = moved(&plan, -7_654_321_012_345, 3_000_000_000_001);
        assert_eq!(svg, plan::svg(&far), "{name} moved");
    }
}

#[test]
fn hostile_text_stays_text() {
    let svg = plan::svg(&houses::hostile());
    let document = Document::parse(&svg).unwrap();
    let names: Vec<&str> =
        document.descendants().filter(|node| node.is_element()).map(|node| node.tag_name().name()).collect();
    let known = ["svg", "title", "desc", "rect", "line", "path", "text"];
    assert!(names.iter().all(|name| known.contains(name)), "{names:?}");
    let texts: Vec<&str> = document.descendants().filter_map(|node| node.text()).collect();
    assert!(texts.contains(&"<12' 0\">"));
    assert!(texts.iter().any(|text| text.starts_with("1: </text><script>") && text.contains(", &amp;, ")));
    assert!(svg.len() < 200_000, "{}", svg.len());
}

#[test]
fn a_screen_reader_finds_a_name_and_a_description() {
    let svg = plan::svg(&houses::porch_and_deck());
    let document = Document::parse(&svg).unwrap();
    let root = document.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    let of =
        |name: &str| root.children().find(|node| node.has_tag_name(("http://www.w3.org/2000/svg", name)));
    assert_eq!(of("title").unwrap().text(), Some("19 Quartz Terrace, Main level"));
    let description = of("desc").unwrap().text().unwrap();
    for words in ["Porch, 84.0 sq ft, counted apart: porches.", "To check: 40' 0\": readings differ by 1 ft."]
    {
        assert!(description.contains(words), "{description}");
    }
}

#[test]
fn a_page_can_show_through_and_set_the_ink() {
    let mut plan = houses::with_garage();
    assert!(plan::svg(&plan).contains("plan-paper"));
    plan.ground = Ground::Clear;
    let svg = plan::svg(&plan);
    assert!(!svg.contains("plan-paper"));
    for word in ["style=", "<style", " id=", "url(", "href"] {
        assert!(!svg.contains(word), "{word}");
    }
    let document = Document::parse(&svg).unwrap();
    for node in document.root_element().children().filter(|node| node.is_element()) {
        for ink in ["fill", "stroke"] {
            assert!(node.attribute(ink).is_none_or(|ink| ink == "currentColor"), "{node:?}");
        }
    }
}

#[test]
fn an_empty_plan_is_an_empty_sheet() {
    let svg = plan::svg(&Plan::default());
    assert!(Document::parse(&svg).is_ok());
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn degenerate_shapes_are_drawn_all_the_same() {
    let mut plan = houses::l_shape();
    plan.regions[0].rings = vec![Polygon::default(), houses::polygon(&[(1.0, 1.0)])];
    plan.edges[0].to = plan.edges[0].from;
    plan.stairs = houses::with_garage().stairs;
    plan.stairs[0].polygon = Polygon::default();
    plan.openings = houses::upper_level().openings;
    plan.openings[0].polygon = houses::polygon(&[(1.0, 1.0), (1.0, 1.0), (1.0, 1.0)]);
    let mut huge = houses::hut();
    huge.edges[0].to = Point { east: i64::MAX, north: i64::MIN };
    for plan in [plan, huge] {
        let svg = plan::svg(&plan);
        assert!(Document::parse(&svg).is_ok());
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn any_text_gives_xml(text in "\\PC{0,60}|[<>&\"'\\x01-\\x1f]{0,20}") {
        let mut plan = houses::hut();
        plan.title = text.clone();
        plan.regions[0].name = text.clone();
        plan.edges[0].dimension = Some(text.clone());
        plan.notes = vec![text];
        prop_assert!(Document::parse(&plan::svg(&plan)).is_ok());
    }
}

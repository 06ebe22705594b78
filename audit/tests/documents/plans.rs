//! The plans of measured houses, from the document to the drawing.

use crossfoot_audit::plan::{Counting, Ground, LevelPlan, layout, of_house, svg};
use serde_json::{Value, json};

use super::house::{read, standard};
use super::loft::{to_the_railing, to_the_wall};

fn plans(document: &Value, id: &str) -> Vec<LevelPlan> {
    let (measurement, standard) = (read(document).unwrap(), standard(id));
    of_house(&measurement, &standard, &standard.state(&measurement.house), Ground::Paper)
}

#[test]
fn a_house_of_two_levels_has_two_plans_that_say_how_each_part_counts() {
    let plans = plans(&to_the_wall(), "finished-above-grade");
    assert_eq!(plans.iter().map(|plan| plan.level).collect::<Vec<_>>(), [1, 2]);
    let upper = &plans[1].plan;
    assert_eq!(upper.regions[0].counting, Counting::Counted);
    assert_eq!(upper.regions[0].lines, ["952.0 sq ft"]);
    assert_eq!(upper.openings[0].label, "hall, open to below, 120.0 sq ft");
    assert!(
        upper.notes.iter().any(|note| note == "Not drawn: main stair, 48.0 sq ft counted."),
        "{:?}",
        upper.notes
    );
    assert!(upper.notes.last().unwrap().starts_with("Not a land survey"));
    assert_eq!(
        upper.edges.iter().filter_map(|edge| edge.dimension.as_deref()).collect::<Vec<_>>(),
        ["40' 0\"", "28' 0\"", "40' 0\"", "28' 0\""]
    );
}

#[test]
fn a_wall_that_two_outlines_share_is_drawn_once() {
    let plans = plans(&to_the_railing(), "finished-above-grade");
    let upper = &plans[1].plan;
    let dimensions: Vec<&str> = upper.edges.iter().filter_map(|edge| edge.dimension.as_deref()).collect();
    assert_eq!(dimensions, ["28' 0\"", "28' 0\"", "40' 0\"", "14' 0\"", "12' 0\"", "14' 0\""]);
    let drawing = svg(upper);
    assert_eq!(layout(upper).texts.iter().filter(|text| text.text == "14' 0\"").count(), 2);
    assert_eq!(svg(&plans[1].plan), drawing);
}

#[test]
fn a_wall_whose_readings_differ_is_marked_and_so_is_one_that_is_named() {
    let mut house = to_the_wall();
    house["field_notes"]["walls"][0]["length"]["readings"][1]["pieces"][0]["length"] = json!("40 ft 6 in");
    let marked = |house: &Value| -> Vec<String> {
        let plans = plans(house, "finished-above-grade");
        plans[0].plan.edges.iter().filter_map(|edge| edge.suspect.clone()).collect()
    };
    // a house that may be out of square leaves open which reading is wrong
    assert_eq!(marked(&house), ["readings differ by 6\""]);
    house["field_notes"]["direction_sd_degrees"] = json!(0);
    assert_eq!(marked(&house), ["read 6\" too long?"]);
}

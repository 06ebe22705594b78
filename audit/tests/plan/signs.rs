//! What each thing looks like, as far as a text can say it.

use crossfoot_audit::plan::{self, Counting, Edge, Plan};

use super::drawn::Drawn;
use super::houses;

fn texts(plan: &Plan, class: &str) -> Vec<String> {
    let drawn = Drawn::read(&plan::svg(plan));
    drawn.texts.into_iter().filter(|text| text.class == class).map(|text| text.text).collect()
}

fn strokes(plan: &Plan, class: &str) -> usize {
    Drawn::read(&plan::svg(plan)).of_class(class).count()
}

#[test]
fn a_derived_dimension_is_in_parentheses_and_a_doubtful_one_is_marked() {
    let plan = houses::l_shape();
    let dimensions = texts(&plan, "plan-dimension");
    assert!(dimensions.contains(&"(42' 0\")".to_owned()) && dimensions.contains(&"28' 0\"".to_owned()));
    assert_eq!(texts(&plan, "plan-suspect-text"), ["readings differ by 6 in"]);
    // one on the wall and one in the legend; a triangle has three sides
    assert_eq!(strokes(&plan, "plan-suspect"), 2);
    assert_eq!(strokes(&plan, "plan-suspect-mark"), 6);
    let plain = houses::t_shape();
    assert_eq!(strokes(&plain, "plan-suspect") + strokes(&plain, "plan-suspect-mark"), 0);
}

#[test]
fn the_legend_names_what_is_drawn_and_nothing_else() {
    assert_eq!(texts(&houses::hut(), "plan-legend-text"), ["Counted"]);
    assert_eq!(
        texts(&houses::porch_and_deck(), "plan-legend-text"),
        [
            "Counted",
            "Counted apart: porches",
            "Not counted",
            "Counted × 0.5",
            "Railing",
            "No wall",
            "Reading to check"
        ]
    );
    assert_eq!(
        texts(&houses::upper_level(), "plan-legend-text"),
        [
            "Counted",
            "Not counted",
            "Common wall",
            "Railing",
            "Line of ceiling height",
            "Open to below",
            "Stairs"
        ]
    );
    assert_eq!(
        texts(&houses::l_shape(), "plan-legend-text"),
        ["Counted", "Reading to check", "(    )", "Derived, not read"]
    );
}

#[test]
fn an_arrow_has_a_head_only_where_its_direction_is_known() {
    let mut plan = houses::hut();
    plan.stairs = vec![houses::stairs(2.0, 0.0)];
    let without = strokes(&plan, "plan-arrow");
    plan.stairs[0].towards = Some(houses::point((3.5, 20.0)));
    assert_eq!(strokes(&plan, "plan-arrow"), without + 2);
    assert_eq!(texts(&plan, "plan-fixture-text"), ["up"]);
}

#[test]
fn regions_that_count_differently_look_different() {
    let hatched = |counting: Counting| {
        let mut plan = houses::hut();
        plan.regions[0].counting = counting;
        let classes = ["plan-weighted", "plan-apart", "plan-not-counted"];
        classes.map(|class| strokes(&plan, class) > 0)
    };
    assert_eq!(hatched(Counting::Counted), [false, false, false]);
    assert_eq!(hatched(Counting::Weighted("× 0.5".to_owned())), [true, false, false]);
    assert_eq!(hatched(Counting::Apart("garages".to_owned())), [false, true, false]);
    assert_eq!(hatched(Counting::NotCounted), [false, false, true]);
}

/// Two headings of one plan are two hatchings: the lines of the second one lean the other way.
#[test]
fn two_headings_of_one_plan_look_different() {
    let mut plan = houses::long_house();
    plan.regions[0].counting = Counting::Apart("garages".to_owned());
    let drawn = Drawn::read(&plan::svg(&plan));
    let leaning = |sign: f64| {
        drawn
            .of_class("plan-apart")
            .filter(move |line| (line.to.0 - line.from.0) * (line.to.1 - line.from.1) * sign > 0.0)
    };
    assert!(leaning(1.0).count() > 10 && leaning(-1.0).count() > 10);
}

#[test]
fn a_wall_that_two_regions_bring_has_one_dimension() {
    let mut plan = houses::with_garage();
    let shared = plan.edges[2].clone();
    plan.edges.push(Edge { from: shared.to, to: shared.from, ..shared });
    let count = |plan: &Plan| texts(plan, "plan-dimension").iter().filter(|text| *text == "24' 0\"").count();
    assert_eq!(count(&plan), count(&houses::with_garage()));
}

#[test]
fn text_is_read_from_below_or_from_the_right() {
    for (name, plan) in houses::all() {
        for text in Drawn::read(&plan::svg(&plan)).texts {
            let [left, right, ..] = text.corners;
            let (east, down) = (right.0 - left.0, right.1 - left.1);
            let is_upright = east.abs() < 0.1 * down.abs();
            assert!(if is_upright { down < 0.0 } else { east > 0.0 }, "{name}: {:?}", text.text);
        }
    }
}

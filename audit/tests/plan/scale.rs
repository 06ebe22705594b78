//! Walls are as long as the scale bar says.

use crossfoot_audit::plan::{self, DimensionStyle};

use super::drawn::{Drawn, Stroke};
use super::houses;

const WALLS: [&str; 6] = [
    "plan-outer-wall",
    "plan-common-wall",
    "plan-partition",
    "plan-railing",
    "plan-ceiling-line",
    "plan-open",
];

fn length(stroke: &Stroke) -> f64 {
    (stroke.to.0 - stroke.from.0).hypot(stroke.to.1 - stroke.from.1)
}

#[test]
fn walls_have_their_length_by_the_scale_bar() {
    for (name, plan) in houses::all() {
        let drawn = Drawn::read(&plan::svg(&plan));
        let bar = drawn.of_class("plan-scale-bar").next().unwrap();
        let figures = drawn.texts.iter().filter(|text| text.class == "plan-scale-text");
        let most = figures.filter_map(|text| text.text.parse::<f64>().ok()).fold(0.0, f64::max);
        let unit_ft = match plan.dimension_style {
            DimensionStyle::Feet => 1.0,
            DimensionStyle::Metric => 1.0 / 0.3048,
        };
        let pixels_per_foot = length(bar) / (most * unit_ft);
        let reported = plan::layout(&plan).pixels_per_foot;
        assert!((pixels_per_foot - reported).abs() < 1e-4 * reported, "{name}: {pixels_per_foot} {reported}");

        let is_wall = |stroke: &&Stroke| WALLS.contains(&stroke.class.as_str());
        // the legend's samples are paths among the same classes: walls come last, in the order of the plan
        let walls: Vec<&Stroke> = drawn.strokes.iter().filter(is_wall).collect();
        let walls = &walls[walls.len() - plan.edges.len()..];
        for (wall, edge) in walls.iter().zip(&plan.edges) {
            let east = (edge.to.east - edge.from.east) as f64 / 304_800_000.0;
            let north = (edge.to.north - edge.from.north) as f64 / 304_800_000.0;
            let (drawn_ft, true_ft) = (length(wall) / pixels_per_foot, east.hypot(north));
            assert!((drawn_ft - true_ft).abs() < 0.01, "{name}: {drawn_ft} ft drawn, {true_ft} ft long");
        }
    }
}

//! No text covers another one or a line, on houses and on outlines made at random.

use crossfoot_audit::plan::{self, Plan};
use proptest::prelude::*;

use super::drawn::{Drawn, meet, outline};
use super::houses;

/// What a text may not touch. Hatching, treads and the cross of an opening are left out under texts too.
fn covered(svg: &str) -> Vec<String> {
    let drawn = Drawn::read(svg);
    let mut faults = Vec::new();
    for (at, text) in drawn.texts.iter().enumerate() {
        for other in drawn.texts.iter().skip(at + 1) {
            if meet(&text.corners, &other.corners) {
                faults.push(format!("{:?} covers {:?}", text.text, other.text));
            }
        }
        for stroke in &drawn.strokes {
            if meet(&text.corners, &outline(stroke)) {
                faults.push(format!("{} runs through {:?} ({})", stroke.class, text.text, text.class));
            }
        }
        let within =
            |(x, y): &(f64, f64)| (0.0..=drawn.width).contains(x) && (0.0..=drawn.height).contains(y);
        if !text.corners.iter().all(within) {
            faults.push(format!("{:?} lies outside the sheet", text.text));
        }
    }
    faults
}

/// The same from the boxes that the layout reports, texts among themselves.
fn reported(plan: &Plan) -> Vec<String> {
    let layout = plan::layout(plan);
    let drawn = Drawn::read(&plan::svg(plan));
    let mut faults = Vec::new();
    for (at, text) in layout.texts.iter().enumerate() {
        for other in layout.texts.iter().skip(at + 1) {
            if meet(&text.corners, &other.corners) {
                faults.push(format!("{:?} covers {:?} as reported", text.text, other.text));
            }
        }
        for stroke in &drawn.strokes {
            let is_wall = ["wall", "partition", "railing", "ceiling", "plan-open"];
            if is_wall.iter().any(|word| stroke.class.contains(word)) && meet(&text.corners, &outline(stroke))
            {
                faults.push(format!("{} runs through {:?} as reported", stroke.class, text.text));
            }
        }
    }
    faults
}

#[test]
fn nothing_covers_a_text() {
    let mut faults = Vec::new();
    for (name, plan) in houses::all() {
        let svg = plan::svg(&plan);
        // to look at them: CROSSFOOT_PLANS=DIR cargo test -p crossfoot-audit --test plan
        if let Ok(folder) = std::env::var("CROSSFOOT_PLANS") {
            std::fs::write(format!("{folder}/{name}.svg"), &svg).unwrap();
        }
        let found = covered(&svg).into_iter().chain(reported(&plan));
        faults.extend(found.map(|fault| format!("{name}: {fault}")));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_dimension_of_a_house_is_on_the_drawing() {
    for (name, plan) in houses::all() {
        let layout = plan::layout(&plan);
        assert_eq!(layout.listed, [""; 0], "{name}");
    }
}

#[test]
fn a_covered_text_is_seen() {
    let svg = "<svg width=\"100\" height=\"100\"><text class=\"a\" x=\"10\" y=\"50\" font-size=\"10\">wall</text>\
               <text class=\"a\" x=\"20\" y=\"52\" font-size=\"10\">other</text>\
               <path class=\"b\" d=\"M5 47L30 47\" stroke-width=\"1\"/>\
               <text class=\"a\" x=\"95\" y=\"20\" font-size=\"10\">outside</text></svg>";
    assert_eq!(covered(svg).len(), 4);
}

#[test]
fn nothing_covers_a_text_of_a_hostile_plan() {
    let plan = houses::hostile();
    assert_eq!(covered(&plan::svg(&plan)), [""; 0]);
    assert_eq!(reported(&plan), [""; 0]);
}

/// A skyline over a straight front: columns of whole and half feet side by side.
fn skyline() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec((2_u8..40, 4_u8..80), 1..9).prop_map(|columns| {
        let mut corners = vec![(0.0, 0.0)];
        let total: f64 = columns.iter().map(|(width, _)| f64::from(*width) / 2.0).sum();
        corners.push((total, 0.0));
        let mut east = total;
        let mut last = 0.0;
        for (width, height) in columns.iter().rev() {
            let north = f64::from(*height) / 2.0;
            if north == last {
                corners.pop();
            } else {
                corners.push((east, north));
            }
            east -= f64::from(*width) / 2.0;
            corners.push((east, north));
            last = north;
        }
        corners
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn nothing_covers_a_text_of_any_outline(
        corners in skyline(),
        turns in 0_u8..4,
        stair in 0_u8..12,
        name in "[A-Za-z ]{1,40}",
    ) {
        let mut corners = corners;
        let stairs = houses::stairs(f64::from(stair) / 2.0, 1.0);
        for _ in 0..turns {
            corners = corners.into_iter().map(|(east, north)| (-north, east)).collect();
        }
        let mut plan = houses::simple("Made at random", &corners);
        plan.regions[0].name = name;
        plan.stairs.push(stairs);
        plan.edges[0].suspect = (stair % 2 == 0).then(|| "readings differ by 6 in".to_owned());
        plan.edges[1].is_derived = true;
        let svg = plan::svg(&plan);
        prop_assert_eq!(covered(&svg), Vec::<String>::new());
        prop_assert_eq!(reported(&plan), Vec::<String>::new());
        // what is not drawn is written under the drawing
        let drawn = Drawn::read(&svg);
        for edge in &plan.edges {
            let dimension = edge.dimension.as_ref().unwrap();
            prop_assert!(drawn.texts.iter().any(|text| text.text.contains(dimension.as_str())), "{}", dimension);
        }
    }
}

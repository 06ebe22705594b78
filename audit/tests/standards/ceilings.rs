//! Shares of floor by height beside an integration that knows nothing of slopes, only of the height at a point.

use crossfoot_audit::ceiling::{Ceiling, Slope};
use crossfoot_audit::house::Part;
use crossfoot_audit::length::Length;
use crossfoot_audit::standard::Note;
use num_traits::ToPrimitive as _;
use proptest::prelude::*;

use crate::houses::{above, house, length, living, standard, under};

fn thousandths(feet: i64) -> Length {
    Length::from_nanometres(feet * 304_800)
}

/// The height over the floor at a distance from the left wall, in thousandths of a foot.
fn height_at(x: f64, width: f64, sides: &[(i64, u32, u32)], flat_at: Option<i64>) -> f64 {
    let mut height = flat_at.map_or(f64::INFINITY, |flat| flat as f64);
    for (side, (knee, rise, run)) in sides.iter().enumerate() {
        let from_wall = if side == 0 { x } else { width - x };
        height = height.min(*knee as f64 + from_wall * f64::from(*rise) / f64::from(*run));
    }
    height
}

/// Width with at least a height, by halving intervals until the edges of what is high enough are found: the height
/// rises to a ridge and falls again, so there is one stretch.
fn integrated(width: f64, sides: &[(i64, u32, u32)], flat_at: Option<i64>, wanted: f64) -> f64 {
    let is_high = |x: f64| height_at(x, width, sides, flat_at) >= wanted;
    // the highest point, by thirds: the height has one summit, or a flat one
    let (mut low, mut high) = (0.0, width);
    for _ in 0..300 {
        let (one, other) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
        if height_at(one, width, sides, flat_at) < height_at(other, width, sides, flat_at) {
            low = one;
        } else {
            high = other;
        }
    }
    let summit = f64::midpoint(low, high);
    if !is_high(summit) {
        return 0.0;
    }
    let edge = |wall: f64| {
        if is_high(wall) {
            return wall;
        }
        let (mut outside, mut inside) = (wall, summit);
        for _ in 0..200 {
            let middle = f64::midpoint(outside, inside);
            if is_high(middle) { inside = middle } else { outside = middle }
        }
        inside
    };
    edge(width) - edge(0.0)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn a_share_of_the_floor_is_what_integration_finds(
        width in 1_000_i64..60_000,
        sides in prop::collection::vec((0_i64..9_000, 1_u32..25, 1_u32..25), 1..=2),
        flat in prop::option::of(1_000_i64..15_000),
        wanted in 0_i64..16_000,
    ) {
        let slopes = sides
            .iter()
            .map(|(knee, rise, run)| Slope { knee: thousandths(*knee), rise: *rise, run: *run })
            .collect();
        let ceiling = Ceiling::Sloped {
            width: thousandths(width),
            sides: slopes,
            flat_at: flat.map(thousandths),
            height_sd: None,
        };
        let share = ceiling.share_from(thousandths(wanted)).share.to_f64().unwrap();
        let expected = integrated(width as f64, &sides, flat, wanted as f64) / width as f64;
        // where just the summit reaches the height, floats may fall on either side: the stretch has no width there
        prop_assert!((share - expected).abs() < 1e-9, "{share} and {expected}");
    }

    /// Width W, knees k, slopes 7 over 12: 24/7 ft of width are lost for each foot of height. Rooms in which exactly
    /// half of the floor from 5 ft on has 7 ft are made from the rule itself, 2 W(7) = W(5), and one a nanometre
    /// narrower fails.
    #[test]
    fn exactly_half_is_enough_whatever_the_sevenths(sevens in 0_i64..8, long in 7_i64..60) {
        // 2 (W - 2 (84 - k) 12/7) = W - 2 (60 - k) 12/7, so W = (4 (84 - k) - 2 (60 - k)) 12/7 = (216 - 2 k) 12/7
        // which is a whole length for k = 3, 10, 17 in and so on; the widths at 5 and 7 ft are in sevenths all the same
        let (inch, knee_inches) = (25_400_000, 3 + 7 * sevens);
        let width = (216 - 2 * knee_inches) / 7 * 12 * inch;
        let knee = Length::from_nanometres(knee_inches * inch);
        let side = Slope { knee, rise: 7, run: 12 };
        for (width, passes) in [(width, true), (width + 1, true), (width - 1, false)] {
            let ceiling = Ceiling::Sloped {
                width: Length::from_nanometres(width),
                sides: vec![side.clone(), side.clone()],
                flat_at: None,
                height_sd: None,
            };
            let floor = under(ceiling, living(long as f64 * 20.0));
            let statement = standard("finished-above-grade").state(&house(vec![above(2, vec![floor])]));
            prop_assert_eq!(statement.total.square_micrometres() > 0, passes);
            // so near, a height read a little differently decides
            let told = statement.notes.iter().any(|note| matches!(note, Note::HeightDecides { .. }));
            prop_assert!(told);
        }
    }
}

#[test]
fn a_room_of_two_parts_is_judged_as_one() {
    // 600 sq ft of 6 ft 6 in at the highest, and a flat part that carries the half: worked by hand.
    // From 5 ft on: 24 ft, knee 4 ft, 6 over 12 to a flat piece at 6 ft 6 in: 20/24 of 600 = 500; none has 7 ft.
    let side = Slope { knee: length("4 ft"), rise: 6, run: 12 };
    let low = Ceiling::Sloped {
        width: length("24 ft"),
        sides: vec![side.clone(), side],
        flat_at: Some(length("6 ft 6 in")),
        height_sd: None,
    };
    let in_room = |part: Part| Part { room: Some("attic".to_owned()), ..part };
    let ansi = standard("finished-above-grade");
    for (beside, expected) in [(500.0, 1000.0), (499.0, 0.0)] {
        let parts = vec![in_room(under(low.clone(), living(600.0))), in_room(living(beside))];
        let total = ansi.state(&house(vec![above(2, parts)])).total.to_square_feet_f64();
        assert!((total - expected).abs() < 1e-9, "{beside}: {total}");
    }
}

//! The interval mark: zero, the band that does not matter, the interval as a bar with its centre, and the same in words.

use crossfoot_store::queue::PairView;
use maud::{Markup, html};

/// Standard deviations either side of the centre that cover 95 %.
const COVERAGE: f64 = 1.96;
/// Half the width of the drawing, and how far from its middle things are drawn.
const MIDDLE: f64 = 120.0;
const REACH: f64 = 108.0;
/// A bar is drawn at least so wide, or a sharp measurement could not be seen.
const NARROWEST: f64 = 3.0;

/// The difference of a pair with its interval, in square feet, and what a square foot is as a share.
struct Interval {
    low: f64,
    centre: f64,
    high: f64,
    band: f64,
    share_of_a_foot: Option<f64>,
}

fn interval(pair: &PairView) -> Option<Interval> {
    let centre = pair.difference?.to_square_feet_f64();
    let half = pair.sigma_sqft.unwrap_or(0.0) * COVERAGE;
    let share = pair.variance_ppm.map(|ppm| ppm as f64 / 1e6);
    let share_of_a_foot = share.filter(|_| centre.abs() > 0.5).map(|share| share / centre);
    let band = pair.threshold.map_or(0.0, |area| area.to_square_feet_f64());
    Some(Interval { low: centre - half, centre, high: centre + half, band, share_of_a_foot })
}

/// The interval of the difference that covers 95 %, in square feet.
pub(super) fn interval_95(pair: &PairView) -> Option<(f64, f64)> {
    interval(pair).filter(|_| pair.sigma_sqft.is_some()).map(|found| (found.low, found.high))
}

/// What is found, in words.
pub(super) fn words(pair: &PairView) -> String {
    let measured =
        || pair.measured.map_or("not at all".to_owned(), |area| format!("{} sq ft", area.to_square_feet(0)));
    let found = match (pair.kind.as_deref(), interval(pair)) {
        (Some("no_area"), _) => return format!("the record states no area; measured {}", measured()),
        (Some("recorded_vacant"), _) => {
            return format!("the record states that there is no building; measured {}", measured());
        }
        (_, None) => return pair.outcome.replace('_', " "),
        (_, Some(found)) => found,
    };
    let which = if found.centre < 0.0 { "smaller" } else { "larger" };
    // seen from the side on which the house is, so that the figures are positive
    let sign = if found.centre < 0.0 { -1.0 } else { 1.0 };
    let (near, far) = if sign < 0.0 { (-found.high, -found.low) } else { (found.low, found.high) };
    match found.share_of_a_foot {
        Some(share) => format!(
            "house {which} than recorded by {:.1}\u{a0}%, {:.1} to {:.1} (95\u{a0}%)",
            found.centre * share * 100.0 * sign,
            near * share * 100.0,
            far * share * 100.0
        ),
        None => format!(
            "house {which} than recorded by {:.0} sq ft, {near:.0} to {far:.0} (95\u{a0}%)",
            found.centre * sign
        ),
    }
}

/// The drawing. The words stand beside it wherever it is shown, so it is left out for those who listen.
pub(super) fn mark(pair: &PairView) -> Markup {
    // without a recorded area there is nothing that the difference would be measured from
    let Some(found) = interval(pair).filter(|_| pair.kind.as_deref() == Some("variance")) else {
        return html! {};
    };
    let widest = [found.low.abs(), found.high.abs(), found.band, 1.0].into_iter().fold(0.0, f64::max);
    let at = |value: f64| MIDDLE + value / widest * REACH;
    let place = |value: f64| format!("{:.1}", at(value));
    let wide = |from: f64, to: f64| format!("{:.1}", (at(to) - at(from)).max(NARROWEST));
    let words = words(pair);
    html! {
        svg.mark viewBox="0 0 240 28" aria-hidden="true" xmlns="http://www.w3.org/2000/svg" {
            title { (words) "; the shaded band does not matter under the policy" }
            rect.band x=(place(-found.band)) y="3" width=(wide(-found.band, found.band)) height="22" {}
            line.axis x1="4" x2="236" y1="14" y2="14" {}
            line.zero x1="120" x2="120" y1="1" y2="27" {}
            rect.bar x=(place(found.low)) y="9" width=(wide(found.low, found.high)) height="10" {}
            line.centre x1=(place(found.centre)) x2=(place(found.centre)) y1="4" y2="24" {}
        }
    }
}

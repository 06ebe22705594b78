//! The height over a part, and how much of its floor has at least a certain height: exact rationals, since a rule
//! that asks for half decides by equality.

use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Zero};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::area::Area;
use crate::length::Length;

/// Standard deviation of a height where none is stated: 1/4 in (common practice, no source; as of a tape).
const HEIGHT_SD: Length = Length::from_nanometres(6_350_000);

/// The height over a part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Ceiling {
    /// The same height everywhere.
    Flat {
        /// The height.
        height: Length,
        /// Beams, ducts and other obstructions below it.
        #[serde(default)]
        beams: Vec<Beam>,
    },
    /// Under one or two slopes of the roof.
    Sloped {
        /// The width of the floor across the slopes, from knee wall to knee wall.
        width: Length,
        /// One or two sides.
        #[schemars(length(min = 1, max = 2))]
        sides: Vec<Slope>,
        /// The height of a flat piece between the slopes.
        #[serde(default)]
        flat_at: Option<Length>,
        /// Standard deviation of each height; 1/4 in where not stated.
        #[serde(default)]
        height_sd: Option<Length>,
    },
    /// Widths read directly at certain heights, for example at 5 and at 7 ft.
    Widths {
        /// The width of the floor across the slopes.
        floor: Length,
        /// The widths; between them the slope is straight.
        #[schemars(length(min = 1, max = 20))]
        at: Vec<WidthAt>,
        /// Standard deviation of each height; 1/4 in where not stated.
        #[serde(default)]
        height_sd: Option<Length>,
    },
    /// The underside of a stair.
    UnderStairs,
}

/// An obstruction below a flat ceiling.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Beam {
    /// The height under it.
    pub height: Length,
    /// The floor below it in square feet.
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub area_sqft: f64,
}

/// One side of a sloped ceiling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Slope {
    /// Height of the knee wall: where the slope begins.
    pub knee: Length,
    /// The slope rises by so much …
    #[schemars(range(min = 1, max = 10_000))]
    pub rise: u32,
    /// … over so much, in one unit: 6 over 12.
    #[schemars(range(min = 1, max = 10_000))]
    pub run: u32,
}

/// A width read at a height.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WidthAt {
    /// The height.
    pub height: Length,
    /// The width there.
    pub width: Length,
}

/// A share of a part's floor.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorShare {
    /// Between 0 and 1, exactly.
    pub share: BigRational,
    /// Whether it lies beyond the heights that were read, on the slope drawn out.
    pub extrapolated: bool,
}

fn ratio(one: Length, other: Length) -> BigRational {
    BigRational::new(BigInt::from(one.nanometres()), BigInt::from(other.nanometres()))
}

fn whole(length: Length) -> BigRational {
    BigRational::from_integer(BigInt::from(length.nanometres()))
}

impl Ceiling {
    /// The share of the floor with at least this height; beams are left out of account.
    #[must_use]
    pub fn share_from(&self, height: Length) -> FloorShare {
        let known = |share: BigRational| FloorShare { share, extrapolated: false };
        let all_or_none = |all: bool| if all { BigRational::one() } else { BigRational::zero() };
        match self {
            Ceiling::Flat { height: over, .. } => known(all_or_none(*over >= height)),
            Ceiling::UnderStairs => known(BigRational::one()),
            Ceiling::Sloped { width, sides, flat_at, .. } => {
                if flat_at.is_some_and(|flat| height > flat) || *width <= Length::ZERO {
                    return known(BigRational::zero());
                }
                let lost =
                    sides.iter().fold(BigRational::zero(), |lost, side| lost + side.lost_below(height));
                let left = (whole(*width) - lost) / whole(*width);
                known(left.clamp(BigRational::zero(), BigRational::one()))
            }
            Ceiling::Widths { floor, at, .. } => interpolated(*floor, at, height),
        }
    }

    /// By how much the share changes when all heights were read too low by one standard deviation; 0 for a ceiling
    /// that is not sloped.
    #[must_use]
    pub fn share_sd(&self, height: Length) -> f64 {
        let (Ceiling::Sloped { height_sd, .. } | Ceiling::Widths { height_sd, .. }) = self else {
            return 0.0;
        };
        let sd = height_sd.unwrap_or(HEIGHT_SD);
        let by = |shift: i64| {
            let moved = Length::from_nanometres(height.nanometres().saturating_add(shift));
            to_f64(&self.share_from(moved).share)
        };
        (by(sd.nanometres().saturating_neg()) - by(sd.nanometres())).abs() / 2.0
    }

    /// What is wrong with it, and what would mend it.
    #[must_use]
    pub fn fault(&self) -> Option<(&'static str, &'static str)> {
        match self {
            Ceiling::Flat { height, .. } if *height <= Length::ZERO => {
                Some(("the ceiling has no height", "write the height from floor to ceiling"))
            }
            Ceiling::Sloped { width, .. } | Ceiling::Widths { floor: width, .. }
                if *width <= Length::ZERO =>
            {
                Some(("the floor under the slopes has no width", "write the width across the slopes"))
            }
            Ceiling::Sloped { sides, .. } if sides.is_empty() || sides.len() > 2 => {
                Some(("a ceiling has one or two slopes", "split the part where the roof turns"))
            }
            Ceiling::Sloped { sides, .. } if sides.iter().any(|side| side.rise == 0 || side.run == 0) => {
                Some(("a slope without rise or run", "write a flat ceiling as flat"))
            }
            Ceiling::Sloped { sides, flat_at: Some(flat), .. }
                if sides.iter().any(|side| side.knee > *flat) =>
            {
                Some(("the flat piece lies below a knee wall", "check the heights of both"))
            }
            Ceiling::Widths { floor, at, .. } => widths_fault(*floor, at),
            Ceiling::Flat { .. } | Ceiling::Sloped { .. } | Ceiling::UnderStairs => None,
        }
    }
}

fn widths_fault(floor: Length, at: &[WidthAt]) -> Option<(&'static str, &'static str)> {
    if at.is_empty() {
        return Some(("no width was read", "read the width at 5 ft and at 7 ft"));
    }
    if at.iter().any(|read| read.width > floor || read.width < Length::ZERO) {
        return Some(("a width is larger than the floor", "check the widths; the floor is the widest"));
    }
    let mut sorted: Vec<&WidthAt> = at.iter().collect();
    sorted.sort_by_key(|read| read.height);
    let wrong = sorted.windows(2).any(|pair| match pair {
        [low, high] => low.height == high.height || low.width < high.width,
        _ => false,
    });
    wrong.then_some(("the room becomes wider with height", "check heights and widths, each height once"))
}

impl Slope {
    /// Width lost on this side below a height, in nanometres.
    fn lost_below(&self, height: Length) -> BigRational {
        let above_knee = whole(height) - whole(self.knee);
        if above_knee <= BigRational::zero() || self.rise == 0 {
            return BigRational::zero();
        }
        above_knee * BigRational::new(BigInt::from(self.run), BigInt::from(self.rise))
    }
}

/// On the straight line between the two widths around a height, or drawn out from the nearest two.
fn interpolated(floor: Length, at: &[WidthAt], height: Length) -> FloorShare {
    let mut sorted: Vec<&WidthAt> = at.iter().collect();
    sorted.sort_by_key(|read| read.height);
    if let Some(exact) = sorted.iter().find(|read| read.height == height) {
        return FloorShare { share: ratio(exact.width, floor), extrapolated: false };
    }
    let above = sorted.iter().position(|read| read.height > height);
    let (low, high, extrapolated) = match (above, sorted.as_slice()) {
        (Some(0) | None, [_]) | (_, []) => (None, None, true),
        (Some(0), [first, second, ..]) => (Some(*first), Some(*second), true),
        (Some(high), all) => (all.get(high.saturating_sub(1)).copied(), all.get(high).copied(), false),
        (None, [.., before, last]) => (Some(*before), Some(*last), true),
    };
    let share = match (low, high) {
        (Some(low), Some(high)) => {
            let along = (whole(height) - whole(low.height)) / (whole(high.height) - whole(low.height));
            let width = whole(low.width) + along * (whole(high.width) - whole(low.width));
            (width / whole(floor)).clamp(BigRational::zero(), BigRational::one())
        }
        // one width only: below its height at least as wide, above it unknown
        _ => sorted.first().map_or_else(BigRational::zero, |only| {
            if height < only.height { ratio(only.width, floor) } else { BigRational::zero() }
        }),
    };
    FloorShare { share, extrapolated }
}

/// The nearest float.
pub(crate) fn to_f64(share: &BigRational) -> f64 {
    num_traits::ToPrimitive::to_f64(share).unwrap_or(0.0)
}

/// An area times a rational, rounded half away from zero to a square micrometre; `None` if it does not fit.
pub(crate) fn scaled(area: Area, by: &BigRational) -> Option<Area> {
    let exact = BigRational::from_integer(BigInt::from(area.square_micrometres())) * by;
    num_traits::ToPrimitive::to_i64(&exact.round().to_integer()).map(Area::from_square_micrometres)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feet(text: &str) -> Length {
        crate::length::parse(text, crate::length::LengthNotation::Unstated).unwrap()
    }

    fn slopes(width: &str, knee: &str, rise: u32) -> Ceiling {
        let side = Slope { knee: feet(knee), rise, run: 12 };
        Ceiling::Sloped {
            width: feet(width),
            sides: vec![side.clone(), side],
            flat_at: None,
            height_sd: None,
        }
    }

    fn check(ceiling: &Ceiling, height: &str, share: (i64, i64)) {
        let expected = BigRational::new(share.0.into(), share.1.into());
        assert_eq!(ceiling.share_from(feet(height)).share, expected, "{height}");
    }

    #[test]
    fn a_slope_loses_width_in_proportion_to_the_height_above_its_knee_wall() {
        // W(t) = W - 2 (t - k) q / p; worked by hand
        let room = slopes("24 ft", "4 ft", 6);
        check(&room, "5 ft", (20, 24));
        check(&room, "7 ft", (12, 24));
        check(&room, "4 ft", (1, 1));
        check(&room, "11 ft", (0, 1));
        // in sevenths: 24 - 2 x 3 x 12/7 = 96/7
        check(&slopes("24 ft", "2 ft", 7), "5 ft", (4, 7));
        check(&slopes("24 ft", "2 ft", 7), "7 ft", (2, 7));
    }

    #[test]
    fn a_flat_piece_ends_the_room_at_its_height() {
        let Ceiling::Sloped { width, sides, .. } = slopes("24 ft", "4 ft", 6) else { panic!("not sloped") };
        let room = Ceiling::Sloped { width, sides, flat_at: Some(feet("7 ft 6 in")), height_sd: None };
        check(&room, "7 ft 6 in", (10, 24));
        check(&room, "7 ft 6 1/4 in", (0, 1));
    }

    #[test]
    fn widths_are_joined_by_straight_lines_and_said_to_be_drawn_out_beyond() {
        let at = [("5 ft", "20 ft"), ("7 ft", "12 ft")]
            .map(|(height, width)| WidthAt { height: feet(height), width: feet(width) });
        let room = Ceiling::Widths { floor: feet("24 ft"), at: at.to_vec(), height_sd: None };
        check(&room, "5 ft", (20, 24));
        check(&room, "6 ft", (16, 24));
        check(&room, "4 ft", (1, 1));
        check(&room, "8 ft", (8, 24));
        assert!(room.share_from(feet("8 ft")).extrapolated && !room.share_from(feet("6 ft")).extrapolated);
    }

    #[test]
    fn a_room_that_widens_upwards_is_refused() {
        let at = [("5 ft", "12 ft"), ("7 ft", "20 ft")]
            .map(|(height, width)| WidthAt { height: feet(height), width: feet(width) });
        assert!(Ceiling::Widths { floor: feet("24 ft"), at: at.to_vec(), height_sd: None }.fault().is_some());
        assert!(slopes("24 ft", "4 ft", 6).fault().is_none());
        assert!(slopes("0 ft", "4 ft", 6).fault().is_some());
    }

    #[test]
    fn an_area_times_a_rational_is_rounded_once() {
        let third = BigRational::new(1.into(), 3.into());
        assert_eq!(scaled(Area::from_square_micrometres(10), &third), Some(Area::from_square_micrometres(3)));
        assert_eq!(
            scaled(Area::from_square_micrometres(-5), &BigRational::new(1.into(), 2.into())),
            Some(Area::from_square_micrometres(-3))
        );
    }
}

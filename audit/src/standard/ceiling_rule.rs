//! What low and sloped ceilings do to an area: bands of height with their weights, and what a room as a whole must
//! reach. Decided on exact rationals, since a rule that asks for half is met by exactly half.

use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Zero};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Weight;
use crate::area::Area;
use crate::ceiling::{Ceiling, to_f64};
use crate::length::Length;

/// A height decides when the room misses or meets the rule by less than so many standard deviations.
const DECIDING: f64 = 2.0;

/// The ceiling rule of a standard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CeilingRule {
    /// The name that lines of a statement give.
    pub id: String,
    /// A flat ceiling must have this height for the part to count; where not stated, flat ceilings go by the bands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flat_least: Option<Length>,
    /// Beams, ducts and other obstructions; left out of account where not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beams: Option<BeamRule>,
    /// Floor by its height, the highest band first; what lies below the last one does not count.
    #[schemars(length(min = 1, max = 10))]
    pub band: Vec<Band>,
    /// What a room with a sloped ceiling must reach as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<RoomRule>,
    /// The heading under which floor that is too low is stated; not counted where not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_heading: Option<String>,
    /// Whether the floor under a stair counts at any height.
    pub under_stairs: bool,
    /// The rule in our own words, with its citation.
    pub because: String,
}

/// The rule for obstructions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BeamRule {
    /// Floor below one counts from this height.
    pub least: Length,
}

/// Floor of at least a height.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// From this height to the next higher band's.
    pub from: Length,
    /// How much of it counts.
    pub weight: Weight,
}

/// What a room as a whole must reach.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RoomRule {
    /// The height.
    pub least: Length,
    /// The share of the floor that must have it; somewhere is enough where not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share: Option<Weight>,
    /// The floor of which it is a share.
    #[serde(default)]
    pub of: Base,
    /// The heading under which a room that fails is stated; not counted where not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fails_heading: Option<String>,
}

/// The floor of which a share is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Base {
    /// The floor that is high enough to be in a band.
    #[default]
    Banded,
    /// All finished floor of the room.
    Finished,
}

/// A part of a room, as the ceiling rule sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Floor<'a> {
    pub(super) area: Area,
    pub(super) ceiling: Option<&'a Ceiling>,
}

/// A piece of a part's floor; the pieces of a part make up the whole.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Piece {
    /// Share of the part.
    pub(super) share: BigRational,
    /// How it counts.
    pub(super) counts: PieceCounts,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum PieceCounts {
    /// With this weight.
    At(Weight),
    /// Too low.
    Low,
    /// In a room that fails as a whole.
    RoomFails,
}

/// A room taken apart.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Room {
    /// The pieces of each part.
    pub(super) pieces: Vec<Vec<Piece>>,
    /// Change of each part's counted share by one standard deviation of its heights.
    pub(super) share_sd: Vec<f64>,
    /// Whether the other reading of the base would decide otherwise.
    pub(super) base_matters: bool,
    /// Whether one standard deviation of the heights, or two, would decide otherwise.
    pub(super) height_decides: bool,
    /// Whether a share lies beyond the heights that were read.
    pub(super) extrapolated: bool,
}

/// Both sides of what a room rule asks: 2 a7 against a5, exactly.
struct Asked {
    reached: BigRational,
    banded: BigRational,
    finished: BigRational,
    sd_sqft: f64,
}

impl CeilingRule {
    /// The parts of one room, taken apart by height.
    pub(super) fn take_apart(&self, floors: &[Floor<'_>]) -> Room {
        let mut room = Room::default();
        let is_sloped = |floor: &Floor<'_>| {
            matches!(floor.ceiling, Some(Ceiling::Sloped { .. } | Ceiling::Widths { .. }))
        };
        let passes = match &self.room {
            Some(rule) if floors.iter().any(is_sloped) => self.room_passes(rule, floors, &mut room),
            Some(_) | None => true,
        };
        for floor in floors {
            let pieces = match floor.ceiling {
                _ if !passes => vec![Piece { share: BigRational::one(), counts: PieceCounts::RoomFails }],
                None => vec![full()],
                Some(Ceiling::UnderStairs) if self.under_stairs => vec![full()],
                Some(Ceiling::UnderStairs) => {
                    vec![Piece { share: BigRational::one(), counts: PieceCounts::Low }]
                }
                Some(Ceiling::Flat { height, beams }) => self.flat(floor.area, *height, beams),
                Some(ceiling) => self.banded(ceiling, &mut room.extrapolated),
            };
            room.share_sd.push(match floor.ceiling {
                Some(ceiling) if passes => self.counted_sd(ceiling),
                Some(_) | None => 0.0,
            });
            room.pieces.push(pieces);
        }
        room
    }

    fn lowest(&self) -> Length {
        self.band.iter().map(|band| band.from).min().unwrap_or(Length::ZERO)
    }

    fn room_passes(&self, rule: &RoomRule, floors: &[Floor<'_>], room: &mut Room) -> bool {
        let asked = self.asked(rule, floors);
        let Some(share) = &rule.share else { return !asked.reached.is_zero() };
        let meets = |base: &BigRational| asked.reached >= base * share.exact();
        let (by_banded, by_finished) = (meets(&asked.banded), meets(&asked.finished));
        room.base_matters = by_banded != by_finished;
        let (base, passes) = match rule.of {
            Base::Banded => (&asked.banded, by_banded),
            Base::Finished => (&asked.finished, by_finished),
        };
        let margin = to_f64(&(&asked.reached - base * share.exact())).abs();
        room.height_decides = margin < DECIDING * asked.sd_sqft;
        passes
    }

    /// In square feet.
    fn asked(&self, rule: &RoomRule, floors: &[Floor<'_>]) -> Asked {
        let mut asked = Asked {
            reached: BigRational::zero(),
            banded: BigRational::zero(),
            finished: BigRational::zero(),
            sd_sqft: 0.0,
        };
        let share_asked = rule.share.as_ref().map_or(0.0, |share| to_f64(share.exact()));
        for floor in floors {
            let area = square_feet(floor.area);
            let from = |height: Length| match floor.ceiling {
                None => BigRational::one(),
                Some(ceiling) => ceiling.share_from(height).share,
            };
            asked.reached += &area * from(rule.least);
            asked.banded += &area * from(self.lowest());
            if let Some(ceiling) = floor.ceiling {
                let base_sd = if rule.of == Base::Banded { ceiling.share_sd(self.lowest()) } else { 0.0 };
                asked.sd_sqft += to_f64(&area) * (ceiling.share_sd(rule.least) - share_asked * base_sd).abs();
            }
            asked.finished += area;
        }
        asked
    }

    fn flat(&self, area: Area, height: Length, beams: &[crate::ceiling::Beam]) -> Vec<Piece> {
        let counts = match self.flat_least {
            Some(least) if height < least => PieceCounts::Low,
            Some(_) => PieceCounts::At(Weight::default()),
            None => self.band_of(height).map_or(PieceCounts::Low, PieceCounts::At),
        };
        let low_beams = self.beams.as_ref().map_or(0.0, |rule| {
            beams.iter().filter(|beam| beam.height < rule.least).map(|beam| beam.area_sqft).sum()
        });
        let under = Area::from_square_feet_f64(low_beams).unwrap_or(Area::ZERO);
        if counts == PieceCounts::Low || under <= Area::ZERO || area <= Area::ZERO {
            return vec![Piece { share: BigRational::one(), counts }];
        }
        let low = (square_feet(under) / square_feet(area)).min(BigRational::one());
        let rest = BigRational::one() - &low;
        let pieces = [Piece { share: rest, counts }, Piece { share: low, counts: PieceCounts::Low }];
        pieces.into_iter().filter(|piece| !piece.share.is_zero()).collect()
    }

    /// The weight of the highest band that a height reaches.
    fn band_of(&self, height: Length) -> Option<Weight> {
        self.bands_down().into_iter().find(|band| height >= band.from).map(|band| band.weight.clone())
    }

    fn bands_down(&self) -> Vec<&Band> {
        let mut bands: Vec<&Band> = self.band.iter().collect();
        bands.sort_by_key(|band| core::cmp::Reverse(band.from));
        bands
    }

    fn banded(&self, ceiling: &Ceiling, extrapolated: &mut bool) -> Vec<Piece> {
        let mut pieces: Vec<Piece> = Vec::new();
        let mut above = BigRational::zero();
        for band in self.bands_down() {
            let from = ceiling.share_from(band.from);
            *extrapolated |= from.extrapolated;
            let share = &from.share - &above;
            above = from.share;
            if share > BigRational::zero() {
                pieces.push(Piece { share, counts: PieceCounts::At(band.weight.clone()) });
            }
        }
        let low = BigRational::one() - above;
        if low > BigRational::zero() {
            pieces.push(Piece { share: low, counts: PieceCounts::Low });
        }
        pieces
    }

    /// Counted share by one standard deviation of the heights: all band limits move together.
    fn counted_sd(&self, ceiling: &Ceiling) -> f64 {
        let bands = self.bands_down();
        let weight = |at: usize| bands.get(at).map_or(0.0, |band| to_f64(band.weight.exact()));
        let by_band = bands.iter().enumerate();
        by_band.map(|(at, band)| (weight(at) - weight(at + 1)) * ceiling.share_sd(band.from)).sum()
    }
}

fn full() -> Piece {
    Piece { share: BigRational::one(), counts: PieceCounts::At(Weight::default()) }
}

fn square_feet(area: Area) -> BigRational {
    BigRational::new(
        BigInt::from(area.square_micrometres()),
        BigInt::from(crate::area::SQUARE_MICROMETRES_PER_SQUARE_FOOT),
    )
}

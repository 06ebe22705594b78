//! Field notes of a building as plain values: instruments, walls with their readings, the outlines that they
//! form, and ties across.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::instrument::Instrument;
use super::reading::Reading;
use super::repeated::Obstacle;

/// Standard deviation of a held direction where none is stated (common practice, no source): 0.2 degrees move the
/// end of a 40 ft wall by 1.7 in.
pub const HELD_DIRECTION_SD_DEGREES: f64 = 0.2;

/// What was read on one visit, all levels together: walls that levels share are adjusted once.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FieldNotes {
    /// What was read with.
    pub instruments: Vec<Instrument>,
    /// The walls, each once.
    pub walls: Vec<Wall>,
    /// Closed outlines of levels, parts and openings.
    pub outlines: Vec<Outline>,
    /// Diagonals and overall dimensions.
    #[serde(default)]
    pub ties: Vec<Tie>,
    /// Standard deviation of directions that state none of their own, in degrees; 0.2 where not stated, 0 holds
    /// them.
    #[serde(default)]
    pub direction_sd_degrees: Option<f64>,
}

/// A distance as read: none, one or several readings. Without a reading it is derived from the others.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Distance {
    /// The readings, each kept.
    #[serde(default)]
    pub readings: Vec<Reading>,
    /// An obstacle in front of it, shared by all readings.
    #[serde(default)]
    pub obstacle: Option<Obstacle>,
}

/// A straight run between two corners.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Wall {
    /// The name that outlines refer to.
    pub name: String,
    /// Where it heads.
    pub direction: Direction,
    /// Its length.
    #[serde(default)]
    pub length: Distance,
}

/// Where a wall heads, walked forwards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Direction {
    /// By a compass word, held.
    Compass {
        /// The word.
        toward: Compass,
        /// Standard deviation in degrees; otherwise that of the notes.
        #[serde(default)]
        sd_degrees: Option<f64>,
    },
    /// By a bearing, held.
    Bearing {
        /// Degrees clockwise from north.
        degrees: f64,
        /// Standard deviation in degrees; otherwise that of the notes.
        #[serde(default)]
        sd_degrees: Option<f64>,
    },
    /// By a turn from the wall walked before it, held. The standard deviation is that of the direction against the
    /// house's axes: turns of a built house do not add up their errors.
    Turn {
        /// To which side.
        side: Side,
        /// By how much; 90 is square.
        degrees: f64,
        /// Standard deviation in degrees; otherwise that of the notes.
        #[serde(default)]
        sd_degrees: Option<f64>,
    },
    /// By two distances along the house's axes; the wall's own length, where read, is one more observation.
    RunAndRise {
        /// Along east or west.
        run: Leg,
        /// Along north or south.
        rise: Leg,
    },
    /// Not observed; the rough bearing only tells which of two solutions is meant.
    Free {
        /// Degrees clockwise from north, roughly.
        about_degrees: f64,
    },
}

/// One of the two distances of an angled wall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Leg {
    /// Where it heads: east or west for a run, north or south for a rise.
    pub toward: Compass,
    /// The distance.
    #[serde(default)]
    pub distance: Distance,
}

/// A compass word. North is the sketch's, not the needle's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Compass {
    /// Up the sketch.
    North,
    /// At 45 degrees.
    NorthEast,
    /// To the right.
    East,
    /// At 135 degrees.
    SouthEast,
    /// Down the sketch.
    South,
    /// At 225 degrees.
    SouthWest,
    /// To the left.
    West,
    /// At 315 degrees.
    NorthWest,
}

impl Compass {
    /// East and north of a step of length one; exact for the four main words.
    #[must_use]
    pub const fn unit(self) -> (f64, f64) {
        const HALF: f64 = core::f64::consts::FRAC_1_SQRT_2;
        match self {
            Self::North => (0.0, 1.0),
            Self::NorthEast => (HALF, HALF),
            Self::East => (1.0, 0.0),
            Self::SouthEast => (HALF, -HALF),
            Self::South => (0.0, -1.0),
            Self::SouthWest => (-HALF, -HALF),
            Self::West => (-1.0, 0.0),
            Self::NorthWest => (-HALF, HALF),
        }
    }
}

/// A side, looking along the wall walked before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Counter-clockwise.
    Left,
    /// Clockwise.
    Right,
}

/// A closed walk along walls. Corner 0 is where the first wall begins, corner 1 where it ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Outline {
    /// The name that corners and parts refer to.
    pub name: String,
    /// A corner of an outline listed before, where the way to corner 0 begins; otherwise the sketch's origin.
    #[serde(default)]
    pub from: Option<Corner>,
    /// The way from there to corner 0; empty where they are one.
    #[serde(default)]
    pub way: Vec<Walk>,
    /// The walls in the order in which they are walked, the last one ending at corner 0.
    pub walls: Vec<Walk>,
}

/// A wall walked forwards or backwards.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Walk {
    /// The wall.
    pub wall: String,
    /// Against its stated direction.
    #[serde(default)]
    pub backwards: bool,
}

/// A corner of an outline.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Corner {
    /// The outline.
    pub outline: String,
    /// Counted from 0.
    pub corner: usize,
}

/// A distance between two corners that is no wall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tie {
    /// What it is called.
    pub name: String,
    /// How it was taken.
    pub along: TieLine,
    /// One end.
    pub from: Corner,
    /// The other end.
    pub to: Corner,
    /// The distance; one reading or more.
    pub distance: Distance,
}

/// How a tie was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TieLine {
    /// Straight from corner to corner.
    Straight,
    /// An overall dimension along east and west.
    EastWest,
    /// An overall dimension along north and south.
    NorthSouth,
}

//! A measured house: buildings, their levels, and the parts of each level with area and uncertainty.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use std::sync::Arc;

use crate::area::Area;
use crate::ceiling::Ceiling;
use crate::drawing::Drawing;
use crate::measure::area_spread::Share;

/// A house as measured, free of who measured it and when.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct House {
    /// The structures of the property; the main house first by custom.
    pub buildings: Vec<Building>,
    /// Relative standard deviation of the scale error that all parts share (a stretched tape, a laser set wrong).
    /// None stated is zero: a standard deviation stated with a part is taken as complete.
    pub common_relative_sd: Option<f64>,
    /// The outlines that parts refer to, where the house was drawn from field readings.
    pub drawing: Option<Arc<Drawing>>,
}

/// A structure of the property with its own levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Building {
    /// What the office calls it.
    pub name: String,
    /// What it is.
    pub kind: BuildingKind,
    /// Its storeys.
    pub levels: Vec<Level>,
}

/// A storey of a building.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// 1 is the first level above grade, 0 and below are under it, by custom.
    pub number: i32,
    /// Below as soon as any part of the level is below grade (ANSI Z765).
    pub grade: Grade,
    /// Whether it is a whole storey.
    pub storey: Storey,
    /// For a half storey: the ground area that it stands over, where stated or drawn.
    pub footprint: Option<Extent>,
    /// The outline of the level, openings included; empty where it was not drawn.
    pub outline: Vec<Share>,
    /// The regions of the level.
    pub parts: Vec<Part>,
}

/// An area, and the outlines that it was computed from.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Extent {
    /// The area as drawn or stated.
    pub area: Area,
    /// The outlines in it; empty for an area that was stated.
    pub shares: Vec<Share>,
}

/// A region of a level.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What the office calls it.
    pub name: Option<String>,
    /// The room that it belongs to: ceiling rules look at a room as a whole. A part without one is a room of its own.
    pub room: Option<String>,
    /// What the region is used as.
    pub part_use: PartUse,
    /// Its measured area, to the lines as drawn.
    pub area: Area,
    /// The outlines in its area; empty for an area that was stated.
    pub shares: Vec<Share>,
    /// The face of the outer wall that a stated area was measured to, where known.
    pub measured_to: Option<WallFace>,
    /// The height over it; full height where not stated.
    pub ceiling: Option<Ceiling>,
    /// Standard deviation of the area in square feet, where the measurer states one.
    pub sd_sqft: Option<f64>,
    /// Whether walls, floor and ceiling are finished.
    pub finish: Finish,
    /// How it is heated, where known.
    pub heat: Option<Heat>,
    /// How it is reached.
    pub access: Access,
    /// How far it is walled in, for porches and the like.
    pub enclosure: Option<Enclosure>,
    /// How it is joined to the house.
    pub attachment: Option<Attachment>,
    /// The year it was built, where it is younger than the house and known.
    pub built: Option<i32>,
    /// How the area is known.
    pub how_known: HowKnown,
}

impl Part {
    /// A finished part, reached from inside, of which nothing but its area is stated.
    #[must_use]
    pub fn stated(part_use: PartUse, area: Area) -> Self {
        Part {
            name: None,
            room: None,
            part_use,
            area,
            shares: Vec::new(),
            measured_to: None,
            ceiling: None,
            sd_sqft: None,
            finish: Finish::Finished,
            heat: None,
            access: Access::Inside,
            enclosure: None,
            attachment: None,
            built: None,
            how_known: HowKnown::Measured,
        }
    }
}

impl Level {
    /// A whole storey that was not drawn.
    #[must_use]
    pub fn stated(number: i32, grade: Grade, parts: Vec<Part>) -> Self {
        Level { number, grade, storey: Storey::Full, footprint: None, outline: Vec::new(), parts }
    }
}

/// The face of the outer wall that an area is measured to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WallFace {
    /// The outer face.
    Outside,
    /// The inner face.
    Inside,
}

/// Whether a level is a whole storey.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Storey {
    /// A whole storey.
    #[default]
    Full,
    /// Under the roof: what publishers of records call half a storey, whatever share of it can be stood in.
    Half,
    /// The lower level of a split level: one section of the house has two storeys, half a storey beside the other.
    SplitLevel,
    /// The lower level of a split foyer (raised ranch): the entry lies between two levels of the whole house.
    SplitFoyer,
}

/// The kind of a building.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BuildingKind {
    /// The dwelling itself.
    Main,
    /// A detached garage.
    Garage,
    /// A detached dwelling of its own.
    GuestHouse,
    /// Anything else under a roof.
    Outbuilding,
}

/// Whether a level lies above or below grade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Entirely above grade.
    Above,
    /// Wholly or partly below grade.
    Below,
}

/// What a part is used as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PartUse {
    /// Rooms to live in.
    Living,
    /// A room for recreation.
    Recreation,
    /// Treads and landings, on the level from which they descend.
    Stair,
    /// Open to the level below: no floor.
    Opening,
    /// A garage, however finished.
    Garage,
    /// A porch.
    Porch,
    /// A deck, terrace or balcony.
    Deck,
    /// A covered walk between buildings.
    CoveredWalk,
    /// A room for storage, mechanicals or nothing in particular.
    Storage,
    /// A roof over cars without walls.
    Carport,
    /// What stands out from a wall without a floor: a fireplace, a box window.
    Protrusion,
}

impl PartUse {
    /// All uses.
    pub const ALL: [PartUse; 11] = [
        PartUse::Living,
        PartUse::Recreation,
        PartUse::Stair,
        PartUse::Opening,
        PartUse::Garage,
        PartUse::Porch,
        PartUse::Deck,
        PartUse::CoveredWalk,
        PartUse::Storage,
        PartUse::Carport,
        PartUse::Protrusion,
    ];

    /// The name that documents have for it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            PartUse::Living => "living",
            PartUse::Recreation => "recreation",
            PartUse::Stair => "stair",
            PartUse::Opening => "opening",
            PartUse::Garage => "garage",
            PartUse::Porch => "porch",
            PartUse::Deck => "deck",
            PartUse::CoveredWalk => "covered_walk",
            PartUse::Storage => "storage",
            PartUse::Carport => "carport",
            PartUse::Protrusion => "protrusion",
        }
    }
}

/// How far a part is finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Finish {
    /// Finished like the rest of the house.
    Finished,
    /// Finished, but below the quality of the rest of the house.
    LowQuality,
    /// Not finished.
    Unfinished,
}

/// How a part is heated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Heat {
    /// Not heated.
    None,
    /// By something that can be carried away.
    Portable,
    /// By a fixed heater of its own.
    FixedLocal,
    /// By the house's system.
    MainSystem,
}

/// How a part is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Access {
    /// Through finished area of the house.
    Inside,
    /// Only through unfinished area.
    ThroughUnfinished,
    /// Only from outside.
    Outside,
}

/// How far a part is walled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Enclosure {
    /// Open.
    Open,
    /// Screened.
    Screened,
    /// Walled or glazed.
    Enclosed,
}

/// How a part is joined to the house.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Attachment {
    /// By a wall in common.
    SharedWall,
    /// By a covered walk.
    CoveredWalk,
    /// Not at all.
    Detached,
}

/// How an area is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HowKnown {
    /// Measured on the spot.
    Measured,
    /// Computed from other measured figures.
    Derived,
    /// Taken from plans.
    Plans,
    /// Estimated.
    Estimated,
    /// There was no access.
    NoAccess,
}

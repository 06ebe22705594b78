//! The JSON form of a measurement, as types: the schema is derived from them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::PART_AREA_SQFT_MAX;
use crate::ceiling::Ceiling;
use crate::drawing::{EdgeKind, WallLine};
use crate::house::{
    Access, Attachment, BuildingKind, Enclosure, Finish, Grade, Heat, HowKnown, PartUse, Storey, WallFace,
};
use crate::length::Length;
use crate::measure::field_notes::{Corner, Tie, Walk, Wall};
use crate::measure::instrument::Instrument;

/// The JSON form of a measurement. Unknown fields are refused.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MeasurementDocument {
    /// The version of this form; 1 if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1))]
    pub version: Option<u32>,
    /// The office's own name for the property; the same reference again is the same property.
    #[schemars(length(min = 1, max = 120))]
    pub reference: String,
    /// The parcel number, with or without hyphens. Always text: leading zeros count.
    #[schemars(length(min = 1, max = 120))]
    pub parcel: String,
    /// The situs address: number and street, then the town after a comma.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub address: Option<String>,
    /// The jurisdiction, for example `US-IA-169`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 60))]
    pub jurisdiction: Option<String>,
    /// The day of the visit, `YYYY-MM-DD`.
    #[schemars(regex(pattern = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"))]
    pub measured_on: String,
    /// The year the house was built.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1500, max = 2200))]
    pub year_built: Option<i32>,
    /// What the house was measured for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub purpose: Option<String>,
    /// What the measurement may be used for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub permitted_use: Option<String>,
    /// Why this version follows an earlier one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 300))]
    pub reason: Option<String>,
    /// Relative standard deviation of the scale error shared by all parts, for example 0.002.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 0.2))]
    pub common_relative_sd: Option<f64>,
    /// What was read with tape and laser, where areas are to be computed from it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field_notes: Option<FieldNotesDocument>,
    /// The structures of the property.
    #[schemars(length(min = 1, max = 50))]
    pub buildings: Vec<BuildingDocument>,
}

/// A structure of the property.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BuildingDocument {
    /// What the office calls it.
    #[schemars(length(min = 1, max = 120))]
    pub name: String,
    /// What it is.
    pub kind: BuildingKind,
    /// Its storeys.
    #[schemars(length(min = 1, max = 60))]
    pub levels: Vec<LevelDocument>,
}

/// A storey of a building.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LevelDocument {
    /// 1 is the first level above grade; 0 and below are under it.
    #[schemars(range(min = -20, max = 200))]
    pub level: i32,
    /// Below as soon as any part of the level is below grade.
    pub grade: Grade,
    /// Whether it is a whole storey; a whole one if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub storey: Option<Storey>,
    /// The outlines that make up the level, openings in its floor included where they were drawn over.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub outline: Vec<String>,
    /// For half a storey: the outlines of the ground area that it stands over.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub over: Vec<String>,
    /// The same as a figure, in square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = PART_AREA_SQFT_MAX))]
    pub over_sqft: Option<f64>,
    /// Openings in the floor of the level: what is open to the level below.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub openings: Vec<OpeningDocument>,
    /// Stairs that descend from the level.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub stairs: Vec<StairDocument>,
    /// The regions of the level.
    #[schemars(length(min = 1, max = 500))]
    pub parts: Vec<PartDocument>,
}

/// A region of a level: its area in square feet or in square metres, or the outlines that it was drawn with, or the
/// rest of the level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PartDocument {
    /// What it is used as.
    #[serde(rename = "use")]
    pub part_use: PartUse,
    /// What the office calls it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 120))]
    pub name: Option<String>,
    /// The room that it belongs to, where several parts make up one under a sloped ceiling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 120))]
    pub room: Option<String>,
    /// The outlines that make it up.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub outlines: Vec<String>,
    /// Outlines cut out of it: what lies within and is no part of it. Openings are listed with the level instead.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub less: Vec<String>,
    /// Whether it is what the other drawn parts leave of the level's outline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rest: Option<bool>,
    /// The height over it; full height if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ceiling: Option<Ceiling>,
    /// The face of the outer wall that a stated area was measured to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_to: Option<WallFace>,
    /// Area in square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = PART_AREA_SQFT_MAX))]
    pub area_sqft: Option<f64>,
    /// Area in square metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 92_903.04))]
    pub area_m2: Option<f64>,
    /// Standard deviation of the area in square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub sd_sqft: Option<f64>,
    /// Standard deviation of the area in square metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 9290.0))]
    pub sd_m2: Option<f64>,
    /// How far it is finished; finished if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish: Option<Finish>,
    /// How it is heated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat: Option<Heat>,
    /// How it is reached; from inside if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub access: Option<Access>,
    /// How far it is walled in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure: Option<Enclosure>,
    /// How it is joined to the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attachment: Option<Attachment>,
    /// The year it was built, where it is younger than the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1500, max = 2200))]
    pub built: Option<i32>,
    /// How the area is known; measured if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub how_known: Option<HowKnown>,
}

/// An opening in the floor of a level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OpeningDocument {
    /// What stairs and people call it.
    #[schemars(length(min = 1, max = 120))]
    pub name: String,
    /// The outlines that it was drawn with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub outlines: Vec<String>,
    /// Its area in square feet, where it was not drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = PART_AREA_SQFT_MAX))]
    pub area_sqft: Option<f64>,
    /// Its area in square metres, where it was not drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 92_903.04))]
    pub area_m2: Option<f64>,
    /// The name of the part that was drawn over it, which it is cut out of. Left out where the part was drawn to the
    /// railing: then the opening lies beyond it, and nothing is cut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 120))]
    pub cut_from: Option<String>,
}

/// A stair, listed with the level from which it descends.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StairDocument {
    /// What people call it.
    #[schemars(length(min = 1, max = 120))]
    pub name: String,
    /// The opening through which it descends. Left out where floor was measured across it: then it is counted with
    /// the floor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 120))]
    pub opening: Option<String>,
    /// The outlines of treads and landings, where they were drawn.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 60))]
    pub outlines: Vec<String>,
    /// The area of treads and landings in square feet, where they were not drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub treads_sqft: Option<f64>,
    /// The same in square metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 9290.0))]
    pub treads_m2: Option<f64>,
    /// How far it is finished; finished if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish: Option<Finish>,
}

/// What was read on the visit.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FieldNotesDocument {
    /// What a length without a unit is written in. Without it every length carries its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notation: Option<NotationDocument>,
    /// The thickness of walls that state none of their own, for areas to the other face. It is never assumed in
    /// silence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wall_thickness: Option<Length>,
    /// Where north is, in whole degrees clockwise from the sketch's own north; not drawn if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -360, max = 360))]
    pub north_degrees: Option<i32>,
    /// Standard deviation of directions that state none of their own, in degrees; 0.2 if not said, 0 holds them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 20.0))]
    pub direction_sd_degrees: Option<f64>,
    /// What was read with.
    #[schemars(length(min = 1, max = 20))]
    pub instruments: Vec<Instrument>,
    /// The walls, each once, whatever levels and parts they bound.
    #[schemars(length(min = 3, max = 300))]
    pub walls: Vec<Wall>,
    /// Closed outlines of levels, parts and openings.
    #[schemars(length(min = 1, max = 100))]
    pub outlines: Vec<OutlineDocument>,
    /// Diagonals and overall dimensions.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 100))]
    pub ties: Vec<Tie>,
}

/// What a length without a unit is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum NotationDocument {
    /// `24-3.5` is 24 ft 3 1/2 in; a bare number is refused.
    FeetInches,
    /// A bare number is feet with decimals.
    DecimalFeet,
    /// A bare number is metres.
    Metres,
}

/// A closed walk along walls, and what its sides are.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OutlineDocument {
    /// The name that corners, levels and parts refer to.
    #[schemars(length(min = 1, max = 120))]
    pub name: String,
    /// The line through its walls that it follows; the outer face if not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<WallLine>,
    /// A corner of an outline listed before, where the way to corner 0 begins; otherwise the sketch's origin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Corner>,
    /// The way from there to corner 0; empty where they are one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 300))]
    pub way: Vec<Walk>,
    /// The sides in the order in which they are walked, the last one ending at corner 0.
    #[schemars(length(min = 3, max = 300))]
    pub sides: Vec<SideDocument>,
}

/// A wall as a side of an outline.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SideDocument {
    /// The wall.
    #[schemars(length(min = 1, max = 120))]
    pub wall: String,
    /// Against its stated direction.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub backwards: bool,
    /// What it is; if not said an outer wall, or nothing but a line for the outline of an opening or a stair.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<EdgeKind>,
    /// How thick it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Length>,
    /// Where its length was read, if between other faces than those that the outline follows: a side of an outer
    /// outline that was read inside, between the walls at its ends. Their thickness is then added, or taken off at
    /// an inner corner.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read_at: Option<WallLine>,
}

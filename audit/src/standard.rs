//! Published definitions of floor area, as data: what is counted, counted apart, or not counted, and by which rule.

mod ceiling_rule;
mod every_part;
mod read;
mod rounding;
mod statement;
mod telling;
mod weight;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::drawing::{Lines, WallLine};
pub use crate::house::WallFace;
use crate::house::{Access, Attachment, BuildingKind, Enclosure, Finish, Grade, Heat, Part, PartUse, Storey};
pub use ceiling_rule::{Band, Base, BeamRule, CeilingRule, RoomRule};
pub use read::{StandardError, schema};
pub use rounding::{DimensionRule, Half, RoundedLine, RoundedOutline};
pub use statement::{AreaStatement, Note, Spread, StatementLine};
pub use telling::ASSUMED;
pub use weight::Weight;

/// Relative standard deviation assumed of areas for which none is stated: 1 % of the area, shared by all of them
/// (the same visit, the same tape). Common practice, no source; readings alone would give a tenth of it, which no
/// second visit reproduces. Never zero, and always shown as assumed.
pub const ASSUMED_RELATIVE_SD: f64 = 0.01;

/// The definitions that come with the program, each a file beside this module.
const BUILT_IN: [&str; 12] = [
    include_str!("standard/finished_above_grade.toml"),
    include_str!("standard/north_carolina.toml"),
    include_str!("standard/alberta_rms.toml"),
    include_str!("standard/maryland.toml"),
    include_str!("standard/monee_illinois.toml"),
    include_str!("standard/ontario.toml"),
    include_str!("standard/cook_county.toml"),
    include_str!("standard/miami_dade_adjusted.toml"),
    include_str!("standard/uk_gea.toml"),
    include_str!("standard/uk_gia.toml"),
    include_str!("standard/ipms_3b.toml"),
    include_str!("standard/woflv.toml"),
];

/// A definition of floor area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// Its name in layouts and judgements: lower case letters, digits and hyphens.
    #[schemars(length(min = 1, max = 60), regex(pattern = r"^[a-z0-9]+(-[a-z0-9]+)*$"))]
    pub id: String,
    /// Its title for people.
    #[schemars(length(min = 1, max = 2000))]
    pub title: String,
    /// Who publishes it.
    pub publisher: String,
    /// Which edition.
    pub edition: String,
    /// Where it was read.
    pub source: String,
    /// What its total is called, for example `gross living area`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total: Option<String>,
    /// What it does not say, or where it was read from memory, in sentences for people.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    /// The face of the outer wall that it measures to.
    pub measured_to: WallFace,
    /// The line through a wall shared with another dwelling; the middle for outer faces, the near face for inner
    /// ones where it is not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub common_walls: Option<WallLine>,
    /// How single dimensions are rounded before areas are computed, which makes a record uncertain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dimensions: Option<DimensionRule>,
    /// What half a storey counts in place of its parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half_storey: Option<HalfStoreyRule>,
    /// What low and sloped ceilings do to a part that is counted or counted apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ceiling: Option<CeilingRule>,
    /// The rules in order; together they cover every part ([`Standard::from_toml`] refuses others).
    #[schemars(length(min = 1, max = 60))]
    pub rule: Vec<CountingRule>,
}

/// What half a storey counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HalfStoreyRule {
    /// The name that lines of a statement give.
    pub id: String,
    /// The share of the ground area below it.
    pub share: Weight,
    /// The rule in our own words, with its citation.
    pub because: String,
}

/// One rule: conditions, and what becomes of a part that meets them all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CountingRule {
    /// The rule's name.
    pub id: String,
    /// The conditions.
    #[serde(default)]
    pub when: Conditions,
    /// What becomes of the part.
    pub verdict: CountingVerdict,
    /// How much of a counted part counts; all of it where not stated.
    #[serde(default, skip_serializing_if = "Weight::is_one")]
    pub weight: Weight,
    /// The heading under which it is counted apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<String>,
    /// Whether the standard's ceiling rule is applied to it; yes where not stated.
    #[serde(default = "yes", skip_serializing_if = "Clone::clone")]
    pub ceiling: bool,
    /// The rule in our own words, with its citation.
    pub because: String,
}

fn yes() -> bool {
    true
}

/// Conditions on a part: each list names the values that meet it, an empty one is met by all.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Conditions {
    /// On the use.
    #[serde(rename = "use", skip_serializing_if = "Vec::is_empty")]
    pub part_use: Vec<PartUse>,
    /// On the grade of the level.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub grade: Vec<Grade>,
    /// On whether the level is a whole storey.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub storey: Vec<Storey>,
    /// On whether the level is the first above grade, or a higher one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub position: Vec<Position>,
    /// On the finish.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub finish: Vec<Finish>,
    /// On the heat.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub heat: Vec<Stated<Heat>>,
    /// On the access.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub access: Vec<Access>,
    /// On how far it is walled in.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub enclosure: Vec<Stated<Enclosure>>,
    /// On how it is joined to the house.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub attachment: Vec<Stated<Attachment>>,
    /// On whether it was built with the house or later.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub origin: Vec<Origin>,
    /// On the kind of the building.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub building: Vec<BuildingKind>,
}

/// Where a level lies among the levels of its building.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Position {
    /// Numbered 1 or less.
    First,
    /// Numbered 2 or more.
    Higher,
}

/// Whether a part was built with the house.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// With the house, or no other year is known.
    Original,
    /// Later: a year of its own is known.
    Addition,
}

/// A value of a part that may not be stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Stated<T> {
    /// As stated.
    Value(T),
    /// The word `unstated`.
    Not(Unstated),
}

/// The word `unstated`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Unstated {
    /// Nothing was said.
    Unstated,
}

/// What becomes of a part under a standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CountingVerdict {
    /// It is in the total.
    Counted,
    /// It is stated under a heading of its own.
    Apart,
    /// It is not area of the house.
    NotCounted,
}

/// A part with what a rule may ask about the place where it lies.
#[derive(Debug, Clone, Copy)]
pub struct Placed<'a> {
    /// The kind of its building.
    pub building: BuildingKind,
    /// The number of its level.
    pub level: i32,
    /// The grade of its level.
    pub grade: Grade,
    /// Whether its level is a whole storey.
    pub storey: Storey,
    /// The part.
    pub part: &'a Part,
}

impl Standard {
    /// The first rule that the part meets.
    #[must_use]
    pub fn rule_for(&self, placed: &Placed<'_>) -> Option<&CountingRule> {
        self.rule.iter().find(|rule| rule.when.met_by(placed))
    }

    /// The lines through walls that it measures to.
    #[must_use]
    pub fn lines(&self) -> Lines {
        let common = self.common_walls.unwrap_or(match self.measured_to {
            WallFace::Outside => WallLine::Centre,
            WallFace::Inside => WallLine::Inside,
        });
        Lines { outer: self.measured_to, common }
    }
}

impl Conditions {
    fn met_by(&self, placed: &Placed<'_>) -> bool {
        fn in_list<T: PartialEq>(list: &[T], value: &T) -> bool {
            list.is_empty() || list.contains(value)
        }
        fn stated<T: PartialEq + Copy>(list: &[Stated<T>], value: Option<T>) -> bool {
            in_list(list, &value.map_or(Stated::Not(Unstated::Unstated), Stated::Value))
        }
        let part = placed.part;
        let position = if placed.level >= 2 { Position::Higher } else { Position::First };
        let origin = if part.built.is_some() { Origin::Addition } else { Origin::Original };
        in_list(&self.part_use, &part.part_use)
            && in_list(&self.grade, &placed.grade)
            && in_list(&self.storey, &placed.storey)
            && in_list(&self.position, &position)
            && in_list(&self.finish, &part.finish)
            && stated(&self.heat, part.heat)
            && in_list(&self.access, &part.access)
            && stated(&self.enclosure, part.enclosure)
            && stated(&self.attachment, part.attachment)
            && in_list(&self.origin, &origin)
            && in_list(&self.building, &placed.building)
    }
}

#[cfg(test)]
mod tests;

//! Published definitions of floor area, as data: what is counted, counted apart, or not counted, and by which rule.

use serde::{Deserialize, Serialize};

use crate::area::{Area, AreaSum};
use crate::house::{Access, Building, BuildingKind, Finish, Grade, House, Level, Part, PartUse};

/// Relative standard deviation assumed of areas for which none is stated: 1 % of the area, shared by all of them
/// (the same visit, the same tape). Common practice, no source; readings alone would give a tenth of it, which no
/// second visit reproduces. Never zero, and always shown as assumed.
pub const ASSUMED_RELATIVE_SD: f64 = 0.01;

/// The definitions that come with the program, each a file beside this module.
const BUILT_IN: [&str; 1] = [include_str!("standard/finished_above_grade.toml")];

/// A definition of floor area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// Its name in layouts and judgements.
    pub id: String,
    /// Its title for people.
    pub title: String,
    /// Who publishes it.
    pub publisher: String,
    /// Which edition.
    pub edition: String,
    /// Where it was read.
    pub source: String,
    /// The face of the outer wall that it measures to.
    pub measured_to: WallFace,
    /// The rules in order; together they cover every part ([`Standard::from_toml`] refuses others).
    pub rule: Vec<CountingRule>,
}

/// The face of the outer wall that a standard measures to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WallFace {
    /// The outer face.
    Outside,
    /// The inner face.
    Inside,
}

/// One rule: conditions, and what becomes of a part that meets them all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CountingRule {
    /// The rule's name.
    pub id: String,
    /// The conditions.
    pub when: Conditions,
    /// What becomes of the part.
    pub verdict: CountingVerdict,
    /// The heading under which it is counted apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<String>,
    /// The rule in our own words, with its citation.
    pub because: String,
}

/// Conditions on a part: each list names the values that meet it, an empty one is met by all.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Conditions {
    /// On the use.
    #[serde(rename = "use")]
    pub part_use: Vec<PartUse>,
    /// On the grade of the level.
    pub grade: Vec<Grade>,
    /// On the finish.
    pub finish: Vec<Finish>,
    /// On the access.
    pub access: Vec<Access>,
    /// On the kind of the building.
    pub building: Vec<BuildingKind>,
}

/// What becomes of a part under a standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CountingVerdict {
    /// It is in the total.
    Counted,
    /// It is stated under a heading of its own.
    Apart,
    /// It is not area of the house.
    NotCounted,
}

/// Why a file is no standard.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StandardError {
    /// The file cannot be read as TOML of this shape.
    #[error("the standard cannot be read: {0}")]
    Unreadable(String),
    /// Some part would fall under no rule.
    #[error(
        "the standard {id} has no rule for {part}: add one, or let the last rule stand without conditions"
    )]
    NotTotal {
        /// The standard.
        id: String,
        /// An example of such a part.
        part: String,
    },
    /// A rule counts apart without a heading.
    #[error("rule {rule} of the standard {id} counts apart but has no heading: add one")]
    NoHeading {
        /// The standard.
        id: String,
        /// The rule.
        rule: String,
    },
}

/// The areas of a house under one standard.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaStatement {
    /// The standard.
    pub standard: String,
    /// The total that the standard calls the area of the house.
    pub total: Area,
    /// The variance of the total, by origin.
    pub spread: Spread,
    /// Each part with what became of it.
    pub lines: Vec<StatementLine>,
}

/// One part in an area statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatementLine {
    /// The building's name.
    pub building: String,
    /// The level's number.
    pub level: i32,
    /// What the part is used as.
    pub part_use: PartUse,
    /// Its area.
    pub area: Area,
    /// What became of it.
    pub verdict: CountingVerdict,
    /// The heading, where it is counted apart.
    pub heading: Option<String>,
    /// The rule that decided.
    pub rule: String,
}

/// The variance of a total by origin, in square feet squared.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spread {
    /// From the standard deviations stated with the parts, taken as independent.
    pub stated: f64,
    /// From the scale error that all parts share.
    pub common: f64,
    /// From the share assumed for parts without a stated standard deviation.
    pub assumed: f64,
}

impl Spread {
    /// The whole variance.
    #[must_use]
    pub fn variance(self) -> f64 {
        self.stated + self.common + self.assumed
    }
}

impl Standard {
    /// Reads a standard and proves that every part falls under exactly one rule.
    ///
    /// # Errors
    /// [`StandardError`] with what would mend the file.
    pub fn from_toml(text: &str) -> Result<Standard, StandardError> {
        let standard: Standard =
            toml::from_str(text).map_err(|e| StandardError::Unreadable(e.to_string().trim().to_owned()))?;
        for rule in &standard.rule {
            if rule.verdict == CountingVerdict::Apart && rule.heading.is_none() {
                return Err(StandardError::NoHeading { id: standard.id.clone(), rule: rule.id.clone() });
            }
        }
        match every_part()
            .find(|(building, grade, part)| standard.rule_for(*building, *grade, part).is_none())
        {
            None => Ok(standard),
            Some((building, grade, part)) => Err(StandardError::NotTotal {
                id: standard.id.clone(),
                part: format!(
                    "{:?}, {:?}, {:?}, {:?} grade, in {building:?}",
                    part.part_use, part.finish, part.access, grade
                ),
            }),
        }
    }

    /// The definitions that come with the program.
    ///
    /// # Errors
    /// As [`Standard::from_toml`]; a test shows that it does not happen.
    pub fn built_in() -> Result<Vec<Standard>, StandardError> {
        BUILT_IN.iter().map(|text| Standard::from_toml(text)).collect()
    }

    /// The first rule that the part meets.
    #[must_use]
    pub fn rule_for(&self, building: BuildingKind, grade: Grade, part: &Part) -> Option<&CountingRule> {
        self.rule.iter().find(|rule| rule.when.met_by(building, grade, part))
    }

    /// States the areas of a house.
    #[must_use]
    pub fn state(&self, house: &House) -> AreaStatement {
        let mut total = AreaSum::default();
        let mut lines = Vec::new();
        let mut stated = 0.0;
        let mut assumed = 0.0;
        for (building, level, part) in parts_of(house) {
            let Some(rule) = self.rule_for(building.kind, level.grade, part) else { continue };
            if rule.verdict == CountingVerdict::Counted {
                total.add(part.area);
                match part.sd_sqft {
                    Some(sd) => stated += sd * sd,
                    None => assumed += part.area.to_square_feet_f64() * ASSUMED_RELATIVE_SD,
                }
            }
            lines.push(StatementLine {
                building: building.name.clone(),
                level: level.number,
                part_use: part.part_use,
                area: part.area,
                verdict: rule.verdict,
                heading: rule.heading.clone(),
                rule: rule.id.clone(),
            });
        }
        let total = total.to_area().unwrap_or(Area::ZERO);
        let common = total.to_square_feet_f64() * house.common_relative_sd.unwrap_or(0.0);
        let spread = Spread { stated, common: common * common, assumed: assumed * assumed };
        AreaStatement { standard: self.id.clone(), total, spread, lines }
    }
}

impl Conditions {
    fn met_by(&self, building: BuildingKind, grade: Grade, part: &Part) -> bool {
        fn in_list<T: PartialEq>(list: &[T], value: &T) -> bool {
            list.is_empty() || list.contains(value)
        }
        in_list(&self.part_use, &part.part_use)
            && in_list(&self.grade, &grade)
            && in_list(&self.finish, &part.finish)
            && in_list(&self.access, &part.access)
            && in_list(&self.building, &building)
    }
}

fn parts_of(house: &House) -> impl Iterator<Item = (&Building, &Level, &Part)> {
    house.buildings.iter().flat_map(|building| {
        building
            .levels
            .iter()
            .flat_map(move |level| level.parts.iter().map(move |part| (building, level, part)))
    })
}

/// One part of every kind that the conditions can tell apart.
fn every_part() -> impl Iterator<Item = (BuildingKind, Grade, Part)> {
    use PartUse as U;
    let uses = [
        U::Living,
        U::Recreation,
        U::Stair,
        U::Opening,
        U::Garage,
        U::Porch,
        U::Deck,
        U::CoveredWalk,
        U::Storage,
    ];
    let finishes = [Finish::Finished, Finish::LowQuality, Finish::Unfinished];
    let accesses = [Access::Inside, Access::ThroughUnfinished, Access::Outside];
    let kinds =
        [BuildingKind::Main, BuildingKind::Garage, BuildingKind::GuestHouse, BuildingKind::Outbuilding];
    kinds.into_iter().flat_map(move |kind| {
        [Grade::Above, Grade::Below].into_iter().flat_map(move |grade| {
            uses.into_iter().flat_map(move |part_use| {
                finishes.into_iter().flat_map(move |finish| {
                    accesses
                        .into_iter()
                        .map(move |access| (kind, grade, plain_part(part_use, finish, access)))
                })
            })
        })
    })
}

fn plain_part(part_use: PartUse, finish: Finish, access: Access) -> Part {
    Part {
        part_use,
        area: Area::ZERO,
        sd_sqft: None,
        finish,
        heat: None,
        access,
        enclosure: None,
        attachment: None,
        built: None,
        how_known: crate::house::HowKnown::Measured,
    }
}

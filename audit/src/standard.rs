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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::house::{Heat, HowKnown};

    fn standard() -> Standard {
        Standard::built_in().unwrap().into_iter().find(|s| s.id == "finished-above-grade").unwrap()
    }

    fn part(part_use: PartUse, sqft: i64, sd_sqft: Option<f64>) -> Part {
        Part {
            area: Area::from_whole_square_feet(sqft).unwrap(),
            sd_sqft,
            ..plain_part(part_use, Finish::Finished, Access::Inside)
        }
    }

    fn house(levels: Vec<(i32, Grade, Vec<Part>)>) -> House {
        let levels =
            levels.into_iter().map(|(number, grade, parts)| Level { number, grade, parts }).collect();
        let main = Building { name: "main house".to_owned(), kind: BuildingKind::Main, levels };
        House { buildings: vec![main], common_relative_sd: None }
    }

    fn check(levels: Vec<(i32, Grade, Vec<Part>)>, expected_sqft: i64) {
        let statement = standard().state(&house(levels));
        assert_eq!(
            statement.total,
            Area::from_whole_square_feet(expected_sqft).unwrap(),
            "{:?}",
            statement.lines
        );
    }

    #[test]
    fn every_part_falls_under_a_rule_and_every_rule_decides_some_part() {
        let standard = standard();
        let mut decided = std::collections::BTreeSet::new();
        for (building, grade, part) in every_part() {
            decided.insert(standard.rule_for(building, grade, &part).unwrap().id.clone());
        }
        assert_eq!(every_part().count(), 4 * 2 * 9 * 3 * 3);
        assert_eq!(decided.len(), standard.rule.len(), "rules that decide nothing: {decided:?}");
    }

    #[test]
    fn a_standard_that_leaves_parts_out_is_refused_with_an_example() {
        let text = "id = \"x\"\ntitle = \"\"\npublisher = \"\"\nedition = \"\"\nsource = \"\"\nmeasured_to = \"outside\"\n\
                    [[rule]]\nid = \"living\"\nwhen = { use = [\"living\"] }\nverdict = \"counted\"\nbecause = \"\"\n";
        assert!(matches!(Standard::from_toml(text), Err(StandardError::NotTotal { .. })));
        let apart = text.replace("\"counted\"", "\"apart\"");
        assert!(matches!(Standard::from_toml(&apart), Err(StandardError::NoHeading { .. })));
        assert!(matches!(Standard::from_toml("id = 1"), Err(StandardError::Unreadable(_))));
    }

    #[test]
    fn two_equal_storeys_count_twice_with_the_stair_on_the_level_it_descends_from() {
        // ANSI Z765, annex example of a two-storey house 28 x 42 ft: 1,176 and 1,176 sq ft while the opening is not
        // larger than the stair (excerpt as published)
        let upper = vec![part(PartUse::Living, 1176 - 48, None), part(PartUse::Stair, 48, None)];
        check(
            vec![(1, Grade::Above, vec![part(PartUse::Living, 1176, None)]), (2, Grade::Above, upper)],
            2352,
        );
    }

    #[test]
    fn an_opening_to_the_level_below_is_not_area() {
        // the same house with an opening of 12 x 14 ft: 1,176 - 168 + 48 = 1,056 sq ft upstairs (arithmetic by hand)
        let upper = vec![
            part(PartUse::Living, 1176 - 168, None),
            part(PartUse::Stair, 48, None),
            part(PartUse::Opening, 120, None),
        ];
        check(
            vec![(1, Grade::Above, vec![part(PartUse::Living, 1176, None)]), (2, Grade::Above, upper)],
            2232,
        );
    }

    #[test]
    fn garage_area_never_counts_however_finished_and_heated() {
        let garage = Part { heat: Some(Heat::MainSystem), ..part(PartUse::Garage, 400, None) };
        check(vec![(1, Grade::Above, vec![part(PartUse::Living, 1000, None), garage])], 1000);
    }

    #[test]
    fn below_grade_unfinished_and_otherwise_reached_area_is_stated_apart() {
        // selling guide B4-1.3: above-grade and below-grade finished area are separate totals
        let unfinished = Part { finish: Finish::Unfinished, ..part(PartUse::Living, 300, None) };
        let outside = Part { access: Access::Outside, ..part(PartUse::Living, 150, None) };
        let low = Part { finish: Finish::LowQuality, ..part(PartUse::Living, 80, None) };
        let levels = vec![
            (0, Grade::Below, vec![part(PartUse::Recreation, 700, None)]),
            (1, Grade::Above, vec![part(PartUse::Living, 1000, None), unfinished, outside, low]),
        ];
        let statement = standard().state(&house(levels.clone()));
        let headings: Vec<&str> = statement.lines.iter().filter_map(|line| line.heading.as_deref()).collect();
        assert_eq!(
            headings,
            ["finished area below grade", "unfinished area", "finished area not joined to the house"]
        );
        check(levels, 1080);
    }

    #[test]
    fn stated_spreads_add_in_quadrature_and_a_missing_one_is_assumed_never_zero() {
        let levels = vec![(
            1,
            Grade::Above,
            vec![part(PartUse::Living, 600, Some(3.0)), part(PartUse::Living, 400, Some(4.0))],
        )];
        let mut stated = house(levels);
        assert!((standard().state(&stated).spread.variance() - 25.0).abs() < 1e-9);
        stated.common_relative_sd = Some(0.012);
        // sqrt(3^2 + 4^2 + (1000 x 0.012)^2) = 13
        assert!((standard().state(&stated).spread.variance() - 169.0).abs() < 1e-9);
        let none = house(vec![(
            1,
            Grade::Above,
            vec![part(PartUse::Living, 600, None), part(PartUse::Living, 400, None)],
        )]);
        let spread = standard().state(&none).spread;
        assert_eq!((spread.stated, spread.common), (0.0, 0.0));
        // shared by all parts, so it adds linearly: 1 % of 1,000
        assert!((spread.variance() - 100.0).abs() < 1e-9);
    }

    #[test]
    fn a_part_that_is_not_counted_adds_no_spread() {
        let garage =
            Part { sd_sqft: Some(50.0), how_known: HowKnown::Estimated, ..part(PartUse::Garage, 400, None) };
        let levels = vec![(1, Grade::Above, vec![part(PartUse::Living, 1000, Some(2.0)), garage])];
        assert!((standard().state(&house(levels)).spread.variance() - 4.0).abs() < 1e-9);
    }
}

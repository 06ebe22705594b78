//! The plans of a measured house: one a level, hatched by how its parts count under a standard.

use super::{Counting, DimensionStyle, Edge, EdgeKind, Ground, Opening, Plan, Region, Stair, Way};
use crate::area::Area;
use crate::document::Measurement;
use crate::drawing::{self, Dimensions, Drawing};
use crate::house::{Building, Level, Part, PartUse};
use crate::length::Length;
use crate::measure::Source;
use crate::measure::area_spread::Share;
use crate::measure::polygon::{Point, Polygon};
use crate::measure::suspect::Suspicion;
use crate::measure::telling::balance;
use crate::standard::{AreaStatement, CountingVerdict, Standard, StatementLine};

/// Printed under every plan.
const CAUTION: &str =
    "Not a land survey, an appraisal or legal advice. Dimensions are adjusted from field readings.";

/// A level's plan, and where it belongs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LevelPlan {
    /// The building's place in the document.
    pub building: usize,
    /// The level's number.
    pub level: i32,
    /// The plan.
    pub plan: Plan,
}

/// The plans of all levels of which anything was drawn, in the order of the document; none for a house of stated
/// areas. `statement` is the house under `standard`.
#[must_use]
pub fn of_house(
    measurement: &Measurement,
    standard: &Standard,
    statement: &AreaStatement,
    ground: Ground,
) -> Vec<LevelPlan> {
    let Some(drawing) = &measurement.house.drawing else { return Vec::new() };
    let mut plans = Vec::new();
    for (at, building) in measurement.house.buildings.iter().enumerate() {
        for level in &building.levels {
            let drafting = Drafting { drawing, standard, statement, building, level };
            let mut plan = drafting.plan(ground);
            if plan.regions.is_empty() && plan.openings.is_empty() {
                continue;
            }
            plan.title = measurement.address.clone().unwrap_or_else(|| measurement.reference.clone());
            plan.subtitle = format!(
                "Parcel {}, measured on {}. Areas by {}.",
                measurement.parcel, measurement.measured_on, standard.title
            );
            plans.push(LevelPlan { building: at, level: level.number, plan });
        }
    }
    plans
}

struct Drafting<'a> {
    drawing: &'a Drawing,
    standard: &'a Standard,
    statement: &'a AreaStatement,
    building: &'a Building,
    level: &'a Level,
}

impl Drafting<'_> {
    fn plan(&self, ground: Ground) -> Plan {
        let style = match self.drawing.dimensions {
            Dimensions::FeetInches | Dimensions::DecimalFeet => DimensionStyle::Feet,
            Dimensions::Metres => DimensionStyle::Metric,
        };
        let mut plan = Plan {
            level_name: format!("{}, level {}", self.building.name, self.level.number),
            north_degrees: self.drawing.north_degrees,
            dimension_style: style,
            ground,
            ..Plan::default()
        };
        let mut listed: Vec<String> = Vec::new();
        for (at, part) in self.level.parts.iter().enumerate() {
            let rings = self.rings(&part.shares);
            match part.part_use {
                _ if rings.is_empty() => listed.extend(self.not_drawn(at, part)),
                PartUse::Opening => {
                    let label = part.name.clone().unwrap_or_else(|| "open to below".to_owned());
                    let area = self.area(part.area);
                    let openings = rings.into_iter().take(1);
                    plan.openings.extend(openings.map(|polygon| Opening {
                        polygon,
                        label: format!("{label}, open to below, {area}"),
                    }));
                }
                PartUse::Stair => {
                    let stairs = rings.into_iter().take(1);
                    plan.stairs.extend(stairs.map(|polygon| Stair {
                        polygon,
                        way: Way::Down,
                        towards: None,
                    }));
                }
                PartUse::Living
                | PartUse::Recreation
                | PartUse::Garage
                | PartUse::Porch
                | PartUse::Deck
                | PartUse::CoveredWalk
                | PartUse::Storage
                | PartUse::Carport
                | PartUse::Protrusion => plan.regions.push(self.region(at, part, rings)),
            }
        }
        plan.edges = self.edges();
        plan.notes = self.balance();
        if !listed.is_empty() {
            plan.notes.push(format!("Not drawn: {}.", listed.join("; ")));
        }
        plan.notes.push(CAUTION.to_owned());
        plan
    }

    fn not_drawn(&self, at: usize, part: &Part) -> Vec<String> {
        let name = name(part);
        self.lines(at).map(|line| format!("{name}, {} {}", self.area(line.area), verdict(line))).collect()
    }

    /// What an odd number of rings surrounds is inside: cut-outs are rings like any other.
    fn rings(&self, shares: &[Share]) -> Vec<Polygon> {
        let outline = |share: &Share| self.drawing.worked.outlines.get(share.outline);
        shares.iter().filter_map(outline).map(|outline| outline.polygon.clone()).collect()
    }

    fn lines(&self, part: usize) -> impl Iterator<Item = &StatementLine> {
        self.statement.lines.iter().filter(move |line| {
            line.part == Some(part) && line.level == self.level.number && line.building == self.building.name
        })
    }

    fn region(&self, at: usize, part: &Part, rings: Vec<Polygon>) -> Region {
        let lines: Vec<&StatementLine> = self.lines(at).collect();
        let texts = match lines.as_slice() {
            [only] => vec![self.area(only.unweighted)],
            pieces => pieces
                .iter()
                .map(|line| format!("{} {}", self.area(line.unweighted), verdict(line)))
                .collect(),
        };
        let counting = lines
            .iter()
            .max_by_key(|line| line.unweighted)
            .map_or(Counting::NotCounted, |line| counting(line));
        Region { name: name(part), lines: texts, rings, counting }
    }

    fn area(&self, area: Area) -> String {
        match self.drawing.dimensions {
            Dimensions::FeetInches | Dimensions::DecimalFeet => format!("{} sq ft", area.to_square_feet(1)),
            Dimensions::Metres => format!("{} m²", area.to_square_metres(2)),
        }
    }

    /// The outlines drawn on the level: its own first, whose walls decide what a shared one is. Voids have a drawing
    /// of their own.
    fn outlines(&self) -> Vec<usize> {
        let is_void = |part: &&Part| matches!(part.part_use, PartUse::Opening | PartUse::Stair);
        let voids = || self.level.parts.iter().filter(is_void).flat_map(|part| &part.shares);
        let floor = self.level.parts.iter().filter(|part| !is_void(part)).flat_map(|part| &part.shares);
        let floor = floor.filter(|share| !voids().any(|void| void.outline == share.outline));
        let mut outlines: Vec<usize> = Vec::new();
        for share in self.level.outline.iter().chain(floor) {
            if !outlines.contains(&share.outline) {
                outlines.push(share.outline);
            }
        }
        outlines
    }

    fn edges(&self) -> Vec<Edge> {
        let worked = &self.drawing.worked;
        let mut edges: Vec<Edge> = Vec::new();
        let mut drawn: Vec<usize> = Vec::new();
        for outline in self.outlines() {
            let (Some(shape), Some(sides)) = (worked.outlines.get(outline), self.drawing.edges.get(outline))
            else {
                continue;
            };
            let corners = &shape.polygon.corners;
            let ends = corners.iter().zip(corners.iter().cycle().skip(1));
            for (((from, to), side), wall) in ends.zip(sides).zip(worked.walls_of(outline)) {
                let kind = kind(side);
                if let Some(known) = drawn.iter().position(|known| *known == wall) {
                    // a wall that one outline knows more about than the other
                    if let Some(edge) = edges.get_mut(known).filter(|edge| is_plain(edge.kind)) {
                        edge.kind = kind;
                    }
                    continue;
                }
                drawn.push(wall);
                edges.push(self.edge((*from, *to), kind, wall));
            }
        }
        edges
    }

    fn edge(&self, (from, to): (Point, Point), kind: EdgeKind, wall: usize) -> Edge {
        let adjusted = self.drawing.worked.walls.get(wall);
        Edge {
            from,
            to,
            kind,
            dimension: adjusted.map(|wall| self.dimension(wall.length)),
            is_derived: adjusted.is_some_and(|wall| wall.is_derived),
            suspect: self.suspect(wall),
        }
    }

    fn dimension(&self, length: Length) -> String {
        if let Some(rule) = &self.standard.dimensions {
            let feet = rule.rounded(length);
            return format!("{} ft", feet.to_decimal_feet(0));
        }
        self.drawing.dimensions.on_plan(length)
    }

    /// Why a wall is marked, in a few words.
    fn suspect(&self, wall: usize) -> Option<String> {
        let worked = &self.drawing.worked;
        let of_wall = |source: &Source| matches!(*source, Source::Length(at) | Source::Run(at) | Source::Rise(at) if at == wall);
        // which of two readings is wrong may be open: then their difference is all that is known
        let is_sure =
            |one: &&Suspicion| one.candidates.len() == 1 && one.named().as_ref().is_some_and(of_wall);
        let named = worked.suspicions.iter().find(is_sure);
        if let Some(suspicion) = named {
            let way = if suspicion.size > 0.0 { "long" } else { "short" };
            return Some(format!(
                "read {} too {way}?",
                self.drawing.dimensions.difference_ft(suspicion.size)
            ));
        }
        let pair = worked.disagreements.iter().find(|(source, _)| of_wall(source));
        pair.map(|(_, pair)| {
            format!("readings differ by {}", self.drawing.dimensions.difference_ft(pair.difference_ft))
        })
    }

    /// How well the outlines of the level closed before they were adjusted.
    fn balance(&self) -> Vec<String> {
        let outlines = self.outlines();
        let outlines = outlines.iter().filter_map(|at| self.drawing.worked.outlines.get(*at));
        outlines.map(|outline| balance(&outline.name, &outline.misclosure, self.drawing.dimensions)).collect()
    }
}

fn name(part: &Part) -> String {
    part.name.clone().unwrap_or_else(|| part.part_use.name().replace('_', " "))
}

fn verdict(line: &StatementLine) -> String {
    match (line.verdict, &line.heading) {
        (CountingVerdict::Counted, _) if line.weight.is_one() => "counted".to_owned(),
        (CountingVerdict::Counted, _) => format!("counted × {}", line.weight),
        (CountingVerdict::Apart, Some(heading)) => format!("apart: {heading}"),
        (CountingVerdict::Apart, None) => "apart".to_owned(),
        (CountingVerdict::NotCounted, _) => "not counted".to_owned(),
    }
}

fn counting(line: &StatementLine) -> Counting {
    match line.verdict {
        CountingVerdict::Counted if line.weight.is_one() => Counting::Counted,
        CountingVerdict::Counted => Counting::Weighted(format!("× {}", line.weight)),
        CountingVerdict::Apart => Counting::Apart(line.heading.clone().unwrap_or_default()),
        CountingVerdict::NotCounted => Counting::NotCounted,
    }
}

fn kind(side: &drawing::Edge) -> EdgeKind {
    match side.kind {
        drawing::EdgeKind::OuterWall => EdgeKind::OuterWall { thickness: side.thickness },
        drawing::EdgeKind::CommonWall => EdgeKind::CommonWall,
        drawing::EdgeKind::Partition => EdgeKind::Partition,
        drawing::EdgeKind::Railing => EdgeKind::Railing,
        drawing::EdgeKind::CeilingLine => EdgeKind::CeilingLine,
        drawing::EdgeKind::Open => EdgeKind::Open,
    }
}

/// Whether nothing more than a wall is known of it.
fn is_plain(kind: EdgeKind) -> bool {
    matches!(kind, EdgeKind::OuterWall { thickness: None } | EdgeKind::Open)
}

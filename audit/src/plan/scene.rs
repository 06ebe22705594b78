//! A plan at one scale, in pixels from the upper left corner of the house, and what has been placed on it so far.

use super::ink::{Item, Pen};
use super::lettering::Lettering;
use super::shape::{Block, Bounds, Line, Ring, Spot, is_inside, sides};
use super::{Edge, EdgeKind, Plan};
use crate::length::Length;
use crate::measure::polygon::{Point, Polygon};

/// Room kept around a text: to walls, to other texts, to thin lines.
const OFF_WALL: f64 = 2.0;
const OFF_TEXT: f64 = 4.0;
const OFF_LINE: f64 = 1.5;
/// What a crossing of two thin lines costs among the choices of a place, in pixels of a longer way.
const CROSSING: f64 = 8.0;
/// How far to the side of an edge it is looked whether a region lies there, in feet.
const BESIDE_FT: f64 = 0.25;

/// An edge on the sheet.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side<'p> {
    pub(super) edge: &'p Edge,
    pub(super) line: Line,
    /// Away from the house; `None` where regions lie on both sides all along.
    pub(super) outward: Option<Spot>,
}

/// The plan at one scale, and what has been placed.
#[derive(Debug, Clone)]
pub(super) struct Scene<'p> {
    pub(super) plan: &'p Plan,
    pub(super) pixels_per_foot: f64,
    /// The rings of each region.
    pub(super) regions: Vec<Vec<Ring>>,
    pub(super) sides: Vec<Side<'p>>,
    pub(super) openings: Vec<Ring>,
    pub(super) stairs: Vec<Ring>,
    /// Around the house, without dimensions.
    pub(super) bounds: Bounds,
    /// Lines that no text may touch, with half their width.
    walls: Vec<(Line, f64)>,
    /// Room taken by texts.
    pub(super) blocks: Vec<Block>,
    /// Thin lines placed, and the slashes at their ends.
    lines: Vec<Line>,
    ticks: Vec<Line>,
    /// What is drawn over the walls.
    pub(super) items: Vec<Item>,
    /// Words under the drawing: a key and its text.
    pub(super) keyed: Vec<(String, String)>,
    /// Words that found no place, not even for a key.
    pub(super) listed: Vec<String>,
    origin: Point,
}

impl<'p> Scene<'p> {
    /// The plan at so many pixels of a foot.
    pub(super) fn new(plan: &'p Plan, pixels_per_foot: f64) -> Self {
        let origin = Point {
            east: points(plan).map(|point| point.east).min().unwrap_or_default(),
            north: points(plan).map(|point| point.north).max().unwrap_or_default(),
        };
        let mut scene = Self {
            plan,
            pixels_per_foot,
            regions: Vec::new(),
            sides: Vec::new(),
            openings: Vec::new(),
            stairs: Vec::new(),
            bounds: Bounds { low: Spot::new(0.0, 0.0), high: Spot::new(0.0, 0.0) },
            walls: Vec::new(),
            blocks: Vec::new(),
            lines: Vec::new(),
            ticks: Vec::new(),
            items: Vec::new(),
            keyed: Vec::new(),
            listed: Vec::new(),
            origin,
        };
        let ring = |polygon: &Polygon| scene.ring(polygon);
        let regions: Vec<Vec<Ring>> =
            plan.regions.iter().map(|region| region.rings.iter().map(ring).collect()).collect();
        let openings: Vec<Ring> = plan.openings.iter().map(|opening| ring(&opening.polygon)).collect();
        let stairs: Vec<Ring> = plan.stairs.iter().map(|stair| ring(&stair.polygon)).collect();
        let around = Bounds::around(points(plan).map(|point| scene.spot(*point)));
        scene.bounds = around.unwrap_or(scene.bounds);
        (scene.regions, scene.openings, scene.stairs) = (regions, openings, stairs);
        scene.sides = plan.edges.iter().map(|edge| scene.side(edge)).collect();
        scene.walls = scene.obstacles();
        scene
    }

    pub(super) fn pixels(&self, length: Length) -> f64 {
        length.to_feet_f64() * self.pixels_per_foot
    }

    pub(super) fn spot(&self, point: Point) -> Spot {
        let apart = |one: i64, other: i64| self.pixels(Length::from_nanometres(one.saturating_sub(other)));
        Spot::new(apart(point.east, self.origin.east), apart(self.origin.north, point.north))
    }

    fn ring(&self, polygon: &Polygon) -> Ring {
        polygon.corners.iter().map(|corner| self.spot(*corner)).collect()
    }

    fn side(&self, edge: &'p Edge) -> Side<'p> {
        let line = Line::new(self.spot(edge.from), self.spot(edge.to));
        let normal = line.along().turned();
        let step = (BESIDE_FT * self.pixels_per_foot).max(0.5);
        let covered = |direction: Spot| {
            let shares = [0.06, 0.25, 0.5, 0.75, 0.94];
            shares.into_iter().filter(|share| self.is_covered(line.at(*share).plus(direction, step))).count()
        };
        let (right, left) = (covered(normal), covered(normal.opposite()));
        let from_middle = line.middle().minus(self.bounds.middle());
        let outward = match right.cmp(&left) {
            core::cmp::Ordering::Less => Some(normal),
            core::cmp::Ordering::Greater => Some(normal.opposite()),
            core::cmp::Ordering::Equal if right == 5 => None,
            core::cmp::Ordering::Equal if normal.dot(from_middle) >= 0.0 => Some(normal),
            core::cmp::Ordering::Equal => Some(normal.opposite()),
        };
        Side { edge, line, outward }
    }

    /// Whether a region lies there.
    pub(super) fn is_covered(&self, spot: Spot) -> bool {
        self.regions.iter().any(|rings| is_inside(rings, spot))
    }

    fn obstacles(&self) -> Vec<(Line, f64)> {
        let mut walls = Vec::new();
        for side in &self.sides {
            let half = pens(side.edge).into_iter().map(|pen| pen.look().1 / 2.0).fold(0.0, f64::max);
            walls.push((side.line, half));
            if let Some(body) = self.body(side) {
                walls.extend(sides(&body).map(|line| (line, 0.3)));
            }
            if side.edge.kind == EdgeKind::Railing {
                walls.push((self.railing_pair(side), 0.5));
            }
        }
        let rings = self.regions.iter().flatten().chain(&self.openings).chain(&self.stairs);
        walls.extend(rings.flat_map(|ring| sides(ring)).map(|line| (line, 0.5)));
        walls
    }

    /// The body of a wall with a thickness, mitred with its neighbours.
    pub(super) fn body(&self, side: &Side<'_>) -> Option<Ring> {
        let inner = self.inner_face(side)?;
        let corner = |at: Point, square: Spot| {
            let meeting = |other: &&Side<'_>| {
                !core::ptr::eq(other.edge, side.edge) && (other.edge.from == at || other.edge.to == at)
            };
            let thick = self.thickness(side).unwrap_or_default();
            let faces = self.sides.iter().filter(meeting).filter_map(|other| self.inner_face(other));
            let mut mitres = faces.filter_map(|face| meet(inner, face));
            mitres.find(|mitre| mitre.distance(square) <= 4.0 * thick).unwrap_or(square)
        };
        Some(vec![
            side.line.from,
            side.line.to,
            corner(side.edge.to, inner.to),
            corner(side.edge.from, inner.from),
        ])
    }

    fn thickness(&self, side: &Side<'_>) -> Option<f64> {
        let EdgeKind::OuterWall { thickness: Some(thickness) } = side.edge.kind else { return None };
        let pixels = self.pixels(thickness);
        (pixels > 0.0).then_some(pixels)
    }

    fn inner_face(&self, side: &Side<'_>) -> Option<Line> {
        Some(side.line.moved(side.outward?, -self.thickness(side)?))
    }

    /// The second line of a railing, on its inner side.
    pub(super) fn railing_pair(&self, side: &Side<'_>) -> Line {
        let inward = side.outward.map_or_else(|| side.line.along().turned(), Spot::opposite);
        side.line.moved(inward, 3.0)
    }

    /// Whether a text finds room there.
    pub(super) fn has_room(&self, block: &Block) -> bool {
        let near = |line: &Line, by: f64| block.grown(by).touches(*line);
        !self.walls.iter().any(|(wall, half)| near(wall, half + OFF_WALL))
            && !self.blocks.iter().any(|other| other.grown(OFF_TEXT).overlaps(block))
            && !self.lines.iter().chain(&self.ticks).any(|line| near(line, OFF_LINE))
    }

    /// Whether a text finds room there, with so much more around it to walls.
    pub(super) fn has_ample_room(&self, block: &Block, more: f64) -> bool {
        self.has_room(block) && !self.walls.iter().any(|(wall, _)| block.grown(more).touches(*wall))
    }

    /// What a thin line costs by crossing others; `None` where it would cross a wall or a text, or lie on a line.
    pub(super) fn line_cost(&self, line: Line) -> Option<f64> {
        let inner = line.shortened(1.6);
        let runs_along = |other: &Line| {
            inner.overlap(*other, 3.0).is_some_and(|(low, high)| (high - low) * inner.length() > 1.0)
        };
        if self.walls.iter().any(|(wall, _)| inner.crosses(*wall) || runs_along(wall)) {
            return None;
        }
        self.crossing_cost(inner, runs_along)
    }

    /// The same of an extension line, which may lie on another one.
    pub(super) fn extension_cost(&self, line: Line) -> Option<f64> {
        let inner = line.shortened(0.5);
        if self.walls.iter().any(|(wall, _)| inner.crosses(*wall)) {
            return None;
        }
        self.crossing_cost(inner, |_| false).map(|cost| cost / 2.0)
    }

    fn crossing_cost(&self, inner: Line, is_barred: impl Fn(&Line) -> bool) -> Option<f64> {
        if self.blocks.iter().any(|block| block.grown(OFF_LINE).touches(inner))
            || self.lines.iter().any(is_barred)
        {
            return None;
        }
        let crossed = self.lines.iter().filter(|other| inner.crosses(other.shortened(0.5))).count();
        Some(crossed as f64 * CROSSING)
    }

    /// How many ends of the line lie on a wall.
    pub(super) fn ends_on_walls(&self, line: Line) -> usize {
        let on_wall = |end: &Spot| self.walls.iter().any(|(wall, _)| wall.distance_of(*end) < 3.0);
        [line.from, line.to].iter().filter(|end| on_wall(end)).count()
    }

    /// Where a line from a corner begins to be free of walls that it would lie on.
    pub(super) fn past_walls(&self, line: Line, gap: f64) -> Line {
        let along = line.along();
        let mut from = line.from.plus(along, gap);
        for (wall, _) in &self.walls {
            if let Some((_, high)) = line.overlap(*wall, 1.0) {
                let past = line.at(high).plus(along, gap);
                if past.minus(from).dot(along) > 0.0 {
                    from = past;
                }
            }
        }
        Line::new(from, line.to)
    }

    pub(super) fn walls(&self) -> &[(Line, f64)] {
        &self.walls
    }

    /// Takes room for a text and draws it.
    pub(super) fn place(&mut self, lettering: Lettering) {
        self.blocks.push(lettering.block());
        self.items.push(Item::Text(lettering));
    }

    /// Draws thin lines that texts keep off.
    pub(super) fn rule(&mut self, pen: Pen, lines: Vec<Line>) {
        self.lines.extend(&lines);
        self.items.push(Item::Lines(pen, lines));
    }

    /// Whether a thin line lies there already, all along.
    pub(super) fn is_drawn(&self, line: Line) -> bool {
        let covers = |other: &Line| {
            line.overlap(*other, 0.1)
                .is_some_and(|(low, high)| (high - low) * line.length() > line.length() - 0.5)
        };
        self.lines.iter().any(covers)
    }

    /// Draws slashes, which lines may meet: neighbours in a row share one.
    pub(super) fn tick(&mut self, lines: Vec<Line>) {
        self.ticks.extend(&lines);
        self.items.push(Item::Lines(Pen::Tick, lines));
    }

    /// The next key: 1, 2, 3 …
    pub(super) fn next_key(&self) -> String {
        (self.keyed.len() + 1).to_string()
    }
}

/// Every point of the plan.
pub(super) fn points(plan: &Plan) -> impl Iterator<Item = &Point> {
    let regions = plan.regions.iter().flat_map(|region| &region.rings);
    let openings = plan.openings.iter().map(|opening| &opening.polygon);
    let polygons = regions.chain(openings).chain(plan.stairs.iter().map(|stair| &stair.polygon));
    let ends = plan.edges.iter().flat_map(|edge| [&edge.from, &edge.to]);
    polygons.flat_map(|polygon| &polygon.corners).chain(ends)
}

/// With which pens an edge is drawn.
pub(super) fn pens(edge: &Edge) -> Vec<Pen> {
    let own = match edge.kind {
        EdgeKind::OuterWall { thickness: None } => Pen::OuterWall,
        EdgeKind::OuterWall { thickness: Some(_) } => Pen::OuterFace,
        EdgeKind::CommonWall => Pen::CommonWall,
        EdgeKind::Partition => Pen::Partition,
        EdgeKind::Railing => Pen::Railing,
        EdgeKind::CeilingLine => Pen::CeilingLine,
        EdgeKind::Open => Pen::Open,
    };
    let mut pens = vec![own];
    pens.extend(edge.suspect.is_some().then_some(Pen::Suspect));
    pens
}

/// Where two endless lines meet.
fn meet(one: Line, other: Line) -> Option<Spot> {
    let (way, other_way) = (one.to.minus(one.from), other.to.minus(other.from));
    let spread = way.cross(other_way);
    let is_sharp = spread.abs() < 1e-3 * one.length() * other.length();
    (!is_sharp).then(|| one.at(other.from.minus(one.from).cross(other_way) / spread))
}

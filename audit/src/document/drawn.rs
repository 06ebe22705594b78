//! From the field notes of a document to outlines that areas are computed from, and what is wrong with their shape.

use std::sync::Arc;

use super::faces::bring_to_line;
use super::shape::{FieldNotesDocument, NotationDocument, SideDocument};
use super::{Problem, remark};
use crate::area::Area;
use crate::drawing::{Dimensions, Drawing, Edge, EdgeKind, WallLine};
use crate::length::Length;
use crate::measure::area_spread::Share;
use crate::measure::field_notes::{FieldNotes, Outline, Walk};
use crate::measure::polygon::{Patch, Point, Polygon, RingFault};
use crate::measure::region::Region;
use crate::measure::work_up;

/// Strips narrower than this lie between two readings of one line (common practice, no source).
pub(super) const STRIP_FT: f64 = 0.25;

/// The outlines of a document, adjusted.
pub(super) struct Drawn {
    pub(super) drawing: Arc<Drawing>,
    names: Vec<String>,
    origin: Point,
    /// Sides that say nothing about what they are.
    unsaid: Vec<Vec<bool>>,
}

/// Outlines that make up a region: added, and cut out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Outlines {
    pub(super) plus: Vec<usize>,
    pub(super) minus: Vec<usize>,
    /// What was cut out of what is cut out: it belongs to the region again.
    pub(super) back: Vec<usize>,
}

impl Outlines {
    pub(super) fn shares(&self) -> Vec<Share> {
        let share = |weight: f64| move |outline: &usize| Share { outline: *outline, weight };
        let added = self.plus.iter().chain(&self.back).map(share(1.0));
        added.chain(self.minus.iter().map(share(-1.0))).collect()
    }

    /// Cuts a part out. An outline that was added for nothing else is taken back: moved to another face of its walls,
    /// the two would not be alike.
    pub(super) fn cut(&mut self, part: &Outlines) {
        for outline in &part.plus {
            match self.plus.iter().position(|added| added == outline) {
                Some(at) => drop(self.plus.remove(at)),
                None => self.minus.push(*outline),
            }
        }
        self.back.extend(&part.minus);
    }
}

/// Works the notes up. `None` with at least one problem where they cannot be.
///
/// `voids` are the names of outlines that openings and stairs are drawn with: their sides are walls only where they
/// say so. `courts` are the names of those that are cut out of a part and are no part themselves.
pub(super) fn draw(
    document: &FieldNotesDocument,
    (voids, courts): (&[&str], &[&str]),
    problems: &mut Vec<Problem>,
) -> Option<Drawn> {
    let before = problems.len();
    let mut notes = field_notes(document);
    bring_to_line(document, courts, &mut notes, problems);
    let worked = match work_up(&notes) {
        Ok(worked) => worked,
        Err(found) => {
            problems.extend(found.into_iter().map(placed));
            return None;
        }
    };
    for (at, outline) in worked.outlines.iter().enumerate() {
        for fault in &outline.faults {
            problems.push(Problem {
                pointer: format!("/field_notes/outlines/{at}/sides"),
                detail: format!("{:?} {}", outline.name, ring_fault(document, at, fault)),
                mend: "check the directions and the order of its sides".to_owned(),
            });
        }
    }
    if problems.len() > before {
        return None;
    }
    let edges = document.outlines.iter().map(|outline| {
        let line = outline.line.unwrap_or_default();
        let is_void = voids.contains(&outline.name.as_str());
        let is_of_court = courts.contains(&outline.name.as_str());
        let edge = |side: &SideDocument| match side.edge {
            None if is_void => Edge { kind: EdgeKind::Open, line, ..Edge::default() },
            Some(_) | None => Edge { is_of_court, ..side_edge(document, side, line) },
        };
        outline.sides.iter().map(edge).collect()
    });
    let first = worked.outlines.first().and_then(|outline| outline.polygon.corners.first());
    let origin = first.copied().unwrap_or(Point { east: 0, north: 0 });
    let names = document.outlines.iter().map(|outline| outline.name.clone()).collect();
    let dimensions = match document.notation {
        Some(NotationDocument::FeetInches) | None => Dimensions::FeetInches,
        Some(NotationDocument::DecimalFeet) => Dimensions::DecimalFeet,
        Some(NotationDocument::Metres) => Dimensions::Metres,
    };
    let drawing =
        Drawing { edges: edges.collect(), worked, dimensions, north_degrees: document.north_degrees };
    let unsaid = document
        .outlines
        .iter()
        .map(|outline| outline.sides.iter().map(|side| side.edge.is_none()).collect());
    Some(Drawn { drawing: Arc::new(drawing), names, origin, unsaid: unsaid.collect() })
}

fn field_notes(document: &FieldNotesDocument) -> FieldNotes {
    let outline = |outline: &super::shape::OutlineDocument| Outline {
        name: outline.name.clone(),
        from: outline.from.clone(),
        way: outline.way.clone(),
        walls: outline
            .sides
            .iter()
            .map(|side| Walk { wall: side.wall.clone(), backwards: side.backwards })
            .collect(),
    };
    FieldNotes {
        instruments: document.instruments.clone(),
        walls: document.walls.clone(),
        outlines: document.outlines.iter().map(outline).collect(),
        ties: document.ties.clone(),
        direction_sd_degrees: document.direction_sd_degrees,
    }
}

/// The engine speaks of the walls of an outline, the document of its sides.
fn placed(problem: Problem) -> Problem {
    let pointer = match problem.pointer.strip_prefix("/outlines/").and_then(|rest| rest.split_once("/walls"))
    {
        Some((at, rest)) => format!("/field_notes/outlines/{at}/sides{rest}"),
        None => format!("/field_notes{}", problem.pointer),
    };
    Problem { pointer, ..problem }
}

/// What a side is; walls without a thickness of their own have that of the notes.
pub(super) fn side_edge(document: &FieldNotesDocument, side: &SideDocument, line: WallLine) -> Edge {
    let kind = side.edge.unwrap_or_default();
    let is_wall = matches!(kind, EdgeKind::OuterWall | EdgeKind::CommonWall | EdgeKind::Partition);
    let thickness = side.thickness.or(document.wall_thickness.filter(|_| is_wall));
    Edge { kind, line, thickness, is_of_court: false }
}

fn ring_fault(document: &FieldNotesDocument, outline: usize, fault: &RingFault) -> String {
    let side = |at: usize| {
        let side = document.outlines.get(outline).and_then(|outline| outline.sides.get(at));
        side.map_or_else(|| format!("side {at}"), |side| format!("{:?}", side.wall))
    };
    match fault {
        RingFault::NoLength { side: at, at: place } => {
            format!("has no length at {}, {}", side(*at), feet(*place))
        }
        RingFault::Crossing { sides, at } => {
            format!("crosses itself: {} and {} meet at {}", side(sides.0), side(sides.1), feet(*at))
        }
        RingFault::Spike { corner, at } => {
            format!("runs back over itself at {}, {}", side(*corner), feet(*at))
        }
        RingFault::TooFewCorners => "has fewer than three corners".to_owned(),
    }
}

/// A place on the sketch.
fn feet(point: Point) -> String {
    let one = |nanometres: i64, positive: &str, negative: &str| {
        let feet = Length::from_nanometres(nanometres.saturating_abs()).to_decimal_feet(1);
        format!("{feet} ft {}", if nanometres < 0 { negative } else { positive })
    };
    format!("{} and {} of the origin", one(point.east, "east", "west"), one(point.north, "north", "south"))
}

/// A region in words: how large, and where.
pub(super) fn patch(patch: &Patch) -> String {
    format!("{:.1} sq ft between {} and {}", patch.area_sqft, feet(patch.low), feet(patch.high))
}

impl Drawn {
    /// The outlines of these names; a problem for each that is not there.
    pub(super) fn index(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|known| known == name)
    }

    /// The exact area of the outlines.
    pub(super) fn area(&self, outlines: &Outlines) -> Option<Area> {
        let mut doubled: i128 = 0;
        for share in outlines.shares() {
            let size = self.polygon(share.outline)?.doubled_area().abs();
            doubled = doubled.checked_add(if share.weight < 0.0 { -size } else { size })?;
        }
        Area::from_doubled_square_nanometres(doubled)
    }

    /// The region of the outlines, to be held against others.
    pub(super) fn region(&self, outlines: &Outlines) -> Region {
        let polygons =
            |list: &[usize]| -> Vec<&Polygon> { list.iter().filter_map(|at| self.polygon(*at)).collect() };
        Region::of(self.origin, &polygons(&outlines.plus), &polygons(&outlines.minus))
            .with(&polygons(&outlines.back))
    }

    /// Where two outlines overlap.
    fn overlap(&self, one: usize, other: usize) -> Option<Patch> {
        let (first, second) = (self.polygon(one)?, self.polygon(other)?);
        if !first.is_near(second) {
            return None;
        }
        let region = |polygon| Region::of(self.origin, &[polygon], &[]);
        region(first).overlaps(&region(second), STRIP_FT).into_iter().next()
    }

    fn polygon(&self, outline: usize) -> Option<&Polygon> {
        self.drawing.worked.outlines.get(outline).map(|outline| &outline.polygon)
    }

    /// The walls of an outline that have the level on both sides and pass for outer walls, because nothing else is
    /// said of them.
    pub(super) fn outer_walls_within(&self, outline: usize, level: &Region) -> Vec<&str> {
        let (Some(polygon), Some(edges), Some(unsaid)) =
            (self.polygon(outline), self.drawing.edges.get(outline), self.unsaid.get(outline))
        else {
            return Vec::new();
        };
        let walls = self.drawing.worked.walls_of(outline);
        let corners = &polygon.corners;
        let sides = corners.iter().zip(corners.iter().cycle().skip(1)).zip(edges).zip(unsaid).zip(walls);
        let within = sides.filter_map(|((((from, to), edge), is_unsaid), wall)| {
            let is_outer = *is_unsaid && edge.kind == EdgeKind::OuterWall && !edge.is_of_court;
            let is_within = is_outer && beside(*from, *to).into_iter().all(|place| level.holds(place));
            self.drawing.worked.walls.get(wall).filter(|_| is_within).map(|wall| wall.name.as_str())
        });
        within.collect()
    }

    pub(super) fn name(&self, outline: usize) -> &str {
        self.names.get(outline).map_or("", String::as_str)
    }

    /// Whether a side of these outlines is a railing.
    pub(super) fn ends_at_railing(&self, outlines: &Outlines) -> bool {
        let edges = outlines.plus.iter().filter_map(|at| self.drawing.edges.get(*at));
        edges.flatten().any(|edge| edge.kind == EdgeKind::Railing)
    }
}

/// The places half a foot to the left and to the right of the middle of a side.
fn beside(from: Point, to: Point) -> [Point; 2] {
    const AWAY: f64 = 152_400_000.0;
    let (east, north) =
        (to.east.saturating_sub(from.east) as f64, to.north.saturating_sub(from.north) as f64);
    let length = libm::hypot(east, north).max(1.0);
    let by = |sign: f64| Point {
        east: from.east.midpoint(to.east) + (-north / length * AWAY * sign) as i64,
        north: from.north.midpoint(to.north) + (east / length * AWAY * sign) as i64,
    };
    [by(1.0), by(-1.0)]
}

/// The outlines of these names. Together they make up one region: none may lie over another.
pub(super) fn named(
    drawn: Option<&Drawn>,
    names: &[String],
    pointer: &str,
    problems: &mut Vec<Problem>,
) -> Vec<usize> {
    let mut found = Vec::new();
    for (at, name) in names.iter().enumerate() {
        match drawn.and_then(|drawn| drawn.index(name)) {
            Some(index) if found.contains(&index) => problems.push(remark(
                format!("{pointer}/{at}"),
                format!("the outline {name:?} is listed twice"),
                "list it once",
            )),
            Some(index) => {
                let over = drawn.and_then(|drawn| {
                    let overlap =
                        |earlier: &usize| Some((drawn.names.get(*earlier)?, drawn.overlap(index, *earlier)?));
                    found.iter().find_map(overlap)
                });
                if let Some((earlier, place)) = over {
                    problems.push(remark(
                        format!("{pointer}/{at}"),
                        format!(
                            "the outline {name:?} overlaps {earlier:?}: {} stands in both",
                            patch(&place)
                        ),
                        "draw each place once: it would be counted twice",
                    ));
                }
                found.push(index);
            }
            None => problems.push(remark(
                format!("{pointer}/{at}"),
                format!("no outline is named {name:?}"),
                "name one of the outlines of field_notes, or add it there",
            )),
        }
    }
    found
}

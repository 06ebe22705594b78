//! A house drawn from its readings: adjusted outlines whose sides say what they are, and where through a wall each
//! was measured, so that areas can be stated to the line that a standard asks for.
//!
//! Inside and outside areas differ by perimeter times thickness, less the corners; they are never converted by a
//! flat percentage.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::area::Area;
use crate::house::WallFace;
pub use crate::length::Dimensions;
use crate::length::Length;
use crate::measure::WorkedUp;
use crate::measure::area_spread::Share;
use crate::measure::inset::Inset;

/// Thickness taken for a wall that states none, where a line has to be moved through it: the middle of 4 to 12 in,
/// as a uniform distribution (common practice, no source). Every use of it is told.
const ASSUMED_THICKNESS: Length = Length::from_nanometres(203_200_000);
/// Its standard deviation: 8 in over the square root of 12, in feet.
pub const ASSUMED_THICKNESS_SD_FT: f64 = 8.0 / 12.0 / 3.464_101_615_137_754_6;

/// What a side of an outline is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EdgeKind {
    /// A wall with the weather on its other side.
    #[default]
    OuterWall,
    /// A wall shared with another dwelling.
    CommonWall,
    /// A wall to an unfinished part or a garage.
    Partition,
    /// A railing: the floor ends there.
    Railing,
    /// Where the ceiling reaches a height.
    CeilingLine,
    /// No wall: a line drawn across the floor.
    Open,
}

/// The line through a wall that was measured, seen from the outline's own side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WallLine {
    /// The far face.
    #[default]
    Outside,
    /// The middle.
    Centre,
    /// The near face.
    Inside,
}

impl WallLine {
    /// Share of the wall's thickness that lies between its far face and the line.
    const fn depth(self) -> f64 {
        match self {
            WallLine::Outside => 0.0,
            WallLine::Centre => 0.5,
            WallLine::Inside => 1.0,
        }
    }
}

/// A side of an outline.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Edge {
    /// What it is.
    pub kind: EdgeKind,
    /// Where it was measured.
    pub line: WallLine,
    /// How thick the wall is, where known.
    pub thickness: Option<Length>,
    /// Whether the outline is a court, cut out of a part and itself no part: the weather lies within, and the outer
    /// face of an outer wall is the near one.
    pub is_of_court: bool,
}

/// The lines that a standard measures to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lines {
    /// Through outer walls.
    pub outer: WallFace,
    /// Through walls shared with another dwelling.
    pub common: WallLine,
}

/// Adjusted outlines with their sides.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// The readings worked up.
    pub worked: WorkedUp,
    /// The sides of each outline, in the order of its walls.
    pub edges: Vec<Vec<Edge>>,
    /// What dimensions are written in.
    pub dimensions: Dimensions,
    /// Where north is, in whole degrees clockwise from the sketch's own north, where known.
    pub north_degrees: Option<i32>,
}

/// An outline cut to the lines of a standard.
#[derive(Debug, Clone, PartialEq)]
pub struct Cut {
    /// The outline, its weight and how far each side moves.
    pub inset: Inset,
    /// What the moves add to its area, weight left out; below zero where sides move inwards.
    pub change: Area,
    /// Change of its area, weight left out, by one foot more of the thickness that was assumed, in square feet.
    pub by_assumed_thickness: f64,
}

impl Drawing {
    /// An outline of a part, cut to the lines of a standard. `is_finished`: whether the part that the share belongs
    /// to is finished area, to which the wall towards a garage or an unfinished part belongs.
    ///
    /// `None` where the outline is not there, or where walls as thick as stated leave nothing of it.
    #[must_use]
    pub fn cut(&self, share: Share, lines: Lines, is_finished: bool) -> Option<Cut> {
        let edges = self.edges.get(share.outline)?;
        let mut inward_ft = Vec::with_capacity(edges.len());
        let mut assumed = Vec::with_capacity(edges.len());
        for edge in edges {
            let depth = wanted(edge, share.weight, lines, is_finished) - edge.line.depth();
            let is_turned = edge.is_of_court && edge.kind == EdgeKind::OuterWall;
            let depth = if is_turned { -depth } else { depth };
            inward_ft.push(depth * edge.thickness.unwrap_or(ASSUMED_THICKNESS).to_feet_f64());
            assumed.push(if edge.thickness.is_none() { depth } else { 0.0 });
        }
        if inward_ft.iter().all(|by| *by == 0.0) {
            let inset = Inset { outline: share.outline, weight: share.weight, inward_ft: Vec::new() };
            return Some(Cut { inset, change: Area::ZERO, by_assumed_thickness: 0.0 });
        }
        let drawn = &self.worked.outlines.get(share.outline)?.polygon;
        let inset = Inset { outline: share.outline, weight: share.weight, inward_ft };
        let moved = self.worked.inset(&inset)?;
        // moved sides may have been joined by a step: then the lengths before the move are near enough
        let lengths = match moved.side_lengths_ft() {
            lengths if lengths.len() == assumed.len() => lengths,
            _ => drawn.side_lengths_ft(),
        };
        let by_assumed_thickness =
            -lengths.iter().zip(&assumed).map(|(length, depth)| length * depth).sum::<f64>();
        let change = moved.area()?.checked_sub(drawn.area()?)?;
        Some(Cut { inset, change, by_assumed_thickness })
    }
}

/// Share of the wall's thickness between its far face, seen from the outline, and the line that is asked for.
fn wanted(edge: &Edge, weight: f64, lines: Lines, is_finished: bool) -> f64 {
    let is_added = weight >= 0.0;
    match edge.kind {
        EdgeKind::OuterWall => match lines.outer {
            WallFace::Outside => 0.0,
            WallFace::Inside => 1.0,
        },
        EdgeKind::CommonWall => lines.common.depth(),
        // to outer faces, the wall belongs to the finished side; to inner faces, to neither
        EdgeKind::Partition => match lines.outer {
            WallFace::Outside if is_finished == is_added => 0.0,
            WallFace::Outside => 1.0,
            WallFace::Inside if is_added => 1.0,
            WallFace::Inside => 0.0,
        },
        EdgeKind::Railing | EdgeKind::CeilingLine | EdgeKind::Open => edge.line.depth(),
    }
}

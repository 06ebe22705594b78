//! One level of a house drawn to scale, as SVG text.
//!
//! Drafting as public textbooks teach it: heavy outline and lighter inner lines, dimensions outside on dimension
//! lines with slashes, text to be read from below and from the right, hatching for how a region counts, a legend in
//! words, north mark and scale bar. The text stands alone as a file, and inside a page, where its classes
//! (`plan-…`) and the text colour can be set by a style sheet: ink is `currentColor` throughout, no element has an
//! `id` or a `style`, and nothing is filled with the colour of the paper but the ground itself.
//!
//! The same plan gives the same bytes, wherever its origin lies. No text covers another text, a wall or a
//! dimension line ([`layout`] tells where each one is); what finds no room is keyed or listed under the drawing.

mod dimension;
mod fixture;
mod footer;
mod hatch;
mod ink;
mod label;
mod lettering;
mod of_house;
mod scene;
mod shape;
mod sheet;

pub use of_house::{LevelPlan, of_house};

use crate::length::Length;
use crate::measure::polygon::{Point, Polygon};

/// One level, described for the drawing only: every text is printed as it stands here.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Plan {
    /// The heading: whose house.
    pub title: String,
    /// A line under the heading; may be empty.
    pub subtitle: String,
    /// The level; may be empty.
    pub level_name: String,
    /// What the level consists of.
    pub regions: Vec<Region>,
    /// Walls and other borders.
    pub edges: Vec<Edge>,
    /// Where the floor is missing.
    pub openings: Vec<Opening>,
    /// Stairs.
    pub stairs: Vec<Stair>,
    /// Where north is: whole degrees clockwise from the top of the sheet. `None` leaves the mark out.
    pub north_degrees: Option<i32>,
    /// The unit of the scale bar.
    pub dimension_style: DimensionStyle,
    /// Sentences under the drawing: misclosure, caution.
    pub notes: Vec<String>,
    /// What lies behind the drawing.
    pub ground: Ground,
}

/// The unit of the scale bar. Dimensions are texts of the edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DimensionStyle {
    /// Feet.
    #[default]
    Feet,
    /// Metres.
    Metric,
}

/// What lies behind the drawing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Ground {
    /// A sheet of the colour of paper: for a file that stands alone.
    #[default]
    Paper,
    /// Nothing: the page shows through.
    Clear,
}

/// A part of the level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Region {
    /// Its name, the first line of the label.
    pub name: String,
    /// Further lines of the label, such as its area.
    pub lines: Vec<String>,
    /// Its outline and its holes in any order and sense: inside is what an odd number of rings surrounds.
    pub rings: Vec<Polygon>,
    /// How it counts, shown by hatching and in the legend.
    pub counting: Counting,
}

/// How a region counts.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Counting {
    /// In full: drawn plain.
    Counted,
    /// By a factor, as a text such as `× 0.5`: wide diagonal cross.
    Weighted(String),
    /// Under a heading of its own: diagonal lines.
    Apart(String),
    /// Not at all: dotted.
    NotCounted,
}

/// A wall or another border.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edge {
    /// One end, on the measured face.
    pub from: Point,
    /// The other end.
    pub to: Point,
    /// What stands there.
    pub kind: EdgeKind,
    /// The length as it is to be printed, rounded already.
    pub dimension: Option<String>,
    /// Whether the length follows from others and was not read: printed in parentheses.
    pub is_derived: bool,
    /// Why its reading may be wrong, in a few words: drawn heavier, with a mark and this text.
    pub suspect: Option<String>,
}

/// What stands on an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EdgeKind {
    /// A wall to the outside. With a thickness, its body is drawn inwards from the measured face.
    OuterWall {
        /// How thick it is.
        thickness: Option<Length>,
    },
    /// A wall shared with a neighbour.
    CommonWall,
    /// A wall to an unfinished space, a garage or another part.
    Partition,
    /// A railing.
    Railing,
    /// Where the ceiling falls below the height that counts.
    CeilingLine,
    /// A border without anything on it.
    Open,
}

/// Where the floor is missing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// Its outline.
    pub polygon: Polygon,
    /// Its label, such as `Open to below`; may be empty.
    pub label: String,
}

/// A flight of stairs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stair {
    /// Its outline.
    pub polygon: Polygon,
    /// Where it leads.
    pub way: Way,
    /// A point beyond its far end, which the arrow points at. `None` where nobody noted it: the line then has no
    /// head, because one would claim what is not known.
    pub towards: Option<Point>,
}

/// Where stairs lead from this level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// To the level above.
    Up,
    /// To the level below.
    Down,
}

/// Where everything lies on the sheet, in pixels from its upper left corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Width of the sheet.
    pub width: f64,
    /// Height of the sheet.
    pub height: f64,
    /// Pixels of a foot.
    pub pixels_per_foot: f64,
    /// Every text with the box that it fills at most.
    pub texts: Vec<PlacedText>,
    /// Dimensions and words that found no room on the drawing and are listed under it.
    pub listed: Vec<String>,
}

/// A text on the sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedText {
    /// The text.
    pub text: String,
    /// The corners of its box, in order.
    pub corners: [(f64, f64); 4],
}

/// Draws the plan. Any plan can be drawn: an empty one gives an empty sheet.
#[must_use]
pub fn svg(plan: &Plan) -> String {
    sheet::compose(plan).svg(plan)
}

/// Where the texts of [`svg`] lie.
#[must_use]
pub fn layout(plan: &Plan) -> Layout {
    sheet::compose(plan).layout()
}

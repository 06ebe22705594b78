//! How a region counts, as hatching: left out under texts, stairs and openings. Lines and dots are drawn one by one,
//! because patterns need names that would clash in a page with several drawings.

use super::Counting;
use super::ink::{Item, Pen};
use super::shape::{Block, Bounds, Line, Ring, Spot, inside_parts, is_inside, without};

/// Room around a text that hatching leaves.
const OFF_TEXT: f64 = 2.5;
/// Between the lines of the first heading that is kept apart, and of regions with a factor.
const APART: f64 = 8.0;
const WEIGHTED: f64 = 17.0;
const DOTS: f64 = 7.0;

/// The ways of counting that a plan uses, in the order of their first region.
pub(super) fn ways<'p>(countings: impl Iterator<Item = &'p Counting>) -> Vec<&'p Counting> {
    let mut ways: Vec<&Counting> = Vec::new();
    for counting in countings {
        if !ways.contains(&counting) {
            ways.push(counting);
        }
    }
    ways
}

/// What is spared: rings of other things, and texts.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spared<'s> {
    pub(super) rings: &'s [Ring],
    pub(super) blocks: &'s [Block],
}

/// The hatching of a region. Several headings or factors of one plan differ in spacing and direction: `ways` are
/// all that it uses.
pub(super) fn hatch(
    counting: &Counting,
    ways: &[&Counting],
    rings: &[Ring],
    spared: Spared<'_>,
) -> Vec<Item> {
    let alike = |other: &&&Counting| core::mem::discriminant(**other) == core::mem::discriminant(counting);
    let variant = ways.iter().filter(alike).position(|other| *other == counting).unwrap_or(0);
    let wider = 1.0 + (variant / 2) as f64 * 0.75;
    let is_turned = variant % 2 == 1;
    let families = |pen: Pen, spacing: f64, slopes: &[f64]| {
        let lines = slopes.iter().flat_map(|slope| diagonals(rings, spacing, *slope, spared)).collect();
        vec![Item::Lines(pen, lines)]
    };
    match counting {
        Counting::Counted => Vec::new(),
        Counting::Weighted(_) => {
            let spacing = WEIGHTED * wider * if is_turned { 0.6 } else { 1.0 };
            families(Pen::Cross, spacing, &[1.0, -1.0])
        }
        Counting::Apart(_) => families(Pen::Diagonal, APART * wider, &[if is_turned { -1.0 } else { 1.0 }]),
        Counting::NotCounted => vec![Item::Lines(Pen::Dots, dots(rings, spared))],
    }
}

/// The parts of a line inside the rings, without what is spared.
pub(super) fn clipped(line: Line, rings: &[Ring], spared: Spared<'_>) -> Vec<Line> {
    let mut parts = inside_parts(line, rings);
    for ring in spared.rings {
        parts = without(parts, &inside_parts(line, core::slice::from_ref(ring)));
    }
    let taken: Vec<(f64, f64)> =
        spared.blocks.iter().filter_map(|block| block.grown(OFF_TEXT).part_of(line)).collect();
    let parts = without(parts, &taken).into_iter().map(|(low, high)| Line::new(line.at(low), line.at(high)));
    parts.filter(|line| line.length() > 1.0).collect()
}

fn diagonals(rings: &[Ring], spacing: f64, slope: f64, spared: Spared<'_>) -> Vec<Line> {
    let Some(bounds) = Bounds::around(rings.iter().flatten().copied()) else { return Vec::new() };
    let step = spacing * core::f64::consts::SQRT_2;
    let (top, bottom) = (bounds.low.y, bounds.high.y);
    let ends = [bounds.low.x + slope * top, bounds.low.x + slope * bottom];
    let least = ends.iter().copied().fold(f64::INFINITY, f64::min);
    let most = ends.iter().copied().fold(f64::NEG_INFINITY, f64::max) + bounds.width();
    // counted from the corner of the house, so that regions side by side share their lines
    let first = libm::ceil(least / step) * step;
    let count = libm::floor((most - first) / step).max(-1.0) + 1.0;
    let mut lines = Vec::new();
    for at in 0..count as u32 {
        let sum = first + f64::from(at) * step;
        let line = Line::new(Spot::new(sum - slope * top, top), Spot::new(sum - slope * bottom, bottom));
        lines.extend(clipped(line, rings, spared));
    }
    lines
}

fn dots(rings: &[Ring], spared: Spared<'_>) -> Vec<Line> {
    let Some(bounds) = Bounds::around(rings.iter().flatten().copied()) else { return Vec::new() };
    let first = |low: f64| libm::ceil(low / DOTS) as i32;
    let count = |low: f64, high: f64| libm::floor(high / DOTS) as i32 - first(low) + 1;
    let mut dots = Vec::new();
    for row in 0..count(bounds.low.y, bounds.high.y) {
        let row = row + first(bounds.low.y);
        for column in 0..count(bounds.low.x, bounds.high.x) {
            let column = column + first(bounds.low.x);
            let spot = Spot::new(f64::from(column) * DOTS, f64::from(row) * DOTS);
            // every second one of every second row: a quincunx, which no wall is parallel to
            if (row + column) % 2 != 0 || !is_inside(rings, spot) {
                continue;
            }
            let dot = Line::new(spot, spot.plus(Spot::new(1.0, 0.0), 0.01));
            let is_spared = spared.rings.iter().any(|ring| is_inside(core::slice::from_ref(ring), spot))
                || spared.blocks.iter().any(|block| block.grown(OFF_TEXT).touches(dot));
            if !is_spared {
                dots.push(dot);
            }
        }
    }
    dots
}

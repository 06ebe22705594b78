//! What stands under the drawing: scale bar, legend, keys and notes.

use super::dimension::mark;
use super::fixture::{cross, flight};
use super::hatch::{Spared, hatch, ways};
use super::ink::{Item, Pen};
use super::lettering::{Lettering, Role, width, wrapped};
use super::scene::Scene;
use super::shape::{Block, Line, Ring, Spot};
use super::sheet::MARGIN;
use super::{Counting, DimensionStyle, EdgeKind, Plan};

const LEGEND_SIZE: f64 = 10.0;
const NOTE_SIZE: f64 = 10.0;
const NOTE_LINE: f64 = 14.0;
const SWATCH: Spot = Spot::new(30.0, 15.0);
const LEGEND_ROW: f64 = 22.0;
/// The longest scale bar.
const BAR_MOST: f64 = 190.0;
/// A note or key of more lines than these ends with an ellipsis.
const LINES_MOST: usize = 6;

/// Pixels of the scale bar's unit.
pub(super) fn pixels_per_unit(pixels_per_foot: f64, style: DimensionStyle) -> f64 {
    match style {
        DimensionStyle::Feet => pixels_per_foot,
        DimensionStyle::Metric => pixels_per_foot / 0.3048,
    }
}

/// The footer from `top` on; returns its bottom.
pub(super) fn set(items: &mut Vec<Item>, scene: &Scene<'_>, width: f64, top: f64) -> f64 {
    let mut top = scale_bar(items, scene, top) + 14.0;
    items.push(Item::Lines(Pen::Rule, vec![rule(width, top)]));
    top += 12.0;
    top = legend(items, scene.plan, width, top);
    top = paragraphs(items, scene, width, top);
    top + MARGIN - 8.0
}

/// A hairline over the width of the sheet.
pub(super) fn rule(width: f64, y: f64) -> Line {
    Line::new(Spot::new(MARGIN, y), Spot::new(width - MARGIN, y))
}

/// Four blocks, black and white by turns.
fn scale_bar(items: &mut Vec<Item>, scene: &Scene<'_>, top: f64) -> f64 {
    let style = scene.plan.dimension_style;
    let unit = pixels_per_unit(scene.pixels_per_foot, style);
    let steps = [1_u32, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000];
    let fitting = steps.into_iter().rev().find(|step| f64::from(*step) * 4.0 * unit <= BAR_MOST);
    let step = fitting.unwrap_or(1);
    let block = f64::from(step) * unit;
    let (high, low) = (top + 15.0, top + 20.0);
    let ring = |from: f64, to: f64| -> Ring {
        vec![Spot::new(from, high), Spot::new(to, high), Spot::new(to, low), Spot::new(from, low)]
    };
    let at = |blocks: f64| MARGIN + blocks * block;
    items.push(Item::Filled("plan-scale-block", ring(at(0.0), at(1.0))));
    items.push(Item::Filled("plan-scale-block", ring(at(2.0), at(3.0))));
    items.push(Item::Outline(Pen::Swatch, ring(at(0.0), at(4.0))));
    items.push(Item::Edge(Pen::ScaleBar, Line::new(Spot::new(at(0.0), low), Spot::new(at(4.0), low))));
    let name = match style {
        DimensionStyle::Feet => "ft",
        DimensionStyle::Metric => "m",
    };
    let mut label = |text: &str, x: f64| {
        let middle = Spot::new(x, high - 8.0);
        items.push(Item::Text(Lettering::centred(text, middle, NOTE_SIZE, Role::Scale)));
    };
    label("0", at(0.0));
    label(&(2 * step).to_string(), at(2.0));
    let total = (4 * step).to_string();
    label(&total, at(4.0));
    let beside = at(4.0) + lettering_half(&total) + 4.0;
    items.push(Item::Text(Lettering::starting(name, beside, high - 13.0, NOTE_SIZE, Role::Scale)));
    low
}

fn lettering_half(text: &str) -> f64 {
    width(text, NOTE_SIZE, Role::Scale) / 2.0
}

/// A sample in the legend.
#[derive(Debug, Clone, Copy)]
enum Sample<'p> {
    Counting(&'p Counting),
    Opening,
    Stairs,
    Edge(EdgeKind),
    Suspect,
    Derived,
}

fn samples(plan: &Plan) -> Vec<(Sample<'_>, String)> {
    let mut samples = Vec::new();
    for counting in ways(plan.regions.iter().map(|region| &region.counting)) {
        let words = match counting {
            Counting::Counted => "Counted".to_owned(),
            Counting::Weighted(factor) => format!("Counted {factor}"),
            Counting::Apart(heading) => format!("Counted apart: {heading}"),
            Counting::NotCounted => "Not counted".to_owned(),
        };
        samples.push((Sample::Counting(counting), words));
    }
    let kinds = [
        (EdgeKind::CommonWall, "Common wall"),
        (EdgeKind::Partition, "Partition"),
        (EdgeKind::Railing, "Railing"),
        (EdgeKind::CeilingLine, "Line of ceiling height"),
        (EdgeKind::Open, "No wall"),
    ];
    for (kind, words) in kinds {
        if plan.edges.iter().any(|edge| edge.kind == kind) {
            samples.push((Sample::Edge(kind), words.to_owned()));
        }
    }
    let more = [
        (!plan.openings.is_empty(), Sample::Opening, "Open to below"),
        (!plan.stairs.is_empty(), Sample::Stairs, "Stairs"),
        (plan.edges.iter().any(|edge| edge.suspect.is_some()), Sample::Suspect, "Reading to check"),
        (plan.edges.iter().any(|edge| edge.is_derived), Sample::Derived, "Derived, not read"),
    ];
    samples
        .extend(more.into_iter().filter(|(is_used, ..)| *is_used).map(|(_, one, words)| (one, words.into())));
    samples
}

fn legend(items: &mut Vec<Item>, plan: &Plan, sheet: f64, top: f64) -> f64 {
    let samples = samples(plan);
    let ways = ways(plan.regions.iter().map(|region| &region.counting));
    let room = sheet - 2.0 * MARGIN - SWATCH.x - 8.0;
    let (mut x, mut y) = (MARGIN, top);
    for (sample, words) in &samples {
        let words = wrapped(words, LEGEND_SIZE, Role::Legend, room, 1).into_iter().next().unwrap_or_default();
        let wide = SWATCH.x + 8.0 + width(&words, LEGEND_SIZE, Role::Legend);
        if x > MARGIN && x + wide > sheet - MARGIN {
            (x, y) = (MARGIN, y + LEGEND_ROW);
        }
        let corner = Spot::new(x, y);
        items.extend(swatch(*sample, &ways, corner));
        let text_top = y + (SWATCH.y - LEGEND_SIZE) / 2.0;
        let at = x + SWATCH.x + 8.0;
        items.push(Item::Text(Lettering::starting(&words, at, text_top, LEGEND_SIZE, Role::Legend)));
        x += wide + 22.0;
    }
    if samples.is_empty() { top } else { y + LEGEND_ROW + 2.0 }
}

fn swatch(sample: Sample<'_>, ways: &[&Counting], corner: Spot) -> Vec<Item> {
    let block = Block::upright(corner, Spot::new(corner.x + SWATCH.x, corner.y + SWATCH.y));
    let ring: Ring = block.corners().to_vec();
    let spared = Spared { rings: &[], blocks: &[] };
    let level =
        Line::new(Spot::new(corner.x, block.middle.y), Spot::new(corner.x + SWATCH.x, block.middle.y));
    let outline = Item::Outline(Pen::Swatch, ring.clone());
    match sample {
        Sample::Counting(counting) => {
            let mut items = hatch(counting, ways, core::slice::from_ref(&ring), spared);
            items.push(outline);
            items
        }
        Sample::Opening => vec![outline, Item::Lines(Pen::OpeningCross, cross(&ring, spared))],
        Sample::Stairs => {
            let mut items = vec![outline];
            items.extend(flight(level, SWATCH.y, &ring, 5.0, false, spared));
            items
        }
        Sample::Edge(EdgeKind::Railing) => vec![
            Item::Lines(Pen::Railing, vec![level.moved(Spot::new(0.0, 1.0), -1.5)]),
            Item::Lines(Pen::RailingPair, vec![level.moved(Spot::new(0.0, 1.0), 1.5)]),
        ],
        Sample::Edge(kind) => {
            let pen = match kind {
                EdgeKind::OuterWall { .. } | EdgeKind::Railing => Pen::OuterWall,
                EdgeKind::CommonWall => Pen::CommonWall,
                EdgeKind::Partition => Pen::Partition,
                EdgeKind::CeilingLine => Pen::CeilingLine,
                EdgeKind::Open => Pen::Open,
            };
            vec![Item::Lines(pen, vec![level])]
        }
        Sample::Suspect => {
            let mark_at =
                Block { half_width: 4.75, half_height: 4.75, ..block }.moved(Spot::new(0.0, 1.0), -3.5);
            let line = level.moved(Spot::new(0.0, 1.0), 4.5).shortened(3.2);
            vec![Item::Lines(Pen::Suspect, vec![line]), Item::Filled("plan-suspect-mark", mark(mark_at))]
        }
        Sample::Derived => {
            let text = Lettering::centred("(    )", block.middle, LEGEND_SIZE, Role::Legend);
            vec![Item::Text(text)]
        }
    }
}

/// Keys, what found no room, and notes.
fn paragraphs(items: &mut Vec<Item>, scene: &Scene<'_>, sheet: f64, top: f64) -> f64 {
    let mut texts: Vec<String> = Vec::new();
    texts.extend(scene.keyed.iter().map(|(key, words)| format!("{key}:  {words}")));
    if !scene.listed.is_empty() {
        texts.push(format!("No room on the drawing: {}", scene.listed.join("; ")));
    }
    texts.extend(scene.plan.notes.iter().cloned());
    let mut y = top;
    for text in texts {
        for line in wrapped(&text, NOTE_SIZE, Role::Note, sheet - 2.0 * MARGIN, LINES_MOST) {
            items.push(Item::Text(Lettering::starting(&line, MARGIN, y, NOTE_SIZE, Role::Note)));
            y += NOTE_LINE;
        }
        y += 2.0;
    }
    y
}

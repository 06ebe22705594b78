//! The sheet: heading, drawing, north mark and footer, and the scale at which all of it fits.

use super::ink::{Item, Pen, Writer};
use super::lettering::{Lettering, Role, on_one_line, wrapped};
use super::scene::{Scene, pens, points};
use super::shape::{Bounds, Line, Spot};
use super::{
    Counting, DimensionStyle, EdgeKind, Ground, Layout, PlacedText, Plan, dimension, fixture, footer, hatch,
    label,
};
use crate::length::Length;

/// Left empty around the sheet.
pub(super) const MARGIN: f64 = 28.0;
/// Width of a sheet, in pixels: the lettering can still be read when it is shown at 600.
const WIDTH: f64 = 720.0;
/// The most that the drawing with its dimensions takes from top to bottom.
const HEIGHT_MOST: f64 = 820.0;
/// A hut is not drawn larger than this: pixels of a foot.
const SCALE_MOST: f64 = 22.0;
/// What dimensions take on two sides together, as a first guess.
const DIMENSIONS: f64 = 90.0;
/// Scales tried before the sheet grows instead.
const ATTEMPTS: usize = 6;
const NORTH_RADIUS: f64 = 15.0;

/// Everything drawn on a sheet.
pub(super) struct Sheet {
    width: f64,
    height: f64,
    pixels_per_foot: f64,
    /// In pixels of the sheet.
    around: Vec<Item>,
    /// In pixels of the house, which lies at `shift`.
    drawing: Vec<Item>,
    shift: Spot,
    listed: Vec<String>,
}

/// Draws a plan on a sheet.
pub(super) fn compose(plan: &Plan) -> Sheet {
    let (scene, drawing, bounds) = scaled(plan);
    let width = WIDTH.max(libm::ceil(bounds.width() + 2.0 * MARGIN));
    let mut around = Vec::new();
    let mut top = heading(&mut around, plan, width);
    around.push(Item::Lines(Pen::Rule, vec![footer::rule(width, top)]));
    top += 20.0;
    let shift = Spot::new((width - bounds.width()) / 2.0 - bounds.low.x, top - bounds.low.y);
    let height = footer::set(&mut around, &scene, width, top + bounds.height() + 18.0);
    Sheet {
        width,
        height: libm::ceil(height),
        pixels_per_foot: scene.pixels_per_foot,
        around,
        drawing,
        shift,
        listed: scene.listed,
    }
}

/// The plan at the largest scale at which it fits on the sheet with its dimensions.
fn scaled(plan: &Plan) -> (Scene<'_>, Vec<Item>, Bounds) {
    let room = Spot::new(WIDTH - 2.0 * MARGIN, HEIGHT_MOST);
    let size = size_ft(plan);
    let least = |of: Spot| ((room.x - of.x) / size.x).min((room.y - of.y) / size.y);
    let mut scale = rounded_down(least(Spot::new(DIMENSIONS, DIMENSIONS)).min(SCALE_MOST), plan);
    let mut attempt = 0;
    loop {
        let scene = placed(plan, scale);
        let drawing = drawn(&scene);
        let bounds = bounds(&drawing).unwrap_or(scene.bounds);
        attempt += 1;
        if (bounds.width() <= room.x && bounds.height() <= room.y) || attempt == ATTEMPTS {
            return (scene, drawing, bounds);
        }
        // what lies around the house stays as wide as it is, whatever the scale
        let around = Spot::new(bounds.width() - size.x * scale, bounds.height() - size.y * scale);
        scale = rounded_down(least(around).clamp(scale * 0.5, scale * 0.97), plan);
    }
}

fn placed(plan: &Plan, pixels_per_foot: f64) -> Scene<'_> {
    let mut scene = Scene::new(plan, pixels_per_foot);
    fixture::place_words(&mut scene);
    label::place_all(&mut scene);
    dimension::place_all(&mut scene);
    scene
}

/// East and north, at least a foot.
fn size_ft(plan: &Plan) -> Spot {
    let extent = |of: fn(&crate::measure::polygon::Point) -> i64| {
        let (low, high) = (points(plan).map(of).min(), points(plan).map(of).max());
        let apart = high.unwrap_or_default().saturating_sub(low.unwrap_or_default());
        Length::from_nanometres(apart).to_feet_f64().max(1.0)
    };
    Spot::new(extent(|point| point.east), extent(|point| point.north))
}

/// Whole tenths of a pixel for a foot or a metre, so that the scale bar is exact as printed.
fn rounded_down(pixels_per_foot: f64, plan: &Plan) -> f64 {
    let per_unit = footer::pixels_per_unit(pixels_per_foot, plan.dimension_style);
    let rounded = libm::floor(per_unit * 10.0) / 10.0;
    if rounded <= 0.0 {
        return pixels_per_foot;
    }
    match plan.dimension_style {
        DimensionStyle::Feet => rounded,
        DimensionStyle::Metric => rounded * 0.3048,
    }
}

/// The drawing from the back to the front.
fn drawn(scene: &Scene<'_>) -> Vec<Item> {
    let mut items = Vec::new();
    let mut fixtures = scene.openings.clone();
    fixtures.extend(scene.stairs.iter().cloned());
    let spared = hatch::Spared { rings: &fixtures, blocks: &scene.blocks };
    let ways = hatch::ways(scene.plan.regions.iter().map(|region| &region.counting));
    for (region, rings) in scene.plan.regions.iter().zip(&scene.regions) {
        items.extend(hatch::hatch(&region.counting, &ways, rings, spared));
    }
    items.extend(fixture::draw_all(scene));
    for side in &scene.sides {
        items.extend(scene.body(side).map(|body| Item::Filled("plan-wall-body", body)));
        if side.edge.kind == EdgeKind::Railing {
            items.push(Item::Lines(Pen::RailingPair, vec![scene.railing_pair(side)]));
        }
        let own = pens(side.edge).into_iter().next();
        items.extend(own.map(|pen| Item::Edge(pen, side.line)));
        if side.edge.suspect.is_some() {
            items.push(Item::Lines(Pen::Suspect, vec![side.line]));
        }
    }
    items.extend(scene.items.iter().cloned());
    items
}

/// The box around everything drawn.
fn bounds(items: &[Item]) -> Option<Bounds> {
    let spots = |item: &Item| -> Vec<Spot> {
        match item {
            Item::Edge(_, line) => vec![line.from, line.to],
            Item::Lines(_, lines) => lines.iter().flat_map(|line| [line.from, line.to]).collect(),
            Item::Outline(_, ring) | Item::Filled(_, ring) => ring.clone(),
            Item::Text(lettering) => lettering.block().corners().to_vec(),
        }
    };
    Bounds::around(items.iter().flat_map(spots))
}

/// Title, level and subtitle, with the north mark at their right; returns the bottom.
fn heading(items: &mut Vec<Item>, plan: &Plan, width: f64) -> f64 {
    let mark = if plan.north_degrees.is_some() { 3.0 * NORTH_RADIUS + 20.0 } else { 0.0 };
    let room = width - 2.0 * MARGIN - mark;
    let mut top = MARGIN;
    let parts = [
        (&plan.title, 17.0, Role::Title, 2),
        (&plan.level_name, 12.5, Role::Level, 2),
        (&plan.subtitle, 11.0, Role::Subtitle, 3),
    ];
    for (text, size, role, lines) in parts {
        for line in wrapped(text, size, role, room, lines) {
            items.push(Item::Text(Lettering::starting(&line, MARGIN, top, size, role)));
            top += size * 1.35;
        }
        top += 1.0;
    }
    top += 8.0;
    if let Some(degrees) = plan.north_degrees {
        let middle = Spot::new(width - MARGIN - 1.6 * NORTH_RADIUS, MARGIN + 1.6 * NORTH_RADIUS - 2.0);
        north(items, middle, degrees);
        top = top.max(middle.y + 1.6 * NORTH_RADIUS + 8.0);
    }
    top
}

/// A circle with a needle, half of it black, and an upright N at its tip.
fn north(items: &mut Vec<Item>, middle: Spot, degrees: i32) {
    let radians = f64::from(degrees.rem_euclid(360)) * core::f64::consts::PI / 180.0;
    let way = Spot::new(libm::sin(radians), -libm::cos(radians));
    let (tip, tail) = (middle.plus(way, NORTH_RADIUS), middle.plus(way, -NORTH_RADIUS));
    let wing = |side: f64| tail.plus(way, 4.0).plus(way.turned(), side * 5.0);
    let hollow = middle.plus(way, -NORTH_RADIUS * 0.45);
    items.push(Item::Filled("plan-north-half", vec![tip, wing(1.0), hollow]));
    items.push(Item::Outline(Pen::North, vec![tip, wing(-1.0), hollow]));
    items.push(Item::Lines(Pen::North, vec![Line::new(tip, hollow)]));
    let at = middle.plus(way, NORTH_RADIUS + 7.5);
    items.push(Item::Text(Lettering::centred("N", at, 10.0, Role::North)));
}

/// What the drawing shows, for who cannot see it.
fn description(plan: &Plan) -> String {
    let mut sentences = vec!["Floor plan drawn to scale.".to_owned()];
    for region in &plan.regions {
        let counting = match &region.counting {
            Counting::Counted => "counted".to_owned(),
            Counting::Weighted(factor) => format!("counted {factor}"),
            Counting::Apart(heading) => format!("counted apart: {heading}"),
            Counting::NotCounted => "not counted".to_owned(),
        };
        let words = [&region.name].into_iter().chain(&region.lines).chain([&counting]);
        let words: Vec<String> =
            words.map(|text| on_one_line(text)).filter(|text| !text.is_empty()).collect();
        sentences.push(format!("{}.", words.join(", ")));
    }
    for edge in &plan.edges {
        if let Some(suspect) = &edge.suspect {
            let wall = edge.dimension.as_deref().unwrap_or("a wall");
            sentences.push(format!("To check: {}: {}.", on_one_line(wall), on_one_line(suspect)));
        }
    }
    sentences.join(" ")
}

impl Sheet {
    /// The file.
    pub(super) fn svg(&self, plan: &Plan) -> String {
        let heading: Vec<String> = [&plan.title, &plan.level_name]
            .into_iter()
            .map(|text| on_one_line(text))
            .filter(|text| !text.is_empty())
            .collect();
        let heading = if heading.is_empty() { "Floor plan".to_owned() } else { heading.join(", ") };
        let ground = plan.ground == Ground::Paper;
        let mut writer = Writer::begin(self.width, self.height, &heading, &description(plan), ground);
        self.around.iter().for_each(|item| writer.draw(item));
        writer.shift(self.shift);
        self.drawing.iter().for_each(|item| writer.draw(item));
        writer.end()
    }

    /// Where its texts lie.
    pub(super) fn layout(&self) -> Layout {
        let placed = |items: &[Item], shift: Spot| -> Vec<PlacedText> {
            let mut texts = Vec::new();
            for item in items {
                if let Item::Text(lettering) = item {
                    let corner = |spot: Spot| (spot.x + shift.x, spot.y + shift.y);
                    let corners = lettering.block().corners().map(corner);
                    texts.push(PlacedText { text: lettering.text.clone(), corners });
                }
            }
            texts
        };
        let mut texts = placed(&self.around, Spot::new(0.0, 0.0));
        texts.extend(placed(&self.drawing, self.shift));
        Layout {
            width: self.width,
            height: self.height,
            pixels_per_foot: self.pixels_per_foot,
            texts,
            listed: self.listed.clone(),
        }
    }
}

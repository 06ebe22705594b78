//! Openings in the floor and stairs.

use super::hatch::{Spared, clipped};
use super::ink::{Item, Pen};
use super::label;
use super::lettering::{Lettering, Role, on_one_line, width};
use super::scene::Scene;
use super::shape::{Block, Bounds, Line, Ring, Spot, sides};
use super::{Stair, Way};

/// Depth of a tread in feet, 10 in, and the least that is drawn.
const TREAD_FT: f64 = 10.0 / 12.0;
const TREAD_LEAST: f64 = 4.5;
const SIZES: [f64; 3] = [10.0, 9.0, 8.0];

/// Places the words of stairs and openings.
pub(super) fn place_words(scene: &mut Scene<'_>) {
    for (at, stair) in scene.plan.stairs.iter().enumerate() {
        let Some(ring) = scene.stairs.get(at).cloned() else { continue };
        let word = match stair.way {
            Way::Up => "up",
            Way::Down => "down",
        };
        let Some((shaft, _)) = shaft(scene, stair, &ring) else { continue };
        match word_on(scene, shaft, word) {
            Some(text) => scene.place(text),
            None => scene.listed.push(format!("Stairs: {word}")),
        }
    }
    for (at, opening) in scene.plan.openings.iter().enumerate() {
        let Some(ring) = scene.openings.get(at).cloned() else { continue };
        let words = on_one_line(&opening.label);
        if !words.is_empty() && !label::place_within(scene, &ring, &words) {
            scene.listed.push(words);
        }
    }
}

/// The middle line of stairs from foot to head, and the width across it.
fn shaft(scene: &Scene<'_>, stair: &Stair, ring: &Ring) -> Option<(Line, f64)> {
    let longest = sides(ring).max_by(|one, other| one.length().total_cmp(&other.length()))?;
    let along = super::dimension::reading(longest.along());
    let across = along.turned();
    let reach = |axis: Spot| {
        let at = ring.iter().map(|corner| corner.dot(axis));
        (at.clone().fold(f64::INFINITY, f64::min), at.fold(f64::NEG_INFINITY, f64::max))
    };
    let ((start, end), (left, right)) = (reach(along), reach(across));
    let middle = (left + right) / 2.0;
    let place = |at: f64| Spot::new(0.0, 0.0).plus(along, at).plus(across, middle);
    let line = Line::new(place(start), place(end));
    let head = stair.towards.map(|point| scene.spot(point));
    let is_backwards = head.is_some_and(|head| head.distance(line.from) < head.distance(line.to));
    Some((if is_backwards { Line::new(line.to, line.from) } else { line }, right - left))
}

/// The word at the foot of the arrow, on it, or before it.
fn word_on(scene: &Scene<'_>, shaft: Line, word: &str) -> Option<Lettering> {
    let along = super::dimension::reading(shaft.along());
    for size in SIZES {
        let half = width(word, size, Role::Fixture) / 2.0;
        let offsets = [half + 5.0, shaft.length() / 3.0, shaft.length() / 2.0, -half - 5.0];
        for offset in offsets {
            let middle = shaft.from.plus(shaft.along(), offset);
            let text = Lettering::turned(word, middle, size, Role::Fixture, along);
            if scene.has_room(&text.block()) {
                return Some(text);
            }
        }
    }
    None
}

/// Openings and stairs without their words, spared where texts stand.
pub(super) fn draw_all(scene: &Scene<'_>) -> Vec<Item> {
    let spared = Spared { rings: &[], blocks: &scene.blocks };
    let mut items = Vec::new();
    for ring in &scene.openings {
        items.push(Item::Outline(Pen::OpeningOutline, ring.clone()));
        items.push(Item::Lines(Pen::OpeningCross, cross(ring, spared)));
    }
    for (stair, ring) in scene.plan.stairs.iter().zip(&scene.stairs) {
        items.extend(draw_stair(scene, stair, ring, spared));
    }
    items
}

/// Two diagonals from corner to corner; of other shapes than four corners, of the box around it.
pub(super) fn cross(ring: &Ring, spared: Spared<'_>) -> Vec<Line> {
    let diagonals = if let [one, two, three, four] = ring.as_slice() {
        vec![Line::new(*one, *three), Line::new(*two, *four)]
    } else {
        let Some(bounds) = Bounds::around(ring.iter().copied()) else { return Vec::new() };
        let [one, two, three, four] = Block::upright(bounds.low, bounds.high).corners();
        vec![Line::new(one, three), Line::new(two, four)]
    };
    diagonals.into_iter().flat_map(|line| clipped(line, core::slice::from_ref(ring), spared)).collect()
}

fn draw_stair(scene: &Scene<'_>, stair: &Stair, ring: &Ring, spared: Spared<'_>) -> Vec<Item> {
    let mut items = vec![Item::Outline(Pen::StairOutline, ring.clone())];
    let Some((shaft, across)) = shaft(scene, stair, ring) else { return items };
    items.extend(flight(
        shaft,
        across,
        ring,
        TREAD_FT * scene.pixels_per_foot,
        stair.towards.is_some(),
        spared,
    ));
    items
}

/// Treads and arrow along `shaft`.
pub(super) fn flight(
    shaft: Line,
    across: f64,
    ring: &Ring,
    tread: f64,
    has_head: bool,
    spared: Spared<'_>,
) -> Vec<Item> {
    let (along, ring) = (shaft.along(), core::slice::from_ref(ring));
    let count = libm::floor(shaft.length() / tread.max(TREAD_LEAST)).max(1.0);
    let mut treads = Vec::new();
    for at in 1..count as u32 {
        let middle = shaft.at(f64::from(at) / count);
        let line = Line::new(middle.plus(along.turned(), -across), middle.plus(along.turned(), across));
        treads.extend(clipped(line, ring, spared));
    }
    let arrow = shaft.shortened(4.0);
    let mut lines = clipped(arrow, ring, spared);
    if has_head {
        let wing = |side: f64| arrow.to.plus(along, -6.0).plus(along.turned(), side * 3.2);
        lines.extend([Line::new(wing(1.0), arrow.to), Line::new(arrow.to, wing(-1.0))]);
    }
    vec![Item::Lines(Pen::Tread, treads), Item::Lines(Pen::Arrow, lines)]
}
